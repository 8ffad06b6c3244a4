"""Which players' data are to be deleted by the setting ``players.keep_days``; deletes nothing.

`due` lists them, for pages and commands; whoever is asked deletes each by `deletion.delete_player`.
"""

from dataclasses import dataclass
from datetime import date, timedelta

from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.profile import utc


@dataclass(frozen=True, slots=True)
class Due:
    """A player who was not seen for longer than data are kept.

    Attributes
    ----------
    player_id : str
    name : str
        For the coach alone.
    last : date
        Of the last visit, or where none is stored, on which something was last said of them.
    since : date
        From which day on they are due.
    """

    player_id: str
    name: str
    last: date
    since: date


def due(register: Register, keep_days: int, today: date) -> list[Due]:
    """Return the players whose data are kept for longer than they are to be, the longest first.

    Parameters
    ----------
    register : Register
    keep_days : int
        After the last visit; on the day after these they are due.
    today : date

    Raises
    ------
    StoreError
        The file refuses.
    """
    with register.explained():
        said = {change.entity_id: utc(change).date() for change in register.log.changes(PLAYER)}
    found = []
    for row in register.rows():
        player_id = row.profile.player_id
        last = said.get(player_id) if row.last is None else row.last.date()
        if last is None:
            continue  # registered by an old program, without a visit: nobody knows when
        since = last + timedelta(days=keep_days + 1)
        if since <= today:
            found.append(Due(player_id, row.profile.name, last, since))
    return sorted(found, key=lambda one: one.last)
