"""A backup put in a store's place: verified first, and without what was deleted since.

Nothing is touched before all of the backup has been read and found whole. The new store is made
beside the old one and then takes its place in one transaction of SQLite's, or under its name where
there is none; killed at any moment, the old one is there as it was. A copy of it is kept.
"""

import errno
import json
import os
import sqlite3
from collections.abc import Generator, Iterable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import sqlalchemy as sa

from plantigrade_gateway.converter import made
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.foreign import is_pipe
from plantigrade_gateway.people import tables
from plantigrade_gateway.people.backup import tables_there
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.log import DELETED, ChangeLog, read_changes
from plantigrade_gateway.people.players import PLAYER, SESSION
from plantigrade_gateway.people.tables import engine_for, explained, is_there
from plantigrade_gateway.store import archive, migrations, schema, snapshot
from plantigrade_gateway.store.database import not_recorded_into
from plantigrade_gateway.store.refusal import explain
from plantigrade_gateway.store.rows import utc_text
from plantigrade_gateway.store.store import Store

_BAYS, _PLACES = "hub_bay", "hub_place"
"""A hub's bays and the hashes of their credentials, and whose each place is (`hubtables`)."""
_IS_TABLE = "SELECT 1 FROM sqlite_schema WHERE name = ?"
_STAMP = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put in a store's place.

    Attributes
    ----------
    store : Path
    made_utc : str
        When the backup was made.
    sessions : int
        That the store has now.
    players_deleted, sessions_deleted : int
        That the backup had, and were left out since they were deleted after it was made.
    kept : Path or None
        The copy of the store that was there.
    """

    store: Path
    made_utc: str
    sessions: int
    players_deleted: int
    sessions_deleted: int
    kept: Path | None


def restore(
    backup: Path, store: Path, *, replace: bool = False, now: datetime | None = None
) -> Restored:
    """Put what is in a backup in a store's place.

    Of people's tables on a server nothing is taken away: what the backup has and they have not is
    added to them.

    Parameters
    ----------
    backup : Path
    store : Path
    replace : bool
        Whether there may be one; a copy of it is kept beside it.
    now : datetime, optional

    Raises
    ------
    InputError
        The backup cannot be used, or there is a store.
    StoreError
        The store that is there is a newer version's or cannot be read, a program records into it,
        or the disk refuses: it is as it was.
    """
    if is_pipe(backup):
        raise InputError(f"backup {backup}: is a pipe, expected a file")
    try:
        with open(backup, "rb") as file:
            about = archive.verified(backup, file)
            _refuse_newer(backup, about)
            _make_room(store, replace)
            with snapshot.alone(store.parent), not_recorded_into(store) as alone:
                if not alone:
                    raise StoreError(f"store {store}: a program records into it; stop it first")
                return _restored(file, about, store, now or datetime.now(UTC))
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):  # the backup is only read
            raise StoreError(f"store {store}: the disk is full; make room on it") from error
        where = error.filename or backup
        raise InputError(f"{where}: cannot be read or written ({error.strerror})") from error


def _refuse_newer(backup: Path, about: archive.About) -> None:
    here = (len(migrations.MIGRATIONS), len(tables.MIGRATIONS))
    if about.store_version > here[0] or about.people_version > here[1]:
        raise InputError(
            f"backup {backup}: its tables are of a newer version of Plantigrade "
            f"({about.program}); restore it with that version"
        )


def _make_room(store: Path, replace: bool) -> None:
    """See that the store may be replaced, or that there is none and no remains of one."""
    if not schema.is_made(store):
        for end in ("-wal", "-journal"):  # SQLite would take it for a part of the new one
            if (remains := store.with_name(store.name + end)).exists():
                raise InputError(f"{remains}: is left of a store that is gone; move it away first")
        store.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    elif not replace:
        raise InputError(
            f"store {store}: is there already; add --replace to put the backup in its place (a "
            "copy of it is kept), or choose another with --store"
        )
    else:
        schema.connect_read_only(store).close()  # refuses one that is not ours, newer or damaged


def _restored(file: BinaryIO, about: archive.About, store: Path, when: datetime) -> Restored:
    new = store.with_name(store.name + schema.RESTORING)
    schema.drop_unfinished(store)
    try:
        with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as to:
            archive.extract(file, archive.STORE, to)
        schema.connect(new, create=False, keeps_old=False).close()
        counts = _made_ready(file, new, store, when)
        if found := snapshot.damage(new):
            raise StoreError(f"store {new}: the disk did not keep what was written ({found})")
        snapshot.sync(new)
        kept = _put_in_place(new, store, when)
    finally:
        schema.drop_unfinished(store)
    return Restored(store, about.made_utc, *counts, kept)


def _put_in_place(new: Path, store: Path, when: datetime) -> Path | None:
    if not schema.is_made(store):
        snapshot.appear(new, store)
        return None
    stamp = when.astimezone(UTC).strftime(_STAMP)
    kept = store.with_name(f"{store.name}{schema.BEFORE_RESTORE}{stamp}")
    if kept.exists():
        raise InputError(f"{kept}: is there already; move it away first")
    part = kept.with_name(kept.name + snapshot.PART)
    with closing(schema.connect_read_only(store)) as old:
        snapshot.snapshot(old, store, part)
    snapshot.appear(part, kept)
    try:
        with (
            closing(sqlite3.connect(new)) as source,
            closing(sqlite3.connect(store, timeout=schema.BUSY_S)) as there,
        ):
            there.execute("PRAGMA synchronous = FULL")
            there.execute("PRAGMA fullfsync = ON")
            source.backup(there)  # one transaction, which others see as any other
            there.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.Error as error:
        raise explain(store, error) from error
    return kept


# What is in it


def _made_ready(file: BinaryIO, new: Path, old: Path, when: datetime) -> tuple[int, int, int]:
    """Make a store of a backup one that may go on from today.

    Returns
    -------
    int
        Its sessions.
    int, int
        Players and sessions that were deleted from it.
    """
    with Store.open(new, create=False) as store:
        store.recover()
        deleted = _people(file, store, old)
        _close_doors(store, old, when)
        return len(store.sessions()), *deleted


def _people(file: BinaryIO, store: Store, old: Path) -> tuple[int, int]:
    """Bring people's tables together with those that are there; delete what was deleted."""
    engine, beside = engine_for(store.path), tables.sqlite_engine(store.path)
    try:
        with explained(old):
            tables.migrate(engine, keeps_old=False)  # the backup itself is the copy
            log = ChangeLog(engine)
            with closing(_lines(file, store.path)) as lines:
                _take(log, engine, lines)
            if engine.dialect.name == "sqlite":
                _begin_new_site(engine)
                log.merge((c for c in _changes_of(old) if c.field == DELETED), judges=False)
            elif is_there(beside):
                tables.migrate(beside, keeps_old=False)
                there = ChangeLog(beside)
                log.merge(there.changes(), there.restamps(), judges=False)
            gone = {entity: log.deleted(entity) for entity in (PLAYER, SESSION)}
    finally:
        engine.dispose()
        beside.dispose()
    return _delete(store, gone[PLAYER], gone[SESSION])


