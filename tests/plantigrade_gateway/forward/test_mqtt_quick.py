"""A broker's topics and messages, by `hardware_notes/mqtt_topics.md`, letter by letter."""

import dataclasses
import json

import pytest
from tests.plantigrade_gateway.forward.test_lines import item
from tests.support.records import step

from plantigrade_gateway.forward import mqtt

NINE_MS = 1_772_442_000_250  # date -u -d 2026-03-02T09:00:00 +%s, and a quarter of a second


def test_topics_name_version_site_and_bay():
    assert mqtt.base("north", "b1") == "plantigrade/v1/north/b1"
    one = item(step(100))
    assert mqtt.topic(one) == "events/step"
    assert mqtt.topic(dataclasses.replace(one, kind="link")) == "link"


def test_a_state_has_the_bay_s_time_and_a_will_has_none():
    assert mqtt.state("online", NINE_MS) == (
        '{"v":1,"state":"online","time":"2026-03-02T09:00:00.250Z"}'
    )
    assert mqtt.state("away", None) == '{"v":1,"state":"away","time":null}'


def test_a_message_of_the_moment_is_without_what_it_is_called_inside():
    assert mqtt.live({"type": "live", "t_s": 1.5}) == '{"v":1,"t_s":1.5}'
    with pytest.raises(ValueError, match="JSON"):
        mqtt.live({"type": "live", "t_s": float("nan")})


def test_an_event_has_its_session_and_its_body_as_it_is_stored():
    one = dataclasses.replace(
        item(step(100)),
        point_id="aa",
        time_ms=NINE_MS,
        session="5e",
        player=None,
        source="insoles",
        revision=3,
        text='{"a": 1.50}',
    )
    found = mqtt.payload(one)
    assert found.endswith(',"body":{"a": 1.50}}')
    table = json.loads(found)
    kept = {key: table.pop(key) for key in ("v", "id", "kind", "time", "body")}
    assert kept == {
        "v": 1,
        "id": "aa",
        "kind": "step",
        "time": "2026-03-02T09:00:00.250Z",
        "body": {"a": 1.5},
    }
    of_session = {"session": "5e", "player": None, "source": "insoles", "revision": 3}
    assert table == {**of_session, "foot": one.name}


def test_a_set_is_named_by_its_number_and_a_link_is_of_no_session():
    one = item(step(100))
    of_set = json.loads(mqtt.payload(dataclasses.replace(one, kind="set", name="2")))
    assert of_set["set"] == 2
    link = json.loads(mqtt.payload(dataclasses.replace(one, kind="link", name="left")))
    assert not {"session", "player", "source", "revision"} & set(link)
    assert link["foot"] == "left"
