"""A store of an older version is copied before it is changed; one of a newer version is refused.

Downgrading is refused, not tried: an older program does not know what the newer one wrote.
"""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import click
import pytest
import sqlalchemy as sa
from click.testing import CliRunner
from tests.support.program import PRACTICE
from tests.support.records import packets
from tests.support.tinydisk import fill, tiny_disk

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people import tables
from plantigrade_gateway.people.backup import take
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store import migrations, schema
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.store import Store


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A store as its third version was, with a player, a session and a piece of a record."""
    path = tmp_path / "s.sqlite3"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA page_size = 16384")
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
        db.execute("PRAGMA journal_mode = WAL")
        for step in migrations.MIGRATIONS[:3]:
            step(db)
        db.execute("PRAGMA user_version = 3")
        db.execute("INSERT INTO players VALUES (1, 'p', 'Ada Invented', 'left', 60, '2031-01-01')")
        db.execute(
            "INSERT INTO sessions VALUES (1, 's', 1, '2031-01-01', 0, 'x', 'x', 'ended', 'x', 1, 0)"
        )
        db.execute("INSERT INTO chunks VALUES (1, 0, 0, 1, 5, 5, x'00')")
    return path


def version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def rows(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(
            "SELECT name, session_id, data FROM players JOIN sessions USING (player_no)"
            " JOIN chunks USING (session_no)"
        ).fetchall()


def test_an_older_store_is_copied_first(old):
    before = rows(old)
    with Store.open(old, read_only=True):
        assert schema.kept_copies(old) == [], "who only reads changes nothing"
    Store.open(old).close()
    assert version(old) == len(migrations.MIGRATIONS)
    (kept,) = schema.kept_copies(old)
    assert kept.name == "s.sqlite3-of-version-3" and version(kept) == 3
    assert rows(kept) == before == rows(old) and len(before) == 1
    assert kept.stat().st_mode & 0o777 == 0o600
    kept.unlink()
    Store.open(old).close()
    assert schema.kept_copies(old) == [], "once"


def test_a_new_store_has_no_copy(tmp_path):
    Store.open(tmp_path / "s.sqlite3").close()
    assert not list(tmp_path.glob("*of-version*"))


def test_a_new_store_whose_making_was_cut_off_is_no_older_one(tmp_path, monkeypatch):
    path = tmp_path / "s.sqlite3"

    def cut_off(_: object) -> None:
        raise KeyboardInterrupt

    steps = [*migrations.MIGRATIONS[:4], cut_off, *migrations.MIGRATIONS[5:]]
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(migrations, "MIGRATIONS", steps)
        Store.open(path)
    Store.open(path).close()
    assert version(path) == len(migrations.MIGRATIONS)
    assert schema.kept_copies(path) == []


def test_without_room_for_the_copy_it_stays_as_it_is(old, tmp_path):
    (tmp_path / "disk").mkdir()
    with tiny_disk(tmp_path / "disk", "1m") as disk:
        store = disk / old.name
        store.write_bytes(old.read_bytes())
        filler = fill(disk)
        with open(filler, "r+b") as file:
            file.truncate(filler.stat().st_size - 150_000)
        with pytest.raises(StoreError, match="full"):
            Store.open(store)
        filler.unlink()
        assert version(store) == 3 and rows(store) == rows(old)
        assert not list(disk.glob("*of-version*"))


def test_a_deletion_takes_the_copy_too(old):
    """The copy is of before, and would keep who is deleted."""
    with Store.open(old) as store, Register(store) as register:
        assert b"Ada Invented" in schema.kept_copies(old)[0].read_bytes()
        delete_player(register, "p")
    assert schema.kept_copies(old) == []
    left = b"".join(path.read_bytes() for path in old.parent.iterdir())
    assert b"Ada Invented" not in left


@pytest.mark.parametrize("what", ["session", "player"])
def test_a_deletion_that_is_cut_off_leaves_no_copy_that_nobody_looks_for(old, monkeypatch, what):
    """The program ends as soon as the session is gone, so that nothing is left to be asked for."""

    def cut_off(_: object) -> None:
        raise KeyboardInterrupt

    with Store.open(old) as store:
        assert len(schema.kept_copies(old)) == 1
        monkeypatch.setattr(Database, "wipe", cut_off)
        with pytest.raises(KeyboardInterrupt):
            store.delete_session("s") if what == "session" else store.players.delete("p")
        assert store.sessions() == []
    assert schema.kept_copies(old) == []


def test_older_tables_of_people_are_copied_first(tmp_path, monkeypatch):
    path = tmp_path / "s.sqlite3"
    with monkeypatch.context() as older:
        older.setattr(tables, "MIGRATIONS", tables.MIGRATIONS[:-1])
        with Store.open(path) as store, Register(store) as register:
            if len(tables.MIGRATIONS) > 2:  # what is said now needs the second version's tables
                register.add(name="Ada Invented", handedness="left")
    assert schema.kept_copies(path) == []
    with Store.open(path) as store, Register(store):
        (kept,) = schema.kept_copies(path)
    engine = tables.sqlite_engine(kept)
    with engine.connect() as db:
        there = db.scalar(sa.select(sa.func.max(tables.VERSION.c.version)))
    engine.dispose()
    assert there == len(tables.MIGRATIONS) - 1
    assert kept.name == f"s.sqlite3-of-version-people-{there}"


# Newer ones


def commands() -> Iterator[tuple[str, ...]]:
    """Every command that takes --store, with the arguments that it must have."""

    def walk(group: click.Command, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        if isinstance(group, click.Group):
            if path and group.invoke_without_command:
                yield path
            for name, command in group.commands.items():
                yield from walk(command, (*path, name))
        elif any("--store" in p.opts for p in group.params):
            yield path

    yield from walk(main, ())


GIVEN = {
    "calibrate": ["--mass", "60"],
    "pair": ["--forget", "left"],
    "password": ["--password-file", "password"],
    "players retention": ["--days", "10"],
    "replay": ["--fast", "--no-sound"],
    "tsdb delete": ["--session", "last"],
    "visit conditions": ["--club", "driver"],
    "visit exclude": ["--undo"],
    "visit note": ["1", "a text"],
    "visit set": ["--undo"],
    "visit speed": ["--undo"],
}
"""What a command must be told beside what it always must, to come as far as to its store."""
WITHOUT = {
    *("analyse", "drills", "footprint target", "settings", "simulate", "sync check"),
    *("sync status", "tsdb check"),
}
"""Take ``--store`` like the others, and read nothing of it."""
LATER = {"footprint read", "roster", "scan"}
"""Come to the store after a photo, a broker or Bluetooth, which are missing here."""


@pytest.fixture
def newer(tmp_path: Path) -> Path:
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as store:
        store.append(store.create_session("invented", analysis_version=1), packets(5))
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {len(migrations.MIGRATIONS) + 1}")
    return path


def arguments(path: tuple[str, ...], folder: Path) -> list[str]:
    """What a command must be given to come as far as to its store."""
    command: click.Command = main
    for name in path:
        assert isinstance(command, click.Group)
        command = command.commands[name]
    found = []
    for parameter in command.params:
        if not parameter.required:
            continue
        value = example(parameter, folder)
        found += [parameter.opts[0], *value] if isinstance(parameter, click.Option) else value
    return [*found, *GIVEN.get(" ".join(path), [])]


def example(parameter: click.Parameter, folder: Path) -> list[str]:
    kind = parameter.type
    count = max(1, parameter.nargs)
    if isinstance(kind, click.Choice):
        return [str(kind.choices[0])] * count
    if isinstance(kind, click.types.IntParamType | click.types.FloatParamType):
        return ["60"] * count
    if isinstance(kind, click.Path):
        return [str(folder / "given")] * count
    return ["last"] * count


@pytest.mark.dear
@pytest.mark.parametrize(
    "path", sorted(p for p in commands() if " ".join(p) not in WITHOUT), ids=" ".join
)
def test_a_store_of_a_newer_version_is_refused_by_every_command(path, newer, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "password").write_text("a long enough password")
    (tmp_path / "password").chmod(0o600)
    name = " ".join(path)
    if name == "restore":
        Store.open(tmp_path / "whole.sqlite3").close()
        take(tmp_path / "whole.sqlite3", tmp_path / "given")
        path = ("restore", "--replace")
    elif name == "replay":
        shutil.copy(PRACTICE, tmp_path / "given")
    before = newer.read_bytes()
    asked = [*path, *arguments(tuple(name.split()), tmp_path)]
    found = CliRunner().invoke(main, ["--store", str(newer), *asked], input="\n")
    assert found.exit_code in (1, 2) and "Traceback" not in found.output
    said = "was written by a newer version of Plantigrade" in found.output
    assert said == (name not in LATER), found.output
    assert newer.read_bytes() == before
    assert schema.kept_copies(newer) == []


@pytest.mark.parametrize(
    "path", [("players",), ("show", "last"), ("visit", "note", "last", "1", "text")]
)
def test_newer_tables_of_people_are_refused(tmp_path, path):
    store = tmp_path / "s.sqlite3"
    with Store.open(store) as opened, Register(opened) as register:
        session = opened.create_session("invented", analysis_version=ANALYSIS_VERSION)
        opened.end_session(session, "stop")
        register.add(name="Ada Invented", handedness="left")
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("INSERT INTO people_version VALUES (?)", (len(tables.MIGRATIONS) + 1,))
    found = CliRunner().invoke(main, ["--store", str(store), *path])
    assert found.exit_code == 2, found.output
    assert "was written by a newer version of Plantigrade" in found.output


def test_every_command_with_a_store_is_asked():
    names = {" ".join(path) for path in commands()}
    assert len(names) > 40 and {*GIVEN, *LATER} <= names
