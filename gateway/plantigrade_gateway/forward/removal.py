"""What was deleted here, or given to another player, deleted from the database too.

A point bears the player whose session it was when it was sent. So the points of a player's sessions
go with the player, whomever they were sent for; and those that were sent of a session for another
player than it has now can be deleted while it stays.
"""

import json
import re
from collections.abc import Iterator

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward.check import open_database
from plantigrade_gateway.forward.courier import SinkUnavailable
from plantigrade_gateway.forward.tsdb import PREFIX
from plantigrade_gateway.store.hubledger import Ledger
from plantigrade_gateway.store.store import Store

_ID = re.compile(r"[0-9a-f]{16,32}")
_THERE = {
    "player": "SELECT 1 FROM players WHERE player_id = ?",
    "session": "SELECT 1 FROM sessions WHERE session_id = ?",
}


async def remove(config: Config, store: Store, tag: str, ident: str) -> int:
    """Delete every series of a player, with their sessions, or of a session from the database.

    Parameters
    ----------
    config : Config
    store : Store
    tag : str
        ``"player"`` or ``"session"``.
    ident : str
        The whole id.

    Returns
    -------
    int
        How many series there were; none the second time.

    Raises
    ------
    InputError
        It is no id, the store still has it, or the database does not delete.
    """
    _check(tag, ident)
    if store.database.read(_THERE[tag], (ident,)):
        raise InputError(
            f"{tag} {ident}: is still in the store {store.path}; delete it there first, or it "
            "would be sent again"
        )
    tags = [(tag, ident)]
    if tag == "player":
        tags += [("session", each) for each in _sessions_of(store, ident)]
    return await _delete(config, [f'{name}="{each}"' for name, each in tags])


async def remove_former(config: Config, store: Store, session_id: str) -> int:
    """Delete what was sent of a session for another player, or none, than the one it has now.

    Parameters
    ----------
    config : Config
    store : Store
    session_id : str
        The whole id.

    Returns
    -------
    int
        How many series there were.

    Raises
    ------
    InputError
        It is no id, the store has no such session, or the database does not delete.
    """
    _check("session", session_id)
    query = "SELECT player_id FROM sessions LEFT JOIN players USING (player_no)"
    rows = store.database.read(f"{query} WHERE session_id = ?", (session_id,))
    if not rows:
        raise InputError(f"session {session_id}: is not in the store {store.path}")
    return await _delete(config, [f'session="{session_id}",player!="{rows[0][0] or ""}"'])


def _check(tag: str, ident: str) -> None:
    if not _ID.fullmatch(ident):
        raise InputError(f"{tag} {ident!r}: is no id, expected the whole of it, as on the receipt")


def _sessions_of(store: Store, player_id: str) -> Iterator[str]:
    """Give the sessions on a deleted player's receipt, where one is kept."""
    kept = Ledger(store.database).receipt(player_id)
    for each in [] if kept is None else json.loads(kept.receipt)["sessions"]:
        if _ID.fullmatch(each):
            yield each


async def _delete(config: Config, matches: list[str]) -> int:
    async with open_database(config) as database:
        try:
            await database.open()
            if not (await database.server_info()).is_victoria:
                raise InputError("tsdb delete: points are deleted from VictoriaMetrics only")
            gone = 0
            for match in matches:
                gone += await database.delete(f'{{__name__=~"{PREFIX}.*",{match}}}')
            return gone
        except SinkUnavailable as away:
            raise InputError(str(away)) from None
