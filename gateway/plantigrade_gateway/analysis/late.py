"""A record made whole: what came late from an insole's log, put where it was sampled.

A record holds the pages of a log as they came (`Kind.LOG`), long after their time. Here each
becomes a `Kind.LATE` entry among the packets of its time, with the host times of its frames, for
the same pipeline; a live analysis leaves the pages alone. A function of the record alone.

Times of samples that were live stay as they are. Between two packets of one boot, host time runs
evenly with the insole's clock; after the last packet of a boot, and before the first of the next,
at the rate that was known last.
"""

import struct
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.clock import ClockModel
from plantigrade.errors import ForeignError
from plantigrade.foreign import read_json
from plantigrade_gateway.errors import WireError
from plantigrade_gateway.record.entries import FARTHEST_NS, Batch, Entry, Kind, read_exchange
from plantigrade_gateway.wire.codec import decode, encode_data
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.log import LONG_CLOCK, LogPage, long_clock, read_page
from plantigrade_gateway.wire.messages import DataPacket
from plantigrade_gateway.wire.stream import PacketRun, StreamEventKind

IntArray = NDArray[np.int64]
_INSOLES = (0, 1)
_SHORT_US = 15_000
"""A shorter stretch at the end of what is missing is none: packets jitter (ours)."""
_END_US = 1_000_000
"""Nor is one at the record's end: the last packets were under way (ours)."""
_AROUND_US = 1_000_000.0
"""Pages so far outside a stretch's times are not looked at (ours: their times are known better)."""
_MOST_OWED = 1024
"""Of one record (ours, as `wire.coverage.MOST_HOLES`); beyond, what is missing is joined."""
_TIMES = struct.Struct("<dd")
_LOG, _NOTIFICATION = int(Kind.LOG), int(Kind.NOTIFICATION)
_READ = (int(Kind.NOTIFICATION), int(Kind.CONNECTED), int(Kind.EXCHANGE))


def read_late(data: bytes) -> tuple[float, float, DataPacket]:
    """Return the session time of a LATE entry's first frame, s, the step to the next, the frames.

    Raises
    ------
    WireError
        The bytes are none.
    """
    first_s, step_s = _TIMES.unpack_from(data)
    packet = decode(data[_TIMES.size :])
    assert isinstance(packet, DataPacket)
    return first_s, step_s, packet


@dataclass(frozen=True, slots=True)
class Owed:
    """Samples that a record lacks, and an insole's log may hold.

    Attributes
    ----------
    insole : int
        Its number in the record.
    serial : str
    boot, from_us, to_us : int
        As `wire.coverage.Hole`.
    """

    insole: int
    serial: str
    boot: int
    from_us: int
    to_us: int


def made_whole(
    record: Callable[[], Iterable[Batch]], owed: list[Owed] | None = None
) -> Iterator[Batch]:
    """Give a record with what came late in its place.

    Parameters
    ----------
    record : callable
        Reads the record from its beginning; it is read twice where an insole has a log.
    owed : list of Owed, optional
        What is missing all the same is added to it, before the first batch is given.
    """
    if not any(_tells_of_log(batch) for batch in record()):
        yield from record()
        return
    found = _Traces()
    for batch in record():
        found.take(batch)
    late = found.entries()
    if owed is not None:
        owed += found.owed
    yield from _inserted(record(), late)


def _tells_of_log(batch: Batch) -> bool:
    """Whether a log is in it, or an insole that has one."""
    if (batch.kind == _LOG).any():
        return True
    at = np.flatnonzero(batch.kind == Kind.CONNECTED).tolist()
    return any(log_said(entry.data) for k in at for entry in batch.slice(k, k + 1))


@dataclass(slots=True)
class _Span:
    """Packets of one boot that follow on.

    Attributes
    ----------
    boot : int
    start_us, last_us, end_us : int
        Long clocks: of the first frame, of the last, and where the next is due.
    first_s, last_s : float
        Session times of the first and last frame.
    s_per_us : float
        How fast host time goes there, as it was known after the last packet.
    place : int
        Of its first packet among the record's entries.
    arrival_ns, last_arrival_ns : int
        Of its first and last packet.
    """

    boot: int
    start_us: int
    last_us: int
    end_us: int
    first_s: float
    last_s: float
    s_per_us: float
    place: int
    arrival_ns: int
    last_arrival_ns: int


