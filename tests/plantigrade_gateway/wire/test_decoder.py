"""One insole's stream: runs, facts, counters, however it is cut and whatever the bytes."""

import tracemalloc
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireReason
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.messages import DataPacket, Identify, Identity, SampleFormat
from plantigrade_gateway.wire.stream import Counts, PacketRun, StreamEvent, StreamEventKind

PERIOD_US = 10_000
FRAMES = 2
WRAP = 2**32
ZONES = 3

Item = tuple[int, bytes]
"""Arrival, ms, and a notification."""


def packet(
    n: int,
    *,
    counter: int | None = None,
    clock_us: int | None = None,
    frames: int = FRAMES,
    zones: int = ZONES,
    period_us: int = PERIOD_US,
    foot: Foot = Foot.LEFT,
    sample_format: SampleFormat = SampleFormat.U16,
    first: bool = False,
    dropped: bool = False,
    battery_low: bool = False,
) -> bytes:
    """Make the packet with counter n, whose clock is n packets on, unless told otherwise."""
    samples = (np.arange(frames * zones) + 7 * n) % 4096
    return encode(
        DataPacket(
            foot,
            sample_format,
            first,
            dropped,
            battery_low,
            (n if counter is None else counter) % WRAP,
            (n * FRAMES * PERIOD_US if clock_us is None else clock_us) % WRAP,
            period_us,
            samples.reshape(frames, zones).astype(np.uint16),
        )
    )


def items(numbers: Sequence[int]) -> list[Item]:
    """Packets that arrive 20 ms apart, in this order."""
    return [(20 * k, packet(n)) for k, n in enumerate(numbers)]


def feed(decoder: Decoder, part: Sequence[Item]) -> list[PacketRun | StreamEvent]:
    return decoder.feed(
        np.array([ms * 1_000_000 for ms, _ in part], dtype=np.int64),
        np.array([len(data) for _, data in part], dtype=np.int64),
        b"".join(data for _, data in part),
    )


def decode_all(
    stream: Sequence[Item], cuts: Sequence[int] = ()
) -> tuple[list[PacketRun | StreamEvent], Counts]:
    decoder = Decoder(1)
    out: list[PacketRun | StreamEvent] = []
    edges = [0, *sorted(cuts), len(stream)]
    for start, stop in pairwise(edges):
        out += feed(decoder, stream[start:stop])
    return out, decoder.counts


def story(out: list[PacketRun | StreamEvent]) -> list[str]:
    """Tell runs as their packets' indices and facts by name, runs that touch as one."""
    told: list[list[int] | str] = []
    for item in out:
        if isinstance(item, StreamEvent):
            told.append(str(item.kind))
        elif told and isinstance(last := told[-1], list) and sum(last) == item.index:
            last.append(len(item))
        else:
            told.append([item.index, len(item)])
    return [t if isinstance(t, str) else f"{t[0]}+{sum(t[1:])}" for t in told]


def facts_of(out: list[PacketRun | StreamEvent], kind: StreamEventKind) -> list[StreamEvent]:
    return [item for item in out if isinstance(item, StreamEvent) and item.kind is kind]


def clocks(out: list[PacketRun | StreamEvent]) -> list[int]:
    return [c for item in out if isinstance(item, PacketRun) for c in item.clock_us.tolist()]


def joined(parts: Sequence[NDArray[np.integer]]) -> NDArray[np.integer]:
    return np.concatenate([np.empty(0, np.int64), *parts])


class Table:
    """All that came out, in columns: equal for any cutting of the same stream."""

    def __init__(self, out: list[PacketRun | StreamEvent]) -> None:
        self.facts = [item for item in out if isinstance(item, StreamEvent)]
        runs = [item for item in out if isinstance(item, PacketRun)]
        shape = np.array(
            [(r.index, r.period_us, r.frames, r.zones, r.foot is Foot.RIGHT) for r in runs],
            dtype=np.int64,
        ).reshape(-1, 5)
        size = np.array([len(run) for run in runs], dtype=np.int64)
        within = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
        self.packets: NDArray[np.int64] = np.repeat(shape, size, axis=0)
        self.packets[:, 0] += within
        self.arrival_ns = joined([run.arrival_ns for run in runs])
        self.clock_us = joined([run.clock_us for run in runs])
        self.samples = joined([run.counts.ravel() for run in runs])
        for run in runs:
            assert run.counts.dtype == np.uint16
            assert len(run.counts) == len(run) * run.frames
        order = [(item.index, isinstance(item, PacketRun)) for item in out]
        assert order == sorted(order)  # a fact stands before the frames it concerns

    def assert_same(self, other: "Table") -> None:
        assert self.facts == other.facts
        assert np.array_equal(self.packets, other.packets)
        assert np.array_equal(self.arrival_ns, other.arrival_ns)
        assert np.array_equal(self.clock_us, other.clock_us)
        assert np.array_equal(self.samples, other.samples)


