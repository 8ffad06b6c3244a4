"""Outbox rows: the points that are put in with their events, and the items taken out to be sent.

Works inside the transaction of whoever writes the events. The identity of everything sent is a
hash; sending it again changes nothing.
"""

import hashlib
import json
import math
import sqlite3
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from plantigrade.block import Column, PairBlock
from plantigrade_gateway.analysis.eventrow import EventRow, event_id
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.foreign import inflated
from plantigrade_gateway.sinks import LOADS

NAMED = {"step": "foot", "stand": "foot", "swing": "lead", "cue": "cue", "set": "set"}
NAMED |= {"link": "foot", "session": ""}
"""What an item's name is, by its kind: the sinks' tag or key for it."""
REGIONS = ("heel", "midfoot", "forefoot", "toes")
_COLUMNS = (Column.HEEL, Column.MIDFOOT, Column.FOREFOOT, Column.TOES)
_PER_N = 10.0  # regional loads leave in steps of 0.1 N, far below any sensor's
_MISSING = -32768
_MOST = 32767


@dataclass(frozen=True, slots=True)
class Point:
    """Something of a session that is no event of the store: a cue, a set's summary.

    Attributes
    ----------
    kind : str
        ``"cue"`` or ``"set"``.
    name : str
        Which of them, from a short list: a cue's kind, a set's number.
    t_s : float
        When, session time.
    body : dict
        JSON values.
    upto_entry : int
        It was decided from the record's first so many entries, and is stored with or after them.
    """

    kind: str
    name: str
    t_s: float
    body: dict[str, Any]
    upto_entry: int = 0

    def identity(self, session_id: str) -> str:
        """Return the point's identity: of a kind and name there is one in a millisecond."""
        return event_id(session_id, self.kind, self.name, in_ms(self.t_s))


@dataclass(frozen=True, slots=True)
class Loads:
    """A second of regional loads of both feet, packed.

    Attributes
    ----------
    first_index : int
        Absolute row of the first.
    t_s, period_s : float
        Session time of the first row, and from one to the next.
    rows : int
    data : bytes
        `pack_loads`.
    upto_entry : int
    """

    first_index: int
    t_s: float
    period_s: float
    rows: int
    data: bytes
    upto_entry: int = 0


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to be sent.

    Attributes
    ----------
    seq : int
        Its place in the outbox.
    point_id : str
        Its identity: a receiver that has it already may drop it.
    kind : str
        ``"step"``, ``"stand"``, ``"swing"``, ``"set"``, ``"cue"``, ``"session"``, ``"link"`` or
        ``"loads"``.
    name : str
        The foot, the cue's kind, the set's number.
    time_ms : int
        When it happened, ms since 1970 UTC.
    twin : int
        How many others of its session, kind and name stand before it in the same millisecond.
    revision : int
        Of its session's results; only those of the highest count.
    session, player : str or None
        Random ids.
    source : str or None
        ``"insoles"``, ``"invented"`` or ``"replay"``.
    text : str
        What it tells as JSON, as it is stored; empty for regional loads.
    block : dict or None
        Of regional loads ``first_index``, ``time_us``, ``period_us``, ``rows`` and the packed
        ``data``.
    """

    seq: int
    point_id: str
    kind: str
    name: str
    time_ms: int
    twin: int
    revision: int
    session: str | None
    player: str | None
    source: str | None
    text: str
    block: dict[str, Any] | None = None

    @property
    def body(self) -> dict[str, Any]:
        """What it tells as JSON values; read each time anew."""
        found: dict[str, Any] = json.loads(self.text)
        return found


def in_ms(t_s: float) -> int:
    """Return the millisecond of a session time."""
    return math.floor(1e3 * t_s)


def source_of(text: str | None) -> str | None:
    """Return what kind of source a session's source is: few values, no free text."""
    if text is None:
        return None
    if "(invented)" in text:
        return "invented"
    return "insoles" if text == "insoles" else "replay"


def link_id(bay: str, foot: str, time_ms: int) -> str:
    """Return the identity of a sample of a link's health; `bay` tells one gateway's from all."""
    return hashlib.sha256(f"link/{bay}/{foot}/{time_ms}".encode()).hexdigest()[:32]


