"""The firmware companion: its stream of packets, against the model and the gateway's decoder."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from tests.support.firmware import (
    DRIVER,
    PERIODS,
    ROOM,
    Scenario,
    build,
    driver,
    random_request,
    read_back,
    run,
    toolchain,
)
from tests.support.firmware_model import CLOCK, Config, Model

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.zones import eighteen
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole
from plantigrade_gateway.wire.codec import MessageKind, decode, encode
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.gatt import Announcement, Status
from plantigrade_gateway.wire.messages import (
    Ack,
    AckStatus,
    DataPacket,
    Frames,
    Rate,
    SampleFormat,
    Start,
    Stop,
    max_frames,
)
from plantigrade_gateway.wire.stream import PacketRun, StreamEvent, StreamEventKind

pytestmark = pytest.mark.dear

__all__ = ["driver", "toolchain"]


def random_config(rng: np.random.Generator) -> Config:
    sample_format = SampleFormat(int(rng.integers(2)))
    zones = int(rng.choice([1, 3, 8, 17, 18, 19, 64]))
    return Config(
        list(Foot)[rng.integers(2)],
        sample_format,
        zones,
        int(rng.integers(1, max_frames(zones, sample_format) + 1)),
        int(rng.choice(PERIODS)),
        1000,
        serial=int(rng.integers(CLOCK)),
    )


def random_scenario(rng: np.random.Generator, room: int, ticks: int) -> Scenario:
    """Sample ticks with jitter, missed and early ones; a link that fills; every kind of request."""
    config = random_config(rng)
    top = 4096 if config.sample_format is SampleFormat.PACKED12 else 65536
    one = Scenario(config, room)
    model = one.model
    one.control(encode(Start(int(rng.integers(256)))))
    if rng.random() < 0.3:
        model.counter = CLOCK - int(rng.integers(1, 20))
        one.do(f"counter {model.counter}")
    clock = (0, 1, CLOCK - 40_000, CLOCK // 2, int(rng.integers(CLOCK)))[rng.integers(5)]
    link_up = True
    for _ in range(ticks):
        one.frame(clock, rng.integers(0, top, config.zones).tolist())
        period = model.period
        clock += period + int(rng.integers(-period // 5, period // 5 + 1))
        odd = rng.random()
        if odd < 0.02:
            clock += int(rng.integers(1, 40)) * period
        elif odd < 0.03:
            clock -= int(rng.integers(period // 2, 2 * period))
        if rng.random() < 0.05:
            link_up = not link_up
        if link_up and rng.random() < 0.7:
            one.send(int(rng.integers(1, 4)))
        happens(rng, one)
    one.state()
    model.stop()
    one.control(encode(Stop(0)))
    one.send()
    return one


def happens(rng: np.random.Generator, one: Scenario) -> None:
    """Something from outside, now and then."""
    model = one.model
    kind = rng.random() * 100
    if kind < 3:
        one.control(random_request(rng), int(rng.integers(CLOCK)))
        one.do("show", " ".join(str(int(x)) for x in model.show))
        model.show = (False, model.show[1])
    elif kind < 4:
        percent, low = int(rng.integers(0, 130)), bool(rng.integers(2))
        model.battery, model.battery_low = percent if percent <= 100 else 255, low
        one.do(f"battery {percent} {int(low)}")
    elif kind < 4.3:
        on = not model.charging
        model.charge(on)
        one.do(f"charging {int(on)}")
    elif kind < 4.6:
        model.link_lost()
        one.do("link_lost")
    elif kind < 4.8:
        att_mtu = int(rng.choice([0, 2, 23, 70, 185, 247, 247, 517]))
        model.mtu(att_mtu)
        one.do(f"mtu {att_mtu}")
    elif kind < 5.2:
        model.give_up()
        one.do("lost")
    elif kind < 7 and not model.streaming:
        one.control(encode(Start(int(rng.integers(256)))))
    elif kind < 8:
        one.state()
        one.do("status 3 77", status_of(model, 3, 77).encode().hex())
        said = Announcement(
            model.config.foot,
            model.config.length_mm,
            None if model.battery == 255 else model.battery,
            model.config.serial,
        )
        one.do("announcement", said.encode().hex())


def status_of(model: Model, resets: int, uptime_s: int) -> Status:
    return Status(
        model.streaming,
        model.charging,
        model.battery_low,
        None if model.battery == 255 else model.battery,
        resets,
        model.lost,
        uptime_s,
    )


@pytest.mark.slow
def test_random_scripts_go_as_the_model_goes(driver):
    """Many configurations, over ten thousand frames; every answer and every packet alike."""
    rng = np.random.default_rng(33)
    ones = [random_scenario(rng, ROOM, 150) for _ in range(150)]
    together = Scenario(Config())
    for one in ones:
        together.script += one.script
        together.expected += one.expected
    together.check(driver)
    packets = [p for one in ones for p in map(decode, one.sent) if isinstance(p, DataPacket)]
    assert sum(len(one.taken) for one in ones) > 10_000
    assert sum(one.model.dropped for one in ones) > 100
    assert sum(p.first for p in packets) > 90
    assert sum(p.dropped for p in packets) > 100
    assert sum(p.battery_low for p in packets) > 100
    assert any(a.counter > b.counter == 0 and not b.first for a, b in pairwise(packets))


@pytest.mark.parametrize("room", [1, 2, 255])
@pytest.mark.slow
def test_other_lengths_of_queue(toolchain, tmp_path, room):
    program = build(tmp_path, "driver", "-O2", f"-DPG_QUEUE_PACKETS={room}u", DRIVER)
    rng = np.random.default_rng(room)
    for _ in range(6):
        one = random_scenario(rng, room, 400)
        one.check(lambda script: run(program, text="\n".join([*script, ""])).splitlines())


def no_fault(facts: list[StreamEvent]) -> bool:
    bad = (
        StreamEventKind.MALFORMED,
        StreamEventKind.REPEAT,
        StreamEventKind.LATE,
        StreamEventKind.OVERLAP,
        StreamEventKind.RESTART,
    )
    return not any(fact.kind in bad for fact in facts)


@pytest.mark.parametrize("seed", range(12))
def test_the_gateway_gets_exactly_the_frames_that_were_taken(driver, seed):
    """Missed ticks, a full link, changes of rate and of frames: frames, clocks and losses agree."""
    rng = np.random.default_rng([34, seed])
    config = replace(random_config(rng), period_us=int(rng.choice([2500, 10_000])))
    most = max_frames(config.zones, config.sample_format)
    one = Scenario(config)
    one.control(encode(Start(0)))
    clock = CLOCK - 300_000 if seed % 2 else int(rng.integers(CLOCK // 2))
    begun, held_until, missed = clock, 0, 0
    for tick in range(800):
        one.frame(clock, rng.integers(0, 4096, config.zones).tolist())
        clock += one.model.period + int(rng.integers(-40, 41))
        if rng.random() < 0.01:
            gone = int(rng.integers(1, 30))
            clock += gone * one.model.period
            missed += gone
        if rng.random() < 0.005:
            held_until = tick + int(rng.integers(10, 120))
        if tick >= held_until:
            one.send()
        if rng.random() < 0.01:
            one.control(encode(Rate(1, int(rng.choice([2000, 5000, 12_345])))))
        if rng.random() < 0.01:
            one.control(encode(Frames(2, int(rng.integers(1, most + 1)))))
    one.control(encode(Stop(3)))
    one.send()
    one.check(driver)
    frames, decoder, facts = read_back(one)
    assert no_fault(facts)
    assert [counts for _, counts in frames] == [counts for _, counts in one.taken]
    start = begun % CLOCK
    # Jitter within a packet is not carried: 40 µs a tick at most, each packet begins anew.
    off = [a - start - (b - begun) for (a, _), (b, _) in zip(frames, one.taken, strict=True)]
    assert max(map(abs, off)) <= 40 * most
    assert decoder.counts.lost_packets == 0
    assert decoder.counts.lost_frames > 0
    assert missed <= decoder.counts.lost_frames <= missed + one.model.dropped + 40
    said = decoder.counts.facts
    assert said[StreamEventKind.SAMPLES_DROPPED] == sum(f.frames > 0 for f in facts)
    assert said[StreamEventKind.GAP] == 0
    if seed % 2:
        assert said[StreamEventKind.CLOCK_WRAP] == 1


def test_dropped_samples_are_said_by_flag_and_clock_and_counted(driver):
    """Two frames a packet, the link full after eight packets: ticks 16 to 29 are lost."""
    one = Scenario(replace(Config(), zones=2))
    one.control(encode(Start(0)))
    for tick in range(30):
        assert one.frame(tick * 10_000, [tick, tick]) is (tick < 16)
    one.state()
    one.send()
    for tick in range(30, 34):
        assert one.frame(tick * 10_000, [tick, tick])
    one.send()
    one.check(driver)
    assert one.expected[-1] == "-"
    assert one.model.dropped == 14
    after = decode(one.sent[8])
    assert isinstance(after, DataPacket)
    assert (after.counter, after.dropped, after.clock_us) == (8, True, 300_000)
    _, decoder, facts = read_back(one)
    assert [(f.kind, f.frames) for f in facts] == [(StreamEventKind.SAMPLES_DROPPED, 14)]
    assert decoder.counts.lost_packets == 0


def test_a_packet_given_up_is_a_hole_in_the_counter(driver):
    one = Scenario(replace(Config(), zones=2))
    one.control(encode(Start(0)))
    for tick in range(8):
        one.frame(tick * 10_000, [tick, tick])
    one.send(2)
    one.model.give_up()
    one.do("lost")
    one.do("status 0 1", status_of(one.model, 0, 1).encode().hex())
    one.send()
    one.check(driver)
    _, _, facts = read_back(one)
    assert [(f.kind, f.packets, f.frames) for f in facts] == [(StreamEventKind.GAP, 1, 2)]


def test_a_missed_tick_ends_a_packet_early_and_loses_nothing_else(driver):
    one = Scenario(replace(Config(), zones=1, frames=4))
    one.control(encode(Start(0)))
    for tick in (0, 1, 2, 3, 4, 5, 8, 9, 10, 11):
        assert one.frame(tick * 10_000, [tick])
    one.send()
    one.check(driver)
    packets = [p for p in map(decode, one.sent) if isinstance(p, DataPacket)]
    assert [p.counts.ravel().tolist() for p in packets] == [[0, 1, 2, 3], [4, 5], [8, 9, 10, 11]]
    assert [p.dropped for p in packets] == [False, False, True]


def test_a_new_rate_begins_with_a_packet(driver):
    one = Scenario(replace(Config(), zones=1, frames=3))
    one.control(encode(Start(0)))
    clock = 0
    for tick in range(9):
        if tick == 4:
            one.control(encode(Rate(1, 5000)))
        one.frame(clock, [tick])
        clock += one.model.period
    one.send()
    one.check(driver)
    packets = [p for p in map(decode, one.sent) if isinstance(p, DataPacket)]
    assert [(p.clock_us, p.period_us) for p in packets] == [
        (0, 10_000),
        (30_000, 10_000),
        (60_000, 5000),
    ]
    assert not any(p.dropped for p in packets)


def test_stop_start_and_reset_as_the_gateway_reads_them(driver):
    """Stop sends what is begun; start begins at counter 0; only a reset begins the clock again."""
    one = Scenario(replace(Config(), zones=1, frames=2))
    frames = 0

    def sample(clock_ms: int, n: int) -> None:
        nonlocal frames
        for k in range(n):
            assert one.frame((clock_ms + 10 * k) * 1000, [frames])
            frames += 1
        one.send()

    assert not one.frame(5000, [9])  # not streaming: neither sent nor counted
    one.control(encode(Start(0)))
    sample(1000, 5)
    one.control(encode(Stop(1)))
    one.send()
    one.control(encode(Start(2)))
    sample(3000, 5)
    one.control(encode(Start(3)))  # again, while it streams
    sample(3050, 4)
    one.check(driver)
    packets = [p for p in map(decode, one.sent) if isinstance(p, DataPacket)]
    assert [p.counter for p in packets] == [0, 1, 2, 0, 1, 2, 0, 1]
    assert [p.first for p in packets] == [True, False, False, True, False, False, True, False]
    assert not any(p.dropped for p in packets)
    assert one.model.dropped == 0

    after = Scenario(one.model.config)
    after.control(encode(Start(4)))
    for k in range(4):
        after.frame(200_000 + 10_000 * k, [100 + k])
    after.send()
    after.check(driver)
    _, decoder, facts = read_back_both(one, after)
    assert [f.kind for f in facts] == [
        StreamEventKind.START,
        StreamEventKind.START,
        StreamEventKind.RESTART,
    ]
    assert decoder.counts.frames == frames + 4


def read_back_both(
    one: Scenario, after: Scenario
) -> tuple[list[PacketRun], Decoder, list[StreamEvent]]:
    """Decode two lives of an insole, the second 3 s after the first by the host."""
    rows, ns = [], 0
    for scenario in (one, after):
        base = ns + (3_000_000_000 if ns else 0)
        first = decode(scenario.sent[0])
        assert isinstance(first, DataPacket)
        for data in scenario.sent:
            packet = decode(data)
            assert isinstance(packet, DataPacket)
            ns = base + (packet.clock_us - first.clock_us) * 1000
            rows.append(Entry(ns, 0, Kind.NOTIFICATION, data))
    batch = Batch.of(rows)
    decoder = Decoder(0)
    out = decoder.feed(batch.arrival_ns, batch.length, batch.payload)
    runs = [x for x in out if isinstance(x, PacketRun)]
    return runs, decoder, [x for x in out if isinstance(x, StreamEvent)]


def test_time_that_a_packet_covers_is_not_covered_twice(driver):
    """Start again at once after a stop: the tick that comes too early is not sent."""
    one = Scenario(replace(Config(), zones=1, frames=2))
    one.control(encode(Start(0)))
    one.frame(0, [1])
    one.frame(10_000, [2])
    one.control(encode(Stop(0)))
    one.control(encode(Start(0)))
    assert not one.frame(12_000, [3])
    assert one.frame(22_000, [4])
    one.control(encode(Stop(0)))
    one.send()
    one.check(driver)
    last = decode(one.sent[-1])
    assert isinstance(last, DataPacket)
    assert (last.first, last.dropped, last.clock_us) == (True, True, 22_000)


def test_counter_and_clock_wrap_without_a_fact_but_the_wraps(driver):
    one = Scenario(replace(Config(), zones=4))
    one.control(encode(Start(0)))
    clock = CLOCK - 105_000
    for tick in range(40):
        if tick == 2:
            one.model.counter = CLOCK - 8
            one.do(f"counter {CLOCK - 8}")
        one.frame(clock + tick * 10_000, [tick] * 4)
        if tick >= 1:
            one.send()
    one.check(driver)
    one.sent.pop(0)  # the counter was set after it
    frames, _, facts = read_back(one)
    assert sorted(f.kind for f in facts) == [
        StreamEventKind.CLOCK_WRAP,
        StreamEventKind.COUNTER_WRAP,
    ]
    assert np.all(np.diff([clock for clock, _ in frames]) == 10_000)


def test_an_insole_on_its_charger_stops_and_refuses_to_start(driver):
    one = Scenario(replace(Config(), zones=1))
    one.control(encode(Start(0)))
    one.frame(0, [1])
    one.model.charge(True)
    one.do("charging 1")
    one.state()
    one.control(encode(Start(9)))
    refused = one.expected[-1]
    one.do("status 1 2", status_of(one.model, 1, 2).encode().hex())
    one.model.charge(False)
    one.do("charging 0")
    one.control(encode(Start(10)))
    one.check(driver)
    assert decode(bytes.fromhex(refused)) == Ack(9, MessageKind.START, AckStatus.NOT_NOW)


def test_a_lost_link_leaves_nothing_for_the_next_host(driver):
    one = Scenario(replace(Config(), zones=1, frames=1))
    one.control(encode(Start(0)))
    for tick in range(12):
        one.frame(tick * 10_000, [tick])
    one.model.link_lost()
    one.do("link_lost")
    one.do("packet", "-")
    one.do("status 0 5", status_of(one.model, 0, 5).encode().hex())
    one.control(encode(Start(1)))
    one.frame(1_000_000, [77])
    one.send()
    one.check(driver)
    assert one.model.lost == 0
    only = decode(one.sent[0])
    assert isinstance(only, DataPacket)
    assert (only.counter, only.first, only.dropped) == (0, True, False)


@pytest.mark.parametrize(
    ("att_mtu", "most"), [(23, 0), (45, 0), (46, 1), (72, 1), (73, 2), (247, 8)]
)
def test_packets_never_hold_more_than_the_link_lets_through(driver, att_mtu, most):
    """Eighteen zones of twelve bits: 27 bytes a frame, 16 before them, and MTU − 3 for both."""
    one = Scenario(replace(Config(), frames=8))
    one.model.mtu(att_mtu)
    one.do(f"mtu {att_mtu}")
    one.control(encode(Frames(1, most + 1)))
    assert decode(bytes.fromhex(one.expected[-1])) == Ack(
        1, MessageKind.FRAMES, AckStatus.VALUE_NOT_POSSIBLE
    )
    one.control(encode(Start(2)))
    status = AckStatus.DONE if most else AckStatus.NOT_NOW
    assert decode(bytes.fromhex(one.expected[-1])) == Ack(2, MessageKind.START, status)
    for tick in range(16):
        one.frame(tick * 10_000, [tick] * 18)
        one.send()
    one.check(driver)
    assert {len(data) for data in one.sent} == ({16 + 27 * most} if most else set())


@pytest.mark.parametrize(
    "config",
    [
        replace(Config(), zones=0),
        replace(Config(), zones=65),
        replace(Config(), frames=0),
        replace(Config(), frames=9),
        replace(Config(), period_us=999),
        replace(Config(), period_us=2000, min_period_us=2500),
    ],
)
def test_a_configuration_that_cannot_be_is_refused(driver, config):
    assert driver([config.init]) == ["0"]


@pytest.mark.parametrize("sample_format", list(SampleFormat))
def test_the_virtual_insole_and_the_firmware_send_the_same_bytes(driver, sample_format):
    """The gateway's simulator, fed the same counts on the same clock, is this firmware."""
    calibration = default_calibration(eighteen(), Foot.RIGHT)
    insole = RecordedInsole(
        Foot.RIGHT,
        0,
        calibration,
        sample_format=sample_format,
        clock_us=CLOCK - 1_000_000,
        link=RadioChannel.steady(),
        battery_low_from_s=2.0,
    )
    rng = np.random.default_rng(8)
    pressure = rng.uniform(0.0, 500.0, (600, 18))
    sent = insole.entries(pressure, 6.0, 0, 1)
    one = Scenario(replace(Config(), foot=Foot.RIGHT, sample_format=sample_format))
    one.control(encode(Start(0)))
    for k, row in enumerate(calibration.counts(pressure).tolist()):
        if k == 200:
            one.model.battery, one.model.battery_low = 9, True
            one.do("battery 9 1")
        one.frame(CLOCK - 1_000_000 + 10_000 * k, row)
        one.send()
    one.check(driver)
    assert one.sent == [e.data for e in sent if e.kind is Kind.NOTIFICATION]