def test_a_whole_stream_is_one_run():
    out, counts = decode_all(items(range(100)))
    (run,) = out
    assert isinstance(run, PacketRun)
    assert (run.insole, run.foot, run.period_us, run.frames, run.index) == (1, "left", 10000, 2, 0)
    assert run.clock_us.tolist() == [20_000 * n for n in range(100)]
    assert run.arrival_ns.tolist() == [20_000_000 * n for n in range(100)]
    assert run.counts.shape == (200, ZONES)
    assert run.counts[2 * 41].tolist() == [287, 288, 289]  # 7 × 41
    assert run.counts[2 * 41 + 1].tolist() == [290, 291, 292]
    assert (counts.notifications, counts.packets, counts.frames) == (100, 100, 200)
    assert counts.bytes == 100 * 28
    assert counts.lost_packets == counts.lost_frames == 0
    assert set(counts.facts.values()) == {0}


@pytest.mark.parametrize("sample_format", SampleFormat)
@pytest.mark.parametrize("zones", [1, 2, 3, 18])
def test_both_sample_formats(sample_format, zones):
    stream = [
        (20 * n, packet(n, zones=zones, sample_format=sample_format, foot=Foot.RIGHT))
        for n in range(40)
    ]
    out, _ = decode_all(stream)
    (run,) = out
    assert isinstance(run, PacketRun)
    assert run.foot is Foot.RIGHT
    expected = [(k + 7 * n) % 4096 for n in range(40) for k in range(FRAMES * zones)]
    assert run.counts.ravel().tolist() == expected


def case_stream(name: str) -> list[Item]:
    """Return a stream of 40 packets with one fault after packet 19."""
    before, after = items(range(20)), items(range(40))[20:]
    odd: dict[str, list[Item]] = {
        "repeat": [before[-1], *after],
        "repeat of an older one": [before[-5], *after],
        "late": [*after[1:5], after[0], *after[5:]],
        "late, twice": [*after[1:5], after[0], after[0], *after[5:]],
        "gap": after[3:],
        "malformed": [(390, b"\x01\x01junk"), *after],
        "empty notification": [(390, b""), *after],
        "message": [(390, encode(Identify(1, 0))), *after],
        "dropped, by the clock": [
            (ms + 50, packet(n, clock_us=n * 20_000 + 50_000, dropped=n == 20))
            for n, (ms, _) in enumerate(after, 20)
        ],
        "dropped, nothing by the clock": [(400, packet(20, dropped=True)), *after[1:]],
        "dropped and lost": [(440, packet(22, dropped=True)), *after[3:]],
        "gap by the clock alone": [
            (ms + 50, packet(n, clock_us=n * 20_000 + 50_000))
            for n, (ms, _) in enumerate(after, 20)
        ],
        "overlap": [(400, packet(20, clock_us=395_000 - 5_000)), *after[1:]],
        "battery": [(ms, packet(n, battery_low=n < 30)) for n, (ms, _) in enumerate(after, 20)],
        "rate": [
            (ms, packet(n, clock_us=400_000 + (n - 20) * 10_000, period_us=5_000))
            for n, (ms, _) in enumerate(after, 20)
        ],
        "zones": [(ms, packet(n, zones=4)) for n, (ms, _) in enumerate(after, 20)],
        "frames": [
            (ms, packet(n, frames=4, clock_us=400_000 + (n - 20) * 40_000))
            for n, (ms, _) in enumerate(after, 20)
        ],
        "sample format": [
            (ms, packet(n, sample_format=SampleFormat.PACKED12))
            for n, (ms, _) in enumerate(after, 20)
        ],
        "foot": [(ms, packet(n, foot=Foot.RIGHT)) for n, (ms, _) in enumerate(after, 20)],
        "reset": [
            (5000 + 20 * n, packet(n, clock_us=700_000 + n * 20_000, first=n == 0))
            for n in range(20)
        ],
        "reset, first packets lost": [
            (9000 + 20 * n, packet(n, clock_us=33_000 + n * 20_000)) for n in range(3, 20)
        ],
        "stop and start": [
            (5000 + 20 * n, packet(n, clock_us=5_001_000 + n * 20_000, first=n == 0))
            for n in range(20)
        ],
        "stop and start, first packets lost": [
            (5000 + 20 * n, packet(n, clock_us=5_001_000 + n * 20_000)) for n in range(3, 20)
        ],
        "clock set back": [
            (ms, packet(n, clock_us=n * 20_000 - 350_000)) for n, (ms, _) in enumerate(after, 20)
        ],
        "clock leaps an hour": [
            (ms, packet(n, clock_us=n * 20_000 + 3_600_000_000))
            for n, (ms, _) in enumerate(after, 20)
        ],
    }
    return before + odd[name]


