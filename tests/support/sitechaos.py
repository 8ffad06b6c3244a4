"""Chaos of a whole site: bays, two hubs, PostgreSQL, database and broker; afterwards all is there.

    python -m tests.support.sitechaos SECONDS [SEED]...

Bays run several in a process (`sitebay.py`); both hubs are the real program, serve one PostgreSQL
and one folder of objects, and are watched as systemd would. Between each group of bays and its
hub, database and broker stands a proxy of its own that hangs, is slow, refuses or cuts. A durable
subscriber listens at the broker throughout. A group's stores, one hub's folder, the hubs' objects,
PostgreSQL and the database are each on a small disk that fills up (root only). Clocks of bays and
hubs are set forward and back. Players are deleted at bays and at both hubs' desks, while others
record them. Faults overlap. Then all is left to meet, and every place is held to the bays' own
input (`sitetruth.py`, `siteplaces.py`): nothing of who was deleted is left there.
"""

import asyncio
import contextlib
import itertools
import json
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import asdict, dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import Any

import httpx2
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
    traces,
    traces_in_database,
    traces_in_objects,
    traces_in_tables,
)
from tests.support.sitetruth import FEW, Done, Order, read_journal
from tests.support.subscriber import Subscriber
from tests.support.tinydisk import NoDisk, fill, mounted

from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.people.hubtables import ARCHIVE, DATABASE, bay_place, hub_place
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import PLAYER
from plantigrade_gateway.people.tables import SERVER, server_engine

ROOT = Path(__file__).resolve().parents[2]
HUBS = ("one", "two")
DOORS = ("database", "broker", "hub")
SERVERS = ("database", "broker", "postgresql", "hub one", "hub two")
DISKS = {"database": "96m", "bays": "96m", "hub": "96m", "records": "96m"}
"""Small ones, and enough for all there is to be."""
POSTGRESQL = "postgresql"
POSTGRESQL_DISK = "128m"
FULL = "full disk"
DELETED = "player deleted"
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
    FULL: (*DISKS, POSTGRESQL),
    DELETED: ("hub one", "hub two"),
}
"""What goes wrong, and with what."""
JUMPS_S = (-2 * 86400.0, -3600.0, 3600.0, 30 * 3600.0)
"""What a clock is ahead: a database drops what is two days ahead."""
_PLAYERS = "/api/v1/players"
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
    """A real hub; its clock may be another one."""

    def __init__(self, name: str, folder: Path, objects: Path, people: str, database: str) -> None:
        port = free_port()
        program = [sys.executable, "-c", "", "hub", "serve", "--data", str(folder / f"hub-{name}")]
        where = ["--objects", str(objects), "--name", name, "--port", str(port)]
        named = {SERVER: people, "PLANTIGRADE_TSDB_URL": database}
        super().__init__([*program, *where], port, folder / f"hub-{name}.log", named)
        self.ahead_s = 0.0
        self.store = folder / f"hub-{name}" / "hub.sqlite3"

    def start(self) -> None:
        self._arguments[2] = _HUB.format(ahead_s=self.ahead_s)
        super().start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"


