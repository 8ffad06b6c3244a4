"""The players of a store: registered, listed, deleted for good with all their sessions."""

import secrets
from collections.abc import Collection
from datetime import UTC, datetime

from plantigrade_gateway.errors import NobodyError, StoreError
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.rows import Player, kept_text, kept_time, utc_text

ID_BYTES = 16
"""Length of a random id, which is written as hexadecimal text."""


class Players:
    """The players' table of a store.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._db = database

    def create(self, name: str, handedness: str, mass_kg: float | None = None) -> str:
        """Register a player and return the random id.

        Raises
        ------
        StoreError
            Handedness is neither right nor left, or the mass is not above 0 kg.
        """
        if handedness not in ("right", "left"):
            raise StoreError(f"player: handedness is {handedness!r}, expected right or left")
        if mass_kg is not None and not 0 < mass_kg < float("inf"):
            raise StoreError(f"player: mass is {mass_kg} kg, expected more than 0")
        player_id = secrets.token_hex(ID_BYTES)
        with self._db.writing() as db:
            db.execute(
                "INSERT INTO players (player_id, name, handedness, mass_kg, created_utc)"
                " VALUES (?, ?, ?, ?, ?)",
                (player_id, name, handedness, mass_kg, utc_text(datetime.now(UTC))),
            )
        return player_id

    def all(self) -> list[Player]:
        """Return all players, in the order of registration."""
        rows = self._db.read(
            "SELECT player_id, name, handedness, mass_kg, created_utc FROM players"
            " ORDER BY player_no"
        )
        return [
            Player(kept_text(a), kept_text(b), kept_text(c), d, kept_time(e))
            for a, b, c, d, e in rows
        ]

    def delete(self, player_id: str, of: Collection[str] | None = None) -> bool:
        """Delete a player with all sessions, for good.

        Parameters
        ----------
        player_id : str
        of : collection of str, optional
            The sessions that are meant: where there are others by now, nothing is deleted.

        Returns
        -------
        bool
            Whether it was deleted.

        Raises
        ------
        StoreError
            No such player, a session of theirs is still being recorded, or another program reads
            the store, so that traces stay until it is closed.
        """
        with self._db.writing() as db:
            number = self.number(player_id)
            sessions = db.execute(
                "SELECT session_id, state FROM sessions WHERE player_no = ?", (number,)
            ).fetchall()
            if any(state == "open" for _, state in sessions):
                raise StoreError(
                    f"player {player_id}: a session is still being recorded; stop it first"
                )
            if of is not None and not {session_id for session_id, _ in sessions} <= set(of):
                return False
            self._db.begin_deletion()
            db.execute("DELETE FROM players WHERE player_no = ?", (number,))
        self._db.wipe()
        return True

    def number(self, player_id: str) -> int:
        """Return a player's number inside the file.

        Raises
        ------
        StoreError
            There is no such player.
        """
        rows = self._db.read("SELECT player_no FROM players WHERE player_id = ?", (player_id,))
        if not rows:
            raise NobodyError(f"player {player_id}: not in the store {self._db.path}")
        return int(rows[0][0])
