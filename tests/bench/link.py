"""The Bluetooth link without a radio: how late, how dear, and an hour's worth of stream.

Run alone with ``python -m tests.bench.link [seconds] [hours]``. Virtual insoles run in a process
of their own at 2 × 200 Hz, two frames a packet, connection interval 15 ms; the gateway's process
holds bumble's Bluetooth host as well, which a system's Bluetooth would replace: its share is shown
by a run without the work. Arrival is stamped in the notification's callback.
"""

import asyncio
import hashlib
import io
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
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


def _line(name: str, ms: list[float]) -> None:
    p50, p95, p99 = np.percentile(ms, [50, 95, 99])
    print(f"{name}: p50 {p50:.2f}, p95 {p95:.2f}, p99 {p99:.2f}, max {max(ms):.1f} ms")


async def _measured(seconds: float, count: Callable[[], int]) -> None:
    await asyncio.sleep(SETTLE_S)
    n, cpu, wall = count(), time.process_time(), time.perf_counter()
    await asyncio.sleep(seconds)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    print(f"{(count() - n) / wall:.0f} notifications/s, {100 * cpu / wall:.1f} % of one core")


async def link_alone(seconds: float) -> None:
    """Stream with nothing done to what comes."""
    entries: list[int] = []
    pair = [KnownInsole(k.serial, k.foot, "", k.address, LENGTH_MM) for k in usual_pair()]
    async with simulator_process(SIMULATION) as transports, opened_radio(transports[0]) as radio:
        inbox = Given(lambda entry: entries.append(entry.arrival_ns))
        async with LiveSource(pair, radio, lambda _: None, WISH, inbox=inbox):
            while not entries:
                await asyncio.sleep(0.1)
            print("link alone, gateway's process: ", end="", flush=True)
            await _measured(seconds, lambda: len(entries))


async def all_on(seconds: float) -> None:
    """Stream with store, all detectors and screen on; sound off."""
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
            print("all on, gateway's process: ", end="", flush=True)
            await _measured(seconds, lambda: len(done))
            stop.set()
            await task
    finally:
        Decoder.feed, Latency.note = feed, note  # type: ignore[method-assign]
    cut = int(SETTLE_S * 200)
    _line("notification -> decoded", decoded[cut:])
    _line("notification -> measured, events found", done[cut:])


async def hour(hours: float) -> None:
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
    for k, decoder in decoders.items():
        n = decoder.counts.packets
        exact = hashlib.sha256(b"".join(sent[k][:n])).digest() == got[k].digest()
        print(
            f"insole {k}: {n} packets stored, {decoder.counts.lost_packets} missing, "
            f"bytes {'exactly as sent' if exact else 'DIFFER'}"
        )
    total = sum(d.counts.packets for d in decoders.values())
    print(f"{total / took_s:.0f} notifications/s, both sides and the air in one process")


def main() -> None:
    given = [float(a) for a in sys.argv[1:] if a.replace(".", "", 1).isdigit()]
    seconds = given[0] if given else 20.0
    hours = given[1] if len(given) > 1 else 0.05
    asyncio.run(link_alone(seconds))
    asyncio.run(all_on(seconds))
    asyncio.run(hour(hours))


if __name__ == "__main__":
    main()
