"""What is worked out from a session's record to be shown soon: kept in the store, made again.

Pieces of bytes by name and number. They hold nothing that the record does not say: they may be
deleted at any time, they go with their session, and with its events when those are made again.
Each piece is a transaction of its own, so that a recording's commits never wait for long.
"""

from collections.abc import Sequence

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store.store import Store


def put(store: Store, session_id: str, name: str, part: int, data: bytes) -> None:
    """Keep a piece; one of the same name and number is replaced.

    Raises
    ------
    StoreError
        No such session (any more), or the disk refuses.
    """
    with store.database.writing() as db:
        rows = db.execute(
            "INSERT OR REPLACE INTO derived (session_no, name, part, data)"
            " SELECT session_no, ?, ?, ? FROM sessions WHERE session_id = ?",
            (name, part, data, session_id),
        ).rowcount
    if rows != 1:
        raise StoreError(f"session {session_id}: not in the store {store.path}")


def get(store: Store, session_id: str, name: str, parts: Sequence[int]) -> dict[int, bytes]:
    """Return the pieces of a name that are there, by number."""
    found: dict[int, bytes] = {}
    for part in parts:  # one statement each: no reader holds the log for longer than a piece
        for (data,) in store.database.read(
            "SELECT data FROM derived JOIN sessions USING (session_no)"
            " WHERE session_id = ? AND name = ? AND part = ?",
            (session_id, name, part),
        ):
            found[part] = data
    return found


def clear(store: Store, session_id: str) -> None:
    """Delete all pieces of a session."""
    with store.database.writing() as db:
        db.execute(
            "DELETE FROM derived WHERE session_no ="
            " (SELECT session_no FROM sessions WHERE session_id = ?)",
            (session_id,),
        )
