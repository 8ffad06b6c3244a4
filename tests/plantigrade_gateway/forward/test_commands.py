"""Commands of a broker's: whatever comes, the next one is still heard."""

import asyncio
import json
from collections.abc import AsyncIterator
from types import SimpleNamespace
from typing import Any, cast

import pytest

from plantigrade_gateway import config, upkeep
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import courier
from plantigrade_gateway.forward.commands import CommandReader, command, is_for
from plantigrade_gateway.forward.courier import Courier
from plantigrade_gateway.forward.mqtt import Broker

MARK = b'{"v": 1, "id": "%d", "command": "mark", "text": "new grip"}'


class Client:
    """What a broker's client brings, one after the other."""

    def __init__(self, *payloads: bytes) -> None:
        self._waiting = [SimpleNamespace(retain=False, payload=data) for data in payloads]

    async def subscribe(self, *_: object, **__: object) -> None:
        """Take it."""

    async def publish(self, *_: object, **__: object) -> None:
        """Take it."""

    async def __aenter__(self) -> "Client":
        return self

    async def __aexit__(self, *_: object) -> None:
        return None

    refusal = None
    pending_calls_threshold = 0

    @property
    def messages(self) -> AsyncIterator[Any]:
        return self._come()

    async def _come(self) -> AsyncIterator[Any]:
        while self._waiting:
            yield self._waiting.pop(0)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"[" * 1000, "nested more than 32 deep"),
        (b"{" * 5000, "longer than 4096 bytes"),
        (b"\xff", "not UTF-8"),
        (b'{"v": 1, "id": "1", "command": "%s"}' % (b"x" * 3000), "expected start, stop"),
    ],
)
def test_a_command_that_is_none_is_refused_in_one_sentence(data, says):
    with pytest.raises(InputError, match=says) as caught:
        command(data)
    assert len(str(caught.value)) < 150


ORDER = {"v": 1, "id": "k1", "command": "mark"}


@pytest.mark.parametrize(
    ("order", "message"),
    [
        ({"command": "start"}, {"type": "record"}),
        ({"command": "stop", "text": "left out"}, {"type": "stop"}),
        ({"text": "windy"}, {"type": "mark", "text": "windy"}),
        ({"text": " drill: push\n{} "}, {"type": "mark", "text": "drill: push {}"}),
        ({}, {"type": "mark", "text": ""}),
        ({"command": "drill", "text": "push"}, {"type": "drill", "name": "push"}),
        ({"command": "drill"}, {"type": "drill", "name": None}),  # empty: none
        ({"command": "start", "pair": "A"}, {"type": "record", "pair": "A"}),
        ({"command": "stop", "pair": ""}, {"type": "stop"}),
        ({"text": "x" * 200, "pair": "p" * 16}, {"type": "mark", "text": "x" * 200}),
    ],
)
def test_each_command_is_a_page_s_message(order, message):
    """As `hardware_notes/mqtt_topics.md` says what each does."""
    found = command(json.dumps({**ORDER, **order}))
    pair = {"pair": order["pair"]} if order.get("pair") else {}
    assert found == {**message, "id": "k1", **pair}


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ({"v": 2}, "expected an object with v 1"),
        ({"command": "mork"}, "is 'mork', expected start, stop, mark, drill"),
        ({"text": 7}, "text is no text of up to 200 characters"),
        ({"text": "x" * 201}, "text is no text of up to 200 characters"),
        ({"id": 1}, "expected an id"),
        ({"id": ""}, "expected an id"),
        ({"id": "k" * 65}, "expected an id"),
        ({"pair": 1}, "pair is no name of a pair"),
        ({"pair": "p" * 17}, "pair is no name of a pair"),
    ],
)
def test_each_part_of_a_command_is_looked_at(order, says):
    assert command(json.dumps({**ORDER, "id": "k" * 64}))["id"] == "k" * 64
    with pytest.raises(InputError, match=says):
        command(json.dumps({**ORDER, **order}))
    with pytest.raises(InputError, match="expected an object with v 1"):
        command("[]")


