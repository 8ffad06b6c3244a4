"""Names, numbers and refusals of backups, and what a restored store has no more. All invented."""

import json
import os
import re
import shutil
import sqlite3
import tarfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.places import Places
from plantigrade_gateway.people import tables
from plantigrade_gateway.people.backup import take
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.restore import restore
from plantigrade_gateway.store import archive, migrations, snapshot
from plantigrade_gateway.store.store import Store

NOW = datetime(2031, 3, 4, 5, 6, 7, tzinfo=UTC)


@dataclass(frozen=True)
class Place:
    """A store with two players and a session of one of them, and a backup of it."""

    store: Path
    backup: Path
    ada: str
    bo: str
    of_ada: str


def say_bay(store: Path, bay: str, place: str) -> None:
    """Let a store be a hub's, with a bay and its place."""
    engine = tables.engine_for(store)
    tables.migrate(engine)
    Bays(engine).add(bay)
    Places(engine).hold(bay, place, [])
    engine.dispose()


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Place:
    folder: Path = tmp_path_factory.mktemp("place")
    store = folder / "s.sqlite3"
    with Store.open(store) as opened, Register(opened) as register:
        ada, bo = (register.add(name=f"{n} Invented", handedness="left") for n in ("Ada", "Bo"))
        session = opened.create_session("invented", analysis_version=1, player_id=ada)
        opened.end_session(session, "stop")
        with opened.database.writing() as db:
            db.execute("INSERT INTO sign_ins VALUES (x'01', '2031', '2031')")
            db.execute("INSERT INTO password VALUES ('of the backup', '2031')")
            links = "INSERT INTO player_links (key, note, made_utc, withdrawn_utc)"
            db.execute(links + " VALUES (x'01', 'a', '2031', NULL), (x'02', 'b', '2031', '2030')")
    say_bay(store, "one", "1" * 32)
    backup = folder / "b.tar"
    take(store, backup, now=NOW)
    return Place(store, backup, ada, bo, session)


@pytest.fixture
def place(made: Place, tmp_path: Path) -> Iterator[Place]:
    store = Path(shutil.copy(made.store, tmp_path / "s.sqlite3"))
    yield Place(store, made.backup, made.ada, made.bo, made.of_ada)


