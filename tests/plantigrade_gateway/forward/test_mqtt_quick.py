"""A broker's topics and messages, by `hardware_notes/mqtt_topics.md`, letter by letter.

What goes over the connection is seen by a broker within the test.
"""

import asyncio
import dataclasses
import json
import socket
import ssl
from collections.abc import AsyncIterator, Callable
from types import SimpleNamespace
from typing import Any

import aiomqtt
import pytest
from tests.plantigrade_gateway.forward.test_lines import item
from tests.support.fakebroker import FakeBroker, Joined, Said, fake_broker
from tests.support.records import step
from tests.support.waiting import HANG_S

from plantigrade_gateway.config import load
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import mqtt, payloads
from plantigrade_gateway.forward.courier import ItemRejected, SinkUnavailable
from plantigrade_gateway.store.enqueue import Item

NINE_MS = 1_772_442_000_250  # date -u -d 2026-03-02T09:00:00 +%s, and a quarter of a second
BASE = "plantigrade/v1/north/b1"
ONLINE = '{"v":1,"state":"online","time":"2026-03-02T09:00:00.250Z"}'
STOPPED = ONLINE.replace("online", "stopped")


@pytest.fixture
def clock(monkeypatch) -> SimpleNamespace:
    """This machine's clocks as the sink sees them, set by hand."""
    made = SimpleNamespace(now_s=500.0)
    shown = SimpleNamespace(monotonic=lambda: made.now_s, time_ns=lambda: NINE_MS * 10**6)
    monkeypatch.setattr(mqtt, "time", shown)
    return made


@pytest.fixture
async def broker(clock) -> AsyncIterator[FakeBroker]:
    async with fake_broker() as made:
        yield made


def bay(port: int, say: Any = None, **more: str) -> mqtt.Broker:
    settings = {
        "PLANTIGRADE_SITE": "north",
        "PLANTIGRADE_BAY": "b1",
        "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
        "PLANTIGRADE_MQTT_PORT": str(port),
        "PLANTIGRADE_MQTT_TIMEOUT_S": str(HANG_S),
        **more,
    }
    return mqtt.Broker(load(None, settings), say)


def cues(many: int) -> list[Item]:
    return [
        item(step(100), kind="cue", name="early", time_ms=NINE_MS, text=f'{{"n":{k}}}')
        for k in range(many)
    ]


def numbers(broker: FakeBroker) -> list[int]:
    return [json.loads(text)["body"]["n"] for text in broker.of(f"{BASE}/events/cue")]


async def until(is_so: Callable[[], object]) -> None:
    async with asyncio.timeout(HANG_S):
        while not is_so():
            await asyncio.sleep(0.001)


# ---- messages ----


def test_topics_name_version_site_and_bay():
    assert payloads.base("north", "b1") == "plantigrade/v1/north/b1"
    one = item(step(100))
    assert payloads.topic(one) == "events/step"
    assert payloads.topic(dataclasses.replace(one, kind="link")) == "link"


def test_a_state_has_the_bay_s_time_and_a_will_has_none():
    assert payloads.state("online", NINE_MS) == (
        '{"v":1,"state":"online","time":"2026-03-02T09:00:00.250Z"}'
    )
    assert payloads.state("away", None) == '{"v":1,"state":"away","time":null}'


def test_a_message_of_the_moment_is_without_what_it_is_called_inside():
    assert payloads.live({"type": "live", "t_s": 1.5}) == '{"v":1,"t_s":1.5}'
    with pytest.raises(ValueError, match="JSON"):
        payloads.live({"type": "live", "t_s": float("nan")})


def test_an_event_has_its_session_and_its_body_as_it_is_stored():
    one = dataclasses.replace(
        item(step(100)),
        point_id="aa",
        time_ms=NINE_MS,
        session="5e",
        player=None,
        source="insoles",
        revision=3,
        text='{"a": 1.50}',
    )
    found = payloads.payload(one)
    assert found.endswith(',"body":{"a": 1.50}}')
    table = json.loads(found)
    kept = {key: table.pop(key) for key in ("v", "id", "kind", "time", "body")}
    assert kept == {
        "v": 1,
        "id": "aa",
        "kind": "step",
        "time": "2026-03-02T09:00:00.250Z",
        "body": {"a": 1.5},
    }
    of_session = {"session": "5e", "player": None, "source": "insoles", "revision": 3}
    assert table == {**of_session, "foot": one.name}


