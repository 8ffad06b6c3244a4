"""The commands `sheet` and `compare` on a store of an invented player."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.support.practice import practice_copy, store_practice

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear
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


def refused(result: Result) -> str:
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    return str(line)


def test_a_sheet_of_a_stored_player(store):
    result = run(store, "sheet", "iris invented")
    assert result.exit_code == 0, result.output
    assert "Evidence sheet of Iris Invented" in result.stdout
    assert "hold-red-flag: no data: flag.red" in result.stdout
    table = json.loads(run(store, "sheet", "iris invented", "--json").stdout)
    assert list(table["facts"]) == list(built_in().facts)
    assert table["facts"]["player.minor"]["value"] == "no"
    with Store.open(store, read_only=True) as opened:
        (session,) = opened.sessions()
    assert table["session"] == session.session_id
    by_visit = run(store, "sheet", "iris invented", "--visit", session.session_id[:8], "--json")
    assert json.loads(by_visit.stdout) == table


def test_a_rule_file_of_ones_own_names_its_version(store, tmp_path):
    text = FIRST.read_text("utf-8").replace('version = "1"', 'version = "1b"')
    own = tmp_path / "own.toml"
    own.write_text(text, "utf-8")
    result = run(store, "sheet", "Iris Invented", "--rules", own)
    assert "first rule set, version 1b" in result.stdout
    own.write_text(text.replace("flag.red", "flag.rde", 1), "utf-8")
    assert "own.toml" in refused(run(store, "sheet", "Iris Invented", "--rules", own))


def test_what_is_not_there_is_refused(store):
    assert "is not registered" in refused(run(store, "sheet", "Nobody"))
    assert "no session" in refused(run(store, "sheet", "Iris Invented", "--visit", "zz"))
    with Store.open(store) as opened, Register(opened) as register:
        register.add(name="Otto Invented", handedness="right")
        (session,) = opened.sessions()
    assert "is not of player" in refused(
        run(store, "sheet", "Otto Invented", "--visit", session.session_id)
    )
    assert "visit           no visit yet" in run(store, "sheet", "Otto Invented").stdout
