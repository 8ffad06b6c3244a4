"""The bays of a site and their credentials: added, listed, withdrawn, forgotten.

A credential is ``<bay>.<secret>``. It is shown once; only a hash of the secret is kept, so a copy
of the tables opens nothing.
"""

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime

import sqlalchemy as sa

from plantigrade.errors import shown
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.clock import now_ms
from plantigrade_gateway.people.hubtables import BAY
from plantigrade_gateway.people.tables import writing

NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")
"""What a bay, or a hub, may be called."""
_SECRET_BYTES = 32
_LONGEST = 200
_NOTED_MS = 60_000  # that a bay was there is noted so often: its pieces must not wait for it
_NOBODY = "0" * 64
_BY_NAME = sa.select(BAY.c.secret_sha256, BAY.c.withdrawn_ms, BAY.c.seen_ms).where(
    BAY.c.name == sa.bindparam("called")
)


@dataclass(frozen=True, slots=True)
class Bay:
    """A bay as a list shows it.

    Attributes
    ----------
    name : str
    added : datetime
    withdrawn : datetime or None
        When its credential was withdrawn, if it was.
    seen : datetime or None
        When it was last there, to the minute; None: never.
    """

    name: str
    added: datetime
    withdrawn: datetime | None
    seen: datetime | None


def checked_name(name: str, what: str) -> str:
    """Return the name of a bay or a hub.

    Raises
    ------
    InputError
        It cannot be one.
    """
    if not NAME.fullmatch(name):
        raise InputError(
            f"{what} {shown(name)}: expected up to 32 of a-z, 0-9, - and _, a letter or digit first"
        )
    return name


class Bays:
    """The bays of a hub.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        The people's.
    """

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def add(self, name: str) -> str:
        """Add a bay, or one again that was withdrawn, and return its new credential.

        Raises
        ------
        InputError
            The name cannot be one, or the bay is there.
        """
        checked_name(name, "bay")
        secret = secrets.token_urlsafe(_SECRET_BYTES)
        row = {"secret_sha256": _hash(secret), "added_ms": now_ms()}
        row |= {"withdrawn_ms": None, "forgotten_ms": None}
        with writing(self._engine).begin() as db:
            before = db.execute(sa.select(BAY.c.withdrawn_ms).where(BAY.c.name == name)).first()
            if before is None:
                db.execute(BAY.insert().values(name=name, **row))
            elif before.withdrawn_ms is None:
                raise InputError(
                    f"bay {name}: is there already; withdraw it first where its credential is lost"
                )
            else:
                db.execute(BAY.update().where(BAY.c.name == name).values(**row))
        return f"{name}.{secret}"

    def withdraw(self, name: str) -> None:
        """Let a bay's credential open nothing from now on.

        Raises
        ------
        InputError
            There is no such bay, or it was withdrawn before.
        """
        with writing(self._engine).begin() as db:
            found = db.execute(
                BAY.update()
                .where(BAY.c.name == name, BAY.c.withdrawn_ms.is_(None))
                .values(withdrawn_ms=now_ms())
            )
        if not found.rowcount:
            raise InputError(f"bay {shown(name)}: there is none that could be withdrawn")

    def forget(self, name: str) -> None:
        """Let a bay that was withdrawn be in no list, and no deletion wait for it.

        Raises
        ------
        InputError
            There is no such bay, or its credential is not withdrawn.
        """
        mine = BAY.c.name == name
        with writing(self._engine).begin() as db:
            query = sa.select(BAY.c.withdrawn_ms, BAY.c.forgotten_ms).where(mine)
            row = db.execute(query).first()
            if row is None or row.forgotten_ms is not None:
                raise InputError(f"bay {shown(name)}: there is none that could be forgotten")
            if row.withdrawn_ms is None:
                raise InputError(
                    f"bay {name}: its credential is not withdrawn, so it may come again; see "
                    "plantigrade hub bay withdraw"
                )
            db.execute(BAY.update().where(mine).values(forgotten_ms=now_ms()))

    def all(self) -> list[Bay]:
        """Return the bays by name, withdrawn ones among them, forgotten ones not."""
        query = sa.select(BAY).where(BAY.c.forgotten_ms.is_(None)).order_by(BAY.c.name)
        with self._engine.connect() as db:
            return [
                Bay(row.name, as_time(row.added_ms), _when(row.withdrawn_ms), _when(row.seen_ms))
                for row in db.execute(query)
            ]

    def of_credential(self, text: str) -> str | None:
        """Return whose a credential is; None: nobody's, or it was withdrawn."""
        name, _, secret = text[:_LONGEST].rpartition(".")
        with self._engine.connect() as db:
            row = db.execute(_BY_NAME, {"called": name}).first()
        # Compared in any case: how long the answer takes tells nobody which bays there are.
        kept = _NOBODY if row is None else row.secret_sha256
        is_right = hmac.compare_digest(kept, _hash(secret))
        if row is None or not is_right or row.withdrawn_ms is not None:
            return None
        self._note(name, row.seen_ms)
        return name

    def _note(self, name: str, seen_ms: int | None) -> None:
        now = now_ms()
        if seen_ms is None or not 0 <= now - seen_ms < _NOTED_MS:
            with writing(self._engine).begin() as db:
                db.execute(BAY.update().where(BAY.c.name == name).values(seen_ms=now))


def _hash(secret: str) -> str:
    """Return the hash under which a secret is known; it is random, so it needs no salt."""
    return hashlib.sha256(secret.encode("utf-8", "surrogateescape")).hexdigest()


def as_time(ms: int) -> datetime:
    """Return a time kept as ms since 1970."""
    return datetime.fromtimestamp(ms / 1000, UTC)


def _when(ms: int | None) -> datetime | None:
    return None if ms is None else as_time(ms)
