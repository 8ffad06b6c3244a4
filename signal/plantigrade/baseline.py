"""Each foot's baseline: what its insole reads in the air.

A laced shoe presses a sensor even in the air, and the sensor drifts. The baseline may move only by
the confirmed swing phases of walking steps and by a foot lift that was asked for (design §5), never
while a golfer stands: a lifted heel looks like air. It moves at fixed rows of the time line, so
that it does not depend on how the rows are cut into calls.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from plantigrade.block import N_COLUMNS, FloatArray, Foot, PairBlock
from plantigrade.load import total_load
from plantigrade.prompted import HeldAir
from plantigrade.steps import AirPhase, air_offset

REFRESH_S = 5.0
"""The baseline moves at most this often, at multiples of it."""
_PHASES = 8
"""The baseline is the median of this many swing phases, the latest."""
_LEAST_PHASES = 2
_FEET = (Foot.LEFT, Foot.RIGHT)


@dataclass(frozen=True, slots=True)
class BaselineState:
    """One foot's baseline, as shown.

    Attributes
    ----------
    load_n : float
        What is taken off the foot's load, N.
    error_n : float or None
        Estimated error, N: spread of the swing phases it was made from; None before the first.
    set_s : float or None
        Time of the last swing phase that moved it: its age is the present less this.
    """

    load_n: float
    error_n: float | None
    set_s: float | None


class Baseline:
    """Take each foot's baseline off both feet's rows.

    Parameters
    ----------
    rate_hz : float
    air_n : float
        The load below which a walker's foot may be in the air, N.

    Attributes
    ----------
    moved : ndarray of float64, shape (2, 8), or None
        What each foot's offset grew by at the first row of the last `net`; None where it stayed.
    """

    def __init__(self, rate_hz: float, air_n: float) -> None:
        self._rate_hz = rate_hz
        self._air_n = air_n
        self.refresh = max(1, round(REFRESH_S * rate_hz))
        self._offset = np.zeros((2, N_COLUMNS))
        self._phases: list[deque[FloatArray]] = [deque(maxlen=_PHASES) for _ in _FEET]
        self._fresh = [False, False]
        self._held = [False, False]
        self._set_s: list[float | None] = [None, None]
        self._pending_s: list[float | None] = [None, None]
        self._raw: deque[PairBlock] = deque()
        self.moved: FloatArray | None = None

    def net(self, block: PairBlock) -> PairBlock:
        """Return the rows net of the baseline.

        The block must be one of `pieces`: within it the baseline does not move.
        """
        self._raw.append(block)
        # a phase confirmed at the piece's first row began up to 4 s before it
        oldest = block.first + len(block) - self.refresh - round(4.0 * self._rate_hz)
        while self._raw[0].first + len(self._raw[0]) <= oldest:
            self._raw.popleft()
        self.moved = None
        if block.first % self.refresh == 0 and any(self._fresh):
            before = self._offset.copy()
            self._move()
            self.moved = self._offset - before
        if self._set_s[0] is None and self._set_s[1] is None:
            return block
        return PairBlock(
            block.first, block.t_s, block.left - self._offset[0], block.right - self._offset[1]
        )

    def pieces(self, block: PairBlock) -> Iterator[PairBlock]:
        """Cut a block where the baseline may move; `learn` is to be called after each piece.

        It moves by swing phases that are confirmed, and a step is confirmed while its foot is off
        the ground: up to the first fixed row after such a row nothing can move it.
        """
        n, start = len(block), 0
        while start < n:
            stop = n
            row = block.first + start
            if (row + n - start - 1) // self.refresh > row // self.refresh:
                if not any(self._fresh):
                    row += self._first_off(block, start)
                stop = min((row // self.refresh + 1) * self.refresh - block.first, n)
            yield block.slice(start, stop) if stop - start < n else block
            start = stop

    def _first_off(self, block: PairBlock, start: int) -> int:
        """Return how many rows from `start` on surely have both feet on the ground."""
        least = [
            total_load(values[start:]) - total_load(self._offset[k][None])
            for k, values in enumerate((block.left, block.right))
        ]
        off = ~(np.minimum(*least) >= self._air_n)
        return int(np.argmax(off)) if off.any() else len(off)

    def learn(self, airs: list[AirPhase]) -> None:
        """Take confirmed swing phases; the baseline moves by them at the next fixed row."""
        for air in airs:
            k = _FEET.index(air.foot)
            t_s, values = self._rows(air.foot, *air.middle)
            phase = air_offset(values)
            if phase is None:
                continue
            self._phases[k].append(phase)
            self._fresh[k] = True
            self._pending_s[k] = float(t_s[-1])

    def learn_held(self, airs: list[HeldAir]) -> None:
        """Take what feet held in the air read; it takes the place of all that was learnt before.

        One is enough: it was held for as long as many swing phases together.
        """
        for air in airs:
            k = _FEET.index(air.foot)
            self._phases[k].clear()
            self._phases[k].append(air.offset)
            self._fresh[k] = self._held[k] = True
            self._pending_s[k] = air.t_s

    def _rows(self, foot: Foot, start: int, stop: int) -> tuple[FloatArray, FloatArray]:
        """Return times and columns of a foot's kept rows from `start` to stop − 1."""
        found: list[PairBlock] = []
        for block in reversed(self._raw):
            if block.first + len(block) <= start:
                break
            low, high = max(start - block.first, 0), min(stop - block.first, len(block))
            if low < high:
                found.append(block.slice(low, high))
        if not found:
            return np.empty(0), np.empty((0, N_COLUMNS))
        rows = PairBlock.join(found[::-1])
        return rows.t_s, rows.foot(foot)

    def state(self, foot: Foot) -> BaselineState:
        """Return what is shown of a foot's baseline."""
        k = _FEET.index(foot)
        loads = [float(total_load(p[None])[0]) for p in self._phases[k]]
        return BaselineState(
            load_n=float(total_load(self._offset[k][None])[0]),
            error_n=float(np.std(loads, ddof=1)) if len(loads) > 1 else None,
            set_s=self._set_s[k],
        )

    def _move(self) -> None:
        for k in range(2):
            if self._fresh[k] and (self._held[k] or len(self._phases[k]) >= _LEAST_PHASES):
                self._offset[k] = np.median(np.array(self._phases[k]), axis=0)
                self._set_s[k] = self._pending_s[k]
                self._fresh[k] = False