@dataclass(frozen=True, slots=True)
class _Late:
    """An entry, and the place in the record that it must not come after."""

    entry: Entry
    before: int


class _Trace:
    """One insole's packets, by long clock and session time, and its log's pages."""

    def __init__(self, insole: int, origin_ns: int) -> None:
        self.spans: list[_Span] = []
        self.pages: dict[int, list[LogPage]] = defaultdict(list)
        self.brought_us: dict[int, int] = {}  # of a boot, up to where its pages were brought
        self._decoder = Decoder(insole)
        self._clock = ClockModel(origin_ns)
        self.serial = ""
        self._boot: int | None = None
        self._anchor = (0, 0)

    def connected(self, data: bytes) -> None:
        said = log_said(data)
        if said is not None:
            self.serial = said[3]
        self._boot = None if said is None else said[0]
        if said is not None:
            self._anchor = said[1:3]

    def exchange(self, data: bytes) -> None:
        found = read_exchange(data)
        if found is not None:
            self._clock.exchange(*found)

    def page(self, data: bytes) -> None:
        try:
            page = read_page(data)
        except WireError:
            return
        self.pages[page.boot].append(page)

    def packets(self, batch: Batch, places: IntArray) -> None:
        """Take consecutive notifications, and where each stands in the record."""
        before = self._decoder.counts.notifications
        for item in self._decoder.feed(batch.arrival_ns, batch.length, batch.payload):
            if isinstance(item, PacketRun):
                self._run(item, int(places[item.index - before]))
            elif item.kind is StreamEventKind.RESTART:
                self._clock.restart()

    def _run(self, run: PacketRun, place: int) -> None:
        t_s = self._clock.map_frames(run.arrival_ns, run.clock_us, run.period_us, run.frames)
        if self._boot is None:
            return
        arrival_ns = int(run.arrival_ns[0])
        near_us = self._anchor[0] + (arrival_ns - self._anchor[1]) // 1000
        start_us = long_clock(int(run.clock_us[0]), near_us)
        last_us = start_us + int(run.clock_us[-1] - run.clock_us[0])
        last_us += (run.frames - 1) * run.period_us
        end_us, rate = last_us + run.period_us, 1e-6 + 1e-12 * self._clock.state.drift_ppm
        span = self.spans[-1] if self.spans else None
        if (
            span is not None
            and span.boot == self._boot
            and start_us - span.end_us <= run.period_us // 2
        ):
            span.last_us, span.end_us, span.s_per_us = last_us, end_us, rate
            span.last_s, span.last_arrival_ns = float(t_s[-1]), int(run.arrival_ns[-1])
            return
        self.spans.append(
            _Span(
                *(self._boot, start_us, last_us, end_us, float(t_s[0]), float(t_s[-1]), rate),
                *(place, arrival_ns, int(run.arrival_ns[-1])),
            )
        )