def pack_loads(block: PairBlock) -> bytes:
    """Pack regional loads: 0.1 N steps, differences from row to row, compressed."""
    loads_n = np.concatenate([block.left[:, _COLUMNS], block.right[:, _COLUMNS]], axis=1)
    scaled = np.clip(np.rint(loads_n * _PER_N), -_MOST, _MOST)
    counts = np.where(np.isnan(scaled), _MISSING, scaled).astype("<i2")
    steps = np.diff(counts, axis=0, prepend=np.zeros((1, counts.shape[1]), "<i2"))
    return zlib.compress(np.ascontiguousarray(steps.T).tobytes(), 1)


def unpack_loads(data: bytes, rows: int) -> "np.ndarray[Any, np.dtype[np.float64]]":
    """Return the loads of a packed block.

    Returns
    -------
    ndarray of float64, shape (rows, 8)
        Left heel, midfoot, forefoot, toes, then right, N; NaN where missing.

    Raises
    ------
    StoreError
        The bytes are not such a block.
    """
    try:
        body = inflated(data, 2 * 2 * len(REGIONS) * rows)
        steps = np.frombuffer(body, "<i2").reshape(2 * len(REGIONS), rows)
    except ValueError as error:  # ForeignError is one
        raise StoreError(f"outbox: a block of regional loads is damaged ({error})") from error
    counts = np.cumsum(steps, axis=1, dtype=np.int16).T  # wraps as the differences did
    return np.where(counts == _MISSING, np.nan, counts / _PER_N)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_ROW = (
    "INSERT INTO outbox (session_no, point_id, kind, name, time_ms, twin, revision, body)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)
_COPIED = "session_no, point_id, kind, name, time_ms, revision, body"
_COPY = f"INSERT OR REPLACE INTO told ({_COPIED}) VALUES (?, ?, ?, ?, ?, ?, ?)"
_AGAIN = (
    "INSERT INTO outbox (session_no, point_id, kind, name, time_ms, twin, revision, body)"
    " SELECT session_no, point_id, kind, name, time_ms, 0, revision, body FROM told WHERE "
)
LINKS_KEPT_DAYS = 31
"""So long a copy of link health is kept (ours): some 350 bytes a foot every 10 s."""


def sent_kinds(db: sqlite3.Connection) -> tuple[bool, bool]:
    """Return whether anybody is to be sent events, and whether regional loads."""
    active = {name for (name,) in db.execute("SELECT sink FROM outbox_sinks WHERE active")}
    return bool(active - {LOADS}), LOADS in active


def add_events(db: sqlite3.Connection, number: int, rows: Sequence[EventRow]) -> None:
    """Put events in that were stored in this transaction."""
    if not rows or not sent_kinds(db)[0]:
        return
    _put(db, number, [(row.event_id, row.kind, row.foot, row.t_s) for row in rows])


def put_session_again(db: sqlite3.Connection, session_id: str) -> int:
    """Put all of a session in once more, as it was, but its regional loads; return how many."""
    ((number,),) = db.execute(
        "SELECT session_no FROM sessions WHERE session_id = ?", (session_id,)
    ).fetchall()
    rows = db.execute(
        "SELECT event_id, kind, foot, t_s FROM events WHERE session_no = ? ORDER BY rowid",
        (number,),
    ).fetchall()
    if not sent_kinds(db)[0]:
        return 0
    _put(db, number, rows)
    copies = db.execute(
        _AGAIN + "session_no = ? AND kind <> ? ORDER BY time_ms", (number, LOADS)
    ).rowcount
    first_ms, last_ms = told_between(lambda sql, values: db.execute(sql, values).fetchall(), number)
    links = db.execute(
        _AGAIN + "session_no IS NULL AND time_ms BETWEEN ? AND ? ORDER BY time_ms",
        (first_ms, last_ms),
    ).rowcount
    return len(rows) + copies + links


def told_between(read: Callable[[str, tuple[int]], list[Any]], number: int) -> tuple[int, int]:
    """Return from when to when a session's links were of it, ms since 1970; `read` runs SQL."""
    ((started, last_ms),) = read(
        "SELECT started_utc, (SELECT min(time_ms) FROM told WHERE kind = 'session'"
        " AND name <> 'open' AND session_no = sessions.session_no)"
        " FROM sessions WHERE session_no = ?",
        (number,),
    )
    now_ms = since_1970_ms(datetime.now(UTC))
    start_ms = since_1970_ms(datetime.fromisoformat(started))
    return start_ms, now_ms if last_ms is None else last_ms


def put(
    db: sqlite3.Connection,
    number: int | None,
    ident: str,
    kind: str,
    name: str,
    time_ms: int,
    revision: int,
    body: Mapping[str, Any],
) -> None:
    """Put something in that is no event of the store, and keep a copy of it."""
    text = json.dumps(body, allow_nan=False, separators=(",", ":"))
    db.execute(_ROW, (number, ident, kind, name, time_ms, 0, revision, text))
    db.execute(_COPY, (number, ident, kind, name, time_ms, revision, text))


def drop_old_links(db: sqlite3.Connection, now_ms: int) -> None:
    """Drop copies of link health that are no longer kept."""
    db.execute(
        "DELETE FROM told WHERE session_no IS NULL AND time_ms < ?",
        (now_ms - LINKS_KEPT_DAYS * 86_400_000,),
    )


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
    events, every = sent_kinds(db)
    start_ms, revision, session_id = _about(db, number)
    if events:
        for point in points:
            if isinstance(point, Loads):
                continue
            at_ms = start_ms + in_ms(point.t_s)
            ident = point.identity(session_id)
            put(db, number, ident, point.kind, point.name, at_ms, revision, point.body)
    blocks = [block for block in points if isinstance(block, Loads)] if every else []
    if blocks:
        at_ms = start_ms + in_ms(blocks[0].t_s)
        db.execute(
            f"INSERT INTO told ({_COPIED}) SELECT ?, ?, ?, '', ?, 0, '{{}}' WHERE NOT EXISTS"
            " (SELECT 1 FROM told WHERE session_no = ? AND kind = ?)",
            (number, f"{session_id}/{LOADS}", LOADS, at_ms, number, LOADS),
        )
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
                for block in blocks
            ],
        )


