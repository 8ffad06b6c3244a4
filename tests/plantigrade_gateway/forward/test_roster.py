"""What a bay tells the roster: by its schema, bounded, and no name in it."""

import json
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt
import jsonschema
import pytest
from tests.plantigrade_gateway.forward.test_mqtt import settings
from tests.support.bay import Bay, until
from tests.support.records import step, swing
from tests.support.servers import Mosquitto
from tests.support.waiting import HANG_S

from plantigrade_gateway import words
from plantigrade_gateway.converter import plain
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import roster
from plantigrade_gateway.store.forwardstate import ForwardState, SinkState
from plantigrade_gateway.store.status import FootStatus, ServiceStatus

SCHEMA = json.loads(
    (Path(__file__).resolve().parents[3] / "hardware_notes" / "mqtt.schema.json").read_text("utf-8")
)
SESSION, PLAYER = "5e" * 16, "a1" * 16
LEFT = FootStatus("L of somebody", "streaming", 80, -60, 1, 999, 1, 0, 0.1, 3.2, 0.002, True)
RIGHT = FootStatus("R", "searching", None, None, 0, 0, 0, 0, None, None, None, False)


def valid(message: dict[str, Any]) -> None:
    schema = {"$ref": "#/$defs/roster", "$defs": SCHEMA["$defs"]}
    jsonschema.Draft202012Validator(schema).validate(message)


