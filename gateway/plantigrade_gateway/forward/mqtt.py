"""The message broker as a sink: what goes there (`payloads`) is sent, and its commands are heard.

As `hardware_notes/mqtt_topics.md` says. Names of people stand in no topic and no payload; ids do.
A message's ``id`` is the identity of what it tells: one that has been seen before is the same
again. The one module that imports aiomqtt.
"""

import asyncio
import logging
import socket
import ssl
import time
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager, suppress
from typing import Any, NamedTuple

import aiomqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError, untrusted
from plantigrade_gateway.forward.commands import CommandReader
from plantigrade_gateway.forward.courier import ItemRejected, SinkUnavailable
from plantigrade_gateway.forward.payloads import base, live, payload, state, topic
from plantigrade_gateway.forward.rivals import TAKEN_OVER, Rivals
from plantigrade_gateway.forward.roster import TOPIC, of_nobody
from plantigrade_gateway.store.enqueue import Item
from plantigrade_gateway.upkeep import kept_up

LOOK_EVERY_S = 10.0
"""How often the bay says that it is there; an answer shows that the broker is, too."""
SETTLE_EVERY_S = 1.0
"""How often, at most, what is acknowledged shows that it is there (ours)."""
_JUST_NOW_S = 0.5  # little against the time that acknowledged rows are held
KEEPALIVE_S = 10
ROSTER_KEPT_S = 30
"""How long the broker keeps whose session a bay told last: nobody takes back what a killed gateway
left there (ours, against a message a second; MQTT 5 §3.3.2.3.3)."""
MOST_WAITING = 10_000
"""Messages of a whole site that wait to be read; past them the newest are dropped (ours)."""
MOST_PACKET_BYTES = 8192
"""Of a message to this side: the broker keeps longer ones to itself (MQTT 5 §3.1.2.11.4)."""
IN_FLIGHT = 20
"""Messages on the way at once: as many as mosquitto takes of a client unless told otherwise.

Fewer where the broker says so. The next one goes as soon as one is acknowledged: a broker sends one
answer after the other only once the first is known to have arrived, which takes up to 40 ms where
nothing is sent back with it."""
_log = logging.getLogger(__name__)
_quiet = logging.getLogger("mqtt")


class _Client(aiomqtt.Client):
    """Keeps what aiomqtt leaves out: how the broker refused a message, how many it takes at once.

    A broker that does not let a client publish acknowledges all the same, with a reason code.
    """

    refusal: str | None = None
    in_flight: int = IN_FLIGHT
    is_taken_over: bool = False

    def __init__(self, *arguments: Any, **named: Any) -> None:  # noqa: ANN401 - as aiomqtt's
        super().__init__(*arguments, **named)
        self._due: set[int] = set()
        self._came = asyncio.Event()
        self._read = self._client.loop_read
        self._client.loop_read = self._read_or_end  # type: ignore[method-assign]

    def _read_or_end(self, max_packets: int = 1) -> MQTTErrorCode:
        """Read what came; end the connection on what no broker may send, or aiomqtt loops on it."""
        code, inner = MQTTErrorCode.MQTT_ERR_PROTOCOL, self._client
        with suppress(Exception):  # whatever a packet of another's makes of paho
            code = self._read(max_packets)
            if inner._in_packet["remaining_length"] > MOST_PACKET_BYTES:
                code = MQTTErrorCode.MQTT_ERR_PROTOCOL
        return inner._loop_rc_handle(code) if inner.socket() is not None else code

    async def publish_all(self, messages: Iterable[tuple[str, str]], timeout_s: float) -> None:
        """Publish in order, QoS 1, some on the way at once; return when all are acknowledged.

        A task for each message, as aiomqtt's own `publish` needs, is twice the work.

        Raises
        ------
        aiomqtt.MqttError
            The connection is lost, or nothing was acknowledged for so long.
        """
        self._due.clear()  # of a call that was given up
        for where, text in messages:
            while len(self._due) >= self.in_flight:
                await self._acknowledged(timeout_s)
            told = self._client.publish(where, text, 1)
            if told.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise aiomqtt.MqttCodeError(told.rc, "Could not publish message")
            self._due.add(told.mid)  # its answer is read by the loop, not before
        while self._due:
            await self._acknowledged(timeout_s)

    async def _acknowledged(self, timeout_s: float) -> None:
        self._came.clear()
        try:
            await asyncio.wait_for(self._came.wait(), timeout_s)
        except TimeoutError:
            raise aiomqtt.MqttError("Operation timed out") from None
        if self._disconnected.done():
            raise self._disconnected.exception() or aiomqtt.MqttError("Disconnected")

    def _on_connect(self, *arguments: Any, **named: Any) -> None:  # noqa: ANN401 - paho's own
        # MQTT 5 §3.2.2.3.3: more unacknowledged messages than that are a protocol error.
        most = getattr(arguments[4] if len(arguments) > 4 else None, "ReceiveMaximum", IN_FLIGHT)
        self.in_flight = min(IN_FLIGHT, int(most))
        super()._on_connect(*arguments, **named)

    def _on_disconnect(self, *arguments: Any, **named: Any) -> None:  # noqa: ANN401 - paho's own
        reason = arguments[3] if len(arguments) > 3 else None
        self.is_taken_over |= getattr(reason, "value", None) == TAKEN_OVER
        super()._on_disconnect(*arguments, **named)
        self._came.set()  # nothing more will be acknowledged

    def _on_publish(self, *arguments: Any) -> None:  # noqa: ANN401 - paho's own signature
        _, _, ident, reason, *_ = arguments
        if reason.is_failure:
            self.refusal = str(reason)
        if ident in self._due:
            self._due.discard(ident)
            self._came.set()
        else:
            super()._on_publish(*arguments)


