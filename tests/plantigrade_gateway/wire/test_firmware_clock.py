"""The firmware companion's answers to time requests, and what the gateway's clock makes of them.

The C runs; its packets and its answers travel over a simulated link of connection events, and the
times the gateway gives to its samples are held against when they were truly taken.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from tests.support.firmware import Scenario, driver, toolchain
from tests.support.firmware_model import CLOCK, Config

from plantigrade.block import Foot
from plantigrade.clock import ClockModel
from plantigrade_gateway.record.entries import Batch, Entry, Kind, exchange_data, read_exchange
from plantigrade_gateway.wire.codec import decode, encode
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.messages import Clock, DataPacket, Start, Time
from plantigrade_gateway.wire.stream import PacketRun

pytestmark = pytest.mark.dear

__all__ = ["driver", "toolchain"]

PERIOD_US, FRAMES = 10_000, 2
SETTLED_S = 10.0


@dataclass(frozen=True)
class Way:
    """A link of connection events, and an insole's clock; host times in s."""

    interval_s: float
    phase_s: float
    ppm: float
    zero_us: int
    seed: int

    def clock_us(self, host_s: float) -> int:
        return self.zero_us + round(host_s * 1e6 * (1.0 + 1e-6 * self.ppm))

    def host_s(self, clock_us: int) -> float:
        return (clock_us - self.zero_us) / (1e6 * (1.0 + 1e-6 * self.ppm))

    def event_s(self, at_s: float, rng: np.random.Generator) -> float:
        """The next connection event, later by whole events for tries that fail."""
        tries = int(rng.geometric(0.95)) - 1
        return self.phase_s + (math.ceil((at_s - self.phase_s) / self.interval_s) + tries) * (
            self.interval_s
        )


def record(driver, way: Way, seconds: float) -> list[Entry]:
    """Run the C on its clock; return its packets and the exchanges with it, as they arrive."""
    rng = np.random.default_rng(way.seed)
    one = Scenario(replace(Config(), foot=Foot.LEFT, zones=2, frames=FRAMES))
    one.control(encode(Start(0)))
    ticks = [way.zero_us + k * PERIOD_US for k in range(1, int(seconds * 1e6) // PERIOD_US)]
    asked, at_s = [], 0.3
    while at_s < seconds - 0.3:
        asked.append((at_s, way.event_s(at_s + 0.0005, rng)))
        at_s += rng.uniform(0.15, 0.35) if len(asked) < 20 else rng.uniform(1.0, 2.0)
    todo = [(way.host_s(clock), "tick", clock) for clock in ticks]
    todo += [(reached_s, "time", k) for k, (_, reached_s) in enumerate(asked)]
    places: dict[int, tuple[str, float, float]] = {}  # line of the script: what, when, asked when
    for now_s, what, which in sorted(todo):
        if what == "tick":
            one.frame(which, [which % 4096, 7])
            if one.model.queue:
                places[len(one.script)] = ("packet", now_s + 0.0015, 0.0)
                one.send()
        else:
            places[len(one.script)] = ("clock", now_s + 0.001, asked[which][0])
            one.control(encode(Time(which % 256)), way.clock_us(now_s))
    said = driver(one.script)
    assert said == one.expected
    entries, come_ns = [], 0
    for line, (what, ready_s, sent_s) in places.items():
        data = bytes.fromhex(said[line])
        heard_s = way.event_s(ready_s, rng) + rng.exponential(0.0005)
        come_ns = max(come_ns, round(1e9 * heard_s))  # a link keeps the order
        if what == "clock":
            answer = decode(data)
            assert isinstance(answer, Clock)
            data = exchange_data(round(1e9 * sent_s), come_ns, answer.clock_us)
        kind = Kind.EXCHANGE if what == "clock" else Kind.NOTIFICATION
        entries.append(Entry(come_ns, 0, kind, data))
    return entries


def errors_s(entries: list[Entry], way: Way, exchange: bool) -> tuple[np.ndarray, ClockModel]:
    """How late the gateway's times are, for each packet's first frame, in order of the packets."""
    decoder, model, late = Decoder(0), ClockModel(0), []
    for entry in entries:
        if entry.kind is Kind.EXCHANGE:
            found = read_exchange(entry.data)
            assert found is not None
            if exchange:
                model.exchange(*found)
            continue
        batch = Batch.of([entry])
        for run in decoder.feed(batch.arrival_ns, batch.length, batch.payload):
            if isinstance(run, PacketRun):
                times = model.map_frames(run.arrival_ns, run.clock_us, run.period_us, run.frames)
                packet = decode(entry.data)
                assert isinstance(packet, DataPacket)
                ahead = (packet.clock_us - way.zero_us) % CLOCK  # the clock wraps in mid-test
                late.append(times[0] - way.host_s(way.zero_us + ahead))
    assert decoder.counts.lost_packets == 0
    return np.array(late), model


@pytest.mark.parametrize("interval_s", [0.015, 0.020], ids=["15 ms", "in step with the packets"])
@pytest.mark.slow
def test_two_feet_of_this_firmware_agree_within_5_ms_after_10_s(driver, interval_s):
    """95th percentile over two pairs, ± 50 ppm (0 in step, the worst case), 10 s to 40 s."""
    apart = []
    ppm = 0.0 if interval_s == 0.020 else 50.0
    for seed in range(2):
        phases = np.random.default_rng([seed, 3]).uniform(0.0, interval_s, 2)
        late = []
        for foot, sign in enumerate((1.0, -1.0)):
            wraps = CLOCK - 20_000_000  # after 20 s
            way = Way(interval_s, phases[foot], sign * ppm, wraps, 2 * seed + foot)
            one, model = errors_s(record(driver, way, 40.0), way, exchange=True)
            assert model.state.locked
            late.append(one[int(SETTLED_S * 1e6) // (FRAMES * PERIOD_US) :])
        n = min(map(len, late))
        apart.append(np.abs(late[0][:n] - late[1][:n]))
    assert np.percentile(np.concatenate(apart), 95) < 0.005


def test_its_answers_show_the_delay_that_arrivals_hide_and_narrow_the_stated_error(driver):
    """Every packet waits 16 ms for its event: without the exchange nothing tells."""
    way = Way(0.020, 0.0175, 0.0, 5, 1)
    entries = record(driver, way, 40.0)
    without, unsure = errors_s(entries, way, exchange=False)
    with_them, sure = errors_s(entries, way, exchange=True)
    settled = slice(int(SETTLED_S * 1e6) // (FRAMES * PERIOD_US), None)
    assert np.median(without[settled]) > 0.005
    assert abs(np.median(with_them[settled])) < 0.003
    assert sure.state.error_s < 0.5 * unsure.state.error_s
