"""What a roster hears of a broker within the test, and when it asks again."""

import asyncio
import json
from typing import Any

import pytest
from tests.support.fakebroker import fake_broker
from tests.support.waiting import HANG_S

from plantigrade_gateway.config import Config, load
from plantigrade_gateway.forward.mqtt import Heard
from plantigrade_gateway.hub.roster import Life, Roster, listen, names_of
from plantigrade_gateway.people.players import Register

ONLINE = json.dumps({"v": 1, "state": "online", "time": None}).encode()
WHOLE_SLEEP = asyncio.sleep


def settled(port: int) -> Config:
    return load(
        None,
        {
            "PLANTIGRADE_SITE": "north",
            "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
            "PLANTIGRADE_MQTT_PORT": str(port),
            "PLANTIGRADE_MQTT_TIMEOUT_S": str(HANG_S),
        },
    )


async def until(is_so: Any) -> None:
    async with asyncio.timeout(HANG_S):
        while not is_so():
            await WHOLE_SLEEP(0.001)


@pytest.fixture
def pauses(monkeypatch) -> list[float]:
    """How long it waits before it asks again, which takes no time; no chance in it."""
    found: list[float] = []

    async def sleep(seconds: float) -> None:
        if seconds >= 0.1:
            found.append(seconds)
        await WHOLE_SLEEP(0)

    monkeypatch.setattr(asyncio, "sleep", sleep)
    monkeypatch.setattr("random.uniform", lambda low, high: high)
    return found


async def test_states_and_statuses_are_heard_and_an_end_is_said_and_asked_again(
    pauses, caplog, monkeypatch
):
    roster = Roster()
    assert roster.problem == "The message broker has not answered yet."
    async with fake_broker() as broker:
        work = asyncio.create_task(listen(settled(broker.port), roster))
        await until(lambda: len(broker.asked) == 2 and roster.problem is None)
        assert {topic for topic, _ in broker.asked} == {
            "plantigrade/v1/north/+/state",
            "plantigrade/v1/north/+/roster",
        }
        assert broker.joined[0].name.startswith("plantigrade-hub-north-")
        broker.bring("plantigrade/v1/north/b1/state", ONLINE)
        await until(roster.rows)
        assert roster.rows()[0].life is Life.ALIVE
        broker.end()
        await until(lambda: len(broker.joined) == 2)
        assert broker.joined[1].name == broker.joined[0].name  # of one hub
        await until(lambda: roster.problem is None)
        assert roster.rows()[0].life is Life.UNHEARD  # it has not spoken since
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)
    assert len(caplog.records) == 1 and "broke the connection" in caplog.records[0].message


async def test_one_that_is_away_is_said_once_and_asked_ever_later(pauses, caplog):
    """0.5 s, doubled to 10 s; chance may make each as short as half of it, as `Backoff` says."""
    roster = Roster()
    async with fake_broker() as broker:
        port = broker.port
    work = asyncio.create_task(listen(settled(port), roster))
    await until(lambda: len(pauses) >= 7)
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)
    assert pauses[:7] == [0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
    assert roster.problem is not None and "cannot be reached" in roster.problem
    assert [one.message for one in caplog.records] == [roster.problem]


def test_of_messages_that_are_none_one_in_a_thousand_is_logged(caplog):
    roster = Roster()
    for k in range(2001):
        roster.take(Heard("b1/state", b"none", False))
        assert len(caplog.records) == 1 + k // 1000
    assert roster.refused == 2001
    roster.take(Heard("B!/state", b"none", False))
    assert roster.refused == 2002 and len(caplog.records) == 3


def test_players_are_named_by_the_working_store(store):
    with Register(store) as register:
        ada = register.add(name="Ada Invented", handedness="left")
    assert names_of(store.path) == {ada: "Ada Invented"}
