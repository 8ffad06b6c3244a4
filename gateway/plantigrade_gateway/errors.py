"""Every error the gateway raises on purpose; its text is one sentence for the user."""


class GatewayError(Exception):
    """Root of the gateway's errors."""


class WireError(GatewayError):
    """Bytes that are not a message of the wire format (`hardware_notes/wire_format.md`)."""


class RecordError(GatewayError):
    """A record or replay file that cannot be read."""


class InputError(GatewayError):
    """A file or an option of the user's that cannot be used."""


class StoreError(GatewayError):
    """The store cannot be opened, read or written."""


class SoundError(GatewayError):
    """No sound can be played."""
