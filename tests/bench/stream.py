"""What decoding and the clock cost: an hour of two feet at 100 Hz, two frames per packet, invented.

Beside it, in the same run, a plain pass that only views the same bytes as samples.
"""

import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade.clock import ClockModel
from plantigrade_gateway.wire.codec import encode_data
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat
from plantigrade_gateway.wire.stream import PacketRun

PACKETS = 180_000  # of one foot
FRAMES, ZONES, PERIOD_US = 2, 18, 10_000
LIVE_PACKETS = 20_000

Call = tuple[NDArray[np.int64], NDArray[np.int64], bytes]


def hour(sample_format: SampleFormat, lost: float) -> Call:
    """Return one foot's notifications: arrival ns, lengths, payload."""
    rng = np.random.default_rng(1)
    first = DataPacket(
        Foot.LEFT,
        sample_format,
        False,
        False,
        False,
        0,
        0,
        PERIOD_US,
        rng.integers(0, 4096, (FRAMES, ZONES)).astype(np.uint16),
    )
    one = np.frombuffer(encode_data(first), np.uint8)
    rows = np.tile(one, (PACKETS, 1))
    number = np.arange(PACKETS)
    rows[:, 4:8] = number.astype("<u4")[:, None].view(np.uint8)
    rows[:, 8:12] = (number * FRAMES * PERIOD_US).astype("<u4")[:, None].view(np.uint8)
    arrival_ns = number * FRAMES * PERIOD_US * 1000 + rng.integers(10**7, 2 * 10**7, PACKETS)
    kept = rng.random(PACKETS) >= lost
    payload = rows[kept].tobytes()
    return arrival_ns[kept], np.full(int(kept.sum()), len(one), dtype=np.int64), payload


def _best_s(work: Callable[[], object]) -> float:
    times = []
    for _ in range(5):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def _bulk() -> None:
    for sample_format in SampleFormat:
        for lost in (0.0, 0.01):
            call = hour(sample_format, lost)

            def decode(call: Call = call) -> object:
                return [Decoder(foot).feed(*call) for foot in (0, 1)]

            def plain(call: Call = call) -> object:
                return [np.frombuffer(call[2], "<u2").astype(np.float32) for _ in (0, 1)]

            decode_s, plain_s = _best_s(decode), _best_s(plain)
            print(
                f"decode an hour, {sample_format.name}, {lost:.0%} lost: {1e3 * decode_s:.0f} ms, "
                f"{2e-6 * len(call[1]) / decode_s:.1f} million packets/s, "
                f"{decode_s / plain_s:.1f} × a plain view as float32"
            )


def _clock() -> None:
    runs = [r for r in Decoder(0).feed(*hour(SampleFormat.U16, 0.0)) if isinstance(r, PacketRun)]

    def map_two() -> None:
        for _ in (0, 1):
            model = ClockModel(0)
            for run in runs:
                model.map_frames(run.arrival_ns, run.clock_us, run.period_us, run.frames)

    print(f"clock, an hour of two feet: {1e3 * _best_s(map_two):.0f} ms")


def _live() -> None:
    arrival_ns, lengths, payload = hour(SampleFormat.U16, 0.01)
    size = int(lengths[0])
    decoder, model = Decoder(0), ClockModel(0)
    decode_us, clock_us = [], []
    for k in range(LIVE_PACKETS):
        data = payload[k * size : (k + 1) * size]
        begin = time.perf_counter_ns()
        out = decoder.feed(arrival_ns[k : k + 1], lengths[k : k + 1], data)
        middle = time.perf_counter_ns()
        for run in out:
            if isinstance(run, PacketRun):
                model.map_frames(run.arrival_ns, run.clock_us, run.period_us, run.frames)
        clock_us.append((time.perf_counter_ns() - middle) / 1000)
        decode_us.append((middle - begin) / 1000)
    for name, values in (("decode", decode_us), ("clock", clock_us)):
        p50, p99 = np.percentile(values, [50, 99])
        print(f"{name}, packet by packet: median {p50:.1f} µs, p99 {p99:.1f} µs")


def main() -> None:
    """Print all figures."""
    _bulk()
    _clock()
    _live()
