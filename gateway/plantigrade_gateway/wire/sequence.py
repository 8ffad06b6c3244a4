"""Where a data packet belongs in an insole's stream: by its counter, its clock and its arrival.

Takes checked headers with arrival times, one by one; keeps the last packet taken; says of the next
one whether its frames are taken and what is to be said of it. The rules are those of
`hardware_notes/wire_format.md` §6, in that order. Never looks at the frames. No I/O.
"""

from typing import NamedTuple

from plantigrade_gateway.wire.codec import FLAG_DROPPED, FLAG_FIRST, Header
from plantigrade_gateway.wire.messages import MIN_PERIOD_US
from plantigrade_gateway.wire.stream import StreamEventKind

WINDOW = 32
"""How many packets back an old one is known for what it is; a bit each."""
START_TOLERANCE_US = 2_000_000
"""How far an insole's clock may part from the arrivals over a start and still have gone on."""
QUEUE_US = 10_000_000
"""How far a clock may run ahead of the arrivals over a gap: the packet before the gap may have
waited in the insole's queue, the one after it not. Ours: the longest queue we expect."""
DRIFT_SHIFT = 10
"""Clocks part by less than 2⁻¹⁰; crystals by 10⁻⁴ awake and 5·10⁻⁴ asleep (Bluetooth's classes)."""
OLD_NS = 1_000_000_000
"""How long after the last packet an old one is known for what it is. Ours: a link repeats or swaps
packets at once, an insole that resets needs longer than this to be back."""
FRAMES_CHANGE = 8
"""An old packet may span up to this many times what the last one does (frames per packet vary)."""

LEFT_OUT = (StreamEventKind.REPEAT, StreamEventKind.LATE, StreamEventKind.OVERLAP)
"""What is said of a packet whose frames are not used."""

_MASK = 0xFFFFFFFF
_HALF = 0x80000000
_SEEN = (1 << WINDOW) - 1


class Place(NamedTuple):
    """Where a packet belongs.

    Attributes
    ----------
    kind : StreamEventKind or None
        None for the packet that follows on; one of `LEFT_OUT` for one whose frames are not used.
    clock_us : int
        Its clock, unwrapped, unless it is left out.
    packets, frames : int
        Missing before it.
    """

    kind: StreamEventKind | None
    clock_us: int = 0
    packets: int = 0
    frames: int = 0


class Sequence:
    """The last packet taken from one insole, and the rules for the next."""

    def __init__(self) -> None:
        self.last: Header | None = None
        """Header of a packet taken, alike to the last one but for counter and clock."""
        self.counter = 0
        """The last packet's counter."""
        self.clock_us = 0
        """The last packet's clock, unwrapped: equal to its 32 bits modulo 2³²."""
        self._arrival_ns = 0
        self._seen = 0  # bit k: the packet k before the last one was had
        self._first: tuple[int, int] | None = None  # counter and clock of the flagged first packet

    def place(self, header: Header, arrival_ns: int) -> Place:
        """Say where a packet belongs; changes nothing."""
        last = self.last
        if last is None:
            return Place(None, header.clock_us)
        due = last.frames * last.period_us
        ahead = (header.counter - self.counter) & _MASK
        step = (header.clock_us - self.clock_us) & _MASK
        flags = header.flags & (FLAG_FIRST | FLAG_DROPPED)
        if ahead == 1 and not flags and abs(step - due) <= last.period_us >> 1:
            return Place(None, self.clock_us + step)
        behind = -ahead & _MASK
        if self._is_old(header, behind, -step & _MASK, arrival_ns):
            had = self._seen >> behind & 1
            return Place(StreamEventKind.REPEAT if had else StreamEventKind.LATE)
        elapsed = (arrival_ns - self._arrival_ns) // 1000
        # Of all clocks with these 32 bits, the one nearest to what the arrivals say.
        onward = elapsed + ((step - elapsed + _HALF) & _MASK) - _HALF
        drift = elapsed >> DRIFT_SHIFT
        if not flags & FLAG_FIRST and 0 < ahead < _HALF:
            return self._place_ahead(header, last, ahead, onward, elapsed + drift)
        goes_on = abs(onward - elapsed) <= START_TOLERANCE_US + drift
        if goes_on and onward >= due - (last.period_us >> 1):
            return Place(StreamEventKind.START, self.clock_us + onward)
        return Place(StreamEventKind.RESTART, header.clock_us)

    def _is_old(self, header: Header, behind: int, back_us: int, arrival_ns: int) -> bool:
        """Whether this is a packet from before: a repeat, or one that comes late."""
        assert self.last is not None
        if behind == 0:
            return back_us == 0
        if behind >= WINDOW or arrival_ns - self._arrival_ns > OLD_NS:
            return False
        if header.flags & FLAG_FIRST and self._first is not None:
            # A life has one first packet: another one begins another life.
            return (header.counter, header.clock_us) == self._first
        span = behind * FRAMES_CHANGE * self.last.frames * self.last.period_us
        return 0 < back_us <= span

    def _place_ahead(
        self, header: Header, last: Header, ahead: int, onward: int, elapsed: int
    ) -> Place:
        """Place a packet whose counter went on but which does not follow on."""
        due = last.frames * last.period_us
        wobble = last.period_us >> 1
        step = (header.clock_us - self.clock_us) & _MASK
        if abs(step - ahead * due) <= ahead * wobble:
            onward = step  # counter and clock agree, whatever the arrivals say
        elif 0 < onward < due - wobble:
            return Place(StreamEventKind.OVERLAP)
        elif not max(due - wobble, (ahead - 1) * MIN_PERIOD_US) <= onward <= elapsed + QUEUE_US:
            return Place(StreamEventKind.RESTART, header.clock_us)
        frames = max(0, (onward - due + wobble) // last.period_us)
        return Place(StreamEventKind.GAP, self.clock_us + onward, ahead - 1, frames)

    def take(self, header: Header, place: Place, arrival_ns: int) -> None:
        """Make this packet the last one taken."""
        if self.last is None or place.kind in (StreamEventKind.START, StreamEventKind.RESTART):
            self._seen = 1
            first = header.flags & FLAG_FIRST
            self._first = (header.counter, header.clock_us) if first else None
        else:
            ahead = (header.counter - self.counter) & _MASK
            self._seen = (self._seen << min(ahead, WINDOW) | 1) & _SEEN
        self.last = header
        self.counter = header.counter
        self.clock_us = place.clock_us
        self._arrival_ns = arrival_ns

    def follow(self, packets: int, counter: int, clock_us: int, arrival_ns: int) -> None:
        """Take `packets` more that follow on, all else equal; the last has these values."""
        self._seen = (self._seen << min(packets, WINDOW) | (1 << min(packets, WINDOW)) - 1) & _SEEN
        self.counter = counter
        self.clock_us = clock_us
        self._arrival_ns = arrival_ns

    def note_late(self, header: Header) -> None:
        """Remember that this late packet was had, so that another copy of it is a repeat."""
        self._seen |= 1 << ((self.counter - header.counter) & _MASK)
        if header.flags & FLAG_FIRST:
            self._first = (header.counter, header.clock_us)
