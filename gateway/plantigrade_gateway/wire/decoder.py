"""One insole's notifications → runs of frames and facts, in order.

The contract, in three lines:

1. `Decoder.feed` takes consecutive notifications in columns and returns all that they decide.
2. What comes out depends on the notifications alone, not on how they are cut into calls: runs that
   touch across two calls are one run cut in two.
3. Whatever the bytes, nothing is raised: bytes that are no message are a fact, and are counted.
   Notifications without a byte are counted alone, so that a flood of them costs next to nothing.

A packet is *ordinary* when it follows the one before as `hardware_notes/wire_format.md` §3
promises, with the same header otherwise. Ordinary ones are found and unpacked in columns; the odd
ones between are judged one by one (`sequence.py`), which would take an ordinary one to the same
end. No I/O.
"""

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import WireError, WireReason
from plantigrade_gateway.wire.codec import (
    FLAG_BATTERY_LOW,
    FLAG_DROPPED,
    FLAG_FIRST,
    Header,
    MessageKind,
    decode,
    message_kind,
    read_header,
    unpack_samples,
)
from plantigrade_gateway.wire.messages import HEADER_BYTES, Message, SampleFormat
from plantigrade_gateway.wire.sequence import LEFT_OUT, Place, Sequence
from plantigrade_gateway.wire.stream import Counts, PacketRun, StreamEvent, StreamEventKind

_U16 = SampleFormat.U16  # looking a member up on its class costs a call each time
_FEW = 8
"""Up to this many packets in a call, columns cost more than judging each."""
_ZERO = np.zeros(1, dtype=np.int64)


class _Call:
    """The notifications of one call, and the clocks found for the packets taken so far."""

    def __init__(
        self,
        arrival_ns: NDArray[np.int64],
        lengths: NDArray[np.int64],
        payload: bytes,
        index: int,
    ) -> None:
        self.arrival_ns = arrival_ns
        self.lengths = lengths
        self.payload = payload
        self.index = index  # the first notification's number among all of this insole's
        self.starts = np.cumsum(lengths) - lengths if len(lengths) > 1 else _ZERO
        self.clock_us = np.empty(len(lengths), dtype=np.int64)
        self._even = len(lengths) > _FEW and bool(np.all(lengths == lengths[0]))
        self._shape = 0  # zones and sample format of `_samples`
        self._samples: NDArray[np.uint16] | None = None

    def __len__(self) -> int:
        return len(self.lengths)

    @cached_property
    def filled(self) -> NDArray[np.int64]:
        """Which notifications have a byte."""
        return np.flatnonzero(self.lengths)

    def samples(self, begin: int, stop: int, header: Header) -> NDArray[np.uint16]:
        """Return the samples of packets begin…stop−1, all shaped like `header`.

        Where the call's packets are all of one length, the first shape asked for is unpacked for
        all of them at once: a stream with losses is many short runs.
        """
        shape = header.format >> 1 << 8 | header.zones
        if self._even and self._samples is None:
            self._shape, self._samples = shape, self._unpack(0, len(self), header)
        if self._samples is not None and shape == self._shape:
            return self._samples[begin * header.frames : stop * header.frames]
        return self._unpack(begin, stop, header)

    def _unpack(self, begin: int, stop: int, header: Header) -> NDArray[np.uint16]:
        length = int(self.lengths[begin])
        at, size = int(self.starts[begin]), (stop - begin) * length
        if stop - begin == 1 and header.sample_format is _U16:
            samples = header.frames * header.zones
            one = np.frombuffer(self.payload, "<u2", samples, at + HEADER_BYTES)
            return one.reshape(-1, header.zones)
        rows = np.frombuffer(self.payload, np.uint8, size, at).reshape(-1, length)
        return unpack_samples(rows[:, HEADER_BYTES:], header.zones, header.sample_format)


