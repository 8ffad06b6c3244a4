"""Players whose data are kept for longer than the setting says. All people in here are invented."""

import json
import signal
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta

import pytest
from click.testing import CliRunner
from tests.support.records import packets

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.people.deletion import complete, due, kept
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

TODAY = datetime.now(UTC).date()


def visit(store: Store, player: str, day: date) -> None:
    started = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    session = store.create_session("test", analysis_version=1, player_id=player, started=started)
    store.append(session, packets(10))
    store.end_session(session, "stop")


def test_the_last_visit_counts_and_the_day_after_the_time_is_the_first(store, register):
    ada = register.add(name="Ada", handedness="right")
    visit(store, ada, date(2026, 3, 1))
    visit(store, ada, date(2026, 3, 10))
    assert due(register, 30, date(2026, 4, 9)) == []  # thirty days after
    (found,) = due(register, 30, date(2026, 4, 10))
    assert (found.player_id, found.name) == (ada, "Ada")
    assert (found.last, found.since) == (date(2026, 3, 10), date(2026, 4, 10))
    visit(store, ada, date(2026, 4, 10))
    assert due(register, 30, date(2026, 4, 10)) == []


def test_without_a_visit_the_last_that_was_said_counts_and_the_longest_comes_first(store, register):
    ada = register.add(name="Ada", handedness="right")
    bo = register.add(name="Bo", handedness="right")
    visit(store, bo, TODAY - timedelta(days=300))
    later = TODAY + timedelta(days=31)
    assert [one.player_id for one in due(register, 30, later)] == [bo, ada]
    assert [one.player_id for one in due(register, 30, TODAY + timedelta(days=30))] == [bo]


def test_nothing_is_deleted_unless_it_is_asked_for_and_said_again(store, register, tmp_path):
    ada = register.add(name="Ada Nowhere", handedness="right")
    bo = register.add(name="Bo", handedness="right")
    visit(store, ada, TODAY - timedelta(days=100))
    visit(store, bo, TODAY - timedelta(days=10))
    settings = tmp_path / "settings.toml"
    settings.write_text("[players]\nkeep_days = 30\n")
    base = ["--store", str(store.path), "players", "retention"]

    def run(*words: str, answer: str = "") -> str:
        result = CliRunner().invoke(main, [*base, *words], input=answer)
        assert result.exit_code == 0, result.output
        return result.stdout

    at = ("--settings", str(settings))
    assert run(*at).startswith(f"{ada[:8]}  Ada Nowhere, last {TODAY - timedelta(days=100)}")
    told = json.loads(run(*at, "--json"))
    assert [one["player_id"] for one in told["due"]] == [ada] and told["keep_days"] == 30
    assert [one["name"] for one in json.loads(run("--days", "5", "--json"))["due"]] == [
        "Ada Nowhere",
        "Bo",
    ]
    run(*at, "--delete", answer="n\n")
    assert set(register.profiles()) == {ada, bo}
    receipt = run(*at, "--delete", answer="y\n")
    assert f"Deleted: player {ada}" in receipt and "Nowhere" not in receipt
    assert set(register.profiles()) == {bo}
    assert run(*at) == "No player is due.\n"
    assert [
        one["player"]
        for one in json.loads(run("--days", "5", "--delete", "--yes", "--json"))["deleted"]
    ] == [bo]


def test_without_the_setting_nobody_is_due(store, register, tmp_path):
    settings = tmp_path / "settings.toml"
    settings.write_text('site = "north"\n')
    words = ["--store", str(store.path), "players", "retention", "--settings", str(settings)]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 2 and "players.keep_days: is not set" in result.stderr


def killed_at(store: Store, player: str, at: str) -> None:
    """Begin to delete a player in a process that is killed before a step."""
    code = (
        "import os, signal, sys\n"
        "from plantigrade_gateway.people import deletion\n"
        "from plantigrade_gateway.people.players import Register\n"
        "from plantigrade_gateway.store.store import Store\n"
        f"deletion.{at} = lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL)\n"
        "store = Store.open(sys.argv[1])\n"
        "deletion.delete_player(Register(store), sys.argv[2])\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(store.path), player], check=False)
    assert done.returncode == -signal.SIGKILL


@pytest.mark.parametrize(
    ("at", "said"),
    [
        ("scrubbed", True),  # the tombstone is there, and all else too
        ("replace", False),  # all bytes are gone, and the receipt does not say so
    ],
)
def test_a_deletion_that_was_killed_is_completed_at_the_next_start(store, register, at, said):
    ada = register.add(name="Ada", handedness="right")
    bo = register.add(name="Bo", handedness="right")
    visit(store, ada, date(2026, 3, 1))
    visit(store, bo, date(2026, 3, 1))
    killed_at(store, ada, at)
    assert due(register, 1, TODAY) and ada not in register.profiles(), "it is in no list any more"
    assert (found := kept(store, ada)) is not None and not found[1]
    told = f"Player {ada[:8]}: the deletion was cut off, and is completed."
    assert complete(store) == ([told] if said else [])
    assert (found := kept(store, ada)) is not None and found[1]
    assert [one.player_id for one in store.sessions()] == [bo]
    assert complete(store) == []
