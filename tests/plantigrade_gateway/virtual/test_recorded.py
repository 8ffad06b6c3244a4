"""The virtual insole, read back with the decoder and plain arithmetic."""

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.calibrate import Calibrator, default_calibration
from plantigrade.synth import Player, SensorModel, SessionPlan, Stand, Swing, Walk, perform
from plantigrade.zones import eighteen
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.messages import SampleFormat
from plantigrade_gateway.wire.stream import PacketRun, StreamEvent, StreamEventKind

CALIBRATION = default_calibration(eighteen(), Foot.LEFT)
PLAIN = RecordedInsole(Foot.LEFT, 0, CALIBRATION, link=RadioChannel.steady())
START_NS = 7_000_000_000


def pressing(insole: RecordedInsole, duration_s: float) -> np.ndarray:
    """Pressure that tells its own time and zone: a slope per zone."""
    t = insole.sample_times_s(duration_s)
    return 20.0 + 2.0 * t[:, None] + np.arange(18.0)


def sent(insole: RecordedInsole, duration_s: float, seed: int = 1) -> list[Entry]:
    return insole.entries(pressing(insole, duration_s), duration_s, START_NS, seed)


def decoded(
    entries: list[Entry], insole: int = 0
) -> tuple[Decoder, list[PacketRun], list[StreamEvent]]:
    batch = Batch.of(e for e in entries if e.kind is Kind.NOTIFICATION and e.insole == insole)
    decoder = Decoder(insole)
    out = decoder.feed(batch.arrival_ns, batch.length, batch.payload)
    return (
        decoder,
        [x for x in out if isinstance(x, PacketRun)],
        [x for x in out if isinstance(x, StreamEvent)],
    )


@pytest.mark.parametrize("frames", [1, 2, 6])
@pytest.mark.parametrize("sample_format", list(SampleFormat))
def test_a_steady_insole_arrives_whole_and_reads_back(frames, sample_format):
    insole = replace(PLAIN, frames=frames, sample_format=sample_format)
    decoder, runs, facts = decoded(sent(insole, 12.0))
    assert {fact.kind for fact in facts} <= {StreamEventKind.START, StreamEventKind.RESTART}
    assert decoder.counts.lost_packets == decoder.counts.lost_frames == 0
    counts = np.concatenate([run.counts for run in runs])
    assert len(counts) == 1200
    t = insole.sample_times_s(12.0)
    read = Calibrator(CALIBRATION).block(t, counts).pressure
    # Half a count of the default curve, at most 0.2 kPa.
    assert np.abs(read - pressing(insole, 12.0)).max() < 0.2


@pytest.mark.dear
def test_clock_drift_shows_against_arrivals():
    for ppm in (-80.0, 60.0):
        insole = replace(PLAIN, drift_ppm=ppm)
        _, runs, _ = decoded(sent(insole, 200.0))
        arrival = np.concatenate([run.arrival_ns for run in runs])
        clock = np.concatenate([run.clock_us for run in runs])
        rate = np.polyfit((arrival - arrival[0]) / 1e9, (clock - clock[0]) / 1e6, 1)[0]
        assert 1e6 * (rate - 1.0) == pytest.approx(ppm, abs=8.0)
        # The samples themselves come at the insole's own pace.
        steps = np.diff(insole.sample_times_s(200.0))
        np.testing.assert_allclose(steps, 0.01 / (1.0 + ppm * 1e-6), rtol=1e-9)


def test_clock_wraps_at_32_bits():
    insole = replace(PLAIN, clock_us=(1 << 32) - 3_000_000)
    decoder, runs, _ = decoded(sent(insole, 10.0))
    assert decoder.counts.facts[StreamEventKind.CLOCK_WRAP] == 1
    assert decoder.counts.lost_frames == 0
    assert np.all(np.diff(np.concatenate([run.clock_us for run in runs])) == 20_000)


