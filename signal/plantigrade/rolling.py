"""Extremes over a window that moves along a signal, in one pass however long the window."""

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


def still_windows(x: FloatArray, width: int, within: float, missing: int = 0) -> np.ndarray:
    """Return where the windows of `width` samples stay within a range.

    Returns
    -------
    ndarray of bool, shape (n − width + 1,)
        For the window that begins at each sample; False where it holds more than `missing` NaN.
        Empty where the signal is shorter than the window.
    """
    if len(x) < width:
        return np.empty(0, dtype=bool)
    gone = np.isnan(x)
    still: np.ndarray = (trailing_max(x, width) - trailing_min(x, width) <= within)[width - 1 :]
    if gone.any():
        holes = np.concatenate(([0], np.cumsum(gone)))
        still &= holes[width:] - holes[:-width] <= missing
    return still


def longest_span(flags: np.ndarray) -> tuple[int, int]:
    """Return the longest stretch of True, start and stop; the first of several, 0, 0 of none."""
    if not flags.any():
        return 0, 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    k = 2 * int((edges[1::2] - edges[::2]).argmax())
    return int(edges[k]), int(edges[k + 1])


def longest(flags: np.ndarray) -> int:
    """Return the length of the longest stretch of True, samples."""
    start, stop = longest_span(flags)
    return stop - start
