"""What an insole shows over Bluetooth: UUIDs, announcement, status (`gatt_profile.md`).

Pure: bytes in, frozen fields out, and back. The messages that travel through the data and control
characteristics are the wire format's (`codec.py`).
"""

import re
import struct
from dataclasses import dataclass, field

from plantigrade.block import Foot
from plantigrade.calibrate import FULL_SCALE
from plantigrade_gateway.wire.information import Information
from plantigrade_gateway.wire.messages import BATTERY_UNKNOWN

SERVICE = "7c1f0001-5b33-4bce-92eb-cb3d3f7d5271"
DATA = "7c1f0002-5b33-4bce-92eb-cb3d3f7d5271"
CONTROL = "7c1f0003-5b33-4bce-92eb-cb3d3f7d5271"
STATUS = "7c1f0004-5b33-4bce-92eb-cb3d3f7d5271"
INFORMATION = "7c1f0005-5b33-4bce-92eb-cb3d3f7d5271"
CURVE = "7c1f0006-5b33-4bce-92eb-cb3d3f7d5271"
LOG = "7c1f0007-5b33-4bce-92eb-cb3d3f7d5271"

BATTERY_LEVEL = "00002a19-0000-1000-8000-00805f9b34fb"

PROFILE_VERSION = 1
_ANNOUNCEMENT = struct.Struct("<BBHBI")
_STATUS = struct.Struct("<BBBBII")
_RIGHT = 0x01
_STREAMING, _CHARGING, _BATTERY_LOW = 0x01, 0x02, 0x04
_FEET = (Foot.LEFT, Foot.RIGHT)
_ADDRESS = re.compile("[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}")


@dataclass(frozen=True, slots=True)
class Announcement:
    """What an insole says of itself to everybody, before any connection.

    Attributes
    ----------
    foot : Foot
    length_mm : int
        The insole's length, its size.
    battery_percent : int or None
    serial : int
        0…2³² − 1; the same number as in the wire format's identity.
    """

    foot: Foot
    length_mm: int
    battery_percent: int | None
    serial: int

    @property
    def name(self) -> str:
        """The local name that is advertised: ``Insole L`` or ``Insole R``."""
        return f"Insole {self.foot.value[0].upper()}"

    def encode(self) -> bytes:
        """Return the service data."""
        battery = BATTERY_UNKNOWN if self.battery_percent is None else self.battery_percent
        return _ANNOUNCEMENT.pack(
            PROFILE_VERSION, _FEET.index(self.foot), self.length_mm, battery, self.serial
        )


def read_announcement(data: bytes) -> Announcement | None:
    """Read an insole's service data; None where they are not of this profile's version."""
    if len(data) != _ANNOUNCEMENT.size:
        return None
    version, state, length_mm, battery, serial = _ANNOUNCEMENT.unpack(data)
    if version != PROFILE_VERSION or state & ~_RIGHT or not _is_level(battery):
        return None
    return Announcement(
        _FEET[state & _RIGHT], length_mm, None if battery == BATTERY_UNKNOWN else battery, serial
    )


@dataclass(frozen=True, slots=True)
class Status:
    """How an insole is, as its status characteristic says.

    Attributes
    ----------
    streaming, charging, battery_low : bool
    battery_percent : int or None
    resets : int
        Resets since the last charge, 0…255.
    dropped : int
        Packets made and never sent since streaming started.
    uptime_s : int
        Since the last reset, s.
    """

    streaming: bool
    charging: bool
    battery_low: bool
    battery_percent: int | None
    resets: int
    dropped: int
    uptime_s: int

    @property
    def state(self) -> int:
        """Its bits; the insole tells when they change."""
        return (
            _STREAMING * self.streaming
            | _CHARGING * self.charging
            | _BATTERY_LOW * self.battery_low
        )

    def encode(self) -> bytes:
        """Return the characteristic's value."""
        battery = BATTERY_UNKNOWN if self.battery_percent is None else self.battery_percent
        return _STATUS.pack(
            PROFILE_VERSION, self.state, battery, self.resets, self.dropped, self.uptime_s
        )


def read_status(data: bytes) -> Status | None:
    """Read a status value; None where it is not of this profile's version."""
    if len(data) != _STATUS.size:
        return None
    version, state, battery, resets, dropped, uptime_s = _STATUS.unpack(data)
    if version != PROFILE_VERSION or state > 7 or not _is_level(battery):
        return None
    return Status(
        bool(state & _STREAMING),
        bool(state & _CHARGING),
        bool(state & _BATTERY_LOW),
        None if battery == BATTERY_UNKNOWN else battery,
        resets,
        dropped,
        uptime_s,
    )


def _is_level(battery: int) -> bool:
    return battery <= 100 or battery == BATTERY_UNKNOWN


@dataclass(frozen=True, slots=True)
class KnownInsole:
    """An insole that may be connected to.

    Attributes
    ----------
    serial : int
        The identity it announces and answers with.
    foot : Foot
    name : str
        What people call it.
    address : str
        Where it was heard when it was remembered, as the system gives it.
    length_mm : int
    information : Information or None
        What it said of itself when it was remembered; None: it has no such block, and is taken for
        eighteen zones of 12 bits.
    firmware : int or None
        Major × 256 + minor, as it was seen last; it is not part of who it is.
    bonded : bool
        It was paired by Bluetooth's own means too.
    """

    serial: int
    foot: Foot
    name: str
    address: str
    length_mm: int
    information: Information | None = None
    firmware: int | None = field(default=None, compare=False)
    bonded: bool = False

    @property
    def layout(self) -> str:
        """The zones, as a session's settings keep them."""
        return "eighteen" if self.information is None else self.information.layout

    @property
    def full_scale(self) -> int:
        """The converter's largest count."""
        return FULL_SCALE if self.information is None else self.information.full_scale

    @property
    def label(self) -> str:
        """For people: foot and name."""
        return f"{self.foot} insole ({self.name})"

    @classmethod
    def of(
        cls,
        said: Announcement,
        address: str,
        name: str = "",
        information: Information | None = None,
    ) -> "KnownInsole":
        """Make one of what an insole announces, and says of itself."""
        name = name or f"{said.serial:08X}"
        return cls(said.serial, said.foot, name, address, said.length_mm, information)

    def is_heard(self, said: Announcement, address: str) -> bool:
        """Whether it is this insole that was heard: serial number, foot and address.

        Some systems hide addresses and give numbers of their own, which may change: there serial
        number and foot are the identity. An address may be a random or a public one.
        """
        hidden = not (_ADDRESS.fullmatch(address) and _ADDRESS.fullmatch(self.address))
        same = hidden or address.upper() == self.address.upper()
        return same and (said.serial, said.foot) == (self.serial, self.foot)
