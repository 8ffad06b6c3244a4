"""A long curve as few points as a screen can show: the lowest and the highest row of each column.

A column is a stretch of time as wide as a pixel. What is given back are rows of the curve, at their
own times; none is made up. Missing rows break the line, however few they are.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray

POINTS_PER_COLUMN = 2
"""The lowest and the highest row; a break in the line comes beside them."""


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Points to be joined by straight lines.

    Attributes
    ----------
    t_s, y : ndarray of float64, shape (n,)
        Rising times and values; a NaN in both breaks the line.
    rows : int
        How many rows with a value they stand for.
    whole : bool
        They are all of the rows, none was left out.
    """

    t_s: FloatArray
    y: FloatArray
    rows: int
    whole: bool


def reduce_curve(t_s: FloatArray, y: FloatArray, width: int) -> Curve:
    """Reduce a curve to what `width` columns can show.

    Parameters
    ----------
    t_s : ndarray of float64, shape (n,)
        Strictly rising times.
    y : ndarray of float64, shape (n,)
        NaN where missing.
    width : int
        Columns, at least 1; they divide the time from the first row to the last evenly.

    Returns
    -------
    Curve
        All rows where there are no more than two a column; else of each column the first of its
        lowest and the first of its highest rows. Between two points with a missing row between
        them stands a NaN.
    """
    there = np.flatnonzero(~np.isnan(y))
    if len(t_s) <= POINTS_PER_COLUMN * width:
        return _broken(t_s, y, there, len(there), whole=True)
    span_s = float(t_s[-1] - t_s[0])
    column = np.minimum(((t_s[there] - t_s[0]) * (width / span_s)).astype(np.int64), width - 1)
    kept = there[_extremes(y[there], column)] if len(there) else there
    return _broken(t_s, y, kept, len(there), whole=False)


def missing_spans(t_s: FloatArray, y: FloatArray, row_s: float) -> list[tuple[float, float]]:
    """Return from when to when rows are missing, each from the row before to the row after."""
    gone = np.isnan(y)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], gone, [False])).astype(np.int8)))
    spans = []
    for start, stop in edges.reshape(-1, 2).tolist():
        begin = t_s[start - 1] if start else t_s[0] - row_s
        end = t_s[stop] if stop < len(t_s) else t_s[-1] + row_s
        spans.append((float(begin), float(end)))
    return spans


def _extremes(y: FloatArray, column: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return where each column's first lowest and first highest value stand, in rising order."""
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    which = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(y)))
    chosen = np.zeros(len(y), dtype=np.bool_)
    for best in (np.minimum.reduceat(y, starts), np.maximum.reduceat(y, starts)):
        hits = np.flatnonzero(y == best[which])
        chosen[hits[np.diff(which[hits], prepend=-1) > 0]] = True
    return np.flatnonzero(chosen)


def _broken(
    t_s: FloatArray, y: FloatArray, kept: NDArray[np.int64], rows: int, *, whole: bool
) -> Curve:
    """Return the kept rows with a NaN wherever a row between two of them is missing."""
    gaps = np.concatenate(([0], np.cumsum(np.isnan(y))))
    breaks = np.flatnonzero(np.diff(gaps[kept]) > 0) + 1
    return Curve(
        np.insert(t_s[kept], breaks, np.nan), np.insert(y[kept], breaks, np.nan), rows, whole
    )
