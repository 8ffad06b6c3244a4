"""Events as points: few tags, floats only, one tag set and time for one event."""

import json
import re
from pathlib import Path

import pytest
from tests.support.records import stand, step, swing

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.analysis.result import Analysis, SetSpan
from plantigrade_gateway.forward import tsdb as module
from plantigrade_gateway.forward.tsdb import CODES, flat, lines, place_tags
from plantigrade_gateway.store.enqueue import Item
from plantigrade_gateway.store.results import set_points

NOTES = Path(__file__).resolve().parents[3] / "hardware_notes"
LINE = re.compile(r"plantigrade_\w+(,[a-z]+=[\w-]+)+ (\w+=-?[\d.e+-]+)(,\w+=-?[\d.e+-]+)* \d{13}")


def item(event: object, **changes: object) -> Item:
    row = event_row("s1", event)  # type: ignore[arg-type]
    values = {
        "seq": 1,
        "point_id": row.event_id,
        "kind": row.kind,
        "name": row.foot,
        "time_ms": 1_772_355_605_243,
        "twin": 0,
        "revision": 0,
        "session": "s1",
        "player": None,
        "source": "insoles",
        "text": json.dumps(row.body),
    }
    return Item(**(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("event", [step(512), swing(700), stand(900)])
def test_a_line_has_tags_floats_and_a_time(event):
    (line,) = lines(item(event), place_tags("north", "b1"))
    assert LINE.fullmatch(line), line
    assert line.count(" ") == 2 and '"' not in line
    _, fields, time_ms = line.split(" ")
    assert int(time_ms) == 1_772_355_605_243
    values = dict(field.split("=") for field in fields.split(","))
    truth = dict(flat(event_row("s1", event).body))
    assert {k: float(v) for k, v in values.items()} == truth  # every digit


def test_texts_are_codes_and_absent_values_are_absent():
    fields = dict(flat(event_row("s1", swing(700)).body))
    assert fields["push__manner"] == CODES["push__manner"].index("rolled")
    assert fields["heel_lift__state"] == 2.0 and fields["finish_manner"] == 1.0
    assert "finish_s" not in fields and "push__toes_over_floor" not in fields
    assert fields["push__midfoot_over_floor"] == 1.0
    assert not any(key.startswith(("push__path", "lead_")) and "path" in key for key in fields)


def test_every_word_a_result_can_hold_has_a_code():
    from plantigrade.events import Bearing, HeelLiftState, Manner, Roll, Timing
    from plantigrade_gateway.sources.reconnect import ConnectionState

    for enum, key in (
        (Roll, "roll"),
        (Bearing, "bearing"),
        (HeelLiftState, "heel_lift__state"),
        (Manner, "push__manner"),
        (Timing, "push__timing"),
        (ConnectionState, "link"),
    ):
        assert set(enum) == set(CODES[key])


def test_what_tells_points_apart_is_in_the_tags():
    place = place_tags("north", "b1")
    base = lines(item(step(512)), place)[0].split(" ")[0]
    assert base == (
        "plantigrade_step,bay=b1,site=north,foot=left,revision=0,session=s1,source=insoles"
    )
    for change in ({"twin": 1}, {"revision": 1}, {"session": "s2"}, {"name": "right"}):
        assert lines(item(step(512), **change), place)[0].split(" ")[0] != base
    assert "player=p9" in lines(item(step(512), player="p9"), place)[0]


def test_the_schema_page_names_every_field_and_code():
    page = (NOTES / "tsdb_schema.md").read_text("utf-8")
    for event in (step(512), swing(700), stand(900)):
        for name, _ in flat(event_row("s1", event).body):
            short = re.sub(r"^(left|right|heel|midfoot|forefoot|toes)__", "", name)
            short = re.sub(r"^cop_y_\d\d$", "cop_y_05", short)
            assert f"`{short}`" in page or f"`{name}`" in page, name
    (point,) = set_points(
        Analysis(
            *("x", 100.0, 60.0, (), (), (), (), None),
            spans=(SetSpan("full, 7 iron", 2.0, 9.0, "5f" * 16, "full", "7 iron", True),),
        )
    )
    fields = dict(flat(point.body))
    assert (fields["start_s"], fields["intent"], fields["is_silent"]) == (2.0, 1.0, 1.0)
    assert not {"set_id", "club"} & set(fields)  # texts are no fields
    assert "`intent`" in page and "`is_silent`" in page
    for words in CODES.values():
        for code, word in enumerate(words):
            assert f"{code} {word}" in page, (code, word)
    assert module.PREFIX + "step" in page


def test_a_sample_of_a_link_says_of_which_pair():
    """Two pairs of a bay must not write over each other's points."""
    link = {"kind": "link", "name": "left", "session": None, "source": None}
    one, other = (
        lines(
            item(step(512), text=json.dumps({"packets": 7} | of_pair), **link),
            place_tags("north", "b1"),
        )
        for of_pair in ({}, {"pair": "A"})
    )
    tail = " packets=7.0 1772355605243"
    assert one == ["plantigrade_link,bay=b1,site=north,foot=left" + tail]
    assert other == ["plantigrade_link,bay=b1,site=north,foot=left,pair=A" + tail]
