"""A day of a pair of insoles, with a fault every ten minutes of it: what they send, and a gateway.

The pair samples at 20 Hz, 8 frames a packet (of the usual 100 Hz and 2), so that a day is 432,000
packets and not 8.6 million. The insoles' bytes are a function of the packet's number, so whoever
checks a store can tell every byte that was ever sent. What a player does in ten minutes is done
over and over; counters, clocks and arrivals go on.

``python -m tests.support.day STORE BODIES FIRST SEED FAULT…`` is the gateway of that day from
packet FIRST on: the real runner, with a source that does not wait. What a test must know it says on
lines of their own. BODIES is a file of `keep_bodies`: the gateway begins 19 times a day, and to
make them would be half of its start.
"""

import asyncio
import contextlib
import gc
import sqlite3
import sys
import threading
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from enum import StrEnum
from functools import cache
from pathlib import Path
from random import Random
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from tests.support.damage import flip_piece
from tests.support.tinydisk import fill
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.zones import eighteen
from plantigrade_gateway.record.entries import INSOLE_OF, Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.runner import run
from plantigrade_gateway.session.sessions import Sessions
from plantigrade_gateway.session.stage import RunOptions, Stage
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.sources.reconnect import LinkInfo
from plantigrade_gateway.store import recorder, rows, schema
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.codec import encode_data
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

PERIOD_US = 50_000
FRAMES = 8
PACKET_US = FRAMES * PERIOD_US
PACKET_NS = 1000 * PACKET_US
HOUR = 3600 * 1_000_000 // PACKET_US
SLOT = HOUR // 6
"""Packets of ten minutes."""
SLOTS = 24 * 6
DAY = SLOTS * SLOT
STOP = DAY
PUSH = 60
"""Packets of each foot that the source gives at a time: 24 s."""
AWAY = 7
"""Packets that an insole does not make while it resets: 2.2 s."""
DOWN = 3 * PUSH
"""From a kill until the program has started again, packets: 72 s."""
START_NS = 5_000_000_000
SETTINGS = SessionSettings(mass_kg=80.0)
FEET = (Foot.LEFT, Foot.RIGHT)


class Fault(StrEnum):
    """What goes wrong."""

    LINK = "link lost"
    FULL = "disk full"
    LOCKED = "store locked"
    READ_ONLY = "store read-only"
    CLOCK = "clock set back"
    KILLED = "program killed"
    RESET = "insole reset"
    DAMAGED = "piece damaged"


@dataclass(frozen=True, slots=True)
class Trouble:
    """A fault of one ten minutes.

    Attributes
    ----------
    fault : Fault
    at, upto : int
        Its first packet, and the first one after it.
    foot : Foot
        Whose insole or link, where it is one's.
    """

    fault: Fault
    at: int
    upto: int
    foot: Foot