STORIES = {
    "repeat": ["0+20", "repeat", "21+20"],
    "repeat of an older one": ["0+20", "repeat", "21+20"],
    "late": ["0+20", "gap", "20+4", "late", "25+15"],
    "late, twice": ["0+20", "gap", "20+4", "late", "repeat", "26+15"],
    "gap": ["0+20", "gap", "20+17"],
    "malformed": ["0+20", "malformed", "21+20"],
    "empty notification": ["0+20", "21+20"],
    "message": ["0+20", "message", "21+20"],
    "dropped, by the clock": ["0+20", "samples_dropped", "20+20"],
    "dropped, nothing by the clock": ["0+20", "samples_dropped", "20+20"],
    "dropped and lost": ["0+20", "gap", "samples_dropped", "20+18"],
    "gap by the clock alone": ["0+20", "gap", "20+20"],
    "overlap": ["0+20", "overlap", "gap", "21+19"],
    "battery": ["0+20", "battery", "20+10", "battery", "30+10"],
    "rate": ["0+20", "rate", "20+20"],
    "zones": ["0+20", "zones", "20+20"],
    "frames": ["0+40"],
    "sample format": ["0+20", "sample_format", "20+20"],
    "foot": ["0+20", "foot", "20+20"],
    "reset": ["0+20", "restart", "20+20"],
    "reset, first packets lost": ["0+20", "restart", "20+17"],
    "stop and start": ["0+20", "start", "20+20"],
    "stop and start, first packets lost": ["0+20", "start", "20+17"],
    "clock set back": ["0+20", "restart", "20+20"],
    "clock leaps an hour": ["0+20", "restart", "20+20"],
}


@pytest.mark.parametrize("name", STORIES)
def test_each_fault_is_told(name):
    stream = case_stream(name)
    out, counts = decode_all(stream)
    assert story(out) == STORIES[name]
    later = [(ms + 10**9, data) for ms, data in stream]  # a host that has been on for days
    assert story(decode_all(later)[0]) == STORIES[name]
    assert counts.notifications == len(stream)
    empty = {StreamEventKind.MALFORMED: sum(not data for _, data in stream)}  # counted alone
    for kind in StreamEventKind:
        assert counts.facts[kind] == len(facts_of(out, kind)) + empty.get(kind, 0)


@pytest.mark.parametrize("name", STORIES)
def test_each_fault_is_told_alike_packet_by_packet(name):
    stream = case_stream(name)
    whole, counts = decode_all(stream)
    single, counts_single = decode_all(stream, range(1, len(stream)))
    Table(whole).assert_same(Table(single))
    assert counts == counts_single


def test_figures_of_a_gap():
    out, counts = decode_all(case_stream("gap"))
    (gap,) = facts_of(out, StreamEventKind.GAP)
    assert (gap.packets, gap.frames, gap.index, gap.insole) == (3, 6, 20, 1)
    assert gap.arrival_ns == 460_000_000
    assert (counts.lost_packets, counts.lost_frames) == (3, 6)


def test_figures_of_dropped_samples():
    out, counts = decode_all(case_stream("dropped, by the clock"))
    (dropped,) = facts_of(out, StreamEventKind.SAMPLES_DROPPED)
    assert (dropped.packets, dropped.frames) == (0, 5)
    assert (counts.lost_packets, counts.lost_frames) == (0, 5)
    out, counts = decode_all(case_stream("dropped and lost"))
    assert [f.frames for f in out if isinstance(f, StreamEvent)] == [4, 0]
    assert counts.lost_frames == 4


