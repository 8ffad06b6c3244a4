"""To a real broker: every message by its schema, once by identity, whatever happens to it."""

import asyncio
import dataclasses
import gc
import json
import os
import subprocess
import sys
import warnings
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import aiomqtt
import jsonschema
import numpy as np
import pytest
from tests.plantigrade_gateway.forward.test_tsdb import certificate
from tests.support.bay import Bay, until
from tests.support.records import stand, step, swing
from tests.support.servers import Mosquitto, free_port, program
from tests.support.waiting import HANG_S

from plantigrade.block import N_COLUMNS, Foot, PairBlock
from plantigrade_gateway.analysis.result import Analysis, SetSpan
from plantigrade_gateway.config import load
from plantigrade_gateway.forward import courier, launch, mqtt, payloads, rivals
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.sinks import MQTT
from plantigrade_gateway.store.enqueue import Point
from plantigrade_gateway.store.results import set_points
from plantigrade_gateway.store.status import FootStatus

pytestmark = pytest.mark.dear

SECRET = "p4ssword-do-not-print-me"
SCHEMA = json.loads(
    (Path(__file__).resolve().parents[3] / "hardware_notes" / "mqtt.schema.json").read_text("utf-8")
)
BASE = "plantigrade/v1/north/b1"


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(courier, "FIRST_WAIT_S", 0.05)
    monkeypatch.setattr(courier, "LONGEST_WAIT_S", 0.3)
    monkeypatch.setattr(mqtt, "LOOK_EVERY_S", 0.1)


def settings(port: int, **more: str) -> dict[str, str]:
    return {
        "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
        "PLANTIGRADE_MQTT_PORT": str(port),
        "PLANTIGRADE_MQTT_HOLD_S": "0.2",
        "PLANTIGRADE_MQTT_TIMEOUT_S": "3",
        **more,
    }


@pytest.fixture
def broker(tmp_path):
    server = Mosquitto(tmp_path / "broker")
    server.start()
    yield server
    if server.is_up:
        server.kill()


class Subscriber:
    """A durable subscriber: what it got, in order."""

    def __init__(self) -> None:
        self.got: list[tuple[str, dict[str, Any]]] = []

    def ids(self, kind: str = "events/") -> list[str]:
        return [m["id"] for topic, m in self.got if topic.startswith(kind)]

    def of(self, topic: str) -> list[dict[str, Any]]:
        return [m for t, m in self.got if t == topic]


@asynccontextmanager
async def subscribed(port: int, **how: Any) -> AsyncIterator[Subscriber]:
    """Keep a subscription of all topics up, over restarts of the broker."""
    there = asyncio.Event()
    found = Subscriber()

    async def listen() -> None:
        while True:
            with suppress(aiomqtt.MqttError):
                async with aiomqtt.Client(
                    "127.0.0.1", port, identifier="sub", clean_session=False, timeout=HANG_S, **how
                ) as client:
                    await client.subscribe("plantigrade/#", qos=1)
                    there.set()
                    async for message in client.messages:
                        topic = str(message.topic).removeprefix(BASE + "/")
                        found.got.append((topic, json.loads(bytes(message.payload))))
            await asyncio.sleep(0.05)

    listening = asyncio.create_task(listen())
    await asyncio.wait_for(there.wait(), HANG_S)
    try:
        yield found
    finally:
        listening.cancel()
        with suppress(asyncio.CancelledError):
            await listening


def with_sets() -> Analysis:
    spans = (
        SetSpan("full, 7 iron", 2.0, 9.0, "5f" * 16, "full", "7 iron", True),
        SetSpan("x", 10.0),
    )
    return Analysis("x", 100.0, 60.0, (), (), (), (), None, spans=spans)


def valid(topic: str, message: dict[str, Any]) -> None:
    name = topic.removeprefix("events/")
    schema = {"$ref": f"#/$defs/{name}", "$defs": SCHEMA["$defs"]}
    jsonschema.Draft202012Validator(schema).validate(message)


