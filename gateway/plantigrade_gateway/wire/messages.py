"""What the wire format's messages hold (`hardware_notes/wire_format.md`), as frozen dataclasses.

A message that exists can be encoded: every field is checked when it is made, and `WireError` says
which is wrong. The bytes are those of `codec.py`.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError, WireReason

MAX_MESSAGE_BYTES = 244
"""Largest notification value: 251 (link layer) − 4 (L2CAP) − 3 (ATT)."""
HEADER_BYTES = 16
MAX_ZONES = 64
MIN_PERIOD_US = 1000
MAX_PERIOD_US = 65535
LONGEST_PERIOD_US = 50_000
"""That is analysed, 20 Hz (`plantigrade.limits.Setup`): what is sampled more seldom is counted."""
MAX_COUNT_12 = 4095
BATTERY_UNKNOWN = 255


class SampleFormat(IntEnum):
    """How a sample is packed."""

    U16 = 0
    """Two bytes, little endian."""
    PACKED12 = 1
    """Two samples in three bytes; each frame begins on a byte."""


class AckStatus(IntEnum):
    """What an insole says of a request."""

    DONE = 0
    UNKNOWN_REQUEST = 1
    VALUE_NOT_POSSIBLE = 2
    NOT_NOW = 3


def frame_bytes(zones: int, sample_format: SampleFormat) -> int:
    """Return the bytes one frame of `zones` samples takes."""
    return 2 * zones if sample_format is SampleFormat.U16 else (3 * zones + 1) // 2


def max_frames(zones: int, sample_format: SampleFormat) -> int:
    """Return how many frames of `zones` samples fit into one packet."""
    return (MAX_MESSAGE_BYTES - HEADER_BYTES) // frame_bytes(zones, sample_format)


def check_period(period_us: int) -> None:
    """Raise `WireError` (PERIOD) unless the sample period is 1000–65535 µs."""
    if not MIN_PERIOD_US <= period_us <= MAX_PERIOD_US:
        raise WireError(
            WireReason.PERIOD,
            f"sample period {period_us} µs, expected {MIN_PERIOD_US} to {MAX_PERIOD_US}",
        )


def check_zones(zones: int) -> None:
    """Raise `WireError` (ZONES) unless there are 1–64 zones."""
    if not 1 <= zones <= MAX_ZONES:
        raise WireError(WireReason.ZONES, f"{zones} zones, expected 1 to {MAX_ZONES}")


def check_frames(frames: int) -> None:
    """Raise `WireError` (FRAMES) unless there is a frame."""
    if frames < 1:
        raise WireError(WireReason.FRAMES, f"{frames} frames, expected at least 1")


def check_bits(name: str, value: int, allowed: int) -> None:
    """Raise `WireError` (RESERVED) where a bit outside the allowed ones is set."""
    if value & ~allowed:
        raise WireError(
            WireReason.RESERVED, f"{name} 0x{value:02x}, expected no bit outside 0x{allowed:02x}"
        )


def check_range(name: str, value: int, high: int) -> None:
    """Raise `WireError` (VALUE) unless the value lies in 0…high."""
    if not 0 <= value <= high:
        raise WireError(WireReason.VALUE, f"{name} is {value}, expected 0 to {high}")


@dataclass(frozen=True, slots=True, eq=False)
class DataPacket:
    """Frames of zone samples.

    Attributes
    ----------
    foot : Foot
    sample_format : SampleFormat
    first : bool
        First packet after a start or a reset.
    dropped : bool
        The insole itself dropped samples since its last packet.
    battery_low : bool
    counter : int
        Packet counter, 0…2³² − 1.
    clock_us : int
        The insole's clock at the first frame, µs, 0…2³² − 1.
    period_us : int
        Sample period, µs.
    counts : ndarray of uint16, shape (frames, zones)
        Raw samples, in order of zone id.

    Raises
    ------
    WireError
        PERIOD, ZONES, FRAMES, VALUE (counter, clock, a count above 4095 in packed 12-bit), or
        OVERSIZED when the frames do not fit into one packet.
    """

    foot: Foot
    sample_format: SampleFormat
    first: bool
    dropped: bool
    battery_low: bool
    counter: int
    clock_us: int
    period_us: int
    counts: NDArray[np.uint16]

    def __post_init__(self) -> None:
        frames, zones = self.counts.shape
        check_period(self.period_us)
        check_zones(zones)
        check_frames(frames)
        check_range("packet counter", self.counter, 0xFFFFFFFF)
        check_range("clock", self.clock_us, 0xFFFFFFFF)
        if self.sample_format is SampleFormat.PACKED12:
            check_range("largest count", int(self.counts.max()), MAX_COUNT_12)
        if frames > max_frames(zones, self.sample_format):
            raise WireError(
                WireReason.OVERSIZED,
                f"{frames} frames of {zones} zones in one packet, "
                f"expected at most {max_frames(zones, self.sample_format)}",
            )


@dataclass(frozen=True, slots=True)
class Start:
    """Begin streaming, with packet counter 0."""

    token: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)


@dataclass(frozen=True, slots=True)
class Stop:
    """End streaming."""

    token: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)


@dataclass(frozen=True, slots=True)
class Rate:
    """Sample with this period, µs, from the next packet on."""

    token: int
    period_us: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)
        check_period(self.period_us)


@dataclass(frozen=True, slots=True)
class Frames:
    """Put this many frames into a packet, from the next packet on."""

    token: int
    frames: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)
        check_frames(self.frames)
        check_range("frames", self.frames, 0xFF)


@dataclass(frozen=True, slots=True)
class Identify:
    """Say who you are (`Identity`), and show it by light or buzz for `show_s` seconds (0: no)."""

    token: int
    show_s: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)
        check_range("show time", self.show_s, 0xFF)


@dataclass(frozen=True, slots=True)
class Time:
    """Say what your clock reads (`Clock`)."""

    token: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)


@dataclass(frozen=True, slots=True)
class Ack:
    """The answer to the request that carried `token`; `request` is its message kind."""

    token: int
    request: int
    status: AckStatus

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)
        check_range("request kind", self.request, 0xFF)


@dataclass(frozen=True, slots=True)
class Identity:
    """Who an insole is and how it is set.

    Attributes
    ----------
    token : int
        Of the `Identify` it answers.
    foot : Foot
    sample_format : SampleFormat
    zones, frames, period_us : int
        As the next data packet will have them.
    battery_percent : int
        0–100, or `BATTERY_UNKNOWN`.
    streaming : bool
    firmware : int
        Major × 256 + minor.
    serial : int
        The insole's own number, 0…2³² − 1.
    """

    token: int
    foot: Foot
    sample_format: SampleFormat
    zones: int
    frames: int
    period_us: int
    battery_percent: int
    streaming: bool
    firmware: int
    serial: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)
        check_period(self.period_us)
        check_zones(self.zones)
        check_frames(self.frames)
        check_range("frames", self.frames, 0xFF)
        if self.battery_percent != BATTERY_UNKNOWN:
            check_range("battery level", self.battery_percent, 100)
        check_range("firmware", self.firmware, 0xFFFF)
        check_range("serial", self.serial, 0xFFFFFFFF)


@dataclass(frozen=True, slots=True)
class Clock:
    """The insole's clock, µs, 0…2³² − 1, when the `Time` that carried `token` reached it."""

    token: int
    clock_us: int

    def __post_init__(self) -> None:
        check_range("token", self.token, 0xFF)
        check_range("clock", self.clock_us, 0xFFFFFFFF)


Message = DataPacket | Start | Stop | Rate | Frames | Identify | Time | Ack | Identity | Clock
