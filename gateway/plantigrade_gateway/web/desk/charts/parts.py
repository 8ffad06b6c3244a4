"""What the desk's charts have in common: axes, colours, lines, marked moments.

A chart is made once for each theme and lead foot, without data: making its models takes Bokeh half
a second. The page's module fills the sources and ranges, found by their names, with what
`curves.Data` holds. No behaviour is in a chart: a strict content policy allows no script
within one.

Hues are never the only sign: lead lines are solid and trail lines dashed, regions differ in their
dashes, and every line is named. The scale of load is the live page's (`static/scale.js`).
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from bokeh.embed import json_item
from bokeh.layouts import column
from bokeh.models import (
    ColumnDataSource,
    DatetimeTickFormatter,
    FactorRange,
    NoOverlap,
    PanTool,
    Range1d,
    WheelZoomTool,
)
from bokeh.models.annotations import Legend, LegendItem
from bokeh.plotting import figure


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one theme; those of `static/base.css` where it has them."""

    ink: str
    muted: str
    line: str
    lead: str
    trail: str
    share: str
    warn: str
    regions: tuple[str, str, str, str]


LIGHT = Palette(
    ink="#14181d",
    muted="#4b5560",
    line="#c3cad1",
    lead="#0b4f8a",
    trail="#8a4b00",
    share="#14181d",
    warn="#8c2f00",
    regions=("#00204c", "#5a6069", "#857b25", "#a8480f"),
)
DARK = Palette(
    ink="#f0f3f5",
    muted="#b2bcc6",
    line="#3d4751",
    lead="#8cc2ff",
    trail="#f2b45c",
    share="#f0f3f5",
    warn="#ffb08a",
    regions=("#8cc2ff", "#c3c9cf", "#ffea46", "#f2a07c"),
)
PALETTES = {"light": LIGHT, "dark": DARK, "sun": LIGHT}
"""By the name of a theme; pages ask for one of them."""

REGION_DASHES = ("solid", "dashed", "dotdash", "dotted")
"""Heel, midfoot, forefoot, toes."""


Figure = Any
"""Bokeh's figure, which makes its methods at run time."""

_LEFT_MARGIN_PX = 92  # the longest name of a row
_SMALL, _USUAL = "11px", "12px"


def text_of(figures: Sequence[Figure]) -> str:
    """Return charts that stand below each other as JSON text for Bokeh's ``embed_item``."""
    for made in figures:
        pan, zoom = PanTool(dimensions="width"), WheelZoomTool(dimensions="width")
        zoom.modifiers = {"ctrl": True}  # the wheel alone scrolls the page
        made.add_tools(pan, zoom)
        made.toolbar.active_drag = pan
        made.toolbar.active_scroll = zoom
    return json.dumps(json_item(column(*figures, sizing_mode="stretch_width", spacing=0)))


def chart(
    palette: Palette,
    x_range: Range1d,
    y_title: str,
    y_range: Range1d | list[str],
    height: int = 130,
    *,
    x_title: str = "",
    is_clock: bool = False,
) -> Figure:
    """Return an empty chart in the pages' colours.

    Parameters
    ----------
    palette : Palette
    x_range : Range1d
        Shared by the charts that stand below each other.
    y_title : str
        With its unit.
    y_range : Range1d or list of str
        The names of rows, from below, where it is a list.
    height : int
        Pixels.
    x_title : str
        With its unit; none: the axis has no numbers either, the chart below has them.
    is_clock : bool
        x is session time, ms, and shown as hours, minutes and seconds.
    """
    made: Figure = figure(
        height=height,
        sizing_mode="stretch_width",
        x_range=x_range,
        y_range=FactorRange(factors=y_range) if isinstance(y_range, list) else y_range,
        x_axis_type="datetime" if is_clock else "linear",
        toolbar_location=None,
        tools="",
        min_border_left=_LEFT_MARGIN_PX,
        min_border_right=12,
        background_fill_alpha=0.0,
        border_fill_alpha=0.0,
        outline_line_color=palette.line,
    )
    for axis in (made.xaxis, made.yaxis):
        axis.axis_line_color = axis.major_tick_line_color = palette.muted
        axis.minor_tick_line_color = None
        axis.major_label_text_color = axis.axis_label_text_color = palette.ink
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = axis.major_label_text_font_size = _USUAL
    made.grid.grid_line_color = palette.line
    made.yaxis.axis_label = y_title
    if not isinstance(y_range, list):
        made.yaxis.ticker.desired_num_ticks = 4
    if is_clock:
        made.xaxis.formatter = _clock_format()
    made.xaxis.major_label_policy = NoOverlap(min_distance=8)  # on a phone there is little room
    made.xaxis.axis_label = x_title or None
    if not x_title:
        made.xaxis.major_label_text_font_size = "0px"
    return made


def source(name: str, *columns: str) -> ColumnDataSource:
    """Return an empty source that the page's module finds by its name."""
    return ColumnDataSource({column: [] for column in columns}, name=name)


def line(
    made: Figure,
    data: ColumnDataSource,
    y: str,
    colour: str,
    dash: str = "solid",
    width: float = 1.5,
) -> Any:  # noqa: ANN401
    """Draw a line from the columns ``t`` and `y` of a source; NaN breaks it."""
    return made.line("t", y, source=data, line_color=colour, line_dash=dash, line_width=width)


def named(made: Figure, palette: Palette, lines: Iterable[tuple[str, Any]]) -> None:
    """Put the names of lines above a chart."""
    options: dict[str, Any] = {"padding": 0, "margin": 2}
    options["items"] = [LegendItem(label=name, renderers=[glyph]) for name, glyph in lines]
    legend = Legend(
        orientation="horizontal",
        label_text_color=palette.ink,
        label_text_font_size=_USUAL,
        background_fill_alpha=0.0,
        border_line_alpha=0.0,
        spacing=14,
        glyph_width=34,
        **options,
    )
    made.add_layout(legend, "above")


def moments(made: Figure, palette: Palette, data: ColumnDataSource, *, with_names: bool) -> None:
    """Mark moments (columns ``t``, ``name``) by upright lines, their names at the top."""
    made.vspan("t", source=data, line_color=palette.muted, line_width=1)
    if with_names:
        made.text(
            "t",
            "at",
            "name",
            source=data,
            x_offset=3,
            y_offset=2,
            text_baseline="top",
            text_font_size=_SMALL,
            text_color=palette.ink,
        )


def axis_range(low: float, high: float, name: str | None = None, **options: float) -> Range1d:
    """Return a range of an axis; the page's module finds a named one."""
    return Range1d(start=low, end=high, name=name, **options)  # type: ignore[arg-type]


def _clock_format() -> DatetimeTickFormatter:
    whole, parts = "%H:%M:%S", "%H:%M:%S.%3N"
    return DatetimeTickFormatter(
        microseconds=parts,
        milliseconds=parts,
        seconds=whole,
        minsec=whole,
        minutes=whole,
        hourmin=whole,
        hours=whole,
        days=whole,
        months=whole,
        years=whole,
    )
