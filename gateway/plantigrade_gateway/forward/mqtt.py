"""The message broker: one connection, its will, what is published, what is obeyed.

By aiomqtt (today's name of asyncio-mqtt), MQTT 5, QoS 1. It does not connect again by itself: any
drop is `Away`, and the courier begins anew with what the broker may have lost.
"""

import asyncio
import logging
import socket
import ssl
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import aiomqtt

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import payloads
from plantigrade_gateway.forward.courier import Away, Refused
from plantigrade_gateway.store.enqueue import Item

LOOK_EVERY_S = 10.0
"""How often the bay says that it is there; an answer shows that the broker is, too."""
SETTLE_EVERY_S = 1.0
"""How often, at most, what is acknowledged shows that it is there (ours)."""
_JUST_NOW_S = 0.5  # little against the time that acknowledged rows are held
KEEPALIVE_S = 10
IN_FLIGHT = 20
"""Messages on the way at once: as many as mosquitto takes of a client unless told otherwise."""
_REMEMBERED = 200  # commands, so that one that comes twice is obeyed once
_log = logging.getLogger(__name__)
_quiet = logging.getLogger("mqtt")


class _Client(aiomqtt.Client):
    """Keeps the reason with which the broker refused a message; aiomqtt leaves it out.

    A broker that does not let a client publish acknowledges all the same, with a reason code.
    """

    refusal: str | None = None

    def _on_publish(self, *arguments: Any) -> None:  # noqa: ANN401 - paho's own signature
        reason = arguments[3]
        if reason.is_failure:
            self.refusal = str(reason)
        super()._on_publish(*arguments)