def test_values_of_changes():
    for name, kind, value in (
        ("rate", StreamEventKind.RATE, 5_000),
        ("zones", StreamEventKind.ZONES, 4),
        ("sample format", StreamEventKind.SAMPLE_FORMAT, 1),
        ("foot", StreamEventKind.FOOT, 1),
    ):
        out, _ = decode_all(case_stream(name))
        assert [fact.value for fact in facts_of(out, kind)] == [value]
    out, _ = decode_all(case_stream("battery"))
    assert [fact.value for fact in facts_of(out, StreamEventKind.BATTERY)] == [1, 0]


def test_a_period_that_changes_by_a_hundredth_is_told_in_a_long_call_too():
    """The clock alone would not show it: a packet may come half a period early or late."""
    stream = [(20 * n, packet(n, period_us=10_000 if n < 10 else 10_100)) for n in range(20)]
    out, _ = decode_all(stream)
    assert story(out) == ["0+10", "rate", "10+10"]
    assert [fact.value for fact in facts_of(out, StreamEventKind.RATE)] == [10_100]


def test_packets_of_one_length_and_two_formats_are_each_read_as_their_own():
    """Three frames of two zones take 12 bytes as 16 bits each, four of them as 12 bits each."""
    wide = {"zones": 2, "frames": 3, "sample_format": SampleFormat.U16}
    close = {"zones": 2, "frames": 4, "sample_format": SampleFormat.PACKED12}
    stream = [
        (30 * n, packet(n, clock_us=30_000 * n, **(wide if n < 10 else close)))  # type: ignore[arg-type]
        for n in range(20)
    ]
    assert len({len(data) for _, data in stream}) == 1
    runs = [item for item in decode_all(stream)[0] if isinstance(item, PacketRun)]
    assert runs[0].counts[3 * 4].tolist() == [28, 29]  # 7 × 4
    last = next(run for run in runs if run.index <= 10 < run.index + len(run))
    assert last.frames == 4
    assert last.counts[:4].tolist() == [[70, 71], [72, 73], [74, 75], [76, 77]]


def test_malformed_says_why_and_is_counted():
    out, counts = decode_all(case_stream("malformed"))
    (fact,) = facts_of(out, StreamEventKind.MALFORMED)
    assert fact.reason is WireReason.TRUNCATED
    assert counts.malformed[WireReason.TRUNCATED] == 1
    assert sum(counts.malformed.values()) == 1


def test_message_among_data_is_handed_on():
    identity = Identity(9, Foot.LEFT, SampleFormat.U16, 18, 2, 10000, 50, True, 256, 1)
    out, _ = decode_all([(0, packet(0)), (5, encode(identity)), (20, packet(1))])
    (fact,) = facts_of(out, StreamEventKind.MESSAGE)
    assert fact.message == identity


def test_first_packet_flag_at_the_very_beginning_is_no_start():
    out, _ = decode_all([(0, packet(0, first=True)), (20, packet(1))])
    assert story(out) == ["0+2"]


def test_first_packet_that_comes_second_is_late():
    out, _ = decode_all([(0, packet(1)), (5, packet(0, first=True)), (20, packet(2))])
    assert story(out) == ["0+1", "late", "2+1"]


def test_a_first_packet_that_comes_after_another_late_one_is_late():
    """Only a flagged packet is remembered as the first of this life."""
    late = [(0, packet(2)), (5, packet(1)), (10, packet(0, first=True)), (20, packet(3))]
    assert story(decode_all(late)[0]) == ["0+1", "late", "late", "3+1"]


def test_a_packet_that_comes_late_after_a_flagged_first_one_is_late():
    stream = items([0, 1, 3, 2, 4])
    stream[0] = (0, packet(0, first=True))
    assert story(decode_all(stream)[0]) == ["0+2", "gap", "2+1", "late", "4+1"]


@pytest.mark.parametrize(("on_us", "kind"), [(0, "restart"), (1, "overlap"), (14_999, "overlap")])
def test_a_counter_goes_on_with_its_clock(on_us, kind):
    """Ahead by less than what is due is an overlap (`wire_format.md` §6); not ahead is none."""
    stream = [(0, packet(5, clock_us=1_000_000)), (20, packet(6, clock_us=1_000_000 + on_us))]
    assert story(decode_all(stream)[0])[1] == kind


