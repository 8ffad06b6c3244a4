"""The log of an insole (`hardware_notes/wire_format.md` §8): bytes ↔ frozen fields. Pure.

A *long clock* is the insole's clock since its reset, µs, without the wrap of its 32 bits.
"""

import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError, WireReason
from plantigrade_gateway.wire.codec import VERSION, pack_samples, unpack_samples
from plantigrade_gateway.wire.messages import (
    MAX_MESSAGE_BYTES,
    AckStatus,
    SampleFormat,
    check_bits,
    check_frames,
    check_period,
    check_range,
    check_zones,
    frame_bytes,
)

PAGE, END, REQUEST = 0x30, 0x31, 0x38
HEAD_BYTES = 28
FLASH_PAGE_BYTES = 256
SECTOR_PAGES = 16
LONG_CLOCK = 1 << 48
BOOTS = 65_535
_CRC_AT = 24
_HEAD = struct.Struct("<BBBBIHHIIHBB")
_STATE = struct.Struct("<BBHIHHIII")
_REQUEST = struct.Struct("<BBBBHHIHIH")
_END = struct.Struct("<BBBBIHH")
_FEET = (Foot.LEFT, Foot.RIGHT)
_FIRST, _DROPPED, _LAST = 0x01, 0x02, 0x04
_FLAGS, _FORMAT = 0x07, 0x07
_LOW = 0xFFFFFFFF
_MOST_BETWEEN = 1000  # more is the number of another chip (ours)


@dataclass(frozen=True, slots=True, eq=False)
class LogPage:
    """Consecutive frames as the log keeps them.

    Attributes
    ----------
    foot : Foot
    sample_format : SampleFormat
    first, dropped, last : bool
        First page of its boot; samples are missing before it; logging ended on purpose after it.
    page : int
        Its number, which rises over resets too.
    boot : int
        1…65535.
    clock_us : int
        Long clock of the first frame, µs.
    sample : int
        Number of the first frame since the reset.
    period_us : int
    counts : ndarray of uint16, shape (n, zones)
    """

    foot: Foot
    sample_format: SampleFormat
    first: bool
    dropped: bool
    last: bool
    page: int
    boot: int
    clock_us: int
    sample: int
    period_us: int
    counts: NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.counts)

    @property
    def end_us(self) -> int:
        """Long clock at which the frame after the last is due."""
        return self.clock_us + len(self) * self.period_us

    def encode(self) -> bytes:
        """Return the page as it lies in the flash, and travels."""
        frames, zones = self.counts.shape
        head = _HEAD.pack(
            *(VERSION, PAGE, _FEET.index(self.foot) | self.sample_format << 1),
            _FIRST * self.first | _DROPPED * self.dropped | _LAST * self.last,
            *(self.page, self.boot, self.clock_us >> 32, self.clock_us & _LOW),
            *(self.sample, self.period_us, zones, frames),
        )
        body = pack_samples(self.counts, self.sample_format).tobytes()
        return head + zlib.crc32(head + body).to_bytes(4, "little") + body


def page_frames(zones: int, sample_format: SampleFormat) -> int:
    """Return how many frames a full page holds."""
    return (MAX_MESSAGE_BYTES - HEAD_BYTES) // frame_bytes(zones, sample_format)


def read_page(data: bytes) -> LogPage:
    """Read a log page.

    Raises
    ------
    WireError
        The only error, whatever the bytes; its `reason` is that of the first check that failed.
    """
    _check_kind("log page", data, PAGE)
    if len(data) < HEAD_BYTES:
        raise WireError(
            WireReason.TRUNCATED, f"log page of {len(data)} bytes, expected {HEAD_BYTES}"
        )
    fields = _HEAD.unpack_from(data)
    form, flags, page, boot, high, low, sample, period_us, zones, frames = fields[2:]
    check_bits("flags", flags, _FLAGS)
    check_bits("format", form, _FORMAT)
    if form >> 1 > SampleFormat.PACKED12:
        raise WireError(WireReason.SAMPLE_FORMAT, f"sample format {form >> 1}, expected 0 or 1")
    check_period(period_us)
    check_zones(zones)
    check_frames(frames)
    if not boot:
        raise WireError(WireReason.VALUE, "boot 0, expected 1 to 65535")
    _check_length(
        "log page", data, HEAD_BYTES + frames * frame_bytes(zones, SampleFormat(form >> 1))
    )
    head, body = data[:_CRC_AT], data[HEAD_BYTES:]
    if zlib.crc32(head + body) != int.from_bytes(data[_CRC_AT:HEAD_BYTES], "little"):
        raise WireError(WireReason.CRC, "log page whose CRC is another: it was torn or changed")
    return LogPage(
        foot=_FEET[form & 1],
        sample_format=SampleFormat(form >> 1),
        first=bool(flags & _FIRST),
        dropped=bool(flags & _DROPPED),
        last=bool(flags & _LAST),
        page=page,
        boot=boot,
        clock_us=high << 32 | low,
        sample=sample,
        period_us=period_us,
        counts=unpack_samples(
            np.frombuffer(body, np.uint8)[np.newaxis], zones, SampleFormat(form >> 1)
        ),
    )


