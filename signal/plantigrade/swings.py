"""Swings as they happen: which movements of load between the feet are a golf swing.

A swing begins from stillness with both feet loaded, goes to the trail foot, and is then driven to
the lead foot within 0.6 s (design §5). Steps, waggles, bends and backswings that only come back are
told apart by what they lack. Everything is read from the rows up to the one that decided it.
"""

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from plantigrade.block import Column, PairBlock
from plantigrade.events import Event, Phase, PhaseKind, Push
from plantigrade.limits import Setup
from plantigrade.rolling import (
    longest,
    trailing_max,
    trailing_min,
)
from plantigrade.swing import (
    Address,
    Outline,
    outline,
    push_end_of,
    push_of,
    swing_of,
)
from plantigrade.swinglimits import (
    ADDRESS_BEFORE_S,
    BACK_S,
    BACKSWING_FALL,
    DRIVE_S,
    FALL_S,
    KEEP_S,
    LEDGE_S,
    LOADING_S,
    LOOK_S,
    OFF_S,
    PROMINENCE_BW,
    PROMINENCE_OF_RISE,
    RISE,
    RISE_S,
)
from plantigrade.swingrows import HEEL, Col, SwingRows
from plantigrade.swingrules import (
    down_by,
    finish_of,
    gait_by,
    is_drive,
    is_lifted,
    level_of,
    slides,
    stillness_of,
    top_of,
    walks_on,
)


class _Stage(Enum):
    WATCH = 0
    """Waiting for a drive to the lead foot."""
    PEAK = 1
    """A drive is under way: waiting for the lead peak."""
    FINISH = 2
    """The lead peak is found: waiting for the end of the push and the finish."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A drive under way, absolute indices."""

    trough: int
    address: Address
    peak: int = 0
    shape: Outline | None = None
    driven: bool = False
    push: Push | None = None


