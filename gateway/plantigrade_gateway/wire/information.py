"""What an insole says of itself once: zones, full scale, layout, versions, stored curve.

The two values of `hardware_notes/gatt_profile.md` §8, bytes ↔ frozen fields. Pure.
"""

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import Calibration
from plantigrade.errors import CalibrationError, LayoutError
from plantigrade.zones import REGIONS, ZoneLayout, eighteen, parse_layout
from plantigrade_gateway.errors import WireError, WireReason
from plantigrade_gateway.wire.messages import check_range, check_zones

VERSION = 1
MAX_VALUE_BYTES = 512
"""The longest value of a characteristic (Core Specification, Vol 3, Part F, 3.2.9; from memory)."""
TABLE, EIGHTEEN = 0, 1
"""Layout ids: the table follows; the built-in layout."""
PLACES = 10_000
"""A zone's place is a whole number of these parts of the insole's width or length."""
KPA_STEPS = 50
"""A stored pressure is a whole number of these parts of 1 kPa."""
BITS = (8, 16)
_HEADER = struct.Struct("<BBBBHHIBB")
_SIZE = struct.Struct("<HH")
_ZONE = struct.Struct("<BHHH")
_CURVE = struct.Struct("<IBB")


@dataclass(frozen=True, slots=True)
class ZoneTable:
    """Where an insole's zones lie, in the units of the block.

    Attributes
    ----------
    length_mm, width_mm : int
    zones : tuple of (int, int, int, int)
        Of each zone in order of id: region (index into `REGIONS`), x and y in 1 / `PLACES`, area
        in mm².
    """

    length_mm: int
    width_mm: int
    zones: tuple[tuple[int, int, int, int], ...]

    @classmethod
    def of(cls, layout: ZoneLayout) -> "ZoneTable":
        """Return a layout's table, each number to the nearest that the block can say."""
        rows = zip(
            layout.region.tolist(),
            np.rint(layout.x * PLACES).astype(int).tolist(),
            np.rint(layout.y * PLACES).astype(int).tolist(),
            np.rint(layout.area_mm2).astype(int).tolist(),
            strict=True,
        )
        return cls(round(layout.length_mm), round(layout.width_mm), tuple(rows))

    def toml(self, name: str) -> str:
        """Return it as the text of a layout file."""
        lines = [f'name = "{name}"', f"length_mm = {self.length_mm}", f"width_mm = {self.width_mm}"]
        for number, (region, x, y, area) in enumerate(self.zones, 1):
            lines += [
                "[[zone]]",
                f"id = {number}",
                f'region = "{REGIONS[region]}"',
                f"x = {x / PLACES}",
                f"y = {y / PLACES}",
                f"area_mm2 = {area}",
            ]
        return "\n".join(lines) + "\n"


@dataclass(frozen=True, slots=True)
class Information:
    """An insole's information block. One that exists can be written, and used.

    Attributes
    ----------
    zones : int
    bits : int
        Of the converter's full scale, 8…16.
    table : ZoneTable or None
        None: the built-in eighteen zones.
    hardware : int
        The maker's number of this kind of insole, 0…65535.
    firmware : int
        Major × 256 + minor.
    calibration : int
        The stored curve's number, 0: none.
    knots : int
        Points of the stored curve above zero, 0: none is stored.
    """

    zones: int
    bits: int
    table: ZoneTable | None
    hardware: int
    firmware: int
    calibration: int = 0
    knots: int = 0

    def __post_init__(self) -> None:
        check_zones(self.zones)
        if not BITS[0] <= self.bits <= BITS[1]:
            raise _wrong(f"full scale of {self.bits} bits, expected {BITS[0]} to {BITS[1]}")
        check_range("hardware", self.hardware, 0xFFFF)
        check_range("firmware", self.firmware, 0xFFFF)
        check_range("calibration", self.calibration, 0xFFFFFFFF)
        check_range("points of the stored curve", self.knots, 0xFF)
        if self.knots and (size := curve_bytes(self.zones, self.knots)) > MAX_VALUE_BYTES:
            raise _wrong(
                f"stored curve of {self.knots} points for {self.zones} zones takes {size} bytes, "
                f"expected at most {MAX_VALUE_BYTES}"
            )
        if (self.calibration == 0) is not (self.knots == 0):
            raise _wrong("a stored curve and its number go together, one of them is 0")
        rows = eighteen().n_zones if self.table is None else len(self.table.zones)
        if rows != self.zones:
            raise _wrong(f"{self.zones} zones, and a layout of {rows}")
        self.zone_layout()

    @property
    def full_scale(self) -> int:
        """The converter's largest count."""
        return (1 << self.bits) - 1

    @property
    def layout(self) -> str:
        """The layout as a session's settings keep it: "eighteen", or a layout file's text."""
        if self.table is None:
            return "eighteen"
        return self.table.toml(f"hardware {self.hardware:04X}")

    @property
    def version(self) -> str:
        """The firmware's version, for people."""
        return version_text(self.firmware)

    def zone_layout(self) -> ZoneLayout:
        """Return the layout itself.

        Raises
        ------
        WireError
            The table is no layout: VALUE, and which zone is wrong.
        """
        if self.table is None:
            return eighteen()
        try:
            return parse_layout(self.layout, "layout in the insole")
        except LayoutError as error:
            raise _wrong(str(error)) from error

    def same_measure(self, other: "Information") -> bool:
        """Whether counts of both mean the same: zones, their places and full scale."""
        return (self.bits, self.table) == (other.bits, other.table)

    def encode(self) -> bytes:
        """Return the characteristic's value."""
        head = _HEADER.pack(
            VERSION,
            self.zones,
            self.bits,
            EIGHTEEN if self.table is None else TABLE,
            self.hardware,
            self.firmware,
            self.calibration,
            self.knots,
            0,
        )
        if self.table is None:
            return head
        size = _SIZE.pack(self.table.length_mm, self.table.width_mm)
        return head + size + b"".join(_ZONE.pack(*row) for row in self.table.zones)


