"""Bays of a site's chaos, several in one process, which is killed and begun again.

``python -m tests.support.sitebay ORDER``: of each bay the program's own recorder, outbox,
forwarding and hand-over, at a store of its own; people who say something of players meanwhile, and
delete some.
Instead of the processes that a gateway starts, their work runs here. Hears ``clock SECONDS`` on its
standard input, and ends with it.
"""

import asyncio
import json
import os
import random
import sys
import threading
import traceback
from collections.abc import Awaitable, Callable
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import TypeVar

from tests.support.jumping import CLOCK  # first of all: see there
from tests.support.sitetruth import FEW, SOURCE, Input, Journal, Order, read_journal

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.config import Config, load
from plantigrade_gateway.errors import GatewayError, StoreError
from plantigrade_gateway.forward import mqtt, tsdb
from plantigrade_gateway.forward.process import ForwardingProcess
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import ANSWERS, TOPICS
from plantigrade_gateway.store import results
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.rows import NewSession
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.process import SyncProcess

assert mqtt and tsdb  # loaded now: the clock is held of what is there
DAY = date(2026, 1, 1)
FLUSH_EVERY = 4
KINDS = ("add", "name", "decide", "decide", "decide", "delete")
_T = TypeVar("_T")


def _say(text: str) -> None:
    print(text, flush=True)


async def until_taken(work: Callable[[], _T]) -> _T:
    """Do something until the store takes it."""
    while True:
        try:
            return work()
        except GatewayError as error:
            _say(str(error))
            await asyncio.sleep(0.5)


async def kept(name: str, work: Callable[[], Awaitable[None]]) -> None:
    """Begin work again when it ends, as a gateway does with its processes."""
    while True:
        try:
            await work()
        except Exception:
            _say(f"{name}: {traceback.format_exc()}")
        await asyncio.sleep(1.0)


class ChaosBay:
    """One bay."""

    def __init__(self, order: Order, name: str) -> None:
        self._order = order
        self._name = name
        folder = Path(order.folder) / name
        self._path = folder / "store.sqlite3"
        self._config: Config = load(folder / "settings.toml", {})
        path = Path(order.journals) / f"{name}.jsonl"
        self._before = read_journal(path, order.seed, name)
        self._journal = Journal(path)
        self._random = random.Random(f"{order.seed}/{name}/{len(self._before.said)}")

    async def run(self) -> None:
        """Record, say, send on and hand over until the process is killed."""
        self._store = await until_taken(lambda: Store.open(self._path))
        self._register = await until_taken(lambda: Register(self._store))
        await until_taken(lambda: Outbox(self._store.database).configure(self._config.sinks()))
        await self._recover()
        async with asyncio.TaskGroup() as group:
            group.create_task(kept("forwarding", self._forward))
            group.create_task(kept("hand-over", self._hand_over))
            recording = group.create_task(self._record())
            saying = group.create_task(self._speak())
            await asyncio.gather(recording, saying)
            self._journal.say(done=True)

    async def _recover(self) -> None:
        """End what a killed process left open, as soon as the store takes it."""
        while True:
            for text in results.recover(self._store):
                _say(text)
            if all(one.state == "ended" for one in self._store.sessions()):
                return
            await asyncio.sleep(0.5)

    async def _forward(self) -> None:
        await ForwardingProcess(self._path, self._config, _say).run()

    async def _hand_over(self) -> None:
        await SyncProcess(self._path, self._config, _say).run()

    async def _record(self) -> None:
        number = len(self._before.sessions)
        while self._order.goes_on(number, self._order.sessions):
            await self._record_one(Input(self._order.seed, self._name, number))
            await asyncio.sleep(self._order.pause_s * self._random.uniform(0.5, 1.5))
            number += 1

    async def _record_one(self, told: Input) -> None:
        player = self._player()
        self._journal.say(begin=told.number, player=player)
        begin = NewSession.now(SOURCE, ANALYSIS_VERSION, player)
        recorder = Recorder(self._store, told.session_id, begin=begin)
        upto = events = 0
        for n, (batch, decided) in enumerate(told.ticks(), 1):
            upto = recorder.put(batch)
            recorder.put_events(decided, upto)
            events += len(decided)
            if n % FLUSH_EVERY == 0:
                with suppress(StoreError):  # a full disk: it is tried again
                    await asyncio.to_thread(recorder.flush)
                    self._safe(told, upto, events, ended=False)
            await asyncio.sleep(self._order.tick_s)
        with suppress(StoreError):  # as a gateway does: the end waits for the store
            await asyncio.to_thread(recorder.close, "stop", linger=True)
        while recorder.lingers:
            await asyncio.sleep(0.1)
        self._safe(told, upto, events, ended=True)

    def _safe(self, told: Input, entries: int, events: int, *, ended: bool) -> None:
        self._journal.say(safe=told.session_id, entries=entries, events=events, ended=ended)

    def _player(self) -> str | None:
        """Choose who is on, of those who are known here."""
        with suppress(GatewayError):
            known = sorted(self._register.profiles())
            if known:
                player = self._random.choice(known)
                self._register.anchor(player)
                return player
        return None

    async def _speak(self) -> None:
        """Say things of players: new ones, other names, decisions."""
        number = len(self._before.said)
        while self._order.goes_on(number, self._order.words):
            await asyncio.sleep(self._order.word_s * self._random.uniform(0.5, 1.5))
            text = f"Invented {self._name} {number}"
            self._journal.say(saying=text)
            with suppress(GatewayError):  # a full disk; or it was deleted, or is being recorded
                player = self._speak_one(text)
                self._journal.say(said=text, player=player)
            number += 1

    def _speak_one(self, text: str) -> str:
        """Say something of a player, and return of whom."""
        known = sorted(self._register.profiles())
        kind = self._random.choice(KINDS) if len(known) > FEW else "add"
        if kind == "add":
            return self._register.add(name=text, handedness="right")
        player = self._random.choice(known)
        if kind == "delete":
            self._journal.say(deleting=player)
            delete_player(self._register, player)
            self._journal.say(deleted=player)
        elif kind == "name":
            self._register.edit(player, name=text)
        else:
            topic, answer = self._random.choice(TOPICS), self._random.choice(ANSWERS)
            self._register.decide(player, topic, answer, DAY, cue=text)
        return player


def _hear() -> None:
    for line in sys.stdin:
        CLOCK.ahead_s = float(line.removeprefix("clock"))
    os._exit(3)


async def _run(order: Order) -> None:
    async with asyncio.TaskGroup() as group:
        for name in order.bays:
            group.create_task(ChaosBay(order, name).run())


def main() -> None:
    """Run bays until the process is killed."""
    CLOCK.hold()
    threading.Thread(target=_hear, daemon=True).start()
    asyncio.run(_run(Order(**json.loads(sys.argv[1]))))


if __name__ == "__main__":
    main()