class _Traces:
    """Both insoles' traces of a record.

    Attributes
    ----------
    owed : list of Owed
        What is missing in spite of `entries`.
    """

    def __init__(self) -> None:
        self._traces: dict[int, _Trace] = {}
        self.owed: list[Owed] = []
        self._origin_ns = self._last_ns = 0
        self._entries = 0

    def take(self, batch: Batch) -> None:
        """Take the record's next entries."""
        if not len(batch):
            return
        if not self._traces:
            self._origin_ns = int(batch.arrival_ns[0])
            self._traces = {k: _Trace(k, self._origin_ns) for k in _INSOLES}
        ends = np.concatenate(([0], np.cumsum(batch.length)))
        for k, trace in self._traces.items():
            mine = batch.insole == k
            for at in np.flatnonzero(mine & (batch.kind == _LOG)).tolist():
                trace.page(batch.payload[int(ends[at]) : int(ends[at + 1])])
            self._read(trace, batch, np.flatnonzero(mine & np.isin(batch.kind, _READ)), ends)
        others = batch.arrival_ns[batch.kind != _LOG]
        if len(others):
            self._last_ns = int(others[-1])
        self._entries += len(batch)

    def _read(self, trace: _Trace, batch: Batch, places: IntArray, ends: IntArray) -> None:
        """Take one insole's entries of a batch, those at these places."""
        odd = np.flatnonzero(batch.kind[places] != _NOTIFICATION).tolist()
        at = 0
        for stop in [*odd, len(places)]:
            if stop > at:
                part = places[at:stop]
                data = [batch.payload[int(ends[p]) : int(ends[p + 1])] for p in part.tolist()]
                piece = Batch(
                    batch.arrival_ns[part],
                    batch.insole[part],
                    batch.kind[part],
                    batch.length[part],
                    b"".join(data),
                )
                trace.packets(piece, self._entries + part)
            if stop < len(places):
                place = int(places[stop])
                told = batch.payload[int(ends[place]) : int(ends[place + 1])]
                if batch.kind[place] == Kind.CONNECTED:
                    trace.connected(told)
                else:
                    trace.exchange(told)
            at = stop + 1

    def entries(self) -> list[_Late]:
        """Return what came late, in order of time."""
        late: list[_Late] = []
        for k, trace in self._traces.items():
            for boot, boot_pages in trace.pages.items():
                boot_pages.sort(key=lambda page: (page.clock_us, page.page))
                trace.pages[boot] = list(_each_once(boot_pages))
            for a, b in zip(trace.spans, [*trace.spans[1:], None], strict=False):
                late += self._between(k, trace, a, b)
        late.sort(key=lambda one: (one.entry.arrival_ns, one.before))
        return late

    def _between(self, insole: int, trace: _Trace, a: _Span, b: _Span | None) -> Iterator[_Late]:
        """Yield what came late of the time between two spans, or after the last."""
        end_s = (self._last_ns - self._origin_ns) / 1e9 if b is None else b.first_s
        before = self._entries if b is None else b.place
        latest_ns = self._last_ns if b is None else b.arrival_ns
        lines: list[tuple[int, int, int, int, float, float]]
        if b is not None and b.boot == a.boot:
            rate = (b.first_s - a.last_s) / (b.start_us - a.last_us)
            lines = [(a.boot, a.end_us, b.start_us, a.last_us, a.last_s, rate)]
        else:
            lines = [(a.boot, a.end_us, LONG_CLOCK, a.last_us, a.last_s, a.s_per_us)]
        if b is not None and b.boot != a.boot:
            lines.append((b.boot, 0, b.start_us, b.start_us, b.first_s, a.s_per_us))
        after_s = a.last_s
        for boot, from_us, to_us, zero_us, zero_s, rate in lines:
            # A clock that goes back, again and again, brings no page again.
            from_us = max(from_us, trace.brought_us.get(boot, 0))
            at_us, stop_us = from_us, to_us
            if b is None:
                stop_us = zero_us + round((end_s - zero_s) / rate)
            low_us, high_us = float(from_us), float(to_us)
            if rate > 0.0:  # a boot that came again and again is not gone through each time
                low_us = max(low_us, zero_us + (after_s - zero_s) / rate - _AROUND_US)
                high_us = min(high_us, zero_us + (end_s - zero_s) / rate + _AROUND_US)
            pages = trace.pages.get(boot, []) if rate > 0.0 else []  # else no page is after a
            for page in _pages_of(pages, low_us, high_us):
                last_us = page.end_us - page.period_us
                if zero_s + rate * (last_us - zero_us) <= after_s or page.end_us <= at_us:
                    continue  # it brings nothing: another page had it
                if zero_s + rate * (page.clock_us - zero_us) >= end_s:
                    continue
                half_us = page.period_us // 2
                clock_us = page.clock_us + page.period_us * np.arange(len(page))
                t_s = zero_s + rate * (clock_us - zero_us)
                keep = (clock_us >= at_us - half_us) & (clock_us < to_us - half_us)
                keep &= (t_s > after_s) & (t_s < end_s)
                which = np.flatnonzero(keep)
                if not len(which):
                    continue
                first, last = int(which[0]), int(which[-1])
                self._owe(insole, trace, boot, at_us, int(clock_us[first]), page.period_us)
                at_us, after_s = int(clock_us[last]) + page.period_us, float(t_s[last])
                arrival_ns = self._origin_ns + round(1e9 * after_s)
                arrival_ns = min(max(arrival_ns, a.last_arrival_ns), latest_ns)
                data = _TIMES.pack(float(t_s[first]), rate * page.period_us)
                data += encode_data(_packet(page, first, last + 1))
                yield _Late(Entry(arrival_ns, insole, Kind.LATE, data), before)
            trace.brought_us[boot] = at_us
            if stop_us < LONG_CLOCK:
                short_us = _END_US if b is None else _SHORT_US
                self._owe(insole, trace, boot, at_us, stop_us, short_us)

    def _owe(
        self, insole: int, trace: _Trace, boot: int, from_us: int, to_us: int, short_us: int
    ) -> None:
        """Note what is missing, unless it is no more than the time between two samples."""
        if to_us - from_us <= short_us:
            return
        if len(self.owed) < _MOST_OWED:
            self.owed.append(Owed(insole, trace.serial, boot, from_us, to_us))
        elif (last := self.owed[-1]) and (last.insole, last.boot) == (insole, boot):
            self.owed[-1] = replace(last, to_us=max(last.to_us, to_us))


