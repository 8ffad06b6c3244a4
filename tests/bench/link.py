"""The Bluetooth link without a radio: how late, how dear, and an hour's worth of stream.

Virtual insoles run in a process
of their own at 2 × 200 Hz, two frames a packet, connection interval 15 ms; the gateway's process
holds bumble's Bluetooth host as well, which a system's Bluetooth would replace: its share is shown
by a run without the work. Arrival is stamped in the notification's callback.
"""

import asyncio
import hashlib
import io
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from tests.bench.table import Row, Spread, at_most
from tests.support.airworld import LEFT, RIGHT, Given, world

from plantigrade_gateway.record.entries import INSOLE_OF, Batch, Entry, Kind
from plantigrade_gateway.session.insoles import InsoleJob, InsoleOptions, opened_radio
from plantigrade_gateway.session.runner import run
from plantigrade_gateway.session.stage import RunOptions
from plantigrade_gateway.sources.live import LiveSource, StreamConfig
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.status import Latency
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.air import RadioConditions
from plantigrade_gateway.virtual.player import LENGTH_MM, invented_steps, usual_pair
from plantigrade_gateway.virtual.process import Simulation, simulator_process
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.gatt import KnownInsole

SIMULATION = Simulation(rate_hz=200.0, retry=0.05)
WISH = StreamConfig(5000, 2)
SETTLE_S = 8.0
SECONDS = 20.0
HOURS = 0.05


async def _measured(seconds: float, count: Callable[[], int]) -> tuple[float, float]:
    """Return notifications a second, and per cent of a core."""
    await asyncio.sleep(SETTLE_S)
    n, cpu, wall = count(), time.process_time(), time.perf_counter()
    await asyncio.sleep(seconds)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    return (count() - n) / wall, 100 * cpu / wall


async def link_alone(seconds: float) -> tuple[float, float]:
    """Stream with nothing done to what comes; return as `_measured`."""
    entries: list[int] = []
    pair = [KnownInsole(k.serial, k.foot, "", k.address, LENGTH_MM) for k in usual_pair()]
    async with (
        simulator_process(SIMULATION, print) as transports,
        opened_radio(transports[0], is_ours=True) as radio,
    ):
        inbox = Given(lambda entry: entries.append(entry.arrival_ns))
        async with LiveSource(pair, radio, lambda _: None, WISH, inbox=inbox):
            while not entries:
                await asyncio.sleep(0.1)
            return await _measured(seconds, lambda: len(entries))


async def all_on(seconds: float) -> tuple[tuple[float, float], Spread, Spread]:
    """Stream with store, all detectors and screen on; sound off.

    Return as `_measured`, and ms from a notification to decoded, and to all measured.
    """
    decoded: list[float] = []
    done: list[float] = []
    feed, note = Decoder.feed, Latency.note

    def timed_feed(self: Decoder, arrival_ns: Any, lengths: Any, payload: bytes) -> Any:
        out = feed(self, arrival_ns, lengths, payload)
        decoded.extend(((time.monotonic_ns() - arrival_ns) / 1e6).tolist())
        return out

    def timed_note(self: Latency, arrivals_ns: list[int], now_ns: int) -> None:
        note(self, arrivals_ns, now_ns)
        done.extend((now_ns - ns) / 1e6 for ns in arrivals_ns)

    Decoder.feed, Latency.note = timed_feed, timed_note  # type: ignore[method-assign]
    try:
        with tempfile.TemporaryDirectory() as folder:
            stop = asyncio.Event()
            run_options = RunOptions(sound=False, store=Path(folder) / "store.sqlite3")
            job = InsoleJob(InsoleOptions(WISH, SIMULATION))
            task = asyncio.create_task(run(job, run_options, Console(file=io.StringIO()), stop))
            while not done:
                await asyncio.sleep(0.1)
            used = await _measured(seconds, lambda: len(done))
            stop.set()
            await task
    finally:
        Decoder.feed, Latency.note = feed, note  # type: ignore[method-assign]
    cut = int(SETTLE_S * 200)
    return used, Spread.of(decoded[cut:]), Spread.of(done[cut:])


async def hour(hours: float) -> Row:
    """Stream so much of 2 × 200 Hz as fast as it goes, into a store; compare every byte."""
    packets = round(hours * 360_000)
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "s.sqlite3") as store:
        session = store.create_session("bench", analysis_version=1)
        conditions = RadioConditions(interval_s=0.0)
        async with world(invented_steps(), conditions, speed=100.0) as air:
            with Recorder(store, session) as recorder:
                counts = {0: 0, 1: 0}

                def emit(entry: Entry) -> None:
                    recorder.put(Batch.of([entry]))
                    counts[entry.insole] += entry.kind is Kind.NOTIFICATION

                begin = time.perf_counter()
                async with air.listening(wish=WISH, emit=emit):
                    while min(counts.values()) < packets:
                        await asyncio.sleep(0.5)
                took_s = time.perf_counter() - begin
            sent = {INSOLE_OF[foot]: air.sent(foot) for foot in (LEFT, RIGHT)}
        decoders = {0: Decoder(0), 1: Decoder(1)}
        got = {0: hashlib.sha256(), 1: hashlib.sha256()}
        for batch in store.batches(session):
            for k, decoder in decoders.items():
                mine = [e for e in batch if e.insole == k and e.kind is Kind.NOTIFICATION]
                its = Batch.of(mine)
                decoder.feed(its.arrival_ns, its.length, its.payload)
                got[k].update(its.payload)
    total, missing, exact = 0, 0, True
    for k, decoder in decoders.items():
        n = decoder.counts.packets
        total, missing = total + n, missing + decoder.counts.lost_packets
        exact &= hashlib.sha256(b"".join(sent[k][:n])).digest() == got[k].digest()
    return Row(
        "a stream as fast as it goes",
        f"{total / took_s:.0f} notifications/s: {total} stored, {missing} missing, bytes "
        f"{'exactly as sent' if exact else 'DIFFER'}",
        "both insoles, the air and the gateway in one process, into a store",
    )


def rows() -> Iterator[Row]:
    """Give what the link costs alone and with everything on, and how late its data are."""
    _, host = asyncio.run(link_alone(SECONDS))
    (per_s, share), decoded, done = asyncio.run(all_on(SECONDS))
    virtual = f"2 × 200 Hz, 2 frames a packet, {per_s:.0f} notifications/s of the virtual insoles"
    yield Row(
        "gateway's share of a core, 2 × 200 Hz",
        f"{share:.1f} % with all on; of it Bluetooth's host alone {host:.1f} %, the rest "
        f"{share - host:.1f} %",
        f"{virtual} (another process): CPU of the gateway's process with store, all detectors and "
        f"screen, {SECONDS:.0f} s; the host, run alone, is what a system's Bluetooth would replace",
        (
            at_most("without the host", share - host, 15, "%"),
            at_most("wanted: with it", share, 15, "%"),
        ),
    )
    yield Row(
        "packet → decoded",
        decoded.text("ms", 2),
        f"from the notification's callback; {virtual}, all on",
        (at_most("p99", decoded.p99, 3, "ms"),),
    )
    yield Row(
        "packet → all measured",
        done.text("ms", 2),
        "the same, until all detectors are through, its bytes are given to the store, and the "
        "screen has it",
    )
    yield asyncio.run(hour(HOURS))