def test_a_set_is_named_by_its_number_and_a_link_is_of_no_session():
    one = item(step(100))
    of_set = json.loads(payloads.payload(dataclasses.replace(one, kind="set", name="2")))
    assert of_set["set"] == 2
    link = json.loads(payloads.payload(dataclasses.replace(one, kind="link", name="left")))
    assert not {"session", "player", "source", "revision"} & set(link)
    assert link["foot"] == "left"


# ---- the connection ----


async def test_a_bay_comes_with_its_will_and_says_that_it_is_there_and_that_it_stops(broker):
    """`state`: QoS 1, retained; a packet over 8,192 bytes is not wanted, one every 10 s is."""
    named = {"PLANTIGRADE_MQTT_USER": "bay", "PLANTIGRADE_MQTT_PASSWORD": "se:cret"}
    sink = bay(broker.port, **named)
    await sink.open()
    await sink.open()  # asked again, on the connection there is
    assert broker.joined == [
        Joined(
            "plantigrade-north-b1",
            keep_alive_s=10,
            is_clean=True,
            most_bytes=8192,
            will=Said(f"{BASE}/state", '{"v":1,"state":"away","time":null}', 1, True),
            user="bay",
            password="se:cret",
        )
    ]
    assert broker.asked == []
    await sink.close()
    await sink.close()
    await until(lambda: "bye" in broker.log)
    told = Said(f"{BASE}/state", ONLINE, 1, True)
    assert broker.said == [told, told._replace(text=STOPPED)]
    with pytest.raises(SinkUnavailable, match=r"message broker 127\.0\.0\.1: is not connected"):
        await sink.send(cues(1))
    await sink.open()
    await sink.close()
    assert len(broker.joined) == 2


@pytest.mark.parametrize(("tls", "port"), [("false", 1883), ("true", 8883)])
def test_a_port_that_is_not_set_is_the_one_of_its_kind(monkeypatch, tls, port):
    """IANA: 1883 mqtt, 8883 secure-mqtt."""
    made: list[Any] = []
    monkeypatch.setattr(mqtt, "_Client", lambda *where, **how: made.append((*where, how)))
    settings = {"PLANTIGRADE_MQTT_HOST": "here", "PLANTIGRADE_MQTT_TLS": tls}
    mqtt.Broker(load(None, settings))._made("x", None)
    ((host, found, how),) = made
    assert (host, found) == ("here", port)
    assert isinstance(how["tls_context"], ssl.SSLContext) is (tls == "true")
    assert (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1) in how["socket_options"]
    assert how["max_queued_incoming_messages"] == 100  # commands; more are dropped


def test_certificates_that_cannot_be_read_are_said(tmp_path):
    (tmp_path / "empty.pem").write_text("", "utf-8")
    for name in ("none", "empty"):
        with pytest.raises(InputError, match=rf"mqtt.ca_file \S+{name}.pem: cannot be used \(.+\)"):
            mqtt._trust(str(tmp_path / f"{name}.pem"))


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (134, "does not accept name and password: check mqtt.user and mqtt.password_file"),
        (135, "does not accept name and password"),
        (136, "refuses the connection ([code:136] Server unavailable)"),
        (133, "refuses the connection ([code:133]"),
    ],
)
async def test_a_broker_that_lets_nobody_in_is_said(broker, code, says):
    """MQTT 5 §3.2.2.2: 133 the name is not valid, 134 bad user or password, 135 not authorised."""
    broker.refuses = code
    sink = bay(broker.port)
    with pytest.raises(SinkUnavailable) as away:
        await sink.open()
    assert str(away.value).startswith(f"message broker 127.0.0.1: {says}")
    assert away.value.after_s is None
    broker.refuses = 0
    await sink.open()
    await sink.close()


