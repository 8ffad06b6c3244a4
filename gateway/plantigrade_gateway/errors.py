"""Every error the gateway raises on purpose; its text is one sentence for the user."""

from enum import StrEnum

from plantigrade.errors import sentence


class GatewayError(Exception):
    """Root of the gateway's errors."""

    def __init__(self, text: str) -> None:
        super().__init__(sentence(text))


class WireReason(StrEnum):
    """Why bytes are not a message, in the order the checks are made (`wire_format.md` §5)."""

    OVERSIZED = "oversized"
    """More than 244 bytes."""
    TRUNCATED = "truncated"
    """Fewer bytes than the message must have."""
    VERSION = "version"
    """A version this program does not know."""
    KIND = "kind"
    """A message kind this program does not know."""
    RESERVED = "reserved"
    """A reserved bit is set."""
    SAMPLE_FORMAT = "sample_format"
    """An unknown sample format."""
    PERIOD = "period"
    """A sample period outside 1000–65535 µs."""
    ZONES = "zones"
    """No zones, or more than 64."""
    FRAMES = "frames"
    """No frames."""
    EXCESS = "excess"
    """More bytes than the message has."""
    VALUE = "value"
    """Any other field outside its range."""
    CRC = "crc"
    """A log page whose CRC is another (§8)."""


class WireError(GatewayError):
    """Bytes that are not a message of the wire format, or a message that has no bytes in it.

    Attributes
    ----------
    reason : WireReason
    """

    def __init__(self, reason: WireReason, text: str) -> None:
        super().__init__(text)
        self.reason = reason


class RecordError(GatewayError):
    """A record or replay file that cannot be read."""


class InputError(GatewayError):
    """A file or an option of the user's that cannot be used."""


class StoreError(GatewayError):
    """The store cannot be opened, read or written."""


class RefusedNowError(StoreError):
    """The disk has no room, or another program holds the store: it may be taken later."""


class NobodyError(StoreError):
    """The player whom something is of is not in the store, or not any more."""


class DamageError(StoreError):
    """Bytes of the store are not those that were written."""


class BluetoothError(GatewayError):
    """Bluetooth, or one insole's link, cannot be used."""


class PageError(GatewayError):
    """The pages cannot be served."""


class CalibrationRefused(GatewayError):
    """A calibration whose data stayed bad: nothing was stored."""


class RecordingError(GatewayError):
    """A session that was begun and could not be kept to its end."""


class SoundError(GatewayError):
    """No sound can be played."""


_ADVICE = {
    "has expired": "see to a new one there, and to this machine's clock",
    "not yet valid": "see to the clocks of both machines",
    "mismatch": "name it in {address} as its certificate does",
}
"""By what OpenSSL's reasons hold (X509_verify_cert_error_string); no other file helps there."""


def untrusted(reason: str, address: str, ca_file: str) -> str:
    """Return why a server is not spoken to, as the end of a sentence.

    Parameters
    ----------
    reason : str
        OpenSSL's; empty where it gave none.
    address, ca_file : str
        The settings that name the server, and the certificates that are trusted.
    """
    advice = next((text for word, text in _ADVICE.items() if word in reason), f"set {ca_file}")
    said = reason.rstrip(".") or "not verified"
    return f"its certificate is not trusted ({said}): {advice.format(address=address)}"
