"""Signed-in browsers and invitations of players, in the store: begun, ended, withdrawn.

A browser or a link holds a random token; the store holds only its hash, so a copy of the store
signs nobody in. Passwords are `password.py`'s.
"""

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.rows import utc_text
from plantigrade_gateway.web.door import password

IDLE = timedelta(hours=8)
"""A sign-in ends after so long without use: a tablet left over night asks again (ours)."""
LONGEST = timedelta(days=7)
"""And after so long in any case (ours)."""
_NOTED = timedelta(minutes=1)  # use is noted so often: looking must not write all the time
_TOKEN_BYTES = 32

Clock = Callable[[], datetime]


def now() -> datetime:
    """Return the time, UTC."""
    return datetime.now(UTC)


def key_of(token: str) -> bytes:
    """Return the hash under which a token is known; tokens are random, so it needs no salt."""
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).digest()


class SignIns:
    """The signed-in browsers of a store.

    Parameters
    ----------
    database : Database
    clock : callable
        The time, UTC.
    """

    def __init__(self, database: Database, clock: Clock = now) -> None:
        self._db = database
        self._clock = clock

    def begin(self, text: str) -> str | None:
        """Sign a browser in by the password; return its token, or None where that is wrong."""
        hashed = password.hash_of(self._db)
        if hashed is None or not password.matches(hashed, text):
            return None
        better = (
            password.HASHER.hash(password.plain(text))
            if password.HASHER.check_needs_rehash(hashed)
            else hashed
        )
        token, when = secrets.token_urlsafe(_TOKEN_BYTES), self._clock()
        with self._db.writing() as db:
            # A password that was changed while this one was looked at signs nobody in.
            same = db.execute(
                "UPDATE password SET hash = ? WHERE hash = ?", (better, hashed)
            ).rowcount
            if not same:
                return None
            old, ahead = utc_text(when - LONGEST), utc_text(when + LONGEST)
            db.execute("DELETE FROM sign_ins WHERE begun_utc < ? OR begun_utc > ?", (old, ahead))
            db.execute(
                "INSERT INTO sign_ins (key, begun_utc, used_utc) VALUES (?, ?, ?)",
                (key_of(token), utc_text(when), utc_text(when)),
            )
        return token

    def lasts(self, key: bytes) -> bool:
        """Whether a sign-in is there and its time is not over."""
        return self._used(key) is not None

    def knows(self, key: bytes) -> bool:
        """Whether a browser was signed in that did not sign out, though its time may be over."""
        rows = self._db.read("SELECT begun_utc FROM sign_ins WHERE key = ?", (key,))
        return any(abs(self._clock() - datetime.fromisoformat(text)) < LONGEST for (text,) in rows)

    def use(self, key: bytes) -> None:
        """Note that somebody is there, so that the sign-in does not end for want of use."""
        used, when = self._used(key), self._clock()
        if used is not None and abs(when - used) >= _NOTED:
            with self._db.writing() as db:
                db.execute("UPDATE sign_ins SET used_utc = ? WHERE key = ?", (utc_text(when), key))

    def end(self, key: bytes) -> None:
        """End a sign-in; ending it again changes nothing."""
        with self._db.writing() as db:
            db.execute("DELETE FROM sign_ins WHERE key = ?", (key,))

    def _used(self, key: bytes) -> datetime | None:
        rows = self._db.read("SELECT begun_utc, used_utc FROM sign_ins WHERE key = ?", (key,))
        if not rows:
            return None
        begun, used = (datetime.fromisoformat(text) for text in rows[0])
        when = self._clock()
        # Either way: begun by a clock that was a year ahead, it would else last for a year.
        return used if abs(when - begun) < LONGEST and abs(when - used) < IDLE else None


WAITS = timedelta(hours=12)
"""How long a link waits for its session to begin (ours)."""
GOES_ON = timedelta(minutes=15)
"""How soon a session that was cut off must go on: as long as one lasts without load."""
KEPT = timedelta(days=1)
"""How long a link that is over stays in the list."""
MOST_NOTE = 40
_LINK_TOKEN_BYTES = 16  # 128 bits; a longer one makes a finer, less readable QR code


class InviteState(StrEnum):
    """What a link is good for."""

    WAITS = "waits"
    """No session has begun since it was made."""
    WORKS = "works"
    WITHDRAWN = "withdrawn"
    ENDED = "ended"
    """Its session has ended, or it waited too long."""


