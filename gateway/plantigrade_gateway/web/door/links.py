"""Players' links, in the store: each shows the live page of one session, until that session ends.

A link made before a session begins waits for the next one. Where the gateway was cut off (power, a
restart) and goes on recording within a quarter of an hour, the visit goes on, and so does its link.
"""

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.rows import utc_text
from plantigrade_gateway.web.door.signins import Clock, key_of, now

WAITS = timedelta(hours=12)
"""How long a link waits for its session to begin (ours)."""
GOES_ON = timedelta(minutes=15)
"""How soon a session that was cut off must go on: as long as one lasts without load."""
KEPT = timedelta(days=1)
"""How long a link that is over stays in the list."""
MOST_NOTE = 40
_LINK_TOKEN_BYTES = 16  # 128 bits; a longer one makes a finer, less readable QR code


class LinkState(StrEnum):
    """What a link is good for."""

    WAITS = "waits"
    """No session has begun since it was made."""
    WORKS = "works"
    WITHDRAWN = "withdrawn"
    ENDED = "ended"
    """Its session has ended, or it waited too long."""


@dataclass(frozen=True, slots=True)
class Link:
    """One player's link.

    Attributes
    ----------
    number : int
    note : str
        What the coach wrote beside it.
    made : datetime
        UTC.
    state : LinkState
    """

    number: int
    note: str
    made: datetime
    state: LinkState

    @property
    def is_good(self) -> bool:
        """Whether it shows the live page, now or once the session begins."""
        return self.state in (LinkState.WAITS, LinkState.WORKS)


class Links:
    """The players' links of a store.

    Parameters
    ----------
    database : Database
    clock : callable
        The time, UTC.
    """

    def __init__(self, database: Database, clock: Clock = now) -> None:
        self._db = database
        self._clock = clock

    def make(self, note: str = "") -> tuple[int, str]:
        """Make a link to the session that is being recorded, or to the next.

        Returns
        -------
        int, str
            Its number, and its token, which is nowhere else: the store keeps the hash.
        """
        token, when = secrets.token_urlsafe(_LINK_TOKEN_BYTES), self._clock()
        for link in self.all():
            if not link.is_good and when - link.made > KEPT:
                self._forget(link.number)
        with self._db.writing() as db:
            number = db.execute(
                "INSERT INTO player_links (key, note, session_no, made_utc) VALUES (?, ?,"
                " (SELECT max(session_no) FROM sessions WHERE state = 'open'), ?)",
                (key_of(token), " ".join(note.split())[:MOST_NOTE], utc_text(when)),
            ).lastrowid
        assert number is not None  # an INSERT always has one
        return number, token

    def withdraw(self, number: int) -> bool:
        """Withdraw a link; return whether there is one of this number."""
        with self._db.writing() as db:
            found = db.execute(
                "UPDATE player_links SET withdrawn_utc = coalesce(withdrawn_utc, ?)"
                " WHERE link_no = ?",
                (utc_text(self._clock()), number),
            )
        return found.rowcount > 0

    def all(self) -> list[Link]:
        """Return the links, the latest first."""
        self._bind()
        return [self._link(row) for row in self._rows("ORDER BY link_no DESC")]

    def lasts(self, key: bytes) -> bool:
        """Whether a link shows the live page now, or once its session begins."""
        self._bind()
        return any(self._link(row).is_good for row in self._rows("WHERE key = ?", key))

    def _rows(self, which: str, *values: object) -> list[tuple[Any, ...]]:
        return self._db.read(
            f"SELECT link_no, note, made_utc, session_no, withdrawn_utc FROM player_links {which}",
            values,
        )

    def _forget(self, number: int) -> None:
        with self._db.writing() as db:
            db.execute("DELETE FROM player_links WHERE link_no = ?", (number,))

    def _bind(self) -> None:
        """Give the links that wait the first session that began after them."""
        first = (
            "(SELECT min(session_no) FROM sessions WHERE started_utc >= made_utc"
            f" AND julianday(started_utc) - julianday(made_utc) < {WAITS / timedelta(days=1)})"
        )
        waiting = f"session_no IS NULL AND {first} IS NOT NULL"
        if self._db.read(f"SELECT 1 FROM player_links WHERE {waiting} LIMIT 1"):
            with self._db.writing() as db:
                db.execute(f"UPDATE player_links SET session_no = {first} WHERE {waiting}")

    def _link(self, row: tuple[Any, ...]) -> Link:
        number, note, made_text, session_no, withdrawn = row
        made = datetime.fromisoformat(made_text)
        if withdrawn is not None:
            state = LinkState.WITHDRAWN
        elif session_no is None:
            waits = self._clock() - made < WAITS
            state = LinkState.WAITS if waits else LinkState.ENDED
        else:
            state = LinkState.WORKS if self._goes_on(session_no) else LinkState.ENDED
        return Link(number, note, made, state)

    def _goes_on(self, session_no: int) -> bool:
        """Whether a session is being recorded, or one that goes on after it was cut off."""
        row = self._session("session_no = ?", session_no)
        while row is not None:
            number, started, state, reason, recorded_ns = row
            if state == "open":
                return True
            if reason != "restart":
                return False
            end = datetime.fromisoformat(started) + timedelta(microseconds=recorded_ns / 1000)
            row = self._session("session_no > ?", number)
            begins = self._clock() if row is None else datetime.fromisoformat(row[1])
            if not timedelta() <= begins - end <= GOES_ON:
                return False
            if row is None:
                return True
        return False

    def _session(self, which: str, number: int) -> tuple[Any, ...] | None:
        """Return the first such session: number, start, state, end, and how long it is, ns."""
        end = (
            "(SELECT {}_ns FROM chunks WHERE session_no = sessions.session_no"
            " ORDER BY seq {} LIMIT 1)"
        )
        rows = self._db.read(
            "SELECT session_no, started_utc, state, end_reason,"
            f" coalesce({end.format('last', 'DESC')} - {end.format('first', 'ASC')}, 0)"
            f" FROM sessions WHERE {which} ORDER BY session_no LIMIT 1",
            (number,),
        )
        return rows[0] if rows else None
