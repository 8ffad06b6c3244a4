"""Forwarding: what regional loads cost live, and a day's outage caught up.

Real victoria-metrics and mosquitto. A day is written as fast as the disk takes it, with both away;
the first figure is of what the settings keep of it. Then events alone, to one sink at a time: what
it acknowledges a second, as the forwarding process itself counts it, and processor time for each.
A rate is of the machine as it was: the load is printed beside it.
"""

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from tests.bench.catching_up import fill
from tests.bench.table import Row, at_least, at_most
from tests.support.procfs import cpu_s, pid_of, rss_mb
from tests.support.records import packets, step, swing
from tests.support.servers import Mosquitto, Victoria

from plantigrade.block import N_COLUMNS, PairBlock
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.config import load
from plantigrade_gateway.forward.launch import Forwarder
from plantigrade_gateway.sinks import LOADS, MQTT, TSDB
from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.store.enqueue import Loads, pack_loads
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

RATE_HZ = 200
LIVE_S = 30.0
DAY_S = 86_400
EVENTS_EVERY_S = 6  # a step and a swing: more than a day of practice holds
LOADS_MB = 4
RUNS, BACKLOG = 5, 40_000
"""Catching up with one sink: so many times, so many events each."""


def rows() -> Iterator[Row]:
    """Give the live share, then the day's outage and its catching up."""
    with tempfile.TemporaryDirectory() as folder:
        where = Path(folder)
        (where / "vm").mkdir()
        database, broker = Victoria(where / "vm"), Mosquitto(where / "broker")
        try:
            yield _live(where, database, broker)
            yield from _day(where, database, broker)
            for sink in (TSDB, MQTT):
                yield _alone(where, sink, database, broker)
        finally:
            for server in (database, broker):
                if server.is_up:
                    server.kill()


def _settings(where: Path, database: Victoria, broker: Mosquitto) -> Path:
    path = where / "settings.toml"
    path.write_text(
        f'[tsdb]\nurl = "{database.url}"\nloads = true\nhold_s = 1.0\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nhold_s = 1.0\n'
        f"[outbox]\nloads_mb = {LOADS_MB}\n",
        "utf-8",
    )
    return path


def _block(rng: np.random.Generator, second: int) -> Loads:
    t = np.arange(RATE_HZ) / RATE_HZ
    swell = 400.0 + 350.0 * np.sin(2 * np.pi * 1.8 * t)[:, None]
    values = swell * np.ones(N_COLUMNS) / 4 + rng.normal(0, 2.0, (RATE_HZ, N_COLUMNS))
    block = PairBlock(second * RATE_HZ, second + t, values, values[::-1])
    return Loads(block.first, float(second), 1.0 / RATE_HZ, RATE_HZ, pack_loads(block))


def _live(where: Path, database: Victoria, broker: Mosquitto) -> Row:
    database.start()
    broker.start()
    rng = np.random.default_rng(1)
    with Store.open(where / "live.sqlite3") as store:
        outbox, settings = Outbox(store.database), _settings(where, database, broker)
        outbox.configure(load(settings, {}).sinks())
        session = store.create_session("insoles", analysis_version=1)
        forwarder = Forwarder(store.path, settings, print, print)
        _put(store, session, rng, 0, events=False)
        _until(lambda: _waiting(outbox) == 0)  # it is up
        before = cpu_s(pid_of(forwarder))
        begun = time.monotonic()
        for second in range(1, int(LIVE_S) + 1):
            _put(store, session, rng, second, events=second % 2 == 0)
            for _ in range(10):
                forwarder.tell({"type": "live", "session": "ab", "t_s": second, "feet": {}})
                time.sleep(max(0.0, begun + second - time.monotonic()) / 10)
        passed = time.monotonic() - begun
        used = cpu_s(pid_of(forwarder)) - before
        forwarder.close()
    database.kill()
    broker.kill()
    percent = 100 * used / passed
    return Row(
        "forwarding's share of a core, 200 Hz",
        f"{percent:.1f} % in the forwarding process",
        f"a pair's regional loads at {RATE_HZ} Hz, an event a second and 10 live summaries a "
        f"second to a real database and broker, {passed:.0f} s",
        (at_most("", percent, 5, "%"),),
    )