class _Columns:
    """The counters and clocks of a call's packets, and which packets are odd.

    A packet too short for a header is filled with bytes of the next: its length alone makes it odd,
    as it makes the next.
    """

    def __init__(self, call: _Call) -> None:
        at = call.starts[:, np.newaxis] + np.arange(HEADER_BYTES)
        buffer = np.frombuffer(call.payload, np.uint8)
        words = np.take(buffer, at, mode="clip").view("<u4")
        fixed, self.counter, self.clock, shape = words.astype(np.int64).T
        period, frames = shape[1:] & 0xFFFF, shape[1:] >> 24
        step = np.diff(self.clock)
        ordinary = (
            (fixed[1:] == fixed[:-1])
            & (shape[1:] == shape[:-1])
            & (call.lengths[1:] == call.lengths[:-1])
            & (np.diff(self.counter) == 1)
            & (step > 0)
            & (np.abs(step - frames * period) <= period >> 1)
            & (fixed[1:] >> 24 & (FLAG_FIRST | FLAG_DROPPED) == 0)
        )
        self._odd: list[int] = (np.flatnonzero(~ordinary) + 1).tolist()
        self._odd.append(len(call.starts))
        self._at = 0

    def next_odd(self, i: int) -> int:
        """Return the first odd packet at or after i; i never falls from call to call."""
        while self._odd[self._at] < i:
            self._at += 1
        return self._odd[self._at]


