"""Charts as they are sent to the pages, whole, against a text that was read line by line.

Their looks are ours; what their lines show is held where the data are made. Only what differs from
Bokeh's own defaults stands there, and no ids.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from plantigrade.block import Foot
from plantigrade_gateway.web.desk.charts import CHARTS, chart

WRITTEN = Path(__file__).with_name("charts.txt")
PLAIN = (
    *("AllIndices", "CDSView", "ColumnDataSource", "DatetimeTicker", "Grid"),
    *("AllLabels", "LinearScale", "CategoricalScale", "Selection", "UnionRenderers", "Title"),
    *("Toolbar", "Column", "BasicTickFormatter", "CategoricalTicker", "CategoricalTickFormatter"),
)
"""What says nothing but that it is there; the data's names stand beside its lines."""
BESIDE = ("muted_glyph", "nonselection_glyph", "selection_glyph", "hover_glyph")
SHORT = {"field", "value"}


def read(value: Any) -> Any:
    """A value, a field's name, or what a list of such holds."""
    if isinstance(value, dict):
        kind = value.get("type")
        if kind in SHORT:
            return f"<{value[kind]}>" if kind == "field" else read(value.get("value"))
        if kind == "number":
            return value["value"]
        return None
    if isinstance(value, list):
        found = [read(one) for one in value]
        return None if None in found or not found else found
    return value


def lines(item: Any, depth: int = 0) -> Iterator[str]:
    if isinstance(item, list):
        for one in item:
            yield from lines(one, depth)
        return
    if not isinstance(item, dict):
        return
    attributes = item.get("attributes", {})
    if item.get("type") != "object":
        for one in item.values():
            yield from lines(one, depth)
        return
    if item["name"] not in PLAIN or attributes.get("name"):
        said = {key: read(value) for key, value in sorted(attributes.items())}
        words = [f"{key}={value}" for key, value in said.items() if value is not None]
        yield "  " * depth + " ".join([item["name"], *words])
    for key, value in attributes.items():
        if key not in BESIDE:
            yield from lines(value, depth + 1)


def text(theme: str, lead: Foot) -> str:
    blocks = []
    for name in CHARTS:
        made = chart(name, theme, lead)
        assert made is not None
        blocks.append(f"{name}\n" + "\n".join(lines(json.loads(made)["doc"]["roots"])) + "\n")
    return "\n".join(blocks)


def test_charts_are_as_they_were_read():
    assert text("light", Foot.LEFT) == WRITTEN.read_text("utf-8")


@pytest.mark.dear
def test_another_theme_and_another_lead_foot_have_the_same_charts():
    """In other colours, and with the other foot's name."""
    light, other = WRITTEN.read_text("utf-8").split(), text("dark", Foot.RIGHT).split()
    feet = {"left": "right", "right": "left"}
    swapped = {f"{a}{foot}{z}" for foot in feet for a, z in (("(", ")"), ("name=", ""))}
    swapped |= {f"name=gaps_{foot}" for foot in feet}
    for before, after in zip(light, other, strict=True):
        if before != after:
            assert "#" in before or (before in swapped and after in swapped)
    assert {"(left)", "(right)"} <= set(light) and light != other


def test_there_is_no_other_chart_and_no_other_theme():
    assert chart("swings", "light", Foot.LEFT) is None
    assert chart("swing", "grey", Foot.LEFT) is None