@dataclass(frozen=True, slots=True)
class Invite:
    """One player's link.

    Attributes
    ----------
    number : int
    note : str
        What the coach wrote beside it.
    made : datetime
        UTC.
    state : InviteState
    """

    number: int
    note: str
    made: datetime
    state: InviteState

    @property
    def is_good(self) -> bool:
        """Whether it shows the live page, now or once the session begins."""
        return self.state in (InviteState.WAITS, InviteState.WORKS)


class Invites:
    """The players' links of a store to the sessions of one pair of insoles.

    Parameters
    ----------
    database : Database
    clock : callable
        The time, UTC.
    pair : str
        Which; empty: the usual one. A link to another pair's session opens nothing here.
    """

    def __init__(self, database: Database, clock: Clock = now, pair: str = "") -> None:
        self._db = database
        self._clock = clock
        self._pair = pair

    def make(self, note: str = "") -> tuple[int, str]:
        """Make a link to the session that is being recorded, or to the next.

        Returns
        -------
        int, str
            Its number, and its token, which is nowhere else: the store keeps the hash.
        """
        token, when = secrets.token_urlsafe(_LINK_TOKEN_BYTES), self._clock()
        for link in self.all():
            if not link.is_good and abs(when - link.made) > KEPT:
                self._forget(link.number)
        with self._db.writing() as db:
            number = db.execute(
                "INSERT INTO player_links (key, note, session_no, made_utc, pair) VALUES (?, ?,"
                " (SELECT max(session_no) FROM sessions WHERE state = 'open' AND pair = ?), ?, ?)",
                (
                    key_of(token),
                    " ".join(note.split())[:MOST_NOTE],
                    self._pair,
                    utc_text(when),
                    self._pair,
                ),
            ).lastrowid
        assert number is not None  # an INSERT always has one
        return number, token

    def withdraw(self, number: int) -> bool:
        """Withdraw a link; return whether there is one of this number."""
        with self._db.writing() as db:
            found = db.execute(
                "UPDATE player_links SET withdrawn_utc = coalesce(withdrawn_utc, ?)"
                " WHERE link_no = ? AND pair = ?",
                (utc_text(self._clock()), number, self._pair),
            )
        return found.rowcount > 0

    def all(self) -> list[Invite]:
        """Return the links, the latest first."""
        self._bind()
        return [self._link(row) for row in self._rows("")]

    def lasts(self, key: bytes) -> bool:
        """Whether a link shows the live page now, or once its session begins."""
        self._bind()
        return any(self._link(row).is_good for row in self._rows("AND key = ?", key))

    def state(self, key: bytes) -> InviteState | None:
        """Return how it stands with a link; None where there is none."""
        rows = self._rows("AND key = ?", key)
        return self._link(rows[0]).state if rows else None

    def _rows(self, which: str, *values: object) -> list[tuple[Any, ...]]:
        return self._db.read(
            "SELECT link_no, note, made_utc, session_no, withdrawn_utc FROM player_links"
            f" WHERE pair = ? {which} ORDER BY link_no DESC",
            (self._pair, *values),
        )

    def _forget(self, number: int) -> None:
        with self._db.writing() as db:
            db.execute("DELETE FROM player_links WHERE link_no = ?", (number,))

    def _bind(self) -> None:
        """Give the links that wait the first session that began after them."""
        first = (
            "(SELECT min(session_no) FROM sessions WHERE sessions.pair = player_links.pair"
            " AND started_utc >= made_utc"
            f" AND julianday(started_utc) - julianday(made_utc) < {WAITS / timedelta(days=1)})"
        )
        waiting = f"session_no IS NULL AND {first} IS NOT NULL"
        if self._db.read(f"SELECT 1 FROM player_links WHERE {waiting} LIMIT 1"):
            with self._db.writing() as db:
                db.execute(f"UPDATE player_links SET session_no = {first} WHERE {waiting}")

    def _link(self, row: tuple[Any, ...]) -> Invite:
        number, note, made_text, session_no, withdrawn = row
        made = datetime.fromisoformat(made_text)
        if withdrawn is not None:
            state = InviteState.WITHDRAWN
        elif session_no is None:
            waits = abs(self._clock() - made) < WAITS  # made by a clock that was ahead, too
            state = InviteState.WAITS if waits else InviteState.ENDED
        else:
            state = InviteState.WORKS if self._goes_on(session_no) else InviteState.ENDED
        return Invite(number, note, made, state)

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
            f" FROM sessions WHERE {which} AND pair = ? ORDER BY session_no LIMIT 1",
            (number, self._pair),
        )
        return rows[0] if rows else None