@pytest.mark.parametrize(("after_ms", "kind"), [(1000, "late"), (1001, "restart")])
def test_a_late_packet_is_known_for_a_second(after_ms, kind):
    """An insole that was reset needs longer to be back (`wire_format.md` §6)."""
    stream = [(0, packet(5)), (20, packet(7)), (20 + after_ms, packet(6))]
    assert story(decode_all(stream)[0])[3:4] == [kind]


@pytest.mark.parametrize(
    ("silent_s", "ahead_us", "kind"),
    [
        (0.02, 2_000_019, "start"),
        (0.02, 2_000_020, "restart"),
        (1024.0, 2_999_000, "start"),
        (1024.0, 3_001_000, "restart"),
    ],
)
def test_a_clock_goes_on_over_a_start_within_two_seconds_and_a_thousandth(silent_s, ahead_us, kind):
    """By the arrivals (`wire_format.md` §6): clocks part by 2⁻¹⁰, in 1024 s by one second."""
    on_us = round(silent_s * 1e6) + ahead_us
    stream = [
        (0, packet(5, clock_us=1_000_000)),
        (round(silent_s * 1000), packet(0, clock_us=1_000_000 + on_us, first=True)),
    ]
    assert story(decode_all(stream)[0])[1] == kind


@pytest.mark.parametrize(
    ("back_us", "kind"),
    [
        (0, "restart"),  # one counter back at the same time: no packet of this stream
        (1, "late"),
        (8 * FRAMES * PERIOD_US, "late"),  # what an old packet may span (`wire_format.md` §6)
        (8 * FRAMES * PERIOD_US + 1, "restart"),
    ],
)
def test_how_far_back_a_late_packet_may_lie(back_us, kind):
    last_us = 1_000_000
    stream = [
        (0, packet(5, clock_us=last_us - 40_000)),
        (20, packet(7, clock_us=last_us)),
        (25, packet(6, clock_us=last_us - back_us)),
    ]
    assert story(decode_all(stream)[0])[3:4] == [kind]


@pytest.mark.parametrize(("on_us", "kind"), [(39_999, "restart"), (40_000, "gap")])
def test_a_gap_takes_at_least_1_ms_for_each_packet_lost(on_us, kind):
    """`wire_format.md` §6; 40 packets are lost here, and the clock says other than the counter."""
    stream = [
        (0, packet(5, clock_us=1_000_000)),
        (20, packet(46, clock_us=1_000_000 + on_us)),
    ]
    assert story(decode_all(stream)[0])[1] == kind


@pytest.mark.parametrize(("on_us", "kind"), [(14_999, "restart"), (15_000, "start")])
def test_a_start_goes_on_by_what_is_due_or_half_a_period_less(on_us, kind):
    """Two frames of 10 ms are due (`wire_format.md` §6); a clock may wobble by half a period."""
    stream = [
        (0, packet(5, clock_us=1_000_000)),
        (20, packet(0, clock_us=1_000_000 + on_us, first=True)),
    ]
    assert story(decode_all(stream)[0])[1] == kind


def test_repeated_first_packet_is_a_repeat():
    first = packet(0, first=True)
    out, _ = decode_all([(0, first), (5, first), (20, packet(1)), (25, first), (40, packet(2))])
    assert story(out) == ["0+1", "repeat", "2+1", "repeat", "4+1"]


def test_reset_soon_after_a_start_is_a_restart_though_counter_and_clock_look_late():
    stream = [(20 * n, packet(n, first=n == 0)) for n in range(10)]
    again = [(900 + 20 * n, packet(n, clock_us=1234 + n * 20_000, first=n == 0)) for n in range(10)]
    out, _ = decode_all(stream + again)
    assert story(out) == ["0+10", "restart", "10+10"]
    assert clocks(out)[10] == 1234


def test_clock_goes_on_over_a_start_and_begins_again_at_a_restart():
    out, _ = decode_all(case_stream("stop and start"))
    assert clocks(out)[20] == 5_001_000
    out, _ = decode_all(case_stream("reset"))
    assert clocks(out)[20] == 700_000


def test_counter_and_clock_wrap():
    first = WRAP - 5
    stream = [
        (20 * k, packet(0, counter=first + k, clock_us=WRAP - 210_000 + 20_000 * k))
        for k in range(20)
    ]
    for cuts in ((), range(1, 20)):
        out, counts = decode_all(stream, cuts)
        assert story(out) == ["0+5", "counter_wrap", "5+6", "clock_wrap", "11+9"]
        assert np.diff(clocks(out)).tolist() == [20_000] * 19
        assert [item.value for item in out if isinstance(item, StreamEvent)] == [0, 0]
        assert counts.lost_packets == counts.lost_frames == 0


