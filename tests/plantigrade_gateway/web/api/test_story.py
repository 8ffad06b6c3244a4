"""A player's whole story through the API alone, on an invented player's visits."""

import json
from pathlib import Path

import jsonschema
import pypdfium2
import pytest
from click.testing import CliRunner
from tests.support.api import HERE, got
from tests.support.damage import everything

from plantigrade_gateway.cli.main import main

pytestmark = pytest.mark.dear

NAME = "Zebulon Invented"
NOTES = Path(__file__).resolve().parents[4] / "hardware_notes"


@pytest.mark.slow
def test_a_story_from_registration_to_deletion(served, coach, path):
    player = {"name": NAME, "handedness": "left", "shoe": "Shoe-of-Zeb", "mass_kg": 71}
    made = got(coach.post(f"{HERE}/players", json=player), 201)
    key = made["player"]["player_id"]
    assert len(key) == 32 and int(key, 16) >= 0  # 128 bits
    here = f"{HERE}/players/{key}"
    assert got(coach.get(f"{HERE}/players", params={"search": "zebu"}))["total"] == 1
    assert got(coach.patch(here, json={"size": "44"}))["player"]["size"] == "44"

    sessions = [one["session"] for one in got(coach.get(f"{HERE}/sessions"))["rows"]]
    for session in sessions:
        got(coach.post(f"{HERE}/sessions/{session}/player", json={"player": key}))
    visits = got(coach.get(f"{here}/visits"))
    assert [one["session"] for one in visits["rows"]] == sessions
    last, first = sessions
    of_last = f"{HERE}/sessions/{last}"

    assert coach.post(f"{of_last}/hold/take_back").status_code == 400
    got(coach.post(f"{of_last}/questions", json={"by": "guardian", "hold": "pain"}))
    held = got(coach.post(f"{of_last}/questions", json={"by": "player"}))
    assert held["questions"]["hold"] == "pain" and held["hold_taken_back"] is None
    assert got(coach.post(f"{of_last}/hold/take_back"))["hold_taken_back"]["hold"] == "pain"
    got(coach.post(f"{of_last}/conditions", json={"shoe": "Worn-by-Zeb", "is_unchanged": True}))
    note = got(coach.post(f"{of_last}/notes", json={"t_s": 1.5, "text": "Note-on-Zeb"}), 201)
    got(coach.post(f"{of_last}/exclusions", json={"swing": 1, "reason": "Reason-of-Zeb"}))
    tap = {"swing": 2, "what": "push", "answer": "good", "is_blind": True}
    got(coach.post(f"{of_last}/taps", json=tap))
    said = got(coach.post(f"{of_last}/speeds", json={"swing": 2, "m_s": 42}))
    assert said["questions"]["hold"] == "" and said["questions"]["by"] == "player"
    assert said["conditions"]["shoe"] == "Worn-by-Zeb" and said["is_unchanged"] is True
    assert [one["note_id"] for one in said["notes"]] == [note["note"]]
    assert said["swings"][0]["excluded"]["reason"] == "Reason-of-Zeb"
    assert said["swings"][1]["eye_push"] == {"answer": "good", "is_blind": True}
    assert said["swings"][1]["club_speed_m_s"] == 42.0
    analysis = got(coach.get(f"{of_last}/analysis"))
    schema = json.loads((NOTES / "analysis.schema.json").read_text("utf-8"))
    jsonschema.validate(analysis, schema)
    assert analysis["swings"][0]["excluded"]["reason"] == "Reason-of-Zeb"
    got(coach.delete(f"{of_last}/exclusions/1"))
    got(coach.delete(f"{of_last}/speeds/2"))
    undone = got(coach.delete(f"{of_last}/notes/{note['note']}"))
    assert undone["notes"] == [] and [one["swing"] for one in undone["swings"]] == [2]

    got(coach.post(f"{here}/consents", json={"what": "speed", "state": "given", "by": "player"}))
    got(coach.post(f"{here}/findings", json={"what": "hips", "state": "limit", "text": "Zeb-hip"}))
    decision = {"topic": "push", "answer": "go", "plan": "even", "cue": "Cue-of-Zeb"}
    decided = got(coach.post(f"{here}/decisions", json=decision | {"visit": last}))
    assert decided["decisions"][0]["cue"] == "Cue-of-Zeb"
    assert decided["findings"][0]["text"] == "Zeb-hip"
    assert [c["state"] for c in decided["consents"] if c["what"] == "speed"] == ["given"]

    sheet = got(coach.get(f"{here}/sheet"))
    assert sheet["session"] == last and sheet["decisions"][0]["cue"] == "Cue-of-Zeb"
    assert got(coach.get(f"{here}/sheet", params={"visit": first}))["session"] == first
    between = {"before": first, "after": last}
    compared = got(coach.get(f"{here}/comparison", params=between))
    assert compared == got(coach.get(f"{here}/comparison"))
    assert len(compared["lines"]) > 5
    followed = got(coach.get(f"{here}/progress", params={"measure": "full.load_tempo"}))
    assert [point["session_id"] for point in followed["points"]] == [first, last]

    page = coach.get(f"{here}/page.pdf", params={"paper": "letter"})
    assert page.status_code == 200 and page.headers["content-type"] == "application/pdf"
    text = pypdfium2.PdfDocument(page.content)[0].get_textpage().get_text_bounded()
    assert NAME in text and "Cue-of-Zeb" in text

    undecided = got(coach.delete(f"{here}/decisions/push"))
    assert undecided["decisions"] == []
    for topic, problem in (("push", "nothing to take back"), ("pull", "decision")):
        again = coach.delete(f"{here}/decisions/{topic}")
        assert again.status_code == 400 and problem in again.text

    before = everything(path)
    assert b"Zebulon" in before and b"of-Zeb" in before
    refused = coach.request("DELETE", here, json={"name": "somebody else"})
    assert refused.status_code == 400 and got(coach.get(here))["player"]["name"] == NAME
    receipt = got(coach.request("DELETE", here, json={"name": NAME}))
    assert receipt["player"] == key and set(receipt["sessions"]) == set(sessions)
    assert coach.get(here).status_code == 404
    assert got(coach.get(f"{HERE}/sessions"))["total"] == 0
    left = everything(path)
    told = (b"Zebulon", b"of-Zeb", b"Worn-by-Zeb", b"Note-on-Zeb", b"Zeb-hip")
    assert [trace for trace in told if trace in left] == []


