"""A backup: one file with the whole store, and with people's tables where they lie on a server."""

import json
import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import sqlalchemy as sa

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people import tables
from plantigrade_gateway.store import archive, schema, snapshot
from plantigrade_gateway.store.rows import utc_text

_PREFIXES = ("people_", "hub_")
_STAMP = "%Y%m%dT%H%M%SZ"
_NUMBERED = re.compile(r"plantigrade-(\d{6,})-\d{8}T\d{6}Z\.tar")


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was made.

    Attributes
    ----------
    path : Path
    size : int
        Bytes.
    sessions : int
    removed : tuple of Path
        Older ones that went.
    """

    path: Path
    size: int
    sessions: int
    removed: tuple[Path, ...]


def take(
    store: Path,
    to: Path,
    *,
    keep: int | None = None,
    replace: bool = False,
    now: datetime | None = None,
) -> Backup:
    """Write a backup of a store, while others use it and record into it.

    Parameters
    ----------
    store : Path
        Only read; an older version's stays one.
    to : Path
        A folder, in which it gets a number and a name of its own, or the file's name.
    keep : int or None
        How many of a folder's backups stay, the one that is made among them; all if None. They are
        told by their numbers: a clock that is set back removes none too early.
    replace : bool
        Whether a backup that is there may go.
    now : datetime, optional

    Raises
    ------
    StoreError
        The store cannot be read or is damaged, or the disk refuses; older backups stay.
    InputError
        There is such a file, and it is not to go or is no backup.
    """
    when = now or datetime.now(UTC)
    folder = to if to.is_dir() else to.parent
    with snapshot.alone(folder):
        if to.is_dir():
            snapshot.sweep(folder, "plantigrade-*")
        path = folder / _next_name(folder, when) if to.is_dir() else to
        try:
            _refuse_another(path, replace)
            sessions = _write(store, path, when)
        except OSError as error:
            raise StoreError(f"backup {path}: cannot be written ({error.strerror})") from error
        removed = tuple(_surplus(folder, keep)) if keep is not None and to.is_dir() else ()
        for old in removed:
            old.unlink()
    return Backup(path, path.stat().st_size, sessions, removed)


def _refuse_another(path: Path, replace: bool) -> None:
    """Refuse a name that a file has: only a backup is replaced, and never the store itself."""
    if path.exists() and not replace:
        raise InputError(f"{path}: is there already; name another file, or add --replace")
    if path.exists() and not (path.is_file() and archive.is_one(path)):
        raise InputError(f"{path}: is there already and is no backup; name another file")


def _numbered(folder: Path) -> list[tuple[int, Path]]:
    found = ((_NUMBERED.fullmatch(path.name), path) for path in folder.iterdir())
    return sorted((int(match[1]), path) for match, path in found if match)


def _next_name(folder: Path, when: datetime) -> str:
    number = max((number for number, _ in _numbered(folder)), default=0) + 1
    return f"plantigrade-{number:06d}-{when.astimezone(UTC).strftime(_STAMP)}.tar"


def _surplus(folder: Path, keep: int) -> Iterator[Path]:
    for _, path in _numbered(folder)[:-keep]:
        yield path


def _write(store: Path, path: Path, when: datetime) -> int:
    """Make the parts, put them together, read the whole again, and give it its name."""
    copy, people, part = (
        path.with_name(f"{path.name}{end}{snapshot.PART}") for end in (".store", ".people", "")
    )
    with ExitStack() as stack:
        for each in (copy, people, part):
            each.unlink(missing_ok=True)
            stack.callback(each.unlink, missing_ok=True)
        with closing(schema.connect_read_only(store)) as source:
            snapshot.snapshot(source, store, copy)
        # After the store's copy: who was deleted in between has a tombstone in it.
        members = {archive.STORE: copy}
        if _people_lines(store, people):
            members[archive.PEOPLE] = people
        about = _about(copy, when)
        with open(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600), "w+b") as file:
            archive.write(file, about, members)
            file.flush()
            os.fsync(file.fileno())
            file.seek(0)
            archive.verified(part, file)
        snapshot.appear(part, path)
    return about.sessions


def _about(copy: Path, when: datetime) -> archive.About:
    with closing(
        sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    ) as db:
        ((store_version,),) = db.execute("PRAGMA user_version")
        ((sessions,),) = db.execute("SELECT count(*) FROM sessions")
    return archive.About(
        archive.FORMAT,
        version("plantigrade"),
        utc_text(when),
        store_version,
        len(tables.MIGRATIONS),
        sessions,
    )


def tables_there(db: sa.Connection) -> dict[str, sa.Table]:
    """Return people's and the hub's tables of a server by name; a place's own name is not kept."""
    own = {tables.VERSION.name, tables.SITE.name}
    found = sa.MetaData()
    found.reflect(db, only=lambda name, _: name.startswith(_PREFIXES) and name not in own)
    return {table.name: table for table in found.sorted_tables}


def _people_lines(store: Path, to: Path) -> bool:
    """Write people's tables as JSON lines where they are not in the store's file."""
    engine = tables.engine_for(store)
    try:
        if engine.dialect.name == "sqlite":
            return False
        handle = os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with (
            open(handle, "w", encoding="utf-8") as file,
            tables.explained(store),
            engine.connect().execution_options(isolation_level="REPEATABLE READ") as db,
        ):
            for table in tables_there(db).values():
                for row in db.execute(sa.select(table)):
                    line = {"table": table.name, "row": dict(row._mapping)}
                    file.write(json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n")
        return True
    finally:
        engine.dispose()
