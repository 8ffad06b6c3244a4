"""What a player was asked to do, measured from the rows at which it was asked for.

A guided check says when a trial begins and ends; what lies between is measured here: the middle of
a stand, and each foot held in the air. Nothing is judged. A result is a function of the rows alone,
however they are cut, and is there with the row that decides it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import N_COLUMNS, FloatArray, Foot, PairBlock
from plantigrade.events import FootStand
from plantigrade.limits import Setup
from plantigrade.load import total_load
from plantigrade.poses import SATURATED_SHARE
from plantigrade.rolling import longest
from plantigrade.rows import RowBuffer
from plantigrade.stand import foot_stand
from plantigrade.steps import AIR_BAND, AIR_FLAT, air_levels, air_offset

MIDDLE_S = 15.0
"""The middle of a stand that is measured, s: its first and last moments are left out."""
LONGEST_S = 120.0
"""A stand that goes on for longer is not measured, s: nobody is asked for it."""
LIFT_S = 3.0
"""A foot is held in the air for so long, s."""
SETTLE_S = 0.5
"""Of these the first moments are left out, s: the foot is on its way up."""
_FEET = (Foot.LEFT, Foot.RIGHT)
_COLUMNS = (slice(1, 1 + N_COLUMNS), slice(1 + N_COLUMNS, 1 + 2 * N_COLUMNS))
_WIDTH = 1 + 2 * N_COLUMNS


@dataclass(frozen=True, slots=True)
class PromptedStand:
    """The middle of a stand that was asked for.

    Attributes
    ----------
    start_s, end_s : float
        Of the middle.
    missing_s : float
        The longest time without samples of either foot, s, bridged gaps apart; 0 without one.
    left_share : float or None
        The left foot's part of the load; None where samples are missing or nobody stood.
    left, right : FootStand or None
        None where samples are missing.
    saturated_left, saturated_right : tuple of int
        Zones (ids, from 1) at full scale in more than `SATURATED_SHARE` of the samples; none where
        samples are missing, and of a recording without counts.
    """

    start_s: float
    end_s: float
    missing_s: float
    left_share: float | None
    left: FootStand | None
    right: FootStand | None
    saturated_left: tuple[int, ...] = ()
    saturated_right: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class LiftedFoot:
    """One foot that was to be held in the air while the other carries the body.

    Attributes
    ----------
    held_s : float
        The longest time it was, s.
    air_n : float or None
        What its insole read there, N; None unless it was held for `LIFT_S`.
    """

    held_s: float
    air_n: float | None


@dataclass(frozen=True, slots=True)
class PromptedLift:
    """Both feet, each to be held in the air once."""

    left: LiftedFoot
    right: LiftedFoot


@dataclass(frozen=True, slots=True, eq=False)
class HeldAir:
    """What a foot's insole reads in the air, as a baseline takes it.

    Attributes
    ----------
    foot : Foot
    offset : ndarray of float64, shape (8,)
        Load columns.
    t_s : float
        Time of the row that decided it.
    """

    foot: Foot
    offset: FloatArray
    t_s: float


@dataclass(slots=True)
class _Full:
    """Samples of one foot at full scale, by zone."""

    t_s: list[FloatArray] = field(default_factory=list)
    zones: list[NDArray[np.bool_]] = field(default_factory=list)

    def zones_in(self, start_s: float, end_s: float, n: int) -> tuple[int, ...]:
        """Return the zones that are too often at full scale, of n samples."""
        if not self.t_s:
            return ()
        t_s = np.concatenate(self.t_s)
        inside = np.concatenate(self.zones)[(start_s <= t_s) & (t_s <= end_s)]
        often = np.count_nonzero(inside, axis=0) > SATURATED_SHARE * n
        return tuple(int(zone) + 1 for zone in np.flatnonzero(often))


class StandPrompt:
    """Measure the middle of a stand.

    Parameters
    ----------
    start_s : float
        When it began.

    Attributes
    ----------
    result : PromptedStand or None
        None until it is decided, and for a stand shorter than `MIDDLE_S`, longer than `LONGEST_S`,
        or in which the settings or the sample rate changed.
    """

    def __init__(self, start_s: float) -> None:
        self.airs: list[HeldAir] = []
        self.result: PromptedStand | None = None
        self.is_done = False
        self._start_s = start_s
        self._window: tuple[float, float] | None = None
        self._setup: Setup | None = None
        self._rows: RowBuffer | None = None
        self._full = {foot: _Full() for foot in _FEET}

    def note_full_scale(self, foot: Foot, t_s: FloatArray, full: NDArray[np.bool_]) -> None:
        """Take a foot's samples of which some zones, shape (n, n_zones), read full scale.

        Every sample of the middle is to be given before the rows that pass it.
        """
        if not self.is_done:
            self._full[foot].t_s.append(t_s)
            self._full[foot].zones.append(full)

    def push(self, raw: PairBlock, net: PairBlock, setup: Setup) -> None:
        """Take consecutive rows."""
        if self.is_done or not len(net):
            return
        if self._setup is not None and setup is not self._setup:
            self.is_done = True
            return
        self._setup = setup
        if self._rows is None:
            self._rows = RowBuffer(_WIDTH, net.first)
        rows = self._rows.append(len(net))
        rows[:, 0] = net.t_s
        rows[:, _COLUMNS[0]], rows[:, _COLUMNS[1]] = net.left, net.right
        if self._window is None and net.t_s[-1] - self._start_s > LONGEST_S:
            self.is_done = True
        if self._window is not None and net.t_s[-1] >= self._window[1]:
            self._measure()

    def end(self, end_s: float) -> None:
        """End the stand at `end_s`: now its middle is known."""
        if self.is_done or self._window is not None:
            return
        if not MIDDLE_S <= end_s - self._start_s <= LONGEST_S:
            self.is_done = True
            return
        start_s = 0.5 * (self._start_s + end_s - MIDDLE_S)
        self._window = start_s, start_s + MIDDLE_S
        if self._rows is not None:
            last = self._rows.rows(self._rows.end - 1, self._rows.end)
            if len(last) and last[0, 0] >= self._window[1]:
                self._measure()

    def flush(self) -> None:
        """Measure with what came; a stand that was not ended is not measured."""
        if not self.is_done and self._window is not None and self._setup is not None:
            self._measure()
        self.is_done = True

    def _measure(self) -> None:
        assert self._window is not None and self._rows is not None and self._setup is not None
        self.is_done = True
        setup = self._setup
        start_s, end_s = self._window
        kept, self._rows = self._rows.rows(self._rows.first, self._rows.end), None
        inside = np.searchsorted(kept[:, 0], (start_s, end_s)).tolist()
        rows = kept[inside[0] : inside[1]]
        absent = max(setup.samples(MIDDLE_S) - len(rows) - 1, 0)  # one by where the rows lie
        absent = max(absent, longest(np.any(np.isnan(rows[:, 1:]), axis=1)))
        if absent:
            gap_s = absent / setup.rate_hz
            self.result = PromptedStand(start_s, end_s, gap_s, None, None, None)
            return
        left, right = (foot_stand(rows[:, columns], setup) for columns in _COLUMNS)
        both_n = left.load_n + right.load_n
        self.result = PromptedStand(
            start_s,
            end_s,
            0.0,
            left.load_n / both_n if both_n > 0.0 else None,
            left,
            right,
            *(self._full[foot].zones_in(start_s, end_s, len(rows)) for foot in _FEET),
        )


class LiftPrompt:
    """Measure each foot held in the air, and give what its insole reads there.

    Parameters
    ----------
    start_s : float
        When it began.

    Attributes
    ----------
    result : PromptedLift
        So far.
    """

    def __init__(self, start_s: float) -> None:
        self.airs: list[HeldAir] = []
        self.is_done = False
        self._start_s = start_s
        self._end_s = np.inf
        self._rows: RowBuffer | None = None
        self._begun: list[int | None] = [None, None]
        self._held_s = [0.0, 0.0]
        self._air_n: list[float | None] = [None, None]

    @property
    def result(self) -> PromptedLift:
        """What is known now."""
        left, right = (LiftedFoot(h, a) for h, a in zip(self._held_s, self._air_n, strict=True))
        return PromptedLift(left, right)

    def push(self, raw: PairBlock, net: PairBlock, setup: Setup) -> None:
        """Take consecutive rows."""
        if self.is_done or not len(raw):
            return
        if self._rows is None or raw.first != self._rows.end:
            self._rows, self._begun = RowBuffer(_WIDTH, raw.first), [None, None]
        rows = self._rows.append(len(raw))
        rows[:, 0] = raw.t_s
        rows[:, _COLUMNS[0]], rows[:, _COLUMNS[1]] = raw.left, raw.right
        inside = (self._start_s <= raw.t_s) & (raw.t_s <= self._end_s)
        loads = [total_load(net.left), total_load(net.right)]
        for k in range(2):
            with np.errstate(invalid="ignore"):
                up = inside & (loads[k] < air_levels(setup)[0])
                up &= loads[1 - k] >= setup.limits.stand_least_bw * setup.bw_n
            self._follow(k, up, raw.first, setup)
        self._rows.trim(self._rows.end - setup.samples(LIFT_S))
        if raw.t_s[-1] > self._end_s:
            self.is_done = True

    def end(self, end_s: float) -> None:
        """End the trial; what comes after it does not count."""
        self._end_s = min(self._end_s, end_s)

    def flush(self) -> None:
        """End with the rows that came."""
        self.is_done = True

    def _follow(self, k: int, up: NDArray[np.bool_], first: int, setup: Setup) -> None:
        """Follow one foot through new rows: in which of them it is in the air."""
        edges = np.flatnonzero(np.diff(up.astype(np.int8), prepend=0, append=0))
        runs = [(first + int(a), first + int(b)) for a, b in edges.reshape(-1, 2)]
        before = self._begun[k]
        if before is not None:
            if runs and runs[0][0] == first:
                runs[0] = before, runs[0][1]
            self._begun[k] = None
        for start, stop in runs:
            self._held_s[k] = max(self._held_s[k], (stop - start) / setup.rate_hz)
            if self._air_n[k] is None and stop - start >= setup.samples(LIFT_S):
                self._decide(k, start, setup)
        if runs and runs[-1][1] == first + len(up):
            self._begun[k] = runs[-1][0]

    def _decide(self, k: int, start: int, setup: Setup) -> None:
        """Read what a foot that was held for long enough reads in the air, if it was still."""
        assert self._rows is not None
        stop = start + setup.samples(LIFT_S)
        rows = self._rows.rows(start + setup.samples(SETTLE_S), stop)
        offset = air_offset(rows[:, _COLUMNS[k]])
        if offset is None:
            return
        load = total_load(rows[:, _COLUMNS[k]])
        air_n = float(total_load(offset[None])[0])
        if float(np.mean(load <= air_n + AIR_BAND * setup.contact_n)) < AIR_FLAT:
            return
        self._air_n[k] = air_n
        self.airs.append(HeldAir(_FEET[k], offset, float(rows[-1, 0])))


def prompt_for(step: str, start_s: float) -> "StandPrompt | LiftPrompt | None":
    """Return what measures a step of a guided check; None for one that events tell all of."""
    if step in ("stand", "flat"):
        return StandPrompt(start_s)
    return LiftPrompt(start_s) if step == "lift" else None


def airs_of(prompts: Sequence["StandPrompt | LiftPrompt"]) -> list[HeldAir]:
    """Take what prompts found in the air; they hold it no longer."""
    found = [air for prompt in prompts for air in prompt.airs]
    for prompt in prompts:
        prompt.airs.clear()
    return found
