"""The whole time line of a session as a chart: each foot's load, the lead share, what happened."""

from typing import Any

import numpy as np
from bokeh.models import HoverTool, Range1d, TapTool

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
from plantigrade_gateway.web.desk.timeline import ROWS

_SHORTEST_MS = 50.0  # that can be zoomed to


def timeline_chart(theme: str, lead: Foot) -> str:
    """Return the chart, without data, as JSON text.

    Sources: ``left``, ``right``, ``share`` (t, y), ``gaps_left``, ``gaps_right`` (left, right),
    ``swings``, ``steps``, ``stands`` (left, right, row …), ``marks`` and ``notes`` (t, row, name).
    Ranges: ``time`` (ms), ``load``.
    """
    palette = PALETTES[theme]
    time = axis_range(0.0, 1.0, "time", min_interval=_SHORTEST_MS)
    load = axis_range(0.0, 1.0, "load")
    figures = [_load(foot, foot is lead, time, load, palette) for foot in (lead, lead.other)]
    share = chart(palette, time, "lead share", axis_range(0.0, 1.0), 110, is_clock=True)
    line(share, source("share", "t", "y"), "y", palette.share, width=1.2)
    return text_of([*figures, share, _events(time, palette)])


def _load(foot: Foot, is_lead: bool, time: Range1d, load: Range1d, palette: Palette) -> Figure:
    role = "lead" if is_lead else "trail"
    made = chart(palette, time, f"{role} ({foot})\nabout × BW", load, is_clock=True)
    made.vstrip(
        "left",
        "right",
        source=source(f"gaps_{foot}", "left", "right"),
        fill_alpha=0.15,
        fill_color=palette.warn,
        line_color=palette.warn,
        line_alpha=0.4,
        hatch_pattern="/",
        hatch_color=palette.warn,
        hatch_alpha=0.6,
    )
    colour, dash = (palette.lead, "solid") if is_lead else (palette.trail, "dashed")
    line(made, source(str(foot), "t", "y"), "y", colour, dash)
    return made


def _events(time: Range1d, palette: Palette) -> Figure:
    title = "session time, h:min:s"
    made = chart(palette, time, "", list(ROWS), 195, x_title=title, is_clock=True)
    made.y_range.range_padding = 0.05
    swings = source("swings", "left", "right", "row", "n", "words")
    bars = _bars(made, swings, palette.lead)
    _bars(made, source("steps", "left", "right", "row"), palette.muted)
    _bars(made, source("stands", "left", "right", "row"), palette.share)
    about = [("swing", "@n"), ("push", "@words")]
    made.add_tools(HoverTool(renderers=[bars], tooltips=about), TapTool(renderers=[bars]))
    for name in ("marks", "notes"):
        _names(made, source(name, "t", "row", "name"), palette)
    return made


def _names(made: Figure, marks: Any, palette: Palette) -> None:  # noqa: ANN401
    """Draw a stroke at each instant and its name beside it."""
    made.scatter(
        "t", "row", marker="dash", angle=np.pi / 2, size=18, source=marks, line_color=palette.ink
    )
    made.text(
        "t",
        "row",
        "name",
        x_offset=4,
        source=marks,
        text_color=palette.ink,
        text_font_size="11px",
        text_baseline="middle",
    )


def _bars(made: Figure, data: Any, colour: str) -> Any:  # noqa: ANN401
    return made.hbar(
        y="row",
        left="left",
        right="right",
        height=0.6,
        source=data,
        fill_color=colour,
        line_color=colour,
        nonselection_fill_alpha=1.0,
        nonselection_line_alpha=1.0,
    )
