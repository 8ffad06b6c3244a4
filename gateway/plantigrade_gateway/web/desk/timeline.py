"""The whole time line of a session as a chart: each foot's load, the lead share, what happened."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import Analysis, Mark, swing_time
from plantigrade_gateway.web.desk.chartdata import Data, merged
from plantigrade_gateway.web.desk.view import View

ROWS = ("swings", "steps right", "steps left", "stands", "set, check")
"""What happened, a row each, from below."""

_LONGEST_NAME = 18
_LEAST_TOP_BW = 0.2


def view_data(view: View) -> Data:
    """Return what a stretch of the time line fills into the chart."""
    shown = view.to_json()
    gaps = {f"gaps_{foot}": spans for foot, spans in shown["gaps"].items()}
    return {"sources": {**shown["curves"], **gaps}, "ranges": {}}


def session_data(view: View, found: Analysis, span: tuple[float, float]) -> Data:
    """Return what a whole session fills into the chart."""
    loads = [view.curves[foot].y for foot in ("left", "right")]
    top = max((float(np.nanmax(y)) for y in loads if np.isfinite(y).any()), default=1.0)
    ranges = {
        "time": [1000.0 * span[0], 1000.0 * max(span[1], span[0] + 0.1)],
        "load": [0.0, max(1.08 * top, _LEAST_TOP_BW)],
    }
    return merged([view_data(view), {"sources": _happened(found), "ranges": ranges}])


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
        "marks": _marks(found.marks),
    }


def _spans(spans: Sequence[tuple[float, float]]) -> dict[str, list[Any]]:
    return {
        "left": [round(1000.0 * a, 3) for a, _ in spans],
        "right": [round(1000.0 * b, 3) for _, b in spans],
    }


def _marks(marks: Sequence[Mark]) -> dict[str, list[Any]]:
    return {
        "t": [round(1000.0 * mark.t_s, 3) for mark in marks],
        "row": [ROWS[-1]] * len(marks),
        "name": [formats.printable(mark.text).strip()[:_LONGEST_NAME] for mark in marks],
    }