CHECK = ": check mqtt."


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            "[SSL: X] certificate verify failed: self-signed certificate (_ssl.c:1000)",
            "its certificate is not trusted (self-signed certificate)",
        ),
        ("[SSL: WRONG_VERSION_NUMBER] wrong version", f"does not speak TLS there{CHECK}port"),
        ("EOF occurred in violation of protocol", f"does not speak TLS there{CHECK}port"),
        ("[Errno 111] Connection refused", "cannot be reached (Connection refused): is it running"),
        ("refused it", "broke the connection (refused it)"),
        ("[Errno -2] Name or service not known", f"no such host{CHECK}host"),
        ("Temporary failure in name resolution", f"no such host{CHECK}host"),
        ("Operation timed out", "does not answer within 120 s"),
        ("Unspecified\nerror", "broke the connection (Unspecified)"),
        ("x" * 101, f"broke the connection ({'x' * 100})"),
        ("", "broke the connection (no reason)"),
    ],
)
def test_each_fault_of_a_connection_has_its_words(said, words):
    text = str(bay(1)._away(aiomqtt.MqttError(said)))
    assert text.startswith(f"message broker 127.0.0.1: {words}"), text


@pytest.mark.parametrize("code", [4, 5])
def test_an_older_broker_s_refusal_of_a_password_is_understood(code):
    """MQTT 3.1.1 §3.2.2.3: 4 bad user name or password, 5 not authorised; 3 the server."""
    sink = bay(1)
    words = str(sink._away(aiomqtt.exceptions.MqttConnectError(code)))
    assert "does not accept name and password" in words
    assert "refuses the" in str(sink._away(aiomqtt.exceptions.MqttConnectError(3)))


# ---- sending ----


async def test_items_are_published_in_order_and_none_is_on_the_way_beyond_the_bound(broker):
    """Without a Receive Maximum as many as 20 at once; the next goes with an acknowledgement."""
    sink = bay(broker.port)
    await sink.open()
    broker.puts_off = True
    sending = asyncio.create_task(sink.send(cues(25)))
    await until(lambda: len(broker.due) == 20)
    broker.acknowledge(1)
    await until(lambda: len(broker.due) == 20)
    assert numbers(broker) == list(range(21)) and not sending.done()
    broker.acknowledge(20)
    await until(lambda: len(broker.due) == 4)
    broker.acknowledge(3)
    assert not sending.done()
    broker.acknowledge(1)
    await asyncio.wait_for(sending, HANG_S)
    assert numbers(broker) == list(range(25))
    one = broker.said[1]
    assert (one.topic, one.text, one.qos, one.is_retained) == (
        *(f"{BASE}/events/cue", payloads.payload(cues(1)[0])),
        *(1, False),
    )
    broker.puts_off = False
    await sink.close()


@pytest.mark.parametrize(("takes", "most"), [(3, 3), (1, 1), (1000, 20)])
async def test_a_broker_says_how_many_it_takes_at_once(broker, takes, most):
    """MQTT 5 §3.2.2.3.3: the Receive Maximum; more would be a protocol error."""
    broker.takes = takes
    sink = bay(broker.port)
    await sink.open()
    broker.puts_off = True
    sending = asyncio.create_task(sink.send(cues(30)))
    most_due = 0
    while len(numbers(broker)) < 30:
        await until(lambda: len(broker.due) == min(most, 30 - len(numbers(broker)) + most))
        most_due = max(most_due, len(broker.due))
        broker.acknowledge(1)
        await until(lambda: len(broker.due) >= most or len(numbers(broker)) == 30)
    assert most_due == most
    broker.puts_off = False
    broker.acknowledge(30)
    await asyncio.wait_for(sending, HANG_S)
    await sink.close()


async def test_what_is_no_json_is_refused_alone(broker):
    sink = bay(broker.port)
    await sink.open()
    with pytest.raises(ItemRejected, match="cannot be written as JSON"):
        await sink.send([*cues(1), item(step(1), kind="set", name="two")])
    assert numbers(broker) == []
    await sink.close()


async def test_a_message_that_is_refused_is_told_from_a_bay_that_may_not_publish(broker):
    """MQTT 5 §3.4.2.1: 0x10 nobody subscribed (taken), 0x87 not authorised, 0x99 its format."""
    sink = bay(broker.port)
    await sink.open()
    broker.reason = 0x10
    await sink.send(cues(1))
    assert await sink.is_accepting() is True
    broker.reason = 0x99
    with pytest.raises(ItemRejected, match="Payload format invalid"):
        await sink.send(cues(1))
    assert await sink.is_accepting() is False
    broker.reason = 0x87
    with pytest.raises(SinkUnavailable, match=f"does not let this bay publish below {BASE}/"):
        await sink.send(cues(1))
    with pytest.raises(SinkUnavailable):
        await sink.is_accepting()
    broker.reason = 0
    await sink.send(cues(1))  # what was refused is forgotten
    await sink.close()