async def test_every_message_is_what_its_schema_says(tmp_path, broker):
    bay = Bay(tmp_path, settings(broker.port))
    foot = FootStatus("left", "streaming", 80, -60, 1, 100, 1, 0, 0.1, 3.2, 0.002, True)
    async with subscribed(broker.port) as found, bay.forwarding() as forwarding:
        bay.put(step(100), step(200, Foot.RIGHT), swing(700), stand(900))
        points = [Point("cue", "early", 3.0, {"t_s": 3.0, "decided_s": 3.1, "delay_s": 0.0})]
        points += set_points(with_sets())
        bay.store.write(bay.session, [], points)
        bay.outbox.put_links("north/b1", 1_772_355_600_123, {"left": launch.link_body(foot)})
        bay.store.end_session(bay.session, "stop")
        await bay.sent(MQTT)
        loads = np.full((3, N_COLUMNS), 100.0)
        block = PairBlock(0, np.arange(3) / 100, loads, loads * np.nan)
        assert forwarding.broker is not None
        forwarding.broker.show(launch.summary(block, SessionSettings(), bay.session))
        await until(lambda: found.of("live"))
    topics = {topic for topic, _ in found.got}
    kinds = ("step", "stand", "swing", "set", "cue", "session")
    assert topics >= {*(f"events/{kind}" for kind in kinds), "link", "live", "state"}
    for topic, message in found.got:
        valid(topic, message)
    (body,) = [m["body"] for m in found.of("events/swing")]
    assert body["push"]["path_y"] == [0.1, 0.30000000000000004, 1e-300]
    told = [
        [m["body"][key] for key in ("set_id", "intent", "club", "is_silent")]
        for m in found.of("events/set")
    ]
    assert told == [["5f" * 16, "full", "7 iron", True], [None] * 4]
    assert found.of("live")[0]["feet"]["right"] == {
        "load_n": None,
        "load_bw": None,
        "cop": None,
        "away": True,
    }
    assert bay.said == []
    bay.store.close()


def test_a_schema_refuses_what_is_none_of_its_messages():
    with pytest.raises(jsonschema.ValidationError):
        valid("state", {"v": 1, "state": "gone", "time": None})
    with pytest.raises(jsonschema.ValidationError):
        valid("live", {"v": 1})
    assert set(SCHEMA["$defs"]) == {
        *("step", "stand", "swing", "set", "cue", "session"),
        *("link", "state", "roster", "live", "command"),
    }


async def test_the_bay_says_that_it_stops_and_its_will_that_it_died(tmp_path, broker):
    async with subscribed(broker.port) as found:
        bay = Bay(tmp_path, settings(broker.port))
        async with bay.forwarding():
            await until(lambda: found.of("state"))
        await until(lambda: found.of("state")[-1]["state"] == "stopped")
        bay.store.close()
        command = [sys.executable, "-m", "plantigrade_gateway.forward.process"]
        process = subprocess.Popen(
            [*command, "--store", str(bay.store.path)],
            env={**os.environ, **settings(broker.port), "PLANTIGRADE_SITE": "north"}
            | {"PLANTIGRADE_BAY": "b1"},
            stdin=subprocess.PIPE,
        )
        await until(lambda: found.of("state")[-1]["state"] == "online")
        assert process.stdin is not None
        process.stdin.close()  # the gateway is killed: no word to stop, the pipe ends
        await until(lambda: found.of("state")[-1]["state"] == "away")
        process.wait(HANG_S)
        assert process.returncode == 3


async def test_a_real_broker_keeps_nobody_s_id_once_a_gateway_is_gone(broker, monkeypatch):
    monkeypatch.setattr(mqtt, "ROSTER_KEPT_S", 1)
    given = settings(broker.port, PLANTIGRADE_SITE="north", PLANTIGRADE_BAY="b1")
    pair: dict[str, Any] = {"name": None, "source": "insoles", "feet": {}}
    pair |= {"session": "5e", "player": "ad"}
    message = {"type": "roster", "time": "", "pairs": [{**pair, "swing": None}]}
    sink = mqtt.Broker(load(None, given))

    async def kept() -> list[str]:
        """What the broker holds of the roster, told by one who comes now; then the state."""
        found: list[str] = []
        async with aiomqtt.Client("127.0.0.1", broker.port, timeout=HANG_S) as client:
            for name in ("roster", "state"):  # retained ones come before the next answer
                await client.subscribe(f"{BASE}/{name}", qos=1)
            async for one in client.messages:
                if str(one.topic).endswith("/state"):
                    return found
                found.append(bytes(one.payload).decode())
        return found

    await sink.open()
    sink.show(message)
    async with asyncio.timeout(HANG_S):
        await asyncio.gather(*sink._live)
        while await kept():  # as after a kill: nobody takes it back
            await asyncio.sleep(0.1)
    sink.show(message)
    await sink.close()
    (told,) = await kept()
    assert json.loads(told)["pairs"] == [{**pair, "session": None, "player": None, "swing": None}]


