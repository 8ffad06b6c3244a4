"""Single messages of the wire format, version 1 (`hardware_notes/wire_format.md`): bytes ↔ fields.

Takes the bytes of one notification or one control write and gives one frozen message
(`messages.py`), or raises `WireError`; the mirror image encodes. Knows nothing of streams: gaps,
repeats, wraps and restarts are `decoder.py`'s. No I/O, no state.
"""

import struct
from enum import IntEnum
from functools import cache
from typing import NamedTuple, NoReturn

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError, WireReason
from plantigrade_gateway.wire.messages import (
    HEADER_BYTES,
    MAX_MESSAGE_BYTES,
    MAX_ZONES,
    MIN_PERIOD_US,
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    SampleFormat,
    Start,
    Stop,
    Time,
    check_bits,
    check_frames,
    check_period,
    check_range,
    check_zones,
    frame_bytes,
)

VERSION = 1
FLAG_FIRST = 0x01
FLAG_DROPPED = 0x02
FLAG_BATTERY_LOW = 0x04
_FLAGS = FLAG_FIRST | FLAG_DROPPED | FLAG_BATTERY_LOW
_FORMAT_BITS = 0x07
_FORMAT_TOP = SampleFormat.PACKED12 << 1 | 1
_STREAMING = 0x01
_FEET = (Foot.LEFT, Foot.RIGHT)

_HEADER = struct.Struct("<BBBBIIHBB")
_RATE = struct.Struct("<BBBH")
_IDENTITY = struct.Struct("<BBBBBBHBBHI")
_CLOCK = struct.Struct("<BBBI")


class MessageKind(IntEnum):
    """Second byte of every message (`wire_format.md` §2)."""

    DATA = 0x01
    START = 0x10
    STOP = 0x11
    RATE = 0x12
    FRAMES = 0x13
    IDENTIFY = 0x14
    TIME = 0x15
    ACK = 0x20
    IDENTITY = 0x21
    CLOCK = 0x22


_DATA = int(MessageKind.DATA)
_CONTROL_BYTES = {
    MessageKind.START: 3,
    MessageKind.STOP: 3,
    MessageKind.RATE: _RATE.size,
    MessageKind.FRAMES: 4,
    MessageKind.IDENTIFY: 4,
    MessageKind.TIME: 3,
    MessageKind.ACK: 5,
    MessageKind.IDENTITY: _IDENTITY.size,
    MessageKind.CLOCK: _CLOCK.size,
}

_FORMATS = tuple(SampleFormat)  # by number; looking one up there costs less


class Header(NamedTuple):
    """The sixteen bytes before a data packet's frames."""

    version: int
    kind: int
    format: int
    flags: int
    counter: int
    clock_us: int
    period_us: int
    zones: int
    frames: int

    @property
    def foot(self) -> Foot:
        """Which foot the format byte says."""
        return _FEET[self.format & 1]

    @property
    def sample_format(self) -> SampleFormat:
        """How the samples are packed."""
        return _FORMATS[self.format >> 1]


def message_kind(payload: bytes, at: int, length: int) -> MessageKind:
    """Check size, version and kind of the message at ``payload[at : at + length]``.

    Raises
    ------
    WireError
        OVERSIZED, TRUNCATED, VERSION or KIND.
    """
    if length > MAX_MESSAGE_BYTES:
        raise WireError(
            WireReason.OVERSIZED, f"message of {length} bytes, expected at most {MAX_MESSAGE_BYTES}"
        )
    if length < 2:
        raise WireError(WireReason.TRUNCATED, f"message of {length} bytes, expected at least 2")
    if payload[at] != VERSION:
        raise WireError(WireReason.VERSION, f"version {payload[at]}, expected {VERSION}")
    if payload[at + 1] == _DATA:
        return MessageKind.DATA
    try:
        return MessageKind(payload[at + 1])
    except ValueError:
        kinds = ", ".join(f"0x{kind:02x}" for kind in MessageKind)
        raise WireError(
            WireReason.KIND, f"message kind 0x{payload[at + 1]:02x}, expected one of {kinds}"
        ) from None


