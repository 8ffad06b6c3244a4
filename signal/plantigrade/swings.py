"""Swings as they happen: which movements of load between the feet are a golf swing.

A swing begins from stillness with both feet loaded, goes to the trail foot, and is then driven to
the lead foot within 0.6 s (design §5). Steps, waggles, bends and backswings that only come back are
told apart by what they lack. Everything is read from the rows up to the one that decided it.
"""

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from plantigrade.block import Column, FloatArray, PairBlock
from plantigrade.events import Event, Phase, PhaseKind, Push
from plantigrade.limits import Setup
from plantigrade.load import few_loads, share, total_load
from plantigrade.onset import hann_weights
from plantigrade.rolling import (
    RunningRange,
    longest,
    still_windows,
    trailing_max,
    trailing_min,
)
from plantigrade.rows import RowBuffer
from plantigrade.swing import (
    SMOOTH_S,
    Address,
    Outline,
    Window,
    outline,
    push_end_of,
    push_of,
    swing_of,
    window_of,
)

# All of these are ours: no published values exist for events of load between the feet.
RISE = 0.12
"""A rise of s so large within `RISE_S` is looked at: it may be the drive to the lead foot."""
RISE_S = 0.8
STILL_RANGE = 0.05
"""At address s stays within this over `address_s`; a quiet stand's sway moves it by about .02."""
LOADED = 0.22
"""Both feet are loaded at address: s lies between this and 1 less this."""
ADDRESS_BEFORE_S = 3.5
"""The stillness ends at most this long before the trail peak."""
LEAST_FALL = 0.05
"""s falls at least so far under its address level on the way to the trail peak."""
LEAST_OVER = 0.09
"""The drive carries s so far over its address level: a mere return from a backswing does not. Where
s comes over it less, as in the reverse style and where unloading hides a part of it …"""
LEAST_UNDER, LEAST_LOADED = -0.04, 1.2
"""… it comes at least so near, and the lead foot's load over its own address load says that it was
driven: a return from a half-swing stays under 1.15. s has then fallen clearly:"""
LEAST_BACK = 0.10
PRESS_MOST, PRESS_OF_RANGE = 0.10, 0.33
"""A press before the start is at most so large, or this part of s's range: more is a waggle."""
TRAIL_SIDE, TO_LEAD_SIDE, FAR_BACK = 0.42, 0.56, 0.15
"""A stillness under the first may be a rest on the trail side: unless s then falls by the third, a
rise up to the second is a return to the middle."""
LEAST_RISE, LEAST_PACE = 0.20, 0.6
"""A drive raises s so far and so fast, 1 / s: a lively waggle does neither quite."""
PROMINENCE_BW = 0.04
"""A lead peak stands out by so much, × BW …"""
PROMINENCE_OF_RISE = 0.08
"""… and by this part of the lead foot's rise."""
LEVEL_OF_RISE, LEVEL_S = 0.06, 0.2
"""A top this flat (within this part of the rise) for this long is a level, reached at its first
row."""
LOADING_S = (0.22, 3.0)
"""Start → trail peak lies between these."""
REST_AT_TRAIL_S = 0.8
"""A trail peak as wide as this is a rest, not a turn."""
DRIVE_S = (0.05, 0.6)
"""Shift → lead peak lies between these."""
OFF_S = 0.10
"""A foot off the ground for so long before the lead peak is stepping."""
LIFT_S = 0.08
"""A trail foot off the ground for so long by `AFTER_PEAK_S` after the lead peak was lifted: the
body only went over the lead foot to free it, as at a gait's first step …"""
AFTER_PEAK_S = 0.10
DRIVEN_BW, DRIVEN_FALL = 1.10, 0.12
"""… unless the lead foot was driven down with more than the body's weight, × BW, after a clear fall
of s: the trail foot of a hard swing may leave the ground."""
SETTLED_RANGE, SETTLED_S = 0.06, 0.5
STEPPED_S = 0.08
BACKSWING_FALL = 0.06
"""A fall of s so far under the address level is announced as a backswing (provisional)."""
FALL_S = 1.0
LOOK_S = 5.0
PATIENCE_S = 1.0
"""Rows of which nothing can come wait at most so long (a matter of memory alone)."""
KEEP_S = 12.0
_FEW = 8

