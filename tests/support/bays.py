"""Invented bays that say to a real broker what real ones say; a process of its own.

``python -m tests.support.bays 200 --port 1883`` plays 200 bays until it is ended: each has a
connection with its will, status once a second, events as they are decided, live summaries ten times
a second. The messages are made by the program's own code from a minute of the invented practice
session, which every bay begins at another place and repeats under ids of its own; it prints a line
of JSON when all are there, and one when it ends (SIGTERM: they stop; kill: the wills are carried
out).
"""

import argparse
import asyncio
import hashlib
import itertools
import json
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from plantigrade.events import Event
from plantigrade_gateway.forward import mqtt, payloads
from plantigrade_gateway.forward.launch import LiveSummary
from plantigrade_gateway.forward.roster import PairSoFar, Teller
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sinks import MQTT
from plantigrade_gateway.sound.output import open_sound
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.enqueue import Item
from plantigrade_gateway.store.forwardstate import ForwardState, SinkState
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.status import FootStatus, ServiceStatus
from plantigrade_gateway.store.store import Store

FROM_S, SECONDS = 170.0, 60.0
"""Of the practice session: it swings there."""
HZ = 10.0
KEEPALIVE_S = 60
SOURCE = "practice (invented)"


class Kept:
    """Takes messages in place of a forwarder."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []

    def tell(self, message: dict[str, Any]) -> None:
        self.got.append(message)


@dataclass(frozen=True)
class Practice:
    """What a bay says in a stretch of practice, by the time within it, s."""

    live: list[tuple[float, dict[str, Any]]]
    items: list[tuple[float, Item]]
    events: list[tuple[float, Event]]
    rate_hz: float

    @classmethod
    def made(cls, from_s: float = FROM_S, seconds: float = SECONDS) -> "Practice":
        """Record and analyse the stretch as a gateway does, and keep what it would send."""
        entries = [entry for batch in read_replay(demo_file()) for entry in batch]
        start_ns = entries[0].arrival_ns + round(1e9 * from_s)
        early = [e for e in entries if e.arrival_ns < start_ns]
        rest = [e for e in entries if 0 <= e.arrival_ns - start_ns < 1e9 * seconds]
        kept = Kept()
        summary = LiveSummary(kept, HZ)
        live: list[tuple[float, dict[str, Any]]] = []
        events: list[tuple[float, Event]] = []
        with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "s") as store:
            outbox = Outbox(store.database)
            outbox.configure([MQTT])
            session = LiveSession(store, SOURCE, open_sound("none"), print)
            session.push(Batch.of(early))
            for piece in _pieces(rest, start_ns):
                moment = session.push(Batch.of(piece))
                at_s = (piece[-1].arrival_ns - start_ns) / 1e9
                settings = session.analysis.pipeline.settings
                summary.show(moment.output.net, settings, session.session_id)
                live += [(at_s, message) for message in kept.got]
                kept.got.clear()
                events += [(at_s, event) for event in moment.output.events]
            rate_hz = session.analysis.pipeline.rate_hz
            session.close()
            (one,) = store.sessions()
            first_ms = 1e3 * (one.started.timestamp() + from_s)
            items = [item for item in outbox.waiting(MQTT, 0, 1_000_000) if item.kind != "session"]
        assert rate_hz is not None and items and live
        timed = [((item.time_ms - first_ms) / 1e3, item) for item in items]
        timed.sort(key=lambda one: one[0])
        return cls(live, [one for one in timed if 0 <= one[0] < seconds], events, rate_hz)


def _pieces(entries: list[Any], start_ns: int) -> Iterator[list[Any]]:
    """Give entries as they come of a link: by fiftieths of a second."""
    for _, group in itertools.groupby(entries, lambda e: (e.arrival_ns - start_ns) // 20_000_000):
        yield list(group)


class Link:
    """A bay's connection, MQTT 5 by its paragraphs: packets alone, in one process for hundreds.

    The program's own client costs half a millisecond a message: too much for two hundred bays.

    Parameters
    ----------
    port : int
    base : str
        What the bay's topics begin with.
    """

    def __init__(self, port: int, base: str) -> None:
        self._port, self._base = port, base
        self._number = 0

    async def open(self) -> None:
        """Connect with the bay's will."""
        self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self._port)
        will = _sized((self._base + "/state").encode()) + _sized(
            payloads.state("away", None).encode()
        )
        flags = 0x02 | 0x04 | 0x08 | 0x20  # clean start; a will, QoS 1, retained: §3.1.2.3
        head = _sized(b"MQTT") + bytes([5, flags]) + KEEPALIVE_S.to_bytes(2) + b"\0"
        self._write(0x10, head + _sized(self._base.encode()) + b"\0" + will)
        answer = await self._reader.readexactly(2)
        rest = await self._reader.readexactly(answer[1])
        assert answer[0] == 0x20 and rest[1] == 0, rest  # accepted: §3.2.2.2
        self._draining = asyncio.create_task(self._drain())

    def publish(self, topic: str, text: str, qos: int = 0, retain: bool = False) -> None:
        """Publish below the bay's topics; acknowledgements are read and not looked at."""
        self._number = self._number % 0xFFFF + 1
        number = self._number.to_bytes(2) if qos else b""
        head = _sized(f"{self._base}/{topic}".encode()) + number + b"\0"
        self._write(0x30 | qos << 1 | retain, head + text.encode())

    async def close(self) -> None:
        """Say that this is meant: there is no will then."""
        self._write(0xE0, b"")
        self._writer.close()
        await self._draining

    async def _drain(self) -> None:
        with suppress(OSError):
            while await self._reader.read(4096):
                pass

    def _write(self, kind: int, body: bytes) -> None:
        length, left = b"", len(body)
        while True:  # §1.5.5
            left, digit = left >> 7, left & 0x7F
            length += bytes([digit | (0x80 if left else 0)])
            if not left:
                break
        self._writer.write(bytes([kind]) + length + body)