def _changes_of(store: Path) -> list[Change]:
    if not schema.is_made(store):
        return []
    engine = tables.sqlite_engine(store)
    try:
        return read_changes(engine) if is_there(engine) else []
    finally:
        engine.dispose()


def _begin_new_site(engine: sa.Engine) -> None:
    """Let what is said from now on be another place's.

    Others may have had changes of this place that came after the backup: new ones under the same
    numbers would be taken for those, and never be asked for.
    """
    with tables.writing(engine).begin() as db:
        db.execute(tables.SITE.delete())


def _lines(file: BinaryIO, beside: Path) -> Generator[dict[str, Any], None, None]:
    """Give the rows of people's tables that a backup has as lines."""
    lines = beside.with_name(beside.name + snapshot.PART)
    try:
        with open(os.open(lines, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600), "w+b") as text:
            archive.extract(file, archive.PEOPLE, text)
            text.seek(0)
            for line in text:
                yield json.loads(line)
    finally:
        lines.unlink(missing_ok=True)


def _take(log: ChangeLog, engine: sa.Engine, lines: Iterable[dict[str, Any]]) -> None:
    """Add rows of people's tables to those that are there."""
    with engine.connect() as db:
        there = tables_there(db)
    rows: dict[str, list[dict[str, Any]]] = {}
    try:
        for line in lines:
            values = _row_of(there[line["table"]], line["row"])
            rows.setdefault(line["table"], []).append(values)
        changes = [
            made(Change, {**row, "value": json.loads(row["value"])})
            for row in rows.pop(tables.CHANGE.name, [])
        ]
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        # Written by no program of ours, under a hash that anybody can reckon.
        raise InputError("backup: what it says of people cannot be read; take another") from error
    restamps = [(row["change_id"], row["hlc"]) for row in rows.pop(tables.RESTAMP.name, [])]
    log.merge(changes, restamps, judges=False)  # who was ahead is said in it already
    with tables.writing(engine).begin() as db:
        for table, row in ((there[name], row) for name, some in rows.items() for row in some):
            keys = [column == row[column.name] for column in table.primary_key]
            if db.execute(sa.select(sa.literal(1)).where(*keys)).first() is None:
                db.execute(table.insert().values(**row))


