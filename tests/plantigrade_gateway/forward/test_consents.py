"""Once consent to be sent on has ended nothing of the player goes. All people are invented."""

import asyncio
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import Mock

import pytest
from tests.support.bay import until
from tests.support.records import packets, step
from tests.support.waiting import HANG_S

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.config import load
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.forward import consents as module
from plantigrade_gateway.forward.consents import Consents
from plantigrade_gateway.forward.courier import Courier
from plantigrade_gateway.forward.process import ForwardingProcess
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.sinks import LOADS, MQTT
from plantigrade_gateway.store.enqueue import Item
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store


class Sent:
    """A sink that takes everything and keeps whose it was."""

    def __init__(self) -> None:
        self.items: list[Item] = []

    async def open(self) -> None:
        pass

    async def close(self) -> None:
        pass

    async def restarted(self) -> bool:
        return False

    async def send(self, items: list[Item]) -> None:
        self.items += items

    async def is_accepting(self) -> bool:
        return True


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.sqlite3") as opened:
        Outbox(opened.database).configure([MQTT, LOADS])
        yield opened


@pytest.fixture
def ada(store: Store) -> str:
    with Register(store) as register:
        return register.add(name="Ada Nowhere", handedness="right")


def recorded(store: Store, player: str | None) -> str:
    session = store.create_session("insoles", analysis_version=1, player_id=player)
    store.append(session, packets(10))
    return session


def put(store: Store, session: str, at: int) -> None:
    store.write(session, [], [event_row(session, step(at), 10)])


def withdraw(store: Store, player: str) -> None:
    with Register(store) as register:
        register.withdraw(player, "send on", "player")


async def test_from_the_moment_it_is_withdrawn_nothing_more_of_the_player_goes(
    store, ada, tmp_path
):
    """What waits is not sent either, though it was recorded before; all others' is."""
    hers, others = recorded(store, ada), recorded(store, None)
    (tmp_path / "settings.toml").write_text("")
    work = ForwardingProcess(store.path, load(tmp_path / "settings.toml", {}), print)
    sink: Any = Sent()
    work._ways = [(Courier(work._outbox, MQTT, 0.0, 100), sink)]

    def of(session: str) -> set[int]:
        return {item.seq for item in sink.items if item.session == session}

    running = asyncio.create_task(work.run())
    try:
        put(store, hers, 100)
        await until(lambda: of(hers), HANG_S)
        withdraw(store, ada)
        await until(lambda: work._outbox.withheld, HANG_S)
        before = of(hers)
        put(store, hers, 200)
        put(store, others, 300)
        await until(lambda: of(others), HANG_S)
    finally:
        work.stop.set()
        await running
    assert before and of(hers) == before


def test_what_waited_or_was_set_aside_is_dropped_and_goes_again_after_a_new_grant(store, ada):
    hers, others = recorded(store, ada), recorded(store, None)
    box = Outbox(store.database)
    for session in (hers, others):
        put(store, session, 100)
        box.add_dead_letter(MQTT, box.waiting(MQTT, 0, 100)[-1], "refused")
    withdraw(store, ada)
    Consents(store, box).close()

    def whose() -> set[str | None]:
        aside = [letter.item for letter in box.dead_letters()]
        return {item.session for item in (*Outbox(store.database).waiting(MQTT, 0, 100), *aside)}

    assert whose() == {others}
    put(store, hers, 200)
    assert hers in whose() and {i.session for i in box.waiting(MQTT, 0, 100)} == {others}
    with Register(store) as register:
        register.grant(ada, "send on", "player")
    Consents(store, box).close()
    assert hers in {item.session for item in box.waiting(MQTT, 0, 100)}


def test_of_the_moment_only_that_the_bay_is_at_work_is_told(store, ada):
    hers, others = recorded(store, ada), recorded(store, None)
    box = Outbox(store.database)
    consents = Consents(store, box)
    lives = [{"type": "live", "session": session, "t_s": 1.0} for session in (hers, others)]
    pairs = [
        {"name": "A", "session": hers, "player": ada, "feet": {}, "swing": {"n": 3}},
        {"name": "B", "session": others, "player": None, "feet": {}, "swing": {"n": 4}},
    ]
    roster = {"type": "roster", "v": 1, "pairs": pairs}
    assert [consents.allowed(live) for live in (*lives, roster)] == [*lives, roster]
    withdraw(store, ada)
    consents.look()
    assert [consents.allowed(live) for live in lives] == [None, lives[1]]
    bare: dict[str, Any] = {"name": "A", "session": None, "player": None, "feet": {}, "swing": None}
    assert consents.allowed(roster) == {**roster, "pairs": [bare, pairs[1]]}
    consents.close()


def test_what_it_opened_is_closed_and_nothing_where_nobody_is_registered(store, monkeypatch):
    Consents(store, Outbox(store.database)).close()
    with Register(store) as register:
        register.add(name="Ada Nowhere", handedness="right")
    consents = Consents(store, Outbox(store.database))
    close = Mock(wraps=Register.close)
    monkeypatch.setattr(Register, "close", lambda opened: close(opened))
    consents.close()
    close.assert_called_once_with(consents._register)


async def test_where_it_cannot_be_read_nothing_is_sent_and_later_what_was_known_holds(
    store, ada, tmp_path, monkeypatch, caplog
):
    (tmp_path / "settings.toml").write_text("")
    work = ForwardingProcess(store.path, load(tmp_path / "settings.toml", {}), print)
    withdraw(store, ada)
    await work._heed_consents()

    def refuses(*_: object) -> None:
        raise StoreError("people's tables: the server is away")

    monkeypatch.setattr("plantigrade_gateway.people.players.Register.explained", refuses)
    await work._heed_consents()
    assert work._outbox.withheld == {ada}
    assert [one.getMessage() for one in caplog.records] == ["people's tables: the server is away"]
    monkeypatch.setattr(work, "_consents", SimpleNamespace(allowed=refuses))
    shown: list[Any] = []
    broker: Any = SimpleNamespace(show=shown.append)
    work.broker = broker
    work.hear({"type": "live", "session": "s"})
    assert shown == []
    with pytest.raises(StoreError):
        ForwardingProcess(store.path, load(tmp_path / "settings.toml", {}), print)
    work._store.close()


def test_where_nobody_is_registered_nothing_of_people_is_loaded(store):
    recorded(store, None)
    program = (
        "import sys; from pathlib import Path\n"
        "from plantigrade_gateway.store.store import Store\n"
        "from plantigrade_gateway.store.outbox import Outbox\n"
        f"from {module.__name__} import Consents\n"
        "with Store.open(Path(sys.argv[1]), create=False) as store:\n"
        "    Consents(store, Outbox(store.database))\n"
        "print('sqlalchemy' in sys.modules)"
    )
    run = [sys.executable, "-c", program, str(store.path)]
    assert subprocess.run(run, capture_output=True, text=True, check=True).stdout == "False\n"
