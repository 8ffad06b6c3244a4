"""Extremes over a window that moves along a signal, in one pass however long the window."""

from collections import deque

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from plantigrade.block import FloatArray


def trailing_min(x: FloatArray, width: int) -> FloatArray:
    """Return the least of each sample and the width − 1 before it, shape (n,).

    NaN samples do not count; +inf where there is no other.
    """
    filled = np.where(np.isnan(x), np.inf, x)
    least: FloatArray = minimum_filter1d(
        filled, width, mode="constant", cval=np.inf, origin=(width - 1) // 2
    )
    return least


def trailing_max(x: FloatArray, width: int) -> FloatArray:
    """Return the greatest of each sample and the width − 1 before it; see `trailing_min`."""
    filled = np.where(np.isnan(x), -np.inf, x)
    greatest: FloatArray = maximum_filter1d(
        filled, width, mode="constant", cval=-np.inf, origin=(width - 1) // 2
    )
    return greatest


class RunningRange:
    """Least and greatest of the last `width` samples of a signal that comes sample by sample.

    Parameters
    ----------
    width : int
    """

    def __init__(self, width: int) -> None:
        self._width = width
        self._falling: deque[tuple[int, float]] = deque()  # what may yet be the greatest
        self._rising: deque[tuple[int, float]] = deque()

    def push(self, index: int, value: float) -> tuple[float, float]:
        """Take the sample at an index above the last one's, no NaN; return least and greatest."""
        rising, falling, gone = self._rising, self._falling, index - self._width
        while rising and rising[-1][1] >= value:
            rising.pop()
        rising.append((index, value))
        while falling and falling[-1][1] <= value:
            falling.pop()
        falling.append((index, value))
        while rising[0][0] <= gone:
            rising.popleft()
        while falling[0][0] <= gone:
            falling.popleft()
        return rising[0][1], falling[0][1]


def still_windows(x: FloatArray, width: int, within: float) -> np.ndarray:
    """Return where the windows of `width` samples stay within a range.

    Returns
    -------
    ndarray of bool, shape (n − width + 1,)
        For the window that begins at each sample; False where it holds a NaN. Empty where the
        signal is shorter than the window.
    """
    if len(x) < width:
        return np.empty(0, dtype=bool)
    missing = np.isnan(x)
    still: np.ndarray = (trailing_max(x, width) - trailing_min(x, width) <= within)[width - 1 :]
    if missing.any():
        holes = np.concatenate(([0], np.cumsum(missing)))
        still &= holes[width:] == holes[:-width]
    return still


def longest(flags: np.ndarray) -> int:
    """Return the length of the longest stretch of True, samples."""
    if not flags.any():
        return 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return int((edges[1::2] - edges[::2]).max())
