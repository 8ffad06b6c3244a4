"""A message broker within the test: it speaks so much of MQTT 5 as a bay does, and notes all.

Packets are read and made here as the standard has them (OASIS MQTT 5.0, section 2 and 3), without
any library that the gateway uses.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple


class Kind(IntEnum):
    """Of a packet (section 2.1.2)."""

    CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
    PINGREQ, PINGRESP, DISCONNECT = 12, 13, 14


_RECEIVE_MAXIMUM, _MAXIMUM_PACKET_SIZE = 0x21, 0x27
_EXPIRY = 0x02  # of a message, section 3.3.2.3.3
_LENGTHS = {0x11: 4, 0x21: 2, 0x22: 2, 0x27: 4, 0x17: 1, 0x19: 1}
"""Bytes of the values of a client's properties (section 3.1.2.11)."""


class Said(NamedTuple):
    """A message of a client's."""

    topic: str
    text: str
    qos: int
    is_retained: bool


@dataclass
class Joined:
    """What a client said of itself when it came (section 3.1)."""

    name: str
    keep_alive_s: int
    is_clean: bool
    most_bytes: int | None
    will: Said | None
    user: str | None
    password: str | None


@dataclass
class FakeBroker:
    """Lets clients in, takes what they publish and acknowledges it.

    Attributes
    ----------
    refuses : int
        The reason code with which it lets nobody in; 0: lets in.
    takes : int or None
        Its Receive Maximum.
    puts_off : bool
        Acknowledges nothing, until `acknowledge`.
    reason : int
        With which it acknowledges.
    joined, said, asked : list
        Who came; what was published; which topics were asked for, with their QoS.
    expires : list
        Topics of messages that are kept for so many seconds alone, and how many.
    log : list of str
        What happened, in order.
    """

    refuses: int = 0
    takes: int | None = None
    puts_off: bool = False
    reason: int = 0
    port: int = 0
    joined: list[Joined] = field(default_factory=list)
    said: list[Said] = field(default_factory=list)
    expires: list[tuple[str, int]] = field(default_factory=list)
    asked: list[tuple[str, int]] = field(default_factory=list)
    log: list[str] = field(default_factory=list)
    due: list[bytes] = field(default_factory=list)
    writers: list[asyncio.StreamWriter] = field(default_factory=list)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Hear one client to its end."""
        self.writers.append(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                first, body = await _packet(reader)
                self._take(first, body, writer)
                if first >> 4 == Kind.DISCONNECT:
                    break
        self.log.append("gone")
        writer.close()

    def _take(self, first: int, body: bytes, writer: asyncio.StreamWriter) -> None:
        match first >> 4:
            case Kind.CONNECT:
                self.joined.append(_joined(body))
                self.log.append(f"came {self.joined[-1].name}")
                most = (
                    b""
                    if self.takes is None
                    else bytes([_RECEIVE_MAXIMUM]) + self.takes.to_bytes(2, "big")
                )
                told = bytes([0, self.refuses, len(most)]) + most
                writer.write(bytes([Kind.CONNACK << 4, len(told)]) + told)
                if self.refuses:
                    writer.close()
            case Kind.PUBLISH:
                self._publish(first, body, writer)
            case Kind.SUBSCRIBE:
                rest = _Rest(body)
                ident = rest.take(2)
                rest.take(rest.length())
                topic, options = rest.text(), rest.take(1)[0]
                self.asked.append((topic, options & 3))
                told = ident + b"\x00" + bytes([options & 3])
                writer.write(bytes([Kind.SUBACK << 4, len(told)]) + told)
            case Kind.PINGREQ:
                writer.write(bytes([Kind.PINGRESP << 4, 0]))
            case Kind.DISCONNECT:
                self.log.append("bye")

    def _publish(self, first: int, body: bytes, writer: asyncio.StreamWriter) -> None:
        rest = _Rest(body)
        topic, qos = rest.text(), first >> 1 & 3
        ident = rest.take(2) if qos else b""
        properties = rest.take(rest.length())
        if properties[:1] == bytes([_EXPIRY]):
            self.expires.append((topic, int.from_bytes(properties[1:5], "big")))
        self.said.append(Said(topic, rest.left().decode(), qos, bool(first & 1)))
        self.log.append(topic)
        if qos:
            told = ident + bytes([self.reason])
            packet = bytes([Kind.PUBACK << 4, len(told)]) + told
            if self.puts_off:
                self.due.append(packet)
            else:
                writer.write(packet)

    def acknowledge(self, many: int) -> None:
        """Acknowledge the first of what was put off, to the last who came."""
        now, self.due = self.due[:many], self.due[many:]
        self.writers[-1].write(b"".join(now))

    def bring(self, topic: str, data: bytes, is_retained: bool = False) -> None:
        """Send a message to the last who came (section 3.3), QoS 0."""
        name = topic.encode()
        body = len(name).to_bytes(2, "big") + name + b"\x00" + data
        assert len(body) < 128
        self.writers[-1].write(bytes([Kind.PUBLISH << 4 | is_retained, len(body)]) + body)

    def end(self, reason: int | None = None) -> None:
        """End the last connection; with a reason, by DISCONNECT (section 3.14)."""
        if reason is not None:
            self.writers[-1].write(bytes([Kind.DISCONNECT << 4, 2, reason, 0]))
        self.writers[-1].close()

    def of(self, topic: str) -> list[str]:
        """Return what was published to a topic."""
        return [each.text for each in self.said if each.topic == topic]


class _Rest:
    """What is left of a packet."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def take(self, n: int) -> bytes:
        self._at += n
        assert self._at <= len(self._data)
        return self._data[self._at - n : self._at]

    def length(self) -> int:
        """A variable byte integer (section 1.5.5)."""
        found, shift = 0, 0
        while True:
            byte = self.take(1)[0]
            found |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return found

    def binary(self) -> bytes:
        return self.take(int.from_bytes(self.take(2), "big"))

    def text(self) -> str:
        return self.binary().decode()

    def left(self) -> bytes:
        return self.take(len(self._data) - self._at)


def _joined(body: bytes) -> Joined:
    rest = _Rest(body)
    assert (rest.text(), rest.take(1)) == ("MQTT", b"\x05")
    flags = rest.take(1)[0]
    keep_alive_s = int.from_bytes(rest.take(2), "big")
    most_bytes = None
    properties = _Rest(rest.take(rest.length()))
    while kind := properties._data[properties._at : properties._at + 1]:
        properties.take(1)
        value = int.from_bytes(properties.take(_LENGTHS[kind[0]]), "big")
        most_bytes = value if kind[0] == _MAXIMUM_PACKET_SIZE else most_bytes
    name, will = rest.text(), None
    if flags & 4:
        rest.take(rest.length())
        topic = rest.text()
        will = Said(topic, rest.text(), flags >> 3 & 3, bool(flags & 32))
    user = rest.text() if flags & 128 else None
    password = rest.text() if flags & 64 else None
    return Joined(name, keep_alive_s, bool(flags & 2), most_bytes, will, user, password)


async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    first = (await reader.readexactly(1))[0]
    length, shift = 0, 0
    while True:
        byte = (await reader.readexactly(1))[0]
        length |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            return first, await reader.readexactly(length)


@contextlib.asynccontextmanager
async def fake_broker() -> AsyncIterator[FakeBroker]:
    """Give one that listens."""
    made = FakeBroker()
    server = await asyncio.start_server(made.serve, "127.0.0.1", 0)
    made.port = server.sockets[0].getsockname()[1]
    try:
        yield made
    finally:
        server.close()
        for writer in made.writers:
            writer.close()
        await server.wait_closed()
