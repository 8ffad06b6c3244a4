"""Of whom nothing is sent on: known at the start, and looked at again while data go out."""

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from plantigrade_gateway.forward.roster import TOPIC, of_nobody
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

if TYPE_CHECKING:
    from plantigrade_gateway.people.players import Register


class Consents:
    """Keeps back what is of players whose consent to be sent on has ended.

    Parameters
    ----------
    store : Store
    outbox : Outbox
        Told of whom it gives nothing out.

    Raises
    ------
    StoreError
        What people said cannot be read: nobody knows then what may be sent.
    """

    def __init__(self, store: Store, outbox: Outbox) -> None:
        self._store = store
        self._outbox = outbox
        self._register: Register | None = None
        self.look()

    def look(self) -> None:
        """See who it is now, and drop what waits of them.

        Raises
        ------
        StoreError
            It cannot be read or dropped: it is as it was seen last.
        """
        if self._register is None:
            if not self._store.database.read("SELECT 1 FROM players LIMIT 1"):
                return  # where nobody is registered, nothing of people is loaded
            from plantigrade_gateway.people.players import Register

            self._register = Register(self._store)
        from plantigrade_gateway.people.withheld import withheld

        self._outbox.withheld = withheld(self._register, date.today())
        self._outbox.drop_withheld()

    def allowed(self, message: Mapping[str, Any]) -> dict[str, Any] | None:
        """Return what may be told of a live summary or of the bay's status; None: nothing."""
        kept_back = self._outbox.withheld
        if not kept_back:
            return dict(message)
        if message["type"] == TOPIC:  # that the bay is at work, but not of whom and of what swing
            return of_nobody(message, kept_back)
        rows = self._store.database.read(
            "SELECT player_id FROM sessions JOIN players USING (player_no) WHERE session_id = ?",
            (message.get("session"),),
        )
        return None if any(player in kept_back for (player,) in rows) else dict(message)

    def close(self) -> None:
        """Close what it opened; the store stays open."""
        if self._register is not None:
            self._register.close()
