"""What happens to a session goes into the outbox in the transaction that stores it.

The functions here are called with the store's connection inside such a transaction. Whether
anything is put in is written in the file itself (`outbox_sinks`), so that every program that writes
to the store, whatever it was started with, does the same. Without an active sink nothing is.
"""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

from plantigrade_gateway.analysis.serialise import EventRow, event_id
from plantigrade_gateway.store.points import LOADS, Loads, Point, in_ms

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_ROW = (
    "INSERT INTO outbox (session_no, point_id, kind, name, time_ms, twin, revision, body)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)


def wanted(db: sqlite3.Connection) -> tuple[bool, bool]:
    """Return whether anybody is to be sent events, and whether regional loads."""
    active = {name for (name,) in db.execute("SELECT sink FROM outbox_sinks WHERE active")}
    return bool(active - {LOADS}), LOADS in active


def add_events(db: sqlite3.Connection, number: int, rows: Sequence[EventRow]) -> None:
    """Put events in that were stored in this transaction."""
    if not rows or not wanted(db)[0]:
        return
    _put(db, number, [(row.event_id, row.kind, row.foot, row.t_s) for row in rows])


def again(db: sqlite3.Connection, session_id: str) -> int:
    """Put all of a session's events in once more; return how many."""
    ((number,),) = db.execute(
        "SELECT session_no FROM sessions WHERE session_id = ?", (session_id,)
    ).fetchall()
    rows = db.execute(
        "SELECT event_id, kind, foot, t_s FROM events WHERE session_no = ? ORDER BY rowid",
        (number,),
    ).fetchall()
    if not wanted(db)[0]:
        return 0
    _put(db, number, rows)
    return len(rows)


def _put(db: sqlite3.Connection, number: int, rows: Sequence[tuple[str, str, str, float]]) -> None:
    start_ms, revision, _ = _about(db, number)
    for ident, kind, foot, t_s in rows:
        body, twin = db.execute(
            # Of its kind and foot, those stored before it in the same millisecond.
            "SELECT body, (SELECT count(*) FROM events AS other WHERE session_no = mine.session_no"
            " AND t_s >= ? AND t_s < ? AND kind = mine.kind AND foot = mine.foot"
            " AND other.rowid < mine.rowid)"
            " FROM events AS mine WHERE session_no = ? AND event_id = ?",
            (in_ms(t_s) / 1e3, (in_ms(t_s) + 1) / 1e3, number, ident),
        ).fetchone()
        time_ms = start_ms + in_ms(t_s)
        db.execute(_ROW, (number, ident, kind, foot, time_ms, twin, revision, body))


def add_points(db: sqlite3.Connection, number: int, points: Sequence[Point | Loads]) -> None:
    """Put in what is no event of the store."""
    if not points:
        return
    events, every = wanted(db)
    start_ms, revision, session_id = _about(db, number)
    if events:
        for point in points:
            if isinstance(point, Loads):
                continue
            db.execute(
                _ROW,
                (
                    number,
                    point.identity(session_id),
                    point.kind,
                    point.name,
                    start_ms + in_ms(point.t_s),
                    0,
                    revision,
                    json.dumps(point.body, allow_nan=False, separators=(",", ":")),
                ),
            )
    if every:
        db.executemany(
            "INSERT INTO outbox_loads (session_no, first_index, time_us, period_us, rows, data)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            [
                (
                    number,
                    block.first_index,
                    1000 * start_ms + round(block.t_s * 1e6),
                    round(block.period_s * 1e6),
                    block.rows,
                    block.data,
                )
                for block in points
                if isinstance(block, Loads)
            ],
        )


def add_session(db: sqlite3.Connection, number: int) -> None:
    """Put in how a session stands now: begun, ended, its results made again."""
    if not wanted(db)[0]:
        return
    state, reason, version, started, entries = db.execute(
        "SELECT state, end_reason, analysis_version, started_utc,"
        " (SELECT max(first_entry + entries) FROM chunks WHERE session_no = sessions.session_no)"
        " FROM sessions WHERE session_no = ?",
        (number,),
    ).fetchone()
    _, revision, session_id = _about(db, number)
    body = {
        "state": state,
        "end_reason": reason,
        "analysis_version": version,
        "started_utc": started,
        "entries": entries or 0,
    }
    db.execute(
        _ROW,
        (
            number,
            event_id(session_id, "session", f"{state}/{revision}", 0),
            "session",
            state,
            since_1970_ms(datetime.now(UTC)),
            0,
            revision,
            json.dumps(body, separators=(",", ":")),
        ),
    )


def replace(
    db: sqlite3.Connection,
    number: int,
    before: Mapping[str, str],
    rows: Sequence[EventRow],
    points: Sequence[Point],
) -> None:
    """Put in what a session's results, made again, came to.

    Where nothing that was given out has changed (a session that was cut off and is completed), only
    what is new is sent. Else the session's revision rises and all of it is sent under the new one;
    what waits of an older one is dropped.

    Parameters
    ----------
    db : sqlite3.Connection
        The new events are stored already.
    number : int
    before : mapping of str to str
        The events stored before, by id, as JSON text.
    rows : sequence of EventRow
        The new events.
    points : sequence of Point
    """
    now = dict(db.execute("SELECT event_id, body FROM events WHERE session_no = ?", (number,)))
    fresh = [row for row in rows if row.event_id not in before]
    if any(now.get(key) != body for key, body in before.items()):
        db.execute("UPDATE sessions SET revision = revision + 1 WHERE session_no = ?", (number,))
        db.execute(
            "DELETE FROM outbox WHERE session_no = ? AND kind IN ('step', 'stand', 'swing', 'set')",
            (number,),
        )
        fresh = list(rows)
    add_events(db, number, fresh)
    if fresh:
        add_points(db, number, points)
        add_session(db, number)


def _about(db: sqlite3.Connection, number: int) -> tuple[int, int, str]:
    """Return a session's start, ms since 1970, the revision of its results, and its id."""
    started, revision, session_id = db.execute(
        "SELECT started_utc, revision, session_id FROM sessions WHERE session_no = ?", (number,)
    ).fetchone()
    return since_1970_ms(datetime.fromisoformat(started)), revision, session_id


def since_1970_ms(when: datetime) -> int:
    """Return a time's whole milliseconds since 1970 UTC."""
    return (when - _EPOCH) // _MS