class Teller:
    """Keeps what is told."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []

    def tell(self, message: dict[str, Any]) -> None:
        self.got.append(message)


def status(session: str | None = SESSION) -> ServiceStatus:
    return ServiceStatus(datetime.now(UTC), True, session, {"left": LEFT, "right": RIGHT}, None)


def forward(**sink: Any) -> ForwardState:
    base = {"active": True, "problem": None, "waiting": 7, "held": 2, "oldest_s": 12.5}
    counts = {"sent": 1, "aside": 0, "dropped": 0, "resent": 0, "per_s": 0.0}
    one = SinkState(**{"sink": "tsdb", **base, **counts, **sink})
    return ForwardState(datetime.now(UTC), (one,))


def told_once(teller: Teller) -> dict[str, Any]:
    message = {"v": 1, **{k: v for k, v in teller.got[-1].items() if k != "type"}}
    valid(message)
    return message


def test_a_bay_tells_what_its_schema_says():
    teller = Teller()
    pair = roster.PairSoFar(roster.Teller(teller), "virtual insoles (invented)")
    pair.tell(status(None), None, None)
    empty = told_once(teller)
    assert empty["unsent"] == [] and empty["pairs"][0]["swing"] is None
    pair.begin()
    pair.take([step(100), swing(700)], 100.0)
    pair.take([swing(1700)], 100.0)
    pair.tell(status(), PLAYER, forward())
    message = told_once(teller)
    (one,) = message["pairs"]
    assert (one["source"], one["session"], one["player"]) == ("invented", SESSION, PLAYER)
    # 1 of 1,000 packets is missing, worked by hand
    feet = {"link": "streaming", "battery_percent": 80, "lost_share": 0.001, "silent_s": 0.1}
    assert one["feet"]["left"] == feet
    assert one["feet"]["right"]["lost_share"] is None
    assert one["swing"]["n"] == 2 and one["swing"]["words"] == words.swing(swing(1700), 100.0)
    assert message["unsent"] == [{"to": "tsdb", "waiting": 5, "oldest_s": 12.5}]
    assert "somebody" not in json.dumps(message)  # what an insole is called may be a name
    assert roster.read(json.dumps(message)).pairs[0].player == PLAYER
    pair.begin()
    pair.tell(status(), PLAYER, forward(active=False))
    message = told_once(teller)
    assert message["pairs"][0]["swing"] is None and message["unsent"] == []


def test_several_pairs_are_told_of_together_and_one_that_ended_no_more(monkeypatch):
    now_s = 100.0
    monkeypatch.setattr(time, "monotonic", lambda: now_s)
    teller = Teller()
    to_all = roster.Teller(teller)
    for name in ("north", "south"):
        roster.PairSoFar(to_all, "insoles", name).tell(status(), None, None)
    assert [pair["name"] for pair in told_once(teller)["pairs"]] == ["north", "south"]
    now_s += roster.GONE_AFTER_S + 0.1
    roster.PairSoFar(to_all, "insoles", "south").tell(status(), None, None)
    assert [pair["name"] for pair in told_once(teller)["pairs"]] == ["south"]


def test_nobody_is_told_where_no_broker_is_set(tmp_path):
    bay = Bay(tmp_path, {})
    assert roster.Teller.of(Teller(), bay.config) is None
    roster.PairSoFar(None, "insoles").tell(status(), None, None)
    bay.store.close()


GOOD: dict[str, Any] = {"v": 1, "time": "2026-03-01T09:00:00.000Z", "pairs": [], "unsent": []}
PAIR: dict[str, Any] = {"name": None, "source": "insoles", "session": None, "player": None}
FOOT = {"link": "streaming", "battery_percent": 80}
SWING = {"time": "2026-03-01T09:00:00.000Z", "n": 0, "words": "held"}
UNSENT = {"to": "tsdb", "waiting": 1, "oldest_s": 7.5}


@pytest.mark.parametrize(
    ("spoilt", "why"),
    [
        (b"\xff", "UTF-8"),
        (b"[" * 100, "nested"),
        (b" " * 5000, "longer"),
        ([], "roster: Input should be"),
        ({**GOOD, "v": 2}, "v is 2, expected 1"),
        ({**GOOD, "pairs": [PAIR] * 9}, "at most 8 pairs"),
        ({**GOOD, "pairs": [{**PAIR, "feet": {"third": {"link": "x"}}}]}, "left and right"),
        ({**GOOD, "pairs": [{**PAIR, "player": {"$": 1}}]}, "pairs.0.player"),
        ({**GOOD, "unsent": [{"to": "tsdb", "waiting": 1e300, "oldest_s": None}]}, "unsent"),
        ({**GOOD, "unsent": [{"to": "tsdb", "waiting": -1, "oldest_s": None}]}, "waiting is -1"),
        ({**GOOD, "pairs": [{**PAIR, "feet": {"left": {**FOOT, "lost_share": 1.5}}}]}, "0 to 1"),
        (json.dumps({**GOOD, "unsent": [UNSENT]}).replace("7.5", "NaN").encode(), "is nan"),
        ({**GOOD, "unsent": [UNSENT] * 9}, "and 8 unsent"),
        ({**GOOD, "pairs": [{**PAIR, "feet": {"left": {**FOOT, "battery_percent": 101}}}]}, "100"),
        ({**GOOD, "pairs": [{**PAIR, "feet": {"left": {**FOOT, "silent_s": -0.1}}}]}, "silent_s"),
        ({**GOOD, "pairs": [{**PAIR, "swing": {**SWING, "n": -1}}]}, "n is -1"),
        ({**GOOD, "unsent": [{**UNSENT, "oldest_s": -1}]}, "oldest_s is -1"),
    ],
)
def test_what_is_no_status_is_refused_in_a_sentence(spoilt, why):
    data = spoilt if isinstance(spoilt, bytes) else json.dumps(spoilt)
    assert roster.read(json.dumps(GOOD)).pairs == ()
    with pytest.raises(InputError, match=why) as refused:
        roster.read(data)
    assert len(str(refused.value)) < 300


def test_as_much_as_a_status_may_say_is_read():
    """Of `hardware_notes/mqtt_topics.md`: 8 pairs, 4,096 bytes; shares to their ends."""
    full = {**FOOT, "battery_percent": 100, "lost_share": 1.0, "silent_s": 0.0}
    empty = {**FOOT, "battery_percent": 0, "lost_share": 0.0, "silent_s": 1e9}
    pairs = [{**PAIR, "feet": {"left": full, "right": empty}, "swing": SWING}] * 8
    table = {**GOOD, "pairs": pairs, "unsent": [{**UNSENT, "waiting": 0, "oldest_s": 0.0}] * 8}
    text = json.dumps(table)
    found = roster.read(text + " " * (4096 - len(text)))
    assert (len(found.pairs), len(found.unsent)) == (8, 8)
    assert found.pairs[7].feet["left"].battery_percent == 100
    with pytest.raises(InputError, match="longer than 4096 bytes"):
        roster.read(text + " " * (4097 - len(text)))


def test_a_bay_of_more_pairs_than_a_message_holds_tells_of_eight():
    pairs = [roster.Pair(str(k), "insoles", None, None) for k in range(9)]
    sinks = tuple(one for k in range(9) for one in forward(sink=f"s{k}").sinks)
    found = roster.status(pairs, ForwardState(datetime.now(UTC), sinks))
    assert [pair.name for pair in found.pairs] == list("01234567")
    assert len(found.unsent) == 8


@pytest.mark.dear
async def test_the_broker_keeps_the_last_one_and_gives_it_to_whoever_comes(tmp_path):
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    bay = Bay(tmp_path, settings(broker.port))
    try:
        async with bay.forwarding() as forwarding:
            sink = forwarding.broker
            assert sink is not None
            await until(lambda: sink._client)
            for n in (1, 2):
                sink.show(
                    {"type": "roster", **GOOD, "unsent": [plain(roster.Unsent("mqtt", n, None))]}
                )
            async with (
                aiomqtt.Client("127.0.0.1", broker.port, timeout=HANG_S) as other,
                sink.listening("test", ["+/roster"]) as heard,
            ):
                async for message in heard:
                    if roster.read(message.data).unsent[0].waiting == 2:
                        break
                await other.subscribe("plantigrade/v1/north/b1/roster")
                kept = await anext(aiter(other.messages))
    finally:
        broker.kill()
        bay.store.close()
    assert message.topic == "b1/roster"
    assert kept.retain and json.loads(bytes(kept.payload))["unsent"][0]["waiting"] == 2
