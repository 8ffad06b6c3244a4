"""Running with insoles: which pair is looked for and what is said of it, without a radio."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from plantigrade.block import Foot
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.session import insoles as session_insoles
from plantigrade_gateway.session.insoles import (
    InsoleJob,
    InsoleOptions,
    none_remembered,
    opened_insoles,
)
from plantigrade_gateway.sources.bluetooth import Radio
from plantigrade_gateway.store import insoles
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

BLUE = KnownInsole(0xAB01, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270)
GREEN = KnownInsole(0xAB02, Foot.RIGHT, "green", "C0:00:00:00:00:02", 280)
THIRD = KnownInsole(0xAB03, Foot.LEFT, "third", "C0:00:00:00:00:03", 270)


@pytest.fixture(autouse=True)
def no_radio(monkeypatch) -> None:
    """Bluetooth that can be used: whether it can is not what is looked at here."""

    @asynccontextmanager
    async def scanning(*_: object) -> AsyncIterator[None]:
        yield None

    monkeypatch.setattr(session_insoles, "scanning", scanning)


@pytest.fixture
def both(store: Store) -> Store:
    for one in (BLUE, GREEN):
        insoles.remember(store, one)
    insoles.remember(store, THIRD, "B")
    return store


async def test_the_remembered_pair_is_looked_for(both):
    async with opened_insoles(InsoleOptions(), both, print) as source:
        assert source.name == "insoles"
        found = {foot: (link.insole, link.calibration) for foot, link in source.links.items()}
    assert found == {
        Foot.LEFT: (BLUE, "never calibrated"),
        Foot.RIGHT: (GREEN, "never calibrated"),
    }


async def test_of_several_pairs_the_one_that_is_asked_for(both):
    async with opened_insoles(InsoleOptions(pair="B"), both, print) as source:
        assert [link.insole for link in source.links.values()] == [THIRD]


@pytest.mark.parametrize("pair", ["", "B"])
async def test_where_none_is_remembered_it_says_what_to_do(store, pair):
    with pytest.raises(InputError) as refused:
        async with opened_insoles(InsoleOptions(pair=pair), store, print):
            pass
    assert str(refused.value) == none_remembered(pair)
    ways = {
        "": "run plantigrade pair, or use virtual ones with --virtual",
        "B": "run plantigrade pair --pair B, or use virtual ones with --virtual",
    }
    assert str(refused.value).endswith(ways[pair])
    assert str(refused.value).startswith("pair B: no insole" if pair else "no insole")


async def test_virtual_ones_behind_another_program_s_radio_are_said_to_be_so(store, monkeypatch):
    opened: list[tuple[str | None, bool]] = []

    @asynccontextmanager
    async def opened_radio(transport: str | None, is_ours: bool) -> AsyncIterator[object]:
        opened.append((transport, is_ours))
        yield Radio()

    monkeypatch.setattr(session_insoles, "opened_radio", opened_radio)
    options = InsoleOptions(radio="tcp-client:127.0.0.1:9", place=1)
    async with opened_insoles(options, store, print) as source:
        assert source.name == "virtual insoles (invented)"
        assert {link.insole.name for link in source.links.values()} == {"virtual"}
        assert list(source.links) == [Foot.LEFT, Foot.RIGHT]
    assert opened == [("tcp-client:127.0.0.1:9", True)]
    assert options.is_virtual and not InsoleOptions().is_virtual


async def test_a_run_is_greeted_with_what_is_known_of_the_pair_and_how_it_stops(both):
    job = InsoleJob(InsoleOptions())
    assert list(job.intro()) == []
    async with job.opened(both, print):
        assert list(job.greeting()) == [
            "left insole (blue): never calibrated.",
            "right insole (green): never calibrated.",
            "The two insoles differ in size (left 270 mm and right 280 mm): check that they are a "
            "pair.",
            "Looking for left insole (blue) and right insole (green).",
            "Ctrl-C stops; everything up to then is kept.",
        ]
    (said,) = InsoleJob(InsoleOptions(place=0)).intro()
    assert "the player is invented" in said and "No person is measured." in said
