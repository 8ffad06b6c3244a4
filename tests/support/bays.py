"""Invented bays that say to a real broker what real ones say; a process of its own.

``python -m tests.support.bays 200 --port 1883`` plays 200 bays until it is ended: each has a
connection with its will, status once a second, events as they are decided, live summaries ten times
a second. The messages are made by the program's own code from two minutes of the invented practice
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
from plantigrade_gateway.config import load
from plantigrade_gateway.forward.courier import SinkUnavailable
from plantigrade_gateway.forward.launch import LiveSummary
from plantigrade_gateway.forward.mqtt import Broker
from plantigrade_gateway.forward.roster import PairSoFar, Teller
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.output import open_sound
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.enqueue import Item
from plantigrade_gateway.store.forwardstate import ForwardState, SinkState
from plantigrade_gateway.store.outbox import MQTT, Outbox
from plantigrade_gateway.store.status import FootStatus, ServiceStatus
from plantigrade_gateway.store.store import Store

FROM_S, SECONDS = 170.0, 120.0
"""Of the practice session: it swings there."""
HZ = 10.0
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
        summary = LiveSummary(kept, HZ)  # type: ignore[arg-type]
        live: list[tuple[float, dict[str, Any]]] = []
        events: list[tuple[float, Event]] = []
        with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "s") as store:
            outbox = Outbox(store.database)
            outbox.configure([MQTT])
            session = LiveSession(store, SOURCE, open_sound("none"), print)
            session.push(Batch.of(early))
            before = len(_all(outbox))
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
            items = [item for item in _all(outbox)[before:] if item.kind != "session"]
        assert rate_hz is not None and items and live
        first_ms = items[0].time_ms
        timed = [((item.time_ms - first_ms) / 1e3, item) for item in items]
        timed.sort(key=lambda one: one[0])
        return cls(live, [one for one in timed if 0 <= one[0] < seconds], events, rate_hz)


def _all(outbox: Outbox) -> list[Item]:
    return outbox.waiting(MQTT, 0, 1_000_000)


def _pieces(entries: list[Any], start_ns: int) -> Iterator[list[Any]]:
    """Give entries as they come of a link: by fiftieths of a second."""
    for _, group in itertools.groupby(entries, lambda e: (e.arrival_ns - start_ns) // 20_000_000):
        yield list(group)


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
        settings = {
            "PLANTIGRADE_SITE": site,
            "PLANTIGRADE_BAY": self.name,
            "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
            "PLANTIGRADE_MQTT_PORT": str(port),
        }
        self._broker = Broker(load(None, settings))
        self._kept = Kept()
        self._so_far = PairSoFar(Teller(self._kept), SOURCE)
        self._swings = 0

    async def open(self) -> None:
        await self._broker.open()

    async def run(self, stop: asyncio.Event) -> None:
        """Say everything at its time until told to stop."""
        async with asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(work)
                for work in (self._live(), self._events(), self._status(), self._state())
            ]
            await stop.wait()
            for task in tasks:
                task.cancel()
        await self._broker.close()

    async def _state(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            with suppress(SinkUnavailable):
                await self._broker.restarted()

    async def _live(self) -> None:
        async for _, message in self._timed(self._practice.live):
            self._broker.show({**message, "session": self._session})
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
            await self._broker.send([mine])
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
                self._broker.show(message)
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
