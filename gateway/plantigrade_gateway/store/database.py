"""The store's one connection: transactions, errors in plain words, deletion that leaves nothing.

Knows SQLite and the file (`schema.py`), not what the tables mean (`store.py`).
"""

import fcntl
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.refusal import explain


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
        self._guard = threading.RLock()
        self._recording: IO[bytes] | None = None

    def close(self) -> None:
        """Close the file; closing again changes nothing."""
        with self._guard:
            self._connection.close()
            if self._recording is not None:
                self._recording.close()
                self._recording = None

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
                    yield db
                    db.execute("COMMIT")
                except BaseException:
                    if db.in_transaction:
                        db.execute("ROLLBACK")
                    raise
            except sqlite3.Error as error:
                raise explain(self.path, error) from error

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

    def wipe(self) -> None:
        """After a deletion: give its pages back and cut the log, so that no copy of it stays.

        The pages themselves were overwritten by the deletion (``PRAGMA secure_delete``). Copies
        from before an upgrade (`schema.kept_copies`) go: they hold it, and nothing else that is
        not here.

        Raises
        ------
        StoreError
            Another program is reading older contents; the log cannot be cut before it ends.
        """
        for copy in schema.kept_copies(self.path):
            copy.unlink(missing_ok=True)
        self.read("PRAGMA incremental_vacuum")
        busy, *_ = self.read("PRAGMA wal_checkpoint(TRUNCATE)")[0]
        if busy:
            raise StoreError(
                f"store {self.path}: deleted, but another program still reads the store and traces "
                f"stay in {self.path.name}-wal until that program is closed"
            )

    def mark_recording(self) -> None:
        """Hold the sign that this program records into the store, until it closes it or is killed.

        Raises
        ------
        StoreError
            The lock file beside the store cannot be made.
        """
        with self._guard:
            if self._recording is None:
                file = _recording_file(self.path)
                fcntl.flock(file, fcntl.LOCK_SH)
                self._recording = file

    @contextmanager
    def without_recording(self) -> Iterator[bool]:
        """Whether no program records into the store; none can begin to inside the block.

        Raises
        ------
        StoreError
            The lock file beside the store cannot be made.
        """
        with self._guard, not_recorded_into(self.path) as alone:
            yield alone


@contextmanager
def not_recorded_into(store: Path) -> Iterator[bool]:
    """As `Database.without_recording`, of a store that need not be open or be there."""
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
        return open(path, "ab")
    except OSError as error:
        raise StoreError(
            f"store {path}: cannot be made ({error.strerror}); "
            "allow writing in its folder or choose another with --store"
        ) from error
