"""The store's file: opening it safely, its tables, and the way from each version to the next.

Knows SQLite and nothing of what is in the tables; `store.py` reads and writes them.
"""

import os
import sqlite3
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import platformdirs

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store.refusal import explain

APPLICATION_ID = 0x506C6E74
"""Marks the SQLite file as ours ("Plnt"), https://sqlite.org/pragma.html#pragma_application_id."""

BUSY_S = 10.0
"""How long to wait for another program's write before giving up, s (ours)."""

_PAGE_BYTES = 16384
"""Some five chunks of 3 kB fit a page; of the usual 4096 bytes each would leave a quarter empty
(`tests/bench/store.py`), and larger pages are written anew, whole, with every commit."""

_LOG_PAGES = 512  # 8 MB of write-ahead log before it is taken into the file

_VERSION_1 = (
    """CREATE TABLE players (
        player_no INTEGER PRIMARY KEY,
        player_id TEXT NOT NULL UNIQUE,
        name TEXT NOT NULL,
        handedness TEXT NOT NULL CHECK (handedness IN ('right', 'left')),
        mass_kg REAL CHECK (mass_kg > 0),
        created_utc TEXT NOT NULL
    )""",
    """CREATE TABLE sessions (
        session_no INTEGER PRIMARY KEY,
        session_id TEXT NOT NULL UNIQUE,
        player_no INTEGER REFERENCES players ON DELETE CASCADE,
        started_utc TEXT NOT NULL,
        utc_offset_min INTEGER NOT NULL,
        source TEXT NOT NULL,
        host TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('open', 'ended')),
        end_reason TEXT,
        analysis_version INTEGER NOT NULL
    )""",
    "CREATE INDEX sessions_of_player ON sessions (player_no)",
    # The bytes come last: what stands before them is read without touching overflow pages.
    """CREATE TABLE chunks (
        session_no INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
        seq INTEGER NOT NULL,
        first_entry INTEGER NOT NULL,
        entries INTEGER NOT NULL,
        first_ns INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        data BLOB NOT NULL,
        PRIMARY KEY (session_no, seq)
    )""",
    # upto_entry: the event was decided from the record's first so many entries.
    """CREATE TABLE events (
        session_no INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
        event_id TEXT NOT NULL,
        kind TEXT NOT NULL,
        foot TEXT NOT NULL,
        t_s REAL NOT NULL,
        first_index INTEGER NOT NULL,
        upto_entry INTEGER NOT NULL,
        analysis_version INTEGER NOT NULL,
        body TEXT NOT NULL,
        PRIMARY KEY (session_no, event_id)
    )""",
    "CREATE INDEX events_in_time ON events (session_no, t_s, event_id)",
    """CREATE TABLE quality (
        session_no INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
        name TEXT NOT NULL,
        value TEXT NOT NULL,
        PRIMARY KEY (session_no, name)
    )""",
    f"PRAGMA application_id = {APPLICATION_ID}",
)


def _to_version_1(connection: sqlite3.Connection) -> None:
    for statement in _VERSION_1:
        connection.execute(statement)


_VERSION_2 = """CREATE TABLE insoles (
    serial INTEGER PRIMARY KEY,
    foot TEXT NOT NULL UNIQUE CHECK (foot IN ('left', 'right')),
    name TEXT NOT NULL,
    address TEXT NOT NULL,
    length_mm INTEGER NOT NULL,
    paired_utc TEXT NOT NULL
)"""


def _to_version_2(connection: sqlite3.Connection) -> None:
    connection.execute(_VERSION_2)


