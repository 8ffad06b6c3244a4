"""The rows of sessions and their pieces: as they are read and written, each statement made once.

A piece of every bay comes every second; building a statement costs more than running it.
"""

from dataclasses import dataclass

import sqlalchemy as sa

from plantigrade_gateway.people import players
from plantigrade_gateway.people.hubtables import PIECE, SESSION
from plantigrade_gateway.people.log import DELETED
from plantigrade_gateway.people.tables import CHANGE

FORGOTTEN = ""
"""When a session began, of one of which nothing is kept but that it was deleted."""


@dataclass(frozen=True, slots=True)
class Row:
    """What the hub has of a session.

    Attributes
    ----------
    session_id, bay : str
    player_id : str or None
    started_utc : str
        `FORGOTTEN` when all of a deleted one is gone.
    utc_offset_min : int
    about : str
        JSON, as the bay said it.
    pieces : int
    sha256 : str or None
        As it was ended with, if it was.
    in_replay : int
        How many of the pieces are in its replay file.
    is_whole, is_deleted : bool
        Deleted is one, too, of which, or of whose player, the log has a tombstone.
    """

    session_id: str
    bay: str
    player_id: str | None
    started_utc: str
    utc_offset_min: int
    about: str
    pieces: int = 0
    sha256: str | None = None
    in_replay: int = 0
    is_whole: bool = False
    is_deleted: bool = False


_SESSION_ID = sa.bindparam("of_session", type_=sa.String())
_PLAYER_ID = sa.bindparam("of_player", type_=sa.String())


def _tombstone(entity: str, key: sa.ColumnElement[str]) -> sa.Exists:
    dead = (CHANGE.c.entity == entity, CHANGE.c.entity_id == key, CHANGE.c.field == DELETED)
    return sa.exists().where(*dead)


_IS_GONE = sa.select(
    sa.or_(_tombstone(players.SESSION, _SESSION_ID), _tombstone(players.PLAYER, _PLAYER_ID))
)
_COLUMNS = [column for column in SESSION.c if column is not SESSION.c.is_deleted]
_FOUND = sa.select(
    *_COLUMNS,
    sa.or_(
        SESSION.c.is_deleted,
        _tombstone(players.SESSION, SESSION.c.session_id),
        _tombstone(players.PLAYER, SESSION.c.player_id),
    ).label("is_deleted"),
).where(SESSION.c.session_id == _SESSION_ID)
_ALL = sa.select(SESSION)
_SUM = sa.select(PIECE.c.number, PIECE.c.sha256).where(
    PIECE.c.session_id == _SESSION_ID,
    PIECE.c.number.between(sa.bindparam("of_first"), sa.bindparam("of_last")),
)
_SUMS = sa.select(PIECE.c.sha256).where(PIECE.c.session_id == _SESSION_ID).order_by(PIECE.c.number)
_ADD_PIECE = PIECE.insert()
_COUNT_PIECE = (
    SESSION.update()
    .where(SESSION.c.session_id == _SESSION_ID)
    .values(pieces=sa.bindparam("many"), is_whole=False)
)


def found(db: sa.Connection, session_id: str) -> Row | None:
    """Return a session's row; None: there is none."""
    row = db.execute(_FOUND, {"of_session": session_id}).first()
    return None if row is None else Row(**row._mapping)


def all_rows(db: sa.Connection) -> list[Row]:
    """Return all rows as they are; of tombstones in the log nothing is said."""
    return [Row(**row._mapping) for row in db.execute(_ALL)]


def is_gone(db: sa.Connection, session_id: str, player_id: str | None) -> bool:
    """Whether the log has a tombstone of a session or of a player."""
    return bool(db.scalar(_IS_GONE, {"of_session": session_id, "of_player": player_id}))


def sums_among(db: sa.Connection, session_id: str, first: int, last: int) -> dict[int, str]:
    """Return by number the sums of those pieces that are objects of their own."""
    given = {"of_session": session_id, "of_first": first, "of_last": last}
    return {number: sha256 for number, sha256 in db.execute(_SUM, given)}


def sums_of(db: sa.Connection, session_id: str) -> list[str]:
    """Return the sums of the pieces that are objects of their own, in order."""
    return list(db.scalars(_SUMS, {"of_session": session_id}))


def add_pieces(db: sa.Connection, session_id: str, first: int, sums: list[str]) -> None:
    """Add pieces that follow each other, from a number on."""
    made = [
        {"session_id": session_id, "number": number, "sha256": sha256}
        for number, sha256 in enumerate(sums, first)
    ]
    db.execute(_ADD_PIECE, made)
    db.execute(_COUNT_PIECE, {"of_session": session_id, "many": first + len(sums)})


def forget_pieces(db: sa.Connection, session_id: str) -> None:
    """Delete the rows of a session's pieces."""
    db.execute(PIECE.delete().where(PIECE.c.session_id == session_id))


def put(db: sa.Connection, row: Row) -> None:
    """Add a session's row."""
    values = {name: getattr(row, name) for name in Row.__slots__}
    db.execute(SESSION.insert().values(**values))


def change(db: sa.Connection, session_id: str, **values: object) -> None:
    """Change some of a session's row."""
    db.execute(SESSION.update().where(SESSION.c.session_id == session_id).values(**values))
