"""One swing as a chart: regional loads of both feet and the lead share about the shift."""

from collections.abc import Iterable

from bokeh.models import ColumnDataSource, Range1d

from plantigrade.block import Foot
from plantigrade.zones import REGIONS
from plantigrade_gateway.web.desk.charts.parts import (
    PALETTES,
    REGION_DASHES,
    Figure,
    Palette,
    axis_range,
    chart,
    line,
    moments,
    named,
    source,
    text_of,
)
from plantigrade_gateway.web.desk.swing import roles


def swing_chart(theme: str, lead: Foot) -> str:
    """Return the chart, without data, as JSON text.

    Sources: ``lead``, ``trail`` (t, heel, midfoot, forefoot, toes), ``share`` (t, y), ``moments``,
    ``push`` (t, at, name), ``lift`` (left, right), ``cursor`` (t, at, name), ``place`` and ``way``
    (t, y), ``levels`` (t, y, at, name), ``least`` (left, right), ``heel_limit`` (y). Ranges:
    ``time`` (s), ``load``.
    """
    palette = PALETTES[theme]
    time, load = axis_range(0.0, 1.0, "time"), axis_range(0.0, 1.0, "load")
    cursor, marks = source("cursor", "t"), source("moments", "t", "at", "name")
    figures = [_regions(role, foot, time, load, palette) for role, foot in roles(lead)]
    lift = source("lift", "left", "right")
    figures[0].vstrip(
        "left", "right", source=lift, fill_color=palette.lead, fill_alpha=0.12, line_color=None
    )
    moments(figures[0], palette, marks, with_names=True)
    moments(figures[1], palette, marks, with_names=False)
    push = source("push", "t", "at", "name")
    moments(figures[1], palette, push, with_names=True)
    limit = source("heel_limit", "y")
    figures[0].hspan("y", source=limit, line_color=palette.warn, line_dash="dashed")
    figures.append(_place(time, (marks, push), palette))
    title = "time from the shift, s"
    share = chart(palette, time, "lead share", axis_range(0.0, 1.0), 170, x_title=title)
    line(share, source("share", "t", "y"), "y", palette.share)
    moments(share, palette, marks, with_names=False)
    figures.append(share)
    for made in figures:
        made.vspan("t", source=cursor, line_color=palette.warn, line_width=2)
    return text_of(figures)


def _place(time: Range1d, marks: Iterable[ColumnDataSource], palette: Palette) -> Figure:
    """Draw where the trail foot's load lies, and the limits that name the push."""
    made = chart(palette, time, "trail CoP\nfrom the heel", axis_range(0.0, 1.0), 190)
    made.vstrip(
        "left",
        "right",
        source=source("least", "left", "right"),
        fill_color=palette.trail,
        fill_alpha=0.2,
        line_color=None,
    )
    line(made, source("place", "t", "y"), "y", palette.muted)
    line(made, source("way", "t", "y"), "y", palette.trail, width=3.0)
    levels = source("levels", "t", "y", "at", "name")
    made.hspan("y", source=levels, line_color=palette.warn, line_dash="dashed")
    made.text(
        "t",
        "at",
        "name",
        source=levels,
        x_offset=3,
        text_baseline="bottom",
        text_font_size="11px",
        text_color=palette.ink,
    )
    for some in marks:
        moments(made, palette, some, with_names=False)
    return made


def _regions(role: str, foot: Foot, time: Range1d, load: Range1d, palette: Palette) -> Figure:
    made = chart(palette, time, f"{role} ({foot})\nabout × BW", load, 190)
    data = source(role, "t", *REGIONS)
    lines = [
        (region, line(made, data, region, colour, dash, 2.0))
        for region, colour, dash in zip(REGIONS, palette.regions, REGION_DASHES, strict=True)
    ]
    named(made, palette, lines)
    return made