async def test_a_broker_that_acknowledges_nothing_is_given_up(broker):
    sink = bay(broker.port, PLANTIGRADE_MQTT_TIMEOUT_S="0.3")
    await sink.open()
    broker.puts_off = True
    for _ in range(2):  # what was not acknowledged the first time is not waited for the second
        with pytest.raises(SinkUnavailable, match=r": does not answer within 0\.3 s"):
            await sink.send(cues(2))
    with pytest.raises(SinkUnavailable, match=r": does not answer within 0\.3 s"):
        await sink.is_accepting()
    await sink.close()


TAKEN = (
    "message broker 127.0.0.1: another gateway is bay b1 of site north too, and has taken this "
    "one's place: give each its own name (bay in the settings)"
)
SEEMS_TAKEN = (
    "message broker 127.0.0.1: breaks each connection soon; is another gateway bay b1 of site "
    "north too? If so: give each its own name (bay in the settings)"
)


async def broken(broker: FakeBroker, sink: mqtt.Broker, reason: int | None) -> SinkUnavailable:
    """What is said of a connection that ends while two messages are on the way."""
    broker.puts_off = False
    await sink.open()
    broker.puts_off = True
    sending = asyncio.create_task(sink.send(cues(2)))
    await until(lambda: len(broker.due) == 2)
    broker.due.clear()
    broker.end(reason)
    with pytest.raises(SinkUnavailable) as away:
        await asyncio.wait_for(sending, HANG_S)
    await sink.close()
    return away.value


async def test_who_took_the_place_is_believed_at_once_and_waited_for_longer_each_time(broker):
    """MQTT 5 §3.14.2.1: 0x8E; `hardware_notes/mqtt_topics.md`: 30 s, then twice as long."""
    sink = bay(broker.port)
    for after_s in (30.0, 60.0):
        away = await broken(broker, sink, 0x8E)
        assert (str(away), away.after_s) == (TAKEN, after_s)


async def test_connections_that_break_soon_are_a_rival_s_after_the_third(broker, clock):
    sink = bay(broker.port)
    for _ in range(2):
        away = await broken(broker, sink, None)
        assert str(away).startswith("message broker 127.0.0.1: broke the connection (")
        assert away.after_s is None
    away = await broken(broker, sink, 0x8B)  # the server shuts down: no word of a rival
    assert (str(away), away.after_s) == (SEEMS_TAKEN, 30.0)
    broker.refuses = 136
    with pytest.raises(SinkUnavailable):  # who is thrown off by another is let in again
        await sink.open()
    broker.refuses = 0
    away = await broken(broker, sink, None)
    assert "broke the connection" in str(away)


async def test_a_connection_that_breaks_between_is_seen_with_the_next_message(broker):
    sink = bay(broker.port)
    await sink.open()
    broker.end()
    await until(lambda: sink._client is not None and sink._client._disconnected.done())
    for asks in (sink.send(cues(1)), sink.is_accepting()):
        with pytest.raises(SinkUnavailable, match="broke the connection"):
            await asks
    await sink.close()


@pytest.mark.parametrize(
    "packet",
    [
        b"\x30\x04\x00\x01\xff\x00",  # a topic that is no UTF-8
        b"\x30\x81\x40" + bytes(100),  # 8,193 bytes are to come
    ],
)
async def test_a_packet_that_no_broker_may_send_ends_the_connection(broker, packet):
    """MQTT 5: PUBLISH §3.3; lengths of §2.1.4 (0x81 0x40: 1 + 64 × 128)."""
    sink = bay(broker.port)
    await sink.open()
    broker.writers[-1].write(packet)
    await until(lambda: "gone" in broker.log)
    with pytest.raises(SinkUnavailable):
        await sink.send(cues(1))
    await sink.close()


async def test_a_packet_of_just_the_bound_is_waited_for(broker):
    sink = bay(broker.port, PLANTIGRADE_MQTT_COMMANDS="true")
    got: list[dict[str, Any]] = []
    sink.on_command = got.append
    await sink.open()
    body = f"\0\x1f{BASE}/command\0".encode()
    assert body[1] == len(f"{BASE}/command")
    broker.writers[-1].write(b"\x30\x80\x40" + body)  # 8,192 bytes are to come (64 × 128)
    client = sink._client
    assert client is not None
    await until(lambda: client._client._in_packet["remaining_length"] == 8192)
    broker.writers[-1].write(b"x" * (8192 - len(body)))  # too long for a command, and no harm
    broker.bring(f"{BASE}/command", b'{"v":1,"id":"k","command":"stop"}')
    await until(lambda: got)
    await sink.close()


