"""A session that another place recorded, taken into this store: its record byte for byte.

Nothing is sent on from here of it: the place that recorded it does that.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice

from plantigrade_gateway.errors import DamageError, StoreError
from plantigrade_gateway.record import packing
from plantigrade_gateway.store.pieces import head_of
from plantigrade_gateway.store.rows import Chunk
from plantigrade_gateway.store.store import Store

_AT_ONCE = 64  # pieces of a transaction: others write between two of them


@dataclass(frozen=True, slots=True)
class HandedOver:
    """A whole session, but for its record.

    Attributes
    ----------
    session_id : str
    player_id : str or None
        One whom the store can refer to, if it is anybody's.
    started_utc : str
        ISO 8601, UTC, to the microsecond.
    utc_offset_min : int
    source, host : str
    end_reason : str
    """

    session_id: str
    player_id: str | None
    started_utc: str
    utc_offset_min: int
    source: str
    host: str
    end_reason: str


def begin(store: Store, session: HandedOver) -> int:
    """Make a session's row where there is none; return how many pieces it has.

    Raises
    ------
    StoreError
        The file refuses, or no such player is known.
    """
    with store.database.writing() as db:
        player_no = None if session.player_id is None else store.players.number(session.player_id)
        db.execute(
            "INSERT INTO sessions (session_id, player_no, started_utc, utc_offset_min, source,"
            " host, state, end_reason, analysis_version) VALUES (?, ?, ?, ?, ?, ?, 'open', ?, 0)"
            " ON CONFLICT (session_id) DO NOTHING",
            (
                session.session_id,
                player_no,
                session.started_utc,
                session.utc_offset_min,
                session.source,
                session.host,
                session.end_reason,
            ),
        )
        ((pieces,),) = db.execute(
            "SELECT count(*) FROM chunks JOIN sessions USING (session_no) WHERE session_id = ?",
            (session.session_id,),
        )
        return int(pieces)


def append(store: Store, session_id: str, pieces: Iterable[bytes], first: int) -> None:
    """Add pieces as the other place's store kept them, some at a time.

    One that is damaged is kept as it is, and read back as the gap that it is.

    Parameters
    ----------
    store : Store
    session_id : str
    pieces : iterable of bytes
    first : int
        The number of the first of them.

    Raises
    ------
    StoreError
        The file refuses, or others were added meanwhile: what was added before stays, and the rest
        can follow.
    """
    rest = iter(pieces)
    while group := [_chunk(data) for data in islice(rest, _AT_ONCE)]:
        with store.database.writing() as db:
            ((number, seq, entries, last_ns),) = db.execute(
                "SELECT session_no, coalesce(max(seq) + 1, 0), coalesce(max(first_entry + entries),"
                " 0), coalesce(max(last_ns), 0) FROM sessions LEFT JOIN chunks USING (session_no)"
                " WHERE session_id = ?",
                (session_id,),
            )
            if seq != first:
                raise StoreError(f"session {session_id}: another program is bringing it in too")
            first += len(group)
            if seq == 0 and group[0].entries:
                db.execute(
                    "UPDATE sessions SET head = ? WHERE session_no = ?",
                    (head_of(group[0].data), number),
                )
            for chunk in group:
                first_ns, last_ns = (
                    (chunk.first_ns, chunk.last_ns) if chunk.entries else (last_ns, last_ns)
                )
                db.execute(
                    "INSERT INTO chunks (session_no, seq, first_entry, entries, first_ns, last_ns,"
                    " data) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (number, seq, entries, chunk.entries, first_ns, last_ns, chunk.data),
                )
                seq, entries = seq + 1, entries + chunk.entries


def end(store: Store, session_id: str) -> None:
    """Note that all of a session is here; it has no results yet (`results.reanalyse`)."""
    with store.database.writing() as db:
        db.execute("UPDATE sessions SET state = 'ended' WHERE session_id = ?", (session_id,))


def reassign(store: Store, session_id: str, player_id: str | None) -> None:
    """Give a session to another player, or to nobody.

    Raises
    ------
    StoreError
        No such player is known.
    """
    player_no = None if player_id is None else store.players.number(player_id)
    with store.database.writing() as db:
        db.execute(
            "UPDATE sessions SET player_no = ? WHERE session_id = ?", (player_no, session_id)
        )


def _chunk(data: bytes) -> Chunk:
    """Return what the store notes of a piece; of one that cannot be read, that it has nothing."""
    try:
        batch = packing.unpack([data])
    except DamageError:
        return Chunk(0, 0, 0, data)
    if not len(batch):
        return Chunk(0, 0, 0, data)
    return Chunk(len(batch), int(batch.arrival_ns[0]), int(batch.arrival_ns[-1]), data)