@pytest.mark.dear
def test_lost_packets_are_missing_numbers_at_the_stated_rate():
    insole = replace(PLAIN, link=replace(RadioChannel.steady(), loss=0.02, loss_run=2.0))
    entries = sent(insole, 600.0)
    decoder, _, facts = decoded(entries)
    made = 30_000
    gaps = [fact.packets for fact in facts if fact.kind is StreamEventKind.GAP]
    lost = made - sum(e.kind is Kind.NOTIFICATION for e in entries)
    assert lost / made == pytest.approx(0.02, abs=0.005)
    assert np.mean(gaps) == pytest.approx(2.0, abs=0.4)
    assert decoder.counts.lost_frames == 2 * decoder.counts.lost_packets
    assert abs(lost - decoder.counts.lost_packets) <= 4  # the first or last may be among them


def test_a_reset_begins_clock_and_counter_again_and_drops_the_link():
    insole = replace(PLAIN, resets_s=(5.0,), reset_away_s=2.0, clock_us=90_000_000)
    entries = sent(insole, 12.0)
    kinds = [e.kind for e in entries if e.kind is not Kind.NOTIFICATION]
    assert kinds == [Kind.CONNECTED, Kind.DISCONNECTED, Kind.CONNECTED]
    decoder, runs, _ = decoded(entries)
    assert decoder.counts.facts[StreamEventKind.RESTART] >= 1
    assert len(runs) == 2
    assert runs[1].clock_us[0] % (1 << 32) < 1_000_000
    assert sum(len(run.counts) for run in runs) == 500 + 500
    silence = runs[1].arrival_ns[0] - runs[0].arrival_ns[-1]
    assert silence / 1e9 == pytest.approx(2.0, abs=0.05)


def test_samples_dropped_on_the_insole_are_said_by_the_next_packet():
    insole = replace(PLAIN, drops_s=((3.0, 3.255),))
    decoder, _, _ = decoded(sent(insole, 6.0))
    assert decoder.counts.facts[StreamEventKind.SAMPLES_DROPPED] == 1
    assert decoder.counts.lost_packets == 0
    assert 25 <= decoder.counts.lost_frames <= 27


def test_battery_low_is_said_from_its_moment():
    insole = replace(PLAIN, battery_low_from_s=4.0)
    _, _, facts = decoded(sent(insole, 6.0))
    battery = [fact for fact in facts if fact.kind is StreamEventKind.BATTERY]
    assert [fact.value for fact in battery] == [1]
    assert (battery[0].arrival_ns - START_NS) / 1e9 == pytest.approx(4.0, abs=0.05)


def test_arrivals_are_in_order_late_never_early_and_come_in_bursts():
    link = RadioChannel(interval_s=0.03, retry=0.1, stall_every_s=10.0, stall_s=0.3)
    ready = np.arange(0.0, 120.0, 0.02)
    arrival = link.arrivals_s(ready, np.random.default_rng(3))
    wait = arrival - ready
    assert np.all(np.diff(arrival) >= 0.0)
    assert wait.min() >= 0.0
    # Spread over the interval by its phase against the packets, plus retries and stalls.
    assert 0.010 < np.median(wait) < 0.040
    assert 0.15 < wait.max() < 0.6
    bursts = np.diff(np.flatnonzero(np.diff(arrival) > 0.01))
    assert bursts.max() >= 5


def test_arrivals_keep_to_the_connection_events():
    link = replace(RadioChannel.steady(), interval_s=0.03)
    arrival = link.arrivals_s(np.arange(0.0, 20.0, 0.05), np.random.default_rng(1))
    phase = (arrival - arrival[0]) % 0.03
    off = np.minimum(phase, 0.03 - phase)
    assert off.max() < 1e-6


def test_entries_are_a_function_of_the_seed():
    insole = replace(PLAIN, link=RadioChannel(loss=0.02))
    assert sent(insole, 20.0, 1) == sent(insole, 20.0, 1)
    assert sent(insole, 20.0, 1) != sent(insole, 20.0, 2)


