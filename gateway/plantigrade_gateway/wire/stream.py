"""What comes out of an insole's stream: runs of frames, facts between them, and counters.

Only the types; `decoder.py` makes them. Loss and faults are data here, never exceptions.
"""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireReason
from plantigrade_gateway.wire.messages import Message


class StreamEventKind(StrEnum):
    """What happened in the stream (`hardware_notes/wire_format.md` §6)."""

    GAP = "gap"
    """Packets are missing by the counter, or frames by the clock."""
    SAMPLES_DROPPED = "samples_dropped"
    """The insole says that it dropped samples; `frames` of them by the clock, where no packet is
    missing as well."""
    REPEAT = "repeat"
    """A packet that was had before; left out."""
    LATE = "late"
    """A packet that was given up for lost; left out."""
    OVERLAP = "overlap"
    """A packet whose clock covers time that an earlier one covered; left out."""
    MALFORMED = "malformed"
    """Bytes that are no message; `reason` says why. Notifications without a byte are counted as
    such ones (TRUNCATED), and no event is made of each."""
    START = "start"
    """Streaming was started again; the insole's clock went on."""
    RESTART = "restart"
    """The insole's clock began again, or was set: the times before say nothing of those after."""
    COUNTER_WRAP = "counter_wrap"
    CLOCK_WRAP = "clock_wrap"
    BATTERY = "battery"
    """Battery low came (`value` 1) or went (0)."""
    FOOT = "foot"
    """The insole now says the other foot (`value` 0 left, 1 right)."""
    SAMPLE_FORMAT = "sample_format"
    """`value`: the new `messages.SampleFormat`."""
    RATE = "rate"
    """`value`: the new sample period, µs."""
    ZONES = "zones"
    """`value`: the new number of zones."""
    MESSAGE = "message"
    """A message that is not data came as a notification; `message` holds it."""


@dataclass(frozen=True, slots=True)
class StreamEvent:
    """Something that happened between two packets, or to one.

    Attributes
    ----------
    kind : StreamEventKind
    insole : int
    arrival_ns : int
        Of the notification that showed it, monotonic ns.
    index : int
        That notification's number among all of this insole's, from 0.
    packets, frames : int
        Missing ones (GAP, SAMPLES_DROPPED).
    value : int
        See `StreamEventKind`.
    reason : WireReason or None
    message : Message or None
    """

    kind: StreamEventKind
    insole: int
    arrival_ns: int
    index: int
    packets: int = 0
    frames: int = 0
    value: int = 0
    reason: WireReason | None = None
    message: Message | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PacketRun:
    """Packets that follow on, with nothing missing between their frames.

    Attributes
    ----------
    insole : int
    foot : Foot
    arrival_ns : ndarray of int64, shape (p,)
        Monotonic host time at which each packet arrived, ns.
    clock_us : ndarray of int64, shape (p,)
        The insole's clock at each packet's first frame, µs, unwrapped: it rises until a restart,
        and starts from the first packet's own 32 bits.
    period_us : int
        Sample period, µs; frame k of a packet was sampled at ``clock_us + k × period_us``.
    frames : int
        Frames in each packet.
    counts : ndarray of uint16, shape (p × frames, zones)
        Raw samples in order of time.
    index : int
        The first packet's number among all of this insole's notifications, from 0; the others
        follow on.
    """

    insole: int
    foot: Foot
    arrival_ns: NDArray[np.int64]
    clock_us: NDArray[np.int64]
    period_us: int
    frames: int
    counts: NDArray[np.uint16]
    index: int

    def __len__(self) -> int:
        return len(self.clock_us)

    @property
    def zones(self) -> int:
        """Samples in a frame."""
        return int(self.counts.shape[1])


@dataclass(slots=True)
class Counts:
    """What an insole's stream held so far.

    Attributes
    ----------
    notifications, bytes : int
        All that came.
    packets, frames : int
        Taken into runs.
    lost_packets : int
        Missing by the counter; a packet that comes late stays counted here.
    lost_frames : int
        Missing by the clock.
    facts : dict of FactKind to int
        How often each kind came: repeats, late, malformed, restarts and so on.
    malformed : dict of WireReason to int
        The malformed ones by reason.
    """

    notifications: int = 0
    bytes: int = 0
    packets: int = 0
    frames: int = 0
    lost_packets: int = 0
    lost_frames: int = 0
    facts: dict[StreamEventKind, int] = field(
        default_factory=lambda: dict.fromkeys(StreamEventKind, 0)
    )
    malformed: dict[WireReason, int] = field(default_factory=lambda: dict.fromkeys(WireReason, 0))

    def add(self, fact: StreamEvent) -> None:
        """Count a fact."""
        self.facts[fact.kind] += 1
        self.lost_packets += fact.packets
        self.lost_frames += fact.frames
        if fact.reason:
            self.malformed[fact.reason] += 1


STREAM_EVENT_TEXTS = {
    StreamEventKind.RESTART: "the insole started again",
    StreamEventKind.RATE: "the insole changed its sample rate",
    StreamEventKind.FOOT: "the insole now says it is the other foot",
    StreamEventKind.ZONES: "the insole changed its number of zones",
    StreamEventKind.MALFORMED: "the insole sent what is no data packet",
}
"""What is said at once of what happens in an insole's stream; of the battery, that it is low."""
SAID_AGAIN_NS = 30_000_000_000
"""What goes on happening is said so often (ours): it may, with each packet of a broken insole."""


class StreamNotes:
    """What is said at once of what happens in the streams, by the clock of the arrivals."""

    def __init__(self) -> None:
        self._said_ns: dict[tuple[int, StreamEventKind], int] = {}
        self._more: dict[tuple[int, StreamEventKind], int] = {}

    def text(self, fact: StreamEvent) -> str | None:
        """Return what is said of a fact; None where it is only counted, or was said just now."""
        text = STREAM_EVENT_TEXTS.get(fact.kind)
        if fact.kind is StreamEventKind.BATTERY and fact.value:
            text = "battery low"
        if text is None:
            return None
        key = fact.insole, fact.kind
        said_ns = self._said_ns.get(key)
        if said_ns is not None and 0 <= fact.arrival_ns - said_ns < SAID_AGAIN_NS:
            self._more[key] = self._more.get(key, 0) + 1
            return None
        self._said_ns[key] = fact.arrival_ns
        more = self._more.pop(key, 0)
        return f"{text} (and {more} times since that was said last)" if more else text