class Heard(NamedTuple):
    """A message that somebody published.

    Attributes
    ----------
    topic : str
        Below the site.
    data : bytes or str
    is_retained : bool
        It was there before the subscription.
    """

    topic: str
    data: bytes | str
    is_retained: bool


class Broker:
    """The broker of the settings, as a `courier.Sink`.

    Parameters
    ----------
    config : Config
    say : callable, optional
        Told a fault in hearing commands.

    Attributes
    ----------
    on_command : callable
        Told what the broker brings, where the settings allow commands.
    """

    def __init__(self, config: Config, say: Callable[[str], None] | None = None) -> None:
        self._say = say
        self.on_command: Callable[[dict[str, Any]], None] = _ignore
        self._config = config
        self._base = base(config.word("site"), config.word("bay"))
        self._timeout_s = config.number("mqtt.timeout_s")
        self._client: _Client | None = None
        self._seen_s = self._settled_s = float("-inf")
        self._rivals = Rivals(time.monotonic)
        self._listening: asyncio.Task[None] | None = None
        self._commands = CommandReader()
        self._live: set[asyncio.Task[None]] = set()
        self._roster: dict[str, Any] | None = None  # as it was told last

    @asynccontextmanager
    async def listening(
        self, name: str, topics: Iterable[str]
    ) -> AsyncIterator[AsyncIterator[Heard]]:
        """Give what comes under topics below the site, while the connection lasts.

        A connection of its own, which says nothing and keeps nothing at the broker.

        Parameters
        ----------
        name : str
            Under which the broker knows it: each listener's own.
        topics : iterable of str
            As ``+/state``.

        Raises
        ------
        SinkUnavailable
            There is no connection, or it is lost.
        """
        site = f"{base(self._config.word('site'), '')}"
        client = self._made(f"plantigrade-{name}", None, MOST_WAITING)
        try:
            async with client:
                client.pending_calls_threshold = 10 * IN_FLIGHT
                for each in topics:
                    await client.subscribe(site + each, qos=0, timeout=self._timeout_s)
                yield self._heard(client, len(site))
        except aiomqtt.MqttError as error:
            raise self._away(error) from None

    @staticmethod
    async def _heard(client: _Client, cut: int) -> AsyncIterator[Heard]:
        async for message in client.messages:
            yield Heard(str(message.topic)[cut:], _bytes(message.payload), message.retain)

    async def take_back(self, bay: str) -> None:
        """Take away what the broker keeps of a bay's last words, so that no roster shows it.

        Raises
        ------
        SinkUnavailable, ItemRejected
        """
        place = base(self._config.word("site"), bay)
        client = self._made(f"plantigrade-forgets-{bay}", None)
        try:
            async with client:
                for kind in (TOPIC, "state"):
                    await client.publish(
                        f"{place}/{kind}", "", qos=1, retain=True, timeout=self._timeout_s
                    )
        except aiomqtt.MqttError as error:
            raise self._away(error) from None
        self._answered(client)

    async def open(self) -> None:
        """Connect, say that the bay is there, and listen for commands.

        Raises
        ------
        SinkUnavailable
        """
        if self._client is not None:
            return
        client = self._made(
            f"plantigrade-{self._config.word('site')}-{self._config.word('bay')}",
            aiomqtt.Will(self._base + "/state", state("away", None), 1, True),
        )
        try:
            await client.__aenter__()
        except aiomqtt.MqttError as error:
            self._rivals.refused()
            raise self._away(error) from None
        client.pending_calls_threshold = 10 * IN_FLIGHT  # more at once is what is meant here
        self._client = client
        self._rivals.opened()
        await self._say_state("online")
        if self._config.flag("mqtt.commands"):
            try:
                await client.subscribe(self._base + "/command", qos=1, timeout=self._timeout_s)
            except aiomqtt.MqttError as error:
                raise self._away(error) from None
            commands = kept_up(
                lambda: self._listen(client), self._text("hearing its commands"), self._say
            )
            self._listening = asyncio.create_task(commands, name="commands")

    async def close(self) -> None:
        """Say that the bay stops, and disconnect."""
        client = self._client
        if client is None:
            return
        await self._leave_roster(client)
        with suppress(SinkUnavailable):
            await self._say_state("stopped")
        self._client = None
        if self._listening is not None:
            self._listening.cancel()
        with suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)

    async def _leave_roster(self, client: _Client) -> None:
        """Leave a last word that is of nobody, after what was to be shown before.

        Consent may end while no gateway is there to heed it.
        """
        last, self._roster = self._roster, None
        if last is not None:
            await asyncio.gather(*self._live, return_exceptions=True)
            await self._show(client, TOPIC, live(of_nobody(last)), None)

    async def restarted(self) -> bool | None:
        """Return False when the broker was seen on this connection just now, None otherwise.

        It is seen by what it acknowledges, too: while a long outage is made good nothing else
        tells of it.
        """
        now_s = time.monotonic()
        if now_s - self._seen_s >= LOOK_EVERY_S:
            await self._say_state("online")
        elif now_s - self._seen_s > _JUST_NOW_S or now_s - self._settled_s < SETTLE_EVERY_S:
            return None
        self._settled_s = time.monotonic()
        return False

    async def send(self, items: list[Item]) -> None:
        """Publish items; raises `SinkUnavailable` or `ItemRejected`."""
        try:
            made = [(f"{self._base}/{topic(item)}", payload(item)) for item in items]
        except (TypeError, ValueError, KeyError) as error:
            raise ItemRejected(f"cannot be written as JSON ({error!r})") from None
        client = self._connected()
        try:
            await client.publish_all(made, self._timeout_s)
        except aiomqtt.MqttError as error:
            raise self._away(error) from None
        self._answered(client)

    async def is_accepting(self) -> bool:
        """Return whether the broker takes the bay's state; raises `SinkUnavailable`."""
        try:
            await self._say_state("online")
        except ItemRejected:
            return False
        return True

    def show(self, message: dict[str, Any]) -> None:
        """Publish a live summary or the bay's status, where there is a connection.

        It is never waited for.
        """
        client, kind = self._client, message["type"]
        if client is None or kind not in ("live", TOPIC):
            return
        properties = None
        if kind == TOPIC:
            self._roster = message
            if of_nobody(message) != message:
                properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
                properties.MessageExpiryInterval = ROSTER_KEPT_S
        task = asyncio.ensure_future(self._show(client, kind, live(message), properties))
        self._live.add(task)
        task.add_done_callback(self._live.discard)

    async def _show(
        self, client: _Client, kind: str, text: str, properties: Properties | None
    ) -> None:
        where, is_kept = f"{self._base}/{kind}", kind == TOPIC
        with suppress(aiomqtt.MqttError):
            await client.publish(where, text, 0, is_kept, properties, timeout=1.0)

    async def _say_state(self, word: str) -> None:
        now_ms = time.time_ns() // 1_000_000
        client = self._connected()
        try:
            await client.publish(
                f"{self._base}/state",
                state(word, now_ms),
                qos=1,
                retain=True,
                timeout=self._timeout_s,
            )
        except aiomqtt.MqttError as error:
            raise self._away(error) from None
        self._answered(client)

    def _connected(self) -> _Client:
        if self._client is None:
            raise SinkUnavailable(self._text("is not connected"))
        return self._client

    def _answered(self, client: _Client) -> None:
        """Note that the broker has acknowledged what was sent; raises where it refused some."""
        refusal, client.refusal = client.refusal, None
        if refusal is not None:
            if refusal == "Not authorized":
                raise SinkUnavailable(
                    self._text(f"does not let this bay publish below {self._base}/")
                )
            raise ItemRejected(refusal)
        self._seen_s = time.monotonic()

    async def _listen(self, client: _Client) -> None:
        with suppress(aiomqtt.MqttError):
            async for message in client.messages:
                if message.retain:
                    continue  # a command of long ago
                if (found := self._commands.take(_bytes(message.payload))) is not None:
                    self.on_command(found)

    def _made(self, identifier: str, will: aiomqtt.Will | None, most_waiting: int = 100) -> _Client:
        config = self._config
        large = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        large.MaximumPacketSize = MOST_PACKET_BYTES
        tls = config.flag("mqtt.tls")
        port = config.values["mqtt.port"]
        return _Client(
            config.word("mqtt.host"),
            int(port) if isinstance(port, int) else 8883 if tls else 1883,
            username=config.text("mqtt.user"),
            password=config.text("mqtt.password"),
            identifier=identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            will=will,
            properties=large,
            timeout=self._timeout_s,
            keepalive=KEEPALIVE_S,
            max_inflight_messages=IN_FLIGHT,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],  # else 40 ms a piece
            max_queued_incoming_messages=most_waiting,
            tls_context=_trust(config.text("mqtt.ca_file")) if tls else None,
            logger=_quiet,
        )

    def _taken(self, wait_s: float, *, is_told: bool) -> SinkUnavailable:
        it = f"bay {self._config.word('bay')} of site {self._config.word('site')}"
        rival = (
            f"another gateway is {it} too, and has taken this one's place"
            if is_told
            else f"breaks each connection soon; is another gateway {it} too? If so"
        )
        return SinkUnavailable(
            self._text(f"{rival}: give each its own name (bay in the settings)"), wait_s
        )

    def _away(self, error: aiomqtt.MqttError) -> SinkUnavailable:
        said = str(error)
        if isinstance(error, aiomqtt.exceptions.MqttConnectError):
            if error.rc in (4, 5, 134, 135):  # MQTT 3 §3.2.2.3 and MQTT 5 §3.2.2.2
                what = "does not accept name and password: check mqtt.user and mqtt.password_file"
            else:
                what = f"refuses the connection ({said})"
        elif "certificate verify failed" in said:
            why = said.partition("certificate verify failed:")[2].partition("(_ssl")[0].strip()
            what = untrusted(why, "mqtt.host", "mqtt.ca_file")
        elif "SSL" in said or "EOF occurred" in said:
            what = "does not speak TLS there: check mqtt.port and mqtt.tls"
        elif "refused" in said and "Errno" in said:
            what = "cannot be reached (Connection refused): is it running, is mqtt.host right?"
        elif "not known" in said or "resolution" in said:
            what = "no such host: check mqtt.host"
        elif "timed out" in said:
            what = f"does not answer within {self._timeout_s:g} s"
        elif (client := self._client) is not None and (
            wait_s := self._rivals.broke(is_told=client.is_taken_over)
        ):
            return self._taken(wait_s, is_told=client.is_taken_over)
        else:
            what = f"broke the connection ({said.splitlines()[0][:100] if said else 'no reason'})"
        return SinkUnavailable(self._text(what))

    def _text(self, what: str) -> str:
        return self._config.masked(f"message broker {self._config.word('mqtt.host')}: {what}")


def _trust(ca_file: str | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca_file)
    except OSError as error:
        raise InputError(
            f"mqtt.ca_file {ca_file}: cannot be used ({error.strerror or error})"
        ) from error


def _bytes(data: object) -> bytes | str:
    if isinstance(data, bytearray):
        return bytes(data)
    return data if isinstance(data, bytes | str) else b""


def sink(config: Config, say: Callable[[str], None]) -> Broker:
    """Return the broker as the forwarding process sends to it."""
    return Broker(config, say)


def _ignore(_: dict[str, Any]) -> None:
    pass
