"""The log of changes, both ways: what the hub has not seen is given, what it has is merged.

Each side says the highest number it has seen of each place, and is given what is above. So players
are known in every bay, and what is said at one is kept at all (`people/log.py` merges).
"""

from collections.abc import Iterator, Mapping
from typing import Any

from plantigrade.errors import shown
from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.people.log import Change
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.sync.link import Hub, HubAway
from plantigrade_gateway.sync.messages import MOST_CHANGES, Changes

LARGEST_BODY = 1 << 22
"""Characters of the changes in one body, about; a larger one goes alone (ours)."""
_INT64 = 1 << 63
_INT32 = 1 << 31
_LONGEST_ID = 128


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

    def waiting(self) -> int | None:
        """Return about how many changes the hub has not seen; None where that is not known.

        Wiped ones count too.
        """
        if self._hub_has is None:
            return None
        with self._register.explained():
            seen = self._register.log.seen()
        return sum(max(0, seq - self._hub_has.get(site, 0)) for site, seq in seen.items())

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
            changes = self._register.log.since(self._hub_has or {}, MOST_CHANGES)
        size = 0
        for count, one in enumerate(changes):
            size += len(str(one.value))
            if count and size > LARGEST_BODY:
                return changes[:count]
        return changes

    async def _ask(self, given: list[Change]) -> bool:
        """Give changes and merge what the hub gives; return whether it may have more."""
        log = self._register.log
        with self._register.explained():
            mine = Changes([plain(one) for one in given], log.restamps(), log.seen())
        answer = await self._hub.exchange(mine)
        try:
            taken = list(changes_of(answer))
        except ValueError as error:
            said = shown(str(error), quoted=False)
            raise HubAway(f"hub {self._hub.url}: gives changes that are none ({said})") from None
        self._hub_has = answer.has
        if any(answer.has.get(one.site, 0) < one.seq for one in given):
            raise HubAway(f"hub {self._hub.url}: takes changes and does not keep them")
        self.given += len(given)
        before = mine.has
        with self._register.explained():
            self.taken += log.merge(taken, answer.restamps, judges=False)
            return bool(taken) and log.seen() != before


def changes_of(body: Changes) -> Iterator[Change]:
    """Give the changes of a body from the other side.

    Raises
    ------
    ValueError
        It is not such a body: one sentence.
    """
    if len(body.changes) > MOST_CHANGES:
        raise ValueError(
            f"{len(body.changes)} changes in one body, expected at most {MOST_CHANGES}"
        )
    for change_id, stamp in body.restamps:
        _check(change_id, stamp)
    for site, seq in body.has.items():
        if not 0 <= seq < _INT32 or not 0 < len(site) <= _LONGEST_ID:
            raise ValueError("has: no such number of a place")
    for values in body.changes:
        yield _change(values)


def _change(values: dict[str, Any]) -> Change:
    change = made(Change, values)
    _check(change.change_id, change.hlc)
    texts = (change.entity, change.entity_id, change.field, change.author, change.site)
    if not all(0 < len(text) <= _LONGEST_ID and text.isprintable() for text in texts):
        raise ValueError(f"change {change.change_id}: a word of it cannot be one")
    if not 0 < change.seq < _INT32 or not -_INT64 <= change.wall_utc_ms < _INT64:
        raise ValueError(f"change {change.change_id}: a number of it cannot be")
    return change


def _check(change_id: str, stamp: int) -> None:
    if len(change_id) != 32 or set(change_id) - set("0123456789abcdef"):
        raise ValueError("change_id: expected 32 hexadecimal digits")
    if not 0 <= stamp < _INT64:
        raise ValueError(f"change {change_id}: has no stamp")
