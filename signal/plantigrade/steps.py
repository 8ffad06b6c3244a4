"""Walking steps: contacts of each foot while the other swings through, and how load rolled over.

A stance is contact from strike to toe-off (design §5; limits in `plantigrade.limits`). A contact is
a step when the other foot was off the ground for a good part of it: standing, shifting weight from
foot to foot, turning on the spot and standing on one leg are not steps.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from plantigrade.block import N_COLUMNS, FloatArray, Foot, PairBlock
from plantigrade.events import Event, Step
from plantigrade.limits import Setup
from plantigrade.load import few_loads, total_load
from plantigrade.rolling import longest
from plantigrade.rows import RowBuffer
from plantigrade.runs import Run, RunSegmenter
from plantigrade.stance import measured, unmeasured

OTHER_OFF_SHARE = 0.25
"""The other foot swings through during at least this part of a stance: single support is
about two thirds of a stance at normal speed, and well over this in the slowest walk."""
OTHER_OFF_S = 0.10
"""… and at least so long."""
LEAST_PEAK_BW = 0.5
"""A stance carries the body: its load reaches this, × BW (the mid-stance valley of fast
walking is about 0.7)."""
AIR_S = (0.2, 1.0)
"""A swing phase lasts between these (about 0.4 s at normal speed)."""
PATIENCE_S = 1.0
"""Rows of which nothing can come wait at most so long (a matter of memory alone)."""
_FEW = 8
_FEET = (Foot.LEFT, Foot.RIGHT)
_COLUMNS = (slice(1, 1 + N_COLUMNS), slice(1 + N_COLUMNS, 1 + 2 * N_COLUMNS))
_LOAD = 1 + 2 * N_COLUMNS  # of the left foot; the right foot's follows


@dataclass(frozen=True, slots=True)
class Air:
    """A confirmed swing phase: from one toe-off to the next strike of the same foot."""

    foot: Foot
    start: int
    stop: int


class StepDetector:
    """Find walking steps in both feet's rows.

    A step is confirmed `contact_gap_s` after its toe-off.

    Parameters
    ----------
    setup : Setup

    Attributes
    ----------
    airs : list of Air
        Swing phases confirmed since the owner last emptied the list; they feed the baseline.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.reset()

    def reset(self) -> None:
        """Become as new."""
        limits, setup = self.setup.limits, self.setup
        # a gap of exactly the limit is not bridged: it takes so many samples under the threshold
        bridge = max(1, int(np.ceil(limits.contact_gap_s * setup.rate_hz - 1e-9)))
        restart = max(setup.samples(limits.restart_s), bridge)
        self._runs, self._swung = (
            [RunSegmenter(level, level, bridge, restart) for _ in _FEET]
            for level in (setup.contact_n, setup.air_n)
        )
        self._keep = setup.samples(limits.contact_max_s + limits.contact_gap_s + 1.2)
        self._rows: RowBuffer | None = None
        self._last_off: list[int | None] = [None, None]
        # Rows of which nothing can come are looked at later, many at a time
        self._waiting: list[PairBlock] = []
        self._n_waiting = 0
        self._patience = setup.samples(PATIENCE_S)
        self._steady = [_overlap(()) for _ in _FEET]
        self.airs: list[Air] = []

    def push(self, block: PairBlock) -> list[Event]:
        """Take consecutive rows; return the steps they confirmed, in order of confirmation."""
        n = len(block)
        if n == 0:
            return []
        self._waiting.append(block)
        self._n_waiting += n
        if n <= _FEW and self._n_waiting < self._patience and self._is_steady(block):
            return []
        whole = PairBlock.join(self._waiting)
        self._waiting, self._n_waiting = [], 0
        steps = self._look(whole)
        self._steady = [_overlap(pair) for pair in zip(self._runs, self._swung, strict=True)]
        return cast("list[Event]", steps)

    def _is_steady(self, block: PairBlock) -> bool:
        """Whether nothing can come of a few rows: their loads stay between the thresholds."""
        for (low, high), values in zip(self._steady, (block.left, block.right), strict=True):
            for load in few_loads(values):
                if not low <= load < high:
                    return False
        return True

    def _look(self, block: PairBlock) -> list[Step]:
        """Return the steps that rows confirmed."""
        if self._rows is None:
            self._rows = RowBuffer(_LOAD + 2, block.first)
        rows = self._rows.append(len(block))
        rows[:, 0] = block.t_s
        rows[:, _COLUMNS[0]], rows[:, _COLUMNS[1]] = block.left, block.right
        rows[:, _LOAD], rows[:, _LOAD + 1] = total_load(block.left), total_load(block.right)
        runs: list[tuple[int, int, Run]] = []
        for k in range(2):
            load = rows[:, _LOAD + k]
            runs += [(run.closed, k, run) for run in self._runs[k].push(load, block.first)]
            for run in self._swung[k].push(load, block.first):
                self._note_air(k, run)
        runs.sort(key=lambda r: r[:2])
        steps = [step for _, k, run in runs if (step := self._step(k, run))]
        self._rows.trim(self._rows.end - self._keep)
        return steps

    def flush(self) -> list[Event]:
        """End the stream; an unfinished contact is no step."""
        return []

    def _step(self, k: int, run: Run) -> Step | None:
        """Turn a finished contact of foot number k into a step, if it is one."""
        assert self._rows is not None
        if not self._is_stance(k, run, self.setup.contact_n):
            return None
        rows = self._rows.rows(run.start, run.stop)
        return self._measure(_FEET[k], run, rows[:, 0], rows[:, _COLUMNS[k]])

    def _is_stance(self, k: int, run: Run, level_n: float) -> bool:
        """Whether a run of foot number k over `level_n` is a walking stance."""
        assert self._rows is not None
        setup, limits = self.setup, self.setup.limits
        seconds = _length(run) / setup.rate_hz
        if not limits.contact_min_s <= seconds <= limits.contact_max_s:
            return False
        if run.start_at is None and not run.missing:
            return False  # on the ground when first seen: its strike was before the recording
        rows = self._rows.rows(run.start, run.stop)
        load, other = rows[:, _LOAD + k], rows[:, _LOAD + 1 - k]
        with np.errstate(invalid="ignore"):
            off = other < level_n
            carried = np.nanmax(load) if np.any(np.isfinite(load)) else 0.0
        least = max(OTHER_OFF_S * setup.rate_hz, OTHER_OFF_SHARE * (run.stop - run.start))
        return longest(off) >= least and bool(carried >= LEAST_PEAK_BW * setup.bw_n)

    def _note_air(self, k: int, run: Run) -> None:
        """Note the swing phase before a stance over the air level."""
        last_off, self._last_off[k] = self._last_off[k], run.stop
        if last_off is None or not self._is_stance(k, run, self.setup.air_n):
            return
        if AIR_S[0] <= (run.start - last_off) / self.setup.rate_hz <= AIR_S[1]:
            self.airs.append(Air(_FEET[k], last_off, run.start))

    def _time(self, at: float | None) -> float | None:
        assert self._rows is not None
        if at is None:
            return None
        below = int(np.floor(at))
        pair = self._rows.rows(below, below + 1)
        return float(pair[0, 0]) + (at - below) / self.setup.rate_hz

    def _measure(self, foot: Foot, run: Run, t: FloatArray, values: FloatArray) -> Step:
        assert self._rows is not None
        strike, off = self._time(run.start_at), self._time(run.stop_at)
        step = unmeasured(
            foot=foot,
            strike_s=strike,
            off_s=off,
            threshold_n=self.setup.contact_n,
            touches_gap=run.missing,
            first_index=run.start,
            confirmed_s=float(self._rows.rows(run.closed, run.closed + 1)[0, 0]),
        )
        if strike is None or off is None or run.missing:
            return step
        return measured(step, t, values, self.setup)


def _overlap(segmenters: Sequence[RunSegmenter]) -> tuple[float, float]:
    """Return the range of loads that changes nothing for any of the segmenters; see `steady`."""
    ranges = [segmenter.steady() for segmenter in segmenters]
    if not ranges:
        return np.inf, -np.inf
    return max(low for low, _ in ranges), min(high for _, high in ranges)


def _length(run: Run) -> float:
    """Length of a run in samples, from its crossings where they are known."""
    start = run.start - 0.5 if run.start_at is None else run.start_at
    stop = run.stop - 0.5 if run.stop_at is None else run.stop_at
    return stop - start