class SwingDetector:
    """Find golf swings in both feet's rows.

    Emits a `Swing` when its finish is decided, and provisional `Phase`s before it, the push's
    outcome among them, as soon as the rows decide them.

    Parameters
    ----------
    setup : Setup
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.reset()

    def reset(self) -> None:
        """Become as new."""
        self._begun = False
        self._rows = SwingRows(self.setup, 0)
        self._begin_afresh(0)

    def _begin_afresh(self, index: int) -> None:
        """Forget the movement under way; nothing before `index` counts any more."""
        self._since = index
        self._announced = index
        self._backswing: tuple[int, int, float] | None = None
        """Its row; of the address, end and level."""
        self._heel_since: int | None = None
        self._back_since: int | None = None  # at the address level again
        self._watch_from(index, index)

    def _watch_from(self, cursor: int, armed: int) -> None:
        """Wait for a drive from `cursor` on, whose trough lies at or after `armed`."""
        self._stage = _Stage.WATCH
        self._cursor, self._armed = cursor, armed
        self._rising = False
        self._candidate: _Candidate | None = None
        self._settled_at = cursor

    def push(self, block: PairBlock) -> list[Event]:
        """Take consecutive rows; return the phases and swings they decided."""
        n = len(block)
        if n == 0:
            return []
        if not self._begun:
            self._begun = True
            self._rows = SwingRows(self.setup, block.first)
            self._begin_afresh(block.first)
        self._rows.push(block)
        events: list[Event] = []
        while self._advance(events):
            pass
        self._rows.trim(self._rows.end - self.setup.samples(KEEP_S) - n)
        return events

    def flush(self) -> list[Event]:
        """End the stream; a swing without its finish is not reported."""
        return []

    # ---- stages ----

    def _advance(self, events: list[Event]) -> bool:
        """Go on to the next decision; False when more rows are needed."""
        stop = self._rows.gaps[0] if self._rows.gaps else self._rows.end - self._rows.half
        if self._rows.gaps and self._cursor >= stop:
            self._announce(stop, events)
            if not self._end_unseen(stop, events):
                self._cancel(stop, events)
            del self._rows.gaps[0]
            self._begin_afresh(stop + 1)
            return True
        if self._cursor >= stop:
            return False
        match self._stage:
            case _Stage.WATCH:
                return self._watch(stop, events)
            case _Stage.PEAK:
                return self._peak(stop, events)
            case _Stage.FINISH:
                return self._finish(stop, events)

    def _watch(self, stop: int, events: list[Event]) -> bool:
        # each find looks through the rows again: a long block is taken a few seconds at a time
        return (
            self._watch_to(min(stop, self._cursor + self.setup.samples(LOOK_S)), events)
            or stop > self._cursor
        )

    def _watch_to(self, stop: int, events: list[Event]) -> bool:
        """Look for the first row whose share has risen enough above a recent trough."""
        if self._rising:
            s = self._rows.column(Col.SHARE, self._cursor - 1, stop)
            falls = np.flatnonzero(~(s[1:] >= s[:-1]))
            if len(falls) == 0:
                self._announce(stop, events)
                self._cursor = stop
                return bool(self._rows.gaps)
            self._cursor += int(falls[0])
            self._announce(self._cursor, events)
            self._armed, self._rising = self._cursor, False
        reach = self.setup.samples(RISE_S)
        base = max(self._cursor - reach, self._armed)
        s = self._rows.column(Col.SHARE, base, stop)
        risen = np.empty(0, dtype=np.int64)
        if np.fmax.reduce(s[self._cursor - base :]) - np.fmin.reduce(s) >= RISE:
            rise = s - trailing_min(s, reach + 1)
            with np.errstate(invalid="ignore"):
                risen = np.flatnonzero(rise[self._cursor - base :] >= RISE)
        if len(risen) == 0:
            self._announce(stop, events)
            self._cursor = stop
            return bool(self._rows.gaps)
        at = self._cursor + int(risen[0])
        self._announce(at, events)
        recent = self._rows.column(Col.SHARE, max(at - reach, self._armed), at + 1)
        trough = at - int(np.nanargmin(recent[::-1]))
        address = self._address(trough)
        if address is None or self._stepping(address, trough, at):
            self._cancel(at, events)
            self._watch_from(at + 1, at)
            self._rising = True  # the rest of this rise is no drive either
            self._announce(at + 1, events)
            return True
        self._candidate = _Candidate(trough, address)
        self._stage, self._cursor = _Stage.PEAK, at + 1
        events.append(Phase(PhaseKind.SHIFT, self._rows.time(trough), self._rows.confirmed(at)))
        self._announce(at + 1, events)
        return True

    def _peak(self, stop: int, events: list[Event]) -> bool:
        """Look for the lead peak: the first prominent maximum of lead load, or the highest."""
        candidate = self._candidate
        assert candidate is not None
        lead = self._rows.column(Col.LEAD_EVEN, candidate.trough, stop)
        highest = np.fmax.accumulate(lead)
        rise = highest - lead[0]
        with np.errstate(invalid="ignore"):
            fallen = highest - lead >= np.maximum(
                PROMINENCE_BW * self.setup.bw_n, PROMINENCE_OF_RISE * rise
            )
        latest = self.setup.samples(self.setup.limits.lead_peak_s + 0.3)
        done = np.flatnonzero(fallen | (np.arange(len(lead)) >= latest))
        done = done[done >= self._cursor - candidate.trough]
        if len(done) == 0:
            self._announce(stop, events)
            self._cursor = stop
            return bool(self._rows.gaps)
        at = candidate.trough + int(done[0])
        self._announce(at, events)
        peak = candidate.trough + top_of(lead[: int(done[0]) + 1], self.setup)
        start = candidate.address.start
        shape = self._outline(candidate, peak, at)
        latest = start + int(shape.shift) + self.setup.samples(DRIVE_S[1])
        if peak > latest:
            # the body may go on to the lead foot once the drive is over: a level that it first kept
            level = level_of(lead[: latest + 1 - candidate.trough], self.setup)
            if level is not None:
                peak = candidate.trough + level
                shape = self._outline(candidate, peak, at)
        self._candidate = replace(candidate, peak=peak, shape=shape)
        begun = start + int(shape.start)
        if not is_drive(shape, self.setup) or slides(self._rows, shape, begun, peak, self.setup):
            self._cancel(at, events)
            self._watch_from(at + 1, peak)
            self._announce(at + 1, events)
            return True
        self._stage, self._cursor, self._settled_at = _Stage.FINISH, at + 1, at + 1
        self._announce(at + 1, events)
        return True

    def _outline(self, candidate: _Candidate, peak: int, now: int) -> Outline:
        start = candidate.address.start
        window = self._rows.window(start, now)
        address = replace(candidate.address, start=0, stop=candidate.address.stop - start)
        return outline(window, address, candidate.trough - start, peak - start, self.setup)

    def _finish(self, stop: int, events: list[Event]) -> bool:
        """Look for the end of the push and the finish; report each when it is decided."""
        candidate = self._candidate
        assert candidate is not None and candidate.shape is not None
        if not candidate.driven:
            shape, peak = candidate.shape, candidate.peak
            shown = down_by(self._rows, shape, peak, stop, self.setup)
            if shown is None:
                self._cursor = stop
                return bool(self._rows.gaps)
            first = candidate.address.start + int(shape.shift)
            lifted = is_lifted(self._rows, shape, first, peak, shown, self.setup)
            shown = max(shown, self._cursor)
            if lifted:
                self._cancel(shown, events)
                self._announced = max(self._announced, shown + 1)
                self._watch_from(shown + 1, peak)
                return True
            candidate = self._candidate = replace(candidate, driven=True)
            self._cursor = self._settled_at = shown
        decided, finish, manner = finish_of(self._rows, candidate.peak, stop, self.setup)
        if decided is not None:
            decided = max(decided, self._settled_at)
        last = stop if decided is None else decided + 1
        if candidate.push is None:
            candidate = self._decide_push(candidate, last, events)
            self._candidate = candidate
        self._announced = max(self._announced, min(last, stop))
        assert candidate.shape is not None
        shape, trough, peak = candidate.shape, candidate.trough, candidate.peak
        if decided is not None:
            decided = gait_by(self._rows, shape, trough, peak, decided, self.setup)
        if decided is None or decided >= stop:
            self._cursor = stop
            return bool(self._rows.gaps)
        if walks_on(self._rows, trough, peak, decided, self.setup):
            self._cancel(decided, events)
            self._watch_from(decided + 1, decided)
            return True
        start = candidate.address.start
        window = self._rows.window(start, decided)
        push = candidate.push
        if push is None:
            push = push_of(window, candidate.shape, finish - start, self.setup)
            t = window.t_s[finish - start] if push.end_s is None else push.end_s
            events.append(Phase(PhaseKind.PUSH, float(t), self._rows.confirmed(decided), push))
        events.append(swing_of(window, candidate.shape, push, finish - start, manner, self.setup))
        self._backswing = self._heel_since = self._back_since = None
        self._since = candidate.peak  # the stillness before this swing is no other's address
        self._watch_from(decided + 1, decided)
        return True

    def _end_unseen(self, gap: int, events: list[Event]) -> bool:
        """Report a swing whose push was said before the gap at row `gap` hid its finish.

        What was said is what is stored.
        """
        candidate = self._candidate
        if candidate is None or candidate.shape is None or candidate.push is None:
            return False
        if walks_on(self._rows, candidate.trough, candidate.peak, gap, self.setup):
            return False
        start = candidate.address.start
        seen = max(gap - self.setup.samples(self.setup.limits.restart_s), candidate.peak) - start
        window = self._rows.window(start, gap)
        swing = swing_of(window, candidate.shape, candidate.push, seen, "time", self.setup)
        events.append(replace(swing, finish_s=None, touches_gap=True))
        return True

    # ---- what the stages ask ----

    def _address(self, trough: int) -> Address | None:
        """Find the last stillness before a trough, its rows by their absolute indices.

        The movement may begin inside the last still window: level and SD leave its end out.
        """
        if self._stepped_lately(trough):
            return None
        width = self.setup.samples(self.setup.limits.address_s)
        reach = self.setup.samples(ADDRESS_BEFORE_S)
        begin = max(trough - reach - 3 * width, self._since)
        if trough + 1 - begin < width:
            return None
        self._rows.still(trough + 1, width)
        s = self._rows.column(Col.SHARE, begin, trough + 1)
        # by the row that ends each window; NaN where it is not still
        middle = self._rows.column(Col.STILL, begin + width - 1, trough + 1)
        found = stillness_of(s, middle, width, reach, self.setup.samples(LEDGE_S))
        if found is None:
            return None
        first, last, ledge = found
        quiet = s[first : max(last + width // 4, first + width // 2)]
        level, sd = float(np.nanmedian(quiet)), float(np.nanstd(quiet))
        return Address(begin + first, begin + last + width // 4 + 1, level, sd, ledge)

    def _stepped_lately(self, trough: int) -> bool:
        """Whether a foot may have been off the ground just before a trough.

        No stillness lies between.
        """
        start = trough - self.setup.samples(self.setup.limits.address_s) + 1
        least = self.setup.samples(OFF_S)
        for is_lead in (True, False):
            if longest(self._rows.may_step(is_lead, start, trough + 1)) >= least:
                return True
        return False

    def _stepping(self, address: Address, trough: int, now: int) -> bool:
        """Whether a foot may have left the ground since the stillness.

        The trail foot before the trough: the drive may free it.
        """
        least = self.setup.samples(OFF_S)
        return any(
            longest(self._rows.may_step(is_lead, address.stop, stop)) >= least
            for is_lead, stop in ((True, now + 1), (False, trough + 1))
        )

    def _decide_push(self, candidate: _Candidate, stop: int, events: list[Event]) -> _Candidate:
        """Read the push as soon as a row has ended it, after the lead peak is known."""
        shape = candidate.shape
        assert shape is not None
        start = candidate.address.start
        row = push_end_of(self._rows.window(start, stop - 1), shape, stop - start, self.setup)
        if row is None:
            return candidate
        end = start + row
        # decided by what showed it to be a swing, or by letting go, whichever is later
        decided = max(end, self._settled_at)
        push = push_of(self._rows.window(start, decided), shape, end - start, self.setup)
        t = self._rows.time(end) if push.end_s is None else push.end_s
        events.append(Phase(PhaseKind.PUSH, t, self._rows.confirmed(decided), push))
        return replace(candidate, push=push)

    # ---- provisional phases ----

    def _cancel(self, index: int, events: list[Event]) -> None:
        """Take back what was announced of a movement that turned out to be no swing."""
        if self._backswing is not None or self._stage is not _Stage.WATCH:
            events.append(
                Phase(PhaseKind.CANCELLED, self._rows.time(index), self._rows.confirmed(index))
            )
        self._backswing = self._heel_since = self._back_since = None

    def _announce(self, stop: int, events: list[Event]) -> None:
        """Announce backswing and heel in the rows before `stop` that were not looked at yet."""
        while self._announced < stop:
            if self._backswing is None:
                if self._stage is not _Stage.WATCH:
                    self._announced = stop
                    return
                self._announced = self._look_for_backswing(self._announced, stop, events)
            else:
                self._announced = self._follow_backswing(self._announced, stop, events)

    def _look_for_backswing(self, start: int, stop: int, events: list[Event]) -> int:
        reach = self.setup.samples(FALL_S)
        # one row more, so that the row before the first is judged as it was when it was new
        base = max(start - reach - 1, self._armed, self._since)
        s = self._rows.column(Col.SHARE, base, stop)
        if not np.fmax.reduce(s) - np.fmin.reduce(s[start - base :]) >= BACKSWING_FALL:
            return stop
        with np.errstate(invalid="ignore"):
            fallen = trailing_max(s, reach + 1) - s >= BACKSWING_FALL
        edges = np.flatnonzero(fallen & ~np.concatenate(([False], fallen[:-1])))
        for edge in (edges + base).tolist():
            if edge < start:
                continue
            address = self._address(edge)
            if address is not None and not self._stepping(address, edge, edge):
                self._backswing = (edge, address.stop, address.level)
                self._heel_since = self._back_since = None
                events.append(
                    Phase(PhaseKind.BACKSWING, self._rows.time(edge), self._rows.confirmed(edge))
                )
                return edge + 1
        return stop

    def _follow_backswing(self, start: int, stop: int, events: list[Event]) -> int:
        """Announce the heel lifting and returning; give up a backswing that came back and stays.

        A drive from a shallow backswing is over the address level before it has risen by `RISE`.
        """
        assert self._backswing is not None
        begun, still_until, level = self._backswing
        setup, limits, watching = self.setup, self.setup.limits, self._stage is _Stage.WATCH
        rows = self._rows.rows(start, stop)
        front = rows[:, Col.LEAD + Column.FOREFOOT] + rows[:, Col.LEAD + Column.TOES]
        lead_n, limit_n = rows[:, Col.LEAD_EVEN], setup.heel_lift_n
        with np.errstate(invalid="ignore"):
            returned = rows[:, Col.SHARE] >= level - 0.02
            low = rows[:, HEEL] < limit_n
            up = (
                low
                & (lead_n >= limits.heel_lift_foot_bw * setup.bw_n)
                & (front >= limits.heel_lift_front * lead_n)
            )
        least = setup.samples(limits.heel_lift_s)
        latest = begun + int(LOADING_S[1] * setup.rate_hz)
        staying = setup.samples(BACK_S)
        flags = zip(returned.tolist(), low.tolist(), up.tolist(), strict=True)
        for at, (back, heel_low, heel_up) in enumerate(flags, start):
            if not back:
                self._back_since = None
            elif self._back_since is None:
                self._back_since = at
            stays = self._back_since is not None and at - self._back_since >= staying
            if watching and (stays or at > latest):
                self._cancel(at, events)
                return at + 1
            since = self._heel_since
            if heel_up and since is None:
                self._heel_since = at
            elif heel_up and since is not None and at - since == least - 1:
                if np.isnan(self._rows.column(Col.LEAD_EVEN, still_until, at + 1)).any():
                    self._heel_since = None  # when it lifted is not known: it stays unclear
                    continue
                events.append(
                    Phase(PhaseKind.HEEL_LIFTED, self._rows.time(since), self._rows.confirmed(at))
                )
            elif not heel_low and since is not None:
                if at - since >= least:
                    events.append(
                        Phase(
                            PhaseKind.HEEL_RETURNED, self._rows.time(at), self._rows.confirmed(at)
                        )
                    )
                self._heel_since = None
        return stop
