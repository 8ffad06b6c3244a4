"""What a guided check asks of the people's log, and what it keeps there."""

from datetime import date

from plantigrade_gateway.check.swings import no_speed
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store.store import Store

SPEED, GO, GUARDIAN = "speed", "go", "guardian"


class CheckPeople:
    """Asks and keeps.

    Parameters
    ----------
    store : Store or None
        None: nothing is known and nothing kept.
    """

    def __init__(self, store: Store | None) -> None:
        self._store = store

    def answered(self, session_id: str, by: str, hold: str) -> None:
        """Keep who answered the questions, and the group of a hold; no answer.

        Raises
        ------
        StoreError
            The store refuses.
        """
        if self._store is None:
            return
        with Register(self._store) as register:
            Visits(register).answer(session_id, by, hold)

    def no_speed(self, player_id: str | None, hold: str | None) -> str | None:
        """Return why no fast swings are made, in a sentence; None: they may be.

        Parameters
        ----------
        player_id : str or None
            Whose the session is; None: nobody's who is registered.
        hold : str or None
            As `check.swings.no_speed` has it.

        Raises
        ------
        StoreError
            The store refuses: then it cannot be known whether they may.
        """
        if self._store is None or player_id is None:
            return no_speed(hold, is_minor=False, is_decided=False, has_consent=False)
        with Register(self._store) as register:
            decided = register.decisions(player_id)
            consents = register.consents(player_id, date.today())
            return no_speed(
                hold,
                is_minor=register.profile(player_id).is_minor,
                is_decided=any(d.topic == SPEED and d.answer == GO for d in decided),
                has_consent=any(
                    c.what == SPEED and c.state == "given" and c.by == GUARDIAN for c in consents
                ),
            )
