"""A stretch of the time line as a screen shows it: three curves of few points, and the gaps."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade_gateway.web.desk.chartdata import plain
from plantigrade_gateway.web.desk.pieces import Stretch
from plantigrade_gateway.web.desk.reduce import Curve, missing_spans, reduce_curve

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
