"""The insole's side of the wire format, in Python, written from `wire_format.md` alone.

What the C of `hardware_notes/firmware/` is held against. Bytes come from the gateway's own encoder.
"""

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError, WireReason
from plantigrade_gateway.wire.codec import decode, encode
from plantigrade_gateway.wire.messages import (
    BATTERY_UNKNOWN,
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Frames,
    Identify,
    Identity,
    Rate,
    SampleFormat,
    Start,
    Stop,
    Time,
    frame_bytes,
)

CLOCK = 1 << 32
REQUESTS = (Start, Stop, Rate, Frames, Identify, Time)


@dataclass(frozen=True)
class Config:
    foot: Foot = Foot.LEFT
    sample_format: SampleFormat = SampleFormat.PACKED12
    zones: int = 18
    frames: int = 2
    period_us: int = 10_000
    min_period_us: int = 1000
    length_mm: int = 270
    firmware: int = 0x0102
    serial: int = 0xDEADBEEF

    @property
    def init(self) -> str:
        """The driver's operation."""
        return (
            f"init {list(Foot).index(self.foot)} {int(self.sample_format)} {self.zones} "
            f"{self.frames} {self.period_us} {self.min_period_us} {self.length_mm} "
            f"{self.firmware} {self.serial}"
        )


def apart(a: int, b: int) -> int:
    """How far clock a is past clock b, on the circle, −2³¹…2³¹ − 1."""
    return (a - b + CLOCK // 2) % CLOCK - CLOCK // 2


@dataclass
class Model:
    """An insole whose queue holds `room` packets, the one being filled among them."""

    config: Config
    room: int = 8
    queue: deque[bytes] = field(default_factory=deque)
    streaming: bool = False
    charging: bool = False
    subscribed: bool = True
    battery: int = BATTERY_UNKNOWN
    battery_low: bool = False
    show: tuple[bool, int] = (False, 0)
    dropped: int = 0
    lost: int = 0
    counter: int = 0
    _first: bool = False
    _dropped: bool = False
    _open: list[list[int]] = field(default_factory=list)  # the frames of the packet being filled
    _head: int = 0  # the last packet's clock
    _count: int = 0  # and its frames
    _flags: tuple[bool, bool, bool] = (False, False, False)

    def __post_init__(self) -> None:
        self.period = self.next_period = self.config.period_us
        self.frames = self.next_frames = self.config.frames
        self.mtu(247)

    def push(self, clock_us: int, counts: list[int]) -> bool:
        if not self.streaming:
            return False
        late = apart(clock_us, self._head + self._count * self.period)
        if abs(late) > self.period // 2:
            if late < 0 and -late <= self._count * self.period:
                return self._drop()
            self._dropped |= not self._first
            self._close()
        if not self._open:
            if len(self.queue) == self.room:
                return self._drop()
            self.period, self.frames = self.next_period, min(self.next_frames, self.most)
            self._head, self._count = clock_us, 0
            self._flags = (self._first, self._dropped, self.battery_low)
            self._first = self._dropped = False
        self._open.append(counts)
        self._count += 1
        if self._count == self.frames:
            self._close()
        return True

    def _drop(self) -> bool:
        self.dropped += 1
        self._dropped = True
        return False

    def _close(self) -> None:
        if not self._open:
            return
        counts = np.array(self._open, dtype=np.uint16)
        if self.config.sample_format is SampleFormat.PACKED12:
            counts = np.minimum(counts, np.uint16(4095))
        packet = DataPacket(
            self.config.foot,
            self.config.sample_format,
            *self._flags,
            self.counter,
            self._head,
            self.period,
            counts,
        )
        self.queue.append(encode(packet))
        self.counter = (self.counter + 1) % CLOCK
        self._open = []

    def start(self) -> None:
        self._close()
        self.counter = self.lost = 0
        self.streaming = self._first = True

    def stop(self) -> None:
        self._close()
        self.streaming = False

    def charge(self, on: bool) -> None:
        self.charging = on
        if on:
            self.stop()

    def mtu(self, att_mtu: int) -> None:
        room = min(att_mtu, 247) - 3 - 16
        self.most = max(0, room // frame_bytes(self.config.zones, self.config.sample_format))
        if not self.most:
            self.stop()

    def link_lost(self) -> None:
        self.stop()
        self.lost += len(self.queue)
        self.queue.clear()
        self._dropped = False

    def give_up(self) -> None:
        if self.queue:
            self.queue.popleft()
            self.lost += 1

    def control(self, data: bytes, clock_us: int) -> bytes:
        try:
            message = decode(data)
        except WireError as error:
            if error.reason in (WireReason.OVERSIZED, WireReason.VERSION) or len(data) < 3:
                return b""
            known = 0x10 <= data[1] <= 0x15
            status = AckStatus.VALUE_NOT_POSSIBLE if known else AckStatus.UNKNOWN_REQUEST
            return encode(Ack(data[2], data[1], status))
        if not isinstance(message, REQUESTS):
            return encode(Ack(data[2], data[1], AckStatus.UNKNOWN_REQUEST))
        if isinstance(message, Identify):
            self.show = (True, message.show_s)
            return encode(self.identity(message.token))
        if isinstance(message, Time):
            return encode(Clock(message.token, clock_us))
        return encode(Ack(data[2], data[1], self._handle(message)))

    def _handle(self, message: Start | Stop | Rate | Frames) -> AckStatus:
        match message:
            case Start():
                if self.charging or not self.subscribed or not self.most:
                    return AckStatus.NOT_NOW
                self.start()
            case Stop():
                self.stop()
            case Rate(_, period_us):
                if period_us < self.config.min_period_us:
                    return AckStatus.VALUE_NOT_POSSIBLE
                self.next_period = period_us
            case Frames(_, frames):
                if frames > self.most:
                    return AckStatus.VALUE_NOT_POSSIBLE
                self.next_frames = frames
        return AckStatus.DONE

    def identity(self, token: int) -> Identity:
        c = self.config
        return Identity(
            token,
            c.foot,
            c.sample_format,
            c.zones,
            min(self.next_frames, self.most) or self.next_frames,
            self.next_period,
            self.battery,
            self.streaming,
            c.firmware,
            c.serial,
        )
