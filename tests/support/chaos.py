"""Chaos: database, broker and gateway killed at random under load; afterwards nothing is missing.

    python -m tests.support.chaos SECONDS [SEED]

The gateway is a process of its own (`chaos_gateway.py`): it writes events to the store as a session
does, with a real forwarding process beside it. Between it and the database stands a proxy that
hangs, answers slowly, cuts, or refuses. A durable subscriber listens at the broker throughout.
"""

import asyncio
import contextlib
import json
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
from tests.support.faultproxy import FaultProxy
from tests.support.servers import Mosquitto, Victoria

from plantigrade_gateway.config import load
from plantigrade_gateway.forward.check import Compared, verify
from plantigrade_gateway.forward.outbox import Outbox
from plantigrade_gateway.store import Store

SETTLE_S = 90.0
"""After the last fault, for everything to arrive."""


@dataclass
class Outcome:
    """What was made and what arrived."""

    produced: int
    at_broker: int
    duplicates: int
    missing_at_broker: int
    points: int
    missing_points: int
    wrong_points: int
    aside: int
    faults: Counter[str] = field(default_factory=Counter)

    @property
    def is_whole(self) -> bool:
        return not (self.missing_at_broker or self.missing_points or self.wrong_points)

    def __str__(self) -> str:
        faults = ", ".join(f"{name} {count}" for name, count in sorted(self.faults.items()))
        return (
            f"produced {self.produced} events; broker: delivered {self.at_broker}, duplicates "
            f"{self.duplicates}, missing {self.missing_at_broker}; database: {self.points} points, "
            f"missing {self.missing_points}, wrong or unknown {self.wrong_points}; "
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
    """

    def __init__(self, folder: Path, seconds: float, seed: int) -> None:
        self._folder = folder
        self._seconds = seconds
        self._random = random.Random(seed)
        (folder / "vm").mkdir()
        self._database = Victoria(folder / "vm")
        self._broker = Mosquitto(folder / "broker")
        self._faults: Counter[str] = Counter()
        self._got: Counter[str] = Counter()
        self._gateway: subprocess.Popen[bytes] | None = None
        self._settings = folder / "settings.toml"
        self._store = folder / "store.sqlite3"

    async def run(self) -> Outcome:
        await asyncio.to_thread(self._database.start)
        await asyncio.to_thread(self._broker.start)
        try:
            async with FaultProxy(self._database.port) as proxy, self._subscriber():
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
        while time.monotonic() < end:
            await asyncio.sleep(self._random.uniform(0.3, 1.5))
            kind = self._random.choice(
                ("database", "broker", "gateway", "hang", "slow", "cut", "400", "hung broker")
            )
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
            else:
                proxy.mode = kind
                await asyncio.sleep(self._random.uniform(0.2, 3.0))
                proxy.mode = "well"

    async def _restart(self, server: Victoria | Mosquitto) -> None:
        server.kill()
        await asyncio.sleep(self._random.choice((0.0, 0.5, 3.0)))
        await asyncio.to_thread(server.start)

    async def _heal(self, proxy: FaultProxy) -> None:
        """A last restart of the gateway; what was set aside is tried again."""
        proxy.mode = "well"
        self._end_gateway()
        with Store.open(self._store) as store:
            Outbox(store.database).try_again()
        self._start_gateway("--no-events")

    async def _settle(self) -> Outcome:
        end = time.monotonic() + SETTLE_S
        while True:
            await asyncio.sleep(1.0)
            outcome = await self._outcome()
            if outcome.is_whole or time.monotonic() > end:
                return outcome

    async def _outcome(self) -> Outcome:
        await asyncio.to_thread(self._database.series, '{__name__="none"}')  # flushes
        config = load(self._settings, {})
        ids: set[str] = set()
        compared: list[Compared] = []
        with Store.open(self._store) as store:
            for session in store.sessions():
                ids |= {row.event_id for row in store.events(session.session_id)}
                try:
                    compared.append(await verify(config, store, session.session_id))
                except Exception as error:
                    print(error, file=sys.stderr)
                    compared.append(Compared(1, 1, 0, 0, 0, str(error)))
            aside = len(Outbox(store.database).aside())
        return Outcome(
            produced=len(ids),
            at_broker=len(ids & self._got.keys()),
            duplicates=sum(self._got.values()) - len(self._got),
            missing_at_broker=len(ids - self._got.keys()),
            points=sum(c.expected for c in compared),
            missing_points=sum(c.missing for c in compared),
            wrong_points=sum(c.different + c.extra for c in compared),
            aside=aside,
            faults=self._faults,
        )

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
            gateway.wait(10)

    @contextlib.asynccontextmanager
    async def _subscriber(self) -> AsyncIterator[None]:
        """Listen as a durable subscriber does, over every restart of the broker."""
        there = asyncio.Event()

        async def listen() -> None:
            while True:
                with contextlib.suppress(aiomqtt.MqttError):
                    async with aiomqtt.Client(
                        "127.0.0.1",
                        self._broker.port,
                        identifier="durable",
                        clean_session=False,
                        timeout=3,
                        keepalive=5,
                    ) as client:
                        await client.subscribe("plantigrade/v1/north/b1/events/#", qos=1)
                        there.set()
                        async for message in client.messages:
                            self._got[json.loads(bytes(message.payload))["id"]] += 1
                await asyncio.sleep(0.1)

        listening = asyncio.create_task(listen())
        await asyncio.wait_for(there.wait(), 20)
        try:
            yield
        finally:
            listening.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await listening


def main() -> None:
    """Run once, print the outcome, fail where something is missing."""
    seconds = float(sys.argv[1])
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else random.randrange(1_000_000)
    with tempfile.TemporaryDirectory() as folder:
        outcome = asyncio.run(Chaos(Path(folder), seconds, seed).run())
    print(f"seed {seed}: {outcome}")
    sys.exit(0 if outcome.is_whole else 1)


if __name__ == "__main__":
    main()
