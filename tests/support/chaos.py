"""Chaos: database, broker and gateway killed at random under load; afterwards nothing is missing.

    python -m tests.support.chaos SECONDS [SEED]...

The gateway is a process of its own (`chaos_gateway.py`): it writes events to the store as a session
does, with a real forwarding process beside it. Between it and the database stands a proxy that
hangs, answers slowly, cuts, or refuses. A durable subscriber listens at the broker throughout. In
the long run the database and the store are each on a small disk of its own that fills up (root
only).
"""

import asyncio
import contextlib
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from tests.support.faultproxy import FaultProxy
from tests.support.servers import Mosquitto, Victoria
from tests.support.subscriber import Subscriber
from tests.support.tinydisk import NoDisk, fill, mounted
from tests.support.waiting import HANG_S

from plantigrade_gateway.analysis.eventrow import EventRow
from plantigrade_gateway.config import load
from plantigrade_gateway.forward.verify import Comparison, verify
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

SETTLE_S = 600.0
"""After the last fault, for everything to arrive; against hanging only."""
DISKS = {"database": "64m", "store": "32m"}
"""The small disks: enough for minutes, and the ten megabytes that the database leaves free."""
FULL = "full disk: "
_STEP_S = 0.65  # from one step of `chaos_gateway` to the next


STATED = {
    "step": {"stance_s": 0.65, "peak1_n": 801.5, "roll": 2.0, "heel__onset_pct": 0.1},
    "swing": {"load_tempo": 2.4, "push__transfer_s": 0.12, "push__manner": 3.0},
}
"""Fields and codes of `hardware_notes/tsdb_schema.md`, values of `tests.support.records`."""
TOLD: dict[str, dict[str, float | str]] = {
    "step": {"stance_s": 0.65, "peak1_n": 801.5, "roll": "through"},
    "swing": {"load_tempo": 2.4, "lead_peak_bw": 1.4, "lead": "left"},
}
"""As `hardware_notes/analysis_json.md` names them."""
Points = dict[tuple[str, str], dict[int, float]]


def points_of(series: list[dict[str, Any]]) -> Points:
    """Return what the database has: by name and session, values at their times (ms)."""
    points: Points = {}
    for one in series:
        metric = one["metric"]
        at = points.setdefault((metric["__name__"], metric.get("session", "")), {})
        at.update(zip(one["timestamps"], one["values"], strict=True))
    return points


@dataclass
class Outcome:
    """What was made and what arrived."""

    produced: int
    gaps: int
    at_broker: int
    duplicates: int
    missing_at_broker: int
    points: int
    missing_points: int
    wrong_points: int
    unknown_at_broker: int
    astray: list[str]
    aside: int
    faults: Counter[str] = field(default_factory=Counter)

    @property
    def is_whole(self) -> bool:
        return not (
            self.gaps
            or self.missing_at_broker
            or self.missing_points
            or self.wrong_points
            or self.unknown_at_broker
            or self.astray
        )

    def __str__(self) -> str:
        faults = ", ".join(f"{name} {count}" for name, count in sorted(self.faults.items()))
        return (
            f"produced {self.produced} events, missing in the store {self.gaps}; broker: delivered "
            f"{self.at_broker}, duplicates {self.duplicates}, missing {self.missing_at_broker}; "
            f"database: {self.points} points, missing {self.missing_points}, "
            f"wrong or unknown {self.wrong_points}; broker: unknown to the store "
            f"{self.unknown_at_broker}; not as was made {len(self.astray)} {self.astray[:3]}; "
            f"set aside {self.aside}; faults: {faults}"
        )


