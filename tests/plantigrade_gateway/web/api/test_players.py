"""The API's players on a store made by hand, by `hardware_notes/api.md`."""

from datetime import date, timedelta
from typing import Any

import pytest
from tests.support.api import HERE, got

from plantigrade_gateway.web.api import frame

NO_ONE = "0" * 32
PLAYERS = f"{HERE}/players"


def test_players_are_listed_by_name_and_found_by_name_or_id(program, made, monkeypatch):
    made.register.decide(made.ada, "push", "go", date(2026, 3, 9), "", "even")
    told = got(program.get(PLAYERS))
    assert told["rows"] == [
        {
            "player_id": made.ada,
            "name": "Ada Invented",
            "sessions": 3,
            "last": "2026-03-16T09:00:00Z",
            "answers": {"push": "go"},
        },
        {
            "player_id": made.bo,
            "name": "Bo Invented",
            "sessions": 0,
            "last": None,
            "answers": {},
        },
    ]
    for search in ("bo inv", made.bo[:12]):
        found = got(program.get(PLAYERS, params={"search": search}))
        assert [row["name"] for row in found["rows"]] == ["Bo Invented"]
    monkeypatch.setattr(frame, "ROWS", 1)
    second = got(program.get(PLAYERS, params={"page": 2}))
    assert [row["name"] for row in second["rows"]] == ["Bo Invented"]
    for asked, status in (
        ({"page": 0}, 400),
        ({"page": 1_000_000}, 200),
        ({"page": 1_000_001}, 400),
    ):
        assert program.get(PLAYERS, params=asked).status_code == status
    for length, status in ((80, 200), (81, 400)):
        assert program.get(PLAYERS, params={"search": "x" * length}).status_code == status


def test_a_player_is_registered_changed_and_shown(program, made):
    body = {"name": "Uta Invented", "handedness": "left", "mass_kg": 61.5, "shoe": "flat"}
    told = got(program.post(PLAYERS, json=body), 201)
    key = told["player"]["player_id"]
    assert {name: told["player"][name] for name in body} == body
    assert set(told) == {
        *("schema", "player", "consents", "findings", "decisions", "prints", "sessions"),
    }
    changed = got(program.patch(f"{PLAYERS}/{key}", json={"size": "44"}))["player"]
    assert changed == told["player"] | {"size": "44"}
    assert got(program.get(f"{PLAYERS}/{key}"))["player"] == changed
    assert got(program.get(f"{PLAYERS}/{made.ada}"))["sessions"] == made.visits


def test_a_player_is_deleted_by_name_alone(program, made):
    where = f"{PLAYERS}/{made.ada}"
    for name in ("Bo Invented", ""):
        refused = program.request("DELETE", where, json={"name": name})
        assert refused.status_code == 400 and "nothing was deleted" in refused.text
    assert got(program.get(where))["sessions"] == made.visits
    receipt = got(program.request("DELETE", where, json={"name": "ada invented"}))
    assert receipt["player"] == made.ada and sorted(receipt["sessions"]) == sorted(made.visits)
    assert program.get(where).status_code == 404


PARTS: list[tuple[str, str, dict[str, Any] | None]] = [
    ("GET", "", None),
    ("PATCH", "", {"size": "44"}),
    ("DELETE", "", {"name": "x"}),
    ("POST", "/consents", {"what": "record", "state": "given", "by": "player"}),
    ("POST", "/findings", {"what": "hips", "state": "limit"}),
    ("POST", "/decisions", {"topic": "push", "answer": "go"}),
    ("DELETE", "/decisions/push", None),
]


@pytest.mark.parametrize(("method", "rest", "body"), PARTS)
def test_a_player_who_is_not_there_is_a_404(program, method, rest, body):
    answer = program.request(method, f"{PLAYERS}/{NO_ONE}{rest}", json=body)
    assert answer.status_code == 404, answer.text
    assert answer.json() == {"error": f"player {NO_ONE}: not in the store (any more)"}


def test_a_consent_is_given_and_withdrawn(program, made):
    where = f"{PLAYERS}/{made.ada}/consents"
    given = {"what": "speed", "state": "given", "by": "guardian"}
    until = date.today() + timedelta(days=400)

    def speed(told: dict[str, Any]) -> dict[str, Any]:
        (one,) = [one for one in told["consents"] if one["what"] == "speed"]
        return dict(one)

    one = speed(got(program.post(where, json=given | {"until": until.isoformat()})))
    assert (one["state"], one["by"], one["until"]) == ("given", "guardian", until.isoformat())
    one = speed(got(program.post(where, json=given | {"by": "player"})))
    assert (one["by"], one["until"]) == ("player", None)
    one = speed(got(program.post(where, json=given | {"state": "withdrawn"})))
    assert (one["state"], one["by"]) == ("withdrawn", "guardian")
    past = given | {"until": "2020-01-31"}
    assert program.post(where, json=past).status_code == 400
    assert speed(got(program.get(f"{PLAYERS}/{made.ada}")))["state"] == "withdrawn"


def test_a_finding_is_noted(program, made):
    body = {"what": "ankles", "state": "limit", "text": "left"}
    told = got(program.post(f"{PLAYERS}/{made.bo}/findings", json=body))["findings"]
    assert [{key: one[key] for key in body} for one in told] == [body]


def test_a_decision_is_noted_with_the_rules_of_its_visit_s_sheet_and_taken_back(program, made):
    where = f"{PLAYERS}/{made.ada}/decisions"
    body = {"topic": "push", "answer": "go", "cue": "Roll.", "plan": "even"}
    (one,) = got(program.post(where, json=body | {"day": "2026-03-09"}))["decisions"]
    assert {key: one[key] for key in body} == body and one["day"] == "2026-03-09"
    before = date.today()
    with_sheet = body | {"topic": "speed", "plan": "", "visit": made.visits[1]}
    told = got(program.post(where, json=with_sheet))["decisions"]
    (speed,) = [one for one in told if one["topic"] == "speed"]
    assert before.isoformat() <= speed["day"] <= date.today().isoformat()
    kept = got(program.get(f"{HERE}/rules"))["version_id"]
    assert kept  # what a sheet was made with is kept
    assert program.post(where, json=body | {"visit": made.nobodys}).status_code == 404
    assert program.delete(f"{where}/pull").status_code == 400
    left = got(program.delete(f"{where}/push"))["decisions"]
    assert [one["topic"] for one in left] == ["speed"]
    again = program.delete(f"{where}/push")
    assert again.status_code == 400 and "nothing to take back" in again.text