def test_gap_over_a_wrap():
    stream = [
        (0, packet(0, counter=WRAP - 2, clock_us=WRAP - 20_000)),
        (60, packet(0, counter=1, clock_us=40_000)),
    ]
    out, _ = decode_all(stream)
    assert story(out) == ["0+1", "gap", "counter_wrap", "clock_wrap", "1+1"]
    assert clocks(out) == [WRAP - 20_000, WRAP + 40_000]
    assert facts_of(out, StreamEventKind.GAP)[0].packets == 2


@pytest.mark.parametrize("hours", [0.5, 1.0, 1.19, 1.2, 2.0, 3.5, 24.0])
@pytest.mark.parametrize("drift_ppm", [-100, 0, 100])
def test_clock_is_unwrapped_over_a_long_silence(hours, drift_ppm):
    lost = round(hours * 3600 / 0.02)
    clock_us = round(lost * 20_000 * (1 + drift_ppm * 1e-6))
    stream = [
        (0, packet(0)),
        (lost * 20 + 37, packet(0, counter=lost, clock_us=clock_us)),
        (lost * 20 + 57, packet(0, counter=lost + 1, clock_us=clock_us + 20_000)),
    ]
    out, counts = decode_all(stream)
    assert clocks(out) == [0, clock_us, clock_us + 20_000]
    assert counts.lost_packets == lost - 1
    assert counts.facts[StreamEventKind.RESTART] == 0


def test_packets_queued_in_the_insole_do_not_restart_it():
    """Ten seconds without a link, then all at once, the oldest given up by the insole."""
    queued = [(10_400 + k, packet(100 + k)) for k in range(421)]
    out, counts = decode_all([*items(range(20)), *queued])
    assert story(out) == ["0+20", "gap", "20+421"]
    assert counts.lost_packets == 80
    assert np.all(np.diff(clocks(out)) > 0)


def test_gap_as_the_queue_empties_does_not_restart_it():
    """The packet before the gap waited 8 s; those after it did not."""
    stream = [(8_000, packet(0)), *((8_000 + 20 * k, packet(400 + k)) for k in range(5))]
    out, _ = decode_all(stream)
    assert story(out) == ["0+1", "gap", "1+5"]


@pytest.mark.parametrize(
    ("off_us", "kind"),
    [(0, "gap"), (-5_000, "gap"), (-5_001, "restart"), (5_000, "gap"), (5_001, "restart")],
)
def test_a_gap_that_counter_and_clock_agree_on_is_one_whenever_it_arrives(off_us, kind):
    """20 s on by the clock within 20 ms: more than 10 s ahead of the arrivals (§6, table).

    A packet is due after 20 ms, and may wobble by half a period, 5 ms, for each of the 1000.
    """
    on_us = 1000 * (20_000 + off_us)
    stream = [(0, packet(7, clock_us=5_000_000)), (20, packet(1007, clock_us=5_000_000 + on_us))]
    out, counts = decode_all(stream)
    assert story(out)[1] == kind
    if kind == "gap":
        assert counts.lost_packets == 999
        assert clocks(out)[1] == 5_000_000 + on_us


def test_clock_that_wobbles_under_half_a_period_is_ordinary():
    rng = np.random.default_rng(5)
    wobble = rng.integers(-2_400, 2_400, 200)
    wobble[50:54] = (2_500, -2_500, 2_500, -2_500)  # just half a period from one to the next
    stream = [
        (20 * n, packet(n, clock_us=100_000 + n * 20_000 + int(wobble[n]))) for n in range(200)
    ]
    for cuts in ((), range(1, 200)):
        out, _ = decode_all(stream, cuts)
        assert story(out) == ["0+200"]


def test_nothing_comes_of_nothing():
    decoder = Decoder(0)
    assert feed(decoder, []) == []
    assert decoder.counts == Counts()


