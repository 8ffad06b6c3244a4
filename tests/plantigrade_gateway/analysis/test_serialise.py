"""The JSON of an analysis is what its page and its schema say."""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from tests.support import json_schema

from plantigrade_gateway.analysis.quality import Quality
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.analysis.result import Analysis, Mark
from plantigrade_gateway.analysis.serialise import document
from plantigrade_gateway.analysis.spans import spans_of
from plantigrade_gateway.converter import text_of
from plantigrade_gateway.sources.replay import read_replay

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def practice() -> Analysis:
    return analyse_record(read_replay(ROOT / "replay_data" / "practice.pgr"), "practice.pgr")


@pytest.fixture(scope="module")
def few(practice: Analysis) -> Analysis:
    """Return some of it: validating is slow."""
    return replace(
        practice,
        steps=practice.steps[:2],
        swings=practice.swings[:2],
        stands=practice.stands[:1],
    )


def closed(schema: Any) -> Any:
    """Return the schema with no keys allowed but those it names."""
    if isinstance(schema, list):
        return [closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: closed(value) for key, value in schema.items()}
    return {**made, "additionalProperties": False} if "properties" in made else made


VALIDATOR = jsonschema.Draft202012Validator(closed(json_schema.whole()))


def valid(values: object) -> None:
    VALIDATOR.validate(json.loads(text_of(values)))


def test_the_schema_file_is_that_of_the_classes():
    """Run ``python -m tests.support.json_schema`` when this fails, and see to the page."""
    assert json_schema.PATH.read_text("utf-8") == json_schema.text()
    jsonschema.Draft202012Validator.check_schema(json_schema.whole())


def test_the_page_names_every_key():
    page = (ROOT / "hardware_notes" / "analysis_json.md").read_text("utf-8")

    def names(schema: Any) -> set[str]:
        if isinstance(schema, list):
            return set().union(*map(names, schema)) if schema else set()
        if not isinstance(schema, dict):
            return set()
        own = set(schema.get("properties", {}))
        return own.union(*map(names, schema.values()))

    classes = {"rolled", "skipped", "held", "unclear", "early", "with_shift", "through"}
    quoted = set(page.replace('"', "`").split("`"))
    missing = names(json_schema.whole()) - classes - {"lifted", "down"} - quoted
    assert missing == set()


@pytest.mark.dear
def test_a_recording_with_everything_is_valid(practice):
    found = document(practice)
    valid(found)
    assert found["swings"] and found["steps"] and found["stands"]
    assert [run["name"] for run in found["sets"]] == ["smooth", "full", "fast"]
    assert sum(run["summary"]["swings"] for run in found["sets"]) == len(found["swings"])


def test_a_check_that_bites_on_other_keys_and_values(few):
    found = document(few)
    valid(found)
    for spoilt in (
        {**found, "extra": 1},
        {key: value for key, value in found.items() if key != "quality"},
        {**found, "schema": 2},
        {**found, "swings": [{**found["swings"][0], "load_tempo": "2.1"}]},
        {**found, "steps": [{**found["steps"][0], "roll": "rolled"}]},
    ):
        with pytest.raises(jsonschema.ValidationError):
            valid(spoilt)


def test_the_keys_of_the_design_are_there(practice):
    found = document(practice)
    assert list(found)[:8] == [
        "schema",
        "source",
        "rate_hz",
        "duration_s",
        "quality",
        "stands",
        "steps",
        "swings",
    ]
    assert {"start_s", "end_s", "left_share", "left", "right"} <= set(found["stands"][0])
    assert {"bearing", "midfoot_share"} <= set(found["stands"][0]["left"])
    assert {"foot", "strike_s", "off_s", "stance_s", "roll", "midfoot_impulse_share"} <= set(
        found["steps"][0]
    )
    swing = found["swings"][0]
    assert {
        "start_s",
        "trail_peak_s",
        "shift_s",
        "lead_peak_s",
        "finish_s",
        "load_tempo",
        "share_range",
    } <= set(swing)
    assert {"state", "lift_s", "return_s", "lowest_load_bw"} <= set(swing["heel_lift"])
    assert {
        "manner",
        "timing",
        "heel_leave_s",
        "fore_take_s",
        "transfer_s",
        "transfer_of_shift",
        "load_at_fore_take",
    } <= set(swing["push"])


def test_an_empty_analysis_is_valid_and_absent_values_are_null():
    empty = document(Analysis("nothing", None, 0.0, (), (), (), (), None))
    valid(empty)
    assert (empty["rate_hz"], empty["quality"], empty["walk"]) == (None, None, None)


def test_nan_becomes_null(few):
    stand = replace(few.stands[0], left_share=math.nan)
    found = document(replace(few, stands=(stand,)))
    assert found["stands"][0]["left_share"] is None
    valid(found)


def test_swings_outside_sets_belong_to_none(practice):
    marks = (Mark(0.0, "check: stand"), Mark(212.0, "Set: full"), Mark(369.0, "check: stand"))
    found = document(replace(practice, spans=spans_of(marks)))
    assert [swing["set"] for swing in found["swings"]] == [None] * 11 + ["full"] * 12 + [None] * 10
    assert found["sets"][0]["summary"]["swings"] == 12


def test_quality_comes_back_from_json(practice):
    assert practice.quality is not None
    text = json.dumps(practice.quality.to_json())
    assert Quality.from_json(json.loads(text)) == practice.quality
