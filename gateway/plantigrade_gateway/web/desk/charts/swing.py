"""One swing as a chart: regional loads of both feet and the lead share about the shift."""

from bokeh.models import Range1d

from plantigrade.block import Foot
from plantigrade.zones import REGIONS
from plantigrade_gateway.web.desk.charts.palette import PALETTES, REGION_DASHES, Palette
from plantigrade_gateway.web.desk.charts.parts import (
    Figure,
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
    ``push`` (t, at, name), ``lift`` (left, right), ``cursor`` (t, at, name). Ranges: ``time`` (s),
    ``load``.
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
    moments(figures[1], palette, source("push", "t", "at", "name"), with_names=True)
    title = "time from the shift, s"
    share = chart(palette, time, "lead share", axis_range(0.0, 1.0), 170, x_title=title)
    line(share, source("share", "t", "y"), "y", palette.share)
    moments(share, palette, marks, with_names=False)
    figures.append(share)
    for made in figures:
        made.vspan("t", source=cursor, line_color=palette.warn, line_width=2)
    return text_of(figures)


def _regions(role: str, foot: Foot, time: Range1d, load: Range1d, palette: Palette) -> Figure:
    made = chart(palette, time, f"{role} ({foot})\nabout × BW", load, 190)
    data = source(role, "t", *REGIONS)
    lines = [
        (region, line(made, data, region, colour, dash, 2.0))
        for region, colour, dash in zip(REGIONS, palette.regions, REGION_DASHES, strict=True)
    ]
    named(made, palette, lines)
    return made