# What is sent on from here (`enqueue.py`, `outbox.py`): per sink, how far it has come; what
# waits; blocks of regional loads, which alone may be dropped; what a sink would not take.
_OUTBOX = (
    """CREATE TABLE outbox_sinks (
        sink TEXT PRIMARY KEY,
        active INTEGER NOT NULL,
        done_seq INTEGER NOT NULL,
        sent INTEGER NOT NULL DEFAULT 0,
        dropped INTEGER NOT NULL DEFAULT 0
    ) WITHOUT ROWID""",
    """CREATE TABLE outbox (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        session_no INTEGER REFERENCES sessions ON DELETE CASCADE,
        point_id TEXT NOT NULL,
        kind TEXT NOT NULL,
        name TEXT NOT NULL,
        time_ms INTEGER NOT NULL,
        twin INTEGER NOT NULL,
        revision INTEGER NOT NULL,
        body TEXT NOT NULL
    )""",
    "CREATE INDEX outbox_of_session ON outbox (session_no)",
    """CREATE TABLE outbox_loads (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        session_no INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
        first_index INTEGER NOT NULL,
        time_us INTEGER NOT NULL,
        period_us INTEGER NOT NULL,
        rows INTEGER NOT NULL,
        data BLOB NOT NULL
    )""",
    "CREATE INDEX outbox_loads_of_session ON outbox_loads (session_no)",
    """CREATE TABLE outbox_aside (
        sink TEXT NOT NULL,
        seq INTEGER NOT NULL,
        session_no INTEGER REFERENCES sessions ON DELETE CASCADE,
        point_id TEXT NOT NULL,
        kind TEXT NOT NULL,
        name TEXT NOT NULL,
        time_ms INTEGER NOT NULL,
        twin INTEGER NOT NULL,
        revision INTEGER NOT NULL,
        body TEXT NOT NULL,
        reason TEXT NOT NULL,
        set_aside_utc TEXT NOT NULL,
        PRIMARY KEY (sink, seq)
    ) WITHOUT ROWID""",
    "ALTER TABLE sessions ADD COLUMN revision INTEGER NOT NULL DEFAULT 0",
)


def _to_outbox(connection: sqlite3.Connection) -> None:
    for statement in _OUTBOX:
        connection.execute(statement)


# Made from the record to be shown soon (`web/desk/cache.py`); may be deleted and made again.
_DERIVED = """CREATE TABLE derived (
    session_no INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
    name TEXT NOT NULL,
    part INTEGER NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (session_no, name, part)
)"""


def _to_derived(connection: sqlite3.Connection) -> None:
    connection.execute(_DERIVED)


_ACCESS = (
    "CREATE TABLE password (hash TEXT NOT NULL, set_utc TEXT NOT NULL)",
    # key: the hash of a random token that only the browser, or the player's address, holds.
    """CREATE TABLE sign_ins (
        key BLOB PRIMARY KEY,
        begun_utc TEXT NOT NULL,
        used_utc TEXT NOT NULL
    ) WITHOUT ROWID""",
    # Numbers are not used twice: an old page's "withdraw" must not meet another link.
    """CREATE TABLE player_links (
        link_no INTEGER PRIMARY KEY AUTOINCREMENT,
        key BLOB NOT NULL UNIQUE,
        note TEXT NOT NULL,
        session_no INTEGER REFERENCES sessions ON DELETE CASCADE,
        made_utc TEXT NOT NULL,
        withdrawn_utc TEXT
    )""",
    "CREATE INDEX links_of_session ON player_links (session_no)",
)


def _to_access(connection: sqlite3.Connection) -> None:
    for statement in _ACCESS:
        connection.execute(statement)


_CALIBRATIONS = (
    # No key to insoles: one that is forgotten and paired again keeps its history.
    """CREATE TABLE calibrations (
        calibration_no INTEGER PRIMARY KEY,
        serial INTEGER NOT NULL,
        foot TEXT NOT NULL CHECK (foot IN ('left', 'right')),
        made_utc TEXT NOT NULL,
        gain_percent REAL NOT NULL,
        zero_percent REAL NOT NULL,
        notes TEXT NOT NULL,
        body TEXT NOT NULL
    )""",
    "CREATE INDEX calibrations_of_insole ON calibrations (serial, calibration_no)",
    """CREATE TABLE calibration_checks (
        check_no INTEGER PRIMARY KEY,
        calibration_no INTEGER NOT NULL REFERENCES calibrations ON DELETE CASCADE,
        made_utc TEXT NOT NULL,
        gain_percent REAL,
        zero_percent REAL NOT NULL,
        air_n REAL NOT NULL,
        notes TEXT NOT NULL
    )""",
    "CREATE INDEX checks_of_calibration ON calibration_checks (calibration_no, check_no)",
)


