"""What SQLite refuses becomes one sentence with what to do, of the right kind."""

import sqlite3
from pathlib import Path

import pytest

from plantigrade_gateway.errors import DamageError, RefusedNowError, StoreError
from plantigrade_gateway.store.refusal import explain

STORE = Path("/a/store")


def refused(code: int, name: str) -> sqlite3.Error:
    """An error as `sqlite3` raises it; extended codes hold the primary one in their low byte."""
    error = sqlite3.OperationalError("said by SQLite")
    error.sqlite_errorcode, error.sqlite_errorname = code, name
    return error


@pytest.mark.parametrize(
    ("code", "name", "kind", "said"),
    [  # codes and names: https://sqlite.org/rescode.html
        (13, "SQLITE_FULL", RefusedNowError, "the disk is full"),
        (5, "SQLITE_BUSY", RefusedNowError, "another program keeps it locked"),
        (6, "SQLITE_LOCKED", RefusedNowError, "another program keeps it locked"),
        (261, "SQLITE_BUSY_RECOVERY", RefusedNowError, "another program keeps it locked"),
        (26, "SQLITE_NOTADB", DamageError, "is damaged or not a Plantigrade store"),
        (11, "SQLITE_CORRUPT", DamageError, "is damaged or not a Plantigrade store"),
        (8, "SQLITE_READONLY", StoreError, "cannot be written"),
        (14, "SQLITE_CANTOPEN", StoreError, "cannot be written"),
        (3, "SQLITE_PERM", StoreError, "cannot be written"),
        (266, "SQLITE_IOERR_READ", DamageError, "the disk refuses to read or write"),
        (522, "SQLITE_IOERR_SHORT_READ", DamageError, "the disk refuses to read or write"),
        (8458, "SQLITE_IOERR_CORRUPTFS", DamageError, "the disk refuses to read or write"),
        (778, "SQLITE_IOERR_WRITE", RefusedNowError, "the disk refuses to read or write"),
        (4874, "SQLITE_IOERR_SHMSIZE", RefusedNowError, "the disk is full"),
        (1034, "SQLITE_IOERR_FSYNC", StoreError, "the disk refuses to read or write"),
        (1, "SQLITE_ERROR", StoreError, "cannot be used (SQLITE_ERROR: said by SQLite)"),
    ],
)
def test_a_refusal_is_a_sentence_of_its_kind(code, name, kind, said):
    found = explain(STORE, refused(code, name))
    assert type(found) is kind
    assert str(found).startswith(f"store {STORE}: {said}")


def test_an_error_without_a_code_is_told_by_its_type():
    found = explain(STORE, sqlite3.ProgrammingError("closed"))
    assert type(found) is StoreError
    assert str(found) == f"store {STORE}: cannot be used (ProgrammingError: closed)"