@dataclass(frozen=True, slots=True)
class LogState:
    """What an insole says of its log.

    Attributes
    ----------
    logging : bool
    boot : int
        Of now.
    clock_us : int
        The long clock when it was read, µs.
    oldest, next : int
        Number of the oldest page kept, and of the page that comes next.
    pages : int
        How many there is room for.
    """

    logging: bool
    boot: int
    clock_us: int
    oldest: int
    next: int
    pages: int

    def encode(self) -> bytes:
        """Return the characteristic's value."""
        return _STATE.pack(
            *(VERSION, self.logging, self.boot, self.clock_us & _LOW, self.clock_us >> 32, 0),
            *(self.oldest, self.next, self.pages),
        )


def read_state(data: bytes) -> LogState:
    """Read a log's state.

    Raises
    ------
    WireError
    """
    if data and data[0] != VERSION:
        raise WireError(WireReason.VERSION, f"version {data[0]}, expected {VERSION}")
    _check_length("log state", data, _STATE.size)
    _, state, boot, low, high, reserved, oldest, following, pages = _STATE.unpack(data)
    check_bits("state", state, 1)
    check_bits("reserved field", reserved, 0)
    if not boot:
        raise WireError(WireReason.VALUE, "boot 0, expected 1 to 65535")
    if not pages or (following - oldest) & _LOW > pages:
        raise WireError(
            WireReason.VALUE, f"{(following - oldest) & _LOW} pages kept of {pages}, expected fewer"
        )
    return LogState(bool(state), boot, high << 32 | low, oldest, following, pages)


@dataclass(frozen=True, slots=True)
class LogRequest:
    """Send the pages of a boot that have samples of these long clocks.

    Attributes
    ----------
    token, boot : int
    from_us, to_us : int
        Long clocks, µs: from the first on, before the second.
    pages : int
        At most so many; 0: all.
    """

    token: int
    boot: int
    from_us: int
    to_us: int
    pages: int = 0

    def encode(self) -> bytes:
        """Return what is written."""
        return _REQUEST.pack(
            *(VERSION, REQUEST, self.token, 0, self.boot),
            *(self.from_us >> 32, self.from_us & _LOW, self.to_us >> 32, self.to_us & _LOW),
            self.pages,
        )


def read_request(data: bytes) -> LogRequest:
    """Read a log request.

    Raises
    ------
    WireError
    """
    _check_kind("log request", data, REQUEST)
    _check_length("log request", data, _REQUEST.size)
    _, _, token, reserved, boot, high, low, to_high, to_low, pages = _REQUEST.unpack(data)
    check_bits("reserved field", reserved, 0)
    return LogRequest(token, boot, high << 32 | low, to_high << 32 | to_low, pages)


@dataclass(frozen=True, slots=True)
class LogEnd:
    """A request is finished.

    Attributes
    ----------
    token : int
        Of the request.
    status : AckStatus
    sent : int
        Pages sent.
    torn : int
        Slots passed over among them.
    """

    token: int
    status: AckStatus
    sent: int = 0
    torn: int = 0

    def encode(self) -> bytes:
        """Return what is notified."""
        return _END.pack(VERSION, END, self.token, self.status, self.sent, self.torn, 0)


def read_end(data: bytes) -> LogEnd:
    """Read a log end.

    Raises
    ------
    WireError
    """
    _check_kind("log end", data, END)
    _check_length("log end", data, _END.size)
    _, _, token, status, sent, torn, reserved = _END.unpack(data)
    check_bits("reserved field", reserved, 0)
    check_range("status", status, max(AckStatus))
    return LogEnd(token, AckStatus(status), sent, torn)


def is_end(data: bytes) -> bool:
    """Whether a notification of the log is an end, if it is anything."""
    return data[1:2] == bytes((END,))


def long_clock(clock_us: int, near_us: int) -> int:
    """Return the long clock with these 32 bits that is nearest to another; at least 0."""
    ahead = (clock_us - near_us + (1 << 31)) % (1 << 32) - (1 << 31)
    near = near_us + ahead
    return near if near >= 0 else near + (1 << 32)


def boots_between(before: int, after: int) -> int:
    """Return how many boots lie wholly between two; each of them has pages, or it had no number."""
    between = (after - before - 1) % BOOTS
    return between if between <= _MOST_BETWEEN else 0


def _check_kind(name: str, data: bytes, kind: int) -> None:
    if len(data) > MAX_MESSAGE_BYTES:
        raise WireError(
            WireReason.OVERSIZED,
            f"{name} of {len(data)} bytes, expected at most {MAX_MESSAGE_BYTES}",
        )
    if len(data) < 2:
        raise WireError(WireReason.TRUNCATED, f"{name} of {len(data)} bytes, expected at least 2")
    if data[0] != VERSION:
        raise WireError(WireReason.VERSION, f"version {data[0]}, expected {VERSION}")
    if data[1] != kind:
        raise WireError(WireReason.KIND, f"message kind 0x{data[1]:02x}, expected 0x{kind:02x}")


def _check_length(name: str, data: bytes, expected: int) -> None:
    if len(data) != expected:
        raise WireError(
            WireReason.TRUNCATED if len(data) < expected else WireReason.EXCESS,
            f"{name} of {len(data)} bytes, expected {expected}",
        )