async def test_a_killed_broker_gets_again_what_it_lost(tmp_path):
    """Its disk copy is a second old at best: what it acknowledged since is gone with it."""
    broker = Mosquitto(tmp_path / "broker", "autosave_interval 3600\n")
    await asyncio.to_thread(broker.start)
    bay = Bay(tmp_path, settings(broker.port, PLANTIGRADE_MQTT_HOLD_S="60"))
    async with bay.forwarding() as forwarding:
        (way, _) = forwarding._ways[0]
        bay.put(*(step(100 * k) for k in range(1, 301)))
        await until(lambda: way.held >= 301)  # acknowledged, with nobody there to get it
        broker.kill()
        await asyncio.to_thread(broker.start)
        async with subscribed(broker.port) as found:
            bay.put(step(90_000))
            await until(lambda: set(found.ids()) >= bay.ids)
        assert way.resent >= 301
    broker.kill()
    bay.store.close()


async def test_a_hung_broker_is_seen(tmp_path, broker):
    bay = Bay(tmp_path, settings(broker.port, PLANTIGRADE_MQTT_TIMEOUT_S="2"))
    async with subscribed(broker.port) as found, bay.forwarding():
        bay.put(step(100))
        await bay.sent(MQTT)
        broker.pause()
        bay.put(step(200))
        await until(lambda: bay.said)
        assert bay.said == ["Message broker 127.0.0.1: does not answer within 2 s."]
        broker.go_on()
        await until(lambda: set(found.ids()) >= bay.ids)
    bay.store.close()


OWN_NAME = "give each its own name (bay in the settings)."
SEEMS_TAKEN = (
    "Message broker 127.0.0.1: breaks each connection soon; is another gateway bay b1 of site "
    f"north too? If so: {OWN_NAME}"
)
TAKEN = (
    "Message broker 127.0.0.1: another gateway is bay b1 of site north too, and has taken this "
    f"one's place: {OWN_NAME}"
)


async def test_two_gateways_of_one_name_are_told_and_do_not_fight(tmp_path, broker, monkeypatch):
    """A real broker, which says nothing to the one whose place is taken."""
    monkeypatch.setattr(rivals, "FIRST_WAIT_S", 4 * HANG_S)
    bays = []
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        bays.append(Bay(tmp_path / name, settings(broker.port)))
    async with subscribed(broker.port) as found:
        async with bays[0].forwarding(), bays[1].forwarding():
            await until(lambda: any(SEEMS_TAKEN in bay.said for bay in bays))
            waits, goes_on = bays if SEEMS_TAKEN in bays[0].said else bays[::-1]
            said = len(waits.said)
            waits.put(step(100))
            goes_on.put(step(200))
            await goes_on.sent(MQTT)
            await asyncio.sleep(1.0)  # ten times that in which it would take the place back
            assert set(found.ids()) >= goes_on.ids and not set(found.ids()) & waits.ids
            assert waits.said[-1] == SEEMS_TAKEN and len(waits.said) == said
        assert goes_on.waiting(MQTT) == 0
    for bay in bays:
        bay.store.close()