def troubles(seed: int, faults: Iterable[Fault]) -> tuple[Trouble, ...]:
    """Draw one fault for each ten minutes of a day; each kind comes as often as the others."""
    rng = Random(seed)
    kinds = list(faults)
    drawn = (kinds * (SLOTS // len(kinds) + 1))[:SLOTS]
    rng.shuffle(drawn)
    found = []
    for slot, fault in enumerate(drawn):
        at = slot * SLOT + PUSH * rng.randint(3, 12)
        upto = at + (AWAY if fault is Fault.RESET else PUSH * rng.randint(1, 8))
        found.append(Trouble(fault, at, upto, rng.choice(FEET)))
    return tuple(found)


KEPT: list[Path] = []
"""The file of bodies, in the gateway of the day."""


@cache
def _bodies(foot: Foot) -> NDArray[np.uint8]:
    """Return ten minutes of packets, counter and clock still to be put in; a row each."""
    if KEPT:
        with np.load(KEPT[0]) as kept:
            rows: NDArray[np.uint8] = kept[foot]
        return rows
    from plantigrade.synth import Player, SessionPlan, Stand, Swing, Walk, perform

    calm = (Stand(8.0), Walk(8), Swing(), Stand(20.0), Swing(), Stand(240.0))
    done = perform(Player(), SessionPlan(calm), 1e6 / PERIOD_US, 1)
    zones = done.left if foot is Foot.LEFT else done.right
    counts = default_calibration(eighteen(), foot).counts(zones)
    counts = np.concatenate([counts] * (1 + SLOT * FRAMES // len(counts)))[: SLOT * FRAMES]
    packed, no = SampleFormat.PACKED12, False
    packets = [
        encode_data(DataPacket(foot, packed, no, no, no, 0, 0, PERIOD_US, counts[k : k + FRAMES]))
        for k in range(0, len(counts), FRAMES)
    ]
    return np.frombuffer(b"".join(packets), np.uint8).reshape(SLOT, -1)


def keep_bodies(path: Path) -> None:
    """Write what both insoles send in ten minutes to a file (.npz)."""
    np.savez(path, left=_bodies(Foot.LEFT), right=_bodies(Foot.RIGHT))


class Sent:
    """What one insole makes in a day, and what of it is heard.

    Attributes
    ----------
    made, heard : ndarray of bool, shape (DAY,)
    counter, clock_us : ndarray of uint32, shape (DAY,)
    first : ndarray of bool, shape (DAY,)
        After a reset.
    links : list of (int, Kind)
        Before which packet its link goes or comes.
    """

    def __init__(self, foot: Foot, table: tuple[Trouble, ...]) -> None:
        self.foot = foot
        self.made = np.ones(DAY, np.bool_)
        self.heard = np.ones(DAY, np.bool_)
        self.first = np.zeros(DAY, np.bool_)
        self.links: list[tuple[int, Kind]] = []
        begun = np.zeros(DAY, np.int64)  # the packet that the counter counts from
        for one in table:
            if one.foot is not foot:
                continue
            if one.fault is Fault.RESET:
                self.made[one.at : one.upto] = False
                begun[one.upto :] = one.upto
                self.first[one.upto] = True
            if one.fault in (Fault.RESET, Fault.LINK):
                self.heard[one.at : one.upto] = False
                self.links += [(one.at, Kind.DISCONNECTED), (one.upto, Kind.CONNECTED)]
        life = np.arange(DAY) - begun
        self.counter = life.astype("<u4")
        self.clock_us = (life * PACKET_US % (1 << 32)).astype("<u4")

    def packets(self, at: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Return packets as they are sent; flags, counter and clock lie at 3, 4 and 8
        (`hardware_notes/wire_format.md` §3)."""
        found = _bodies(self.foot)[at % SLOT]
        found[:, 3] = self.first[at]
        found[:, 4:8] = self.counter[at].view(np.uint8).reshape(-1, 4)
        found[:, 8:12] = self.clock_us[at].view(np.uint8).reshape(-1, 4)
        return found


class World:
    """Both insoles of a day."""

    def __init__(self, table: tuple[Trouble, ...]) -> None:
        self.table = table
        self.sent = {foot: Sent(foot, table) for foot in FEET}

    def begins(self, packet: int) -> Batch:
        """Return what a gateway hears first: both insoles are there."""
        ns = START_NS + packet * PACKET_NS
        return Batch.of([Entry(ns, INSOLE_OF[foot], Kind.CONNECTED, b"") for foot in FEET])

    def heard(self, first: int, stop: int) -> Batch:
        """Return what the gateway hears of packets first…stop−1, in order of arrival."""
        parts: list[Batch] = []
        for foot, sent in self.sent.items():
            number = INSOLE_OF[foot]
            at = np.flatnonzero(sent.heard[first:stop]) + first
            bytes_ = sent.packets(at)
            n = len(at)
            parts.append(
                Batch(
                    START_NS + (at + 1) * PACKET_NS + 5_000_000 * number,
                    np.full(n, number, np.uint8),
                    np.full(n, int(Kind.NOTIFICATION), np.uint8),
                    np.full(n, bytes_.shape[1], np.int64),
                    bytes_.tobytes(),
                )
            )
            for packet, kind in sent.links:
                if first <= packet < stop:
                    ns = START_NS + packet * PACKET_NS + 50_000_000
                    parts.append(Batch.of([Entry(ns, number, kind, b"")]))
        return in_order(Batch.joined(parts))


def in_order(batch: Batch) -> Batch:
    """Sort entries by their arrival."""
    order = np.argsort(batch.arrival_ns, kind="stable")
    if (np.diff(order) > 0).all():
        return batch
    ends = np.cumsum(batch.length)
    payload = b"".join(
        batch.payload[int(ends[k] - batch.length[k]) : int(ends[k])] for k in order.tolist()
    )
    return Batch(
        batch.arrival_ns[order],
        batch.insole[order],
        batch.kind[order],
        batch.length[order],
        payload,
    )


# ---- the gateway of the day ----


def _tell(*words: object) -> None:
    print("TEST", *words, flush=True)


def _until(done: Callable[[], bool], what: str) -> None:
    for _ in range(500 * HANG_S):
        if done():
            return
        threading.Event().wait(0.002)
    raise TimeoutError(what)


class Source:
    """Gives the day from a packet on, and makes its faults (a `Source`)."""

    name = "a day"
    is_live = False

    def __init__(self, world: World, first: int, store: Path) -> None:
        self.links: dict[Foot, LinkInfo] = {}
        self.manager: SessionManager | None = None
        self.now_ns = START_NS + first * PACKET_NS
        self._world = world
        self._first = first
        self._store = store
        self._stopped = False
        self.back = timedelta()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        pass

    async def stop(self) -> None:
        self._stopped = True

    async def __aiter__(self) -> AsyncIterator[Batch]:
        yield self._world.begins(self._first)
        ending: contextlib.ExitStack = contextlib.ExitStack()
        for k in range(self._first, STOP, PUSH):
            trouble = self._world.table[k // SLOT]
            if k == trouble.at and trouble.fault is Fault.KILLED:
                self._flush()
                _tell("KILL", k)
                for one in range(k, k + DOWN):  # as long as it lives
                    yield self._world.heard(one, one + 1)
                threading.Event().wait()
            if k == trouble.at:
                ending.enter_context(self._fault(trouble))
            yield self._world.heard(k, k + PUSH)
            self.now_ns = START_NS + (k + PUSH) * PACKET_NS
            if k == trouble.at and trouble.fault in REFUSALS:
                _until(lambda: self._problem() is not None, f"{trouble.fault}: no refusal")
            if k + PUSH >= trouble.upto > k:
                ending.close()
                _until(lambda: self._problem() is None, f"{trouble.fault}: refused for ever")
            if (k + PUSH) % HOUR < PUSH:
                self._flush()
                gc.collect()
                _tell("MEMORY", (k + PUSH) // HOUR, _resident_bytes())

    def _problem(self) -> str | None:
        assert self.manager is not None and self.manager.live is not None
        return self.manager.live.store_problem

    def _flush(self) -> None:
        assert self.manager is not None and self.manager.live is not None
        self.manager.live.flush()

    @contextlib.contextmanager
    def _fault(self, trouble: Trouble) -> Iterator[None]:
        match trouble.fault:
            case Fault.FULL:
                self._flush()
                with contextlib.closing(sqlite3.connect(self._store)) as db:
                    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # else the log has room left
                filler = fill(self._store.parent)
                yield
                filler.unlink()
            case Fault.LOCKED:
                other = sqlite3.connect(self._store, isolation_level=None)
                _locked(other)
                yield
                other.execute("ROLLBACK")
                other.close()
            case Fault.READ_ONLY:
                may_only_read(True)
                yield
                may_only_read(False)
            case Fault.CLOCK:
                Back.by += timedelta(hours=1)
                yield
            case Fault.DAMAGED:
                self._damage()
                yield
            case _:
                yield

    def _damage(self) -> None:
        """Damage the piece that was stored last."""
        self._flush()
        with contextlib.closing(sqlite3.connect(self._store)) as db:
            (found,) = db.execute(
                "SELECT session_no, seq, first_entry, entries FROM chunks"
                " ORDER BY session_no DESC, seq DESC LIMIT 1"
            )
        flip_piece(self._store, found[1], found[0])
        _tell("DAMAGED", *found)


REFUSALS = (Fault.FULL, Fault.LOCKED, Fault.READ_ONLY)


def _locked(other: sqlite3.Connection) -> None:
    """Take the write lock as soon as nobody has it."""
    while True:
        with contextlib.suppress(sqlite3.OperationalError):
            other.execute("BEGIN IMMEDIATE")
            return


CONNECTIONS: list[Store] = []


def may_only_read(only: bool) -> None:
    for store in CONNECTIONS:
        store.database.read(f"PRAGMA query_only = {int(only)}")


def _resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


class Back(datetime):
    """A wall clock that was set back."""

    by = timedelta()

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> "Back":
        return cls.fromtimestamp((datetime.now() - cls.by).timestamp(), tz)


class Job:
    """The day as the runner's job (a `Job`)."""

    def __init__(self, source: Source) -> None:
        self._source = source

    @asynccontextmanager
    async def opened(self, store: Store, say: Callable[[str], None]) -> AsyncIterator[Source]:
        yield self._source

    def intro(self) -> Iterable[str]:
        return ()

    def work(self, stage: Stage) -> Sessions:
        source = self._source

        def managed(*ends: object) -> SessionManager:
            source.manager = SessionManager(SETTINGS, *ends)  # type: ignore[arg-type]
            return source.manager

        return Sessions(stage, source, SETTINGS, managed, now_ns=lambda: source.now_ns)

    def greeting(self) -> Iterable[str]:
        return ()


def main(store: str, bodies: str, first: str, seed: str, *faults: str) -> None:
    """Be the gateway of a day from a packet on."""
    KEPT.append(Path(bodies))
    recorder.RETRY_S, recorder.COMMIT_EVERY_S, schema.BUSY_S = 0.02, 0.0, 0.05
    setattr(rows, "datetime", Back)  # noqa: B010 - to the type checker it is another's
    table = troubles(int(seed), map(Fault, faults))
    Back.by = timedelta(hours=sum(t.fault is Fault.CLOCK and t.at < int(first) for t in table))
    opened = Store.open

    def watched(path: Path, *, create: bool = True) -> Store:
        one = opened(path, create=create)
        CONNECTIONS.append(one)
        return one

    Store.open = watched  # type: ignore[method-assign, assignment]
    source = Source(World(table), int(first), Path(store))

    async def work() -> None:
        out = Console(file=sys.stdout, width=1000)
        await run(Job(source), RunOptions(sound=None, store=Path(store)), out, asyncio.Event())

    asyncio.run(work())


if __name__ == "__main__":
    main(*sys.argv[1:])
