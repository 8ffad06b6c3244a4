"""All swings of a set laid over each other at their shifts, with mean and band."""

from bokeh.models import Range1d

from plantigrade.block import Foot
from plantigrade_gateway.web.desk.charts.parts import (
    PALETTES,
    Figure,
    Palette,
    axis_range,
    chart,
    line,
    source,
    text_of,
)
from plantigrade_gateway.web.desk.sets import AFTER_S, BEFORE_S


def set_chart(theme: str, lead: Foot) -> str:
    """Return the chart, without data, as JSON text.

    Sources for each of `CURVES`: ``NAME_each`` (xs, ys), ``NAME_band`` (xs, ys), ``NAME_mean``
    (t, mean). Ranges: ``time`` (s), ``load``.
    """
    palette = PALETTES[theme]
    time, load = axis_range(-BEFORE_S, AFTER_S, "time"), axis_range(0.0, 1.0, "load")
    whole = axis_range(0.0, 1.0)
    figures = [
        _panel("share", "lead share", palette.share, "solid", time, whole, palette),
        _panel("lead", f"lead ({lead})\nabout × BW", palette.lead, "solid", time, load, palette),
        _panel(
            "trail",
            f"trail ({lead.other})\nabout × BW",
            palette.trail,
            "dashed",
            time,
            load,
            palette,
        ),
        _panel(
            "cop",
            "trail CoP,\n% of length",
            palette.trail,
            "dashed",
            time,
            axis_range(0.0, 100.0),
            palette,
            "time from the shift, s",
        ),
    ]
    return text_of(figures)


def _panel(
    name: str,
    title: str,
    colour: str,
    dash: str,
    time: Range1d,
    y_range: Range1d,
    palette: Palette,
    x_title: str = "",
) -> Figure:
    made = chart(palette, time, title, y_range, 180 if x_title else 140, x_title=x_title)
    made.patches(
        "xs",
        "ys",
        source=source(f"{name}_band", "xs", "ys"),
        color=colour,
        alpha=0.2,
        line_alpha=0.0,
    )
    each = source(f"{name}_each", "xs", "ys")
    made.multi_line(
        "xs", "ys", source=each, line_color=palette.muted, line_width=0.8, line_alpha=0.7
    )
    line(made, source(f"{name}_mean", "t", "mean"), "mean", colour, dash, 2.5)
    made.vspan(x=0.0, line_color=palette.muted, line_width=1)
    return made
