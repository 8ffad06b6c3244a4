"""Deletions that were decided anywhere, carried out here and told the hub until it has the receipt.

A tombstone of a player is what tells of one. A session that is being recorded just then is deleted
when it ends. The receipt lists what was here; of a player of whom nothing was, it says so.
"""

import asyncio
import logging

from plantigrade_gateway.people.deletion import (
    delete_player,
    is_recorded,
    is_there,
    kept,
    settled,
)
from plantigrade_gateway.people.players import PLAYER, SESSION, Register
from plantigrade_gateway.store.hubledger import Ledger
from plantigrade_gateway.sync.link import Hub
from plantigrade_gateway.sync.messages import Deleted

AUTHOR = "hub"
"""Who says what a deletion says that was decided elsewhere."""

_log = logging.getLogger(__name__)


class Deletions:
    """The deletions of a bay.

    Parameters
    ----------
    register : Register
        With a store that is opened for this alone.
    hub : Hub

    Attributes
    ----------
    waiting : int
        Those that are not carried out, or whose receipt the hub has not confirmed.
    told : int
        Those whose receipt the hub has taken.
    """

    def __init__(self, register: Register, hub: Hub) -> None:
        self.waiting = 0
        self.told = 0
        self._register = register
        self._hub = hub
        self._ledger = Ledger(register.store.database)

    def carry_out(self) -> list[str]:
        """Carry out what can be; return the players whose receipt the hub has not confirmed.

        Raises
        ------
        StoreError
            The store refuses.
        """
        with self._register.explained():
            gone = sorted(self._register.log.deleted(PLAYER))
        confirmed = self._ledger.confirmed_receipts()
        here = self._register.anchored()
        owed, self.waiting = [], 0
        for player_id in gone:
            if player_id in confirmed and player_id not in here:
                continue
            self.waiting += 1
            if self._is_carried_out(player_id):
                owed.append(player_id)
        self._delete_sessions(set(gone))
        return owed

    def _delete_sessions(self, gone: set[str]) -> None:
        """Delete sessions with a tombstone of their own; those of deleted players go with them.

        Such a session was given elsewhere to a player who was deleted before that was heard here.
        """
        store = self._register.store
        with self._register.explained():
            dead = self._register.log.deleted(SESSION)
        ended = store.database.read(
            "SELECT session_id, player_id FROM sessions LEFT JOIN players USING (player_no)"
            " WHERE state = 'ended'"
        )
        for session_id, player_id in ended if dead else ():
            if session_id in dead and player_id not in gone:
                store.delete_session(session_id)

    def _is_carried_out(self, player_id: str) -> bool:
        if is_recorded(self._register, player_id):
            return False  # as soon as it has ended
        if is_there(self._register, player_id):
            receipt = delete_player(self._register, player_id, AUTHOR)
            _log.info("deleted player %s: %d sessions", player_id, len(receipt.sessions))
            return receipt.traces is None
        # Another program may have read the store then, or this one ended before it could say that
        # all was done.
        return bool(settled(self._register, [player_id]))

    async def round(self) -> bool:
        """Carry out what can be and tell the hub; return whether more is left: never.

        Raises
        ------
        HubAway, HubRefused
        StoreError
            The store refuses.
        """
        # Off the loop: cutting the log waits for whoever reads the store.
        for player_id in await asyncio.to_thread(self.carry_out):
            found = kept(self._register.store, player_id)
            if found is not None:
                await self._hub.deleted(player_id, Deleted(found[0].json()))
                self._ledger.confirm_receipt(player_id)
                self.waiting -= 1
                self.told += 1
        return False