def _each_once(pages: list[LogPage]) -> Iterator[LogPage]:
    """Leave out what came twice, of pages in order of their clocks."""
    before: LogPage | None = None
    for page in pages:
        if before is None or page.clock_us > before.clock_us or page.end_us > before.end_us:
            yield page
            before = page


def _pages_of(pages: list[LogPage], from_us: float, to_us: float) -> list[LogPage]:
    """Return the pages that may have frames between two long clocks."""
    begin = bisect_right(pages, from_us, key=lambda page: page.clock_us)
    return pages[max(0, begin - 1) : bisect_left(pages, to_us, key=lambda page: page.clock_us)]


def _packet(page: LogPage, start: int, stop: int) -> DataPacket:
    """Return frames start…stop−1 of a page as a data packet, but for its counter."""
    return DataPacket(
        foot=page.foot,
        sample_format=page.sample_format,
        first=False,
        dropped=False,
        battery_low=False,
        counter=0,
        clock_us=(page.clock_us + start * page.period_us) % (1 << 32),
        period_us=page.period_us,
        counts=page.counts[start:stop],
    )


def _inserted(batches: Iterable[Batch], late: list[_Late]) -> Iterator[Batch]:
    """Give batches with entries between theirs, by arrival, none after its place."""
    base = done = 0
    for batch in batches:
        stop = base + len(batch)
        places: list[int] = []
        begun = done
        while done < len(late) and len(batch):
            one = late[done]
            if one.entry.arrival_ns >= batch.arrival_ns[-1] and one.before >= stop:
                break
            place = int(np.searchsorted(batch.arrival_ns, one.entry.arrival_ns, side="right"))
            places.append(max(places[-1] if places else 0, min(place, one.before - base)))
            done += 1
        base = stop
        more = [one.entry for one in late[begun:done]]
        yield _with_entries(batch, places, more) if places else batch
    if done < len(late):
        yield Batch.of([one.entry for one in late[done:]])


def _with_entries(batch: Batch, places: list[int], entries: list[Entry]) -> Batch:
    """Return a batch with entries before those at `places`, which never fall."""
    new = Batch.of(entries)
    cuts = [0, *np.concatenate(([0], np.cumsum(batch.length)))[places].tolist()]
    parts: list[bytes] = []
    for begin, end, entry in zip(cuts, cuts[1:], entries, strict=False):
        parts += [batch.payload[begin:end], entry.data]
    parts.append(batch.payload[cuts[-1] :])
    return Batch(
        np.insert(batch.arrival_ns, places, new.arrival_ns),
        np.insert(batch.insole, places, new.insole),
        np.insert(batch.kind, places, new.kind),
        np.insert(batch.length, places, new.length),
        b"".join(parts),
    )


def log_said(about: bytes) -> tuple[int, int, int, str] | None:
    """Return boot, long clock µs, the host's ns at which it was read, and the serial number.

    None where the insole has no log.
    """
    try:
        said = read_json(about, "connection")
        log = said["log"]
        boot, clock_us, read_ns = int(log["boot"]), int(log["clock_us"]), int(log["read_ns"])
        serial = str(said.get("serial", ""))
    except (ForeignError, ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return None
    if not (0 < boot < 1 << 16 and 0 <= clock_us < LONG_CLOCK and abs(read_ns) <= FARTHEST_NS):
        return None
    return boot, clock_us, read_ns, serial
