"""The commands `visit …`, `speed` and `eye`, on the invented practice session."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.support.practice import practice_copy, store_practice
from tests.support.printed import refused

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.people.visits import read_session
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    path: Path = tmp_path_factory.mktemp("visits") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store)
    return path


@pytest.fixture
def path(made, tmp_path) -> Path:
    return practice_copy(made, tmp_path)


@pytest.fixture
def run(path) -> Run:
    def made(*arguments: str | Path) -> Result:
        return CliRunner().invoke(main, ["--store", str(path), *map(str, arguments)])

    return made


@pytest.fixture
def found(path) -> Analysis:
    with Store.open(path) as store:
        return results.read(store, store.sessions()[0].session_id)


def said(result: Result) -> str:
    assert result.exit_code == 0, result.output
    return " ".join(result.stdout.split())


@pytest.mark.slow
def test_a_strike_that_another_instrument_told_is_its_swings(run, path, found):
    peak_s = found.swings[1].lead_peak_s
    assert peak_s is not None and found.strikes == ()
    told = said(run("visit", "strike", "last", peak_s + 0.1, "--within", "0.02"))
    assert told.startswith(f"Swing 2: imported at {peak_s + 0.1:.2f} s, ± 20 ms")
    assert "lead peak 0.10 s before it" in told
    worse = said(run("visit", "strike", "last", peak_s + 0.15, "--within", "0.5"))
    assert worse == told
    with Store.open(path) as store:
        after = results.read(store, store.sessions()[0].session_id)
    assert after.swings == found.swings
    assert [one.source for one in after.strikes if one.state == "heard"] == ["import"]
    assert after.strikes[1].t_s == pytest.approx(peak_s + 0.1, abs=1e-6)
    assert after.strikes[1].error_s == 0.02
    assert "no swing" in refused(run("visit", "strike", "last", "1", "--within", "0.02"))
    assert "expected over 0" in refused(run("visit", "strike", "last", peak_s, "--within", "0"))


def test_no_strike_is_added_to_a_session_under_way(run, path):
    with Store.open(path) as store:
        session_id = store.create_session("live", analysis_version=ANALYSIS_VERSION)
    result = run("visit", "strike", session_id, "1", "--within", "0.02")
    assert result.exit_code != 0 and "still being recorded" in result.stderr
    with Store.open(path) as store:
        assert list(store.batches(session_id)) == []


@pytest.mark.dear
def test_what_is_said_of_a_visit_is_shown(run, path):
    assert "no hold" in said(run("visit", "questions", "last", "--by", "player"))
    assert "pain" in said(run("visit", "questions", "last", "--by", "guardian", "--hold", "pain"))
    again = said(run("visit", "questions", "last", "--by", "player"))
    assert "stopped, pain" in again and "stands for the visit" in again
    assert "Taken back" in said(run("visit", "take-back", "last", "--yes"))
    assert "a mistake (" in said(run("visit", "show", "last"))
    assert "pain" in said(run("visit", "questions", "last", "--by", "guardian", "--hold", "pain"))
    worn = ("--shoe", "spikeless", "--footbed", "own", "--club", "7 iron", "--stiff")
    said(run("visit", "conditions", "last", *worn, "--unchanged"))
    note = said(run("visit", "note", "last", "65", "new grip")).removeprefix("Noted: ")
    left_out = said(run("visit", "exclude", "last", "3", "stepped on the ball"))
    assert left_out.startswith("Swing 3 counts nowhere.")
    said(run("visit", "tap", "last", "4", "push", "not good"))
    said(run("visit", "tap", "last", "4", "heel", "up", "--seen"))
    assert "swing 5, 40.2 m/s" in said(run("visit", "speed", "last", "5", "90", "--unit", "mph"))
    text = said(run("visit", "show", "last"))
    for part in (
        "stopped: pain, by the guardian",
        "spikeless, stiff sole",
        "unchanged since the visit before",
        "note 1:05",
        f"new grip (coach; {note})",
        "swing 3 counts nowhere: stepped on the ball (coach, ",
        "swing 4 eye: push not good; eye: heel up, the answer was known",
        "swing 5 club 40.2 m/s",
    ):
        assert part in text, (part, text)
    assert "Set 1: fast, driver." in said(
        run("visit", "set", "last", "1", "--intent", "fast", "--club", "driver")
    )
    assert "fast, driver in place of the record's (coach)" in said(run("visit", "show", "last"))
    assert "Set 1: smooth." in said(run("visit", "set", "last", "1", "--undo"))
    told = json.loads(run("visit", "show", "last", "--json").stdout)
    assert told["questions"]["hold"] == "pain" and told["conditions"]["is_shoe_stiff"] is True
    assert [one["swing"] for one in told["swings"]] == [3, 4, 5]
    assert told["swings"][2]["club_speed_m_s"] == pytest.approx(90 * 0.44704)
    said(run("visit", "note", "last", "--remove", note))
    said(run("visit", "exclude", "last", "3", "--undo"))
    said(run("visit", "speed", "last", "5", "--undo"))
    none = said(run("speed", "last"))
    assert none.startswith("No club speed is kept of this session.") and "visit speed" in none
    told = json.loads(run("visit", "show", "last", "--json").stdout)
    assert told["notes"] == [] and [one["swing"] for one in told["swings"]] == [4]
    with Store.open(path) as store:
        assert read_session(store, store.sessions()[0].session_id).excluded == {}


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("visit", "exclude", "last", "3"), "expected a reason, or --undo"),
        (("visit", "exclude", "last", "3", "--undo"), "not left out"),
        (("visit", "exclude", "last", "0", "x"), "swing 0: this session has"),
        (("visit", "conditions", "last"), "nothing is given"),
        (("visit", "note", "last", "3"), "expected an instant and a text"),
        (("visit", "speed", "last", "3"), "expected a value, or --undo"),
        (("visit", "speed", "last", "3", "100"), "expected 5 to 80"),
        (("visit", "tap", "last", "3", "push", "fine"), "push: 'fine', expected good or not good"),
        (("visit", "questions", "last", "--by", "me"), "answered by"),
        (("visit", "set", "last", "1"), "expected --intent, --club or both"),
        (("visit", "set", "last", "99", "--undo"), "set 99: this session has"),
        (("speed", "last", "--join"), "these options are of a file"),
        (("speed", "last", "--undo"), "no such join"),
        (("speed", "last", "nowhere.csv"), "file nowhere.csv: "),
        (("eye", "nobody"), "is not registered"),
    ],
)
def test_what_cannot_be_is_one_sentence(run, words, why):
    assert why in refused(run(*words))


def speeds(path: Path, found: Analysis, offset_s: float) -> Path:
    """A file as another device may write it: one swing was not seen, one ball is a stranger's."""
    with path.open("w", newline="") as file:
        write = csv.writer(file)
        write.writerow(("Time", "Club Speed (mph)"))
        write.writerow((f"{5000 + offset_s:.2f}", "71"))
        for k, swing in enumerate(found.swings):
            assert swing.lead_peak_s is not None
            if k != 2:
                write.writerow((f"{swing.lead_peak_s + offset_s:.2f}", f"{80 + k / 2:.1f}"))
    return path


