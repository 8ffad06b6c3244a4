"""What opening a stored session of two hours costs: preparing, the page, its time line, a zoom.

The practice session (invented) over and over, the insoles starting again between. Times are of the
server alone, one request after another, without a browser; the whole opening is the page and the
time line's data, which the browser asks for at once.
"""

import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from fastapi import FastAPI
from fastapi.testclient import TestClient

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.prepare import prepare
from plantigrade_gateway.web.desk.routes import desk_router

HOURS = 2.0
REPEATS = 15
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


def _times(work: Callable[[], int]) -> str:
    wall, cpu, size = [], [], 0
    for _ in range(REPEATS):
        at, at_cpu = time.perf_counter(), time.process_time()
        size = work()
        wall.append(time.perf_counter() - at)
        cpu.append(time.process_time() - at_cpu)
    p50, p95 = np.quantile(wall, [0.5, 0.95]) * 1e3
    of_cpu = f"CPU p50 {np.median(cpu) * 1e3:.0f} ms"
    return f"p50 {p50:.0f} ms, p95 {p95:.0f} ms ({of_cpu}), {size / 1e3:.0f} kB"


def main() -> None:
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
            counts = store.event_counts()[session_id]
        print(
            f"session of {session.duration_s / 3600:.2f} h: {counts}\n"
            f"prepare: {prepare_s:.1f} s of CPU; {raw / 1e6:.1f} MB of record, "
            f"{kept / 1e6:.1f} MB kept beside it"
        )
        app = FastAPI()
        app.include_router(desk_router(path))
        base = f"/sessions/{session_id}"
        middle = session.duration_s / 2
        asks = {
            "session page": [base],
            "time line, whole": [f"{base}/timeline.json?width=1000"],
            "opening: page and time line": [base, f"{base}/timeline.json?width=1000"],
            "zoom to ten minutes": [
                f"{base}/rows.json?start={middle}&end={middle + 600}&width=2000"
            ],
            "zoom to a sample": [f"{base}/rows.json?start={middle}&end={middle + 0.2}&width=2000"],
            "table of swings": [f"{base}/swings"],
            "one swing: page, curves, frames": [
                f"{base}/swings/7{part}" for part in ("", "/chart.json", "/frames.json")
            ],
            "set: page and overlay": [f"{base}/sets/2", f"{base}/sets/2/chart.json"],
            "list": ["/sessions"],
        }
        with TestClient(app) as client:

            def ask(addresses: list[str]) -> int:
                answers = [client.get(address) for address in addresses]
                assert all(answer.status_code == 200 for answer in answers)
                return sum(len(answer.content) for answer in answers)

            at = time.perf_counter()
            ask(["/sessions"])
            print(f"first page of the process: {time.perf_counter() - at:.2f} s")
            at = time.perf_counter()
            ask(["/sessions/charts/timeline.json"])
            print(f"first chart of the process: {time.perf_counter() - at:.2f} s")
            for name, addresses in asks.items():
                print(f"{name}: {_times(partial(ask, addresses))}")


if __name__ == "__main__":
    main()
