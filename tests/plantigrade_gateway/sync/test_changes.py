"""What a bay gives of its log and takes of the hub's; the hub here is another log, no server."""

import asyncio
import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from plantigrade_gateway.converter import plain
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync import changes
from plantigrade_gateway.sync.bodies import changes_of
from plantigrade_gateway.sync.changes import Exchange
from plantigrade_gateway.sync.link import HubAway
from plantigrade_gateway.sync.messages import Changes


class Hub:
    """Merges what it is given, and gives at most so many of what the other has not seen."""

    url = "https://hub:8443"

    def __init__(self, register: Register, most: int = 1000) -> None:
        self.register, self.most = register, most
        self.asked: list[Changes] = []
        self.spoils: dict[str, Any] = {}

    async def exchange(self, mine: Changes) -> Changes:
        self.asked.append(mine)
        assert len(self.asked) < 50, "asked for ever"
        log = self.register.log
        if "has" not in self.spoils:
            log.merge(changes_of(mine), mine.restamps)
        given = [plain(one) for one in log.since(mine.has, self.most)]
        places = [] if mine.place is None else [mine.place]
        answer = Changes(given, log.restamps(), log.seen(), None, places)
        return dataclasses.replace(answer, **self.spoils)


@pytest.fixture
def registers(tmp_path: Path) -> Iterator[tuple[Register, Register]]:
    """Those of a bay and of its hub."""
    with (
        Store.open(tmp_path / "bay.sqlite3") as bay,
        Store.open(tmp_path / "hub.sqlite3") as hub,
        Register(bay) as mine,
        Register(hub) as yours,
    ):
        yield mine, yours


def exchange_of(bay: Register, hub: Hub) -> Exchange:
    return Exchange(bay, cast(Any, hub))


def names(register: Register) -> set[str]:
    return set(register.names().values())


def fields(register: Register) -> int:
    return len(register.log.changes())


def test_what_either_side_said_is_at_both_afterwards(registers):
    bay, register = registers
    bay.add(name="Ida Invented", handedness="right")
    register.add(name="Bo Invented", handedness="left")
    mine, yours = fields(bay), fields(register)
    hub = Hub(register)
    exchange = exchange_of(bay, hub)
    assert exchange.waiting() is None  # what the hub has is not known yet
    assert asyncio.run(exchange.round()) is False
    assert names(bay) == names(register) == {"Ida Invented", "Bo Invented"}
    assert (exchange.given, exchange.taken, exchange.waiting()) == (mine, yours, 0)
    assert hub.asked[0].changes == []  # asked before anything is given
    assert [len(one.changes) for one in hub.asked[1:]] == [mine]
    assert hub.asked[0].place == bay.log.place()
    bay.add(name="Mira Invented", handedness="right")
    assert exchange.waiting() == fields(bay) - mine - yours
    asyncio.run(exchange.round())
    assert exchange.waiting() == 0 and "Mira Invented" in names(register)
    asyncio.run(exchange.round())
    assert exchange.given == fields(bay) - yours


def test_it_gives_and_takes_in_parts_until_nothing_is_left(registers, monkeypatch):
    bay, register = registers
    for k in range(3):
        bay.add(name=f"Ida {k}", handedness="right")
        register.add(name=f"Bo {k}", handedness="left")
    monkeypatch.setattr(changes, "MOST_CHANGES", 2)
    hub = Hub(register, most=2)
    asyncio.run(exchange_of(bay, hub).round())
    assert names(bay) == names(register) and len(names(bay)) == 6
    assert max(len(one.changes) for one in hub.asked) == 2


def test_a_hub_that_gives_the_same_again_and_again_ends_the_round(registers):
    """An older hub, or one put back from a backup; what is given for ever would be asked for so."""
    bay, register = registers
    register.add(name="Bo Invented", handedness="left")
    hub = Hub(register)
    hub.spoils["changes"] = [plain(one) for one in register.log.changes()]
    exchange = exchange_of(bay, hub)
    asyncio.run(exchange.round())
    assert names(bay) == {"Bo Invented"} and len(hub.asked) == 2  # the second brought nothing new


def test_what_others_said_they_give_themselves(registers, tmp_path):
    """A bay that merged another's words hands on only its own."""
    bay, register = registers
    with Store.open(tmp_path / "other.sqlite3") as store, Register(store) as other:
        other.add(name="Of another", handedness="right")
        bay.log.merge(other.log.changes())
    own = bay.add(name="Of this one", handedness="right")
    exchange = exchange_of(bay, Hub(register))
    asyncio.run(exchange.round())
    assert names(register) == {"Of this one"} and own in register.names()
    assert exchange.waiting() == 0


def test_where_nothing_was_said_nothing_is_given(registers):
    bay, register = registers
    hub = Hub(register)
    exchange = exchange_of(bay, hub)
    asyncio.run(exchange.round())
    assert [(one.changes, one.place) for one in hub.asked] == [([], None)]
    assert (exchange.given, exchange.taken, exchange.waiting()) == (0, 0, 0)


@pytest.mark.parametrize(
    ("spoils", "said"),
    [
        ({"has": {}}, "takes changes and does not keep them"),
        ({"changes": [{"entity": "player"}]}, "gives changes that are none ("),
    ],
)
def test_a_hub_that_cannot_be_is_called_away(registers, spoils, said):
    bay, register = registers
    bay.add(name="Ida Invented", handedness="right")
    hub = Hub(register)
    hub.spoils = spoils
    exchange = exchange_of(bay, hub)
    with pytest.raises(HubAway) as away:
        asyncio.run(exchange.round())
    assert str(away.value).startswith(f"hub https://hub:8443: {said}")
    assert exchange.given == 0 and names(bay) == {"Ida Invented"}
