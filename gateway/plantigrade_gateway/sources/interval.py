"""How long a link's connection interval really is, from the moments at which its packets came.

No system tells it the same way, and most do not tell it. But all that an insole sends comes at
connection events: moments that lie whole intervals apart.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

STEP_MS = 1.25
"""Intervals are whole numbers of these (`gatt_profile.md` §5)."""
STEPS = np.arange(6, 161)
"""Looked for: 7.5 to 200 ms (ours)."""
KEPT_DATA, KEPT_ANSWERS = 200, 24
LEAST_DATA, LEAST_ANSWERS = 50, 8
IN_STEP, ANSWERS_IN_STEP = 0.8, 0.6
"""Mean resultant length of the phases (1: all alike, 0: anywhere) from which moments are in step
with an interval (ours); the answers, which come at random moments, tell an interval from its
multiples that the data alone would fit too."""


class IntervalMeter:
    """Measures one link's connection interval."""

    def __init__(self) -> None:
        self._data: deque[int] = deque(maxlen=KEPT_DATA)
        self._answers: deque[int] = deque(maxlen=KEPT_ANSWERS)

    def data(self, arrival_ns: int) -> None:
        """Note when a data packet came."""
        self._data.append(arrival_ns)

    def answer(self, arrival_ns: int) -> None:
        """Note when an answer of the control point came."""
        self._answers.append(arrival_ns)

    def interval_ms(self) -> float | None:
        """Return the interval, ms; None where too little came, or it came out of step."""
        if len(self._data) < LEAST_DATA or len(self._answers) < LEAST_ANSWERS:
            return None
        origin_ns = self._data[0]
        data_ms = (np.array(self._data, dtype=np.int64) - origin_ns) / 1e6
        answers_ms = (np.array(self._answers, dtype=np.int64) - origin_ns) / 1e6
        fits = (_resultant(data_ms) >= IN_STEP) & (_resultant(answers_ms) >= ANSWERS_IN_STEP)
        return float(STEPS[fits][-1] * STEP_MS) if fits.any() else None


def _resultant(at_ms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much alike the phases of moments are in each interval looked for."""
    turns = at_ms[:, None] / (STEPS * STEP_MS)
    length: NDArray[np.float64] = np.abs(np.exp(2j * np.pi * turns).mean(axis=0))
    return length