def test_a_flood_of_empty_notifications_is_counted_and_makes_nothing():
    """Ten million, in which an object each would be gigabytes; among them a stream goes on."""
    n = 1_000_000
    stream = case_stream("gap")
    decoder = Decoder(0)
    out = feed(decoder, stream[:20])
    arrival = np.full(n, stream[19][0], np.int64)
    tracemalloc.start()
    try:
        for _ in range(10):
            assert decoder.feed(arrival, np.zeros(n, np.int64), b"") == []
        assert tracemalloc.get_traced_memory()[1] < 6 * 8 * n, "some columns, and no objects"
    finally:
        tracemalloc.stop()
    out += feed(decoder, stream[20:])
    assert story(out) == ["0+20", "gap", f"{10 * n + 20}+17"]
    assert decoder.counts.notifications == 10 * n + len(stream)
    assert decoder.counts.malformed[WireReason.TRUNCATED] == 10 * n
    assert decoder.counts.facts[StreamEventKind.MALFORMED] == 10 * n


@pytest.mark.parametrize("every", [1, 7, 100])
def test_empty_notifications_between_packets_change_nothing_but_the_count(every):
    stream = case_stream("gap")
    filled = [
        item
        for k, packet in enumerate(stream)
        for item in (packet, *[(packet[0], b"")] * (3 if k % every == 0 else 0))
    ]
    without, with_them = Table(decode_all(stream)[0]), Table(decode_all(filled)[0])
    assert np.array_equal(without.samples, with_them.samples)
    assert np.array_equal(without.clock_us, with_them.clock_us)
    assert [f.kind for f in without.facts] == [f.kind for f in with_them.facts]
    with_them.assert_same(Table(decode_all(filled, range(1, len(filled)))[0]))
    with_them.assert_same(Table(decode_all(filled, range(5, len(filled), 13))[0]))


def test_input_is_not_altered():
    arrival = np.arange(20, dtype=np.int64)
    lengths = np.full(20, len(packet(0)), dtype=np.int64)
    payload = b"".join(packet(n) for n in range(20))
    arrival.setflags(write=False)
    lengths.setflags(write=False)
    (run,) = Decoder(0).feed(arrival, lengths, payload)
    assert isinstance(run, PacketRun)


# ---- any cutting, any bytes


@st.composite
def streams(draw: st.DrawFn) -> list[Item]:
    """A stream with every fault: lost, repeated, swapped, junk, changes, restarts, wraps."""
    arrival, counter = 0, draw(st.sampled_from([0, WRAP - 20]))
    clock = draw(st.sampled_from([0, WRAP - 500_000, 123_456]))
    frames, zones, period = 2, 3, PERIOD_US
    out: list[Item] = []
    for _ in range(draw(st.integers(1, 60))):
        arrival += draw(st.sampled_from([0, 5, 20, 20, 20, 300]))
        what = draw(
            st.sampled_from([*["ordinary"] * 12, "lost", "repeat", "junk", "jump", "shape"])
        )
        first = False
        if what == "lost":
            lost = draw(st.integers(1, 40))
            counter, clock = counter + lost, clock + lost * frames * period
            arrival += 20 * lost
        if what == "repeat" and out:
            out.append((arrival, out[-draw(st.integers(1, len(out)))][1]))
            continue
        if what == "junk":
            out.append((arrival, draw(st.binary(max_size=30))))
            continue
        if what == "jump":
            counter = draw(st.sampled_from([counter, 0, 5]))
            clock += draw(st.sampled_from([-1_000_000, -3_000, 3_000, 40_000, 2_000_000_000]))
            first = draw(st.booleans())
        if what == "shape":
            frames, zones = draw(st.integers(1, 4)), draw(st.integers(1, 4))
            period = draw(st.sampled_from([PERIOD_US, 5_000]))
        out.append(
            (
                arrival,
                packet(
                    counter,
                    clock_us=clock,
                    frames=frames,
                    zones=zones,
                    period_us=period,
                    first=first,
                    dropped=draw(st.integers(0, 9)) == 0,
                    battery_low=draw(st.integers(0, 9)) == 0,
                ),
            )
        )
        counter, clock = counter + 1, clock + frames * period
    swap = draw(st.integers(0, len(out)))
    out[swap : swap + 3] = [
        (a, data)
        for (a, _), (_, data) in zip(
            out[swap : swap + 3], reversed(out[swap : swap + 3]), strict=True
        )
    ]
    return out


@pytest.mark.dear
@settings(max_examples=150)
@given(streams(), st.data())
@pytest.mark.slow
def test_any_cutting_gives_the_same(stream, draw):
    cuts = draw.draw(st.lists(st.integers(0, len(stream)), max_size=12))
    whole, counts = decode_all(stream)
    parts, counts_parts = decode_all(stream, cuts)
    Table(whole).assert_same(Table(parts))
    assert counts == counts_parts


