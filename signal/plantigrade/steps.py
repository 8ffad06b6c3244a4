"""Walking steps: contacts of each foot while the other swings through, and how load rolled over.

A stance is contact from strike to toe-off (design §5; limits in `plantigrade.limits`). A contact is
a step when the other foot was off the ground for a good part of it: standing, shifting weight from
foot to foot, turning on the spot and standing on one leg are not steps.

A laced shoe may press by the contact load even in the air. Until the baseline knows it
(`plantigrade.baseline`), no contact ends; stances are then found over the higher air level, and
each is measured net of what its foot reads in its own swing phase before it. Where the baseline
moves during such a stance or that phase, the rows before it are taken to the new one (`rebase`).
"""

from dataclasses import dataclass, replace

import numpy as np

from plantigrade.block import N_COLUMNS, Column, FloatArray, Foot, PairBlock
from plantigrade.events import Event, Step
from plantigrade.limits import Setup
from plantigrade.load import total_load
from plantigrade.rolling import longest, longest_span
from plantigrade.rows import RowBuffer
from plantigrade.runs import RunSegment, RunSegmenter
from plantigrade.stance import measured_step, unmeasured_step

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
AIR_N = 60.0
"""The air level is never under this, N: a shoe is not laced by the player's weight."""
TIGHT_N = 90.0
"""… and this is a second one, of a foot that reads more in the air than the first. (Of 25 kg it is
0.37: taken for all, it would cut short the swing phases of a loosely laced shoe.)"""
AIR_BAND = 0.25
"""What noise may add to a foot's load in the air, × the contact load: a phase whose middle
comes so near the contact load hides where contacts end."""
AIR_FLAT = 0.75
"""A foot in the air reads one load: so much of its phase lies under the middle's load and the band.
A foot that is only relieved goes down and comes up again."""
_FEET = (Foot.LEFT, Foot.RIGHT)
_COLUMNS = (slice(1, 1 + N_COLUMNS), slice(1 + N_COLUMNS, 1 + 2 * N_COLUMNS))
_LOAD = 1 + 2 * N_COLUMNS  # of the left foot; the right foot's follows


@dataclass(frozen=True, slots=True)
class AirPhase:
    """A confirmed swing phase: from one toe-off to the next strike of the same foot."""

    foot: Foot
    start: int
    stop: int

    @property
    def middle(self) -> tuple[int, int]:
        """First row, and row after the last, of its middle half: there the foot is surely off."""
        quarter = (self.stop - self.start) // 4
        return self.start + quarter, self.stop - quarter


def air_offset(values: FloatArray) -> FloatArray | None:
    """Return the load columns that an insole reads in the middle half of a swing phase.

    Parameters
    ----------
    values : ndarray of float64, shape (n, 8)
        Missing rows are left out.

    Returns
    -------
    ndarray of float64, shape (8,), or None
        Medians; no midfoot zone counts. None of fewer than three rows.
    """
    values = values[~np.isnan(values[:, 0])]
    if len(values) < 3:
        return None
    offset: FloatArray = np.median(values, axis=0)
    offset[Column.MIDFOOT_ZONES] = 0.0
    return offset


def air_levels(setup: Setup) -> list[float]:
    """Return the loads below which a walker's foot may be in the air, N: one or two, rising."""
    return sorted({max(setup.air_n, AIR_N), max(setup.air_n, TIGHT_N)})


def _middle(load: FloatArray) -> FloatArray:
    quarter = len(load) // 4
    return load[quarter : len(load) - quarter]


class _Laced:
    """A stance of a foot that may read contact in the air, found over the air level.

    Parameters
    ----------
    run : RunSegment
        The stance over the air level.
    air : AirPhase
        The swing phase before it.
    offset : ndarray, shape (8,)
        What the foot reads in that phase, taken off its load columns.
    contacts : RunSegmenter

    Attributes
    ----------
    next : int
        The row that `push` is to begin with.
    """

    def __init__(
        self, run: RunSegment, air: AirPhase, offset: FloatArray, contacts: RunSegmenter
    ) -> None:
        self.run, self.offset = run, offset
        self._offset_n = float(total_load(offset[None])[0])
        self._contacts, self.next = contacts, air.middle[0]

    def rebase(self, more: FloatArray) -> None:
        """Go on where the rows are less by `more`, shape (8,), what the baseline has grown by."""
        self.offset = self.offset - more
        self._offset_n = float(total_load(self.offset[None])[0])

    def overlaps(self, run: RunSegment) -> bool:
        """Whether a contact belongs to the stance."""
        return run.start < self.run.stop and run.stop > self.run.start

    def push(self, values: FloatArray) -> list[RunSegment]:
        """Take the foot's load columns from row `next` on; return the contact when it ended."""
        found = self._contacts.push(total_load(values) - self._offset_n, self.next)
        self.next += len(values)
        closed = self.run.closed
        return [replace(run, closed=max(run.closed, closed)) for run in found if self.overlaps(run)]


