"""The store's file: opening it safely, its tables, and the way from each version to the next.

Knows SQLite and nothing of what is in the tables; `store.py` reads and writes them.
"""

import glob
import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

import platformdirs

from plantigrade.errors import shown
from plantigrade_gateway.errors import DamageError, StoreError
from plantigrade_gateway.store import migrations, snapshot
from plantigrade_gateway.store.refusal import explain

BUSY_S = 10.0
"""How long to wait for another program's write before giving up, s (ours)."""

PAGE_BYTES = 16384
"""Some five chunks of 3 kB fit a page; of the usual 4096 bytes each would leave a quarter empty
(`tests/bench/store.py`), and larger pages are written anew, whole, with every commit."""

_OLDER = "-of-version-"
BEFORE_RESTORE = "-before-restore-"
"""Stands in the name of the copy of a store that a backup took the place of."""
RESTORING = "-restoring"
"""Ends the name of the store that a restore makes, beside the one whose place it takes."""

_LOG_PAGES = 512  # 8 MB of write-ahead log before it is taken into the file


def default_path() -> Path:
    """Return where this installation's store lies unless told: the platform's data folder."""
    return followed(platformdirs.user_data_path("plantigrade", appauthor=False) / "store.sqlite3")


def followed(path: Path) -> Path:
    """Return the store's own file where a name is a link to it.

    What lies beside a store is named after it, and two names would have two of it: who records
    into the one would not be seen by who replaces the other.
    """
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def is_unused(named: Path | None) -> bool:
    """Whether nothing was ever recorded here: no store is named, and the usual one is not there.

    Then a list is empty and no error; a store that is named must be there.
    """
    return named is None and not default_path().exists()


def connect(path: Path, *, create: bool = True, keeps_old: bool = True) -> sqlite3.Connection:
    """Open a store file, make it if it is missing, and bring it to this version's tables.

    Parameters
    ----------
    path : Path
    create : bool
        Whether a missing file (and its folder) is made.
    keeps_old : bool
        Whether a file of an older version is copied first (`kept_copies`).

    Returns
    -------
    sqlite3.Connection
        In autocommit mode: transactions are written out. WAL, ``synchronous=FULL``.

    Raises
    ------
    StoreError
        The file is missing, cannot be read or written, is not a store, is damaged, or was written
        by a newer version; one sentence with what to do. Such a file is left as it was.
    """
    made = _prepare(path, create)
    try:
        connection = sqlite3.connect(
            path, timeout=BUSY_S, isolation_level=None, check_same_thread=False
        )
        try:
            _set_up(connection, path)
            if keeps_old and 0 < _number(connection, "user_version") < len(migrations.MIGRATIONS):
                _keep_old(connection, path)
            _migrate(connection)
        except BaseException:
            connection.close()
            if made and not _size(path):  # nobody else's: nothing is left of a try
                path.unlink(missing_ok=True)
            raise
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise explain(path, error) from error
    return connection


def _keep_old(connection: sqlite3.Connection, path: Path) -> None:
    with snapshot.alone(path.parent, wait=True):
        version = _number(connection, "user_version")
        if version < len(migrations.MIGRATIONS):  # else another program was quicker
            _copy(connection, path, str(version))


def _copy(connection: sqlite3.Connection, path: Path, version: str) -> None:
    kept = path.with_name(f"{path.name}{_OLDER}{version}")
    part = kept.with_name(kept.name + snapshot.PART)
    part.unlink(missing_ok=True)
    snapshot.snapshot(connection, path, part)
    snapshot.appear(part, kept)


def keep_copy(path: Path, version: str) -> None:
    """Copy a file before other tables than the store's own are changed in it (`kept_copies`)."""
    with closing(connect_read_only(path)) as connection, snapshot.alone(path.parent, wait=True):
        _copy(connection, path, version)


def kept_copies(path: Path) -> list[Path]:
    """Return the copies that were made of a store before it was brought to a newer version.

    Their names end in the version of its tables, or of people's. They hold nothing that the store
    did not keep.
    """
    return sorted(path.parent.glob(f"{glob.escape(path.name)}{_OLDER}*"))


def replaced_copies(path: Path) -> list[Path]:
    """Return the copies of what a store was before backups took its place.

    They hold what is nowhere else, so nothing deletes them but people.
    """
    return sorted(path.parent.glob(f"{glob.escape(path.name)}{BEFORE_RESTORE}*"))