def test_both_feet_of_a_performance_arrive_in_one_order_with_their_truth():
    """From the player through sensor, packets and decoder back to newtons."""
    player = Player()
    done = perform(player, SessionPlan((Stand(3.0), Walk(8), Swing())), 200.0, seed=4)
    duration = float(done.t_s[-1])
    insoles = [
        RecordedInsole(foot, k, default_calibration(eighteen(), foot), drift_ppm=30.0 - 50 * k)
        for k, foot in enumerate(Foot)
    ]
    record = merged(
        *(
            insole.entries(insole.read(done, SensorModel.clean(), 1), duration, START_NS, 1)
            for insole in insoles
        )
    )
    assert all(a.arrival_ns <= b.arrival_ns for a, b in itertools.pairwise(record))
    for k, foot in enumerate(Foot):
        _, runs, _ = decoded(record, k)
        counts = np.concatenate([run.counts for run in runs])
        t = insoles[k].sample_times_s(duration)[: len(counts)]
        block = Calibrator(insoles[k].calibration).block(t, counts)
        newtons = block.pressure @ (eighteen().newtons_per_unit)
        ideal = (done.left_n if foot is Foot.LEFT else done.right_n).sum(axis=1)
        error = newtons - np.interp(t, done.t_s, ideal)
        assert np.abs(error).max() < 3.0
        assert runs[0].foot is foot


class Told(np.random.Generator):
    """Draws what it is told: tries, then a fraction of each range, and means."""

    def __init__(self, tries: Sequence[int] = (), part: float = 0.0) -> None:
        super().__init__(np.random.PCG64(0))
        self._tries, self._part = tries, part

    def geometric(self, p: Any, size: Any = None) -> Any:
        return np.array(self._tries) if self._tries else np.ones(size)

    def uniform(self, low: Any = 0.0, high: Any = 1.0, size: Any = None) -> Any:
        return low + self._part * (high - low)

    def exponential(self, scale: Any = 1.0, size: Any = None) -> Any:
        return scale if size is None else np.full(size, scale)

    def random(self, *args: Any, **kwargs: Any) -> Any:
        return np.array([0.126, 0.124, 0.51, 0.5, 0.49, 0.125, 0.1, 0.0])


@pytest.mark.parametrize(
    ("part", "tries", "expected_ms"),
    [
        # events at multiples of 30 ms; two of one event 0.6 ms apart
        (0.0, (1, 1, 1, 1, 1), [30, 60, 60.6, 60.6 + 0.6, 120]),
        (0.0, (1, 2, 1, 1, 1), [30, 90, 90.6, 91.2, 120]),  # one waits, and those behind it
        (0.5, (1, 1, 1, 1, 1), [15, 45, 45.6, 46.2, 105]),
    ],
)
def test_packets_leave_at_the_connection_events_in_their_order(part, tries, expected_ms):
    ready_s = np.array([0.001, 0.031, 0.032, 0.033, 0.100])
    link = replace(RadioChannel.steady(), interval_s=0.03)
    found = link.arrivals_s(ready_s, Told(tries, part))
    assert found * 1e3 == pytest.approx(expected_ms)
    late = replace(link, host_jitter_s=0.0002).arrivals_s(ready_s, Told(tries, part))
    assert late * 1e3 == pytest.approx([ms + 0.2 for ms in expected_ms])
    assert len(link.arrivals_s(np.empty(0), Told())) == 0


@pytest.mark.parametrize(("part", "end_s"), [(0.0, 0.3), (1.0, 1.0)])
def test_a_stall_holds_back_what_falls_into_it(part, end_s):
    """Ten seconds apart from the first packet and from each other's end; the longest is 1 s."""
    link = replace(RadioChannel.steady(), stall_every_s=10.0, stall_s=1.0)
    second = 20.0 + end_s
    at_s = (0.0, 9.99, 10.0, 10.29, 10.3, 10.99, 11.0, second + 0.01, second + 2.0, 42.0)
    expected = [10.0 + end_s if 10.0 <= t < 10.0 + end_s else t for t in at_s]
    expected[7] = second + end_s
    found = link._unstalled(np.array(at_s), Told(part=part))
    assert found == pytest.approx(expected)
    assert link._unstalled(np.array([0.0, 10.0]), Told(part=part)).tolist() == [0.0, 10.0]