def read_header(payload: bytes, at: int, length: int) -> Header:
    """Read and check the header of the data packet at ``payload[at : at + length]``.

    The message must have passed `message_kind` as `MessageKind.DATA`. The length is checked
    against what the header says, so the frames are known to be whole.

    Raises
    ------
    WireError
        TRUNCATED, RESERVED, SAMPLE_FORMAT, PERIOD, ZONES, FRAMES or EXCESS.
    """
    if length < HEADER_BYTES:
        raise WireError(
            WireReason.TRUNCATED, f"data packet of {length} bytes, expected at least {HEADER_BYTES}"
        )
    header = Header._make(_HEADER.unpack_from(payload, at))
    _, _, form, flags, _, _, period_us, zones, frames = header
    if (  # all at once: this is done for every packet that live work brings
        flags & ~_FLAGS
        or form > _FORMAT_TOP
        or period_us < MIN_PERIOD_US
        or not 0 < zones <= MAX_ZONES
        or not frames
    ):
        _refuse(header)
    size = 2 * zones if form <= 1 else (3 * zones + 1) // 2
    expected = HEADER_BYTES + frames * size
    if length != expected:
        raise WireError(
            WireReason.TRUNCATED if length < expected else WireReason.EXCESS,
            f"data packet of {length} bytes, expected {expected} for {frames} frames of "
            f"{zones} zones",
        )
    return header


def data_header(message: bytes) -> Header | None:
    """Return the header of a data packet; None of any other message, and of a malformed one."""
    try:
        if message_kind(message, 0, len(message)) is not MessageKind.DATA:
            return None
        return read_header(message, 0, len(message))
    except WireError:
        return None


def _refuse(header: Header) -> NoReturn:
    """Raise `WireError` for the first field that is wrong."""
    check_bits("flags", header.flags, _FLAGS)
    _check_format(header.format)
    check_period(header.period_us)
    check_zones(header.zones)
    check_frames(header.frames)
    raise AssertionError(f"{header} was refused, and nothing is wrong with it")


def _check_format(value: int) -> None:
    check_bits("format", value, _FORMAT_BITS)
    if value >> 1 > SampleFormat.PACKED12:
        raise WireError(WireReason.SAMPLE_FORMAT, f"sample format {value >> 1}, expected 0 or 1")


def decode(data: bytes) -> Message:
    """Read one message.

    Parameters
    ----------
    data : bytes
        One notification or one control write, whole.

    Returns
    -------
    Message

    Raises
    ------
    WireError
        The only error, whatever the bytes; its `reason` is that of the first check that failed.
    """
    kind = message_kind(data, 0, len(data))
    if kind is MessageKind.DATA:
        return _decode_data(data)
    expected = _CONTROL_BYTES[kind]
    if len(data) != expected:
        raise WireError(
            WireReason.TRUNCATED if len(data) < expected else WireReason.EXCESS,
            f"{kind.name.lower()} message of {len(data)} bytes, expected {expected}",
        )
    return _decode_control(kind, data)


def _decode_data(data: bytes) -> DataPacket:
    header = read_header(data, 0, len(data))
    body = np.frombuffer(data, dtype=np.uint8, offset=HEADER_BYTES)[np.newaxis]
    return DataPacket(
        foot=header.foot,
        sample_format=header.sample_format,
        first=bool(header.flags & FLAG_FIRST),
        dropped=bool(header.flags & FLAG_DROPPED),
        battery_low=bool(header.flags & FLAG_BATTERY_LOW),
        counter=header.counter,
        clock_us=header.clock_us,
        period_us=header.period_us,
        counts=unpack_samples(body, header.zones, header.sample_format),
    )


def _decode_control(kind: MessageKind, data: bytes) -> Message:
    token = data[2]
    match kind:
        case MessageKind.START:
            return Start(token)
        case MessageKind.STOP:
            return Stop(token)
        case MessageKind.RATE:
            return Rate(token, _RATE.unpack(data)[3])
        case MessageKind.FRAMES:
            return Frames(token, data[3])
        case MessageKind.IDENTIFY:
            return Identify(token, data[3])
        case MessageKind.TIME:
            return Time(token)
        case MessageKind.CLOCK:
            return Clock(token, _CLOCK.unpack(data)[3])
        case MessageKind.ACK:
            check_range("status", data[4], max(AckStatus))
            return Ack(token, data[3], AckStatus(data[4]))
        case _:
            return _decode_identity(data)


def _decode_identity(data: bytes) -> Identity:
    fields = _IDENTITY.unpack(data)
    token, form, zones, frames, period_us, battery, state, firmware, serial = fields[2:]
    check_bits("state", state, _STREAMING)
    _check_format(form)
    return Identity(
        token=token,
        foot=_FEET[form & 1],
        sample_format=SampleFormat(form >> 1),
        zones=zones,
        frames=frames,
        period_us=period_us,
        battery_percent=battery,
        streaming=bool(state & _STREAMING),
        firmware=firmware,
        serial=serial,
    )


