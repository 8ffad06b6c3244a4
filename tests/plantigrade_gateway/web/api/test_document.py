"""The OpenAPI document, and the page of rules beside it, say what there is."""

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.support.api import DOCUMENT, got, operations

pytestmark = pytest.mark.slow

NOTES = Path(__file__).resolve().parents[4] / "hardware_notes" / "api.md"


@pytest.fixture
def document(coach):
    return got(coach.get(DOCUMENT))


def test_the_page_of_rules_names_every_route_and_no_other(document):
    told = re.findall(r"^\| ([A-Z]+) \| `(/[^`]+)` \|", NOTES.read_text("utf-8"), re.MULTILINE)
    assert len(told) == len(set(told))
    assert set(told) == set(operations(document))


def test_every_answer_has_a_shape_and_every_refusal_is_one_sentence(document):
    assert document["openapi"].startswith("3.1")
    problem = {"$ref": "#/components/schemas/Problem"}
    for path, item in document["paths"].items():
        for operation in item.values():
            answers = operation["responses"]
            good = [status for status in answers if status.startswith("2")]
            (content,) = answers[good[0]]["content"].values()
            assert content["schema"], path
            refused = {status: answers[status] for status in answers if status not in good}
            assert set(refused) == {"400", "401", "403", "404", "409"}, path
            for one in refused.values():
                assert one["content"]["application/json"]["schema"] == problem
            assert operation["security"] == [{"APIKeyCookie": []}], path


def test_every_body_is_bounded(document):
    """Each text has a longest or a pattern or is one of several, each number a least and a most."""
    schemas = document["components"]["schemas"]
    bodies = [
        operation["requestBody"]["content"]["application/json"]["schema"]["$ref"].split("/")[-1]
        for item in document["paths"].values()
        for operation in item.values()
        if "requestBody" in operation
    ]
    assert len(set(bodies)) == 13
    for name in bodies:
        assert schemas[name]["additionalProperties"] is False, name
        for field, given in schemas[name]["properties"].items():
            for one in given.get("anyOf", [given]):
                assert _is_bounded(one), (name, field)


def _is_bounded(one: dict[str, Any]) -> bool:
    if one["type"] == "string":
        return bool({"maxLength", "enum", "const", "pattern"} & set(one)) or one["format"] == "date"
    if one["type"] in ("number", "integer"):
        return bool({"minimum", "exclusiveMinimum"} & set(one)) and "maximum" in one
    return one["type"] in ("boolean", "null") or (one["type"] == "array" and one["maxItems"] == 2)


def test_the_live_page_does_not_wait_for_the_api():
    """What starts the web process imports none of the API but where it is."""
    said = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys, plantigrade_gateway.web.app\n"
            "print([m for m in sys.modules if 'web.api.' in m or m.startswith('scipy')])",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert said.stdout.strip() == "['plantigrade_gateway.web.api.routes']"
