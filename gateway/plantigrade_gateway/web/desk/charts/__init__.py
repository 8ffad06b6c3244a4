"""The desk's charts as Bokeh documents without data. Importing this takes Bokeh a second."""

from collections.abc import Callable
from functools import cache

from plantigrade.block import Foot
from plantigrade_gateway.web.desk.charts.overlay import set_chart
from plantigrade_gateway.web.desk.charts.parts import PALETTES
from plantigrade_gateway.web.desk.charts.swing import swing_chart
from plantigrade_gateway.web.desk.charts.timeline import timeline_chart

CHARTS: dict[str, Callable[[str, Foot], str]] = {
    "timeline": timeline_chart,
    "swing": swing_chart,
    "set": set_chart,
}


@cache
def chart(name: str, theme: str, lead: Foot) -> str | None:
    """Return a chart as JSON text; None where there is none of that name or theme."""
    if name not in CHARTS or theme not in PALETTES:
        return None
    return CHARTS[name](theme, lead)