@pytest.mark.parametrize(
    ("asked", "pair", "is_meant"),
    [("A", "a", True), ("A", "B", False), ("", "B", True), ("A", "", False), (None, "", True)],
)
def test_a_command_without_a_pair_is_for_each(asked, pair, is_meant):
    message = {"type": "stop"} if asked is None else {"type": "stop", "pair": asked}
    assert is_for(message, pair) is is_meant


async def test_after_nonsense_and_after_a_fault_of_ours_commands_are_still_heard(monkeypatch):
    monkeypatch.setattr(upkeep, "FIRST_S", 0.0)
    monkeypatch.setattr(upkeep.Backoff, "end", lambda self: 0.0)
    settings = config.load(
        environment={"PLANTIGRADE_MQTT_HOST": "here", "PLANTIGRADE_MQTT_COMMANDS": "true"}
    )
    said: list[str] = []
    obeyed: list[dict[str, Any]] = []

    def obey(found: dict[str, Any]) -> None:
        if not said:
            raise KeyError("a fault of ours")
        obeyed.append(found)

    broker = Broker(settings, said.append)
    broker.on_command = obey
    client = Client(b"[" * 1000, MARK % 1, b"\x00", MARK % 2)
    monkeypatch.setattr(broker, "_made", lambda *_: client)
    await broker.open()
    listening = broker._listening
    assert listening is not None
    await listening
    assert obeyed == [{"type": "mark", "text": "new grip"}]
    assert len(said) == 1 and "hearing its commands: has failed (KeyError" in said[0]


def test_of_a_flood_of_commands_few_are_obeyed_and_few_lines_logged(caplog):
    """12 at once, then 6 a second, as of a page; 4,000 in two seconds of a clock set by hand."""
    now_s = [0.0]
    reader = CommandReader(lambda: now_s[0])
    obeyed = 0
    for k in range(2000):
        now_s[0] = float(k // 1000)
        obeyed += reader.take(MARK % k) is not None
        assert reader.take(b"nonsense") is None
    assert obeyed == 12 / 2 + 6 / 2  # every other is nonsense, and counts as well
    assert len(caplog.records) <= 12 + 6 + 4


def test_of_those_that_are_one_too_many_the_first_of_a_thousand_is_logged(caplog):
    reader = CommandReader(lambda: 0.0)
    for k in range(12):
        assert reader.take(MARK % k) is not None
    for k in range(2001):
        assert reader.take(MARK % k) is None
        assert len(caplog.records) == 1 + k // 1000
    assert "more than 6 a second" in caplog.records[-1].getMessage()


def test_an_order_is_not_obeyed_again_after_a_thousand_others():
    now_s = [0.0]
    reader = CommandReader(lambda: now_s[0])
    assert reader.take(MARK % 0) == {"type": "mark", "text": "new grip"}
    for k in range(1, 1001):
        now_s[0] += 1.0
        assert reader.take(MARK % k) is not None
    assert reader.take(MARK % 0) is None


async def test_a_sink_with_a_fault_of_its_own_is_tried_again(monkeypatch):
    monkeypatch.setattr(courier, "FIRST_WAIT_S", 0.0)
    stop = asyncio.Event()

    class Sink:
        tries = 0

        async def open(self) -> None:
            Sink.tries += 1
            if Sink.tries == 3:
                stop.set()
            raise IndexError("of ours")

        async def close(self) -> None:
            """Nothing is open."""

    outbox = SimpleNamespace(place=lambda sink: 0)
    way = Courier(cast(Any, outbox), "mqtt", 0.0, 10)
    await way.run(cast(Any, Sink()), stop)
    assert Sink.tries == 3
    assert way.problem == "message broker: sending has failed (IndexError: of ours)"
