"""The commands `players …` and the option --player. All people in here are invented."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.cli.players import settings_for
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import Profile
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    def made(*arguments: str | Path) -> Result:
        return CliRunner().invoke(
            main, ["--store", str(tmp_path / "s.sqlite3"), *map(str, arguments)]
        )

    return made


def listed(run: Run, *arguments: str) -> list[dict[str, object]]:
    result = run("players", "--json", *arguments)
    assert result.exit_code == 0, result.output
    players: list[dict[str, object]] = json.loads(result.stdout)["players"]
    return players


def refused(result: Result) -> str:
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    return str(line)


def test_no_player_is_no_error_and_makes_no_store(run, tmp_path):
    assert "No player is registered yet" in run("players").stdout
    assert listed(run) == []
    assert list(tmp_path.iterdir()) == []


def test_add_list_search_and_edit(run):
    added = run(
        *("players", "add", "Ada Nowhere", "--handed", "left", "--mass", "61.5"),
        *("--insoles", "0000AB01", "0000AB02", "--minor", "--guardian", "Gus"),
    )
    assert added.exit_code == 0 and added.stdout.startswith("Registered: Ada Nowhere, ")
    assert run("players", "add", "Bo", "--handed", "right").exit_code == 0
    (ada,) = listed(run, "--search", "ADA")
    assert ada["player_id"] == added.stdout.split()[-1]
    assert (ada["mass_kg"], ada["insoles"], ada["guardian"]) == (
        61.5,
        ["0000AB01", "0000AB02"],
        "Gus",
    )
    assert (ada["sessions"], ada["last"]) == (0, None)
    shown = run("players").stdout.splitlines()
    assert [line.split()[0] for line in shown] == ["player", "Ada", "Bo"]
    assert run("players", "edit", "bo", "--name", "Bob").stdout == "Changed: name.\n"
    assert run("players", "edit", "bob", "--handed", "right").stdout == "Nothing has changed.\n"
    assert "No player's name holds that" in run("players", "--search", "bx").stdout


def test_what_cannot_be_is_refused(run):
    assert "handedness: is missing" in refused(run("players", "add", "Ada"))
    assert "did you mean left?" in refused(run("players", "add", "Ada", "--handed", "lefty"))
    assert run("players", "add", "Ada", "--handed", "left").exit_code == 0
    assert "did you mean Ada?" in refused(run("players", "edit", "Adda", "--mass", "60"))
    assert "did you mean Ada?" in refused(run("demo", "--fast", "--player", "Adda"))


def test_a_session_is_recorded_for_a_player_or_assigned_later(run, tmp_path):
    """The practice session is a right-handed player's (replay_data/make_practice.py)."""
    for name, hand in (("Ada", "right"), ("Lea", "left")):
        assert run("players", "add", name, "--handed", hand).exit_code == 0
    demo = run("demo", "--fast", "--no-sound", "--no-page", "--player", "ada")
    assert demo.exit_code == 0 and "-handed player" not in demo.stdout
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        (session,) = store.sessions()
        assert session.player_id == register.find("Ada").player_id
    assert "say --move" in refused(run("players", "assign", "last", "Lea"))
    moved = run("players", "assign", "last", "Lea", "--move")
    assert moved.stdout.splitlines()[0] == f"Session {session.session_id[:8]} is Lea's."
    assert "of a right-handed player, Lea is registered as left-handed" in moved.stdout
    assert [(p["name"], p["sessions"]) for p in listed(run)] == [("Ada", 0), ("Lea", 1)]
    lea = next(p for p in listed(run) if p["name"] == "Lea")
    assert lea["last"] == session.started.isoformat()


@pytest.mark.parametrize(
    ("player", "mass_kg", "handed", "expected"),
    [
        (None, None, None, (None, "right")),
        (None, 70.0, "left", (70.0, "left")),
        (Profile("p", "Ada", "left", 61.5), None, None, (61.5, "left")),
        (Profile("p", "Ada", "left", 61.5), 63.0, "right", (63.0, "right")),
        (Profile("p", "Ada", "left"), None, None, (None, "left")),
    ],
)
def test_a_session_takes_from_the_player_what_no_option_says(player, mass_kg, handed, expected):
    settings = settings_for(player, mass_kg, handed)
    assert (settings.mass_kg, settings.handed) == expected