_T, _LEAD, _TRAIL = 0, slice(1, 8), slice(8, 15)
_LEAD_N, _TRAIL_N, _S, _LEAD_EVEN, _TRAIL_EVEN, _STILL = 15, 16, 17, 18, 19, 20
_FEET = (_LEAD_EVEN, _LEAD_N), (_TRAIL_EVEN, _TRAIL_N)
_HEEL = 1 + Column.HEEL


class _Stage(Enum):
    WATCH = 0
    """Waiting for a drive to the lead foot."""
    PEAK = 1
    """A drive is under way: waiting for the lead peak."""
    FINISH = 2
    """The lead peak is found: waiting for the end of the push and the finish."""


_WATCH = _Stage.WATCH  # looking a member up on its class costs a call each time


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A drive under way, absolute indices."""

    trough: int
    address: tuple[int, int, float, float]
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
        self._half = setup.samples(SMOOTH_S)
        self._look = setup.samples(LOOK_S)
        self._weights = hann_weights(self._half).tolist()
        self._cop_n = setup.cop_n
        self._reach = setup.samples(max(RISE_S, FALL_S)) + 2
        self._patience = setup.samples(PATIENCE_S)
        self.reset()

    def reset(self) -> None:
        """Become as new."""
        self._rows: RowBuffer | None = None
        self._tail: tuple[list[float], list[float]] = [], []  # both feet's last loads
        self._tail_end = -1
        self._range = RunningRange(self._reach)
        self._last_share = np.nan
        self._begin_afresh(0)

    def _begin_afresh(self, index: int) -> None:
        """Forget the movement under way; nothing before `index` counts any more."""
        self._since = index
        self._still_to = index
        self._gap_run = 0
        self._gaps: list[int] = []
        self._announced = index
        self._backswing: tuple[int, float] | None = None
        self._heel_since: int | None = None
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
        if self._rows is None:
            self._rows = RowBuffer(21, block.first)
            self._begin_afresh(block.first)
        if n <= _FEW:
            if self._fill_few(block):
                return []
        else:
            self._fill(block)
        events: list[Event] = []
        while self._advance(events):
            pass
        self._rows.trim(self._rows.end - self.setup.samples(KEEP_S) - n)
        return events

    def flush(self) -> list[Event]:
        """End the stream; a swing without its finish is not reported."""
        return []

    # ---- rows ----

    def _fill(self, block: PairBlock) -> None:
        """Append rows, and smooth those that now have their neighbours on both sides."""
        rows = self._rows
        assert rows is not None
        lead, trail = block.foot(self.setup.lead), block.foot(self.setup.lead.other)
        new = rows.append(len(block))
        new[:, _T] = block.t_s
        new[:, _LEAD], new[:, _TRAIL] = lead, trail
        new[:, _LEAD_N], new[:, _TRAIL_N] = total_load(lead), total_load(trail)
        new[:, _S:] = np.nan
        half = self._half
        start, stop = max(block.first - half, rows.first + half), rows.end - half
        if stop <= start:
            return
        raw = rows.rows(start - half, stop + half)
        target = rows.rows(start, stop)
        n = stop - start
        even = np.zeros((n, 2))
        for k, weight in enumerate(self._weights):  # elementwise, in order: never cut-dependent
            even += weight * raw[k : k + n, _LEAD_N : _TRAIL_N + 1]
        target[:, _LEAD_EVEN : _TRAIL_EVEN + 1] = even
        target[:, _S] = share(even[:, 0], even[:, 1], self.setup.cop_n)
        self._note_gaps(target[:, _S], start)

    def _fill_few(self, block: PairBlock) -> bool:
        """Do for a few rows what `_fill` does for many; return whether nothing can come of them.

        Rows of which nothing can come are looked at later, with those that follow.
        """
        rows, half = self._rows, self._half
        assert rows is not None
        lead, trail = block.foot(self.setup.lead), block.foot(self.setup.lead.other)
        lead_n, trail_n = few_loads(lead), few_loads(trail)
        if self._tail_end != block.first:
            self._look_back()
        n = len(lead_n)
        new = rows.append(n)
        new[:, _T] = block.t_s
        new[:, _LEAD], new[:, _TRAIL] = lead, trail
        new[:, _LEAD_N], new[:, _TRAIL_N] = lead_n, trail_n
        new[:, _S:] = np.nan
        self._tail_end = block.first + n
        leads, trails = self._tail
        leads += lead_n
        trails += trail_n
        width = len(self._weights)
        even: list[tuple[float, float, float]] = []
        for k in range(len(leads) - width + 1):
            lead_even = trail_even = 0.0
            for weight, a, b in zip(
                self._weights, leads[k : k + width], trails[k : k + width], strict=True
            ):
                lead_even += weight * a
                trail_even += weight * b
            total = lead_even + trail_even
            s = lead_even / total if total >= self._cop_n else np.nan
            even.append((min(max(s, 0.0), 1.0) if s == s else s, lead_even, trail_even))
        if not even:
            return False
        del leads[: 1 - width], trails[: 1 - width]
        first = rows.end - half - len(even)
        rows.rows(first, first + len(even))[:, _S : _TRAIL_EVEN + 1] = even
        return self._is_quiet([s for s, _, _ in even], first)

    def _look_back(self) -> None:
        """Learn from memory what rows that came as many would have left for the next few."""
        rows, half = self._rows, self._half
        assert rows is not None
        before = rows.rows(rows.end - 2 * half, rows.end)
        self._tail = before[:, _LEAD_N].tolist(), before[:, _TRAIL_N].tolist()
        self._range, self._last_share = RunningRange(self._reach), np.nan
        first = max(rows.end - half - self._reach, rows.first)
        for index, s in enumerate(self._column(_S, first, rows.end - half).tolist(), first):
            if s == s:
                self._range.push(index, s)

    def _is_quiet(self, shares: list[float], first: int) -> bool:
        """Note a few new shares; return whether neither a drive nor a backswing can be in them.

        Judged by the range over more rows than either is looked for in.
        """
        quiet = (
            self._stage is _WATCH
            and self._backswing is None
            and not self._gaps
            and first - self._cursor < self._patience
        )
        for index, s in enumerate(shares, first):
            self._last_share, before = s, self._last_share
            if s != s:
                self._note_gaps(np.array([s]), index)
                quiet = False
                continue
            self._gap_run = 0
            low, high = self._range.push(index, s)
            if high - s >= BACKSWING_FALL:
                quiet = False
            elif self._rising:
                quiet = quiet and s >= before
            else:
                quiet = quiet and s - low < RISE
        return quiet

    def _note_gaps(self, s: FloatArray, first: int) -> None:
        """Note the rows at which samples have been missing for `restart_s`."""
        missing = np.isnan(s)
        if not missing.any():
            self._gap_run = 0
            return
        least = self.setup.samples(self.setup.limits.restart_s)
        for k, gone in enumerate(missing.tolist()):
            self._gap_run = self._gap_run + 1 if gone else 0
            if self._gap_run == least:
                self._gaps.append(first + k)

    def _column(self, column: int, start: int, stop: int) -> FloatArray:
        assert self._rows is not None
        return self._rows.rows(start, stop)[:, column]

    def _time(self, index: int) -> float:
        return float(self._column(_T, index, index + 1)[0])

    def _confirmed(self, index: int) -> float:
        """Time of the last row that smoothed row `index` was made from."""
        return self._time(index + self._half)

    def _window(self, start: int, last: int) -> Window:
        """Rows from `start` to the last that smoothed row `last` was made from."""
        assert self._rows is not None
        rows = self._rows.rows(start, last + self._half + 1)
        return window_of(start, rows[:, _T], rows[:, _LEAD], rows[:, _TRAIL], self.setup)

    # ---- stages ----

    def _advance(self, events: list[Event]) -> bool:
        """Go on to the next decision; False when more rows are needed."""
        assert self._rows is not None
        stop = self._gaps[0] if self._gaps else self._rows.end - self._half
        if self._gaps and self._cursor >= stop:
            self._announce(stop, events)
            self._cancel(stop, events)
            gaps = self._gaps[1:]
            run = self._gap_run
            self._begin_afresh(stop + 1)
            self._gaps, self._gap_run = gaps, run
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
        return self._watch_to(min(stop, self._cursor + self._look), events) or stop > self._cursor

    def _watch_to(self, stop: int, events: list[Event]) -> bool:
        """Look for the first row whose share has risen enough above a recent trough."""
        if self._rising:
            s = self._column(_S, self._cursor - 1, stop)
            falls = np.flatnonzero(~(s[1:] >= s[:-1]))
            if len(falls) == 0:
                self._announce(stop, events)
                self._cursor = stop
                return bool(self._gaps)
            self._cursor += int(falls[0])
            self._announce(self._cursor, events)
            self._armed, self._rising = self._cursor, False
        reach = self.setup.samples(RISE_S)
        base = max(self._cursor - reach, self._armed)
        s = self._column(_S, base, stop)
        risen = np.empty(0, dtype=np.int64)
        if np.fmax.reduce(s[self._cursor - base :]) - np.fmin.reduce(s) >= RISE:
            rise = s - trailing_min(s, reach + 1)
            with np.errstate(invalid="ignore"):
                risen = np.flatnonzero(rise[self._cursor - base :] >= RISE)
        if len(risen) == 0:
            self._announce(stop, events)
            self._cursor = stop
            return bool(self._gaps)
        at = self._cursor + int(risen[0])
        self._announce(at, events)
        recent = self._column(_S, max(at - reach, self._armed), at + 1)
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
        events.append(Phase(PhaseKind.SHIFT, self._time(trough), self._confirmed(at)))
        self._announce(at + 1, events)
        return True

    def _peak(self, stop: int, events: list[Event]) -> bool:
        """Look for the lead peak: the first prominent maximum of lead load, or the highest."""
        candidate = self._candidate
        assert candidate is not None
        lead = self._column(_LEAD_EVEN, candidate.trough, stop)
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
            return bool(self._gaps)
        at = candidate.trough + int(done[0])
        self._announce(at, events)
        peak = candidate.trough + _top(lead[: int(done[0]) + 1], self.setup)
        start = candidate.address[0]
        window = self._window(start, at)
        address = Address(0, candidate.address[1] - start, *candidate.address[2:])
        shape = outline(window, address, candidate.trough - start, peak - start, self.setup)
        self._candidate = replace(candidate, peak=peak, shape=shape)
        if not self._is_drive(shape):
            self._cancel(at, events)
            self._watch_from(at + 1, peak)
            self._announce(at + 1, events)
            return True
        self._stage, self._cursor, self._settled_at = _Stage.FINISH, at + 1, at + 1
        self._announce(at + 1, events)
        return True

    def _finish(self, stop: int, events: list[Event]) -> bool:
        """Look for the end of the push and the finish; report each when it is decided."""
        candidate = self._candidate
        assert candidate is not None and candidate.shape is not None
        if not candidate.driven:
            down_by = max(self._down_by(candidate), self._cursor)
            if down_by >= stop:
                self._cursor = stop
                return bool(self._gaps)
            if self._lifted(candidate):
                self._cancel(down_by, events)
                self._announced = max(self._announced, down_by + 1)
                self._watch_from(down_by + 1, candidate.peak)
                return True
            candidate = self._candidate = replace(candidate, driven=True)
            self._cursor = self._settled_at = down_by
        decided, finish, manner = self._find_finish(candidate.peak, stop)
        last = stop if decided is None else decided + 1
        if candidate.push is None:
            candidate = self._decide_push(candidate, last, events)
            self._candidate = candidate
        self._announced = max(self._announced, min(last, stop))
        if decided is None:
            self._cursor = stop
            return bool(self._gaps)
        assert candidate.shape is not None
        start = candidate.address[0]
        window = self._window(start, decided)
        push = candidate.push
        if push is None:
            push = push_of(window, candidate.shape, finish - start, self.setup)
            t = window.t_s[finish - start] if push.end_s is None else push.end_s
            events.append(Phase(PhaseKind.PUSH, float(t), self._confirmed(decided), push))
        events.append(swing_of(window, candidate.shape, push, finish - start, manner, self.setup))
        self._backswing = self._heel_since = None
        self._since = candidate.peak  # the stillness before this swing is no other's address
        self._watch_from(decided + 1, decided)
        return True

    # ---- what the stages ask ----

    def _address(self, trough: int) -> tuple[int, int, float, float] | None:
        """Find the last stillness before a trough: rows start…stop−1, level of s and its SD.

        The movement may begin inside the last still window: level and SD leave its end out.
        """
        if self._stepped_lately(trough):
            return None
        width = self.setup.samples(self.setup.limits.address_s)
        reach = self.setup.samples(ADDRESS_BEFORE_S)
        begin = max(trough - reach - 3 * width, self._since)
        if trough + 1 - begin < width:
            return None
        self._find_still(trough + 1, width)
        s = self._column(_S, begin, trough + 1)
        # by the row that ends each window; NaN where it is not still
        middle = self._column(_STILL, begin + width - 1, trough + 1)
        with np.errstate(invalid="ignore"):
            still = middle >= s[-1] + LEAST_FALL
        found = np.flatnonzero(still[-reach - 1 :])
        if len(found) == 0:
            return None
        last = len(still) - min(reach + 1, len(still)) + int(found[-1])
        earlier = ~still[max(last - 2 * width, 0) : last]
        broken = np.flatnonzero(earlier)
        first = last - len(earlier) + (int(broken[-1]) + 1 if len(broken) else 0)
        quiet = s[first : max(last + width // 4, first + width // 2)]
        level, sd = float(np.median(quiet)), float(np.std(quiet))
        return begin + first, begin + last + width // 4 + 1, level, sd

    def _find_still(self, stop: int, width: int) -> None:
        """Mark the still windows that end before row `stop`, with the middle of s in each."""
        assert self._rows is not None
        start = max(self._still_to, self._rows.first + width - 1)
        if start >= stop:
            return
        s = self._column(_S, start - width + 1, stop)
        middle = (s[: len(s) - width + 1] + s[width - 1 :]) / 2.0
        with np.errstate(invalid="ignore"):
            still = (
                still_windows(s, width, STILL_RANGE) & (middle >= LOADED) & (middle <= 1.0 - LOADED)
            )
        self._column(_STILL, start, stop)[:] = np.where(still, middle, np.nan)
        self._still_to = stop

    def _stepped_lately(self, trough: int) -> bool:
        """Whether a foot may have been off the ground just before a trough.

        No stillness lies between.
        """
        start = trough - self.setup.samples(self.setup.limits.address_s) + 1
        least = self.setup.samples(OFF_S)
        for foot in _FEET:
            off = self._may_be_off(foot, start, trough + 1)
            # while walking the other foot has usually been off for all of the last moment
            if off[-least:].all() or longest(off) >= least:
                return True
        return False

    def _may_be_off(self, foot: tuple[int, int], start: int, stop: int) -> np.ndarray:
        """Return which rows do not show a foot on the ground: a missing load may hide a step.

        Beside missing rows the smoothed load is missing too, and the load itself is taken.
        """
        assert self._rows is not None
        rows = self._rows.rows(start, stop)
        smoothed, load = rows[:, foot[0]], rows[:, foot[1]]
        with np.errstate(invalid="ignore"):
            off: np.ndarray = ~(
                np.where(np.isnan(smoothed), load, smoothed) >= self.setup.contact_n
            )
        return off

    def _stepping(self, address: tuple[int, int, float, float], trough: int, now: int) -> bool:
        """Whether a foot may have left the ground since the stillness.

        The trail foot before the trough: the drive may free it.
        """
        least = self.setup.samples(OFF_S)
        return any(
            longest(self._may_be_off(foot, address[1], stop)) >= least
            for foot, stop in zip(_FEET, (now + 1, trough + 1), strict=True)
        )

    def _is_drive(self, shape: Outline) -> bool:
        """Whether a drive's outline is that of a swing (design §5)."""
        limits, rate = self.setup.limits, self.setup.rate_hz
        address = shape.address
        loading = (shape.trail_peak - shape.start) / rate
        drive = (shape.lead_peak - shape.shift) / rate
        return (
            shape.highest - shape.lowest
            >= max(limits.swing_range, limits.swing_range_sd * address.sd)
            and address.level - shape.lowest >= max(LEAST_FALL, 2.0 * address.sd)
            and shape.press <= max(PRESS_MOST, PRESS_OF_RANGE * (shape.highest - shape.lowest))
            and not self._returns_from_rest(shape)
            and self._is_over(shape)
            and LOADING_S[0] <= loading <= LOADING_S[1]
            and shape.highest - shape.lowest >= LEAST_RISE
            and shape.pace * rate >= LEAST_PACE
            and shape.trail_peak_rows < REST_AT_TRAIL_S * rate
            and DRIVE_S[0] <= drive <= DRIVE_S[1]
        )

    @staticmethod
    def _returns_from_rest(shape: Outline) -> bool:
        """Whether a drive may only come back to the middle from a rest on the trail side."""
        level = shape.address.level
        fall = level - shape.lowest
        return level < TRAIL_SIDE and fall < FAR_BACK and shape.highest < TO_LEAD_SIDE

    def _is_over(self, shape: Outline) -> bool:
        """Whether a drive went over to the lead foot, by its share or else by its load."""
        over = shape.highest - shape.address.level
        return over >= LEAST_OVER or (
            over >= LEAST_UNDER
            and shape.loaded >= LEAST_LOADED
            and shape.address.level - shape.lowest >= LEAST_BACK
        )

    def _down_by(self, candidate: _Candidate) -> int:
        """Return the row by which the trail foot has shown whether it was lifted."""
        return candidate.peak + self.setup.samples(AFTER_PEAK_S)

    def _lifted(self, candidate: _Candidate) -> bool:
        """Whether the trail foot was lifted off rather than left by a drive."""
        shape = candidate.shape
        assert shape is not None
        first = candidate.address[0] + int(shape.shift)
        off = self._may_be_off(_FEET[1], first, self._down_by(candidate) + 1)
        if longest(off) < self.setup.samples(LIFT_S):
            return False
        lead = self._column(_LEAD_EVEN, candidate.peak, candidate.peak + 1)[0]
        driven = lead >= DRIVEN_BW * self.setup.bw_n
        return not (driven and shape.address.level - shape.lowest >= DRIVEN_FALL)

    def _find_finish(self, peak: int, stop: int) -> tuple[int | None, int, str]:
        """Return the row that decides the finish (None if not yet), the finish, and its manner."""
        s = self._column(_S, peak, stop)
        trail = self._column(_TRAIL_EVEN, peak, stop)
        choices: list[tuple[int, int, str]] = []
        width = self.setup.samples(SETTLED_S)
        settled = np.flatnonzero(still_windows(s, width, SETTLED_RANGE))
        if len(settled):
            choices.append((int(settled[0]) + width - 1, int(settled[0]), "settled"))
        with np.errstate(invalid="ignore"):
            off = trail < self.setup.contact_n
            on = trail >= 1.5 * self.setup.contact_n
        leaves = np.flatnonzero(off)
        while len(leaves):
            left = int(leaves[0])
            lands = np.flatnonzero(on[left:])
            if len(lands) == 0:
                break
            if lands[0] >= self.setup.samples(STEPPED_S):
                choices.append((left + int(lands[0]), left, "stepped"))
                break
            leaves = leaves[leaves > left + lands[0]]
        latest = self.setup.samples(self.setup.limits.finish_s)
        if len(s) > latest:
            choices.append((latest, latest, "time"))
        if not choices:
            return None, 0, ""
        decided, finish, manner = min(choices)
        return max(peak + decided, self._cursor), peak + finish, manner

    def _decide_push(self, candidate: _Candidate, stop: int, events: list[Event]) -> _Candidate:
        """Read the push as soon as a row has ended it, after the lead peak is known."""
        shape = candidate.shape
        assert shape is not None
        start = candidate.address[0]
        row = push_end_of(self._window(start, stop - 1), shape, stop - start, self.setup)
        if row is None:
            return candidate
        end = start + row
        # decided by what showed it to be a swing, or by letting go, whichever is later
        decided = max(end, self._settled_at)
        push = push_of(self._window(start, decided), shape, end - start, self.setup)
        t = self._time(end) if push.end_s is None else push.end_s
        events.append(Phase(PhaseKind.PUSH, t, self._confirmed(decided), push))
        return replace(candidate, push=push)

    # ---- provisional phases ----

    def _cancel(self, index: int, events: list[Event]) -> None:
        """Take back what was announced of a movement that turned out to be no swing."""
        if self._backswing is not None or self._stage is not _Stage.WATCH:
            events.append(Phase(PhaseKind.CANCELLED, self._time(index), self._confirmed(index)))
        self._backswing = self._heel_since = None

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
        s = self._column(_S, base, stop)
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
                self._backswing = (edge, address[2])
                self._heel_since = None
                events.append(Phase(PhaseKind.BACKSWING, self._time(edge), self._confirmed(edge)))
                return edge + 1
        return stop

    def _follow_backswing(self, start: int, stop: int, events: list[Event]) -> int:
        """Announce the heel lifting and returning; give up a backswing that came back."""
        assert self._backswing is not None and self._rows is not None
        begun, level = self._backswing
        setup, limits, watching = self.setup, self.setup.limits, self._stage is _Stage.WATCH
        rows = self._rows.rows(start, stop)
        front = rows[:, 1 + Column.FOREFOOT] + rows[:, 1 + Column.TOES]
        lead_n, limit_n = rows[:, _LEAD_EVEN], setup.heel_lift_n
        with np.errstate(invalid="ignore"):
            returned = rows[:, _S] >= level - 0.02
            low = rows[:, _HEEL] < limit_n
            up = (
                low
                & (lead_n >= limits.heel_lift_foot_bw * setup.bw_n)
                & (front >= limits.heel_lift_front * lead_n)
            )
        least = setup.samples(limits.heel_lift_s)
        latest = begun + int(LOADING_S[1] * setup.rate_hz)
        flags = zip(returned.tolist(), low.tolist(), up.tolist(), strict=True)
        for at, (back, heel_low, heel_up) in enumerate(flags, start):
            if watching and (back or at > latest):
                self._cancel(at, events)
                return at + 1
            since = self._heel_since
            if heel_up and since is None:
                self._heel_since = at
            elif heel_up and since is not None and at - since == least - 1:
                events.append(Phase(PhaseKind.HEEL_LIFTED, self._time(since), self._confirmed(at)))
            elif not heel_low and since is not None:
                if at - since >= least:
                    events.append(
                        Phase(PhaseKind.HEEL_RETURNED, self._time(at), self._confirmed(at))
                    )
                self._heel_since = None
        return stop


def _top(lead: FloatArray, setup: Setup) -> int:
    """Return the row of a rise's top: its maximum, or where it comes to a level that it keeps."""
    top = int(np.nanargmax(lead))
    with np.errstate(invalid="ignore"):
        level = lead >= lead[top] - LEVEL_OF_RISE * (lead[top] - lead[0])
    first = int(np.argmax(level))
    return first if level[first:].sum() >= setup.samples(LEVEL_S) else top