class Chaos:
    """One run.

    Parameters
    ----------
    folder : Path
    seconds : float
        Of faults; then everything is left to arrive.
    seed : int
    disks : bool
        Whether full disks are among the faults.
    least : int
        Faults go on until so many events were stored, however slow the machine is.
    least_faults : int
        And until there were so many faults.
    """

    def __init__(
        self,
        folder: Path,
        seconds: float,
        seed: int,
        disks: bool = False,
        least: int = 0,
        least_faults: int = 0,
    ) -> None:
        self._kinds = ["database", "broker", "gateway", "hang", "slow", "cut", "400", "hung broker"]
        self._disks = {name: folder / name for name in DISKS} if disks else {}
        self._seconds, self._least, self._least_faults = seconds, least, least_faults
        self._random = random.Random(seed)
        for name in DISKS:
            (folder / name).mkdir()
        self._database = Victoria(folder / "database")
        self._broker = Mosquitto(folder / "broker")
        self._faults: Counter[str] = Counter()
        self._subscriber = Subscriber(self._broker.port, "plantigrade/v1/north/b1/events/#")
        self._gateway: subprocess.Popen[bytes] | None = None
        self._settings = folder / "settings.toml"
        self._store = folder / "store" / "store.sqlite3"

    async def run(self) -> Outcome:
        with contextlib.ExitStack() as mounts:
            for name, folder in self._disks.items():
                try:
                    mounts.enter_context(mounted(folder, DISKS[name]))
                except NoDisk as error:
                    print(f"left out: {FULL}{name}; {error}", file=sys.stderr)
                else:
                    self._kinds.append(FULL + name)
            return await self._run()

    async def _run(self) -> Outcome:
        await asyncio.to_thread(self._database.start)
        await asyncio.to_thread(self._broker.start)
        try:
            async with FaultProxy(self._database.port) as proxy, self._subscriber.listening():
                self._write_settings(proxy.port)
                self._start_gateway()
                await self._break_things(proxy)
                await self._heal(proxy)
                return await self._settle()
        finally:
            self._end_gateway()
            for server in (self._database, self._broker):
                if server.is_up:
                    server.kill()

    def _write_settings(self, port: int) -> None:
        self._settings.write_text(
            'site = "north"\nbay = "b1"\n'
            f'[tsdb]\nurl = "http://127.0.0.1:{port}"\ntimeout_s = 2.0\nhold_s = 12.0\n'
            f'[mqtt]\nhost = "127.0.0.1"\nport = {self._broker.port}\n'
            "timeout_s = 3.0\nhold_s = 12.0\n",
            "utf-8",
        )

    async def _break_things(self, proxy: FaultProxy) -> None:
        end = time.monotonic() + self._seconds
        while (
            time.monotonic() < end
            or self._n_stored() < self._least
            or self._faults.total() < self._least_faults
        ):
            await asyncio.sleep(self._random.uniform(0.3, 1.5))
            kind = self._random.choice(self._kinds)
            self._faults[kind] += 1
            if kind == "database":
                await self._restart(self._database)
            elif kind == "broker":
                await self._restart(self._broker)
            elif kind == "gateway":
                self._end_gateway()
                await asyncio.sleep(self._random.uniform(0.0, 1.0))
                self._start_gateway()
            elif kind == "hung broker":
                self._broker.pause()
                await asyncio.sleep(self._random.uniform(0.2, 4.0))
                self._broker.go_on()
            elif kind.startswith(FULL):
                await self._fill(self._disks[kind.removeprefix(FULL)])
            else:
                proxy.mode = kind
                await asyncio.sleep(self._random.uniform(0.2, 3.0))
                proxy.mode = "well"

    def _n_stored(self) -> int:
        if not self._store.exists():
            return 0
        with Store.open(self._store, read_only=True) as store:
            ((n,),) = store.database.read("SELECT count(*) FROM events")
        return int(n)

    async def _fill(self, disk: Path) -> None:
        """Leave no room on a disk for a while; the database ends of that at times."""
        filler = await asyncio.to_thread(fill, disk)
        await asyncio.sleep(self._random.uniform(1.0, 8.0))
        filler.unlink()
        if self._database.has_died:
            self._faults["database died of it"] += 1
            await self._restart(self._database)

    async def _restart(self, server: Victoria | Mosquitto) -> None:
        server.kill()
        await asyncio.sleep(self._random.choice((0.0, 0.5, 3.0)))
        await asyncio.to_thread(server.start)

    async def _heal(self, proxy: FaultProxy) -> None:
        """A last restart of the gateway; what was set aside is tried again."""
        proxy.mode = "well"
        self._end_gateway()
        with Store.open(self._store) as store:
            Outbox(store.database).retry_dead_letters()
        self._start_gateway("--no-events")

    async def _settle(self) -> Outcome:
        end = time.monotonic() + SETTLE_S
        while True:
            await asyncio.sleep(1.0)
            outcome = await self._outcome()
            if outcome.is_whole or time.monotonic() > end:
                return outcome

    async def _outcome(self) -> Outcome:
        points = points_of(await asyncio.to_thread(self._database.series))
        config = load(self._settings, {})
        ids: set[str] = set()
        known: set[str] = set()
        gaps = 0
        astray: list[str] = []
        compared: list[Comparison] = []
        with Store.open(self._store) as store:
            for session in store.sessions():
                rows = list(store.events(session.session_id))
                ids |= {row.event_id for row in rows}
                known.add(session.session_id)
                start_ms = session.started.timestamp() * 1e3
                for row in rows:
                    astray += self._astray(session.session_id, start_ms, row, points)
                steps = [row.t_s for row in rows if row.kind == "step"]
                if steps:
                    gaps += round((max(steps) - min(steps)) / _STEP_S) + 1 - len(steps)
                try:
                    compared.append(await verify(config, store, session.session_id))
                except Exception as error:
                    print(error, file=sys.stderr)
                    compared.append(Comparison(1, 1, 0, 0, 0, str(error)))
            aside = len(Outbox(store.database).dead_letters())
        return Outcome(
            produced=len(ids),
            gaps=gaps,
            at_broker=len(ids & self._subscriber.got.keys()),
            duplicates=sum(self._subscriber.got.values()) - len(self._subscriber.got),
            missing_at_broker=len(ids - self._subscriber.got.keys()),
            points=sum(c.expected for c in compared),
            missing_points=sum(c.missing for c in compared),
            wrong_points=sum(c.different + c.extra for c in compared),
            unknown_at_broker=sum(
                told["session"] not in known or (told["kind"] in STATED and ident not in ids)
                for ident, told in self._subscriber.messages.items()
            ),
            astray=astray,
            aside=aside,
            faults=self._faults,
        )

    def _astray(self, session: str, start_ms: float, row: EventRow, points: Points) -> list[str]:
        """Return what of an event is not in the database or at the broker as it was made.

        Not by what makes points and messages, as `verify` does: by what `tests.support.records`
        makes and the notes say of measurements, fields and times. What has not arrived at the
        broker is counted elsewhere.
        """
        wrong = []
        kind, t_s = row.kind, row.t_s
        for name, value in STATED[kind].items():
            series = points.get((f"plantigrade_{kind}_{name}", session), {})
            at = start_ms + 1e3 * t_s
            if not any(v == value and abs(ms - at) < 2.0 for ms, v in series.items()):
                wrong.append(f"database: {kind} at {t_s} s: {name}")
        told = self._subscriber.messages.get(row.event_id)
        if told is not None:
            at = datetime.fromisoformat(told["time"]).timestamp() * 1e3
            body = {name: told["body"][name] for name in TOLD[kind]}
            if body != TOLD[kind] or abs(at - start_ms - 1e3 * t_s) >= 2.0:
                wrong.append(f"broker: {kind} at {t_s} s: {body}")
        return wrong

    def _start_gateway(self, *more: str) -> None:
        command = [sys.executable, "-m", "tests.support.chaos_gateway"]
        self._gateway = subprocess.Popen(
            [*command, str(self._store), str(self._settings), *more],
            cwd=Path(__file__).resolve().parents[2],
        )

    def _end_gateway(self) -> None:
        """kill -9: its forwarding process ends by the end of its input."""
        gateway, self._gateway = self._gateway, None
        if gateway is not None:
            gateway.kill()
            gateway.wait(HANG_S)


class Judged(Protocol):
    """An outcome."""

    @property
    def is_whole(self) -> bool:
        """Whether nothing is missing, double or wrong."""


def over_seeds(run: Callable[[Path, float, int], Awaitable[Judged]]) -> None:
    """Run once for each seed, print the outcomes, fail where something is missing.

    Parameters
    ----------
    run : callable
        Takes a folder, seconds and a seed.
    """
    seconds = float(sys.argv[1])
    seeds = [int(text) for text in sys.argv[2:]] or [random.randrange(1_000_000)]
    whole = True
    for seed in seeds:
        print(f"seed {seed}", flush=True)
        with tempfile.TemporaryDirectory() as folder:
            outcome = asyncio.run(_awaited(run(Path(folder), seconds, seed)))
        print(f"seed {seed}: {outcome}", flush=True)
        whole = whole and outcome.is_whole
    sys.exit(0 if whole else 1)


async def _awaited(outcome: Awaitable[Judged]) -> Judged:
    return await outcome


if __name__ == "__main__":
    over_seeds(lambda folder, seconds, seed: Chaos(folder, seconds, seed, disks=True).run())