def drop_unfinished(path: Path) -> None:
    """Remove what a killed restore left unfinished beside a store; only inside `snapshot.alone`.

    It may be whole players, and nobody looks for it again.
    """
    snapshot.sweep(path.parent, f"{glob.escape(path.name)}{BEFORE_RESTORE}*")
    for end in ("", "-wal", "-shm", "-journal", "-recording", "-deleting", snapshot.PART):
        left = path.with_name(f"{path.name}{RESTORING}{end}")
        if left.exists():  # on a read-only disk even the removal of nothing is refused
            left.unlink(missing_ok=True)


def is_made(path: Path | None) -> bool:
    """Whether there is something in the store at `path`, or at the usual place."""
    return _size(default_path() if path is None else path) > 0


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Open a store file for reading; it is neither made, changed nor brought to another version.

    A file of an older version reads like one of this version in which nothing newer was ever
    stored. SQLite may put its two working files (``-wal``, ``-shm``) beside it, as every reader of
    a database with a write-ahead log does; where it cannot, the file is read by itself.

    Raises
    ------
    StoreError
        As `connect`; also where the newest of the file is still in its write-ahead log, which
        cannot be read where nothing may be written beside it.
    """
    _prepare(path, create=False)
    try:
        try:
            connection = _connect_to_read(path)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_READONLY_ROLLBACK:
                connection = _rolled_back(path)
            elif error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_CANTOPEN:
                raise
            else:
                connection = _read_alone(path, error)
        try:
            if _number(connection, "user_version") < len(migrations.MIGRATIONS):
                _shadow_missing(connection)
        except BaseException:
            connection.close()
            raise
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise explain(path, error) from error
    return connection


def _read_alone(path: Path, error: sqlite3.Error) -> sqlite3.Connection:
    """Open a file beside which nothing may be written; nobody can be writing it either."""
    log = path.with_name(path.name + "-wal")
    if _size(log):
        raise StoreError(
            f"store {path}: its newest entries are still in {log.name}, and nothing may be "
            "written in its folder; copy both files to another folder and read them there"
        ) from error
    return _connect_to_read(path, "&immutable=1")


def lies_alone(path: Path) -> bool:
    """Whether a file is read as it lies: no log is beside it, and nothing may be written there.

    As on a read-only disk. Nobody can be writing it: that too would need the files beside it.
    """
    working = (path.with_name(path.name + end) for end in ("-wal", "-shm"))
    return (
        path.is_file()
        and not os.access(path.parent, os.W_OK)
        and not any(file.exists() for file in working)
    )


def _rolled_back(path: Path) -> sqlite3.Connection:
    """Take back what a program was killed in the middle of, then open the file for reading.

    Only one that is no longer, or not yet, written by a log has such a thing: a copy, a backup that
    was restored. SQLite lets nobody read it before; whoever may write takes it back by reading.
    """
    with closing(sqlite3.connect(path, timeout=BUSY_S)) as db:
        db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone()
    return _connect_to_read(path)


def _connect_to_read(path: Path, options: str = "") -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro{options}",
        uri=True,
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        if _is_fresh(connection, path):
            raise StoreError(f"store {path}: is empty; record a session first")
    except BaseException:
        connection.close()
        raise
    return connection


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _shadow_missing(connection: sqlite3.Connection) -> None:
    """Put what a file of an older version lacks before it, empty, for this connection alone.

    In SQLite a temporary table or view stands before one of the same name in the file, and may be
    made where the file may only be read (https://sqlite.org/lang_naming.html).
    """
    connection.execute("PRAGMA temp_store = MEMORY")
    newest = sqlite3.connect(":memory:", isolation_level=None)
    try:
        _migrate(newest)
        tables = newest.execute(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
        for name, statement in tables:
            wanted = newest.execute(f"PRAGMA table_info({name})").fetchall()
            there = {row[1] for row in connection.execute(f"PRAGMA main.table_info({name})")}
            missing = [row for row in wanted if row[1] not in there]
            if not there:
                connection.execute(statement.replace("CREATE TABLE", "CREATE TEMP TABLE", 1))
            elif missing:
                added = ", ".join(f"{row[4] or 'NULL'} AS {row[1]}" for row in missing)
                connection.execute(f"CREATE TEMP VIEW {name} AS SELECT *, {added} FROM main.{name}")
    finally:
        newest.close()


def _prepare(path: Path, create: bool) -> bool:
    """Refuse a folder or a missing file; make a new file that only its owner may read.

    Returns
    -------
    bool
        Whether it was made.
    """
    try:
        if path.is_dir():
            raise StoreError(f"store {path}: is a folder, expected a file; name one with --store")
        if path.exists() and not path.is_file():  # a pipe would be waited for, for ever
            raise StoreError(f"store {path}: is no file; name another with --store")
        _refuse_lone_log(path)
        if path.exists():
            # Never open and close an existing file here: that would drop the locks which this
            # process's other connections hold on it (https://sqlite.org/howtocorrupt.html §2.2).
            return False
        if not create:
            raise StoreError(
                f"store {path}: not found; record a session first or choose another with --store"
            )
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with suppress(FileExistsError):  # another program was quicker
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
            return True
        return False
    except OSError as error:
        raise StoreError(
            f"store {path}: cannot be opened or made ({error.strerror}); "
            "allow writing in its folder or choose another with --store"
        ) from error


def is_there(path: Path) -> bool:
    """Return whether anything of a store lies there, were it only its write-ahead log."""
    return path.exists() or path.with_name(path.name + "-wal").exists()


def _refuse_lone_log(path: Path) -> None:
    """Refuse a write-ahead log whose file is gone or empty: SQLite would delete it unread."""
    log = path.with_name(path.name + "-wal")
    if not _size(path) and _size(log):
        lost = "is empty" if path.exists() else "is not there"
        raise StoreError(
            f"store {path}: {lost}, but {log.name} beside it holds what was written last; put the "
            f"store's file back, or move {log.name} away and begin anew"
        )


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])


def _is_fresh(connection: sqlite3.Connection, path: Path) -> bool:
    """Whether there is nothing in a file yet; refuse another program's and a newer version's."""
    version = _number(connection, "user_version")
    ours = _number(connection, "application_id") == migrations.APPLICATION_ID
    fresh = not ours and _number(connection, "schema_version") == 0
    if not ours and not fresh:
        raise StoreError(
            f"store {path}: is an SQLite file of another program; choose another with --store"
        )
    if ours and version > len(migrations.MIGRATIONS):
        raise StoreError(
            f"store {path}: was written by a newer version of Plantigrade "
            f"(store version {version}, this one knows up to {len(migrations.MIGRATIONS)}); "
            "install the newer version or choose another store with --store"
        )
    if ours:
        _refuse_doers(connection, path)
    return fresh


def _refuse_doers(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse what does something by itself: it may copy what is deleted, or never come to an end.

    No store has any of it; in a file that somebody gave it may stand.
    """
    found = connection.execute(
        "SELECT type, name FROM main.sqlite_schema WHERE type IN ('trigger', 'view')"
        " OR sql LIKE 'CREATE VIRTUAL %' LIMIT 1"
    ).fetchone()
    if found is not None:
        kind, name = found
        raise DamageError(
            f"store {path}: was changed by another program: it holds the {kind} {shown(name)}, "
            "which no store has; plantigrade repair copies its rows into a new store"
        )


def _set_up(connection: sqlite3.Connection, path: Path) -> None:
    """Check whose file it is before anything is changed in it, then set the connection up."""
    if _is_fresh(connection, path):
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # deletion gives its space back
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"store {path}: its disk does not allow write-ahead logging (a network drive?); "
            "choose a file on a local disk with --store"
        )
    for pragma in (
        "synchronous = FULL",
        "fullfsync = ON",  # macOS: fsync alone leaves data in the drive's cache
        "checkpoint_fullfsync = ON",
        f"wal_autocheckpoint = {_LOG_PAGES}",
        "foreign_keys = ON",
        "secure_delete = ON",
        # What a statement needs to be taken back lies in memory: a temporary folder that is full
        # would else refuse results where the store's own disk has room, and hold what was deleted.
        "temp_store = MEMORY",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _migrate(connection: sqlite3.Connection) -> None:
    """Bring the tables to this version, one at a time; new ones at once.

    A new store whose making is killed is none, and not one of an older version to be copied first.
    """
    while _number(connection, "user_version") < len(migrations.MIGRATIONS):
        connection.execute("BEGIN IMMEDIATE")
        try:
            # Read again under the lock: another program may have been quicker.
            version = _number(connection, "user_version")
            until = version + 1 if version else len(migrations.MIGRATIONS)
            for step in migrations.MIGRATIONS[version:until]:
                step(connection)
                version += 1
            connection.execute(f"PRAGMA user_version = {version}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
