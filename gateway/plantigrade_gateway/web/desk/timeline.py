"""A session's time line for a chart: a stretch of it as few points as a screen can show.

A column is a stretch of time as wide as a pixel, shown by its lowest and highest row. What is
given back are rows of the curve at their own times; none is made up. Missing rows break the line
at any zoom.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import Analysis, Mark, swing_time
from plantigrade_gateway.people.said import Note
from plantigrade_gateway.web.desk.curves import Data, Stretch, merged, plain

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


WIDTHS = (50, 4000)
"""Fewest and most columns that may be asked for."""

_USUAL_ROW_S = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """What is drawn of a stretch.

    Attributes
    ----------
    curves : dict of str to Curve
        "left" and "right" (load, about × BW) and "share" (lead share).
    gaps : dict of str to list of (float, float)
        For "left" and "right": from when to when samples are missing, s. Gaps nearer to each other
        than a column are drawn as one.
    column_s : float
        Width of a column, s.
    """

    curves: dict[str, Curve]
    gaps: dict[str, list[tuple[float, float]]]
    column_s: float

    @property
    def whole(self) -> bool:
        """Every row is drawn; none was left out."""
        return all(curve.whole for curve in self.curves.values())

    def to_json(self) -> dict[str, Any]:
        """Return curves and gaps as JSON values: times in ms, as a chart's axis has them."""
        return {
            "curves": {
                name: {"t": plain(1000.0 * curve.t_s, 3), "y": plain(curve.y)}
                for name, curve in self.curves.items()
            },
            "gaps": {
                name: {
                    "left": [round(1000.0 * a, 3) for a, _ in spans],
                    "right": [round(1000.0 * b, 3) for _, b in spans],
                }
                for name, spans in self.gaps.items()
            },
        }


def view_of(stretch: Stretch, width: int) -> View:
    """Reduce a stretch to `width` columns."""
    width = min(max(width, WIDTHS[0]), WIDTHS[1])
    series = {"left": stretch.left_bw, "right": stretch.right_bw, "share": stretch.lead_share}
    t_s = stretch.t_s
    span_s = float(t_s[-1] - t_s[0]) if len(t_s) else 0.0
    row_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else _USUAL_ROW_S
    return View(
        {name: reduce_curve(t_s, y, width) for name, y in series.items()},
        {
            name: _merged(missing_spans(t_s, series[name], row_s), span_s / width)
            for name in ("left", "right")
        },
        span_s / width,
    )


def _merged(spans: list[tuple[float, float]], nearer_s: float) -> list[tuple[float, float]]:
    merged: list[tuple[float, float]] = []
    for start, end in spans:
        if merged and start - merged[-1][1] < nearer_s:
            merged[-1] = (merged[-1][0], end)
        else:
            merged.append((start, end))
    return merged


ROWS = ("swings", "steps right", "steps left", "stands", "set, check", "notes")
"""What happened, a row each, from below."""

_LONGEST_NAME = 28
_LEAST_TOP_BW = 0.2


def view_data(view: View) -> Data:
    """Return what a stretch of the time line fills into the chart."""
    shown = view.to_json()
    gaps = {f"gaps_{foot}": spans for foot, spans in shown["gaps"].items()}
    return {"sources": {**shown["curves"], **gaps}, "ranges": {}}


def session_data(
    view: View, found: Analysis, span: tuple[float, float], notes: Sequence[Note] = ()
) -> Data:
    """Return what a whole session fills into the chart, with what people noted of it."""
    loads = [view.curves[foot].y for foot in ("left", "right")]
    top = max((float(np.nanmax(y)) for y in loads if np.isfinite(y).any()), default=1.0)
    ranges = {
        "time": [1000.0 * span[0], 1000.0 * max(span[1], span[0] + 0.1)],
        "load": [0.0, max(1.08 * top, _LEAST_TOP_BW)],
    }
    sources = {**_happened(found), "notes": _named(notes, "notes")}
    return merged([view_data(view), {"sources": sources, "ranges": ranges}])


def _happened(found: Analysis) -> dict[str, dict[str, list[Any]]]:
    ends = [s.confirmed_s if s.finish_s is None else s.finish_s for s in found.swings]
    swings = _spans([(swing_time(s), end) for s, end in zip(found.swings, ends, strict=True)])
    steps = [s for s in found.steps if s.strike_s is not None and s.off_s is not None]
    return {
        "swings": {
            **swings,
            "row": ["swings"] * len(ends),
            "n": list(range(1, len(ends) + 1)),
            "words": [words.push(s.push) for s in found.swings],
        },
        "steps": {
            **_spans([(s.strike_s or 0.0, s.off_s or 0.0) for s in steps]),
            "row": [f"steps {step.foot}" for step in steps],
        },
        "stands": {
            **_spans([(s.start_s, s.end_s) for s in found.stands]),
            "row": ["stands"] * len(found.stands),
        },
        "marks": _named(found.marks, "set, check"),
    }


def _spans(spans: Sequence[tuple[float, float]]) -> dict[str, list[Any]]:
    return {
        "left": [round(1000.0 * a, 3) for a, _ in spans],
        "right": [round(1000.0 * b, 3) for _, b in spans],
    }


def _named(marks: Sequence[Mark | Note], row: str) -> dict[str, list[Any]]:
    return {
        "t": [round(1000.0 * mark.t_s, 3) for mark in marks],
        "row": [row] * len(marks),
        "name": [_cut(formats.printable(mark.text).strip()) for mark in marks],
    }


def _cut(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
