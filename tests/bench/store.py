"""What the store costs: bytes per hour, packing and reading, commits, giving entries over.

An hour of two feet at 100 Hz, two frames per packet, invented: half walking (every zone loaded for
half of a 1.1 s stride, at its own height and time), half standing (slow sway), noise of SD 3 counts
of 4096 on each of the eighteen zones, arrivals with jitter.
"""

import tempfile
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tests.bench.table import Row, Spread

from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.packing import pack, unpack
from plantigrade_gateway.store.recorder import COMMIT_EVERY_S, Recorder
from plantigrade_gateway.store.store import Store

HOUR_S = 3600
PACKETS_PER_S = 50  # of one foot
ZONES = 18
HEAD_BYTES = 16
NOISE_COUNTS = 3.0
CHUNKS_PER_READ = 64  # as Store.batches


def _frames(seed: int) -> NDArray[np.uint16]:
    """Return one foot's readings, counts, shape (packets, 2 × zones)."""
    rng = np.random.default_rng(seed)
    t = np.arange(HOUR_S * PACKETS_PER_S * 2)[:, None] / (2 * PACKETS_PER_S)
    height, late = rng.uniform(300, 2500, ZONES), rng.uniform(0, 0.4, ZONES)
    walking = np.clip(np.sin(2 * np.pi * (t / 1.1 + 0.5 * seed - late)), 0, None)
    standing = 0.4 + 0.05 * np.sin(2 * np.pi * (t / 7 - late))
    load = np.where(t % 600 < 300, walking, standing) * height + 20
    load += rng.normal(0, NOISE_COUNTS, load.shape)
    return np.clip(load, 0, 4095).astype(np.uint16).reshape(-1, 2 * ZONES)


def _payloads(seed: int, bits: int) -> NDArray[np.uint8]:
    """Return one foot's packets: a head with a counter and a clock, then readings."""
    frames = _frames(seed)
    n = len(frames)
    head = np.zeros((n, HEAD_BYTES), np.uint8)
    head[:, 0], head[:, 1] = 1, seed
    head[:, 4:8] = np.arange(n, dtype="<u4")[:, None].view(np.uint8)
    clock_us = (np.arange(n) * 20_000 * (1 + 3e-5) % 2**32).astype("<u4")
    head[:, 8:12] = clock_us[:, None].view(np.uint8)
    if bits == 16:
        return np.concatenate([head, frames.astype("<u2").view(np.uint8)], axis=1)
    a, b = frames[:, 0::2], frames[:, 1::2]
    body = np.stack([a & 255, (a >> 8) | ((b & 15) << 4), b >> 4], axis=-1)
    return np.concatenate([head, body.astype(np.uint8).reshape(n, -1)], axis=1)


def hour(bits: int) -> Batch:
    """Return the hour as one batch: 360,000 packets in the order of arrival."""
    feet = [_payloads(seed, bits) for seed in (0, 1)]
    n = len(feet[0])
    jitter = np.random.default_rng(9).gamma(2.0, 2e6, (2, n))
    arrival = np.maximum.accumulate(np.arange(n) * 20_000_000 + jitter, axis=1)
    order = np.argsort(arrival.ravel(), kind="stable")
    table = np.concatenate(feet)[order]
    return Batch(
        arrival.ravel()[order].astype(np.int64),
        np.repeat(np.array([0, 1], np.uint8), n)[order],
        np.zeros(2 * n, np.uint8),
        np.full(2 * n, table.shape[1], np.int64),
        table.tobytes(),
    )


def _pieces(whole: Batch, size: int) -> list[Batch]:
    width = int(whole.length[0])
    return [
        Batch(
            whole.arrival_ns[k : k + size],
            whole.insole[k : k + size],
            whole.kind[k : k + size],
            whole.length[k : k + size],
            whole.payload[k * width : (k + size) * width],
        )
        for k in range(0, len(whole), size)
    ]