class Decoder:
    """The stream of one insole.

    Parameters
    ----------
    insole : int
        Its number in the record, carried into every run and fact.

    Attributes
    ----------
    counts : Counts
        What came so far.
    """

    def __init__(self, insole: int) -> None:
        self.insole = insole
        self.counts = Counts()
        self._sequence = Sequence()
        self._battery_low = False

    def feed(
        self, arrival_ns: NDArray[np.int64], lengths: NDArray[np.int64], payload: bytes
    ) -> list[PacketRun | StreamEvent]:
        """Decode consecutive notifications.

        Parameters
        ----------
        arrival_ns : ndarray of int64, shape (n,)
            Monotonic arrival times, ns, not falling.
        lengths : ndarray of int64, shape (n,)
            Bytes of each notification.
        payload : bytes
            The notifications one after the other.

        Returns
        -------
        list of Run and Fact
            In order of arrival. Two runs with nothing between them follow on, unless the frames
            per packet changed.
        """
        n = len(lengths)
        call = _Call(arrival_ns, lengths, payload, self.counts.notifications)
        columns = _Columns(call) if n > _FEW and payload else None
        out: list[PacketRun | StreamEvent] = []
        run: Header | None = None  # of the packet at `begin`, while a run is open
        begin = i = 0
        while i < n:
            if not lengths[i]:
                if run:
                    out.append(self._run(call, begin, i, run))
                    run = None
                i = self._pass_empty(call, i)
                continue
            header, facts = self._judge(call, i)
            if run and (facts or (header and header.frames != run.frames)):
                out.append(self._run(call, begin, i, run))
                run = None
            out += facts
            i += 1
            if header:
                if run is None:
                    run, begin = header, i - 1
                if columns:
                    i = self._follow(call, columns, i)
        if run:
            out.append(self._run(call, begin, n, run))
        self.counts.bytes += len(payload)
        return out

    def _pass_empty(self, call: _Call, i: int) -> int:
        """Count the empty notifications from i on; return the next one that has a byte."""
        filled = call.filled
        at = int(np.searchsorted(filled, i))
        stop = int(filled[at]) if at < len(filled) else len(call)
        self.counts.notifications += stop - i
        self.counts.facts[StreamEventKind.MALFORMED] += stop - i
        self.counts.malformed[WireReason.TRUNCATED] += stop - i
        return stop

    def _judge(self, call: _Call, i: int) -> tuple[Header | None, list[StreamEvent]]:
        """Judge packet i; return its header if it is taken, and what is to be said before it."""
        at, length = int(call.starts[i]), int(call.lengths[i])
        arrival_ns = int(call.arrival_ns[i])
        self.counts.notifications += 1
        try:
            if message_kind(call.payload, at, length) is not MessageKind.DATA:
                message = decode(call.payload[at : at + length])
                return None, [self._fact(StreamEventKind.MESSAGE, arrival_ns, message=message)]
            header = read_header(call.payload, at, length)
        except WireError as error:
            return None, [self._fact(StreamEventKind.MALFORMED, arrival_ns, reason=error.reason)]
        place = self._sequence.place(header, arrival_ns)
        if place.kind in LEFT_OUT:
            if place.kind is StreamEventKind.LATE:
                self._sequence.note_late(header)
            return None, [self._fact(place.kind, arrival_ns)]
        facts = [] if place.kind is None else self._facts_of(place, header, arrival_ns)
        for kind, value in self._changes(place, header):
            facts.append(self._fact(kind, arrival_ns, value=value))
        self._sequence.take(header, place, arrival_ns)
        self.counts.packets += 1
        self.counts.frames += header.frames
        call.clock_us[i] = place.clock_us
        return header, facts

    def _fact(
        self,
        kind: StreamEventKind,
        arrival_ns: int,
        packets: int = 0,
        frames: int = 0,
        value: int = 0,
        reason: WireReason | None = None,
        message: Message | None = None,
    ) -> StreamEvent:
        """Make a fact of the notification being judged, and count it."""
        index = self.counts.notifications - 1
        fact = StreamEvent(
            kind, self.insole, arrival_ns, index, packets, frames, value, reason, message
        )
        self.counts.add(fact)
        return fact

    def _facts_of(self, place: Place, header: Header, arrival_ns: int) -> list[StreamEvent]:
        """Return the facts of a packet's place: a start, a restart, what is missing before it."""
        assert place.kind is not None
        if place.kind is not StreamEventKind.GAP:
            return [self._fact(place.kind, arrival_ns)]
        if not header.flags & FLAG_DROPPED:
            return [self._fact(StreamEventKind.GAP, arrival_ns, place.packets, place.frames)]
        if not place.packets:
            return [self._fact(StreamEventKind.SAMPLES_DROPPED, arrival_ns, frames=place.frames)]
        return [
            self._fact(StreamEventKind.GAP, arrival_ns, place.packets, place.frames),
            self._fact(StreamEventKind.SAMPLES_DROPPED, arrival_ns),
        ]

    def _changes(self, place: Place, header: Header) -> list[tuple[StreamEventKind, int]]:
        """Return what a packet that is taken changes against the last one, with the new value."""
        changes: list[tuple[StreamEventKind, int]] = []
        last = self._sequence.last
        follows = last and place.kind in (None, StreamEventKind.GAP)
        if follows and header.counter < self._sequence.counter:
            changes.append((StreamEventKind.COUNTER_WRAP, 0))
        wrapped = place.clock_us >> 32 != self._sequence.clock_us >> 32
        if last and place.kind is not StreamEventKind.RESTART and wrapped:
            changes.append((StreamEventKind.CLOCK_WRAP, 0))
        if last and (header.format ^ last.format) & 1:
            changes.append((StreamEventKind.FOOT, header.format & 1))
        if last and (header.format ^ last.format) >> 1:
            changes.append((StreamEventKind.SAMPLE_FORMAT, header.format >> 1))
        if last and header.period_us != last.period_us:
            changes.append((StreamEventKind.RATE, header.period_us))
        if last and header.zones != last.zones:
            changes.append((StreamEventKind.ZONES, header.zones))
        battery_low = bool(header.flags & FLAG_BATTERY_LOW)
        if battery_low is not self._battery_low:
            self._battery_low = battery_low
            changes.append((StreamEventKind.BATTERY, int(battery_low)))
        return changes

    def _follow(self, call: _Call, columns: _Columns, i: int) -> int:
        """Take the ordinary packets from i on, i − 1 being taken; return the next odd one."""
        stop = columns.next_odd(i)
        packets = stop - i
        if packets:
            last = self._sequence.last
            assert last is not None
            clock = columns.clock
            call.clock_us[i:stop] = self._sequence.clock_us + (clock[i:stop] - int(clock[i - 1]))
            self._sequence.follow(
                packets,
                int(columns.counter[stop - 1]),
                int(call.clock_us[stop - 1]),
                int(call.arrival_ns[stop - 1]),
            )
            self.counts.notifications += packets
            self.counts.packets += packets
            self.counts.frames += packets * last.frames
        return stop

    def _run(self, call: _Call, begin: int, stop: int, header: Header) -> PacketRun:
        """Make a run of packets begin…stop−1 of this call, all shaped like `header`."""
        return PacketRun(
            self.insole,
            header.foot,
            call.arrival_ns[begin:stop],
            call.clock_us[begin:stop],
            header.period_us,
            header.frames,
            call.samples(begin, stop, header),
            call.index + begin,
        )
