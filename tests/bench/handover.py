"""What a bay that records costs its hub: pieces handed over one by one, and gathered, over HTTP.

The real hub in a process of its own, with its tables on a real PostgreSQL and its objects in a
folder; pieces of the invented practice session of twenty bays, each of a session of its own, as a
bay's hand-over sends them. No TLS: on this machine alone a hub has none.
"""

import asyncio
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import aiohttp
from tests.bench.table import Row
from tests.support.hub import STARTED, pieces_of, recorded
from tests.support.postgres import Postgres, postgres
from tests.support.procfs import cpu_s

from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.names import store_path
from plantigrade_gateway.people.tables import SERVER, server_engine
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.bodies import Piece, together
from plantigrade_gateway.sync.messages import PREFIX
from plantigrade_gateway.sync.records import GATHER_S

BAYS = 20
PIECES = 84
PER_S = 1.43
"""Pieces a bay writes a second (`hardware_notes/capacity.md`)."""
AT_ONCE = 4
SHARE_MS = 600.0  # of a second: 60 % of a core
MAIN = "from plantigrade_gateway.cli.main import main; main()"


@dataclass(frozen=True, slots=True)
class Cost:
    """Processor time of a bay and second, ms: the hub's server's and PostgreSQL's."""

    hub: float
    tables: float


def rows() -> Iterator[Row]:
    """Give what a bay and second costs."""
    gathered = round(GATHER_S * PER_S)
    with tempfile.TemporaryDirectory() as folder, postgres() as server:
        one = _measured(Path(folder) / "one", server, 1)
        several = _measured(Path(folder) / "several", server, gathered)
    load = os.getloadavg()[0]
    yield Row(
        "hub, a bay that records",
        f"{several.hub:.2f} ms of the hub and {several.tables:.2f} of PostgreSQL a second, "
        f"{SHARE_MS / several.hub:.0f} bays in 60 % of a core; one by one {one.hub:.2f} and "
        f"{one.tables:.2f} ms, {SHARE_MS / one.hub:.0f} bays",
        f"{BAYS} bays of {PIECES} pieces, {gathered} together ({GATHER_S:g} s of recording), over "
        f"HTTP, {AT_ONCE} requests at once, load average {load:.1f}",
    )


def _measured(folder: Path, server: Postgres, most: int) -> Cost:
    folder.mkdir()
    with Store.open(folder / "bay.sqlite3") as store:
        pieces = pieces_of(store, recorded(store))[:PIECES]
    Store.open(store_path(folder)).close()
    with server.people() as url:
        engine = server_engine(url)
        tokens = [Bays(engine).add(f"b{n}") for n in range(BAYS)]
        engine.dispose()
        program = [sys.executable, "-c", MAIN, "hub", "serve", "--data", str(folder), "--port", "0"]
        with subprocess.Popen(
            program, env={**os.environ, SERVER: url}, stdout=subprocess.PIPE, text=True
        ) as hub:
            try:
                assert hub.stdout is not None
                place = hub.stdout.readline().split()[-1].rstrip("/")
                before = cpu_s(hub.pid), server.cpu_s()
                asyncio.run(_given(place, tokens, pieces, most))
                after = cpu_s(hub.pid), server.cpu_s()
            finally:
                hub.send_signal(signal.SIGTERM)
    seconds = BAYS * len(pieces) / PER_S
    hub_ms, tables_ms = (1e3 * (b - a) / seconds for a, b in zip(before, after, strict=True))
    return Cost(hub_ms, tables_ms)


async def _given(place: str, tokens: list[str], pieces: list[bytes], most: int) -> None:
    async with aiohttp.ClientSession(f"{place}{PREFIX}/") as http:
        turn = asyncio.Semaphore(AT_ONCE)

        async def ask(n: int, method: str, path: str, **more: object) -> None:
            headers = {"Authorization": f"Bearer {tokens[n]}"}
            headers |= more.pop("headers", {})  # type: ignore[call-overload]
            async with turn, http.request(method, path, headers=headers, **more) as answer:  # type: ignore[arg-type]
                assert answer.status == 200, await answer.text()
                await answer.read()

        heads = [f"sessions/{n:032x}" for n in range(BAYS)]
        body = {"player_id": None, "started_utc": STARTED, "utc_offset_min": 60}
        for n, head in enumerate(heads):
            await ask(n, "PUT", head, json={**body, "session_id": f"{n:032x}", "about": {}})
        for at in range(0, len(pieces), most):
            group = [Piece.of(k, data) for k, data in enumerate(pieces[at : at + most], at)]
            if most == 1:
                sent = {"data": group[0].data, "headers": {"Piece-SHA256": group[0].sha256}}
                asked = ("PUT", f"pieces/{at}")
            else:
                sent, asked = {"data": together(group)}, ("POST", "pieces")
            method, path = asked
            await asyncio.gather(
                *(ask(n, method, f"{head}/{path}", **sent) for n, head in enumerate(heads))
            )


if __name__ == "__main__":
    for row in rows():
        print(row)