def test_a_file_is_shown_joined_and_undone(run, path, found, tmp_path):
    file = speeds(tmp_path / "speeds.csv", found, 1234.5)
    words = ("speed", "last", file, "--column", "club speed (mph)", "--unit", "mph")
    timed = (*words, "--time", "time")
    n = len(found.swings)
    text = said(run(*timed))
    assert "Clocks: -1234.50 s added" in text and "Nothing is joined. --join joins" in text
    assert "rows left line 2 (31.7 m/s)" in text and "swings left 3 " in f"{text} "
    assert json.loads(run("visit", "show", "last", "--json").stdout)["swings"] == []
    assert "Joined; --undo takes it back." in said(run(*timed, "--join"))
    told = json.loads(run("visit", "show", "last", "--json").stdout)
    assert [one["swing"] for one in told["swings"]] == [k + 1 for k in range(n) if k != 2]
    assert told["swings"][0]["club_speed_m_s"] == pytest.approx(80 * 0.44704)
    (join,) = told["joins"]
    assert (join["how"], join["count"]) == ("time", n - 1)
    assert join["offset_s"] == pytest.approx(-1234.5, abs=0.01)
    shown = said(run("speed", "last"))
    assert "It goes together; it is no cause." in shown
    sets = json.loads(run("speed", "last", "--json").stdout)["sets"]
    assert sum(one["speed"]["count"] for one in sets) == sum(
        s is not found.swings[2] for run_ in found.sets for s in run_.swings
    )
    assert f"Undone: {n - 1} club speeds went." in said(run("speed", "last", "--undo"))
    assert json.loads(run("visit", "show", "last", "--json").stdout)["swings"] == []


