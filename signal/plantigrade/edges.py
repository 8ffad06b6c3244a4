"""On which edge walking steps end: what an insole in the other shoe turns round.

At the end of a stance the CoP goes towards the big toe's side (from memory). With left and right
insole in each other's shoes medial is lateral, and it seems to go to the small toe's.
"""

import numpy as np

from plantigrade.block import N_COLUMNS, FloatArray, Foot, PairBlock
from plantigrade.events import Step
from plantigrade.load import centre_of_pressure
from plantigrade.rows import RowBuffer

MIDDLE, END = (0.3, 0.6), (0.8, 0.95)
"""Parts of a stance that are compared."""
KEPT_S = 12.0
"""Rows are kept for so long: a step is confirmed within it."""
LEAST_STEPS, MOST = 10, 0.8
"""Both feet must have so many steps, and so many of each end laterally, before it is said (of
three real walks none is so, and two of them are when they are mirrored)."""
_FEET = (Foot.LEFT, Foot.RIGHT)


class EdgeTally:
    """Count the steps whose CoP ends more laterally than it was in the middle.

    Attributes
    ----------
    steps, lateral : dict of Foot to int
    """

    def __init__(self) -> None:
        self.steps = dict.fromkeys(_FEET, 0)
        self.lateral = dict.fromkeys(_FEET, 0)
        self._rows: RowBuffer | None = None

    def push(self, blocks: list[PairBlock], steps: list[Step], least_n: float) -> None:
        """Take consecutive rows and the steps they confirmed.

        Parameters
        ----------
        blocks : list of PairBlock
        steps : list of Step
        least_n : float
            The load under which there is no CoP, N.
        """
        for block in blocks:
            if self._rows is None or self._rows.end != block.first:
                self._rows = RowBuffer(2 * N_COLUMNS + 1, block.first)
            rows = self._rows.append(len(block))
            rows[:, :N_COLUMNS], rows[:, N_COLUMNS:-1] = block.left, block.right
            rows[:, -1] = block.t_s
        for step in steps:
            self._take(step, least_n)
        if self._rows is not None and len(kept := self._rows.rows(0, self._rows.end)):
            old = int(kept[:, -1].searchsorted(kept[-1, -1] - KEPT_S))
            self._rows.trim(self._rows.first + old)

    @property
    def is_mirrored(self) -> bool:
        """Whether nearly all steps of both feet end on the lateral side."""
        return all(
            self.steps[foot] >= LEAST_STEPS and self.lateral[foot] >= MOST * self.steps[foot]
            for foot in _FEET
        )

    def _take(self, step: Step, least_n: float) -> None:
        if self._rows is None or step.strike_s is None or step.off_s is None or step.touches_gap:
            return
        first = max(step.first_index, self._rows.first)
        rows = self._rows.rows(first, self._rows.end)
        phase = (rows[:, -1] - step.strike_s) / (step.off_s - step.strike_s)
        at = _FEET.index(step.foot) * N_COLUMNS
        values = rows[:, at : at + N_COLUMNS]
        middle, end = (_x(values[(phase > a) & (phase < b)], least_n) for a, b in (MIDDLE, END))
        if np.isfinite(middle) and np.isfinite(end):
            self.steps[step.foot] += 1
            self.lateral[step.foot] += bool(end > middle)


def _x(values: FloatArray, least_n: float) -> float:
    """Mean CoP x; NaN where there is none."""
    x = centre_of_pressure(values, least_n)[:, 0]
    x = x[np.isfinite(x)]
    return float(x.mean()) if len(x) else np.nan
