"""Extremes over a window that moves along a signal, in few passes however long the window.

By NumPy alone: importing SciPy's filters takes a third of a second at each start of a program.
"""

import numpy as np

from plantigrade.block import FloatArray


def trailing_min(x: FloatArray, width: int) -> FloatArray:
    """Return the least of each sample and the width − 1 before it, shape (n,).

    NaN samples do not count; +inf where there is no other.
    """
    filled = np.where(np.isnan(x), np.inf, x)
    return _extremes(np.minimum, filled, width)


def trailing_max(x: FloatArray, width: int) -> FloatArray:
    """Return the greatest of each sample and the width − 1 before it; see `trailing_min`."""
    filled = np.where(np.isnan(x), -np.inf, x)
    return _extremes(np.maximum, filled, width)


def _extremes(extreme: np.ufunc, x: FloatArray, width: int) -> FloatArray:
    """Return the extreme of each sample and the width − 1 before it; `x` is written over.

    The extreme of a window is that of two shorter ones that cover it, which may overlap: each
    pass doubles the length.
    """
    reach = 1
    while reach < min(width, len(x)):
        step = min(reach, width - reach)
        x[step:] = extreme(x[step:], x[:-step])
        reach += step
    return x


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
