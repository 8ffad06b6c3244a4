"""Signed-in browsers, in the store: begun by the password, ended by time, by choice or with it.

A browser holds a random token; the store holds only its hash. A copy of the store signs nobody in.
"""

import hashlib
import secrets
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

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
            db.execute("DELETE FROM sign_ins WHERE begun_utc < ?", (utc_text(when - LONGEST),))
            db.execute(
                "INSERT INTO sign_ins (key, begun_utc, used_utc) VALUES (?, ?, ?)",
                (key_of(token), utc_text(when), utc_text(when)),
            )
        return token

    def lasts(self, key: bytes) -> bool:
        """Whether a sign-in is there and its time is not over."""
        return self._used(key) is not None

    def use(self, key: bytes) -> None:
        """Note that somebody is there, so that the sign-in does not end for want of use."""
        used, when = self._used(key), self._clock()
        if used is not None and when - used >= _NOTED:
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
        return used if when - begun < LONGEST and when - used < IDLE else None
