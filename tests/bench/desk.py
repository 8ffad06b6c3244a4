"""What opening a stored session of two hours costs: preparing, the page, its time line, a zoom.

The practice session (invented) over and over, the insoles starting again between. Times are of the
server alone, one request after another, without a browser; the whole opening is the page and the
time line's data, which the browser asks for at once.
"""

import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.bench.table import Row, Spread, at_most

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router
from plantigrade_gateway.web.desk.worker import prepare

HOURS = 2.0
REPEATS = 30
PACKETS_PER_CHUNK = 100
_PAUSE_NS = 1_500_000_000


def long_session(store: Store, hours: float) -> str:
    """Store a session of so many hours, with its results."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    whole = Batch.of([entry for entry in entries if entry.kind is not Kind.END])
    length_ns = int(whole.arrival_ns[-1] - whole.arrival_ns[0]) + _PAUSE_NS
    session_id = store.create_session("bench", analysis_version=ANALYSIS_VERSION)
    for turn in range(round(hours * 3600e9 / length_ns)):
        later = Batch(
            whole.arrival_ns + turn * length_ns,
            whole.insole,
            whole.kind,
            whole.length,
            whole.payload,
        )
        for at in range(0, len(later), 50 * PACKETS_PER_CHUNK):
            part = later.slice(at, min(at + 50 * PACKETS_PER_CHUNK, len(later)))
            for k in range(0, len(part), PACKETS_PER_CHUNK):
                store.append(session_id, part.slice(k, min(k + PACKETS_PER_CHUNK, len(part))))
    store.end_session(session_id, "end")
    results.reanalyse(store, session_id)
    return session_id


def asked_often(work: Callable[[], int]) -> tuple[Spread, Spread, int]:
    """Do something often; return ms by the clock, ms of CPU, and what it returned last."""
    wall, cpu, size = [], [], 0
    for _ in range(REPEATS):
        at, at_cpu = time.perf_counter(), time.process_time()
        size = work()
        wall.append(1e3 * (time.perf_counter() - at))
        cpu.append(1e3 * (time.process_time() - at_cpu))
    return Spread.of(wall), Spread.of(cpu), size


def rows() -> Iterator[Row]:
    """Give what preparing, opening, and looking closer cost."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        with Store.open(path) as store:
            session_id = long_session(store, HOURS)
            at = time.process_time()
            prepare(store, session_id)
            prepare_s = time.process_time() - at
            session = store.session(session_id)
            raw, kept = (
                store.database.read(f"SELECT sum(length(data)) FROM {table}")[0][0]
                for table in ("chunks", "derived")
            )
        hours = f"a session of {session.duration_s / 3600:.1f} h"
        yield Row(
            "two-hour session, prepared",
            f"{prepare_s:.1f} s of CPU; {kept / 1e6:.1f} MB beside {raw / 1e6:.1f} MB recorded",
            f"once for {hours}, at its end or when it is first opened",
        )
        app = FastAPI()
        app.include_router(desk_router(path))
        base = f"/sessions/{session_id}"
        middle = session.duration_s / 2
        near = f"{base}/rows.json?start={middle}&end={middle + 0.2}&width=2000"
        asks = {
            "two-hour session, to the first picture": (
                [base, f"{base}/timeline.json?width=1000"],
                1500.0,
            ),
            "two-hour session, zoom": ([near], 150.0),
            "two-hour session, ten minutes of it": (
                [f"{base}/rows.json?start={middle}&end={middle + 600}&width=2000"],
                150.0,
            ),
            "two-hour session, table of swings": ([f"{base}/swings"], None),
            "one swing: page, curves, frames": (
                [f"{base}/swings/7{part}" for part in ("", "/chart.json", "/frames.json")],
                None,
            ),
            "set: page and overlay": ([f"{base}/sets/2", f"{base}/sets/2/chart.json"], None),
        }
        with TestClient(app) as client:

            def ask(addresses: list[str]) -> int:
                answers = [client.get(address) for address in addresses]
                assert all(answer.status_code == 200 for answer in answers)
                return sum(len(answer.content) for answer in answers)

            for first in ("/sessions", "/sessions/charts/timeline.json"):
                at = time.perf_counter()
                ask([first])
                took_s = time.perf_counter() - at
                yield Row(f"first `{first}` of the process", f"{took_s:.2f} s", "modules loaded")
            for name, (addresses, limit_ms) in asks.items():
                wall, cpu, size = asked_often(partial(ask, addresses))
                yield Row(
                    name,
                    f"{wall.text('ms')}; CPU p50 {cpu.p50:.0f} ms; {size / 1e3:.1f} kB",
                    f"{hours}: {' and '.join(_kind(a, base) for a in addresses)} from the server, "
                    "without a browser",
                    () if limit_ms is None else (at_most("p95", wall.p95, limit_ms, "ms"),),
                )


def _kind(address: str, base: str) -> str:
    return f"`/sessions/…{address.removeprefix(base).split('?')[0]}`"