class Broker:
    """The broker of the settings, as a `courier.Sink`.

    Parameters
    ----------
    config : Config

    Attributes
    ----------
    on_command : callable
        Told what the broker brings, where the settings allow commands.
    """

    def __init__(self, config: Config) -> None:
        self.on_command: Callable[[dict[str, Any]], None] = _ignore
        self._config = config
        self._base = payloads.base(config.word("site"), config.word("bay"))
        self._timeout_s = config.number("mqtt.timeout_s")
        self._client: _Client | None = None
        self._seen_s = self._settled_s = float("-inf")
        self._listening: asyncio.Task[None] | None = None
        self._obeyed: deque[str] = deque(maxlen=_REMEMBERED)
        self._live: set[asyncio.Task[None]] = set()

    async def open(self) -> None:
        """Connect, say that the bay is there, and listen for commands.

        Raises
        ------
        Away
        """
        if self._client is not None:
            return
        client = self._made()
        try:
            await client.__aenter__()
        except aiomqtt.MqttError as error:
            raise self._away(error) from None
        client.pending_calls_threshold = 10 * IN_FLIGHT  # more at once is what is meant here
        self._client = client
        await self._say_state("online")
        if self._config.flag("mqtt.commands"):
            try:
                await client.subscribe(self._base + "/command", qos=1, timeout=self._timeout_s)
            except aiomqtt.MqttError as error:
                raise self._away(error) from None
            self._listening = asyncio.create_task(self._listen(client))

    async def close(self) -> None:
        """Say that the bay stops, and disconnect."""
        client = self._client
        if client is None:
            return
        with suppress(Away):
            await self._say_state("stopped")
        self._client = None
        if self._listening is not None:
            self._listening.cancel()
        with suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)

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
        """Publish items; raises `Away` or `Refused`."""
        try:
            made = [(payloads.topic(item), payloads.payload(item)) for item in items]
        except (TypeError, ValueError, KeyError) as error:
            raise Refused(f"cannot be written as JSON ({error!r})") from None
        waiting = [asyncio.ensure_future(self._publish(*one)) for one in made]
        try:
            await asyncio.gather(*waiting)
        finally:
            for one in waiting:
                one.cancel()
            await asyncio.gather(*waiting, return_exceptions=True)

    async def takes_anything(self) -> bool:
        """Return whether the broker takes the bay's state; raises `Away`."""
        try:
            await self._say_state("online")
        except Refused:
            return False
        return True

    def show(self, message: dict[str, Any]) -> None:
        """Publish a live summary, where there is a connection; it is never waited for."""
        client = self._client
        if client is None or message["type"] != "live":
            return
        task = asyncio.ensure_future(self._show(client, payloads.live(message)))
        self._live.add(task)
        task.add_done_callback(self._live.discard)

    async def _show(self, client: _Client, text: str) -> None:
        with suppress(aiomqtt.MqttError):
            await client.publish(self._base + "/live", text, qos=0, timeout=1.0)

    async def _say_state(self, word: str) -> None:
        now_ms = time.time_ns() // 1_000_000
        await self._publish("state", payloads.state(word, now_ms), retain=True)

    async def _publish(self, topic: str, text: str, retain: bool = False) -> None:
        client = self._client
        if client is None:
            raise Away(self._text("is not connected"))
        try:
            await client.publish(
                f"{self._base}/{topic}", text, qos=1, retain=retain, timeout=self._timeout_s
            )
        except aiomqtt.MqttError as error:
            raise self._away(error) from None
        refusal, client.refusal = client.refusal, None
        if refusal is not None:
            if refusal == "Not authorized":
                raise Away(self._text(f"does not let this bay publish below {self._base}/"))
            raise Refused(refusal)
        self._seen_s = time.monotonic()

    async def _listen(self, client: _Client) -> None:
        with suppress(aiomqtt.MqttError):
            async for message in client.messages:
                if message.retain:
                    continue  # an order of long ago
                try:
                    found = payloads.command(_bytes(message.payload))
                except ValueError as error:
                    _log.warning("%s", str(error))
                    continue
                if found["id"] not in self._obeyed:
                    self._obeyed.append(found["id"])
                    self.on_command({k: v for k, v in found.items() if k != "id"})

    def _made(self) -> _Client:
        config = self._config
        tls = config.flag("mqtt.tls")
        port = config.values["mqtt.port"]
        return _Client(
            config.word("mqtt.host"),
            int(port) if isinstance(port, int) else 8883 if tls else 1883,
            username=config.text("mqtt.user"),
            password=config.text("mqtt.password"),
            identifier=f"plantigrade-{config.word('site')}-{config.word('bay')}",
            protocol=aiomqtt.ProtocolVersion.V5,
            will=aiomqtt.Will(self._base + "/state", payloads.state("away", None), 1, True),
            timeout=self._timeout_s,
            keepalive=KEEPALIVE_S,
            max_inflight_messages=IN_FLIGHT,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],  # else 40 ms a piece
            max_queued_incoming_messages=100,
            tls_context=_trust(config.text("mqtt.ca_file")) if tls else None,
            logger=_quiet,
        )

    def _away(self, error: aiomqtt.MqttError) -> Away:
        said = str(error)
        if isinstance(error, aiomqtt.exceptions.MqttConnectError):
            if error.rc in (4, 5, 134, 135):  # MQTT 3 §3.2.2.3 and MQTT 5 §3.2.2.2
                what = "does not accept name and password: check mqtt.user and mqtt.password_file"
            else:
                what = f"refuses the connection ({said})"
        elif "certificate verify failed" in said:
            why = said.partition("certificate verify failed:")[2].partition("(_ssl")[0].strip()
            what = f"its certificate is not trusted ({why or 'not verified'}): set mqtt.ca_file"
        elif "SSL" in said or "EOF occurred" in said:
            what = "does not speak TLS there: check mqtt.port and mqtt.tls"
        elif "refused" in said and "Errno" in said:
            what = "cannot be reached (Connection refused): is it running, is mqtt.host right?"
        elif "not known" in said or "resolution" in said:
            what = "no such host: check mqtt.host"
        elif "timed out" in said:
            what = f"does not answer within {self._timeout_s:g} s"
        else:
            what = f"broke the connection ({said.splitlines()[0][:100] if said else 'no reason'})"
        return Away(self._text(what))

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
    return (
        data
        if isinstance(data, bytes | str)
        else bytes(data)
        if isinstance(data, bytearray)
        else b""
    )


def _ignore(_: dict[str, Any]) -> None:
    pass
