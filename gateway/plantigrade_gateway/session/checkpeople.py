"""What a guided check and a speed block ask of the people's log, and keep there."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.check.speedblock import Plan
from plantigrade_gateway.check.steps import BY
from plantigrade_gateway.check.swings import no_speed
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people import speedwork
from plantigrade_gateway.people.assigned import decided_elsewhere
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store.store import Store

SPEED, GO, GUARDIAN = "speed", "go", "guardian"


@dataclass(frozen=True, slots=True)
class CheckHooks:
    """What a check needs of the world around it.

    Attributes
    ----------
    answered : callable
        Given who answered the questions and the hold, empty where there is none.
    no_speed : callable
        Given the hold, or None where nobody was asked; returns why no fast swings are made, or
        None.
    by : sequence of str
        Who may answer, the likelier first.
    """

    answered: Callable[[str, str], None]
    no_speed: Callable[[str | None], str | None]
    by: Sequence[str] = BY


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

    def no_speed(
        self, player_id: str | None, hold: str | None, *, is_block: bool = False
    ) -> str | None:
        """Return why no fast swings are made, in a sentence; None: they may be.

        Parameters
        ----------
        player_id : str or None
            Whose the session is; None: nobody's who is registered.
        hold : str or None
            As `check.swings.no_speed` has it.
        is_block : bool
            Of a speed block.

        Raises
        ------
        StoreError
            The store refuses: then it cannot be known whether they may.
        """
        if self._store is None or player_id is None:
            return no_speed(
                hold, is_minor=False, is_decided=False, has_consent=False, is_block=is_block
            )
        with Register(self._store) as register:
            made = register.decisions(player_id)
            is_go = any(d.topic == SPEED and d.answer == GO for d in made)
            is_of_another = is_go and SPEED in decided_elsewhere(register, player_id)
            consents = register.consents(player_id, date.today())
            return no_speed(
                hold,
                is_minor=register.profile(player_id).is_minor,
                is_decided=is_go and not is_of_another,
                has_consent=any(
                    c.what == SPEED and c.state == "given" and c.by == GUARDIAN for c in consents
                ),
                is_block=is_block,
                is_of_another=is_of_another,
            )

    def answerers(self, player_id: str | None) -> Sequence[str]:
        """Return who may answer the questions: of a minor the guardian first.

        Raises
        ------
        StoreError
            The store refuses.
        """
        if self._store is None or player_id is None:
            return BY
        with Register(self._store) as register:
            is_minor = register.profile(player_id).is_minor
        return sorted(BY, key=lambda who: (who == GUARDIAN) != is_minor)

    def plan(self) -> Plan:
        """Return what the coach's rules say of speed work.

        Raises
        ------
        GatewayError
            They do not say all of it, or the store refuses.
        """
        if self._store is None:
            raise InputError("speed block: needs a store, for the decision and the dose")
        with Register(self._store) as register:
            return speedwork.plan_now(register)

    def hold(self, session_id: str) -> str | None:
        """Return the group of the hold that stands at a visit; empty: none; None: not asked."""
        if self._store is None:
            return None
        with Register(self._store) as register:
            return Visits(register).hold(session_id)

    def take_back_hold(self, session_id: str) -> None:
        """Take back the hold of a visit, which was a slip.

        Raises
        ------
        GatewayError
            There is none, or the store refuses.
        """
        if self._store is not None:
            with Register(self._store) as register:
                Visits(register).take_back_hold(session_id)

    def today(self, player_id: str, session_id: str, analysis: Analysis) -> speedwork.Today:
        """Return what stands of a player's speed work today, as `people.speedwork.today_of`."""
        assert self._store is not None
        with Register(self._store) as register:
            return speedwork.today_of(register, player_id, session_id, analysis)

    def set_speed(self, session_id: str, swing: Swing, m_s: float) -> None:
        """Keep a swing's club speed, m/s.

        Raises
        ------
        GatewayError
            It is none, or the store refuses.
        """
        assert self._store is not None
        with Register(self._store) as register:
            Visits(register).set_speed(session_id, swing, m_s)
