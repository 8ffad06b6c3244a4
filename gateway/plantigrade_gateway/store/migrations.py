"""The store's tables, version by version: what each step makes of the one before."""

import sqlite3
from collections.abc import Callable

APPLICATION_ID = 0x506C6E74
"""Marks the SQLite file as ours ("Plnt"), https://sqlite.org/pragma.html#pragma_application_id."""

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


_INFORMATION = (
    "ALTER TABLE insoles ADD COLUMN information BLOB",
    "ALTER TABLE insoles ADD COLUMN firmware INTEGER",  # seen last
    "ALTER TABLE insoles ADD COLUMN bonded INTEGER NOT NULL DEFAULT 0",
    # The newest firmware that was ever seen on a kind of insole.
    "CREATE TABLE firmware (hardware INTEGER PRIMARY KEY, newest INTEGER NOT NULL)",
    # Curves from the bench or the insole; one that is later than a calibration stands before it.
    """CREATE TABLE curves (
        curve_no INTEGER PRIMARY KEY,
        serial INTEGER NOT NULL,
        made_utc TEXT NOT NULL,
        body TEXT NOT NULL
    )""",
)


def _to_information(connection: sqlite3.Connection) -> None:
    """Add them to a file."""
    for statement in _INFORMATION:
        connection.execute(statement)


# Several pairs of insoles: an empty name is the usual one, as it was when there was but one. What
# differs in its case alone is one pair: names are part of files' names.
_PAIRS = (
    """CREATE TABLE insoles_of_pairs (
        serial INTEGER PRIMARY KEY,
        foot TEXT NOT NULL CHECK (foot IN ('left', 'right')),
        name TEXT NOT NULL,
        address TEXT NOT NULL,
        length_mm INTEGER NOT NULL,
        paired_utc TEXT NOT NULL,
        information BLOB,
        firmware INTEGER,
        bonded INTEGER NOT NULL DEFAULT 0,
        pair TEXT COLLATE NOCASE NOT NULL DEFAULT '',
        UNIQUE (pair, foot)
    )""",
    "INSERT INTO insoles_of_pairs SELECT *, '' FROM insoles",
    "DROP TABLE insoles",
    "ALTER TABLE insoles_of_pairs RENAME TO insoles",
    "ALTER TABLE sessions ADD COLUMN pair TEXT COLLATE NOCASE NOT NULL DEFAULT ''",
    "ALTER TABLE player_links ADD COLUMN pair TEXT COLLATE NOCASE NOT NULL DEFAULT ''",
)


def _to_pairs(connection: sqlite3.Connection) -> None:
    for statement in _PAIRS:
        connection.execute(statement)


_AT_HUB = (
    # What the hub has confirmed of a session that was ended there (`hubledger.py`).
    """CREATE TABLE handed_over (
        session_no INTEGER PRIMARY KEY REFERENCES sessions ON DELETE CASCADE,
        pieces INTEGER NOT NULL,
        sha256 TEXT NOT NULL,
        player_id TEXT,
        confirmed_utc TEXT NOT NULL
    )""",
    # Receipts of players that were deleted, ids alone: kept until the hub has them, and after.
    """CREATE TABLE receipts (
        player_id TEXT PRIMARY KEY,
        receipt TEXT NOT NULL,
        is_done INTEGER NOT NULL,
        confirmed_utc TEXT
    )""",
)


def _to_hub_ledger(connection: sqlite3.Connection) -> None:
    for statement in _AT_HUB:
        connection.execute(statement)


# A copy of what is sent on and stands nowhere else in the store, so that it can be compared with
# what a database has (`forward/verify.py`) and sent again: cues, sets, how a session stood, link
# health (of no session), and of regional loads that, and from when on, they were.
_TOLD = (
    """CREATE TABLE told (
        point_id TEXT NOT NULL,
        time_ms INTEGER NOT NULL,
        revision INTEGER NOT NULL,
        session_no INTEGER REFERENCES sessions ON DELETE CASCADE,
        kind TEXT NOT NULL,
        name TEXT NOT NULL,
        body TEXT NOT NULL,
        PRIMARY KEY (point_id, time_ms, revision)
    ) WITHOUT ROWID""",
    "CREATE INDEX told_of_session ON told (session_no, time_ms)",
)


def _to_told(connection: sqlite3.Connection) -> None:
    """Add it to a file."""
    for statement in _TOLD:
        connection.execute(statement)


MIGRATIONS: list[Callable[[sqlite3.Connection], None]] = [
    _to_version_1,
    _to_version_2,
    _to_outbox,
    _to_derived,
    _to_access,
    _to_calibrations,
    _to_head,
    _to_information,
    _to_pairs,
    _to_hub_ledger,
    _to_told,
]
"""Migration k takes a file from version k to k + 1; each runs in a transaction of its own.

Only ever appended to: files of every version are out there.
"""
