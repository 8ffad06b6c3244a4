"""The store: players, sessions, their raw record, and the events derived from it, in one file.

Works on one SQLite file (`database.py`, `schema.py`). Raw entries are the truth; the rest can be
made again. Every call is one transaction. Names of players stay here, and go into no log.
"""

import json
import platform
import secrets
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

from plantigrade_gateway.analysis.eventrow import EventRow
from plantigrade_gateway.errors import DamageError, StoreError
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.store import enqueue, schema
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.enqueue import Loads, Point
from plantigrade_gateway.store.pieces import Stretch, head_of, stretches
from plantigrade_gateway.store.players import ID_BYTES, Players
from plantigrade_gateway.store.refusal import findings
from plantigrade_gateway.store.rows import (
    BARE_SESSIONS_SQL,
    EVENTS_SQL,
    SESSIONS_SQL,
    Chunk,
    NewSession,
    Session,
    kept_event,
    kept_json,
    utc_text,
)

_ROWS_PER_READ = 500


def new_session_id() -> str:
    """Return a random id that no session has."""
    return secrets.token_hex(ID_BYTES)


class Store:
    """An open store. Safe to call from several threads; a thread that writes much opens its own.

    Parameters
    ----------
    database : Database
        Use `Store.open`.

    Attributes
    ----------
    players : Players
    """

    def __init__(self, database: Database) -> None:
        self._db = database
        self.players = Players(database)

    @property
    def path(self) -> Path:
        """The file."""
        return self._db.path

    @property
    def database(self) -> Database:
        """The open file, for what else is kept in it (`insoles.py`)."""
        return self._db

    @classmethod
    def open(
        cls, path: Path | None = None, *, create: bool = True, read_only: bool = False
    ) -> "Store":
        """Open the store at `path`, or at this installation's usual place.

        Raises
        ------
        StoreError
            As `schema.connect`, or `schema.connect_read_only`.
        """
        where = schema.default_path() if path is None else Path(path)
        return cls(Database(where, create=create, read_only=read_only))

    def close(self) -> None:
        """Close the file; what was stored is on the disk already."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # Sessions

    def create_session(
        self,
        source: str,
        *,
        analysis_version: int,
        player_id: str | None = None,
        started: datetime | None = None,
    ) -> str:
        """Begin a session and return its random id.

        Parameters
        ----------
        source : str
            Where its bytes come from; shown to people.
        analysis_version : int
            Of the program that will make its events.
        player_id : str or None
        started : datetime or None
            Host time with its offset to UTC; now unless given.
        """
        session_id = new_session_id()
        self.begin_session(session_id, NewSession.now(source, analysis_version, player_id, started))
        return session_id

    def begin_session(self, session_id: str, new: NewSession) -> None:
        """Begin a session of a known id; beginning it again changes nothing.

        Raises
        ------
        StoreError
            The disk refuses, or no such player is registered.
        """
        self._db.mark_recording(session_id)
        with self._db.writing() as db:
            player_no = None if new.player_id is None else self.players.number(new.player_id)
            db.execute(
                "INSERT INTO sessions (session_id, player_no, started_utc, utc_offset_min, source,"
                " host, state, analysis_version, pair) VALUES (?, ?, ?, ?, ?, ?, 'open', ?, ?)"
                " ON CONFLICT (session_id) DO NOTHING",
                (
                    session_id,
                    player_no,
                    utc_text(new.started),
                    round((new.started.utcoffset() or timedelta()).total_seconds() / 60),
                    new.source,
                    platform.node(),
                    new.analysis_version,
                    new.pair,
                ),
            )
            enqueue.add_session(db, self._session_no(session_id)[0])

    def sessions(self, player_id: str | None = None) -> list[Session]:
        """Return all sessions, or those of a player, the latest start first."""
        order = " ORDER BY started_utc DESC, sessions.session_no DESC"
        only, who = ("", ()) if player_id is None else (" WHERE player_id = ?", (player_id,))
        try:
            return [Session.of(row) for row in self._db.read(SESSIONS_SQL + only + order, who)]
        except DamageError:  # of one of them
            ids = (
                f"SELECT session_id FROM sessions LEFT JOIN players USING (player_no){only}{order}"
            )
            return [self.session(session_id) for (session_id,) in self._db.read(ids, who)]

    def session(self, session_id: str) -> Session:
        """Return one session.

        Raises
        ------
        StoreError
            No session has this id.
        """
        try:
            return self._session(SESSIONS_SQL, session_id)
        except DamageError:  # of its pieces
            return self._session(BARE_SESSIONS_SQL, session_id)

    def _session(self, statement: str, session_id: str) -> Session:
        rows = self._db.read(f"{statement} WHERE session_id = ?", (session_id,))
        if not rows:
            raise self._no_session(session_id)
        return Session.of(rows[0])

    def end_session(self, session_id: str, reason: str) -> bool:
        """Note that a session has ended; ending it again changes nothing.

        Returns
        -------
        bool
            Whether it was under way.
        """
        with self._db.writing() as db:
            number, _ = self._session_no(session_id)
            ended = db.execute(
                "UPDATE sessions SET state = 'ended', end_reason = ?"
                " WHERE session_id = ? AND state = 'open'",
                (reason, session_id),
            )
            if ended.rowcount:
                enqueue.add_session(db, number)
        self._db.unmark_recording(session_id)
        return ended.rowcount > 0

    def recover(self, player_id: str | None = None) -> list[str]:
        """End the sessions, or those of a player, that a killed program left open.

        Those that another program is still recording are left alone
        (`Database.without_recording`), and those that a hub brings in: why they ended is known.

        Returns
        -------
        list of str
            Ids of the sessions ended, with the reason ``"restart"``.
        """
        cut_off = []
        for (session_id,) in self._db.read(
            "SELECT session_id FROM sessions LEFT JOIN players USING (player_no)"
            " WHERE state = 'open' AND end_reason IS NULL AND coalesce(?, player_id) IS player_id"
            " ORDER BY session_no",
            (player_id,),
        ):
            with self._db.without_recording(session_id) as alone:
                if alone and self.end_session(session_id, "restart"):
                    cut_off.append(session_id)
        return cut_off

    def delete_session(self, session_id: str) -> None:
        """Delete a session with its record and events, for good.

        The bytes are overwritten in the file and its write-ahead log is cut.

        Raises
        ------
        StoreError
            No such session; else as `Players.delete`.
        """
        with self._db.writing() as db:
            if self.session(session_id).state == "open":
                raise StoreError(f"session {session_id}: is still being recorded; stop it first")
            self._db.begin_deletion()
            db.execute("DELETE FROM sessions WHERE session_id = ?", (session_id,))
        self._db.wipe()

    # The raw record

    def append(self, session_id: str, batch: Batch) -> int:
        """Store the entries that follow; return how many the session has now."""
        return self.write(session_id, [Chunk.of(batch)] if len(batch) else [])

    def write(
        self,
        session_id: str,
        chunks: Sequence[Chunk],
        rows: Sequence[EventRow | Point | Loads] = (),
    ) -> int:
        """Store the chunks that follow and what was decided from them, in one transaction.

        What is to be sent on goes into the outbox in the same one; points and loads go there alone.

        Returns
        -------
        int
            How many entries the session has now.

        Raises
        ------
        StoreError
            The disk refuses (nothing of this call is stored, all from before is), there is no such
            session, or an event was decided from entries that are not stored.
        """
        if chunks:
            self._db.mark_recording(session_id)
        with self._db.writing() as db:
            number, version = self._session_no(session_id)
            last = db.execute(
                "SELECT seq + 1, first_entry + entries FROM chunks WHERE session_no = ?"
                " ORDER BY seq DESC LIMIT 1",
                (number,),
            ).fetchone()
            seq, entries = last or (0, 0)
            if chunks and last is None:
                db.execute(
                    "UPDATE sessions SET head = ? WHERE session_no = ?",
                    (head_of(chunks[0].data), number),
                )
            for piece in chunks:
                db.execute(
                    "INSERT INTO chunks (session_no, seq, first_entry, entries, first_ns, last_ns,"
                    " data) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (
                        number,
                        seq,
                        entries,
                        piece.entries,
                        piece.first_ns,
                        piece.last_ns,
                        piece.data,
                    ),
                )
                seq, entries = seq + 1, entries + piece.entries
            events = [row for row in rows if isinstance(row, EventRow)]
            _put_rows(db, number, version, entries, events)
            enqueue.add_events(db, number, events)
            enqueue.add_points(db, number, [p for p in rows if not isinstance(p, EventRow)])
        return int(entries)

    def stretches(self, session_id: str) -> Iterator[Stretch]:
        """Read a session's record back, about a minute at a time, with the gaps in it.

        Raises
        ------
        StoreError
            No such session.
        """
        yield from stretches(self._db, self._session_no(session_id)[0])

    def batches(self, session_id: str) -> Iterator[Batch]:
        """Read a session's record back, about a minute at a time.

        A mark stands for what cannot be read, and says why.

        Yields
        ------
        Batch
            Consecutive entries; together all that were stored when reading came to them.

        Raises
        ------
        StoreError
            No such session.
        """
        for stretch in self.stretches(session_id):
            yield stretch.batch

    # What is derived from it

    def put_events(self, session_id: str, rows: Iterable[EventRow]) -> None:
        """Store events; one that is there already is replaced.

        Raises
        ------
        StoreError
            An event was decided from entries that are not stored yet.
        """
        self.write(session_id, (), list(rows))

    def replace_events(
        self,
        session_id: str,
        rows: Iterable[EventRow],
        *,
        analysis_version: int,
        quality: Mapping[str, object] | None = None,
        points: Sequence[Point] = (),
        sums_changed: bool = False,
    ) -> None:
        """Put new events (and quality) in place of all of a session's, in one transaction.

        What was sent of the old ones is replaced too (`enqueue.replace`), with `points`; what was
        derived from them to be shown (`web/desk/cache.py`) goes with them.
        """
        made = list(rows)  # before the transaction: the record can be written on meanwhile
        with self._db.writing() as db:
            number, _ = self._session_no(session_id)
            entries = self.session(session_id).entries
            before = dict(
                db.execute("SELECT event_id, body FROM events WHERE session_no = ?", (number,))
            )
            db.execute("DELETE FROM events WHERE session_no = ?", (number,))
            db.execute("DELETE FROM derived WHERE session_no = ?", (number,))
            _put_rows(db, number, analysis_version, entries, made)
            enqueue.replace(db, number, before, made, points, sums_changed=sums_changed)
            if quality is not None:
                db.execute("DELETE FROM quality WHERE session_no = ?", (number,))
                _put_quality(db, number, quality)
            db.execute(
                "UPDATE sessions SET analysis_version = ? WHERE session_no = ?",
                (analysis_version, number),
            )

    def events(self, session_id: str, kind: str | None = None) -> Iterator[EventRow]:
        """Read a session's events in the order of their time, of one kind or of all."""
        number, _ = self._session_no(session_id)
        after: tuple[float, str] = (float("-inf"), "")
        while True:
            rows = self._db.read(
                f"{EVENTS_SQL} WHERE session_no = ? AND (t_s, event_id) > (?, ?)"
                " AND (? IS NULL OR kind = ?) ORDER BY t_s, event_id LIMIT ?",
                (number, *after, kind, kind, _ROWS_PER_READ),
            )
            yield from map(kept_event, rows)
            if len(rows) < _ROWS_PER_READ:
                return
            after = (rows[-1][3], rows[-1][0])

    def events_as_stored(self, session_id: str) -> list[EventRow]:
        """Return a session's events in the order in which they were stored."""
        number, _ = self._session_no(session_id)
        rows = self._db.read(f"{EVENTS_SQL} WHERE session_no = ? ORDER BY rowid", (number,))
        return [kept_event(row) for row in rows]

    def revision(self, session_id: str) -> int:
        """Return how often a session's results have changed since they were first given out."""
        number, _ = self._session_no(session_id)
        ((revision,),) = self._db.read(
            "SELECT revision FROM sessions WHERE session_no = ?", (number,)
        )
        return int(revision)

    def event_counts(self) -> dict[str, dict[str, int]]:
        """Return how many events of each kind each session has: ``counts[session_id][kind]``."""
        counts: dict[str, dict[str, int]] = {}
        for session_id, kind, count in self._db.read(
            "SELECT session_id, kind, count(*) FROM events JOIN sessions USING (session_no)"
            " GROUP BY session_no, kind"
        ):
            counts.setdefault(session_id, {})[kind] = count
        return counts

    def put_quality(self, session_id: str, values: Mapping[str, object]) -> None:
        """Store quality facts and counters by name (any JSON value); a name again replaces it."""
        with self._db.writing() as db:
            _put_quality(db, self._session_no(session_id)[0], values)

    def quality(self, session_id: str) -> dict[str, object]:
        """Return a session's quality facts and counters by name."""
        number, _ = self._session_no(session_id)
        rows = self._db.read(
            "SELECT name, value FROM quality WHERE session_no = ? ORDER BY name", (number,)
        )
        return {name: kept_json(value) for name, value in rows}

    # The file itself

    def integrity(self) -> list[str]:
        """Return what SQLite finds wrong with the file's structure; nothing when all is well."""
        try:
            broken = findings(self._db.read("PRAGMA integrity_check"))
            orphans = self._db.read("PRAGMA foreign_key_check")
        except DamageError:  # so damaged that it does not come to an end
            return ["some of its pages are not what was written"]
        return broken + [f"a row of {row[0]} belongs to nothing" for row in orphans]

    # Inside

    def _no_session(self, session_id: str) -> StoreError:
        return StoreError(f"session {session_id}: not in the store {self.path}")

    def _session_no(self, session_id: str) -> tuple[int, int]:
        """Return a session's number inside the file, and its analysis version."""
        rows = self._db.read(
            "SELECT session_no, analysis_version FROM sessions WHERE session_id = ?", (session_id,)
        )
        if not rows:
            raise self._no_session(session_id)
        return rows[0][0], rows[0][1]


def _put_rows(
    db: sqlite3.Connection, number: int, version: int, entries: int, rows: Iterable[EventRow]
) -> None:
    for row in rows:
        if row.upto_entry > entries:
            raise StoreError(
                f"event {row.event_id}: was decided from {row.upto_entry} entries of the record, "
                f"of which {entries} are stored; store those first"
            )
        db.execute(
            "INSERT OR REPLACE INTO events (session_no, event_id, kind, foot, t_s, first_index,"
            " upto_entry, analysis_version, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                number,
                row.event_id,
                row.kind,
                row.foot,
                row.t_s,
                row.first_index,
                row.upto_entry,
                version,
                _json(row.body, f"event {row.event_id}"),
            ),
        )


def _put_quality(db: sqlite3.Connection, number: int, values: Mapping[str, object]) -> None:
    for name, value in values.items():
        db.execute(
            "INSERT OR REPLACE INTO quality (session_no, name, value) VALUES (?, ?, ?)",
            (number, name, _json(value, f"quality {name}")),
        )


def _json(value: object, where: str) -> str:
    try:
        return json.dumps(value, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise StoreError(f"{where}: cannot be written as JSON ({error})") from error