def add_session(db: sqlite3.Connection, number: int) -> None:
    """Put in how a session stands now: begun, ended, its results made again."""
    if not sent_kinds(db)[0]:
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
    ident = event_id(session_id, "session", f"{state}/{revision}", 0)
    put(db, number, ident, "session", state, since_1970_ms(datetime.now(UTC)), revision, body)


def replace(
    db: sqlite3.Connection,
    number: int,
    before: Mapping[str, str],
    rows: Sequence[EventRow],
    points: Sequence[Point],
    *,
    sums_changed: bool = False,
) -> None:
    """Put in what a session's results, made again, came to.

    Where nothing that was given out has changed (a session that was cut off and is completed), only
    what is new is sent. Else the session's revision rises and all of it is sent under the new one,
    the cues that were heard too; what waits of an older one is dropped. That the revision has risen
    is sent last: until then the one before is whole.

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
    sums_changed : bool
        Sets come to something else though no event has changed.
    """
    now = dict(db.execute("SELECT event_id, body FROM events WHERE session_no = ?", (number,)))
    fresh = [row for row in rows if row.event_id not in before]
    rises = sums_changed or any(now.get(key) != body for key, body in before.items())
    if rises:
        db.execute("UPDATE sessions SET revision = revision + 1 WHERE session_no = ?", (number,))
        db.execute(
            "DELETE FROM outbox WHERE session_no = ?"
            " AND kind IN ('step', 'stand', 'swing', 'set', 'cue')",
            (number,),
        )
        db.execute("DELETE FROM told WHERE session_no = ? AND kind = 'set'", (number,))
        fresh = list(rows)
    add_events(db, number, fresh)
    if rises and sent_kinds(db)[0]:
        db.execute(
            "UPDATE told SET revision = revision + 1 WHERE session_no = ? AND kind = 'cue'",
            (number,),
        )
        db.execute(_AGAIN + "session_no = ? AND kind = 'cue' ORDER BY time_ms", (number,))
    if fresh or rises:
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
