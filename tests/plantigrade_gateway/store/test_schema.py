"""A store's file as SQLite sees it, and the names beside it."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import platformdirs
import pytest
from tests.support.records import packets
from tests.support.tinydisk import fill, tiny_disk

from plantigrade_gateway.errors import DamageError, StoreError
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.repair import copied
from plantigrade_gateway.store.schema import (
    connect,
    connect_read_only,
    default_path,
    followed,
    is_made,
    is_unused,
    keep_copy,
    kept_copies,
)
from plantigrade_gateway.store.store import Store


def test_a_new_store_is_written_safely_and_gives_its_space_back(tmp_path):
    """Pages of 16 KiB, of which five chunks of 3 kB fit one; a log of 8 MiB; values of SQLite's."""
    connection = connect(tmp_path / "new" / "store.sqlite3")
    found = {
        name: connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in (
            *("page_size", "auto_vacuum", "journal_mode", "synchronous", "fullfsync"),
            *("checkpoint_fullfsync", "wal_autocheckpoint", "foreign_keys", "secure_delete"),
            "temp_store",
        )
    }
    connection.close()
    assert found == {
        "page_size": 16_384,
        "auto_vacuum": 2,  # incremental
        "journal_mode": "wal",
        "synchronous": 2,  # full
        "fullfsync": 1,
        "checkpoint_fullfsync": 1,
        "wal_autocheckpoint": (8 << 20) // 16_384,
        "foreign_keys": 1,
        "secure_delete": 1,
        "temp_store": 2,  # memory
    }


def test_a_temporary_folder_that_is_full_costs_nothing(tmp_path):
    """SQLite would put there what a statement needs to be taken back, and refuse for want of room.

    It asks for the folder once in a program, so it is another program's.
    """
    (tmp_path / "disk").mkdir()
    path = tmp_path / "s.sqlite3"
    work = (
        "import sys; from pathlib import Path; from tests.support.records import packets, step; "
        "from plantigrade_gateway.analysis.eventrow import event_row; "
        "from plantigrade_gateway.store.store import Store; store = Store.open(Path(sys.argv[1])); "
        "one = store.create_session('test', analysis_version=1); store.append(one, packets(10)); "
        "store.put_events(one, [event_row(one, step(k), 10) for k in range(300)])"
    )
    with tiny_disk(tmp_path / "disk", "1m") as disk:
        fill(disk)
        done = subprocess.run(
            [sys.executable, "-c", work, str(path)],
            cwd=Path(__file__).parents[3],
            env=os.environ | {"SQLITE_TMPDIR": str(disk)},
            capture_output=True,
            text=True,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, "")
    with Store.open(path, read_only=True) as store:
        (session,) = store.sessions()
        assert len(list(store.events(session.session_id))) == 300


@pytest.mark.parametrize(
    ("made", "what"),
    [
        (
            "CREATE TRIGGER keep AFTER DELETE ON players BEGIN"
            " INSERT INTO password VALUES (old.name, old.player_id); END",
            "trigger 'keep'",
        ),
        (
            "CREATE VIEW endless AS WITH RECURSIVE r(n) AS"
            " (SELECT 1 UNION ALL SELECT n + 1 FROM r) SELECT n FROM r",
            "view 'endless'",
        ),
        ("CREATE VIRTUAL TABLE words USING fts5(text)", "table 'words'"),
    ],
    ids=["trigger", "view", "virtual table"],
)
def test_a_store_that_does_something_by_itself_is_refused(tmp_path, made, what):
    """It would keep what is deleted, or hold up for ever whoever looks; repair leaves it behind."""
    path, new = tmp_path / "given.sqlite3", tmp_path / "new.sqlite3"
    with Store.open(path) as store:
        store.players.create("Ada Nowhere", "right")
        session = store.create_session("insoles", analysis_version=1)
        store.append(session, packets(10))
        store.end_session(session, "stop")
    with closing(sqlite3.connect(path)) as db:
        db.execute(made)
        db.commit()
    for opened in (connect, connect_read_only):
        with pytest.raises(DamageError, match=f"holds the {what}, which no store has"):
            opened(path)
    assert copied(path, new, lambda _: None, lambda _: None)[0] == 1
    with Store.open(new) as store:
        assert [player.name for player in store.players.all()] == ["Ada Nowhere"]
        assert len(store.sessions()) == 1


def test_a_file_with_something_in_it_is_made(tmp_path):
    path = tmp_path / "store.sqlite3"
    assert not is_made(path)
    path.touch()
    assert not is_made(path)
    path.write_bytes(b"\0")
    assert is_made(path)


def test_only_the_usual_store_may_be_missing(tmp_path, monkeypatch):
    usual = tmp_path / "usual.sqlite3"
    monkeypatch.setattr(schema, "default_path", lambda: usual)
    assert is_unused(None) and not is_unused(usual) and not is_unused(tmp_path / "other.sqlite3")
    assert not is_made(None)
    usual.write_bytes(b"\0")
    assert not is_unused(None) and is_made(None)


def test_a_link_to_a_store_is_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, link = tmp_path / "store.sqlite3", tmp_path / "link"
    assert followed(path) == path
    link.symlink_to(path)
    assert followed(link) == path.resolve()
    asked: list[tuple[str, bool]] = []

    def user_data_path(name: str, appauthor: bool) -> Path:
        asked.append((name, appauthor))
        return tmp_path

    monkeypatch.setattr(platformdirs, "user_data_path", user_data_path)
    assert default_path() == path
    assert asked == [("plantigrade", False)]  # no folder of an author's about it, on any system


def test_copies_are_named_by_the_version_they_are_of(tmp_path):
    path = tmp_path / "my [old] store.sqlite3"
    connect(path).close()
    assert kept_copies(path) == []
    for version in ("people-2", "7"):
        keep_copy(path, version)
    keep_copy(path, "7")  # again in its place
    names = [copy.name.removeprefix(path.name) for copy in kept_copies(path)]
    assert names == ["-of-version-7", "-of-version-people-2"]
    for copy in kept_copies(path):
        opened = connect_read_only(copy)
        assert opened.execute("SELECT count(*) FROM sessions").fetchone() == (0,)
        opened.close()


@pytest.mark.parametrize("made", ["folder", "pipe"])
def test_what_is_no_file_is_refused_and_left(tmp_path, made):
    path = tmp_path / "store.sqlite3"
    if made == "folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    for way in (connect, connect_read_only):
        with pytest.raises(StoreError, match="is a folder" if made == "folder" else "is no file"):
            way(path)
    assert list(tmp_path.iterdir()) == [path]
