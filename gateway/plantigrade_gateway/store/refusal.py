"""What SQLite refuses, as a sentence for the user; does no I/O."""

import sqlite3
from collections.abc import Iterable
from pathlib import Path

from plantigrade_gateway.errors import DamageError, RefusedNowError, StoreError

_UNREADABLE = ("SQLITE_IOERR_READ", "SQLITE_IOERR_SHORT_READ", "SQLITE_IOERR_CORRUPTFS")
_NOT_NOW = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_NO_LOG_INDEX = "SQLITE_IOERR_SHMSIZE"  # a file beside the store that reading needs, too
_NO_ROOM = (_NO_LOG_INDEX, "SQLITE_IOERR_WRITE")
"""What a full disk says where SQLite makes the files beside the store's."""


def explain(path: Path, error: sqlite3.Error | UnicodeDecodeError) -> StoreError:
    """Return the sentence for the user that an SQLite error amounts to.

    One that quotes a damaged table's statement may not be text at all.
    """
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    name = getattr(error, "sqlite_errorname", type(error).__name__)
    kind = StoreError
    if code in _NOT_NOW or name in _NO_ROOM:
        kind = RefusedNowError
    if code == sqlite3.SQLITE_FULL or name == _NO_LOG_INDEX:
        text = "the disk is full; make room on it"
    elif code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        text = "another program keeps it locked; close that program"
    elif code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT) or _is_no_text(error):
        kind = DamageError
        text = (
            f"is damaged or not a Plantigrade store ({error}); "
            "plantigrade repair copies what can be read of it, or choose another with --store"
        )
    elif code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        text = (
            f"cannot be written ({error}); "
            "allow writing in its folder or choose another with --store"
        )
    elif code == sqlite3.SQLITE_IOERR:
        if name in _UNREADABLE:
            kind = DamageError
        text = f"the disk refuses to read or write ({name}); check the disk and its free space"
    else:
        text = f"cannot be used ({name}: {error})"
    return kind(f"store {path}: {text}")


def _is_no_text(error: sqlite3.Error | UnicodeDecodeError) -> bool:
    """Whether bytes that are no UTF-8 stand where text does; Python's module gives it no code."""
    return isinstance(error, UnicodeDecodeError) or "Could not decode to UTF-8" in str(error)


def findings(rows: Iterable[tuple[str]]) -> list[str]:
    """Return what SQLite's check of a file found, a line each; none where all is well."""
    lines = [line.strip() for (text,) in rows for line in text.splitlines()]
    return [line for line in lines if line not in ("", "ok") and not line.startswith("***")]
