"""The API's visits on a store made by hand, by `hardware_notes/api.md`."""

from typing import Any

import pytest
from tests.support.api import HERE, got
from tests.support.handmade import Made

from plantigrade_gateway.web.api import frame

NO_ONE = "0" * 32


def here(made: Made, rest: str = "") -> str:
    return f"{HERE}/sessions/{made.visits[0]}{rest}"


def test_sessions_are_listed_latest_first_those_of_nobody_too(program, made, monkeypatch):
    told = got(program.get(f"{HERE}/sessions"))
    ids = [made.nobodys, *reversed(made.visits)]
    assert [row["session"] for row in told["rows"]] == ids
    assert [row["player"] for row in told["rows"]] == [None, *[made.ada] * 3]
    assert told["rows"][3] == {
        "session": made.visits[0],
        "player": made.ada,
        "started": "2026-03-02T09:00:00Z",
        "minutes": 2,  # of a minute and a half: begun ones
        "kind": "sets",
        "state": "ended",
    }
    mine = got(program.get(f"{HERE}/players/{made.ada}/visits"))
    assert [row["session"] for row in mine["rows"]] == ids[1:]
    assert got(program.get(f"{HERE}/players/{made.bo}/visits"))["rows"] == []
    assert program.get(f"{HERE}/players/{NO_ONE}/visits").status_code == 404
    monkeypatch.setattr(frame, "ROWS", 2)
    second = got(program.get(f"{HERE}/sessions", params={"page": 2}))
    assert [row["session"] for row in second["rows"]] == ids[2:]
    assert (second["page"], second["pages"], second["total"]) == (2, 2, 4)
    second = got(program.get(f"{HERE}/players/{made.ada}/visits", params={"page": 2}))
    assert [row["session"] for row in second["rows"]] == made.visits[:1]
    for page, status in ((0, 400), (1_000_000, 200), (1_000_001, 400)):
        assert program.get(f"{HERE}/sessions", params={"page": page}).status_code == status
        where = f"{HERE}/players/{made.ada}/visits"
        assert program.get(where, params={"page": page}).status_code == status


ROUTES = [
    ("GET", "", None),
    ("GET", "/analysis", None),
    ("POST", "/player", {"player": "PLAYER"}),
    ("POST", "/questions", {"by": "player"}),
    ("POST", "/hold/take_back", None),
    ("POST", "/conditions", {"shoe": "x"}),
    ("POST", "/notes", {"t_s": 1.0, "text": "x"}),
    ("DELETE", "/notes/1", None),
    ("POST", "/exclusions", {"swing": 1, "reason": "x"}),
    ("DELETE", "/exclusions/1", None),
    ("POST", "/taps", {"swing": 1, "what": "push", "answer": "good", "is_blind": True}),
    ("POST", "/speeds", {"swing": 1, "m_s": 40}),
    ("DELETE", "/speeds/1", None),
]


@pytest.mark.parametrize(("method", "rest", "body"), ROUTES)
def test_a_session_that_is_not_there_is_a_404(program, made, method, rest, body):
    body = body and {key: made.ada if value == "PLAYER" else value for key, value in body.items()}
    answer = program.request(method, f"{HERE}/sessions/{NO_ONE}{rest}", json=body)
    assert answer.status_code == 404, answer.text
    assert answer.json()["error"].startswith(f"session {NO_ONE}: ") or NO_ONE in answer.text


def test_a_session_s_results_and_what_was_said(program, made):
    said = got(program.get(here(made)))
    assert (said["session"], said["notes"], said["questions"]) == (made.visits[0], [], None)
    found = got(program.get(here(made, "/analysis")))
    assert [one["start_s"] for one in found["swings"]] == [10.0, 20.0, 40.0]
    assert (len(found["steps"]), len(found["stands"]), found["rate_hz"]) == (1, 1, 100.0)


def test_a_session_is_given_to_a_player_from_whomever_had_it(program, made):
    for player in (made.bo, made.ada):
        given = got(program.post(here(made, "/player"), json={"player": player}))
        assert given["session"] == made.visits[0]
        assert made.store.session(made.visits[0]).player_id == player
    refused = program.post(here(made, "/player"), json={"player": NO_ONE})
    assert refused.status_code == 404 and NO_ONE in refused.text
    assert made.store.session(made.visits[0]).player_id == made.ada