async def test_a_broker_that_says_who_took_the_place_is_believed_at_once(tmp_path):
    """MQTT 5: CONNACK §3.2 (success), then DISCONNECT §3.14 with reason 0x8E."""

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(b"\x20\x03\x00\x00\x00" + b"\xe0\x02\x8e\x00")
        await reader.read(1000)
        writer.close()

    server = await asyncio.start_server(take, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        assert await said_of(tmp_path, port) == [TAKEN]


@pytest.mark.parametrize(
    "packet",
    [
        b"\x30\x04\x00\x01\xff\x00",  # a topic that is no UTF-8
        b"\x30\x03\x00\x00\x00",  # none
        b"\x30\xff\xff\xff\x7f" + bytes(9000),  # the longest there is: not waited for
    ],
)
async def test_a_packet_that_no_broker_may_send_ends_the_connection(tmp_path, packet):
    """MQTT 5: CONNACK §3.2 (success), then PUBLISH §3.3; lengths of §2.1.4.

    The socket is closed, or each new connection would leave one behind that is read for ever.
    """
    ended = 0

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal ended
        await reader.read(1000)
        writer.write(b"\x20\x03\x00\x00\x00" + packet)
        with suppress(ConnectionError):
            while await reader.read(1000):
                pass
        ended += 1
        writer.close()

    server = await asyncio.start_server(take, "127.0.0.1", 0)
    async with server:
        said = await said_of(tmp_path, server.sockets[0].getsockname()[1])
        await until(lambda: ended)
    assert said[0].startswith(("Message broker 127.0.0.1: broke ", SEEMS_TAKEN[:40]))


async def said_of(tmp_path: Path, port: int, **more: str) -> list[str]:
    bay = Bay(tmp_path, settings(port, **more))
    async with bay.forwarding():
        bay.put(step(100))
        await until(lambda: bay.said)
        await asyncio.sleep(0.5)
    assert bay.waiting(MQTT) == 2
    bay.store.close()
    assert SECRET not in " ".join(bay.said)
    return bay.said


async def test_what_stands_in_the_way_is_said_once_in_a_line(tmp_path):
    assert await said_of(tmp_path, free_port()) == [
        "Message broker 127.0.0.1: cannot be reached (Connection refused): is it running, "
        "is mqtt.host right?"
    ]


@pytest.mark.slow
async def test_a_wrong_password_and_a_missing_right_are_said(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    users, rules = folder / "users", folder / "rules"
    users.touch()
    subprocess.run(
        [program("mosquitto_passwd"), "-b", str(users), "bay", SECRET],
        check=True,
        capture_output=True,
    )
    rules.write_text("user bay\ntopic read #\n")
    for file in (users, rules):
        file.chmod(0o600)
    more = f"allow_anonymous false\npassword_file {users}\nacl_file {rules}\n"
    broker = Mosquitto(folder, more)
    await asyncio.to_thread(broker.start)
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir()
    other.mkdir()
    wrong = {"PLANTIGRADE_MQTT_USER": "bay", "PLANTIGRADE_MQTT_PASSWORD": "x" + SECRET}
    assert await said_of(one, broker.port, **wrong) == [
        "Message broker 127.0.0.1: does not accept name and password: check mqtt.user and "
        "mqtt.password_file."
    ]
    right = wrong | {"PLANTIGRADE_MQTT_PASSWORD": SECRET}
    assert await said_of(other, broker.port, **right) == [
        f"Message broker 127.0.0.1: does not let this bay publish below {BASE}/."
    ]
    broker.kill()


def test_tls_with_a_certificate_that_is_trusted_only_where_it_is_named(tmp_path):
    with warnings.catch_warnings():
        # paho leaves the socket of a failed handshake to the garbage collector.
        warnings.simplefilter("ignore", ResourceWarning)
        asyncio.run(tls_only_where_it_is_named(tmp_path))
        gc.collect()


async def tls_only_where_it_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    key, cert = certificate(folder)
    broker = Mosquitto(folder, f"certfile {cert}\nkeyfile {key}\n")
    await asyncio.to_thread(broker.start)
    tls = {"PLANTIGRADE_MQTT_TLS": "true"}
    one = tmp_path / "one"
    one.mkdir()
    (said,) = await said_of(one, broker.port, **tls)
    assert "its certificate is not trusted (" in said and "set mqtt.ca_file" in said
    bay = Bay(tmp_path, settings(broker.port, PLANTIGRADE_MQTT_CA_FILE=str(cert), **tls))
    async with bay.forwarding():
        bay.put(step(100))
        await bay.sent(MQTT)
    bay.store.close()
    broker.kill()


async def test_commands_are_off_unless_enabled_and_obeyed_once(tmp_path, broker):
    order = {"v": 1, "id": "1", "command": "mark", "text": "set: full"}
    valid("command", order)
    got: list[dict[str, Any]] = []

    async def tell(*messages: object, retain: bool = False) -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            for message in messages:
                await client.publish(BASE + "/command", json.dumps(message), 1, retain=retain)

    await tell({**order, "id": "0", "text": "of long ago"}, retain=True)
    bay = Bay(tmp_path, settings(broker.port, PLANTIGRADE_MQTT_COMMANDS="true"))
    async with bay.forwarding() as forwarding:
        assert forwarding.broker is not None
        forwarding.broker.on_command = got.append
        await until(lambda: forwarding.broker and forwarding.broker._listening)
        await tell(order, order, "rubbish", {"v": 1, "command": "explode"}, {"v": 9})
        await tell(
            {**order, "id": "2", "command": "stop"}, {**order, "id": "3", "command": "start"}
        )
        await tell({"v": 1, "id": "4", "command": "drill", "text": ""})
        await until(lambda: len(got) >= 4)
    assert got == [
        {"type": "mark", "text": "set: full"},
        {"type": "stop"},
        {"type": "record"},
        {"type": "drill", "name": None},
    ]
    bay.store.close()
    other = tmp_path / "other"
    other.mkdir()
    bay = Bay(other, settings(broker.port))
    async with bay.forwarding() as forwarding:
        assert forwarding.broker is not None
        forwarding.broker.on_command = got.append
        await until(lambda: forwarding.broker and forwarding.broker._client)
        await tell({**order, "id": "9"})
        await asyncio.sleep(0.3)
    assert len(got) == 4
    bay.store.close()


def test_live_summaries_come_at_their_rate_and_hold_no_nan():
    told: list[dict[str, Any]] = []

    class Teller:
        tell: Callable[[dict[str, Any]], None] = staticmethod(told.append)

    shown = launch.LiveSummary(Teller(), 10.0)
    loads = np.full((1000, N_COLUMNS), 100.0)
    loads[500:] = 2.0  # too little for a CoP
    block = PairBlock(0, np.arange(1000) / 100, loads, loads)
    for k in range(0, 1000, 2):
        shown.show([block.slice(k, k + 2)], SessionSettings(), "ab12")
    assert len(told) == pytest.approx(100, abs=2)
    for message in told:
        valid("live", json.loads(payloads.live(message)))
    assert told[0]["lead_share"] == 0.5 and told[-1]["lead_share"] is None
    assert told[0]["feet"]["left"]["cop"] == [0.25, 0.25]
    assert told[-1]["feet"]["left"]["cop"] is None


def test_a_message_holds_no_name_and_its_identity(tmp_path):
    from tests.plantigrade_gateway.forward.test_lines import item

    one = dataclasses.replace(item(step(100)), player="p1", point_id="a" * 32)
    message = json.loads(payloads.payload(one))
    assert message["id"] == "a" * 32 and message["player"] == "p1"
    assert message["time"] == "2026-03-01T09:00:05.243Z"


async def test_a_broker_that_is_always_busy_is_seen_by_what_it_acknowledges(
    tmp_path, broker, monkeypatch
):
    monkeypatch.setattr(mqtt, "LOOK_EVERY_S", 3600.0)
    bay = Bay(tmp_path, settings(broker.port))
    bay.put(*(step(100 * k) for k in range(20)))
    items = bay.outbox.waiting(MQTT, 0, 20)
    sink = mqtt.Broker(bay.config)
    seen: list[bool | None] = []
    async with asyncio.timeout(HANG_S):
        await sink.open()
        while seen.count(False) < 2:
            await sink.send(items)
            seen.append(await sink.restarted())
        assert None in seen  # not after every piece: each time costs a transaction
        await sink.close()
    bay.store.close()


async def test_a_broker_that_takes_few_at_once_gets_all_in_order(tmp_path):
    """MQTT 5 §3.3.4: more than its Receive Maximum on the way is a protocol error."""
    broker = Mosquitto(tmp_path / "broker", "max_inflight_messages 3\n")
    await asyncio.to_thread(broker.start)
    bay = Bay(tmp_path, settings(broker.port))
    bay.put(*(step(100 * k) for k in range(1, 251)))
    async with subscribed(broker.port) as found, bay.forwarding() as forwarding:
        await bay.sent(MQTT)
        assert forwarding.broker is not None and forwarding.broker._client is not None
        assert forwarding.broker._client.in_flight == 3
        await until(lambda: set(found.ids()) >= bay.ids)
    got = [m["body"]["first_index"] for m in found.of("events/step")]
    assert got == sorted(got) and len(got) == 250  # none refused, none twice
    assert bay.said == []
    broker.kill()
    bay.store.close()


async def test_only_so_many_are_on_the_way(tmp_path, broker, monkeypatch):
    """Counted where they leave: what is published less what has been acknowledged."""
    bay = Bay(tmp_path, settings(broker.port))
    bay.put(*(step(100 * k) for k in range(60)))
    sink = mqtt.Broker(bay.config)
    await sink.open()
    client = sink._client
    assert client is not None
    inner, on_the_way = client._client, []
    publish = inner.publish

    def counted(*arguments: Any) -> Any:
        on_the_way.append(1 + len(client._due))
        return publish(*arguments)

    monkeypatch.setattr(inner, "publish", counted)
    client.in_flight = 4
    await sink.send(bay.outbox.waiting(MQTT, 0, 60))
    assert max(on_the_way) == 4 and len(on_the_way) == 60
    await sink.close()
    bay.store.close()
