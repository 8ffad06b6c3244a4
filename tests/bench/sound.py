"""From the packet that decides a cue to the cue's first sample handed to the device.

Run alone with ``python -m tests.bench.sound``. The cues are those of the recorded practice session,
fed packet by packet through the whole pipeline. Plays to the null sink of `.ci/pulse`, where that
starts, else to the default device. The time starts when the deciding packet is handed to the
pipeline and ends when the device's callback has the block with the cue's first sample; what the
sound server and the hardware add after that is not in it.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import numpy as np

from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.record.entries import Batch, Entry
from plantigrade_gateway.sound.cues import Cue, CueMaker
from plantigrade_gateway.sound.device import PERIOD_MS, Speaker
from plantigrade_gateway.sources.replay import read_replay

ROOT = Path(__file__).resolve().parent.parent.parent
PULSE = ROOT / ".ci" / "pulse"
TARGET_MS = 10.0
LIVE_NS = 300_000_000

Decision = Callable[[], list[Cue]]
"""Handles the packet that decides something, and returns the cues."""


def main() -> int:
    """Print the distributions; return 0, or 1 where the target is missed."""
    missed = False
    entries = [
        entry for batch in read_replay(ROOT / "replay_data" / "practice.pgr") for entry in batch
    ]
    with sound_server() as where:
        for busy in (False, True):
            try:
                with Speaker() as speaker:
                    speaker.running.wait(10)
                    with gil_load(busy):
                        waits_ms = measure(speaker, recorded_decisions(entries))
            except SoundError as error:
                print(f"sound: not measured, no device: {error}")
                return 0
            p50, p95, p99 = np.percentile(waits_ms, [50, 95, 99])
            missed |= bool(p99 > TARGET_MS)
            print(
                f"sound: deciding packet -> first sample, {where}, {speaker.backend} in periods of "
                f"{PERIOD_MS} ms, {'a third of the interpreter busy' if busy else 'idle'}: "
                f"p50 {p50:.1f} p95 {p95:.1f} p99 {p99:.1f} max {max(waits_ms):.1f} ms "
                f"(n = {len(waits_ms)}; target p99 <= {TARGET_MS:g} ms; load average "
                f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} cores)"
            )
    return int(missed)


def measure(speaker: Speaker, decisions: Iterator[Decision]) -> list[float]:
    """Return for each decision the wait until its first cue's first sample, ms."""
    waits_ms = []
    for decide in decisions:
        start_ns = time.perf_counter_ns()
        voices = [speaker.play(cue) for cue in decide()]
        first = voices[0]
        while first is not None and first.started_ns is None and not speaker.lost:
            time.sleep(0.001)
        if first is None or first.started_ns is None:
            raise SoundError("a cue was never played")
        waits_ms.append((first.started_ns - start_ns) / 1e6)
    return waits_ms


def recorded_decisions(entries: list[Entry]) -> Iterator[Decision]:
    """Replay a record entry by entry; give those that decide a cue, to be handled by the caller.

    What arrived in the last moments before such an entry is replayed at its own pace, so that the
    processor is as warm, and as busy, as live.
    """
    deciding = []
    pipeline, maker = Pipeline(), CueMaker()
    for k, entry in enumerate(entries):
        if maker.push(pipeline.push(Batch.of([entry])).events):
            deciding.append(k)
    pipeline, done = Pipeline(), 0
    for k in deciding:
        live_ns = entries[k].arrival_ns - LIVE_NS
        zero_ns: int | None = None
        for entry in entries[done : k + 1]:
            if entry.arrival_ns > live_ns:
                now_ns = time.perf_counter_ns() - entry.arrival_ns
                zero_ns = now_ns if zero_ns is None else zero_ns
                time.sleep(max(0.0, (zero_ns - now_ns) / 1e9))
            if entry is entries[k]:
                yield partial(_handle, pipeline, maker, entry)
            else:
                pipeline.push(Batch.of([entry]))
        done = k + 1


def _handle(pipeline: Pipeline, maker: CueMaker, entry: Entry) -> list[Cue]:
    return maker.push(pipeline.push(Batch.of([entry])).events)


@contextmanager
def gil_load(on: bool) -> Iterator[None]:
    """Hold the interpreter 3 ms in every 10 ms, as the gateway's other work might."""
    stop = threading.Event()

    def work() -> None:
        while not stop.wait(0.007):
            until = time.perf_counter() + 0.003
            while time.perf_counter() < until:
                sum(range(200))

    thread = threading.Thread(target=work, daemon=True)
    if on:
        thread.start()
    try:
        yield
    finally:
        stop.set()


@contextmanager
def sound_server() -> Iterator[str]:
    """Make the null sink of `.ci/pulse` the default device, where it starts; say where we are."""
    folder = tempfile.mkdtemp(prefix="pg-", dir="/tmp")
    try:
        done = subprocess.run(
            [PULSE, "start", folder], capture_output=True, text=True, timeout=240, check=False
        )
        if done.returncode:
            yield "the default device"
            return
        os.environ.update(dict(line.split("=", 1) for line in done.stdout.splitlines()))
        yield "a null sink"
        subprocess.run([PULSE, "stop", folder], check=False)
    finally:
        shutil.rmtree(folder, ignore_errors=True)  # the ending server takes its socket away itself


if __name__ == "__main__":
    sys.exit(main())