def _sized(data: bytes) -> bytes:
    return len(data).to_bytes(2) + data


class PlayedBay:
    """One bay.

    Parameters
    ----------
    number : int
    port : int
    site : str
    practice : Practice
    is_probe : bool
        Counts a swing every second, so that its row tells when it was made.
    player : str, optional
        Who is on; else an id of its own.
    """

    def __init__(
        self,
        number: int,
        port: int,
        site: str,
        practice: Practice,
        is_probe: bool,
        player: str | None = None,
    ) -> None:
        self.name = f"b{number}"
        self.late_ms: list[float] = []
        self.sent = {"live": 0, "events": 0, "roster": 0}
        self.told: list[tuple[str, int, float]] = []
        self._practice = practice
        self._is_probe = is_probe
        self._shift_s = (number * 7.3) % SECONDS
        self._session = hashlib.sha256(f"{site}/{number}/session".encode()).hexdigest()[:32]
        other = hashlib.sha256(f"{site}/{number}/player".encode()).hexdigest()[:32]
        self._player = player or other
        self._link = Link(port, payloads.base(site, self.name))
        self._kept = Kept()
        self._so_far = PairSoFar(Teller(self._kept), SOURCE)
        self._swings = 0

    async def open(self) -> None:
        await self._link.open()
        self._say_state("online")

    async def run(self, stop: asyncio.Event) -> None:
        """Say everything at its time until told to stop."""
        works = (self._live(), self._events(), self._status(), self._state())
        tasks = [asyncio.create_task(work) for work in works]
        ending = asyncio.create_task(stop.wait())
        await asyncio.wait([*tasks, ending], return_when=asyncio.FIRST_COMPLETED)
        ending.cancel()
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
        for task in tasks:
            if not task.cancelled():
                task.result()
        self._say_state("stopped")
        await self._link.close()

    def _say_state(self, word: str) -> None:
        text = payloads.state(word, time.time_ns() // 1_000_000)
        self._link.publish("state", text, qos=1, retain=True)

    async def _state(self) -> None:
        while True:
            await asyncio.sleep(mqtt.LOOK_EVERY_S)
            self._say_state("online")

    async def _live(self) -> None:
        async for _, message in self._timed(self._practice.live):
            self._link.publish("live", payloads.live({**message, "session": self._session}))
            self.sent["live"] += 1

    async def _events(self) -> None:
        async for turn, item in self._timed(self._practice.items):
            ident = hashlib.sha256(f"{self.name}/{turn}/{item.point_id}".encode()).hexdigest()[:32]
            mine = replace(
                item,
                point_id=ident,
                session=self._session,
                player=self._player,
                time_ms=time.time_ns() // 1_000_000,
            )
            self._link.publish(payloads.topic(mine), payloads.payload(mine), qos=1)
            self.sent["events"] += 1

    async def _status(self) -> None:
        swings = [event for event in self._practice.events if type(event[1]).__name__ == "Swing"]
        heard = asyncio.create_task(self._swing(swings))
        try:
            due_s = time.monotonic() + self._shift_s % 1.0
            while True:
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                due_s += 1.0
                if self._is_probe:
                    self._so_far.take([swings[0][1]], self._practice.rate_hz)
                    self._swings += 1
                self._so_far.tell(_status(self._session), self._player, _forward())
                (message,) = self._kept.got
                self._kept.got.clear()
                if self._is_probe:
                    self.told.append((self.name, self._swings, time.time()))
                self._link.publish("roster", payloads.live(message), retain=True)
                self.sent["roster"] += 1
        finally:
            heard.cancel()

    async def _swing(self, swings: list[tuple[float, Event]]) -> None:
        if self._is_probe:
            return
        async for _, event in self._timed(swings):
            self._so_far.take([event], self._practice.rate_hz)

    async def _timed(self, what: list[tuple[float, Any]]) -> Any:
        """Give things when they are due, again and again, from this bay's place on."""
        began_s = time.monotonic() - self._shift_s
        for turn in itertools.count():
            for at_s, one in what:
                if turn == 0 and at_s < self._shift_s:
                    continue
                due_s = began_s + turn * SECONDS + at_s
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                self.late_ms.append(1e3 * (time.monotonic() - due_s))
                yield turn, one


def _status(session: str) -> ServiceStatus:
    """Return links as they are at a bay that is well, battery and loss invented."""
    feet = {
        foot: FootStatus(foot, "streaming", 80, -60, 1, 100_000, 120, 0, 0.02, 3.2, 0.002, True)
        for foot in ("left", "right")
    }
    return ServiceStatus(datetime.now(UTC), True, session, feet, None)


def _forward() -> ForwardState:
    one = SinkState("mqtt", True, None, 20, 20, 0.1, 9000, 0, 0, 0, 1.0)
    return ForwardState(datetime.now(UTC), (one, replace(one, sink="tsdb", oldest_s=2.4)))


async def play(bays: list[PlayedBay]) -> None:
    """Play bays until told to end."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    for bay in bays:
        await bay.open()
    print(json.dumps({"ready": len(bays)}), flush=True)
    began_s, cpu_s = time.monotonic(), time.process_time()
    async with asyncio.TaskGroup() as group:
        for bay in bays:
            group.create_task(bay.run(stop))
    seconds = time.monotonic() - began_s
    late = np.percentile([ms for bay in bays for ms in bay.late_ms] or [0.0], [50, 99, 100])
    table = {
        "seconds": seconds,
        "cpu_s": time.process_time() - cpu_s,
        "sent": {kind: sum(bay.sent[kind] for bay in bays) for kind in bays[0].sent},
        "late_ms": [round(float(ms), 1) for ms in late],
        "told": [one for bay in bays for one in bay.told],
    }
    print(json.dumps(table), flush=True)


def main() -> None:
    """Read how many and where to."""
    parser = argparse.ArgumentParser()
    parser.add_argument("bays", type=int)
    parser.add_argument("--port", type=int, default=1883)
    parser.add_argument("--site", default="north")
    parser.add_argument("--probes", type=int, default=0)
    parser.add_argument("--player", help="the id of who is on in all of them")
    parser.add_argument("--first", type=int, default=1, help="the number of the first bay")
    chosen = parser.parse_args()
    practice = Practice.made()
    numbers = range(chosen.first, chosen.first + chosen.bays)
    asyncio.run(
        play(
            [
                PlayedBay(n, chosen.port, chosen.site, practice, k < chosen.probes, chosen.player)
                for k, n in enumerate(numbers)
            ]
        )
    )


if __name__ == "__main__":
    main()