def encode(message: Message) -> bytes:
    """Write one message; the inverse of `decode`. A message that exists can be written."""
    match message:
        case DataPacket():
            return encode_data(message)
        case Start(token):
            return bytes((VERSION, MessageKind.START, token))
        case Stop(token):
            return bytes((VERSION, MessageKind.STOP, token))
        case Rate(token, period_us):
            return _RATE.pack(VERSION, MessageKind.RATE, token, period_us)
        case Frames(token, frames):
            return bytes((VERSION, MessageKind.FRAMES, token, frames))
        case Identify(token, show_s):
            return bytes((VERSION, MessageKind.IDENTIFY, token, show_s))
        case Time(token):
            return bytes((VERSION, MessageKind.TIME, token))
        case Clock(token, clock_us):
            return _CLOCK.pack(VERSION, MessageKind.CLOCK, token, clock_us)
        case Ack(token, request, status):
            return bytes((VERSION, MessageKind.ACK, token, request, status))
        case Identity():
            return _IDENTITY.pack(
                VERSION,
                MessageKind.IDENTITY,
                message.token,
                _format_byte(message.foot, message.sample_format),
                message.zones,
                message.frames,
                message.period_us,
                message.battery_percent,
                _STREAMING * message.streaming,
                message.firmware,
                message.serial,
            )


def encode_data(packet: DataPacket) -> bytes:
    """Write one data packet; what a virtual insole sends."""
    frames, zones = packet.counts.shape
    header = _HEADER.pack(
        VERSION,
        MessageKind.DATA,
        _format_byte(packet.foot, packet.sample_format),
        FLAG_FIRST * packet.first
        | FLAG_DROPPED * packet.dropped
        | FLAG_BATTERY_LOW * packet.battery_low,
        packet.counter,
        packet.clock_us,
        packet.period_us,
        zones,
        frames,
    )
    return header + pack_samples(packet.counts, packet.sample_format).tobytes()


def _format_byte(foot: Foot, sample_format: SampleFormat) -> int:
    return _FEET.index(foot) | sample_format << 1


_U16 = SampleFormat.U16
_12_BITS = np.uint16(0xFFF)


@cache
def _packed_places(zones: int) -> tuple[NDArray[np.int64], NDArray[np.uint16]]:
    """Return which two bytes of a packed frame hold each zone, and how far up in them it lies."""
    zone = np.arange(zones)
    first = zone * 3 // 2
    return np.stack((first, first + 1), axis=1), (zone % 2 * 4).astype(np.uint16)


def unpack_samples(
    body: NDArray[np.uint8], zones: int, sample_format: SampleFormat
) -> NDArray[np.uint16]:
    """Read frames out of the bytes of many equal packets.

    Parameters
    ----------
    body : ndarray of uint8, shape (packets, frames × bytes per frame)
        Rows contiguous; headers cut off.
    zones : int
    sample_format : SampleFormat

    Returns
    -------
    ndarray of uint16, shape (packets × frames, zones)
        A copy.
    """
    if sample_format is _U16:
        return body.view("<u2").astype(np.uint16).reshape(-1, zones)
    frames = body.reshape(-1, frame_bytes(zones, sample_format))
    at, shift = _packed_places(zones)
    words = frames.take(at, axis=1).view("<u2").reshape(-1, zones)
    counts: NDArray[np.uint16] = words >> shift & _12_BITS
    return counts


def pack_samples(counts: NDArray[np.uint16], sample_format: SampleFormat) -> NDArray[np.uint8]:
    """Write frames as bytes; the inverse of `unpack_samples`.

    Parameters
    ----------
    counts : ndarray of uint16, shape (n, zones)
        At most 4095 for packed 12-bit.
    sample_format : SampleFormat

    Returns
    -------
    ndarray of uint8, shape (n, bytes per frame)
    """
    n, zones = counts.shape
    if sample_format is SampleFormat.U16:
        return np.ascontiguousarray(counts.astype("<u2")).view(np.uint8).reshape(n, 2 * zones)
    n_odd = zones // 2
    even, odd = counts[:, 0::2], counts[:, 1::2]
    rows = np.zeros((n, frame_bytes(zones, sample_format)), dtype=np.uint16)
    rows[:, 0::3] = even & 0xFF
    rows[:, 1::3] = even >> 8
    rows[:, 1::3][:, :n_odd] |= (odd & 0x0F) << 4
    rows[:, 2::3] = odd >> 4
    return rows.astype(np.uint8)
