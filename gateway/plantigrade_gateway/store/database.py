"""The store's one connection: transactions, errors in plain words, deletion that leaves nothing.

Knows SQLite and the file (`schema.py`), not what the tables mean (`store.py`).
"""

import fcntl
import os
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.refusal import explain


def _file_at(path: Path) -> tuple[int, int] | None:
    """Return what tells the file at a path from any other; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _opened_sign(path: Path, *, make: bool) -> IO[bytes]:
    return os.fdopen(os.open(path, os.O_RDWR | (os.O_CREAT if make else 0), 0o600), "wb")


class Database:
    """An open store file; every method may be called from any thread.

    Parameters
    ----------
    path : Path
    create : bool
        Whether a missing file is made.
    read_only : bool
        Whether the file is only read, as `schema.connect_read_only`: every other method than `read`
        and `close` fails then.

    Raises
    ------
    StoreError
        As `schema.connect`.
    """

    def __init__(self, path: Path, *, create: bool, read_only: bool = False) -> None:
        self.path = path
        self._connection = (
            schema.connect_read_only(path) if read_only else schema.connect(path, create=create)
        )
        self._file = _file_at(path)
        self._guard = threading.RLock()
        self._recording: dict[str, IO[bytes]] = {}
        self._records: IO[bytes] | None = None

    def close(self) -> None:
        """Close the file; closing again changes nothing."""
        with self._guard:
            self._connection.close()
            for session_id in list(self._recording):
                self.unmark_recording(session_id)
            if self._records is not None:
                self._records.close()
                self._records = None

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it is on the disk at the end, or (on any error) none.

        Raises
        ------
        StoreError
            The file refuses.
        """
        with self._guard:
            db = self._connection
            try:
                db.execute("BEGIN IMMEDIATE")
                try:
                    self._refuse_another_file()
                    yield db
                    db.execute("COMMIT")
                except BaseException:
                    if db.in_transaction:
                        db.execute("ROLLBACK")
                    raise
            except sqlite3.Error as error:
                raise explain(self.path, error) from error

    def _refuse_another_file(self) -> None:
        """Refuse where the path leads elsewhere by now.

        SQLite would write on into a file that has no name any more, and is gone with the program.
        """
        if _file_at(self.path) != self._file:
            raise StoreError(
                f"store {self.path}: its file was moved, deleted or replaced while it is in use; "
                "put it back, or end this program and begin it again"
            )

    def read(self, statement: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Return all rows of one statement.

        Raises
        ------
        StoreError
            The file refuses.
        """
        try:
            with self._guard:
                return self._connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise explain(self.path, error) from error

    def begin_deletion(self) -> None:
        """Before a deletion: remove the copies, and note that it is to be wiped after.

        A program that is killed after the deletion would leave both, and nobody would look for them
        again.

        Raises
        ------
        StoreError
            The note, an empty file beside the store, cannot be made.
        """
        self.drop_copies()
        try:
            _opened_sign(self._wipe_note, make=True).close()
        except OSError as error:
            raise _no_room(self.path, error) from error

    @property
    def _wipe_note(self) -> Path:
        return self.path.with_name(self.path.name + "-deleting")

    def complete_wipe(self) -> None:
        """Wipe what a program deleted that was killed before it had wiped it.

        Raises
        ------
        StoreError
            As `wipe`.
        """
        if self._wipe_note.exists():
            self.wipe()

    def drop_copies(self) -> None:
        """Remove the copies from before an upgrade (`schema.kept_copies`).

        They hold what is to go, and nothing else that is not here.
        """
        for copy in schema.kept_copies(self.path):
            copy.unlink(missing_ok=True)

    def wipe(self) -> None:
        """After a deletion: give its pages back and cut the log, so that no copy of it stays.

        The pages themselves were overwritten by the deletion (``PRAGMA secure_delete``).

        Raises
        ------
        StoreError
            Another program is reading older contents; the log cannot be cut before it ends.
        """
        self.drop_copies()
        self.read("PRAGMA incremental_vacuum")
        busy, *_ = self.read("PRAGMA wal_checkpoint(TRUNCATE)")[0]
        if busy:
            raise StoreError(
                f"store {self.path}: deleted, but another program still reads the store and traces "
                f"stay in {self.path.name}-wal until that program is closed"
            )
        self._wipe_note.unlink(missing_ok=True)

    def mark_recording(self, session_id: str) -> None:
        """Hold the sign that a session is recorded here, until it is unmarked.

        It is a lock on a file beside the store. The system lets go of it however the program ends,
        so that what was cut off can be told from what another program still records.

        Raises
        ------
        StoreError
            The lock file cannot be made.
        """
        with self._guard:
            if session_id in self._recording:
                return
            if self._records is None:  # until the store is closed: nobody replaces it before
                self._records = _recording_file(self.path)
                fcntl.flock(self._records, fcntl.LOCK_SH)
            try:
                file = _opened_sign(self._sign_of(session_id), make=True)
            except OSError as error:
                raise _no_room(self.path, error) from error
            fcntl.flock(file, fcntl.LOCK_SH)
            self._recording[session_id] = file

    def unmark_recording(self, session_id: str) -> None:
        """Let go of the sign; nothing where this program holds none."""
        with self._guard:
            file = self._recording.pop(session_id, None)
            if file is not None:
                with file:
                    self._remove_sign(session_id, file)

    @contextmanager
    def without_recording(self, session_id: str) -> Iterator[bool]:
        """Whether no program records a session; its sign is gone after the block then."""
        try:
            file = _opened_sign(self._sign_of(session_id), make=False)
        except OSError:
            yield True
            return
        with file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                yield False
            else:
                yield True
                self._remove_sign(session_id, file)

    def _remove_sign(self, session_id: str, file: IO[bytes]) -> None:
        """Remove the file, unless another program holds it too."""
        with suppress(OSError):
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._sign_of(session_id).unlink()

    def _sign_of(self, session_id: str) -> Path:
        safe = "".join(c for c in session_id if c.isalnum())
        return self.path.with_name(f"{self.path.name}-recording-{safe}")


@contextmanager
def not_recorded_into(store: Path) -> Iterator[bool]:
    """Whether no program records into a store, which need not be open or be there.

    None can begin to inside the block.

    Raises
    ------
    StoreError
        The lock file beside the store cannot be made.
    """
    with _recording_file(store) as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        else:
            yield True


def _recording_file(store: Path) -> IO[bytes]:
    path = store.with_name(store.name + "-recording")
    try:
        return _opened_sign(path, make=True)
    except OSError as error:
        raise _no_room(path, error) from error


def _no_room(path: Path, error: OSError) -> StoreError:
    return StoreError(
        f"store {path}: cannot be made ({error.strerror}); "
        "allow writing in its folder or choose another with --store"
    )