def _day(where: Path, database: Victoria, broker: Mosquitto) -> Iterator[Row]:
    rng = np.random.default_rng(2)
    kept = [_block(rng, k) for k in range(60)]
    with Store.open(where / "day.sqlite3") as store:
        outbox, settings = Outbox(store.database), _settings(where, database, broker)
        outbox.configure(load(settings, {}).sinks())
        session = store.create_session("insoles", analysis_version=1)
        store.append(session, packets(10))
        forwarder = Forwarder(store.path, settings, print, print)  # both sinks are away
        begun, events, memory = time.monotonic(), 0, []
        for first in range(0, DAY_S, 60):
            rows: list[object] = []
            for k, block in enumerate(kept):
                second = first + k
                rows.append(
                    Loads(second * RATE_HZ, float(second), 1 / RATE_HZ, RATE_HZ, block.data)
                )
                if second % EVENTS_EVERY_S == 0:
                    made = (step(second * 100 + 5), swing(second * 100 + 50))
                    rows += [event_row(session, event, 10) for event in made]
                    events += 2
            store.write(session, [], rows)  # type: ignore[arg-type]
            if first % 3600 == 0:
                outbox.trim(LOADS_MB << 20)
                memory.append(rss_mb(pid_of(forwarder)))
        outbox.trim(LOADS_MB << 20)
        size = sum(f.stat().st_size for f in where.glob("day.sqlite3*")) / 2**20
        wait = {d.sink: d for d in outbox.depths()}
        yield Row(
            "a day with database and broker away",
            f"written in {time.monotonic() - begun:.0f} s: {events} events wait, "
            f"{wait[LOADS].waiting} s of regional loads wait, {wait[LOADS].dropped} s dropped for "
            f"room; file {size:.0f} MB; forwarding process {memory[1]:.0f} MB at first, "
            f"{max(memory[1:]):.0f} MB at most",
            f"`outbox.loads_mb` = {LOADS_MB}",
        )
        database.start()
        broker.start()
        used, begun = cpu_s(pid_of(forwarder)), time.monotonic()
        caught = [rss_mb(pid_of(forwarder))]
        done: dict[str, float] = {}
        while len(done) < 3:
            time.sleep(0.2)
            for one in _states(store.path):
                if one.waiting == one.held:
                    done.setdefault(one.sink, time.monotonic() - begun)
            caught.append(rss_mb(pid_of(forwarder)))
        points = wait[LOADS].waiting * RATE_HZ * 2
        n = len(caught)
        parts = [max(caught[k * n // 4 : (k + 1) * n // 4]) for k in range(4)]
        how = (
            f"{events} events of a day's outage, with {wait[LOADS].waiting} s of regional loads "
            f"({points / done[LOADS]:.0f} points/s) to a real database and broker at once, on this "
            "machine"
        )
        memory_text = f"forwarding process {caught[0]:.0f} → at most {max(parts):.0f} MB"
        for path, sink in (
            ("a day to both at once, database", "tsdb"),
            ("a day to both at once, broker", "mqtt"),
        ):
            per_s = events / done[sink]
            used_s = cpu_s(pid_of(forwarder)) - used
            yield Row(
                path,
                f"{per_s:,.0f} events/s; {memory_text}, {used_s:.1f} s of CPU",
                how,
            )
        forwarder.close()


def _alone(where: Path, sink: str, database: Victoria, broker: Mosquitto) -> Row:
    """Catch up with events alone and one sink alone; all of it acknowledged is the end."""
    settings = where / f"{sink}.toml"
    kept = _settings(where, database, broker).read_text("utf-8").replace("loads = true\n", "")
    begin, middle, end = (kept.index(part) for part in ("[tsdb]", "[mqtt]", "[outbox]"))
    settings.write_text(kept[begin:middle] if sink == TSDB else kept[middle:end], "utf-8")
    means, seconds, cpu_us = [], [], []
    for run in range(RUNS):
        path = where / f"{sink}{run}.sqlite3"
        fill(path, settings, BACKLOG)
        with Store.open(path) as store:
            forwarder = Forwarder(store.path, settings, print, print)
            while not (found := _states(path)):
                time.sleep(0.01)
            used, begun, shown, done = cpu_s(pid_of(forwarder)), time.monotonic(), None, 0
            while not done or found[0].waiting > found[0].held:
                time.sleep(0.02)
                found = _states(path)
                if found and found != shown:
                    shown, done = found, found[0].sent + found[0].held
                    if found[0].per_s > 0 and found[0].waiting > found[0].held:
                        seconds.append(found[0].per_s)
            means.append(BACKLOG / (time.monotonic() - begun))
            cpu_us.append(1e6 * (cpu_s(pid_of(forwarder)) - used) / BACKLOG)
            forwarder.close()
    low, middle_s, high = np.percentile(seconds, [10, 50, 90])
    name, least = ("catch-up, database", 2000.0) if sink == TSDB else ("catch-up, broker", 1000.0)
    rate = float(np.median(means))
    return Row(
        name,
        f"{rate:,.0f} events/s ({', '.join(f'{m:,.0f}' for m in sorted(means))}); of single "
        f"seconds p10 {low:,.0f} p50 {middle_s:,.0f} p90 {high:,.0f}; CPU {min(cpu_us):.0f} to "
        f"{max(cpu_us):.0f} µs an event",
        f"{RUNS} × {BACKLOG:,} events to a real one alone, all acknowledged; median of the runs",
        (at_least("", rate, least, "events/s"),),
    )


def _states(path: Path) -> tuple[forwardstate.SinkState, ...]:
    found = forwardstate.read(forwardstate.path_for(path))
    return () if found is None else found.sinks


def _put(store: Store, session: str, rng: np.random.Generator, second: int, events: bool) -> None:
    rows: list[object] = [_block(rng, second)]
    if events:
        store.append(session, packets(10, first=10 * second))
        rows += [event_row(session, e) for e in (step(second * 100), swing(second * 100 + 50))]
    store.write(session, [], rows)  # type: ignore[arg-type]


def _waiting(outbox: Outbox) -> int:
    return sum(depth.waiting for depth in outbox.depths())


def _until(true: object, limit_s: float = 60.0) -> None:
    end = time.monotonic() + limit_s
    while not true() and time.monotonic() < end:  # type: ignore[operator]
        time.sleep(0.1)
