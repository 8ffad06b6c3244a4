"""The outbox, read: what waits for each sink, how far it has come, what is set aside.

A sink reads in the order of `seq`. What it has taken for good it says with `done`; what every sink
has taken is deleted. Policy of its size: events are never dropped, however long a sink is away;
of regional loads the oldest go first once all that wait are more than `max_bytes` (`trim`).
"""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from plantigrade_gateway import formats
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sinks import LOADS, SINKS
from plantigrade_gateway.store import enqueue
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.enqueue import Item, link_id, source_of
from plantigrade_gateway.store.rows import utc_text

_DELETED_AT_ONCE = 500  # a short transaction: recording waits for it
_PAGES_AT_ONCE = 64
_COLUMNS = "seq, session_no, point_id, kind, name, time_ms, twin, revision, body"
_ITEM = (
    "SELECT {table}.seq, point_id, kind, {table}.name, time_ms, twin, {table}.revision, session_id,"
    " player_id, source, body{more} FROM {table} LEFT JOIN sessions USING (session_no)"
    " LEFT JOIN players USING (player_no)"
)
_LOADS = (
    "SELECT seq, first_index, period_us, rows, time_us, session_id, player_id, source, data"
    " FROM outbox_loads JOIN sessions USING (session_no) LEFT JOIN players USING (player_no)"
)
_LISTED = "(SELECT value FROM json_each(?))"


@dataclass(frozen=True, slots=True)
class Depth:
    """How things stand with one sink.

    Attributes
    ----------
    sink : str
    active : bool
        False: no longer configured; what waits is kept.
    waiting : int
        Rows not there for good: unsent, or sent within the time that they are held. With those of
        sessions that were deleted meanwhile.
    oldest_ms : int or None
        When the oldest of them happened, ms since 1970.
    sent, aside, dropped : int
        Rows there for good; set aside since the sink would not take them; dropped for room.
    """

    sink: str
    active: bool
    waiting: int
    oldest_ms: int | None
    sent: int
    aside: int
    dropped: int


@dataclass(frozen=True, slots=True)
class DeadLetter:
    """A row that a sink would not take."""

    sink: str
    item: Item
    reason: str
    since: datetime