def test_by_order_within_a_set(run, found, tmp_path):
    file = tmp_path / "speeds.csv"
    file.write_text("v\n40\n41\n")
    words = ("speed", "last", file, "--column", "v", "--unit", "m/s", "--order", "--set", "1")
    told = json.loads(run(*words, "--json", "--join").stdout)
    numbers = [found.swings.index(s) for s in found.sets[0].swings]
    assert [pair["place"] for pair in told["preview"]["pairs"]] == numbers[:2]
    assert told["preview"]["swings_left"] == numbers[2:] and told["joined"]


@pytest.mark.parametrize(
    ("given", "why"),
    [
        (("--unit", "mph", "--order"), "--column and --unit are needed"),
        (("--column", "v", "--order"), "--column and --unit are needed"),
        (("--column", "v", "--unit", "m/s"), "expected --time"),
        (("--column", "v", "--unit", "m/s", "--time", "t", "--order"), "expected --time"),
        (("--column", "v", "--unit", "m/s", "--order", "--offset", "3"), "expected --time"),
        (("--column", "w", "--unit", "m/s", "--order"), "there is none such"),
        (("--column", "v", "--unit", "m/s", "--order", "--set", "99"), "set 99: this session has"),
        (("--column", "v", "--unit", "m/s", "--time", "t", "--join"), "fewer than 3 times"),
    ],
)
def test_a_file_that_cannot_be_joined_is_refused(run, tmp_path, given, why):
    file = tmp_path / "speeds.csv"
    file.write_text("t,v\n10,40\n20,41\n")
    result = run("speed", "last", file, *given)
    assert result.exit_code == 2 and why in result.stderr, result.output
    assert json.loads(run("visit", "show", "last", "--json").stdout)["swings"] == []


def test_a_doubtful_offset_is_joined_only_when_it_is_chosen(run, tmp_path, found):
    """Three of the file's times fit as many swings at two offsets."""
    peaks = [s.lead_peak_s for s in found.swings]
    file = tmp_path / "speeds.csv"
    file.write_text("t,v\n0,40\n0.1,41\n0.2,42\n")  # all of one swing, whichever
    words = ("speed", "last", file, "--column", "v", "--unit", "m/s", "--time", "t")
    result = run(*words, "--join")
    assert result.exit_code == 2 and "matches as many, 3" in result.stderr
    assert "Nothing is joined. Say --offset to choose." in " ".join(result.stdout.split())
    assert "Joined" in said(run(*words, "--join", "--offset", f"{peaks[4]:.2f}"))
    told = json.loads(run("visit", "show", "last", "--json").stdout)
    assert [one["swing"] for one in told["swings"]] == [5]


def test_without_taps_the_eye_is_one_sentence(run, path):
    with Store.open(path) as store:
        player = store.sessions()[0].player_id
    text = " ".join(said(run("eye", player)).split())
    assert (
        text.startswith("No swing is judged by eye yet: on a session's page press")
        and "visit tap" in text
    )
    assert "program:" not in text
    said(run("visit", "tap", "last", "4", "heel", "down", "--seen"))
    text = said(run("eye", player))
    assert "No blind tap on it can be compared yet." in text and "kept apart 1:" in " ".join(
        text.split()
    )


def test_the_eye_beside_the_program(run, path, found):
    with Store.open(path) as store:
        player = store.sessions()[0].player_id
    assert player is not None
    for number in (1, 2, 3):
        said(run("visit", "tap", "last", str(number), "heel", "up"))
    said(run("visit", "tap", "last", "4", "heel", "down", "--seen"))
    text = said(run("eye", player))
    assert "each answer 5 times by both" in text and "kept apart 1:" in text
    told = json.loads(run("eye", player, "--json").stdout)["eye"]
    (heel,) = [one for one in told if one["what"] == "heel"]
    program = [str(s.heel_lift.state) for s in found.swings[:3]]
    expected = [program.count("lifted"), program.count("down")]
    assert heel["counts"] == [expected, [0, 0]] and heel["seen"] == 1
