"""Tables of what insoles say of themselves: a step of `schema.py`'s."""

import sqlite3

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


def to_information(connection: sqlite3.Connection) -> None:
    """Add them to a file."""
    for statement in _INFORMATION:
        connection.execute(statement)