class Outbox:
    """The outbox of an open store.

    Parameters
    ----------
    database : Database
        ``Store.database``.

    Attributes
    ----------
    withheld : frozenset of str
        Ids of players of whom nothing is given out.
    """

    def __init__(self, database: Database) -> None:
        self._db = database
        self.withheld: frozenset[str] = frozenset()

    # Who is to be sent something

    def configure(self, sinks: Collection[str]) -> None:
        """Have everything from now on kept for these sinks.

        A new one begins with what is stored next. One that is no longer named keeps what waits for
        it, and is sent nothing more; `forget` drops that.
        """
        wanted = set(sinks)
        if wanted == {
            row[0] for row in self._db.read("SELECT sink FROM outbox_sinks WHERE active")
        }:
            return
        with self._db.writing() as db:
            db.execute("UPDATE outbox_sinks SET active = 0")
            for sink in sorted(wanted):
                (last,) = db.execute(
                    "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = ?",
                    (_table(sink),),
                ).fetchone()
                db.execute(
                    "INSERT INTO outbox_sinks (sink, active, done_seq) VALUES (?, 1, ?)"
                    " ON CONFLICT (sink) DO UPDATE SET active = 1",
                    (sink, last),
                )

    def active(self) -> frozenset[str]:
        """Return the sinks that are to be sent something."""
        return frozenset(s for (s,) in self._db.read("SELECT sink FROM outbox_sinks WHERE active"))

    def forget(self, sink: str) -> None:
        """Drop what waits for a sink, and the sink.

        Raises
        ------
        InputError
            There is no such sink.
        """
        with self._db.writing() as db:
            if not db.execute("DELETE FROM outbox_sinks WHERE sink = ?", (sink,)).rowcount:
                raise InputError(
                    f"outbox: nothing waits for {sink!r}, expected {formats.either(SINKS)}"
                )
            db.execute("DELETE FROM outbox_aside WHERE sink = ?", (sink,))
        while self.clear():
            pass

    # What a sink reads

    def waiting(self, sink: str, after: int, limit: int) -> list[Item]:
        """Return what comes next for a sink after a place in the outbox; of `withheld` nothing."""
        statement = _LOADS if sink == LOADS else _ITEM.format(table="outbox", more="")
        statement += " WHERE seq > ?"
        values: list[object] = [after]
        if self.withheld:
            statement += f" AND (player_id IS NULL OR player_id NOT IN {_LISTED})"
            values.append(self._listed())
        rows = self._db.read(statement + " ORDER BY seq LIMIT ?", (*values, limit))
        return [_loads(*row) for row in rows] if sink == LOADS else [_item(row) for row in rows]

    def _listed(self) -> str:
        return json.dumps(sorted(self.withheld))

    def drop_withheld(self) -> None:
        """Drop what waits, or is set aside, of `withheld`."""
        of = (
            "session_no IN (SELECT session_no FROM sessions JOIN players USING (player_no)"
            f" WHERE player_id IN {_LISTED})"
        )
        for table in ("outbox", "outbox_loads", "outbox_aside") if self.withheld else ():
            if self._db.read(f"SELECT 1 FROM {table} WHERE {of} LIMIT 1", (self._listed(),)):
                with self._db.writing() as db:
                    db.execute(f"DELETE FROM {table} WHERE {of}", (self._listed(),))

    def place(self, sink: str) -> int:
        """Return up to which place everything is at the sink for good."""
        rows = self._db.read("SELECT done_seq FROM outbox_sinks WHERE sink = ?", (sink,))
        return int(rows[0][0]) if rows else 0

    def done(self, sink: str, upto: int, rows: int) -> None:
        """Note that everything up to a place is at the sink for good, `rows` more than before."""
        with self._db.writing() as db:
            db.execute(
                "UPDATE outbox_sinks SET done_seq = max(done_seq, ?), sent = sent + ?"
                " WHERE sink = ?",
                (upto, rows, sink),
            )

    def clear(self) -> bool:
        """Delete some of what every sink has; return whether there may be more."""
        gone = 0
        for table, of_loads in (("outbox", "<>"), ("outbox_loads", "=")):
            # Where there is no sink, nothing is kept for anybody.
            places = self._db.read(
                "SELECT coalesce(min(done_seq), 1 << 62) FROM outbox_sinks"
                f" WHERE sink {of_loads} ?",
                (LOADS,),
            )
            upto = places[0][0]
            if not self._db.read(f"SELECT 1 FROM {table} WHERE seq <= ? LIMIT 1", (upto,)):
                continue
            with self._db.writing() as db:
                gone += db.execute(
                    f"DELETE FROM {table} WHERE seq IN"
                    f" (SELECT seq FROM {table} WHERE seq <= ? ORDER BY seq LIMIT ?)",
                    (upto, _DELETED_AT_ONCE),
                ).rowcount
        return gone >= _DELETED_AT_ONCE

    def give_back(self) -> None:
        """Give some of the file's free pages back to the disk."""
        self._db.read(f"PRAGMA incremental_vacuum({_PAGES_AT_ONCE})")

    def trim(self, max_bytes: int) -> int:
        """Drop the oldest regional loads until those that wait take at most so much.

        Returns
        -------
        int
            Blocks dropped.
        """
        (size,) = self._db.read("SELECT coalesce(sum(length(data)), 0) FROM outbox_loads")[0]
        dropped = 0
        while size > max_bytes:
            with self._db.writing() as db:
                rows = db.execute(
                    "SELECT seq, length(data) FROM outbox_loads ORDER BY seq LIMIT ?",
                    (_DELETED_AT_ONCE,),
                ).fetchall()
                last, gone = 0, 0
                for seq, length in rows:
                    if size <= max_bytes:
                        break
                    last, gone, size = seq, gone + 1, size - length
                db.execute("DELETE FROM outbox_loads WHERE seq <= ?", (last,))
                db.execute(
                    "UPDATE outbox_sinks SET dropped = dropped + ? WHERE sink = ?", (gone, LOADS)
                )
            dropped += gone
        return dropped

    # What a sink would not take

    def add_dead_letter(self, sink: str, item: Item, reason: str) -> None:
        """Set a row aside for a sink; it is in the outbox still."""
        with self._db.writing() as db:
            db.execute(
                f"INSERT OR REPLACE INTO outbox_aside (sink, {_COLUMNS}, reason, set_aside_utc)"
                f" SELECT ?, {_COLUMNS}, ?, ? FROM outbox WHERE seq = ?",
                (sink, reason, utc_text(datetime.now(UTC)), item.seq),
            )

    def count_dropped(self, sink: str, rows: int) -> None:
        """Note rows that a sink would not take and that are not set aside: regional loads."""
        with self._db.writing() as db:
            db.execute("UPDATE outbox_sinks SET dropped = dropped + ? WHERE sink = ?", (rows, sink))

    def dead_letters(self) -> list[DeadLetter]:
        """Return what is set aside, in order."""
        statement = _ITEM.format(table="outbox_aside", more=", sink, reason, set_aside_utc")
        return [
            DeadLetter(row[11], _item(row[:11]), row[12], datetime.fromisoformat(row[13]))
            for row in self._db.read(statement + " ORDER BY seq, sink")
        ]

    def retry_dead_letters(self) -> int:
        """Put what is set aside back into the outbox, at its end; return how many rows."""
        columns = _COLUMNS.removeprefix("seq, ")
        with self._db.writing() as db:
            count = db.execute(
                f"INSERT INTO outbox ({columns}) SELECT DISTINCT {columns} FROM outbox_aside"
            ).rowcount
            db.execute("DELETE FROM outbox_aside")
        return int(count)

    # What is put in here

    def resend(self, session_id: str) -> int:
        """Put all of a session in once more, as it was; return how many rows.

        But for regional loads: `forward.verify.loads` makes those again.

        For a database that lost them: a point that is there already stays as it is.
        """
        with self._db.writing() as db:
            return enqueue.put_session_again(db, session_id)

    def put_links(self, bay: str, time_ms: int, bodies: Mapping[str, Mapping[str, Any]]) -> None:
        """Put a sample of each foot's link health in, of a site's bay; it is of no session."""
        with self._db.writing() as db:
            for foot, body in bodies.items():
                enqueue.put(db, None, link_id(bay, foot, time_ms), "link", foot, time_ms, 0, body)
            enqueue.drop_old_links(db, time_ms)

    # What has been put in, and stands nowhere else

    def told(self, session_id: str) -> list[Item]:
        """Return the copies of a session's cues, sets and states, in the order of their time.

        And one of ``"loads"`` without a body, dated by the first of its regional loads, where any
        were put in. Nothing: it was put in by an earlier version, or not at all.
        """
        return self._told(
            "told.session_no = (SELECT session_no FROM sessions WHERE session_id = ?)",
            (session_id,),
        )

    def told_links(self, session_id: str) -> tuple[int, int, list[Item]]:
        """Return the copies of link health of a session's time, and from when to when it is, ms.

        Those older than `enqueue.LINKS_KEPT_DAYS` are no longer there.
        """
        ((number,),) = self._db.read(
            "SELECT session_no FROM sessions WHERE session_id = ?", (session_id,)
        )
        first_ms, last_ms = enqueue.told_between(self._db.read, number)
        found = self._told(
            "told.session_no IS NULL AND time_ms BETWEEN ? AND ?", (first_ms, last_ms)
        )
        return first_ms, last_ms, found

    def _told(self, where: str, values: tuple[object, ...]) -> list[Item]:
        rows = self._db.read(
            "SELECT 0, point_id, kind, told.name, time_ms, 0, told.revision, session_id, player_id,"
            " source, body FROM told LEFT JOIN sessions USING (session_no)"
            f" LEFT JOIN players USING (player_no) WHERE {where} ORDER BY time_ms",
            values,
        )
        return [_item(row) for row in rows]

    # What is shown

    def depths(self) -> list[Depth]:
        """Return how things stand with each sink."""
        found = []
        for sink, active, done_seq, sent, dropped in self._db.read(
            "SELECT sink, active, done_seq, sent, dropped FROM outbox_sinks ORDER BY sink"
        ):
            table = _table(sink)
            time = "time_us / 1000" if sink == LOADS else "time_ms"
            # By the places, not by counting: a day's regional loads take long to count.
            first, last = self._db.read(f"SELECT min(seq), max(seq) FROM {table}")[0]
            waiting = 0 if last is None else last - max(done_seq, first - 1)
            oldest = self._db.read(
                f"SELECT {time} FROM {table} WHERE seq > ? ORDER BY seq LIMIT 1", (done_seq,)
            )
            ((aside,),) = self._db.read("SELECT count(*) FROM outbox_aside WHERE sink = ?", (sink,))
            found.append(
                Depth(
                    sink,
                    bool(active),
                    max(0, int(waiting)),
                    int(oldest[0][0]) if oldest else None,
                    int(sent),
                    int(aside),
                    int(dropped),
                )
            )
        return found


def _table(sink: str) -> str:
    return "outbox_loads" if sink == LOADS else "outbox"


def _item(row: tuple[Any, ...]) -> Item:
    seq, point_id, kind, name, time_ms, twin, revision, session, player, source, body = row
    return Item(
        seq,
        point_id,
        kind,
        name,
        time_ms,
        twin,
        revision,
        session,
        player,
        source_of(source),
        body,
    )


def _loads(
    seq: int,
    first_index: int,
    period_us: int,
    rows: int,
    time_us: int,
    session: str,
    player: str | None,
    source: str,
    data: bytes,
) -> Item:
    block = {"first_index": first_index, "period_us": period_us, "rows": rows, "data": data}
    block["time_us"] = time_us
    return Item(
        seq, "", LOADS, "both", time_us // 1000, 0, 0, session, player, source_of(source), "", block
    )
