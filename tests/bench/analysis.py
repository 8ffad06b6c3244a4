"""What the analysis costs: a stored hour against a plain numpy pass, and one live packet.

The hour is invented (the synthetic player: a check, then swings with walks and fidgeting between
them, two feet at 100 Hz, two frames per packet) and is read from the store's rows through decoder,
clock, calibration, pairing and every detector to events. The plain pass holds the same recording
in memory as float32 zone arrays and does in a few array calls what a plain script would: load,
regions, CoP, a 20 Hz low-pass, contacts, stance sums, share extrema. Both are timed in the same
run; the ratio is what counts.
"""

import resource
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt
from tests.bench.table import Row, Spread, at_most

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import default_calibration
from plantigrade.synth import Player, SensorModel, SessionPlan, perform, random_session
from plantigrade.zones import ZoneLayout, eighteen
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged

Zones32 = NDArray[np.float32]
RATE_HZ = 100.0
HOUR_S = 3600.0
FAST_S = 150.0
LIVE_PACKETS = 20_000


def hour(
    duration_s: float = HOUR_S, rate_hz: float = RATE_HZ
) -> tuple[list[Entry], FloatArray, FloatArray]:
    """Return an invented session's record and both feet's zone readings, kPa."""
    rng = np.random.default_rng(5)
    player = Player(mass_kg=78.0)
    segments = [s for _ in range(60) for s in random_session(rng, swings=6).segments]
    done = perform(player, SessionPlan(tuple(segments[:40])), rate_hz, 1)
    per_segment_s = float(done.t_s[-1]) / 40
    n = min(len(segments), int(1.15 * duration_s / per_segment_s))
    done = perform(player, SessionPlan(tuple(segments[:n])), rate_hz, 1)
    duration_s = min(duration_s, float(done.t_s[-1]))
    link = RadioChannel(loss=0.005)
    sent, pressed = [], []
    for k, foot in enumerate((Foot.LEFT, Foot.RIGHT)):
        insole = RecordedInsole(
            foot,
            k,
            default_calibration(eighteen(), foot),
            period_us=round(1e6 / rate_hz),
            drift_ppm=30.0 * (1 - 2 * k),
            link=link,
        )
        zones = insole.read(done, SensorModel(), 3)
        zones = zones[: len(insole.sample_times_s(duration_s))]
        pressed.append(zones)
        sent.append(insole.entries(zones, duration_s, 0, 7))
    settings = SessionSettings(mass_kg=78.0).to_json()
    return merged([Entry(0, SESSION, Kind.SETTINGS, settings)], *sent), pressed[0], pressed[1]


def plain(left: Zones32, right: Zones32, layout: ZoneLayout) -> int:
    """Do the plain pass on float32 zone arrays; return the number of contacts."""
    area = (layout.area_mm2 / 1000.0).astype(np.float32)
    x, y = layout.x.astype(np.float32), layout.y.astype(np.float32)
    sos = butter(2, 20.0, fs=RATE_HZ, output="sos")
    loads, contacts = [], 0
    for zones in (left, right):
        force = zones * area
        load = force.sum(1)
        regions = [force[:, layout.region == k].sum(1) for k in range(4)]
        with np.errstate(invalid="ignore", divide="ignore"):
            np.where(load > 38.0, force @ x / load, np.nan)
            np.where(load > 38.0, force @ y / load, np.nan)
        even = sosfilt(sos, load)
        edges = np.flatnonzero(np.diff((even > 38.0).astype(np.int8)))
        contacts += len(edges) // 2
        for region in (load, *regions):
            np.add.reduceat(region, edges)
        loads.append(even)
    n = min(map(len, loads))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = loads[0][:n] / (loads[0][:n] + loads[1][:n])
    np.flatnonzero((share[1:-1] < share[:-2]) & (share[1:-1] <= share[2:]))
    return contacts


def stored(store: Store, session: str) -> int:
    """Analyse a stored session; return the number of events."""
    pipeline = Pipeline()
    events = sum(len(pipeline.push(batch).events) for batch in store.batches(session))
    return events + len(pipeline.flush().events)


def _best(run: object, times: int = 5) -> float:
    assert callable(run)
    best = np.inf
    for _ in range(times):
        start = time.process_time()  # CPU: other work on the machine does not count
        run()
        best = min(best, time.process_time() - start)
    return float(best)


def live(entries: list[Entry]) -> FloatArray:
    """Push packets one by one; return the CPU time of each, µs: the least of three passes.

    On a machine that others load as well, a single pass mostly shows what they do to the caches.
    """
    batches = [Batch.of([entry]) for entry in entries[:LIVE_PACKETS]]
    least = np.full(len(batches), np.inf)
    for _ in range(3):
        pipeline = Pipeline()
        for k, batch in enumerate(batches):
            start = time.thread_time_ns()
            pipeline.push(batch)
            least[k] = min(least[k], (time.thread_time_ns() - start) / 1e3)
    return least


def rows() -> Iterator[Row]:
    """Give the ratio with the memory's growth, and what live packets cost."""
    entries, left, right = hour()
    seconds = (entries[-1].arrival_ns - entries[0].arrival_ns) / 1e9
    l32, r32 = left.astype(np.float32), right.astype(np.float32)
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(Path(folder) / "bench.db")
        session = store.create_session("bench", analysis_version=1)
        for k in range(0, len(entries), 100):
            store.append(session, Batch.of(entries[k : k + 100]))
        once = _best(lambda: stored(store, session), 1)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        ours = min(once, _best(lambda: stored(store, session), 4))
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        numpy_pass = _best(lambda: plain(l32, r32, eighteen()))
        events = stored(store, session)
        store.close()
    ratio = ours / numpy_pass
    yield Row(
        "stored hour against a plain pass",
        f"{ours:.2f} s of CPU, {ratio:.1f} × the plain pass's {numpy_pass:.3f} s; peak memory "
        f"+{(after - before) / 1024:.0f} MB in four more runs",
        f"{seconds:.0f} s of two feet at 100 Hz from the store's rows to {events} events; plain: "
        "NumPy over the same samples in memory (load, regions, CoP, filter, contacts, sums); best "
        "of 5 each",
        (at_most("ratio", ratio, 10, ""), at_most("wanted: ratio", ratio, 6, "")),
    )
    us = live(entries)
    spread = Spread.of(us)
    yield Row(
        "live packet, `Pipeline.push`",
        spread.text("µs of CPU"),
        "2 frames of 100 Hz a packet, packet by packet: the least of three passes for each",
        (
            at_most("p50", spread.p50, 300, "µs"),
            at_most("p95", spread.p95, 400, "µs"),
            at_most("wanted: p50", spread.p50, 200, "µs"),
        ),
    )
    yield _share("pipeline's share of a core, 2 × 100 Hz", us, 100.0, 2.7)
    fast, _, _ = hour(FAST_S, 200.0)
    yield _share("pipeline's share of a core, 2 × 200 Hz", live(fast), 200.0, 3.1)


def _share(path: str, us: FloatArray, rate_hz: float, limit: float) -> Row:
    """Return what packets of a pair take of a core: 2 frames each, so the rate's packets/s."""
    percent = float(us.mean()) * rate_hz / 1e4
    return Row(
        path,
        f"{percent:.2f} % ({us.mean():.0f} µs a packet)",
        f"mean of the same for {len(us):,} packets, {rate_hz:.0f} of them a second",
        (at_most("", percent, limit, "%"),),
    )
