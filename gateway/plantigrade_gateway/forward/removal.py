"""What was deleted here, deleted from the database too: all points of a player or of a session."""

import re

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward.check import open_database
from plantigrade_gateway.forward.courier import SinkUnavailable
from plantigrade_gateway.forward.tsdb import PREFIX
from plantigrade_gateway.store.store import Store

_ID = re.compile(r"[0-9a-f]{16,32}")
_THERE = {
    "player": "SELECT 1 FROM players WHERE player_id = ?",
    "session": "SELECT 1 FROM sessions WHERE session_id = ?",
}


async def remove(config: Config, store: Store, tag: str, ident: str) -> int:
    """Delete every series of a player or a session from the database.

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
    if not _ID.fullmatch(ident):
        raise InputError(f"{tag} {ident!r}: is no id, expected the whole of it, as on the receipt")
    if store.database.read(_THERE[tag], (ident,)):
        raise InputError(
            f"{tag} {ident}: is still in the store {store.path}; delete it there first, or it "
            "would be sent again"
        )
    async with open_database(config) as database:
        try:
            await database.open()
            if not (await database.server_info()).is_victoria:
                raise InputError("tsdb delete: points are deleted from VictoriaMetrics only")
            return await database.delete(f'{{__name__=~"{PREFIX}.*",{tag}="{ident}"}}')
        except SinkUnavailable as away:
            raise InputError(str(away)) from None
