"""A whole copy of a store's file, taken while others write into it, and named all at once."""

import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store.refusal import explain, findings

PART = ".part"
"""Ends the name of a file that is not whole yet."""


def snapshot(source: sqlite3.Connection, source_path: Path, to: Path) -> None:
    """Copy the store of an open connection, as it stands at this moment, into a new file.

    One step by SQLite's own online backup: what others write meanwhile goes into the write-ahead
    log and is not in it. In several steps each of their commits would begin it again. The file is
    synced, and its pages are checked.

    Raises
    ------
    StoreError
        One of the two refuses, or the store is damaged: no file is left.
    """
    try:
        os.close(os.open(to, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        copy = sqlite3.connect(to)
        try:
            copy.execute("PRAGMA synchronous = OFF")  # synced below, at once
            copy.execute("PRAGMA journal_mode = OFF")
            try:
                source.backup(copy)
            except sqlite3.DatabaseError as error:
                raise _explained(source_path, to, error) from error
        finally:
            copy.close()
        if found := damage(to):
            raise StoreError(
                f"store {source_path}: is damaged ({found}), so no backup or copy of it is made; "
                "plantigrade repair copies what can be read of it"
            )
        sync(to)
    except OSError as error:
        to.unlink(missing_ok=True)
        raise StoreError(f"{to}: cannot be written ({error.strerror})") from error
    except BaseException:
        to.unlink(missing_ok=True)
        raise


def _explained(source: Path, to: Path, error: sqlite3.Error) -> StoreError:
    """Blame the side that a copying failed on: only a full disk is the new file's."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return explain(to if code == sqlite3.SQLITE_FULL else source, error)


def damage(path: Path) -> str | None:
    """Return what is wrong with the pages of a file that nobody else has open."""
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            found = findings(connection.execute("PRAGMA integrity_check(1)"))
        finally:
            connection.close()
    except sqlite3.Error as error:
        return str(error)
    return found[0] if found else None


def sync(path: Path) -> None:
    """Have a file's bytes, or a folder's names, on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def alone(folder: Path, *, wait: bool = False) -> Iterator[None]:
    """Be the only one who makes copies in a folder: what is unfinished there is of killed programs.

    Raises
    ------
    StoreError
        Another is at it, or there is no such folder.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise StoreError(f"folder {folder}: cannot be opened ({error.strerror})") from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            raise StoreError(
                f"folder {folder}: another program is making a backup or a copy in it; "
                "try again later"
            ) from None
        yield
    finally:
        os.close(handle)


def appear(part: Path, path: Path) -> None:
    """Give a whole, synced file its name; it takes the place of one that has it."""
    os.replace(part, path)
    sync(path.parent)


def sweep(folder: Path, pattern: str) -> None:
    """Remove what killed programs left unfinished; only inside `alone`."""
    for part in folder.glob(pattern + PART):
        part.unlink(missing_ok=True)