def _to_calibrations(connection: sqlite3.Connection) -> None:
    for statement in _CALIBRATIONS:
        connection.execute(statement)


# What a record begins with, a second time: stands for its first piece where that is damaged.
_HEAD = "ALTER TABLE sessions ADD COLUMN head BLOB"


def _to_head(connection: sqlite3.Connection) -> None:
    connection.execute(_HEAD)


MIGRATIONS: list[Callable[[sqlite3.Connection], None]] = [
    _to_version_1,
    _to_version_2,
    _to_outbox,
    _to_derived,
    _to_access,
    _to_calibrations,
    _to_head,
]
"""Migration k takes a file from version k to k + 1; each runs in a transaction of its own.

Only ever appended to: files of every version are out there.
"""


def default_path() -> Path:
    """Return where this installation's store lies unless told: the platform's data folder."""
    return platformdirs.user_data_path("plantigrade", appauthor=False) / "store.sqlite3"


def is_unused(named: Path | None) -> bool:
    """Whether nothing was ever recorded here: no store is named, and the usual one is not there.

    Then a list is empty and no error; a store that is named must be there.
    """
    return named is None and not default_path().exists()


def connect(path: Path, *, create: bool = True) -> sqlite3.Connection:
    """Open a store file, make it if it is missing, and bring it to this version's tables.

    Parameters
    ----------
    path : Path
    create : bool
        Whether a missing file (and its folder) is made.

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
            _migrate(connection)
        except BaseException:
            connection.close()
            if made and not _size(path):  # nobody else's: nothing is left of a try
                path.unlink(missing_ok=True)
            raise
    except sqlite3.Error as error:
        raise explain(path, error) from error
    return connection


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
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_CANTOPEN:
                raise
            log = path.with_name(path.name + "-wal")
            if _size(log):
                raise StoreError(
                    f"store {path}: its newest entries are still in {log.name}, and nothing may be "
                    "written in its folder; copy both files to another folder and read them there"
                ) from error
            # Nobody can be writing it: that too would need the files beside it.
            connection = _connect_to_read(path, "&immutable=1")
        try:
            if _number(connection, "user_version") < len(MIGRATIONS):
                _shadow_missing(connection)
        except BaseException:
            connection.close()
            raise
    except sqlite3.Error as error:
        raise explain(path, error) from error
    return connection


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


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])


def _is_fresh(connection: sqlite3.Connection, path: Path) -> bool:
    """Whether there is nothing in a file yet; refuse another program's and a newer version's."""
    version = _number(connection, "user_version")
    ours = _number(connection, "application_id") == APPLICATION_ID
    fresh = not ours and _number(connection, "schema_version") == 0
    if not ours and not fresh:
        raise StoreError(
            f"store {path}: is an SQLite file of another program; choose another with --store"
        )
    if ours and version > len(MIGRATIONS):
        raise StoreError(
            f"store {path}: was written by a newer version of Plantigrade "
            f"(store version {version}, this one knows up to {len(MIGRATIONS)}); "
            "install the newer version or choose another store with --store"
        )
    return fresh


def _set_up(connection: sqlite3.Connection, path: Path) -> None:
    """Check whose file it is before anything is changed in it, then set the connection up."""
    if _is_fresh(connection, path):
        connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
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
    ):
        connection.execute(f"PRAGMA {pragma}")


def _migrate(connection: sqlite3.Connection) -> None:
    while _number(connection, "user_version") < len(MIGRATIONS):
        connection.execute("BEGIN IMMEDIATE")
        try:
            # Read again under the lock: another program may have been quicker.
            version = _number(connection, "user_version")
            if version < len(MIGRATIONS):
                MIGRATIONS[version](connection)
                connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