class StepDetector:
    """Find walking steps in both feet's rows.

    A step is confirmed `contact_gap_s` after its toe-off.

    Parameters
    ----------
    setup : Setup

    Attributes
    ----------
    airs : list of AirPhase
        Swing phases confirmed since the owner last emptied the list; they feed the baseline.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.reset()

    def reset(self) -> None:
        """Become as new."""
        limits, setup = self.setup.limits, self.setup
        # a gap of exactly the limit is not bridged: it takes so many samples under the threshold
        self._bridge = max(1, int(np.ceil(limits.contact_gap_s * setup.rate_hz - 1e-9)))
        self._restart = max(setup.samples(limits.restart_s), self._bridge)
        self._runs = [self._segmenter(setup.contact_n) for _ in _FEET]
        self._air_n = air_levels(setup)
        self._swung = [[self._segmenter(level_n) for level_n in self._air_n] for _ in _FEET]
        self._keep = setup.samples(limits.contact_max_s + limits.contact_gap_s + 1.2)
        self._rows: RowBuffer | None = None
        self._last_off: list[list[int | None]] = [[None for _ in self._air_n] for _ in _FEET]
        self._air_until = [-1, -1]  # the row after each foot's latest swing phase
        self._laced: list[list[_Laced]] = [[], []]
        self._moves: list[tuple[int, FloatArray]] = []
        self.airs: list[AirPhase] = []

    def _segmenter(self, level_n: float) -> RunSegmenter:
        return RunSegmenter(level_n, level_n, self._bridge, self._restart)

    def push(self, block: PairBlock) -> list[Event]:
        """Take consecutive rows; return the steps they confirmed, in order of confirmation."""
        if len(block) == 0:
            return []
        if self._rows is None:
            self._rows = RowBuffer(_LOAD + 2, block.first)
        rows = self._rows.append(len(block))
        rows[:, 0] = block.t_s
        rows[:, _COLUMNS[0]], rows[:, _COLUMNS[1]] = block.left, block.right
        rows[:, _LOAD], rows[:, _LOAD + 1] = total_load(block.left), total_load(block.right)
        found: list[tuple[int, int, Step]] = []
        for k in range(2):
            load = rows[:, _LOAD + k]
            swung = [
                (run.closed, level, run)
                for level, runs in enumerate(self._swung[k])
                for run in runs.push(load, block.first)
            ]
            for _, level, run in sorted(swung, key=lambda one: one[:2]):
                self._note_air(k, level, run)
            found += self._steps(k, self._runs[k].push(load, block.first))
            found += self._laced_steps(k)
        found.sort(key=lambda step: step[:2])
        self._rows.trim(self._rows.end - self._keep)
        self._moves = [move for move in self._moves if move[0] > self._rows.first]
        return [step for _, _, step in found]

    def rebase(self, more: FloatArray) -> None:
        """Take the baseline's move: the rows to come are net of so much more than those before.

        A laced stance under way, and the swing phase before it, are then measured net of one
        baseline, and what the shoe presses is not taken off twice.

        Parameters
        ----------
        more : ndarray of float64, shape (2, 8)
            What each foot's load columns are less by from the next row on.
        """
        if self._rows is None:
            return
        self._moves.append((self._rows.end, more))
        for k in range(2):
            for one in self._laced[k]:
                one.rebase(more[k])

    def flush(self) -> list[Event]:
        """End the stream; an unfinished contact is no step."""
        return []

    def _on_one_base(self, k: int, start: int, stop: int) -> FloatArray:
        """Return load columns of foot number k, all net of the baseline in force now."""
        assert self._rows is not None
        start = max(start, self._rows.first)
        values = self._rows.rows(start, stop)[:, _COLUMNS[k]]
        for row, more in self._moves:
            if row > start:
                values = values.copy()
                values[: row - start] -= more[k]
        return values

    def _steps(self, k: int, runs: list[RunSegment]) -> list[tuple[int, int, Step]]:
        """Turn finished contacts of foot number k into steps, those that are some."""
        return [
            (run.closed, k, self._measure(k, run))
            for run in runs
            if self._is_stance(k, run, self.setup.contact_n)
            and not any(one.overlaps(run) for one in self._laced[k])
        ]

    def _laced_steps(self, k: int) -> list[tuple[int, int, Step]]:
        """Return the steps of foot number k that ended, of those measured by their own offsets."""
        assert self._rows is not None
        found: list[tuple[int, int, Step]] = []
        for one in self._laced[k]:
            for run in one.push(self._on_one_base(k, one.next, self._rows.end)):
                if self._is_whole(run):
                    found.append((run.closed, k, self._measure(k, run, one.offset)))
        oldest = self._rows.end - self._keep
        self._laced[k] = [one for one in self._laced[k] if one.run.stop > oldest]
        return found

    def _is_whole(self, run: RunSegment) -> bool:
        """Whether a run lasts as long as a stance, and was seen to begin."""
        limits = self.setup.limits
        seconds = _length(run) / self.setup.rate_hz
        if not limits.contact_min_s <= seconds <= limits.contact_max_s:
            return False
        # on the ground when first seen: its strike was before the recording
        return run.start_at is not None or run.missing

    def _is_stance(self, k: int, run: RunSegment, level_n: float) -> bool:
        """Whether a run of foot number k over `level_n` is a walking stance."""
        assert self._rows is not None
        setup = self.setup
        if not self._is_whole(run):
            return False
        rows = self._rows.rows(run.start, run.stop)
        load, other = rows[:, _LOAD + k], rows[:, _LOAD + 1 - k]
        with np.errstate(invalid="ignore"):
            off = other < level_n
            carried = np.nanmax(load) if np.any(np.isfinite(load)) else 0.0
        least = max(OTHER_OFF_S * setup.rate_hz, OTHER_OFF_SHARE * (run.stop - run.start))
        return longest(off) >= least and bool(carried >= LEAST_PEAK_BW * setup.bw_n)

    def _note_air(self, k: int, level: int, run: RunSegment) -> None:
        """Note the swing phase before a stance over an air level.

        A foot that reads about contact is in the air only if it reads one load: one that is merely
        relieved goes down and comes up again.
        """
        assert self._rows is not None
        last_off, self._last_off[k][level] = self._last_off[k][level], run.stop
        level_n = self._air_n[level]
        if last_off is None or not self._is_stance(k, run, level_n):
            return
        if not AIR_S[0] <= (run.start - last_off) / self.setup.rate_hz <= AIR_S[1]:
            return
        air = AirPhase(_FEET[k], last_off, run.start)
        load = self._rows.rows(air.start, air.stop)[:, _LOAD + k]
        other = self._rows.rows(run.start, run.stop)[:, _LOAD + 1 - k]
        with np.errstate(invalid="ignore"):
            start, stop = longest_span(other < level_n)
        other = other[start:stop]
        if air.start < self._air_until[k] or not self._is_of(level, load, other):
            return
        near = self._is_near_contact(load)
        if near and not self._is_flat(load):
            return
        self._air_until[k] = air.stop
        self.airs.append(air)
        # without the other foot off the ground a contact is no step
        if not near and not (self._is_near_contact(other) and self._is_flat(other)):
            return
        offset = air_offset(self._on_one_base(k, *air.middle))
        if offset is not None:
            contacts = self._segmenter(self.setup.contact_n)
            self._laced[k].append(_Laced(run, air, offset, contacts))

    def _is_of(self, level: int, *loads: FloatArray) -> bool:
        """Whether one of the feet's loads in the air, each (n,), is over the level before."""
        if level == 0:
            return True
        return any(bool(np.any(_middle(load) >= self._air_n[level - 1])) for load in loads)

    def _is_near_contact(self, load: FloatArray) -> bool:
        """Whether a foot's load while off the ground, shape (n,), may hide where contacts end."""
        return self._most_n(load) >= self.setup.contact_n

    def _is_flat(self, load: FloatArray) -> bool:
        """Whether a foot's load, shape (n,), is one load but for its edges."""
        with np.errstate(invalid="ignore"):
            return float(np.mean(load <= self._most_n(load))) >= AIR_FLAT

    def _most_n(self, load: FloatArray) -> float:
        """Return the middle's load and what noise may add, N; NaN where the middle is missing."""
        middle = _middle(load)
        if not np.any(np.isfinite(middle)):
            return np.nan
        return float(np.nanmedian(middle)) + AIR_BAND * self.setup.contact_n

    def _time(self, at: float | None) -> float | None:
        assert self._rows is not None
        if at is None:
            return None
        below = int(np.floor(at))
        pair = self._rows.rows(below, below + 1)
        return float(pair[0, 0]) + (at - below) / self.setup.rate_hz

    def _measure(self, k: int, run: RunSegment, offset: FloatArray | None = None) -> Step:
        """Measure a contact of foot number k, net of an offset of its load columns."""
        assert self._rows is not None
        rows = self._rows.rows(run.start, run.stop)
        values = rows[:, _COLUMNS[k]]
        strike, off = self._time(run.start_at), self._time(run.stop_at)
        step = unmeasured_step(
            foot=_FEET[k],
            strike_s=strike,
            off_s=off,
            threshold_n=self.setup.contact_n,
            touches_gap=run.missing,
            first_index=run.start,
            confirmed_s=float(self._rows.rows(run.closed, run.closed + 1)[0, 0]),
        )
        if strike is None or off is None or run.missing:
            return step
        if offset is not None:
            values = self._on_one_base(k, run.start, run.stop) - offset
        return measured_step(step, rows[:, 0], values, self.setup)


def _length(run: RunSegment) -> float:
    """Length of a run in samples, from its crossings where they are known."""
    start = run.start - 0.5 if run.start_at is None else run.start_at
    stop = run.stop - 0.5 if run.stop_at is None else run.stop_at
    return stop - start
