"""An upgrade that is killed anywhere is finished by the next program, and loses nothing."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from tests.support.killed import killing, moments

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store import migrations, schema
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

KILLS = 60
OLD = 3
"""The version that is upgraded: with a player, a session and a piece of a record."""
WORK = """
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.store.store import Store

    def work(path):
        with Store.open(path) as store, Register(store):
            pass
"""


def old_store(path: Path, journal: str) -> None:
    """Make one; a copy that a backup or an upgrade made has no write-ahead log yet."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA page_size = 16384")
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
        db.execute(f"PRAGMA journal_mode = {journal}")
        for step in migrations.MIGRATIONS[:OLD]:
            step(db)
        db.execute(f"PRAGMA user_version = {OLD}")
        db.execute("INSERT INTO players VALUES (1, 'p', 'Ada Invented', 'left', 60, '2031-01-01')")
        db.execute(
            "INSERT INTO sessions VALUES"
            " (1, 's', 1, '2031-01-01T00:00:00+00:00', 0, 'x', 'x', 'ended', 'x', 1, 0)"
        )
        db.execute("INSERT INTO chunks VALUES (1, 0, 0, 1, 5, 5, ?)", (bytes(range(256)) * 200,))


def contents(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """All rows of a file's tables, and its version."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        tables = db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
        rows = {name: sorted(db.execute(f"SELECT * FROM {name}"), key=repr) for (name,) in tables}
        return rows | {"version": db.execute("PRAGMA user_version").fetchall()}


@pytest.mark.slow
@pytest.mark.parametrize("journal", ["WAL", "DELETE"])
def test_killed_anywhere(tmp_path, journal):
    template = tmp_path / "template" / "s.sqlite3"
    template.parent.mkdir()
    old_store(template, journal)
    before = contents(template)
    path: Path = tmp_path / "s" / template.name

    def again() -> Path:
        shutil.rmtree(path.parent, ignore_errors=True)
        shutil.copytree(template.parent, path.parent)
        return path

    found = set()
    with killing(tmp_path, WORK) as kill:
        changes = kill.changes(again())
        after = contents(path)
        for change in moments(changes, KILLS, seed=3):
            kill.killed_at(change, again())
            with Store.open(path, read_only=True) as store:  # as it is, before anybody mends it
                assert [s.session_id for s in store.sessions()] == ["s"], change
                ((version,),) = store.database.read("PRAGMA user_version")
            found.add(version)
            whole = [copy for copy in schema.kept_copies(path) if copy.suffix != ".part"]
            if version > OLD:
                assert contents(whole[0]) == before, change
            with Store.open(path) as store, Register(store):
                pass
            now = contents(path)
            assert now.keys() == after.keys(), change
            assert [name for name in now if len(now[name]) != len(after[name])] == [], change
            assert [now[name] for name in before] == [after[name] for name in before], change
            (kept, *_) = sorted(schema.kept_copies(path), key=lambda copy: copy.stat().st_mtime_ns)
            assert kept.name == f"s.sqlite3-of-version-{OLD}" and contents(kept) == before, change
    assert {OLD, len(migrations.MIGRATIONS)} < found
