"""Chaos of a whole site: bays, two hubs, PostgreSQL, database and broker; afterwards all is there.

    python -m tests.support.sitechaos SECONDS [SEED]...

Bays run several in a process (`sitebay.py`); both hubs are the real program, serve one PostgreSQL
and one folder of objects, and are watched as systemd would. Between each group of bays and its
hub, database and broker stands a proxy of its own that hangs, is slow, refuses or cuts. A durable
subscriber listens at the broker throughout. A group's stores, the hubs' objects and the database
are each on a small disk that fills up (root only). Clocks of bays and hubs are set forward and
back. Faults overlap. Then all is left to meet, and every place is held to the bays' own input
(`sitetruth.py`, `siteplaces.py`).
"""

import asyncio
import contextlib
import json
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterator
from dataclasses import asdict, dataclass, field, replace
from itertools import chain
from pathlib import Path

from tests.support.chaos import over_seeds
from tests.support.faultproxy import FaultProxy
from tests.support.postgres import Postgres, postgres
from tests.support.servers import Mosquitto, Server, Victoria, free_port
from tests.support.siteplaces import (
    Tally,
    Truth,
    at_subscriber,
    in_archive,
    in_bays_log,
    in_database,
    in_log,
    in_store,
    recorded,
    same_event,
    states,
    tally,
    told_changes,
)
from tests.support.sitetruth import Done, Order, read_journal
from tests.support.subscriber import Subscriber
from tests.support.tinydisk import NoDisk, fill, mounted

from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.people.tables import SERVER, server_engine

ROOT = Path(__file__).resolve().parents[2]
HUBS = ("one", "two")
DOORS = ("database", "broker", "hub")
SERVERS = ("database", "broker", "postgresql", "hub one", "hub two")
DISKS = {"database": "96m", "bays": "96m", "hub": "96m"}
"""Small ones, and enough for all there is to be."""
FULL = "full disk"
FAULTS: dict[str, tuple[str, ...]] = {
    "kill -9": ("bays", *SERVERS),
    "stopped": SERVERS,
    "hung sockets": DOORS,
    "refused connections": DOORS,
    "slow answers": DOORS,
    "cut connections": DOORS,
    "cut off from all": ("bays",),
    "moved to the other hub": ("bays",),
    "clock jump": ("bays", "hub one", "hub two"),
    FULL: tuple(DISKS),
}
"""What goes wrong, and with what."""
JUMPS_S = (-2 * 86400.0, -3600.0, 3600.0, 30 * 3600.0)
"""What a clock is ahead: a database drops what is two days ahead."""
SETTLE_S = 900.0
"""For what is waited for; against hanging only."""
_HUB = """
import time
ns, s = time.time_ns, time.time
time.time_ns = lambda: ns() + round(1e9 * {ahead_s})
time.time = lambda: s() + {ahead_s}
from plantigrade_gateway.cli.main import main
main()
"""


@dataclass(frozen=True)
class Size:
    """How much there is, and for how long.

    Attributes
    ----------
    bays, groups : int
        Bays, and processes that they are in.
    sessions, words : int
        Of each bay.
    tick_s, pause_s, word_s : float
        As of `sitebay.Order`.
    seconds : float
        Of faults, after each has been once.
    side_by_side : int
        So many faults at a time.
    """

    bays: int = 20
    groups: int = 4
    sessions: int = 5
    words: int = 12
    tick_s: float = 0.4
    pause_s: float = 12.0
    word_s: float = 9.0
    seconds: float = 120.0
    side_by_side: int = 2


SMALL = Size(5, 2, 2, 5, 0.15, 2.0, 2.0, 0.0, 3)
"""Each fault once."""


@dataclass
class Outcome:
    """What every place had in the end, by place and what is counted."""

    places: dict[str, dict[str, Tally]] = field(default_factory=dict)
    repeats: int = 0
    unsafe: int = 0
    apart: int = 0
    against_rule: int = 0
    faults: Counter[tuple[str, str]] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    @property
    def tallies(self) -> Iterator[tuple[str, str, Tally]]:
        return ((p, w, each) for p, rows in self.places.items() for w, each in rows.items())

    @property
    def is_whole(self) -> bool:
        every = [each for *_, each in self.tallies]
        return bool(every) and all(each.is_whole for each in every) and not self._unlike

    @property
    def _unlike(self) -> int:
        return self.apart + self.against_rule

    def __str__(self) -> str:
        rows = [f"{'place':<12}{'what':<10}    made   there missing  double   wrong"]
        for place, what, each in self.tallies:
            numbers = (each.made, each.there, each.missing, each.double, each.wrong)
            rows.append(f"{place:<12}{what:<10}" + "".join(f"{n:>8}" for n in numbers))
        firsts = {each.first: f"{place}: {each.first}" for place, _, each in self.tallies}
        rows += [text for first, text in firsts.items() if first]
        rows.append(
            f"places with another state than the first {self.apart}, than the rule has it "
            f"{self.against_rule}; delivered again under the same id {self.repeats}; entries that "
            f"bays were killed before they had or knew to have {self.unsafe}"
        )
        by_kind = Counter[str]()
        for (kind, _), count in self.faults.items():
            by_kind[kind] += count
        for kind, count in by_kind.items():
            parts = [f"{t} {n}" for (k, t), n in sorted(self.faults.items()) if k == kind]
            rows.append(f"fault {kind}: {count} ({', '.join(parts)})")
        return "\n".join([*rows, *self.notes])