def test_a_hold_stands_until_it_is_taken_back(program, made):
    assert program.post(here(made, "/hold/take_back")).status_code == 400
    told = got(program.post(here(made, "/questions"), json={"by": "guardian", "hold": "pain"}))
    assert (told["questions"]["hold"], told["questions"]["by"]) == ("pain", "guardian")
    back = got(program.post(here(made, "/hold/take_back")))
    assert back["hold_taken_back"]["hold"] == "pain"
    told = got(program.post(here(made, "/questions"), json={"by": "player"}))
    assert told["questions"]["hold"] == ""


def test_of_conditions_what_is_left_out_stays_and_an_empty_text_takes_back(program, made):
    where = here(made, "/conditions")
    worn = {"shoe": "spiked", "footbed": "own", "club": "7 iron", "is_shoe_stiff": True}
    told = got(program.post(where, json=worn | {"is_unchanged": True}))
    assert told["conditions"] == worn and told["is_unchanged"] is True
    told = got(program.post(where, json={"shoe": ""}))
    assert told["conditions"] == worn | {"shoe": ""} and told["is_unchanged"] is True
    told = got(program.post(where, json={"is_unchanged": False}))
    assert told["is_unchanged"] is False and told["conditions"]["club"] == "7 iron"
    assert got(program.post(where, json={}))["conditions"]["club"] == "7 iron"


def test_a_note_is_made_and_taken_back(program, made):
    where = here(made, "/notes")
    made_note = got(program.post(where, json={"t_s": 12.5, "text": "windy"}), 201)
    (note,) = got(program.get(here(made)))["notes"]
    assert (note["note_id"], note["t_s"], note["text"]) == (made_note["note"], 12.5, "windy")
    assert note["by"] == "coach"
    assert got(program.delete(f"{where}/{note['note_id']}"))["notes"] == []
    assert program.delete(f"{where}/{note['note_id']}").status_code == 400


def swings(told: dict[str, Any]) -> dict[int, dict[str, Any]]:
    return {one.pop("swing"): one for one in told["swings"]}


def test_a_swing_is_left_out_and_counts_again_by_its_number(program, made):
    """Numbers stay: one that is left out keeps its own."""
    where = here(made, "/exclusions")
    told = swings(got(program.post(where, json={"swing": 2, "reason": "slipped"})))
    assert list(told) == [2] and told[2]["excluded"]["reason"] == "slipped"
    told = swings(got(program.post(where, json={"swing": 3, "reason": "stepped"})))
    assert list(told) == [2, 3]
    analysed = got(program.get(here(made, "/analysis")))["swings"]
    assert [bool(one["excluded"]) for one in analysed] == [False, True, True]
    assert [one["excluded"] for one in swings(got(program.delete(f"{where}/2"))).values()][-1]
    told = swings(got(program.get(here(made))))
    assert told[3]["excluded"]["reason"] == "stepped" and 2 not in told
    for number in (0, 4, 100_001):
        assert program.delete(f"{where}/{number}").status_code == 400
        body = {"swing": number, "reason": "x"}
        assert program.post(where, json=body).status_code == 400


def test_the_eye_s_first_tap_counts(program, made):
    where = here(made, "/taps")
    tap = {"swing": 1, "what": "push", "answer": "good", "is_blind": True}
    told = swings(got(program.post(where, json=tap)))
    assert told[1]["eye_push"] == {"answer": "good", "is_blind": True}
    told = swings(got(program.post(where, json=tap | {"answer": "not good", "is_blind": False})))
    assert told[1]["eye_push"] == {"answer": "good", "is_blind": True}
    seen = {"swing": 3, "what": "heel", "answer": "up", "is_blind": False}
    told = swings(got(program.post(where, json=seen)))
    assert told[3]["eye_heel"] == {"answer": "up", "is_blind": False}


def test_a_club_speed_is_noted_and_taken_back(program, made):
    where = here(made, "/speeds")
    told = swings(got(program.post(where, json={"swing": 3, "m_s": 41.5})))
    assert [(n, one["club_speed_m_s"]) for n, one in told.items()] == [(3, 41.5)]
    assert program.delete(f"{where}/0").status_code == 400
    assert swings(got(program.delete(f"{where}/3"))) == {}


def test_a_session_that_is_still_recorded_cannot_be_given(program, made):
    """409: how things stand does not allow it now."""
    open_one = made.store.create_session("test", analysis_version=1)
    answer = program.post(f"{HERE}/sessions/{open_one}/player", json={"player": made.ada})
    assert answer.status_code == 409 and "still being recorded" in answer.json()["error"]
