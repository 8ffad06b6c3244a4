"""The commands `backup` and `restore`, one of them while the real program records."""

import json
import re
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.program import running
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store.store import Store


def told(*arguments: str, code: int = 0) -> str:
    """Run a command; return what it says."""
    found = CliRunner().invoke(main, list(arguments))
    assert found.exit_code == code, found.output
    return found.output


def pieces(path: Path) -> list[bytes]:
    """The raw record, piece by piece; the file may be in use."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=10)) as db:
        return [data for (data,) in db.execute("SELECT data FROM chunks ORDER BY session_no, seq")]


@pytest.mark.slow
def test_a_backup_while_the_program_records(tmp_path):
    store, folder = tmp_path / "s.sqlite3", tmp_path / "backups"
    folder.mkdir()
    told("--store", str(store), "players", "add", "Ada Invented", "--handed", "left")
    made = []
    with running(
        *("--store", str(store), "demo", "--no-sound", "--no-page", "--player", "Ada Invented")
    ) as program:
        for number in range(1, 4):
            deadline = time.monotonic() + HANG_S
            while len(before := pieces(store)) < 2 * number:
                assert time.monotonic() < deadline and program.process.poll() is None, program.said
                time.sleep(0.1)
            said = json.loads(
                told("--store", str(store), "backup", str(folder), "--keep", "2", "--json")
            )
            assert said["sessions"] == 1
            made.append((Path(said["file"]), before))
        # The recording goes on: more comes, and none of it was refused.
        deadline = time.monotonic() + HANG_S
        while len(pieces(store)) <= len(before) + 1:
            assert time.monotonic() < deadline and program.process.poll() is None, program.said
            time.sleep(0.1)
        said = told("--store", str(store), "restore", str(made[-1][0]), "--replace", code=2)
        assert "a program records into it; stop it first" in said
    whole = pieces(store)
    assert not made[0][0].exists(), "two are kept"
    for number, (path, before) in enumerate(made[1:]):
        new = tmp_path / f"new{number}.sqlite3"
        told("--store", str(new), "restore", str(path))
        restored = pieces(new)
        assert before == restored[: len(before)], "what was recorded before it began is in it"
        assert restored == whole[: len(restored)] and len(restored) < len(whole)
        assert "all of it whole" in told("--store", str(new), "doctor", "--store-check")
        (session,) = json.loads(told("--store", str(new), "sessions", "--json"))
        assert session["end_reason"] == "restart"
        (player,) = json.loads(told("--store", str(new), "players", "--json"))["players"]
        assert player["name"] == "Ada Invented"


@pytest.mark.dear
def test_what_the_commands_say(tmp_path):
    store, file = tmp_path / "s.sqlite3", tmp_path / "b.tar"
    here = ("--store", str(store))
    assert "not found" in told(*here, "backup", str(file), code=2)
    assert not list(tmp_path.iterdir()), "nothing is left of a try"
    told(*here, "players", "add", "Ada Invented", "--handed", "left")
    assert "0 sessions" in told(*here, "backup", str(file))
    assert "is there already" in told(*here, "backup", str(file), code=2)
    told(*here, "backup", str(file), "--replace")
    assert "--keep: counts" in told(*here, "backup", str(file), "--keep", "3", code=2)
    assert "add --replace" in told(*here, "restore", str(file), code=2)
    said = told(*here, "restore", str(tmp_path), code=2)
    assert f"{tmp_path}: is a folder, expected one of the backups in it" in said
    told(*here, "players", "delete", "Ada Invented", "--yes")
    said = told(*here, "restore", str(file), "--replace")
    assert "Left out, since they were deleted after that: 1 player, 0 sessions" in said
    assert "What was there before is kept in" in said
    assert re.search(r": 0 sessions as of \d{4}-\d\d-\d\d \d\d:\d\d UTC\n", said)
    assert json.loads(told(*here, "players", "--json"))["players"] == []
    said = json.loads(told("--store", str(tmp_path / "n.sqlite3"), "restore", str(file), "--json"))
    assert (said["players_deleted"], said["kept"]) == (0, None)
    assert "no folder" in told(*here, "backup", str(tmp_path / "none" / "b.tar"), code=2)


@pytest.mark.parametrize("is_named", [True, False])
def test_a_store_that_is_recorded_into_is_not_replaced_by_another_name(
    tmp_path, monkeypatch, is_named
):
    store, file, link = tmp_path / "s.sqlite3", tmp_path / "b.tar", tmp_path / "store.sqlite3"
    link.symlink_to(store)
    monkeypatch.setattr("platformdirs.user_data_path", lambda *_, **__: tmp_path)
    by_link = ("--store", str(link)) if is_named else ()
    told("--store", str(store), "players", "add", "Ada Invented", "--handed", "left")
    told(*by_link, "backup", str(file))
    with Store.open(store) as opened:
        opened.database.mark_recording("5e" * 16)
        said = told(*by_link, "restore", str(file), "--replace", code=2)
        assert "a program records into it; stop it first" in said
    told(*by_link, "restore", str(file), "--replace")
    assert link.is_symlink()


def test_a_backup_is_said_with_what_it_holds_and_which_ones_it_replaced(tmp_path):
    here = ("--store", str(tmp_path / "s.sqlite3"))
    told(*here, "players", "add", "Ada Invented", "--handed", "left")
    folder = tmp_path / "backups"
    folder.mkdir()
    first = told(*here, "backup", str(folder))
    (one,) = folder.iterdir()
    assert re.fullmatch(rf"{re.escape(str(one))}: 0 sessions, \d+\.\d MB, whole\n", first)
    second = told(*here, "backup", str(folder), "--keep", "1").splitlines()
    (other,) = folder.iterdir()
    assert second[0].startswith(f"{other}: ") and second[1:] == [f"Deleted: {one}"]
    table = json.loads(told(*here, "backup", str(folder), "--keep", "1", "--json"))
    assert table["removed"] == [str(other)] and table["sessions"] == 0