class Hub(Server):
    """A real hub, begun again until it is up; its clock may be another one."""

    def __init__(self, name: str, folder: Path, objects: Path, people: str) -> None:
        port = free_port()
        program = [sys.executable, "-c", "", "hub", "serve", "--data", str(folder / f"hub-{name}")]
        where = ["--objects", str(objects), "--name", name, "--port", str(port)]
        super().__init__([*program, *where], port, folder / f"hub-{name}.log", {SERVER: people})
        self.ahead_s = 0.0
        self.store = folder / f"hub-{name}" / "hub.sqlite3"

    def start(self) -> None:
        self._arguments[2] = _HUB.format(ahead_s=self.ahead_s)
        while True:
            try:
                super().start()
                return
            except AssertionError:
                if not self.has_died:
                    raise
                self.kill()  # ended: what it needs is away, or its disk is full
                time.sleep(0.5)


class Group:
    """Bays in one process, and the doors by which they reach what they need."""

    def __init__(self, name: str, folder: Path, order: Order) -> None:
        self.name = name
        self.order = order
        self.folder = Path(order.folder)
        self.doors: dict[str, FaultProxy] = {}
        self._log = folder / f"{name}.log"
        self._process: subprocess.Popen[str] | None = None

    def set_up(self, tokens: dict[str, str]) -> None:
        """Write each bay's settings."""
        ports = {door: proxy.port for door, proxy in self.doors.items()}
        for bay in self.order.bays:
            folder = self.folder / bay
            folder.mkdir(parents=True)
            secret = folder / "token"
            secret.touch(0o600)
            secret.write_text(tokens[bay], "utf-8")
            (folder / "settings.toml").write_text(
                f'site = "north"\nbay = "{bay}"\n'
                f'[tsdb]\nurl = "http://127.0.0.1:{ports["database"]}"\n'
                "timeout_s = 2.0\nhold_s = 12.0\n"
                f'[mqtt]\nhost = "127.0.0.1"\nport = {ports["broker"]}\n'
                "timeout_s = 3.0\nhold_s = 12.0\n"
                f'[hub]\nurl = "http://127.0.0.1:{ports["hub"]}"\n'
                f'token_file = "{secret}"\ntimeout_s = 4.0\n',
                "utf-8",
            )

    def start(self) -> None:
        with open(self._log, "ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.support.sitebay", json.dumps(asdict(self.order))],
                cwd=ROOT,
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                text=True,
            )

    def kill(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            assert process.stdin is not None
            process.stdin.close()

    def jump(self, ahead_s: float) -> None:
        """Set the clock of its bays."""
        assert self._process is not None and self._process.stdin is not None
        self._process.stdin.write(f"clock {ahead_s}\n")
        self._process.stdin.flush()

    def done(self) -> dict[str, Done]:
        """Read what its bays have done; fails where they have ended by themselves."""
        process = self._process
        assert process is None or process.poll() is None, self._log.read_text()[-3000:]
        folder = Path(self.order.journals)
        return {
            bay: read_journal(folder / f"{bay}.jsonl", self.order.seed, bay)
            for bay in self.order.bays
        }

    def stores(self) -> Iterator[tuple[str, Path]]:
        return ((bay, self.folder / bay / "store.sqlite3") for bay in self.order.bays)


class SiteChaos:
    """One run.

    Parameters
    ----------
    folder : Path
    size : Size
    seed : int
    """

    def __init__(self, folder: Path, size: Size, seed: int) -> None:
        self._folder = folder
        self._size = size
        self._random = random.Random(seed)
        self._outcome = Outcome()
        self._locks: dict[str, asyncio.Lock] = {}
        self._disks = {name: folder / f"disk-{name}" for name in DISKS}
        for one in (*self._disks.values(), folder / "broker", folder / "journals"):
            one.mkdir()
        self._is_full_disk_left_out: set[str] = set()
        names = [f"b{n}" for n in range(1, size.bays + 1)]
        self._groups = []
        for k in range(size.groups):
            where = self._disks["bays"] if k == 0 else folder / f"bays-{k}"
            order = Order(
                seed,
                names[k :: size.groups],
                str(where),
                str(folder / "journals"),
                *(size.sessions, size.words, size.tick_s, size.pause_s, size.word_s),
            )
            self._groups.append(Group(f"bays-{k}", folder, order))

    @property
    def kinds(self) -> list[tuple[str, str]]:
        """What goes wrong here: each at least once."""
        return [
            (kind, target)
            for kind, targets in FAULTS.items()
            for target in targets
            if not (kind == FULL and target in self._is_full_disk_left_out)
        ]

    async def run(self) -> Outcome:
        """Let it happen, wait until all has met, and say what there is."""
        with contextlib.ExitStack() as mounts:
            for name, place in self._disks.items():
                try:
                    mounts.enter_context(mounted(place, DISKS[name]))
                except NoDisk as error:
                    self._is_full_disk_left_out.add(name)
                    self._outcome.notes.append(f"left out: {FULL} of {name}; {error}")
            with postgres() as server, server.people() as people:
                return await self._run(server, people)

    async def _run(self, server: Postgres, people: str) -> Outcome:
        self._postgres = server
        self._engine = server_engine(people)
        self._objects = self._disks["hub"] / "objects"
        self._database = Victoria(self._disks["database"])
        self._broker = Mosquitto(self._folder / "broker")
        self._hubs = {
            name: Hub(
                name,
                self._disks["hub"] if name == HUBS[0] else self._folder,
                self._objects,
                people,
            )
            for name in HUBS
        }
        self._subscriber = Subscriber(self._broker.port, "plantigrade/v1/north/+/events/#")
        servers = [self._database, self._broker, *self._hubs.values()]
        try:
            await asyncio.gather(*(asyncio.to_thread(one.start) for one in servers))
            async with self._subscriber.listening(), self._opened_doors():
                bays = Bays(self._engine)
                tokens = {bay: bays.add(bay) for group in self._groups for bay in group.order.bays}
                for group in self._groups:
                    group.set_up(tokens)
                    group.start()
                watching = asyncio.create_task(self._watch())
                try:
                    await self._until(lambda done: all(one.sessions for one in done))
                    await self._break_things()
                    self._groups[0].order.enough.touch()
                    await self._until(lambda done: all(one.is_done for one in done))
                    return await self._settle()
                finally:
                    watching.cancel()
        finally:
            for group in self._groups:
                group.kill()
            for one in servers:
                if one.is_up:
                    one.kill()
            self._engine.dispose()

    @contextlib.asynccontextmanager
    async def _opened_doors(self) -> AsyncIterator[None]:
        async with contextlib.AsyncExitStack() as stack:
            for k, group in enumerate(self._groups):
                to = {
                    "database": self._database.port,
                    "broker": self._broker.port,
                    "hub": self._hubs[HUBS[k % len(HUBS)]].port,
                }
                for door in DOORS:
                    group.doors[door] = await stack.enter_async_context(FaultProxy(to[door]))
            yield

    # What goes wrong

    async def _break_things(self) -> None:
        once = self.kinds
        self._random.shuffle(once)
        end_s = time.monotonic() + self._size.seconds

        def more() -> Iterator[tuple[str, str]]:
            while time.monotonic() < end_s:
                yield self._random.choice(self.kinds)

        script = chain(once, more())

        async def some() -> None:
            for kind, target in script:
                await asyncio.sleep(self._random.uniform(0.1, 0.6))
                await self._break(kind, target)

        await asyncio.gather(*(some() for _ in range(self._size.side_by_side)))

    async def _break(self, kind: str, target: str) -> None:
        group = self._random.choice(self._groups)
        lasts_s = self._random.uniform(0.5, 3.0)
        if kind == FULL:
            await self._fill(target, lasts_s)
        elif kind == "kill -9" and target == "bays":
            async with self._lock(group.name):
                group.kill()
                await asyncio.sleep(self._random.uniform(0.0, 1.0))
                group.start()
        elif kind == "clock jump" and target == "bays":
            async with self._lock(group.name):
                group.jump(self._random.choice(JUMPS_S))
        elif kind in ("kill -9", "clock jump"):
            await self._restart(target, jumps=kind == "clock jump")
        elif kind == "stopped":
            async with self._lock(target):
                server = self._server(target)
                server.pause()
                await asyncio.sleep(lasts_s)
                server.go_on()
        elif kind == "moved to the other hub":
            door = group.doors["hub"]
            door.to = next(hub.port for hub in self._hubs.values() if hub.port != door.to)
            await door.drop()
        else:
            doors = DOORS if target == "bays" else (target,)
            await asyncio.gather(*(self._close(group, door, kind, lasts_s) for door in doors))
        self._outcome.faults[kind, target] += 1

    async def _close(self, group: Group, name: str, kind: str, lasts_s: float) -> None:
        door = group.doors[name]
        async with self._lock(f"{group.name} {name}"):
            if kind == "refused connections":
                await door.refuse()
                await asyncio.sleep(lasts_s)
                await door.listen()
                return
            door.mode = {"hung sockets": "hang", "slow answers": "slow"}.get(kind, "cut")
            if door.mode == "cut":
                await door.drop()
            await asyncio.sleep(lasts_s)
            door.mode = "well"

    async def _restart(self, target: str, *, jumps: bool) -> None:
        async with self._lock(target):
            server = self._server(target)
            await asyncio.to_thread(server.kill)
            await asyncio.sleep(self._random.choice((0.0, 0.5, 2.0)))
            if isinstance(server, Hub) and jumps:
                server.ahead_s = self._random.choice(JUMPS_S)
            await asyncio.to_thread(server.start)

    async def _fill(self, target: str, lasts_s: float) -> None:
        """Leave no room on a disk for a while; what ends of that is begun again by `_watch`."""
        async with self._lock(f"{FULL} {target}"):
            filler = await asyncio.to_thread(fill, self._disks[target])
            await asyncio.sleep(lasts_s)
            filler.unlink()

    async def _watch(self) -> None:
        """Begin again what has ended by itself, as the system does."""
        while True:
            await asyncio.sleep(0.5)
            for target in ("database", "hub one", "hub two"):
                lock, server = self._lock(target), self._server(target)
                assert isinstance(server, Server)
                if not lock.locked() and server.has_died:
                    self._outcome.notes.append(f"{target}: has ended by itself, begun again")
                    await self._restart(target, jumps=False)

    def _lock(self, what: str) -> asyncio.Lock:
        return self._locks.setdefault(what, asyncio.Lock())

    def _server(self, target: str) -> Server | Postgres:
        others: dict[str, Server | Postgres] = {
            "database": self._database,
            "broker": self._broker,
            "postgresql": self._postgres,
        }
        return others.get(target) or self._hubs[target.removeprefix("hub ")]

    # What there is

    def _done(self) -> dict[str, Done]:
        return {bay: one for group in self._groups for bay, one in group.done().items()}

    async def _until(self, true: Callable[[Collection[Done]], bool]) -> None:
        """Wait until the bays have done something."""
        end_s = time.monotonic() + SETTLE_S
        while not true(self._done().values()):
            assert time.monotonic() < end_s, "the bays do not get on"
            await asyncio.sleep(0.2)

    async def _settle(self) -> Outcome:
        """Wait until all has met."""
        end_s = time.monotonic() + SETTLE_S
        while True:
            began_s = time.monotonic()
            await asyncio.to_thread(self._look)
            if self._outcome.is_whole or began_s > end_s:
                return self._outcome
            await asyncio.sleep(max(1.0, 2.0 * (time.monotonic() - began_s)))

    def _look(self) -> None:
        """Read every place."""
        done, truth, said = self._done(), Truth(), {}
        for group in self._groups:
            for bay, path in group.stores():
                truth.take(done[bay].sessions, in_store(path))
                said[bay] = done[bay], in_bays_log(path)
        archive = in_archive(self._engine, str(self._objects))
        record = recorded(truth.entries, {}, archive)
        places = {"bay": truth.bay, "archive": {k: record[k] for k in ("entries", "bytes")}}
        places["archive"]["sessions"] = tally(
            truth.sessions, [(key, archive.player[key]) for key in archive.ended]
        )
        for name, hub in self._hubs.items():
            kept = in_store(hub.store)
            places[f"hub {name}"] = {
                "sessions": tally(truth.sessions, [(k, kept.player[k]) for k in kept.ended]),
                **recorded(truth.entries, truth.events, kept),
            }
        points = in_database(self._database.series())
        messages = at_subscriber(list(self._subscriber.messages.values()))
        places["database"] = {"events": tally(truth.events, points, same_event)}
        places["subscriber"] = {"events": tally(truth.events, messages, same_event)}
        tables = in_log(self._engine)
        places["all logs"] = {"changes": told_changes(said, {"hubs' tables": tables})}
        out = self._outcome
        out.places, out.unsafe = places, truth.unsafe
        out.apart, out.against_rule = states([tables, *(each for _, each in said.values())])
        out.repeats = self._subscriber.got.total() - len(self._subscriber.got)


def chaos_of(size: Size) -> Callable[[Path, float, int], Awaitable[Outcome]]:
    """Return a run of a size, of so many seconds."""
    return lambda folder, seconds, seed: SiteChaos(
        folder, replace(size, seconds=seconds), seed
    ).run()


if __name__ == "__main__":
    over_seeds(chaos_of(Size()))