def test_losses_come_in_runs():
    """Of a fifth lost and 2 in a row: half leave a run, and .5 × .2 / .8 = .125 enter one."""
    link = replace(RadioChannel.steady(), loss=0.2, loss_run=2.0)
    assert link.lost(8, Told()).tolist() == [False, *[True] * 3, False, False, True, False]
    assert not RadioChannel.steady().lost(8, Told()).any()


def test_a_usual_link_and_insole_have_their_stated_faults():
    link = RadioChannel()
    assert (link.interval_s, link.retry, link.loss, link.loss_run) == (0.015, 0.05, 0.0, 1.5)
    assert (link.stall_every_s, link.stall_s, link.host_jitter_s) == (40.0, 0.15, 0.0006)
    steady = RadioChannel.steady()
    assert (steady.retry, steady.stall_every_s, steady.host_jitter_s) == (0.0, 0.0, 0.0)
    made = RecordedInsole(Foot.LEFT, 0, CALIBRATION)
    assert (made.period_us, made.frames, made.drift_ppm, made.clock_us) == (10_000, 2, 0.0, 0)
    assert (made.phase_s, made.reset_away_s, made.link) == (0.0, 2.0, RadioChannel())
    for name, good in (
        ("interval_s", (0.0075, 4.0)),
        ("retry", (0.0, 0.899)),
        ("loss_run", (1.0,)),
    ):
        for value in good:
            changed: dict[str, Any] = {name: value}
            assert getattr(RadioChannel(**changed), name) == value


@pytest.mark.parametrize(("ppm", "frames"), [(0.0, 2), (200.0, 3), (-200.0, 1)])
def test_a_packet_is_ready_a_moment_after_its_last_sample(ppm, frames):
    """1.5 ms; a clock that runs fast samples earlier. The link passes on at once."""

    class AtOnce(RadioChannel):
        def arrivals_s(self, ready_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
            return ready_s

    insole = replace(PLAIN, link=AtOnce(), drift_ppm=ppm, frames=frames, phase_s=0.004)
    arrived = [e.arrival_ns for e in sent(insole, 6.0) if e.kind is Kind.NOTIFICATION]
    last = np.arange(frames - 1, frames * len(arrived), frames)
    expected_s = 0.004 + last * 0.01 / (1.0 + ppm / 1e6) + 0.0015
    assert (np.array(arrived) - START_NS) / 1e9 == pytest.approx(expected_s, abs=1e-8)


@pytest.mark.parametrize(("reset_s", "kinds"), [(3.0, "CDC"), (6.0, "C"), (5.999, "CDC")])
def test_a_reset_within_the_session_is_seen_midway_of_its_absence(reset_s, kinds):
    """The link is back 50 ms before the first sample, whose clock says 150 ms."""
    insole = replace(PLAIN, resets_s=(reset_s,), reset_away_s=1.0)
    entries = sent(insole, 6.0)
    about = [e for e in entries if e.kind is not Kind.NOTIFICATION]
    assert "".join(e.kind.name[0] for e in about) == kinds
    if reset_s == 3.0:
        said_s = [(e.arrival_ns - START_NS) / 1e9 for e in about]
        assert said_s == pytest.approx([0.0, 3.5, 3.95])
        _, runs, _ = decoded(entries)
        assert runs[1].clock_us[0] % (1 << 32) == 150_000


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: replace(PLAIN, frames=9), "9 frames of 18 zones in a packet, expected 1 to 8"),
        (lambda: replace(PLAIN, clock_us=1 << 32), "expected 32 bits"),
        (lambda: replace(PLAIN, resets_s=(5.0, 2.0)), "out of order"),
        (lambda: RadioChannel(interval_s=0.001), "connection interval is 0.001 s"),
        (lambda: RadioChannel(loss=0.95), "loss is 0.95"),
        (lambda: RadioChannel(loss_run=0.5), "loss_run is 0.5"),
        (lambda: PLAIN.entries(np.zeros((5, 18)), 1.0, 0, 0), "5 rows of pressure, expected 100"),
    ],
)
def test_what_cannot_be_simulated_is_said_in_one_sentence(make, said):
    with pytest.raises(InputError, match=said):
        make()
