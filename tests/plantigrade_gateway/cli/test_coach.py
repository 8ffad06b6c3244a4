"""The commands `sheet` and `compare` on a store of an invented player."""

import json
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.support.practice import practice_copy, store_practice
from tests.support.printed import refused
from tests.support.records import packets, swing
from tests.support.rules import versioned

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.report import page
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.store.store import Store

FIRST = Path(__file__).parents[3] / "gateway" / "plantigrade_gateway" / "rules" / "first.toml"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("made") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store)
    return path


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    return practice_copy(made, tmp_path)


def run(store: Path, *arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["--store", str(store), *map(str, arguments)])


def test_a_sheet_of_a_stored_player(store):
    result = run(store, "sheet", "iris invented")
    assert result.exit_code == 0, result.output
    assert "Evidence sheet of Iris Invented" in result.stdout
    assert "not known yet: red flag" in result.stdout
    table = json.loads(run(store, "sheet", "iris invented", "--json").stdout)
    assert list(table["facts"]) == list(built_in().facts)
    assert table["facts"]["player.minor"]["value"] == "no"
    with Store.open(store, read_only=True) as opened:
        (session,) = opened.sessions()
    assert table["session"] == session.session_id
    by_visit = run(store, "sheet", "iris invented", "--visit", session.session_id[:8], "--json")
    assert json.loads(by_visit.stdout) == table


def test_a_rule_file_of_ones_own_names_its_version(store, tmp_path):
    text = versioned(FIRST.read_text("utf-8"), "1b")
    own = tmp_path / "own.toml"
    own.write_text(text, "utf-8")
    result = run(store, "sheet", "Iris Invented", "--rules", own)
    assert "first rule set, version 1b" in result.stdout
    own.write_text(text.replace("flag.red", "flag.rde", 1), "utf-8")
    assert "own.toml" in refused(run(store, "sheet", "Iris Invented", "--rules", own))
    own.write_text(text.replace("travel_margin = 0.05", "travel_margin = 5"), "utf-8")
    assert "travel_margin is 5" in refused(run(store, "sheet", "Iris Invented", "--rules", own))


def test_what_is_not_there_is_refused(store):
    assert "is not registered" in refused(run(store, "sheet", "Nobody"))
    assert "no session" in refused(run(store, "sheet", "Iris Invented", "--visit", "zz"))
    with Store.open(store) as opened, Register(opened) as register:
        register.add(name="Otto Invented", handedness="right")
        (session,) = opened.sessions()
    assert "is no visit of this player" in refused(
        run(store, "sheet", "Otto Invented", "--visit", session.session_id)
    )
    said = run(store, "sheet", "Otto Invented").stdout
    assert "visit           no visit yet" in said
    assert "the first visit begins with the questions" in said
    assert "Every answer lacks" not in run(store, "sheet", "Iris Invented").stdout


def test_a_sheet_says_what_was_decided_on_anothers_visit(store):
    with Store.open(store) as opened, Register(opened) as register:
        otto = register.add(name="Otto Invented", handedness="right")
        (session,) = opened.sessions()
        iris = str(session.player_id)
        register.decide(iris, "push", "go", date(2026, 3, 2), sheet=(session.session_id, "r"))
        assert "is another player's now" not in run(store, "sheet", "Iris Invented").stdout
        assign(register, session.session_id, otto, move=True)
    said = " ".join(run(store, "sheet", "Iris Invented").stdout.split())
    assert "Decided on the sheet of a visit that is another player's now: push." in said


@pytest.fixture
def two_visits(tmp_path: Path) -> Path:
    """A store with two visits of a player, of two swings each, in no set, after a first one."""
    path = tmp_path / "two.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        key = register.add(name="Otto Invented", handedness="right")
        for _ in range(3):
            session = store.create_session("test", analysis_version=1, player_id=key)
            store.append(session, packets(10))
            store.put_events(session, [event_row(session, swing(at), 1) for at in (1000, 2000)])
            store.end_session(session, "stop")
    return path


def test_two_visits_without_common_measures(two_visits):
    result = run(two_visits, "compare", "Otto Invented")
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    assert "Nothing was measured on both. Compared are smooth, full and fast sets without" in said
    table = json.loads(run(two_visits, "compare", "Otto Invented", "--json").stdout)
    assert table["lines"] == [] and len(table["days"]) == 2
    ids = table["before"], table["after"]
    with Store.open(two_visits, read_only=True) as opened:
        assert list(ids) == [s.session_id for s in reversed(opened.sessions())][-2:]
    again = run(two_visits, "compare", "Otto Invented", ids[0][:8], ids[1][:8], "--json")
    assert json.loads(again.stdout) == table
    one = run(two_visits, "compare", "Otto Invented", "--measure", "full: load tempo")
    assert "It was measured on no visit." in one.stdout


def test_what_cannot_be_compared_is_refused(two_visits, store):
    def said(*arguments: str) -> str:
        return refused(run(two_visits, "compare", "Otto Invented", *arguments))

    assert "expected two or none" in said("last")
    assert 'did you mean "full: load tempo"' in said("--measure", "full.load_tempi")
    assert 'did you mean "full: load tempo"' in said("--measure", "full.load_tempi", "last", "last")
    assert "expected two of one visit" in said("last:a", "last")
    assert "there is none of this visit" in said("last:a", "last:b")
    assert "this player has 1, expected two" in refused(run(store, "compare", "Iris Invented"))


def test_two_sets_of_a_stored_visit(store):
    result = run(store, "compare", "Iris Invented", "last:smooth", "last:full")
    assert result.exit_code == 0, result.output
    assert "full against smooth" in result.stdout
    assert "load tempo, ratio" in result.stdout


def test_the_player_s_page_is_asked_for_as_it_is_said(tmp_path, monkeypatch):
    """What is on it is the report's."""
    path, pdf = tmp_path / "s.sqlite3", tmp_path / "page.pdf"
    with Store.open(path) as store, Register(store) as register:
        player = register.add(name="Iris Invented", handedness="right")
    asked: list[tuple[object, ...]] = []

    def write_page(_: object, *what: object, replace: bool) -> None:
        asked.append((*what, replace))

    monkeypatch.setattr(page, "write_page", write_page)
    result = run(path, "report", "iris", "--to", pdf)
    assert (result.exit_code, result.stdout) == (0, f"Written: {pdf}\n")
    assert run(path, "report", "iris", "--to", pdf, "--paper", "letter", "--replace").exit_code == 0
    assert asked == [(player, pdf, "a4", False), (player, pdf, "letter", True)]
    assert run(path, "report", "nobody", "--to", pdf).exit_code == 2 and len(asked) == 2
