"""Deletions that were decided elsewhere, as a bay carries them out; the hub here keeps receipts."""

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest
from tests.support.records import packets

from plantigrade_gateway.people.log import DELETED
from plantigrade_gateway.people.players import PLAYER, SESSION, Register
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.deletions import Deletions
from plantigrade_gateway.sync.link import HubAway
from plantigrade_gateway.sync.messages import Deleted


class Hub:
    """Keeps the receipts it is told, unless it is away."""

    def __init__(self) -> None:
        self.is_away = False
        self.told: list[tuple[str, list[str], int]] = []

    async def deleted(self, player_id: str, body: Deleted) -> None:
        if self.is_away:
            raise HubAway("hub: is away")
        assert body.receipt["player"] == player_id
        of_it = body.receipt
        self.told.append((player_id, list(of_it["sessions"]), of_it["record_bytes"]))


@pytest.fixture
def register(store: Store) -> Iterator[Register]:
    with Register(store) as opened:
        yield opened


@pytest.fixture
def elsewhere(tmp_path: Path) -> Iterator[Register]:
    with Store.open(tmp_path / "away.sqlite3") as away, Register(away) as opened:
        yield opened


def made(register: Register) -> tuple[Deletions, Hub]:
    hub = Hub()
    return Deletions(register, cast(Any, hub)), hub


def recorded(store: Store, player: str | None, *, is_ended: bool = True) -> str:
    session = store.create_session("insoles", analysis_version=1, player_id=player)
    store.append(session, packets(6))
    if is_ended:
        store.end_session(session, "stop")
    return session


def heard(register: Register, elsewhere: Register, *gone: tuple[str, str]) -> None:
    """Delete elsewhere and hear of it here."""
    elsewhere.log.delete(list(gone), "coach")
    register.log.merge(elsewhere.log.changes())


def rounds(deletions: Deletions, times: int = 1) -> None:
    for _ in range(times):
        assert asyncio.run(deletions.round()) is False


def test_a_player_who_was_deleted_elsewhere_goes_with_all_and_the_hub_is_told_once(
    store, register, elsewhere
):
    ada, bo = (register.add(name=name, handedness="left") for name in ("Ada", "Bo"))
    hers, his = recorded(store, ada), recorded(store, bo)
    heard(register, elsewhere, (PLAYER, ada))
    deletions, hub = made(register)
    rounds(deletions, 3)
    assert [one.session_id for one in store.sessions()] == [his]
    assert list(register.names().values()) == ["Bo"] and ada not in register.anchored()
    ((player, sessions, size),) = hub.told
    assert (player, sessions) == (ada, [hers]) and size > 0
    assert (deletions.waiting, deletions.told) == (0, 1)
    said = [c.author for c in register.log.changes(SESSION, hers) if c.field == DELETED]
    assert said == ["hub"]


def test_of_a_player_of_whom_nothing_was_here_the_receipt_says_so(register, elsewhere):
    heard(register, elsewhere, (PLAYER, "ab" * 16))
    deletions, hub = made(register)
    rounds(deletions, 2)
    assert hub.told == [("ab" * 16, [], 0)] and (deletions.waiting, deletions.told) == (0, 1)


def test_a_session_that_is_being_recorded_goes_when_it_has_ended(store, register, elsewhere):
    ada = register.add(name="Ada", handedness="left")
    session = recorded(store, ada, is_ended=False)
    heard(register, elsewhere, (PLAYER, ada))
    deletions, hub = made(register)
    rounds(deletions, 2)
    assert hub.told == [] and (deletions.waiting, deletions.told) == (1, 0)
    store.end_session(session, "stop")
    rounds(deletions)
    assert [one[:2] for one in hub.told] == [(ada, [session])] and store.sessions() == []
    assert (deletions.waiting, deletions.told) == (0, 1)


def test_a_hub_that_is_away_is_told_when_it_is_back(store, register, elsewhere):
    ada, bo = (register.add(name=name, handedness="left") for name in ("Ada", "Bo"))
    recorded(store, ada)
    heard(register, elsewhere, (PLAYER, ada), (PLAYER, bo))
    deletions, hub = made(register)
    hub.is_away = True
    with pytest.raises(HubAway):
        asyncio.run(deletions.round())
    assert (deletions.waiting, deletions.told) == (2, 0)
    assert store.sessions() == []  # here it is done all the same
    hub.is_away = False
    rounds(deletions, 2)
    assert sorted(one[0] for one in hub.told) == sorted((ada, bo))
    assert (deletions.waiting, deletions.told) == (0, 2)


def test_one_who_is_here_again_is_deleted_again_though_the_hub_had_the_receipt(
    store, register, elsewhere
):
    """As after a backup of before was put in the store's place."""
    ada = register.add(name="Ada", handedness="left")
    heard(register, elsewhere, (PLAYER, ada))
    deletions, hub = made(register)
    rounds(deletions)
    register._anchor(ada, "left")
    again = recorded(store, ada)
    rounds(deletions, 2)
    assert [one[:2] for one in hub.told] == [(ada, []), (ada, [again])]
    assert store.sessions() == [] and (deletions.waiting, deletions.told) == (0, 2)


def test_a_session_with_a_tombstone_of_its_own_goes_alone_and_not_while_it_is_recorded(
    store, register, elsewhere
):
    """It was given, elsewhere, to a player who was deleted before that was heard here."""
    ada = register.add(name="Ada", handedness="left")
    kept, gone, free = recorded(store, ada), recorded(store, ada), recorded(store, None)
    live = recorded(store, ada, is_ended=False)
    heard(register, elsewhere, *((SESSION, one) for one in (gone, free, live)))
    deletions, hub = made(register)
    rounds(deletions)
    assert {one.session_id for one in store.sessions()} == {kept, live}
    assert hub.told == [] and deletions.waiting == 0
    store.end_session(live, "stop")
    rounds(deletions)
    assert [one.session_id for one in store.sessions()] == [kept]
