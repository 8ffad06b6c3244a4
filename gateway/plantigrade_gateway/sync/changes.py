"""The log of changes, both ways: what the hub has not seen is given, what it has is merged.

Each side says the highest number it has seen of each place, and is given what is above. So players
are known in every bay, and what is said at one is kept at all (`people/log.py` merges).
"""

from collections.abc import Mapping

from plantigrade.errors import shown
from plantigrade_gateway.converter import plain
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.sync.bodies import changes_of, fitting
from plantigrade_gateway.sync.link import Hub, HubAway
from plantigrade_gateway.sync.messages import MOST_CHANGES, Changes


class Exchange:
    """The exchange of a bay's log with the hub's.

    Parameters
    ----------
    register : Register
    hub : Hub

    Attributes
    ----------
    given, taken : int
        Changes that the hub has taken, and that were new here.
    """

    def __init__(self, register: Register, hub: Hub) -> None:
        self.given = 0
        self.taken = 0
        self._register = register
        self._hub = hub
        self._hub_has: Mapping[str, int] | None = None
        self._places: frozenset[str] = frozenset()  # whose changes the hub takes of this bay

    def waiting(self) -> int | None:
        """Return about how many changes the hub has not seen; None where that is not known.

        Wiped ones count too.
        """
        if self._hub_has is None:
            return None
        with self._register.explained():
            log = self._register.log
            seen, mine = log.seen(), self._mine()
        has = self._hub_has
        return sum(max(0, seq - has.get(site, 0)) for site, seq in seen.items() if site in mine)

    def _mine(self) -> frozenset[str]:
        """Return the places whose changes this bay gives; what others said, they give."""
        own = self._register.log.place()
        return self._places if own is None else self._places | {own}

    async def round(self) -> bool:
        """Give and take until nothing is left; return whether more is left: never.

        What the hub has is asked before anything is given: one that lost what it had, and then got
        what follows it, would never ask for what lies between.

        Raises
        ------
        HubAway, HubRefused
        StoreError
            The store refuses.
        """
        is_more = await self._ask([])
        while (given := self._fitting()) or is_more:
            is_more = await self._ask(given)
        return False

    def _fitting(self) -> list[Change]:
        """Return the first changes that the hub has not seen, as many as go into one body."""
        with self._register.explained():
            given = self._register.log.since(self._hub_has or {}, MOST_CHANGES, self._mine())
            return fitting(given)

    async def _ask(self, given: list[Change]) -> bool:
        """Give changes and merge what the hub gives; return whether it may have more."""
        log = self._register.log
        with self._register.explained():
            said = [plain(one) for one in given]
            mine = Changes(said, log.restamps(), log.seen(), log.place())
        answer = await self._hub.exchange(mine)
        try:
            taken = list(changes_of(answer))
        except ValueError as error:
            why = shown(str(error), quoted=False)
            raise HubAway(f"hub {self._hub.url}: gives changes that are none ({why})") from None
        self._hub_has, self._places = answer.has, frozenset(answer.places)
        if any(answer.has.get(one.site, 0) < one.seq for one in given):
            raise HubAway(f"hub {self._hub.url}: takes changes and does not keep them")
        self.given += len(given)
        before = mine.has
        with self._register.explained():
            self.taken += log.merge(taken, answer.restamps, judges=False)
            return bool(taken) and log.seen() != before
