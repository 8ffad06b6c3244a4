"""What is worked out from a session's record to be shown soon: kept in the store, made again.

Pieces of bytes by name and number. They hold nothing that the record does not say: they may be
deleted at any time, they go with their session, and with its events when those are made again.
Each piece is a transaction of its own, so that a recording's commits never wait for long.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.report.swingframes import SwingFrames
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.curves import (
    Piece,
    Stretch,
    joined,
    overlapping,
)


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


FORMAT = 1
"""Of what is kept; raised when it changes, and all is made again."""

HEAD, PIECE, SWING = "head", "piece", "swing"
"""Names of what is kept: the first is written last, when all is there."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """What is kept of a session.

    Attributes
    ----------
    spans : tuple of (float, float)
        First and last time of each piece of the time line, session time, s.
    lead : str
        The lead foot, "left" or "right".
    body_weight_n : float
        Of the first piece, N.
    body_weight_from : str
        "recording", "mass" or "assumed".
    """

    spans: tuple[tuple[float, float], ...]
    lead: str
    body_weight_n: float
    body_weight_from: str

    @property
    def span(self) -> tuple[float, float]:
        """First and last time of the whole time line; (0, 0) without rows."""
        return (self.spans[0][0], self.spans[-1][1]) if self.spans else (0.0, 0.0)


def prepared(store: Store, session: Session) -> Prepared | None:
    """Return what is kept of a session; None where nothing is, or it is of other results."""
    data = get(store, session.session_id, HEAD, [0]).get(0)
    head = {} if data is None else json.loads(data)
    if head.get("made_of") != made_of(session):
        return None
    return Prepared(
        tuple((a, b) for a, b in head["spans"]),
        head["lead"],
        head["body_weight_n"],
        head["body_weight_from"],
    )


def read_stretch(
    store: Store, session_id: str, kept: Prepared, from_s: float, to_s: float
) -> Stretch:
    """Return the time line from one time to another.

    Raises
    ------
    StoreError
        What was kept is damaged or has just been deleted.
    """
    wanted = overlapping(kept.spans, from_s, to_s)
    found = get(store, session_id, PIECE, wanted)
    if len(found) < len(wanted):
        raise StoreError(f"session {session_id}: its time line was deleted just now")
    return joined((Piece.from_bytes(found[k]) for k in wanted), from_s, to_s)


def read_swings(store: Store, session_id: str, numbers: list[int]) -> dict[int, SwingFrames]:
    """Return the rows of swings by their place among the session's swings, from 0.

    A swing without rows is left out.
    """
    found = get(store, session_id, SWING, numbers)
    return {k: SwingFrames.from_bytes(data) for k, data in found.items()}


def made_of(session: Session) -> list[int]:
    """Return what tells whether what is kept is of a session's present results."""
    return [FORMAT, session.analysis_version, session.entries]
