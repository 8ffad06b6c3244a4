"""What of the store the hub is still to be given, and what it has confirmed.

Losing these tables costs asking again, and of receipts how much was deleted; never a record.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.rows import utc_text

_SESSIONS = (
    "SELECT session_id, players.player_id, state = 'ended', started_utc,"
    " utc_offset_min, source, host, analysis_version, end_reason, handed_over.pieces,"
    " handed_over.sha256, handed_over.player_id"
    " FROM sessions LEFT JOIN players USING (player_no) LEFT JOIN handed_over USING (session_no)"
)
_UNLIKE = (
    " (handed_over.pieces IS NULL OR handed_over.player_id IS NOT players.player_id"
    " OR EXISTS (SELECT 1 FROM chunks WHERE chunks.session_no = sessions.session_no"
    " AND seq >= handed_over.pieces))"
)
_OF = "session_no = (SELECT session_no FROM sessions WHERE session_id = ?)"


@dataclass(frozen=True, slots=True)
class Ended:
    """What the hub confirmed as a session's end.

    Attributes
    ----------
    pieces : int
    sha256 : str
    player_id : str or None
    """

    pieces: int
    sha256: str
    player_id: str | None


@dataclass(frozen=True, slots=True)
class Due:
    """A session of which the hub lacks something.

    Attributes
    ----------
    session_id : str
    player_id : str or None
    is_ended : bool
    started_utc : str
    utc_offset_min : int
    about : dict of str to JSON values
        What else its row says.
    confirmed : Ended or None
    """

    session_id: str
    player_id: str | None
    is_ended: bool
    started_utc: str
    utc_offset_min: int
    about: dict[str, Any]
    confirmed: Ended | None


@dataclass(frozen=True, slots=True)
class KeptReceipt:
    """A deletion's receipt.

    Attributes
    ----------
    player_id : str
    receipt : str
        JSON.
    is_done : bool
        False: the deletion was begun and may not have come to its end.
    """

    player_id: str
    receipt: str
    is_done: bool


class Ledger:
    """What the hub has confirmed of a store.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._db = database

    def due(self) -> list[Due]:
        """Return the sessions of which the hub lacks something: those under way, then the oldest.

        Raises
        ------
        StoreError
            The file refuses.
        """
        order = " ORDER BY state = 'ended', sessions.session_no"
        try:
            rows = self._db.read(f"{_SESSIONS} WHERE {_UNLIKE}{order}")
        except DamageError:  # of one session's pieces: the others are handed over all the same
            rows = list(self._one_by_one())
        return [_due(row) for row in rows]

    def _one_by_one(self) -> Iterator[tuple[Any, ...]]:
        numbers = self._db.read("SELECT session_no FROM sessions ORDER BY state = 'ended', 1")
        for (number,) in numbers:
            try:
                yield from self._db.read(
                    f"{_SESSIONS} WHERE {_UNLIKE} AND sessions.session_no = ?", (number,)
                )
            except DamageError:
                continue

    def pieces(self, session_id: str) -> int:
        """Return how many pieces a session has, lost ones among them; none of one that is gone."""
        rows = self._db.read(f"SELECT max(seq) FROM chunks WHERE {_OF}", (session_id,))
        return 0 if rows[0][0] is None else int(rows[0][0]) + 1

    def confirm(self, session_id: str, ended: Ended) -> None:
        """Note that the hub has a session, whole; of one that is gone meanwhile nothing."""
        with self._db.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO handed_over"
                " (session_no, pieces, sha256, player_id, confirmed_utc)"
                " SELECT session_no, ?, ?, ?, ? FROM sessions WHERE session_id = ?",
                (ended.pieces, ended.sha256, ended.player_id, _now(), session_id),
            )

    def doubt(self, session_id: str) -> None:
        """Note that the hub does not have a session any more."""
        with self._db.writing() as db:
            db.execute(f"DELETE FROM handed_over WHERE {_OF}", (session_id,))

    def confirmed_since(self, when: datetime) -> list[tuple[int, str, int]]:
        """Return number, id and pieces of the sessions that were confirmed after a moment."""
        return self._confirmed("confirmed_utc > ?", utc_text(when))

    def confirmed_after(self, number: int) -> list[tuple[int, str, int]]:
        """Return the first of the confirmed sessions after a number, as `confirmed_since`."""
        return self._confirmed("sessions.session_no > ? ORDER BY 1 LIMIT 1", number)

    def _confirmed(self, which: str, value: str | int) -> list[tuple[int, str, int]]:
        rows = self._db.read(
            "SELECT sessions.session_no, session_id, pieces FROM handed_over"
            f" JOIN sessions USING (session_no) WHERE {which}",
            (value,),
        )
        return [(number, session_id, pieces) for number, session_id, pieces in rows]

    # Deletions

    def keep_receipt(self, player_id: str, receipt: str, *, is_done: bool) -> None:
        """Keep a receipt, in place of one that was kept of the player."""
        with self._db.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO receipts (player_id, receipt, is_done) VALUES (?, ?, ?)",
                (player_id, receipt, is_done),
            )

    def receipt(self, player_id: str) -> KeptReceipt | None:
        """Return a player's receipt, where one is kept."""
        rows = self._db.read(
            "SELECT player_id, receipt, is_done FROM receipts WHERE player_id = ?", (player_id,)
        )
        return KeptReceipt(rows[0][0], rows[0][1], bool(rows[0][2])) if rows else None

    def confirm_receipt(self, player_id: str) -> None:
        """Note that the hub has a player's receipt."""
        with self._db.writing() as db:
            db.execute(
                "UPDATE receipts SET confirmed_utc = ? WHERE player_id = ?", (_now(), player_id)
            )

    def confirmed_receipts(self) -> set[str]:
        """Return the players whose receipt the hub has."""
        rows = self._db.read("SELECT player_id FROM receipts WHERE confirmed_utc IS NOT NULL")
        return {player_id for (player_id,) in rows}


def _now() -> str:
    return utc_text(datetime.now(UTC))


def _due(row: tuple[Any, ...]) -> Due:
    session_id, player_id, is_ended, started, offset_min, *rest = row
    source, host, version, end_reason, pieces, sha256, told = rest
    about = {"source": source, "host": host, "analysis_version": version, "end_reason": end_reason}
    confirmed = None if pieces is None else Ended(pieces, sha256, told)
    return Due(session_id, player_id, bool(is_ended), started, offset_min, about, confirmed)