def _chunks(bits: int, whole: Batch) -> Row:
    seconds = _pieces(whole, 2 * PACKETS_PER_S)
    at = time.process_time()
    packed = [pack(piece) for piece in seconds]
    pack_s = time.process_time() - at
    reads = [packed[k : k + CHUNKS_PER_READ] for k in range(0, len(packed), CHUNKS_PER_READ)]
    times = []
    for _ in range(5):
        at = time.process_time()
        for some in reads:
            unpack(some)
        times.append(time.process_time() - at)
    plain = [zlib.compress(piece.payload, 3) for piece in seconds]
    at = time.process_time()
    for some_bytes in plain:
        zlib.decompress(some_bytes)
    plain_s = time.process_time() - at
    raw, stored, plainly = len(whole.payload), sum(map(len, packed)), sum(map(len, plain))
    frames = 2 * len(whole)
    return Row(
        f"an hour of {bits}-bit readings, packed",
        f"{stored / 1e6:.1f} MB of {raw / 1e6:.1f} MB raw ({raw / stored:.2f} × smaller; deflate "
        f"alone {raw / plainly:.2f} ×); pack {pack_s:.2f} s of CPU ({frames / pack_s:,.0f} "
        f"frames/s, {pack_s / HOUR_S:.3%} of a core live); unpack best of 5 {min(times):.2f} s, "
        f"worst {max(times):.2f} s ({frames / min(times):,.0f} frames/s, "
        f"{min(times) / plain_s:.1f} × inflating alone)",
        "in chunks of a second",
    )


def _file(whole: Batch, folder: Path) -> Row:
    live = _pieces(whole, round(2 * PACKETS_PER_S * COMMIT_EVERY_S))
    with Store.open(folder / "hour.sqlite3") as store:
        session = store.create_session("bench", analysis_version=1)
        commits = []
        for piece in live:
            at = time.perf_counter()
            store.append(session, piece)
            commits.append(time.perf_counter() - at)
        at, cpu = time.perf_counter(), time.process_time()
        entries = sum(len(batch) for batch in store.batches(session))
        read_s, read_cpu_s = time.perf_counter() - at, time.process_time() - cpu
        assert entries == len(whole)
    size = (folder / "hour.sqlite3").stat().st_size
    spread = Spread.of([1e3 * s for s in commits])
    return Row(
        "an hour in the store",
        f"{size / 1e6:.1f} MB on disk ({len(whole.payload) / size:.2f} × smaller than raw); a "
        f"commit {spread.text('ms', 1)}; read back in {read_s:.2f} s ({read_cpu_s:.2f} s of CPU)",
        f"two feet, 100 Hz, 12 bit, half walking, half standing, noise of {NOISE_COUNTS:g} counts; "
        f"committed every {COMMIT_EVERY_S:g} s",
    )


def _recorder(whole: Batch, folder: Path) -> Row:
    """Give entries over one packet at a time, as a live source does, as fast as they are taken."""
    some = _pieces(whole.slice(0, 50_000), 1)
    with Store.open(folder / "live.sqlite3") as store:
        session = store.create_session("bench", analysis_version=1)
        times = []
        with Recorder(store, session) as recorder:
            for piece in some:
                at = time.perf_counter()
                recorder.put(piece)
                times.append(time.perf_counter() - at)
            at = time.perf_counter()
            recorder.flush()
            flush_s = time.perf_counter() - at
    return Row(
        "a packet given to the recorder",
        f"{Spread.of([1e6 * s for s in times]).text('µs', 1)}; flush after all {flush_s:.2f} s",
        "one by one, as fast as they are taken",
    )


def rows() -> Iterator[Row]:
    """Give the file's size first."""
    whole = hour(12)
    with tempfile.TemporaryDirectory() as folder:
        yield _file(whole, Path(folder))
        yield _chunks(12, whole)
        whole = hour(16)
        yield _chunks(16, whole)
        yield _recorder(whole, Path(folder))
