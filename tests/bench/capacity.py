"""What `hardware_notes/capacity.md` reckons with: sizes of a bay's messages, and an engine's rates.

Real messages and pieces of the invented practice session, a real VictoriaMetrics and a real
PostgreSQL. What the broker and the hub's page cost is in `tests/bench/roster.py`.
"""

import asyncio
import hashlib
import os
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from tests.bench.roster import sizes
from tests.support.bays import Practice
from tests.support.hub import pieces_of, recorded
from tests.support.postgres import postgres
from tests.support.procfs import cpu_s
from tests.support.servers import Victoria

from plantigrade_gateway.config import load
from plantigrade_gateway.forward import tsdb
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.uploads import Uploads
from plantigrade_gateway.people.tables import server_engine
from plantigrade_gateway.sources.replay import demo_file
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.bodies import Piece
from plantigrade_gateway.sync.messages import SessionHead

EVENTS = 4000
AT_ONCE = 200
PIECES = 300


def main() -> None:
    """Print the figures."""
    print(sizes())
    with tempfile.TemporaryDirectory() as folder:
        print(_database(Path(folder)), flush=True)
        print(_hub(Path(folder)), flush=True)
    print(f"machine: {os.cpu_count()} cores, load average {os.getloadavg()[0]:.1f}")


def _database(folder: Path) -> str:
    items = [item for _, item in Practice.made().items]
    first_ms = time.time_ns() // 1_000_000 - EVENTS * 1000
    made = []
    for n in range(EVENTS):
        item = items[n % len(items)]
        session = hashlib.sha256(f"{n // 500}".encode()).hexdigest()[:32]
        mine = replace(item, session=session, time_ms=first_ms + 1000 * n)
        made.append(tsdb.lines(mine, tsdb.place_tags("north", f"b{n % 200}")))
    values = sum(line.count("=") for lines in made for line in lines)
    server = Victoria(folder)
    server.start()
    assert server._process is not None
    try:
        config = load(None, {"PLANTIGRADE_TSDB_URL": server.url})
        before, began = cpu_s(server._process.pid), time.monotonic()
        asyncio.run(_write(config, made))
        passed = time.monotonic() - began
        used = cpu_s(server._process.pid) - before
        server.series("nothing")  # it writes to its disk what it holds
        size = sum(file.stat().st_size for file in (folder / "data").rglob("*") if file.is_file())
    finally:
        server.kill()
    text = sum(len(line) + 1 for lines in made for line in lines)
    return (
        f"database: {EVENTS} events ({text / EVENTS:.0f} bytes of lines, about "
        f"{values / EVENTS:.0f} tags and fields each) of 200 bays: {EVENTS / passed:.0f} events/s, "
        f"{1e3 * used / EVENTS:.2f} ms of its CPU an event, {size / EVENTS:.0f} bytes of disk each"
    )


async def _write(config: object, made: list[list[str]]) -> None:
    database = tsdb.Database(config)  # type: ignore[arg-type]
    await database.open()
    try:
        for first in range(0, len(made), AT_ONCE):
            await database.write([line for one in made[first : first + AT_ONCE] for line in one])
    finally:
        await database.close()


def _hub(folder: Path) -> str:
    with Store.open(folder / "bay.sqlite3") as store:
        pieces = pieces_of(store, recorded(store))[:PIECES]
    with postgres() as server, server.people() as url:
        engine = server_engine(url)
        uploads, took_ms = Uploads(engine, Objects.of(str(folder / "objects"))), []
        Bays(engine).add("one")
        session = "ab" * 16
        uploads.begin("one", SessionHead(session, None, "2026-03-01T09:30:00.250+00:00", 60))
        before, mine_s, began = server.cpu_s(), time.process_time(), time.monotonic()
        for number, data in enumerate(pieces):
            at = time.monotonic()
            uploads.take("one", session, [Piece.of(number, data)])
            took_ms.append(1e3 * (time.monotonic() - at))
        passed = time.monotonic() - began
        theirs_s, mine_s = server.cpu_s() - before, time.process_time() - mine_s
        engine.dispose()
    p50, p99 = np.percentile(took_ms, [50, 99])
    record = demo_file().stat().st_size
    return (
        f"hub: {len(pieces)} pieces of a second, {np.mean([len(one) for one in pieces]):.0f} bytes "
        f"each, one after the other: {len(pieces) / passed:.0f} a second (p50 {p50:.1f}, p99 "
        f"{p99:.1f} ms), CPU of PostgreSQL {1e3 * theirs_s / len(pieces):.2f} ms and of the hub "
        f"{1e3 * mine_s / len(pieces):.2f} ms a piece; the practice session's file {record} bytes"
    )


if __name__ == "__main__":
    main()