# ---- whether it is there ----


async def test_what_is_acknowledged_shows_that_the_broker_is_there(broker, clock):
    """Settled at most once a second, and with what was acknowledged in the last half of one."""
    sink = bay(broker.port)
    await sink.open()
    assert await sink.restarted() is False
    clock.now_s += 0.4
    assert await sink.restarted() is None  # less than a second since
    clock.now_s += 0.6
    assert await sink.restarted() is None  # nothing was acknowledged just now
    await sink.send(cues(1))
    assert await sink.restarted() is False
    await sink.send(cues(1))
    clock.now_s += 1.0
    await sink.send(cues(1))
    clock.now_s += 0.5
    assert await sink.restarted() is False
    clock.now_s += 9.4
    assert await sink.restarted() is None
    assert len(broker.of(f"{BASE}/state")) == 1
    clock.now_s += 0.1  # ten seconds: asked
    assert await sink.restarted() is False
    assert broker.of(f"{BASE}/state") == [ONLINE] * 2
    clock.now_s += 0.3
    assert await sink.restarted() is None
    await sink.close()


# ---- of the moment ----


async def test_summaries_and_the_roster_are_shown_and_nothing_else(broker):
    """`live` QoS 0, `roster` QoS 0 and retained."""
    sink = bay(broker.port)
    sink.show({"type": "live", "t_s": 1.0})  # nobody is there
    await sink.open()
    for kind in ("live", "said", "roster"):
        sink.show({"type": kind, "t_s": 2.0, "pairs": []})
    await until(lambda: len(broker.said) == 3)
    text = '{"v":1,"t_s":2.0,"pairs":[]}'
    assert broker.said[1:] == [
        Said(f"{BASE}/live", text, 0, False),
        Said(f"{BASE}/roster", text, 0, True),
    ]
    await until(lambda: not sink._live)
    broker.end()
    await until(lambda: sink._client is not None and sink._client._disconnected.done())
    sink.show({"type": "live", "t_s": 3.0})
    (task,) = sink._live
    await task  # lost, and no fault
    await sink.close()


WORN = {"name": None, "source": "insoles", "feet": {"left": {"link": "streaming"}}}
OF_ADA = {**WORN, "session": "5e", "player": "ad", "swing": {"time": "now", "n": 1, "words": "x"}}
OF_NOBODY = {**WORN, "session": None, "player": None, "swing": None}


async def test_the_last_word_of_the_roster_is_of_nobody_and_comes_before_that_it_stops(broker):
    """Consent may end while no gateway is there to take the player's id back."""
    sink = bay(broker.port)
    await sink.open()
    for n in range(3):
        sink.show({"type": "roster", "time": f"{n}", "pairs": [OF_ADA, OF_NOBODY]})
    await sink.close()
    told = [json.loads(text) for text in broker.of(f"{BASE}/roster")]
    assert [one["time"] for one in told] == ["0", "1", "2", "2"]
    assert [one["pairs"] for one in told] == [[OF_ADA, OF_NOBODY]] * 3 + [[OF_NOBODY] * 2]
    assert broker.said[-1].text == STOPPED and broker.said[-2] == Said(
        f"{BASE}/roster", json.dumps(told[-1], separators=(",", ":")), 0, True
    )
    await sink.open()
    await sink.close()  # nothing was told of anybody since
    assert len(broker.of(f"{BASE}/roster")) == 4


async def test_what_the_roster_tells_of_somebody_is_kept_for_a_little_while_alone(broker):
    """A gateway that is killed takes nothing back; its broker does (MQTT 5, 3.3.2.3.3)."""
    sink = bay(broker.port)
    await sink.open()
    sink.show({"type": "roster", "pairs": [OF_NOBODY]})
    sink.show({"type": "live", "session": "5e"})
    await until(lambda: len(broker.said) == 3)
    assert broker.expires == []
    sink.show({"type": "roster", "pairs": [OF_NOBODY, OF_ADA]})
    await until(lambda: len(broker.said) == 4)
    assert broker.expires == [(f"{BASE}/roster", 30)]
    await sink.close()
    assert len(broker.expires) == 1  # of nobody: how the bay was last is kept


