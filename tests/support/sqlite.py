"""SQLite's files, opened past the store: `sqlite3.Connection` as a context does not close."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path


@contextmanager
def connected(path: Path | str) -> Iterator[sqlite3.Connection]:
    """Open a file; commit, or roll back what failed, and close it."""
    with closing(sqlite3.connect(path)) as db, db:
        yield db