def test_the_sheet_is_the_commands(coach, path):
    (player,) = got(coach.get(f"{HERE}/players"))["rows"]
    printed = CliRunner().invoke(
        main, ["sheet", player["player_id"], "--json", "--store", str(path)]
    )
    assert printed.exit_code == 0, printed.output
    sheet = got(coach.get(f"{HERE}/players/{player['player_id']}/sheet"))
    assert sheet == json.loads(printed.stdout)
    assert len(sheet["facts"]) > 20  # an empty sheet would be equal too


def test_the_rules_are_those_of_the_sheet(coach):
    (player,) = got(coach.get(f"{HERE}/players"))["rows"]
    here = f"{HERE}/players/{player['player_id']}"
    rules = got(coach.get(f"{HERE}/rules"))
    sheet = got(coach.get(f"{here}/sheet"))
    assert sheet["rules"] == {"name": rules["name"], "version": rules["version"]}
    assert rules["is_built_in"] and rules["version_id"] == ""
    decision = {"topic": "speed", "answer": "not yet", "visit": sheet["session"]}
    got(coach.post(f"{here}/decisions", json=decision))
    kept = got(coach.get(f"{HERE}/rules"))
    assert got(coach.get(f"{HERE}/rules/{kept['version_id']}")) == kept
    assert kept["text"] == rules["text"]