# ---- commands ----

STOP = b'{"v":1,"id":"%s","command":"stop"}'


async def test_commands_are_heard_where_the_settings_allow_it(broker):
    sink = bay(broker.port, PLANTIGRADE_MQTT_COMMANDS="true")
    got: list[dict[str, Any]] = []
    await sink.open()
    assert broker.asked == [(f"{BASE}/command", 1)]
    broker.bring(f"{BASE}/command", STOP % b"a")  # nobody listens to what it is yet
    await sink.is_accepting()
    sink.on_command = got.append
    broker.bring(f"{BASE}/command", STOP % b"b", is_retained=True)  # of long ago
    broker.bring(f"{BASE}/command", b"nonsense")
    broker.bring(f"{BASE}/command", b'{"v":1,"id":"c","command":"start"}')
    await until(lambda: got)
    assert got == [{"type": "record"}]
    listening = sink._listening
    assert listening is not None
    await sink.close()
    await until(listening.done)


async def test_a_broker_that_breaks_off_as_commands_are_asked_for_is_away(broker, monkeypatch):
    sink = bay(broker.port, PLANTIGRADE_MQTT_COMMANDS="true")

    async def subscribe(*_: object, **__: object) -> None:
        raise aiomqtt.MqttError("Operation timed out")

    monkeypatch.setattr(mqtt._Client, "subscribe", subscribe)
    with pytest.raises(SinkUnavailable, match="does not answer"):
        await sink.open()
    await sink.close()


@pytest.mark.parametrize(
    ("data", "found"), [(b"a", b"a"), (bytearray(b"a"), b"a"), ("a", "a"), (None, b""), (7, b"")]
)
def test_whatever_a_message_holds_is_read_as_bytes_or_text(data, found):
    assert mqtt._bytes(data) == found and type(mqtt._bytes(data)) is type(found)


# ---- the site's side ----


async def test_a_listener_hears_what_bays_of_its_site_say(broker):
    async with bay(broker.port).listening("roster-1", ["+/state", "+/roster"]) as heard:
        assert broker.asked == [
            ("plantigrade/v1/north/+/state", 0),
            ("plantigrade/v1/north/+/roster", 0),
        ]
        assert (broker.joined[0].name, broker.joined[0].will) == ("plantigrade-roster-1", None)
        broker.bring("plantigrade/v1/north/b7/state", b"one", is_retained=True)
        broker.bring("plantigrade/v1/north/b8/roster", b"two")
        async with asyncio.timeout(HANG_S):
            assert await anext(heard) == mqtt.Heard("b7/state", b"one", True)
            assert await anext(heard) == mqtt.Heard("b8/roster", b"two", False)
    assert broker.said == []


async def test_a_listener_is_told_when_the_connection_is_lost_or_refused(broker):
    with pytest.raises(SinkUnavailable, match="broke the connection"):
        async with bay(broker.port).listening("roster-1", ["+/state"]) as heard:
            broker.end()
            async with asyncio.timeout(HANG_S):
                await anext(heard)
    broker.refuses = 134
    with pytest.raises(SinkUnavailable, match="does not accept name and password"):
        async with bay(broker.port).listening("roster-1", []):
            pass


async def test_a_bay_s_last_words_are_taken_away(broker):
    """An empty retained message takes away what is kept (MQTT 5 §3.3.1.3)."""
    sink = bay(broker.port)
    await sink.take_back("b9")
    assert broker.said == [
        Said("plantigrade/v1/north/b9/roster", "", 1, True),
        Said("plantigrade/v1/north/b9/state", "", 1, True),
    ]
    assert (broker.joined[0].name, broker.joined[0].will) == ("plantigrade-forgets-b9", None)
    broker.reason = 0x99
    with pytest.raises(ItemRejected):
        await sink.take_back("b9")
    broker.refuses = 134
    with pytest.raises(SinkUnavailable, match="does not accept"):
        await sink.take_back("b9")


def test_the_sink_of_the_forwarding_has_its_word_of_faults():
    said: list[str] = []
    found = mqtt.sink(load(None, {"PLANTIGRADE_MQTT_HOST": "here"}), said.append)
    assert isinstance(found, mqtt.Broker) and found._say == said.append