def begin(server: Server | Postgres) -> None:
    """Begin a program again until it is up: what it needs may be away, or its disk full."""
    while True:
        try:
            server.start()
            return
        except AssertionError:
            if not server.has_died:
                raise
            server.kill()
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
        self._deleted: dict[str, tuple[str, ...] | None] = {}  # at desks; the places of receipts
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
                    self._leave_out(name, error)
            try:
                server = mounts.enter_context(postgres(POSTGRESQL_DISK))
                self._disks[POSTGRESQL] = server.data
            except NoDisk as error:
                self._leave_out(POSTGRESQL, error)
                server = mounts.enter_context(postgres())
            people = mounts.enter_context(server.people())
            return await self._run(server, people)

    def _leave_out(self, disk: str, why: NoDisk) -> None:
        self._is_full_disk_left_out.add(disk)
        self._outcome.notes.append(f"left out: {FULL} of {disk}; {why}")

    async def _run(self, server: Postgres, people: str) -> Outcome:
        self._postgres = server
        self._engine = server_engine(people)
        self._objects = self._disks["records"] / "objects"
        self._database = Victoria(self._disks["database"])
        self._broker = Mosquitto(self._folder / "broker")
        self._hubs = {
            name: Hub(
                name,
                self._disks["hub"] if name == HUBS[0] else self._folder,
                self._objects,
                people,
                self._database.url,
            )
            for name in HUBS
        }
        self._subscriber = Subscriber(self._broker.port, "plantigrade/v1/north/+/events/#")
        servers = [self._database, self._broker, *self._hubs.values()]
        try:
            await asyncio.gather(*(asyncio.to_thread(begin, one) for one in servers))
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
        elif kind == DELETED:
            await self._delete(target)
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
            await asyncio.to_thread(begin, server)

    async def _fill(self, target: str, lasts_s: float) -> None:
        """Leave no room on a disk for a while; what ends of that is begun again by `_watch`."""
        async with self._lock(f"{FULL} {target}"):
            filler = await asyncio.to_thread(fill, self._disks[target])
            await asyncio.sleep(lasts_s)
            filler.unlink()

    async def _delete(self, target: str) -> None:
        """Delete a player at a hub's desk, one who is being recorded where there is one.

        Asked until it is answered: what becomes of an answer that is cut off, nobody knows.
        """
        hub = self._hubs[target.removeprefix("hub ")]
        end_s, asked = time.monotonic() + SETTLE_S, ""
        async with httpx2.AsyncClient(base_url=hub.url, timeout=20.0) as desk:
            desk.headers["origin"] = hub.url
            while time.monotonic() < end_s:
                with contextlib.suppress(httpx2.HTTPError):
                    names = await self._names(desk)
                    if asked and asked not in names:
                        return
                    asked = asked or self._chosen(names)
                    if asked:
                        self._deleted.setdefault(asked, None)
                        answer = await desk.request(
                            "DELETE", f"{_PLAYERS}/{asked}", json={"name": names[asked]}
                        )
                        if answer.status_code == 200:
                            self._deleted[asked] = tuple(answer.json()["places"])
                            return
                await asyncio.sleep(0.3)
        raise AssertionError(f"{target}: deletes no player")

    async def _names(self, desk: httpx2.AsyncClient) -> dict[str, str]:
        """Return the names of all players whom a desk knows."""
        names: dict[str, str] = {}
        page = pages = 1
        while page <= pages:
            answer = await desk.get(_PLAYERS, params={"page": page})
            answer.raise_for_status()
            names |= {row["player_id"]: row["name"] for row in answer.json()["rows"]}
            page, pages = page + 1, answer.json()["pages"]
        return names

    def _chosen(self, names: Mapping[str, str]) -> str:
        """Choose a player to be deleted; ``""``: there are too few yet."""
        recorded = {
            last.player_id
            for done in self._done().values()
            for last in list(done.sessions.values())[-1:]
            if not last.has_ended and last.player_id in names
        }
        some = sorted(one for one in recorded if one) or sorted(names)
        return self._random.choice(some) if len(names) > FEW else ""

    async def _watch(self) -> None:
        """Begin again what has ended by itself, as the system does."""
        while True:
            await asyncio.sleep(0.5)
            for target in ("database", POSTGRESQL, "hub one", "hub two"):
                lock, server = self._lock(target), self._server(target)
                if not lock.locked() and server.has_died:
                    self._outcome.notes.append(f"{target}: has ended by itself, begun again")
                    await self._restart(target, jumps=False)

    def _lock(self, what: str) -> asyncio.Lock:
        return self._locks.setdefault(what, asyncio.Lock())

    def _server(self, target: str) -> Server | Postgres:
        others: dict[str, Server | Postgres] = {
            "database": self._database,
            "broker": self._broker,
            POSTGRESQL: self._postgres,
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
        done, said = self._done(), {}
        asked = {*self._deleted, *(player for one in done.values() for player in one.deleted)}
        dead = ChangeLog(self._engine).deleted(PLAYER)
        sure = {player for one in done.values() for player, was in one.deleted.items() if was}
        sure |= {player for player, places in self._deleted.items() if places is not None}
        truth = Truth(gone=sure | (asked & dead))
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
        series = self._database.series()
        # What was told a subscriber is not taken back from it.
        messages = [
            one
            for one in list(self._subscriber.messages.values())
            if one["session"] not in truth.gone_sessions
        ]
        told = at_subscriber(messages)
        places["database"] = {"events": tally(truth.events, in_database(series), same_event)}
        places["subscriber"] = {"events": tally(truth.events, told, same_event)}
        tables = in_log(self._engine)
        changes = told_changes(said, {"hubs' tables": tables}, truth.gone)
        places["all logs"] = {"changes": changes}
        places["deleted"] = self._of_deleted(done, dead, truth, series)
        out = self._outcome
        out.places, out.unsafe = places, truth.unsafe
        out.apart, out.against_rule = states([tables, *(each for _, each in said.values())])
        out.repeats = self._subscriber.got.total() - len(self._subscriber.got)

    def _of_deleted(
        self,
        done: Mapping[str, Done],
        dead: AbstractSet[str],
        truth: Truth,
        series: list[dict[str, Any]],
    ) -> dict[str, Tally]:
        """Judge what is left of players who were deleted, and who has confirmed."""
        gone, sessions = truth.gone, truth.gone_sessions
        stores = dict(chain.from_iterable(group.stores() for group in self._groups))
        places = [DATABASE, ARCHIVE, *map(bay_place, stores), *map(hub_place, HUBS)]
        words = {
            text for one in done.values() for text, player in one.said.items() if player in gone
        }
        found = {bay_place(bay): [*traces(path, gone, words)] for bay, path in stores.items()}
        for name, hub in self._hubs.items():
            found[hub_place(name)] = [*traces(hub.store, gone, words)]
        found[DATABASE] = [*traces_in_database(series, gone, sessions)]
        found[ARCHIVE] = [
            *traces_in_objects(str(self._objects), sessions),
            *traces_in_tables(self._engine, gone, sessions, words),
        ]
        confirmed = [
            ((one.player_id, one.place), one.confirmed is not None)
            for one in Deletions(self._engine).all()
        ]
        receipts = [(one, said) for one, said in self._deleted.items() if said is not None]
        return {
            "players": tally(dict.fromkeys(gone), [(one, None) for one in dead]),
            "confirmed": tally(dict.fromkeys(itertools.product(gone, places), True), confirmed),
            "receipts": tally(dict.fromkeys(dict(receipts), tuple(sorted(places))), receipts),
            "no traces": tally({key: [] for key in places}, found.items()),
        }


def chaos_of(size: Size) -> Callable[[Path, float, int], Awaitable[Outcome]]:
    """Return a run of a size, of so many seconds."""
    return lambda folder, seconds, seed: SiteChaos(
        folder, replace(size, seconds=seconds), seed
    ).run()


if __name__ == "__main__":
    over_seeds(chaos_of(Size()))