def _row_of(table: sa.Table, row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of a backup, where its values are what the table's columns hold.

    One of an older version lacks the columns that came since.
    """
    for column in table.columns:
        value = row.get(column.name)
        if not (isinstance(value, column.type.python_type) or (value is None and column.nullable)):
            raise TypeError(column.name)
    return {name: row[name] for name in table.columns.keys() & row.keys()}


def _delete(store: Store, players: set[str], sessions: set[str]) -> tuple[int, int]:
    before = len(store.sessions())
    there = {player.player_id for player in store.players.all()} & players
    for player_id in there:
        store.players.delete(player_id)
    for session in store.sessions():
        if session.session_id in sessions:
            store.delete_session(session.session_id)
    return len(there), before - len(store.sessions())


def _close_doors(store: Store, old: Path, when: datetime) -> None:
    """Let nobody in who would not get in without the backup.

    Devices sign in again, with the password of today if there is one, and links are made again:
    which were withdrawn since, the backup does not say. A hub's bays, and whose each
    place is, are those of today.
    """
    password: list[tuple[Any, ...]] = []
    kept: dict[str, tuple[list[str], list[tuple[Any, ...]]]] = {}
    if schema.is_made(old):
        with Store.open(old, read_only=True) as there:
            password = there.database.read("SELECT hash, set_utc FROM password")
            for table in (_BAYS, _PLACES):
                if there.database.read(_IS_TABLE, (table,)):
                    columns = [row[1] for row in there.database.read(f"PRAGMA table_info({table})")]
                    rows = there.database.read(f"SELECT {', '.join(columns)} FROM {table}")
                    kept[table] = columns, rows
    with store.database.writing() as db:
        for table, (columns, rows) in kept.items():
            if db.execute(_IS_TABLE, (table,)).fetchone():
                if table == _BAYS:  # a place that is bound stays so
                    db.execute(f"DELETE FROM {table}")
                marks = ", ".join("?" * len(columns))
                into = f"INSERT OR REPLACE INTO {table} ({', '.join(columns)}) VALUES ({marks})"
                db.executemany(into, rows)
        db.execute("DELETE FROM sign_ins")
        db.execute(
            "UPDATE player_links SET withdrawn_utc = coalesce(withdrawn_utc, ?)", (utc_text(when),)
        )
        if password:
            db.execute("DELETE FROM password")
            db.executemany("INSERT INTO password (hash, set_utc) VALUES (?, ?)", password)
