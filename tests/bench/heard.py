"""From the packet's arrival to the sample at the sound device, with the store recording.

The recorded practice session goes packet by packet
through a live session with a real store; what the null sink of `.ci/pulse` plays is captured from
its monitor. The time starts when the packet that decides a cue (or begins a tone) is given to the
session, and ends when the first captured sample that is louder than a twentieth of the sound has
been read: the device's period, the sound server, its monitor and the sound's own ramp are in it.
"""

import os
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from tests.bench.table import Row, Spread, at_most

from plantigrade_gateway.analysis.practice import entry_of
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Choice, Drill
from plantigrade_gateway.drills.run import DrillOutput
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.device import PERIOD_MS, Speaker
from plantigrade_gateway.sound.output import open_sound
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.store import Store

PULSE = Path(__file__).resolve().parent.parent.parent / ".ci" / "pulse"
LOUD = 0.005
LIVE_NS = 300_000_000
QUIET_S = 0.35
SPAN_NS = 320_000_000_000  # of the recording: some twenty swings


class Capture:
    """Listens to the null sink's monitor; says when it became loud after a silence."""

    def __init__(self) -> None:
        command = "parec --device=plantigrade.monitor --format=float32le --rate=48000 --channels=1"
        self._parec = subprocess.Popen(
            [*command.split(), "--latency-msec=2", "--raw"], stdout=subprocess.PIPE, bufsize=0
        )
        self.loud_ns = 0
        self._last_ns = 0
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._parec.stdout is not None
        while block := self._parec.stdout.read(65536):
            now_ns = time.perf_counter_ns()
            if np.any(np.abs(np.frombuffer(block[: len(block) // 4 * 4], np.float32)) > LOUD):
                if now_ns - self._last_ns > 1e9 * QUIET_S:
                    self.loud_ns = now_ns
                self._last_ns = now_ns

    def wait_quiet(self) -> None:
        """Wait for a silence."""
        while time.perf_counter_ns() - self._last_ns < 1.2e9 * QUIET_S:
            time.sleep(0.01)

    def wait_loud(self, after_ns: int) -> int | None:
        """Return when it became loud after an instant, None where it did not within a second."""
        while time.perf_counter_ns() - after_ns < 1_000_000_000:
            if self.loud_ns > after_ns:
                return self.loud_ns
            time.sleep(0.001)
        return None

    def close(self) -> None:
        self._parec.terminate()
        self._parec.wait()


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


def deciding(
    entries: list[Entry], drill: Drill | None, sounds: Callable[[DrillOutput], bool]
) -> list[int]:
    """Return the entries after which something begins to sound, at least a second apart."""
    analysis, found, last_ns = RecordAnalysis("bench", heard=True), list[int](), 0
    if drill is not None:
        data = entry_of(Choice(drill, drill.feedback))
        analysis.push(Batch.of([Entry(entries[0].arrival_ns, SESSION, Kind.DRILL, data)]))
    for k, entry in enumerate(entries):
        analysis.push(Batch.of([entry]))
        if sounds(analysis.reply):
            if entry.arrival_ns - last_ns > 1_500_000_000:
                found.append(k)
            last_ns = entry.arrival_ns
    return found


def measure(
    entries: list[Entry], drill: Drill | None, at: list[int], capture: Capture, folder: Path
) -> list[float]:
    """Return the waits, ms; what never became loud counts as a second."""
    waits_ms = []
    with Store.open(folder / "store.sqlite3") as store, open_sound("device") as sound:
        assert isinstance(sound.output, Speaker), sound.said
        sound.output.running.wait(10)
        live = LiveSession(store, "bench", sound, on_problem=print)
        live.set_drill(drill)
        done = 0
        for k in at:
            quiet_ns = entries[k].arrival_ns - LIVE_NS
            zero_ns: int | None = None
            for entry in entries[done : k + 1]:
                if entry.arrival_ns > quiet_ns:
                    if zero_ns is None:
                        capture.wait_quiet()
                        zero_ns = time.perf_counter_ns() - entry.arrival_ns
                    ahead_ns = entry.arrival_ns + zero_ns - time.perf_counter_ns()
                    time.sleep(max(0.0, ahead_ns / 1e9))
                start_ns = time.perf_counter_ns()
                live.push(Batch.of([entry]))
            loud_ns = capture.wait_loud(start_ns)
            waits_ms.append(1000.0 if loud_ns is None else (loud_ns - start_ns) / 1e6)
            done = k + 1
        live.close()
    return waits_ms


def rows() -> Iterator[Row]:
    """Give the waits of cues and of a drill's tone, the interpreter idle and busy."""
    whole = [entry for batch in read_replay(demo_file()) for entry in batch]
    entries = [e for e in whole if e.arrival_ns - whole[0].arrival_ns < SPAN_NS]
    push = shelf(None).drills["push"]
    kinds: tuple[tuple[str, Drill | None, Callable[[DrillOutput], bool], float, float], ...] = (
        ("packet → cue", None, lambda reply: bool(reply.cues), 20.0, 15.0),
        ("packet → tone", push, lambda reply: any(p.gain > 0 for p in reply.tone), 25.0, 20.0),
    )
    with sound_server() as where:
        capture = Capture()
        try:
            for path, drill, sounds, limit_ms, wanted_ms in kinds:
                at = deciding(entries, drill, sounds)
                spreads = []
                for busy in (False, True):
                    with tempfile.TemporaryDirectory() as folder, gil_load(busy):
                        waits_ms = measure(entries, drill, at, capture, Path(folder))
                    spreads.append(Spread.of(waits_ms))
                idle, laden = spreads
                yield Row(
                    path,
                    f"{idle.text('ms', 1)}; a third of the interpreter busy: p95 {laden.p95:.1f} "
                    "ms",
                    f"from the deciding packet given to the session to its first sample captured "
                    f"behind {where}, periods of {PERIOD_MS} ms, store recording, practice "
                    "recording at its own pace",
                    (
                        at_most("p95", idle.p95, limit_ms, "ms"),
                        at_most("wanted: p95", idle.p95, wanted_ms, "ms"),
                    ),
                )
        finally:
            capture.close()