def rows(path: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(query).fetchall()


def test_a_backup_says_what_it_is_and_has_the_store_in_it(made):
    with tarfile.open(made.backup) as archive:
        names = archive.getnames()
        about_file = archive.extractfile("plantigrade-backup.json")
        assert about_file is not None
        about = json.load(about_file)
    assert names == ["plantigrade-backup.json", "store.sqlite3", "sha256"]
    assert about["sessions"] == 1 and about["made_utc"].startswith("2031-03-04T05:06:07")
    assert about["store_version"] == rows(made.store, "PRAGMA user_version")[0][0]
    there = {path.name for path in made.backup.parent.iterdir()}
    assert there - {"s.sqlite3-recording"} == {"b.tar", "s.sqlite3"}  # and no part of it
    assert made.backup.stat().st_mode & 0o777 == 0o600


def test_names_have_a_running_number_and_keep_counts_by_it(place, tmp_path):
    folder = tmp_path / "backups"
    folder.mkdir()
    # By a clock that is set back, and one of another zone; other files stay.
    whens = [NOW, NOW - timedelta(days=9), NOW.astimezone(timezone(timedelta(hours=2)))]
    (folder / "plantigrade-000009-20310101T000000Z.tar").write_bytes(b"")
    (folder / "plantigrade-99-20310101T000000Z.tar").write_bytes(b"mine")
    (folder / "notes").write_bytes(b"mine")
    names, removed = [], []
    for when in whens:
        done = take(place.store, folder, keep=2, now=when)
        names.append(done.path.name)
        removed.append([path.name for path in done.removed])
        assert done.size == done.path.stat().st_size and done.sessions == 1
    assert names == [
        "plantigrade-000010-20310304T050607Z.tar",
        "plantigrade-000011-20310223T050607Z.tar",
        "plantigrade-000012-20310304T050607Z.tar",
    ]
    assert removed == [[], ["plantigrade-000009-20310101T000000Z.tar"], [names[0]]]
    there = {path.name for path in folder.iterdir() if not path.name.startswith(".")}
    assert {names[1], names[2], "notes", "plantigrade-99-20310101T000000Z.tar"} <= there
    assert names[0] not in there


def test_a_file_that_is_there_is_replaced_where_told_and_is_a_backup(place, made, tmp_path):
    there = Path(shutil.copy(made.backup, tmp_path / "b.tar"))
    with pytest.raises(InputError) as raised:
        take(place.store, there)
    assert str(raised.value) == (f"{there}: is there already; name another file, or add --replace")
    assert take(place.store, there, replace=True, keep=1, now=NOW).removed == ()
    for other in (tmp_path / "notes", place.store):
        if other != place.store:
            other.write_bytes(b"mine")
        before = other.read_bytes()
        with pytest.raises(InputError, match=r"is there already and is no backup; name another"):
            take(place.store, other, replace=True)
        assert other.read_bytes() == before


def test_a_folder_that_is_not_there_is_one_sentence(place, tmp_path):
    with pytest.raises((InputError, StoreError), match="none"):
        take(place.store, tmp_path / "none" / "b.tar")


def test_a_restored_store_lets_nobody_in_by_what_the_backup_knew(place, made, tmp_path):
    new = tmp_path / "new" / "t.sqlite3"
    done = restore(made.backup, new, now=NOW)
    assert (done.store, done.sessions, done.players_deleted, done.sessions_deleted, done.kept) == (
        *(new, 1, 0, 0),
        None,
    )
    assert done.made_utc.startswith("2031-03-04T05:06:07")
    assert rows(new, "SELECT * FROM sign_ins") == []
    withdrawn = rows(new, "SELECT withdrawn_utc FROM player_links ORDER BY link_no")
    assert [str(text)[:10] for (text,) in withdrawn] == ["2031-03-04", "2030"]
    assert rows(new, "SELECT hash FROM password") == [("of the backup",)]
    assert rows(new, "SELECT * FROM people_site") == []  # from now on it is another place
    assert {path.name for path in new.parent.iterdir() if path.suffix != ".tar"} >= {new.name}
    assert not new.with_name("t.sqlite3-restoring").exists()


def test_what_was_deleted_since_stays_deleted_and_the_password_is_the_stores(place, made):
    with Store.open(place.store) as store, Register(store) as register:
        delete_player(register, place.ada, "coach")
        with store.database.writing() as db:
            db.execute("UPDATE password SET hash = 'of the store'")
            db.execute("DELETE FROM hub_bay")
            db.execute("DELETE FROM hub_place")
    say_bay(place.store, "two", "2" * 32)
    before = place.store.read_bytes()
    with pytest.raises(InputError) as raised:
        restore(made.backup, place.store, now=NOW)
    assert str(raised.value) == (
        f"store {place.store}: is there already; add --replace to put the backup in its place (a "
        "copy of it is kept), or choose another with --store"
    )
    assert place.store.read_bytes() == before
    done = restore(made.backup, place.store, replace=True, now=NOW)
    assert (done.players_deleted, done.sessions_deleted, done.sessions) == (1, 1, 0)
    kept = place.store.with_name("s.sqlite3-before-restore-20310304T050607Z")
    assert done.kept == kept and kept.exists()
    assert rows(place.store, "SELECT hash FROM password") == [("of the store",)]
    # The bays are those of today; a place that was bound stays so.
    assert rows(place.store, "SELECT name FROM hub_bay") == [("two",)]
    bound = rows(place.store, "SELECT site, bay FROM hub_place WHERE bay IS NOT NULL ORDER BY bay")
    assert bound == [("1" * 32, "one"), ("2" * 32, "two")]
    with Store.open(place.store) as store:
        assert [player.player_id for player in store.players.all()] == [place.bo]
        assert store.sessions() == []
    with pytest.raises(InputError, match=re.escape(f"{kept}: is there already; move it away")):
        restore(made.backup, place.store, replace=True, now=NOW)


def test_folders_that_are_not_there_are_made_for_their_owner_alone(made, tmp_path):
    store = tmp_path / "two" / "folders" / "s.sqlite3"
    assert restore(made.backup, store).store == store
    assert rows(store, "SELECT count(*) FROM sessions") == [(1,)]
    assert store.parent.stat().st_mode & 0o777 == 0o700


def test_a_backup_of_an_older_version_leaves_no_copy_of_the_older_tables(tmp_path):
    """The copy would still have who was deleted since, under a name that nobody knows."""
    old = tmp_path / "old.sqlite3"
    with closing(sqlite3.connect(old, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = OFF")
        for step in migrations.MIGRATIONS[:-1]:
            step(db)
        db.execute(f"PRAGMA user_version = {len(migrations.MIGRATIONS) - 1}")
        db.execute(f"PRAGMA application_id = {migrations.APPLICATION_ID}")
        db.execute("INSERT INTO players VALUES (1, 'p', 'Ada Invented', 'left', 60, '2031-01-01')")
    take(old, tmp_path / "b.tar", now=NOW)
    new = tmp_path / "new" / "s.sqlite3"
    restore(tmp_path / "b.tar", new, now=NOW)
    assert {path.name for path in new.parent.iterdir()} <= {new.name, f"{new.name}-recording"}
    assert rows(new, "PRAGMA user_version") == [(len(migrations.MIGRATIONS),)]
    with Store.open(new) as store, Register(store) as register:
        assert [profile.name for profile in register.profiles().values()] == ["Ada Invented"]


def test_a_backup_of_older_tables_of_people_is_restored(tmp_path, monkeypatch):
    """It made a copy of them first, for which it waited until it was itself done: for ever."""
    old = tmp_path / "old.sqlite3"
    with monkeypatch.context() as before:
        before.setattr(tables, "MIGRATIONS", tables.MIGRATIONS[:-1])
        with Store.open(old) as store, Register(store) as register:
            register.add(name="Ada Invented", handedness="left")
        take(old, tmp_path / "b.tar", now=NOW)
    new = tmp_path / "new" / "s.sqlite3"
    restore(tmp_path / "b.tar", new, now=NOW)
    assert {path.name for path in new.parent.iterdir()} <= {new.name, f"{new.name}-recording"}
    assert rows(new, "SELECT max(version) FROM people_version") == [(len(tables.MIGRATIONS),)]
    with Store.open(new) as store, Register(store) as register:
        assert [profile.name for profile in register.profiles().values()] == ["Ada Invented"]


def test_what_a_killed_one_left_unfinished_goes_and_nothing_else(place, made):
    left = place.store.with_name("s.sqlite3-before-restore-20300101T000000Z.part")
    whole = place.store.with_name("s.sqlite3-before-restore-20300101T000000Z")
    others = place.store.with_name("t.sqlite3-before-restore-20300101T000000Z.part")
    begun = [place.store.with_name(f"s.sqlite3-restoring{end}") for end in ("", "-wal", "-journal")]
    for path in (left, whole, others, *begun):
        path.write_bytes(b"x")
    restore(made.backup, place.store, replace=True, now=NOW)
    assert [path.exists() for path in (left, whole, others)] == [False, True, True]
    assert not any(path.exists() for path in begun)


def test_a_disk_that_did_not_keep_what_was_written_changes_nothing(place, made, monkeypatch):
    before = place.store.read_bytes()
    monkeypatch.setattr(snapshot, "damage", lambda _: "page 3 is spoilt")
    with pytest.raises(StoreError) as raised:
        restore(made.backup, place.store, replace=True, now=NOW)
    new = place.store.with_name("s.sqlite3-restoring")
    said = f"store {new}: the disk did not keep what was written (page 3 is spoilt)"
    assert str(raised.value) == said
    assert place.store.read_bytes() == before
    assert not list(place.store.parent.glob("s.sqlite3-restoring*"))


def test_the_new_store_is_on_the_disk_before_it_has_its_name(made, tmp_path, monkeypatch):
    done: list[str] = []
    sync, appear = snapshot.sync, snapshot.appear

    def noted_sync(path: Path) -> None:
        done.append(f"sync {path.name}")
        sync(path)

    def noted_appear(part: Path, path: Path) -> None:
        done.append(f"name {path.name}")
        appear(part, path)

    monkeypatch.setattr(snapshot, "sync", noted_sync)
    monkeypatch.setattr(snapshot, "appear", noted_appear)
    restore(made.backup, tmp_path / "in" / "t.sqlite3", now=NOW)
    assert done == ["sync t.sqlite3-restoring", "name t.sqlite3", "sync in"]


def test_nobody_else_may_read_what_is_being_restored(made, tmp_path, monkeypatch):
    modes: dict[str, int] = {}
    extract = archive.extract

    def watched(file: Any, name: str, to: Any) -> None:
        modes[name] = os.fstat(to.fileno()).st_mode & 0o777
        extract(file, name, to)

    monkeypatch.setattr(archive, "extract", watched)
    new = tmp_path / "new.sqlite3"
    restore(with_lines(made, tmp_path, people_lines(made)), new, now=NOW)
    assert modes == {archive.STORE: 0o600, archive.PEOPLE: 0o600}
    assert new.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("end", ["-wal", "-journal"])
def test_what_is_left_of_a_store_that_is_gone_is_not_taken_for_a_part(made, tmp_path, end):
    new = tmp_path / "t.sqlite3"
    remains = tmp_path / f"t.sqlite3{end}"
    remains.write_bytes(b"x")
    with pytest.raises(InputError) as raised:
        restore(made.backup, new)
    assert str(raised.value) == (f"{remains}: is left of a store that is gone; move it away first")
    assert not new.exists() and remains.read_bytes() == b"x"


@pytest.mark.parametrize("newer", ["of the store", "of people"])
def test_a_backup_of_a_newer_version_is_refused(made, tmp_path, monkeypatch, newer):
    module: Any = migrations if "store" in newer else tables
    monkeypatch.setattr(module, "MIGRATIONS", module.MIGRATIONS[:-1])
    with pytest.raises(InputError) as raised:
        restore(made.backup, tmp_path / "t.sqlite3")
    said = f"backup {made.backup}: its tables are of a newer version of Plantigrade ("
    assert str(raised.value).startswith(said)
    assert str(raised.value).endswith("); restore it with that version")
    assert list(tmp_path.glob("t.*")) == []


def test_a_backup_that_is_not_there_or_none_is_one_sentence(tmp_path):
    with pytest.raises(InputError, match=r"none\.tar: cannot be read or written \(No such file"):
        restore(tmp_path / "none.tar", tmp_path / "t.sqlite3")
    (tmp_path / "x.tar").write_bytes(b"x" * 5000)
    with pytest.raises(InputError, match=r"x\.tar: is no backup of Plantigrade, or its beginning"):
        restore(tmp_path / "x.tar", tmp_path / "t.sqlite3")


def with_lines(made: Place, folder: Path, lines: list[dict[str, Any]]) -> Path:
    """Make a backup as of a store whose people lie on a server: their rows are lines of JSON."""
    store, people, backup = (folder / name for name in ("e.sqlite3", "p.jsonl", "p.tar"))
    Store.open(store).close()
    people.write_text("".join(json.dumps(line) + "\n" for line in lines), "utf-8")
    with open(made.backup, "rb") as file:
        about = archive.verified(made.backup, file)
    with open(backup, "wb") as file:
        archive.write(file, about, {archive.STORE: store, archive.PEOPLE: people})
    return backup


def people_lines(made: Place) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(made.store)) as db:
        db.row_factory = sqlite3.Row
        found = db.execute("SELECT * FROM people_change").fetchall()
    return [{"table": "people_change", "row": dict(row)} for row in found]


def test_people_of_a_server_come_back_from_their_lines(made, tmp_path):
    lines = people_lines(made)
    backup = with_lines(made, tmp_path, lines)
    restore(backup, tmp_path / "new.sqlite3", now=NOW)
    with Store.open(tmp_path / "new.sqlite3") as store, Register(store) as register:
        changes = register.log.changes()
    assert {one.entity_id for one in changes} >= {made.ada, made.bo}
    assert {one.change_id for one in changes} == {line["row"]["change_id"] for line in lines}
    assert not list(tmp_path.glob("new.sqlite3-restoring*"))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda line: {"table": "people_change"},
        lambda line: {**line, "table": "sessions"},
        lambda line: {**line, "row": {**line["row"], "seq": "1"}},
        lambda line: {**line, "row": {**line["row"], "value": "{"}},
    ],
)
def test_lines_of_people_that_cannot_be_read_change_nothing(made, tmp_path, spoil):
    backup = with_lines(made, tmp_path, [spoil(people_lines(made)[0])])
    with pytest.raises(InputError) as raised:
        restore(backup, tmp_path / "new.sqlite3")
    assert str(raised.value) == "backup: what it says of people cannot be read; take another"
    there = {path.name for path in tmp_path.glob("new.sqlite3*")}
    assert there <= {"new.sqlite3-recording"}