@pytest.mark.dear
@settings(max_examples=150)
@given(streams())
@pytest.mark.slow
def test_what_must_hold_of_any_stream(stream):
    out, counts = decode_all(stream)
    table = Table(out)
    assert counts.notifications == len(stream)
    assert counts.packets == len(table.packets)
    left_out = sum(
        counts.facts[kind]
        for kind in (
            StreamEventKind.REPEAT,
            StreamEventKind.LATE,
            StreamEventKind.OVERLAP,
            StreamEventKind.MALFORMED,
            StreamEventKind.MESSAGE,
        )
    )
    assert counts.packets + left_out == counts.notifications
    last = None
    for item in out:  # the clock rises from frame to frame until a restart
        if isinstance(item, PacketRun):
            first_us, last_us = item.clock_us, item.clock_us + (item.frames - 1) * item.period_us
            assert np.all(first_us[1:] > last_us[:-1])
            assert last is None or first_us[0] > last
            last = int(last_us[-1])
        elif item.kind is StreamEventKind.RESTART:
            last = None


@given(st.lists(st.binary(max_size=260), max_size=40))
def test_any_bytes_are_survived(notifications):
    stream = list(enumerate(notifications))
    out, counts = decode_all(stream)
    Table(out).assert_same(Table(decode_all(stream, range(1, max(1, len(stream))))[0]))
    assert counts.notifications == len(stream)


def mutated(good: NDArray[np.uint8], rng: np.random.Generator) -> tuple[list[bytes], int]:
    """Mutate most packets of a good stream, shape (n, bytes); return all, and how many differ.

    Bits and bytes are changed, mostly in the header; packets are cut and lengthened. Ten in a row
    stay good now and then.
    """
    n, size = good.shape
    rows = good.copy()
    chosen = (rng.random(n) < 0.9) & (np.arange(n) % 100 >= 10)
    for _ in range(3):
        hit = np.flatnonzero(chosen & (rng.random(n) < 0.7))
        m = len(hit)
        column = np.where(rng.random(m) < 0.8, rng.integers(0, 16, m), rng.integers(0, size, m))
        flipped = rows[hit, column] ^ (1 << rng.integers(0, 8, m))
        rows[hit, column] = np.where(rng.random(m) < 0.5, flipped, rng.integers(0, 256, m))
    same = ~np.any(rows != good, axis=1)
    cut = chosen & ((rng.random(n) < 0.2) | same)
    lengths = np.where(cut, rng.integers(0, size + 20, n), size)
    data = rows.tobytes() + rng.bytes(32)
    out = [
        data[at : at + length]
        for at, length in zip(range(0, n * size, size), lengths.tolist(), strict=True)
    ]
    return out, int(np.sum(~same | (lengths != size)))


@pytest.mark.parametrize(
    ("packets", "seed"),
    [
        pytest.param(100_000, 22, marks=pytest.mark.dear),
        pytest.param(1_000_000, 1_000_000, marks=[pytest.mark.slow, pytest.mark.long]),
    ],
)
def test_mutated_packets_are_survived(packets, seed):
    """Every seventh block is also decoded in calls so small that nothing is done in columns."""
    rng = np.random.default_rng(seed)
    n = 20_000
    blocks = -(-5 * packets // (4 * n))  # some four in five are mutated
    good = np.frombuffer(b"".join(packet(k) for k in range(n)), np.uint8).reshape(n, -1)
    survived = 0
    reasons: set[WireReason] = set()
    for number in range(blocks):
        data, count = mutated(good, rng)
        arrival = np.arange(n, dtype=np.int64) * 20_000_000
        lengths = np.array([len(d) for d in data], dtype=np.int64)
        whole = Decoder(0)
        out = whole.feed(arrival, lengths, b"".join(data))
        assert whole.counts.notifications == n
        survived += count
        reasons |= {reason for reason, k in whole.counts.malformed.items() if k}
        if number % 7 == 0:
            single = Decoder(0)
            parts: list[PacketRun | StreamEvent] = []
            for k in range(0, n, 8):
                calls = slice(k, k + 8)
                parts += single.feed(arrival[calls], lengths[calls], b"".join(data[calls]))
            Table(out).assert_same(Table(parts))
            assert whole.counts == single.counts
    assert survived >= packets
    assert reasons == set(WireReason) - {WireReason.OVERSIZED, WireReason.CRC}  # CRC: log pages