PLAIN = Information(18, 12, None, hardware=0, firmware=0)
"""What an insole without such a block is taken for."""


def read_information(data: bytes) -> Information:
    """Read an information block.

    Raises
    ------
    WireError
        It cannot be used; the text says which field and why.
    """
    if len(data) < _HEADER.size:
        raise WireError(
            WireReason.TRUNCATED,
            f"information of {len(data)} bytes, expected at least {_HEADER.size}",
        )
    version, zones, bits, layout, hardware, firmware, calibration, knots, reserved = (
        _HEADER.unpack_from(data)
    )
    if version != VERSION:
        raise WireError(WireReason.VERSION, f"information of version {version}, expected {VERSION}")
    if reserved:
        raise WireError(WireReason.RESERVED, f"information: byte 13 is {reserved}, expected 0")
    if layout not in (TABLE, EIGHTEEN):
        raise _wrong(f"layout {layout} is unknown to this program, expected 0 or 1")
    check_zones(zones)
    expected = _HEADER.size
    if layout == TABLE:
        expected += _SIZE.size + zones * _ZONE.size
    if len(data) != expected:
        raise WireError(
            WireReason.TRUNCATED if len(data) < expected else WireReason.EXCESS,
            f"information of {len(data)} bytes, expected {expected} for {zones} zones",
        )
    table = _read_table(data) if layout == TABLE else None
    return Information(zones, bits, table, hardware, firmware, calibration, knots)


def _read_table(data: bytes) -> ZoneTable:
    length_mm, width_mm = _SIZE.unpack_from(data, _HEADER.size)
    rows = tuple(_ZONE.iter_unpack(data[_HEADER.size + _SIZE.size :]))
    for number, (region, *_) in enumerate(rows, 1):
        if region >= len(REGIONS):
            raise _wrong(f"zone {number}: region {region}, expected 0 to {len(REGIONS) - 1}")
    return ZoneTable(length_mm, width_mm, rows)


def curve_bytes(zones: int, knots: int) -> int:
    """Return the bytes a stored curve takes."""
    return _CURVE.size + 2 * (knots + zones + zones * knots)


def write_curve(number: int, calibration: Calibration) -> bytes:
    """Return the stored curve's value; pressures to the nearest 1 / `KPA_STEPS` kPa.

    Parameters
    ----------
    number : int
        The calibration's, 1…2³² − 1.
    calibration : Calibration
        Knots and zeros are whole counts.
    """
    knots = calibration.knots[1:]
    head = _CURVE.pack(number, len(knots), calibration.n_zones)
    steps = calibration.pressure[:, 1:] * KPA_STEPS
    return head + b"".join(_u16(part) for part in (knots, calibration.zero, steps.ravel()))


def _u16(values: FloatArray) -> bytes:
    return np.rint(values).astype("<u2").tobytes()


def read_curve(data: bytes, said: Information, foot: Foot) -> Calibration:
    """Read the curve that an insole stores.

    Parameters
    ----------
    data : bytes
        The characteristic's value.
    said : Information
        What the insole said of it.
    foot : Foot

    Raises
    ------
    WireError
        It cannot be used, or is not what the information block says.
    """
    expected = curve_bytes(said.zones, said.knots)
    if len(data) != expected:
        raise WireError(
            WireReason.TRUNCATED if len(data) < expected else WireReason.EXCESS,
            f"stored curve of {len(data)} bytes, expected {expected}",
        )
    number, knots, zones = _CURVE.unpack_from(data)
    if (number, knots, zones) != (said.calibration, said.knots, said.zones):
        raise _wrong(
            f"stored curve {number:08X} of {knots} points and {zones} zones, expected "
            f"{said.calibration:08X} of {said.knots} points and {said.zones} zones"
        )
    values: NDArray[np.float64] = np.frombuffer(data, "<u2", offset=_CURVE.size).astype(np.float64)
    at, zero, pressure = np.split(values, (knots, knots + zones))
    try:
        return Calibration(
            foot,
            np.concatenate(([0.0], at)),
            np.hstack((np.zeros((zones, 1)), pressure.reshape(zones, knots) / KPA_STEPS)),
            zero,
            note=f"curve {number:08X} stored in the insole, not fitted to the player",
            full_scale=said.full_scale,
        )
    except CalibrationError as error:
        raise _wrong(f"stored curve: {error}") from error


def version_text(firmware: int) -> str:
    """Return a firmware version as people read it."""
    return f"{firmware >> 8}.{firmware & 0xFF}"


def _wrong(text: str) -> WireError:
    return WireError(WireReason.VALUE, text)
