"""The pipeline: a function of the ordered record alone, however it is cut into batches.

Virtual insoles send a synthetic session with every fault of the wire; hypothesis cuts the record.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import Phase as Phase_
from hypothesis import strategies as st
from numpy.typing import NDArray
from tests.support.nan import nan_fields

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration, default_calibration
from plantigrade.errors import CalibrationError
from plantigrade.events import Event, Phase, Step, Swing
from plantigrade.synth import (
    HalfSwing,
    Performance,
    Player,
    SensorModel,
    SessionPlan,
    Stand,
    StuckZone,
    Walk,
    perform,
)
from plantigrade.synth import Swing as SwingPlan
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind, exchange_data
from plantigrade_gateway.record.settings import SessionSettings, settings_of
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged
from plantigrade_gateway.wire.codec import decode, encode, encode_data
from plantigrade_gateway.wire.messages import Ack, AckStatus, DataPacket, SampleFormat
from plantigrade_gateway.wire.stream import StreamEvent, StreamEventKind

pytestmark = pytest.mark.dear

START_NS = 5_000_000_000
PLAYER = Player(mass_kg=80.0)
FEET = (Foot.LEFT, Foot.RIGHT)


def at_ns(t_s: float) -> int:
    return START_NS + round(1e9 * t_s)


# ---- sessions ----


@cache
def session(kind: str = "short") -> Performance:
    plans = {
        "short": (Stand(0.6), Walk(5, 1.8), SwingPlan(address_s=0.7, backswing_s=0.6, waggles=0)),
        "full": (Stand(11.0), Walk(8), Stand(1.5), SwingPlan(), HalfSwing(), SwingPlan()),
    }
    return perform(PLAYER, SessionPlan(plans[kind]), 200.0, seed=3)


def duration_s(kind: str = "short") -> float:
    return float(session(kind).t_s[-1])


@cache
def sent(insole: RecordedInsole, kind: str = "short", seed: int = 1) -> tuple[Entry, ...]:
    pressure = insole.read(session(kind), SensorModel(), seed)
    return tuple(insole.entries(pressure, duration_s(kind), START_NS, seed))


@cache
def calibration(foot: Foot) -> Calibration:
    return default_calibration(eighteen(), foot)


STEADY = RadioChannel(retry=0.0, stall_every_s=0.0)
LEFT = RecordedInsole(Foot.LEFT, 0, calibration(Foot.LEFT), link=STEADY, drift_ppm=30.0)
RIGHT = RecordedInsole(
    Foot.RIGHT, 1, calibration(Foot.RIGHT), link=STEADY, drift_ppm=-40.0, phase_s=0.0037
)


def settings_entry(t_s: float = 0.0, **changes: object) -> Entry:
    table = replace(SessionSettings(mass_kg=80.0), **changes)  # type: ignore[arg-type]
    return Entry(at_ns(t_s), SESSION, Kind.SETTINGS, table.to_json())


def pair(kind: str = "short") -> list[Entry]:
    return merged([settings_entry()], sent(LEFT, kind), sent(RIGHT, kind))


def between(entries: Sequence[Entry], start_s: float, stop_s: float) -> list[Entry]:
    return [e for e in entries if at_ns(start_s) <= e.arrival_ns < at_ns(stop_s)]


def with_foot(entries: Sequence[Entry], foot: Foot, from_s: float) -> list[Entry]:
    """The packets from a time on say that they are of `foot`."""
    out = []
    for e in entries:
        if e.kind is Kind.NOTIFICATION and e.arrival_ns >= at_ns(from_s):
            data = bytearray(e.data)
            data[2] = data[2] & ~1 | FEET.index(foot)
            e = replace(e, data=bytes(data))
        out.append(e)
    return out


def with_counter(entries: Sequence[Entry], add: int) -> list[Entry]:
    out = []
    for e in entries:
        if e.kind is Kind.NOTIFICATION:
            counter = (int.from_bytes(e.data[4:8], "little") + add) % 2**32
            e = replace(e, data=e.data[:4] + counter.to_bytes(4, "little") + e.data[8:])
        out.append(e)
    return out


def with_period(entry: Entry, period_us: int) -> Entry:
    return replace(entry, data=entry.data[:12] + period_us.to_bytes(2, "little") + entry.data[14:])


# ---- analyses ----


@dataclass(frozen=True)
class Analysis:
    events: list[Event]
    facts: dict[int, list[StreamEvent]]
    first: list[int]
    t_s: NDArray[np.float64]
    left: NDArray[np.float64]
    right: NDArray[np.float64]


def gathered(outputs: Sequence[Output]) -> Analysis:
    rows = [row for output in outputs for row in output.rows]
    facts = [fact for output in outputs for fact in output.facts]
    empty = np.empty((0, 8))
    return Analysis(
        [event for output in outputs for event in output.events],
        {k: [f for f in facts if f.insole == k] for k in (0, 1)},
        [row.first + k for row in rows for k in range(len(row))],
        np.concatenate([np.empty(0), *(row.t_s for row in rows)]),
        np.concatenate([empty, *(row.left for row in rows)]),
        np.concatenate([empty, *(row.right for row in rows)]),
    )


def analysed(entries: Sequence[Entry], cuts: Sequence[int] = ()) -> Analysis:
    pipeline, batch = Pipeline(), Batch.of(entries)
    edges = sorted({0, *cuts, len(batch)})
    outputs = [pipeline.push(batch.slice(a, b)) for a, b in pairwise(edges)]
    return gathered([*outputs, pipeline.flush()])


def assert_same(whole: Analysis, cut: Analysis) -> None:
    assert cut.first == whole.first
    assert np.array_equal(cut.t_s, whole.t_s)
    assert np.array_equal(cut.left, whole.left, equal_nan=True)
    assert np.array_equal(cut.right, whole.right, equal_nan=True)
    assert cut.facts == whole.facts
    assert cut.events == whole.events


def assert_cutting_changes_nothing(entries: Sequence[Entry]) -> Analysis:
    """The whole record at once, entry by entry, and in pieces of 7 come to the same."""
    whole = analysed(entries)
    assert_same(whole, analysed(entries, range(1, len(entries))))
    assert_same(whole, analysed(entries, range(7, len(entries), 7)))
    return whole


# ---- any record, any cutting ----


@dataclass(frozen=True)
class Insole:
    """How one of the pair behaves."""

    drift_ppm: float
    phase_s: float
    loss: float
    jitter: bool
    wraps: bool
    frames: int
    packed: bool
    resets: bool
    drops: bool
    away: tuple[float, float]
    rate_from_s: float | None
    exchanges: bool
    seed: int


INSOLES = st.builds(
    Insole,
    drift_ppm=st.sampled_from([-100.0, -20.0, 0.0, 50.0, 100.0]),
    phase_s=st.sampled_from([0.0, 0.002, 0.0049]),
    loss=st.sampled_from([0.0, 0.01, 0.1]),
    jitter=st.booleans(),
    wraps=st.booleans(),
    frames=st.sampled_from([1, 2, 4, 6]),
    packed=st.booleans(),
    resets=st.booleans(),
    drops=st.booleans(),
    away=st.sampled_from([(0.0, 0.0), (0.0, 0.0), (3.0, 4.5), (6.0, 10.0), (8.0, 99.0)]),
    rate_from_s=st.sampled_from([None, None, None, 5.0, 7.3]),
    exchanges=st.booleans(),
    seed=st.integers(0, 3),
)


def exchanges(insole: RecordedInsole) -> list[Entry]:
    """Time exchanges every 0.3 s, answered after 15 to 40 ms; a reset is not known to them."""
    rng = np.random.default_rng(insole.insole)
    out = []
    for t in np.arange(0.5, duration_s(), 0.3):
        back_s = t + rng.uniform(0.015, 0.040)
        since_us = 1e6 * (0.5 * (t + back_s) - insole.phase_s) * (1.0 + 1e-6 * insole.drift_ppm)
        clock_us = round(insole.clock_us + since_us) % 2**32
        data = exchange_data(at_ns(t), at_ns(back_s), clock_us)
        out.append(Entry(at_ns(back_s), insole.insole, Kind.EXCHANGE, data))
    return out


def entries_of(foot: Foot, insole: Insole, period_us: int) -> list[Entry]:
    """Everything one insole sends."""
    k = FEET.index(foot)
    clock_us = 2**32 - 4_000_000 if insole.wraps else 123_456
    virtual = RecordedInsole(
        foot,
        k,
        calibration(foot),
        period_us=period_us,
        frames=insole.frames,
        sample_format=SampleFormat.PACKED12 if insole.packed else SampleFormat.U16,
        drift_ppm=insole.drift_ppm,
        clock_us=clock_us,
        phase_s=insole.phase_s,
        link=RadioChannel(loss=insole.loss, stall_every_s=4.0) if insole.jitter else STEADY,
        resets_s=(6.5,) if insole.resets else (),
        reset_away_s=0.8,
        drops_s=((4.0, 4.03), (9.0, 9.7)) if insole.drops else (),
    )
    rows = list(sent(virtual, seed=insole.seed))
    if insole.rate_from_s is not None:  # it is stopped, set to another rate, and started again
        at = insole.rate_from_s
        period = 15_000 - period_us
        later = replace(virtual, period_us=period, phase_s=at, resets_s=(), drops_s=())
        rows = between(rows, -1.0, at) + between(sent(later, seed=insole.seed), at, 99.0)
    if insole.wraps:
        rows = with_counter(rows, 2**32 - 150)
    if insole.exchanges:
        rows = merged(rows, exchanges(virtual))
    away = insole.away
    return [e for e in rows if not at_ns(away[0]) <= e.arrival_ns < at_ns(away[1])]


@dataclass(frozen=True)
class Extra:
    """Something in the record beside what the insoles send in order."""

    at_s: float
    insole: int
    what: str
    seed: int


EXTRAS = st.builds(
    Extra,
    at_s=st.floats(0.1, 12.0),
    insole=st.integers(0, 1),
    what=st.sampled_from(
        [
            "settings",
            "calibration",
            "mark",
            "end",
            "ack",
            "exchange",
            "noise",
            "broken",
            "repeat",
            "late",
        ]
    ),
    seed=st.integers(0, 99),
)


def with_extra(rows: list[Entry], extra: Extra) -> list[Entry]:
    """Put one extra entry into a record."""
    ns, k = at_ns(extra.at_s), extra.insole
    rng = np.random.default_rng(extra.seed)
    mine = [e for e in rows if e.insole == k and e.kind is Kind.NOTIFICATION and e.arrival_ns < ns]
    old = mine[-1 - int(rng.integers(min(len(mine), 40)))] if mine else None
    if extra.what == "settings":
        handed = ("right", "left")[extra.seed % 2]
        row = settings_entry(extra.at_s, handed=handed, mass_kg=60.0 + extra.seed % 30)
    elif extra.what == "calibration":
        new = replace(calibration(FEET[k]), gain=1.0 + 0.01 * extra.seed)
        row = Entry(ns, k, Kind.CALIBRATION, new.to_json().encode())
    elif extra.what == "mark":
        row = Entry(ns, SESSION, Kind.MARK, b"a note")
    elif extra.what == "end":
        row = Entry(ns, SESSION, Kind.END, b"")
    elif extra.what == "exchange":  # of no sense, or no exchange at all
        row = Entry(ns, k, Kind.EXCHANGE, rng.bytes(20 if extra.seed % 2 else extra.seed))
    elif extra.what == "ack":
        row = Entry(ns, k, Kind.NOTIFICATION, encode(Ack(1, 0x10, AckStatus.DONE)))
    elif old is None or extra.what == "noise":
        row = Entry(ns, k, Kind.NOTIFICATION, rng.bytes(int(rng.integers(0, 245))))
    elif extra.what == "broken":
        data = bytearray(old.data[: int(rng.integers(1, len(old.data)))])
        row = Entry(ns, k, Kind.NOTIFICATION, bytes(data))
    elif extra.what == "repeat":
        row = replace(old, arrival_ns=ns)
    else:  # late: taken out of its place
        rows = [e for e in rows if e is not old]
        row = replace(old, arrival_ns=ns)
    return merged(rows, [row])


CUTS = st.one_of(
    st.just("each"),
    st.lists(st.floats(0.0, 1.0), max_size=40),
    st.integers(1, 400),
)


def cut_at(cutting: str | list[float] | int, n: int) -> list[int]:
    if cutting == "each":
        return list(range(1, n))
    if isinstance(cutting, int):
        return list(range(cutting, n, cutting))
    assert isinstance(cutting, list)
    return [round(part * n) for part in cutting]


@settings(
    max_examples=30,
    deadline=None,
    derandomize=True,
    phases=(Phase_.explicit, Phase_.generate),
    suppress_health_check=list(HealthCheck),
)
@given(
    pair_of=st.tuples(INSOLES, INSOLES),
    period_us=st.sampled_from([10_000, 5_000]),
    extras=st.lists(EXTRAS, max_size=6),
    cutting=CUTS,
)
@pytest.mark.slow
def test_any_cutting_of_any_record_gives_the_same(pair_of, period_us, extras, cutting):
    rows = merged(
        [settings_entry()],
        *(entries_of(foot, one, period_us) for foot, one in zip(FEET, pair_of, strict=True)),
    )
    for extra in extras:
        rows = with_extra(rows, extra)
    whole = analysed(rows)
    cut = analysed(rows, cut_at(cutting, len(rows)))
    assert_same(whole, cut)
    assert [path for event in whole.events for path in nan_fields(event)] == []


# ---- chosen records ----


def kinds(analysis: Analysis) -> list[str]:
    return [type(e).__name__ for e in analysis.events if not isinstance(e, Phase)]


@pytest.mark.slow
def test_a_session_of_everything_is_the_same_however_cut_and_finds_what_was_done():
    whole = assert_cutting_changes_nothing(pair("full"))
    assert kinds(whole).count("Stand") == 1
    assert kinds(whole).count("Swing") == len(session("full").truth.swings) == 2
    assert kinds(whole).count("Step") == len(session("full").truth.steps)
    assert [path for event in whole.events for path in nan_fields(event)] == []
    assert whole.first == list(range(len(whole.first)))


@pytest.mark.slow
def test_streaming_hands_out_events_before_the_end():
    rows = pair("full")
    pipeline = Pipeline()
    before = [e for row in rows for e in pipeline.push(Batch.of([row])).events]
    assert len(before) == len(analysed(rows).events)  # nothing of this session ends with it


def test_no_entries_and_empty_batches_are_nothing():
    pipeline = Pipeline()
    assert pipeline.push(Batch.of([])) == Output()
    assert pipeline.flush() == Output()
    assert pipeline.origin_ns is None
    assert pipeline.push(Batch.of(pair()[:1])) == Output()
    assert pipeline.origin_ns == START_NS


def test_a_batch_is_not_changed_and_may_be_read_only():
    batch = Batch.of(pair())
    columns: list[NDArray[np.generic]] = [
        batch.arrival_ns,
        batch.insole,
        batch.kind,
        batch.length,
    ]
    before = [column.copy() for column in columns]
    for column in columns:
        column.setflags(write=False)
    pipeline = Pipeline()
    gathered([pipeline.push(batch), pipeline.flush()])
    assert all(np.array_equal(a, b) for a, b in zip(columns, before, strict=True))


def test_one_entry_and_one_packet_are_no_event_and_no_error():
    notification = next(e for e in pair() if e.kind is Kind.NOTIFICATION)
    for rows in ([settings_entry()], [notification], [settings_entry(), notification]):
        assert analysed(rows).events == []


def test_what_says_nothing_of_an_insole_s_samples_changes_nothing():
    """A link that came up, a note, a calibration and an exchange of nobody."""
    rows = pair()
    others = [
        Entry(at_ns(2.0), 0, Kind.CONNECTED, b"{}"),
        Entry(at_ns(2.1), 1, Kind.CONNECTED, b""),
        Entry(at_ns(2.2), SESSION, Kind.MARK, b"a note"),
        Entry(at_ns(2.3), SESSION, Kind.CALIBRATION, b"not one"),
        Entry(at_ns(2.4), SESSION, Kind.EXCHANGE, exchange_data(at_ns(2.3), at_ns(2.31), 1000)),
    ]
    assert_same(analysed(rows), analysed(merged(rows, others)))


@pytest.mark.parametrize("k", [0, 1])
def test_what_is_told_of_an_insole_is_of_its_own_packets(k):
    rows = merged([settings_entry()], sent((LEFT, RIGHT)[k]))
    pipeline = Pipeline()
    pipeline.push(Batch.of(rows))
    heard = {j: count.notifications for j, count in pipeline.counts().items()}
    assert heard == {k: sum(e.kind is Kind.NOTIFICATION for e in rows), 1 - k: 0}
    assert pipeline.feet() == {k: FEET[k], 1 - k: None}


@pytest.mark.parametrize("k", [0, 1])
def test_one_foot_alone_has_rows_and_no_swing(k):
    rows = merged([settings_entry()], sent((LEFT, RIGHT)[k]))
    whole = assert_cutting_changes_nothing(rows)
    heard, silent = (whole.right, whole.left) if k else (whole.left, whole.right)
    assert np.isnan(silent).all()
    assert np.isnan(heard).sum() == 0
    assert kinds(whole) == []


@pytest.mark.parametrize("k", [0, 1])
@pytest.mark.slow
def test_a_foot_that_is_away_for_seconds_is_missing_and_comes_back(k):
    rows = pair()
    rows = [e for e in rows if not (e.insole == k and at_ns(4.0) < e.arrival_ns < at_ns(6.5))]
    whole = assert_cutting_changes_nothing(rows)
    gone = np.isnan((whole.left, whole.right)[k][:, 0])
    away = (whole.t_s > 4.05) & (whole.t_s < 6.4)
    assert gone[away].all()
    assert not gone[whole.t_s < 3.9].any() and not gone[whole.t_s > 6.6].any()


@pytest.mark.slow
def test_both_feet_away_leaves_no_rows_invented():
    rows = [e for e in pair() if not at_ns(4.0) < e.arrival_ns < at_ns(7.5)]
    whole = assert_cutting_changes_nothing(rows)
    between_ = (whole.t_s > 4.05) & (whole.t_s < 7.4)
    assert np.isnan(whole.left[between_]).all() and np.isnan(whole.right[between_]).all()


def test_a_reset_insole_goes_on_in_the_same_time_line():
    again = replace(LEFT, resets_s=(5.0,), reset_away_s=0.6)
    whole = assert_cutting_changes_nothing(merged([settings_entry()], sent(again), sent(RIGHT)))
    assert StreamEventKind.RESTART in {fact.kind for fact in whole.facts[0]}
    assert np.diff(whole.t_s) == pytest.approx(0.01, abs=1e-9)
    gone = np.isnan(whole.left[:, 0])
    assert gone[(whole.t_s > 5.05) & (whole.t_s < 5.55)].all()
    assert not gone[whole.t_s > 5.7].any()


def test_counter_and_clock_wraps_change_nothing():
    plain = analysed(pair())
    wrapping = [replace(one, clock_us=2**32 - 5_000_000) for one in (LEFT, RIGHT)]
    rows = merged([settings_entry()], *(with_counter(sent(one), 2**32 - 100) for one in wrapping))
    whole = assert_cutting_changes_nothing(rows)
    assert [f.kind for f in whole.facts[0]].count(StreamEventKind.CLOCK_WRAP) == 1
    assert [f.kind for f in whole.facts[0]].count(StreamEventKind.COUNTER_WRAP) == 1
    assert np.allclose(whole.t_s, plain.t_s, atol=1e-9)
    assert kinds(whole) == kinds(plain)


def test_new_settings_begin_a_new_time_line_after_the_old():
    rows = merged(pair(), [settings_entry(6.0, handed="left", mass_kg=60.0)])
    whole = assert_cutting_changes_nothing(rows)
    assert whole.first == list(range(len(whole.first)))
    falls = np.flatnonzero(np.diff(whole.t_s) <= 0)
    # at the change the new line begins with samples that the old one had not yet waited for
    assert len(falls) <= 1 and (np.diff(whole.t_s)[falls] > -0.03).all()
    swing = next(e for e in whole.events if isinstance(e, Phase | Swing))
    assert swing.confirmed_s > 6.0


def test_a_gain_set_in_mid_session_holds_from_there_on():
    new = replace(calibration(Foot.LEFT), gain=2.0)
    entry = Entry(at_ns(5.0), 0, Kind.CALIBRATION, new.to_json().encode())
    plain, whole = analysed(pair()), assert_cutting_changes_nothing(merged(pair(), [entry]))
    before, after = plain.t_s < 4.9, plain.t_s > 5.1
    assert np.array_equal(whole.left[before], plain.left[before])
    loads = slice(0, 6)
    assert np.array_equal(whole.left[after, loads], 2.0 * plain.left[after, loads])
    assert np.array_equal(whole.right, plain.right, equal_nan=True)


def test_the_foot_is_the_one_that_the_packets_say_whatever_the_calibration_says():
    other = replace(calibration(Foot.LEFT), foot=Foot.RIGHT)
    entry = Entry(at_ns(5.0), 0, Kind.CALIBRATION, other.to_json().encode())
    plain, whole = analysed(pair()), analysed(merged(pair(), [entry]))
    assert np.array_equal(whole.left, plain.left, equal_nan=True)
    assert np.array_equal(whole.right, plain.right, equal_nan=True)


@pytest.mark.slow
def test_noise_among_the_packets_is_counted_and_changes_nothing():
    rng = np.random.default_rng(7)
    noise = [
        Entry(at_ns(t), int(rng.integers(2)), Kind.NOTIFICATION, b"\x00" + rng.bytes(60))
        for t in rng.uniform(0.0, 12.0, 300)
    ]
    whole = assert_cutting_changes_nothing(merged(pair(), noise))
    malformed = [f for k in (0, 1) for f in whole.facts[k] if f.kind is StreamEventKind.MALFORMED]
    assert len(malformed) == 300
    assert whole.events == analysed(pair()).events


def repacked(*frames: int, delay_s: float = 0.004) -> list[Entry]:
    """The same samples in packets of so many frames in turn, each a set time after its last."""
    rows: list[Entry] = [settings_entry()]
    for one in (LEFT, RIGHT):
        packets = [decode(e.data) for e in sent(one) if e.kind is Kind.NOTIFICATION]
        assert all(isinstance(p, DataPacket) for p in packets)
        counts = np.concatenate([p.counts for p in packets if isinstance(p, DataPacket)])
        at = 0
        for n in range(len(counts) // 12 * 12 * len(frames) // sum(frames)):
            size = frames[n % len(frames)]
            clock_us = at * one.period_us
            packet = DataPacket(
                foot=one.foot,
                sample_format=SampleFormat.PACKED12,
                first=n == 0,
                dropped=False,
                battery_low=False,
                counter=n,
                clock_us=clock_us,
                period_us=one.period_us,
                counts=counts[at : at + size],
            )
            at += size
            t = one.phase_s + 1e-6 * (clock_us + (size - 1) * one.period_us) + delay_s
            rows.append(Entry(at_ns(t), one.insole, Kind.NOTIFICATION, encode_data(packet)))
    return merged(rows)


@pytest.mark.parametrize("frames", [(1,), (3,), (4,), (6,), (2, 2, 4, 4)])
def test_other_packets_of_the_same_frames_give_the_same_on_device_time(frames):
    """Arrivals change with the packing; with a steady delay device and host time are one."""
    two, other = analysed(repacked(2)), analysed(repacked(*frames))
    assert np.allclose(other.t_s, two.t_s, rtol=0, atol=1e-9)
    assert np.allclose(other.left, two.left, rtol=0, atol=1e-5, equal_nan=True)
    assert np.allclose(other.right, two.right, rtol=0, atol=1e-5, equal_nan=True)
    assert len(two.events) == len(other.events) > 5
    for a, b in zip(two.events, other.events, strict=True):
        assert type(a) is type(b)
        assert b.confirmed_s == pytest.approx(a.confirmed_s, abs=1e-9)
        if isinstance(a, Step) and isinstance(b, Step):
            assert (a.foot, a.roll, a.first_index) == (b.foot, b.roll, b.first_index)
            assert b.off_s == pytest.approx(a.off_s, abs=1e-7)
            assert b.strike_s == pytest.approx(a.strike_s, abs=1e-7)
        if isinstance(a, Swing) and isinstance(b, Swing):
            assert (a.push.manner, a.push.timing) == (b.push.manner, b.push.timing)
            assert b.start_s == pytest.approx(a.start_s, abs=1e-7)
            assert b.push.transfer_s == pytest.approx(a.push.transfer_s, abs=1e-7)


def test_what_is_shown_of_a_session():
    lossy = replace(LEFT, link=RadioChannel(loss=0.05))
    pipeline = Pipeline()
    batch = Batch.of(merged([settings_entry()], sent(lossy), sent(RIGHT)))
    pipeline.push(batch)
    assert pipeline.feet() == {0: Foot.LEFT, 1: Foot.RIGHT}
    counts = pipeline.counts()
    notes = np.bincount(batch.insole[batch.kind == Kind.NOTIFICATION], minlength=2)
    assert [counts[k].notifications for k in (0, 1)] == notes.tolist()
    assert counts[0].lost_packets > 0 == counts[1].lost_packets
    assert counts[0].packets + counts[0].lost_packets == pytest.approx(counts[1].packets, abs=2)
    assert all(state.error_s >= 0.03 for state in pipeline.clocks().values())
    assert pipeline.saturated() == {0: 0, 1: 0}
    assert pipeline.ignored() == {0: 0, 1: 0}
    assert set(pipeline.baselines()) == set(Foot)
    settings_seen = settings_of(batch)
    assert settings_seen is not None and settings_seen.mass_kg == 80.0
    assert settings_of(batch.slice(1, 9)) is None


def test_full_scale_samples_are_counted_and_read_as_the_curve_s_top():
    top = np.full((2, 18), 4095, dtype=np.uint16)
    packet = DataPacket(Foot.LEFT, SampleFormat.U16, True, False, False, 0, 0, 10_000, top)
    over = replace(packet, counter=1, clock_us=20_000, first=False, counts=top + 900)
    rows = [
        settings_entry(),
        Entry(at_ns(0.1), 0, Kind.NOTIFICATION, encode_data(packet)),
        Entry(at_ns(0.12), 0, Kind.NOTIFICATION, encode_data(over)),
    ]
    pipeline = Pipeline()
    found = gathered([pipeline.push(Batch.of(rows)), pipeline.flush()])
    assert pipeline.saturated()[0] == 4 * 18
    area_mm2 = eighteen().area_mm2
    assert found.left[:, :4].sum(1) == pytest.approx(0.8 * area_mm2.sum())


def test_a_stuck_zone_is_told_by_its_id():
    """Ids count from 1, as on the insole (`hardware_notes/sensing.md`)."""
    sensor = SensorModel(stuck=(StuckZone(Foot.RIGHT, 4, 300.0),))
    rows = [settings_entry()]
    for one in (LEFT, RIGHT):
        rows += one.entries(one.read(session("full"), sensor, 1), duration_s("full"), START_NS, 1)
    pipeline = Pipeline()
    pipeline.push(Batch.of(merged(rows)))
    assert pipeline.stuck() == {0: (), 1: (5,)}


def test_packets_of_other_zones_are_left_out_and_counted():
    few = DataPacket(
        Foot.LEFT, SampleFormat.U16, True, False, False, 0, 0, 10_000, np.ones((2, 8), np.uint16)
    )
    pipeline = Pipeline()
    out = pipeline.push(Batch.of([Entry(START_NS, 0, Kind.NOTIFICATION, encode_data(few))]))
    assert out.rows == [] and pipeline.ignored()[0] == 1


@pytest.mark.parametrize(
    "data", [b"\xff", b"[]", b"null", b"{}", b'{"schema":2}', b'{"schema":1,"mass_kg":NaN}']
)
def test_settings_that_cannot_be_read_are_refused_in_one_sentence(data):
    with pytest.raises(GatewayError, match=r"^settings"):
        Pipeline().push(Batch.of([Entry(0, SESSION, Kind.SETTINGS, data)]))


@pytest.mark.parametrize("data", [b"[]", b"null", b"{}", b'{"schema":2}'])
def test_a_calibration_that_cannot_be_read_is_refused_in_one_sentence(data):
    with pytest.raises(CalibrationError, match="calibration"):
        Pipeline().push(Batch.of([Entry(0, 0, Kind.CALIBRATION, data)]))


def test_time_exchanges_are_the_same_however_cut_and_move_the_times():
    plain = analysed(pair())
    whole = assert_cutting_changes_nothing(merged(pair(), exchanges(LEFT), exchanges(RIGHT)))
    assert kinds(whole) == kinds(plain)
    assert not np.array_equal(whole.left[: len(plain.left)], plain.left[: len(whole.left)])


# ---- feet that come late, change, or are one; odd packets ----


@pytest.mark.parametrize("k", [0, 1])
@pytest.mark.slow
def test_an_insole_that_connects_late_is_the_same_however_cut(k):
    rows = [e for e in pair() if not (e.insole == k and e.arrival_ns < at_ns(3.0))]
    assert_cutting_changes_nothing(rows)


@pytest.mark.slow
def test_two_insoles_that_say_the_same_foot_are_the_same_however_cut():
    second = replace(LEFT, insole=1, phase_s=0.0037)
    late = [e for e in sent(LEFT) if e.arrival_ns > at_ns(0.3)]
    assert_cutting_changes_nothing(merged([settings_entry()], late, sent(second)))


def test_insoles_that_change_feet_are_the_same_however_cut():
    left, right = with_foot(sent(LEFT), Foot.RIGHT, 5.0), with_foot(sent(RIGHT), Foot.LEFT, 5.1)
    assert_cutting_changes_nothing(merged([settings_entry()], left, right))


@pytest.mark.slow
def test_a_rate_that_changes_and_changes_back_is_the_same_however_cut():
    rows: list[Entry] = [settings_entry()]
    for one in (LEFT, RIGHT):
        fast = replace(one, period_us=5_000, phase_s=4.0)
        back = replace(one, phase_s=8.0)
        rows += between(sent(one), -1.0, 4.0)
        rows += between(sent(fast), 4.0, 8.0) + between(sent(back), 8.0, 99.0)
    assert_cutting_changes_nothing(merged(rows))


def test_one_insole_alone_that_says_something_new_of_itself_is_the_same_however_cut():
    """Nothing is put in order then, and what it says does not go together with what it said."""
    rows = between(sent(LEFT), -1.0, 2.0)
    rows += [
        with_period(e, 9_000) if e.kind is Kind.NOTIFICATION else e
        for e in between(sent(LEFT), 2.0, 3.5)
    ]
    rows += with_foot(between(sent(LEFT), 3.5, 5.0), Foot.RIGHT, 3.5)
    whole = assert_cutting_changes_nothing([settings_entry(), *rows])
    for feet in (whole.left, whole.right):
        assert np.isfinite(feet[:, 0]).any()


def test_a_third_insole_s_packets_are_nobody_s():
    third = [replace(e, insole=5) for e in between(sent(LEFT), 1.0, 1.3)]
    assert len(third) > 5
    assert_same(analysed(pair()), assert_cutting_changes_nothing(merged(pair(), third)))


@pytest.mark.slow
def test_a_foot_that_comes_back_into_a_new_time_line_is_awaited():
    rows = [e for e in pair() if not (e.insole == 1 and at_ns(4.0) < e.arrival_ns < at_ns(6.5))]
    end = Entry(at_ns(5.5), SESSION, Kind.END, b"")
    assert_cutting_changes_nothing(merged(rows, [end]))


def rows_before_the_end(entries: Sequence[Entry]) -> int:
    pipeline = Pipeline()
    return sum(len(r) for e in entries for r in pipeline.push(Batch.of([e])).rows)


@pytest.mark.parametrize("case", ["late and alone", "settings while away"])
@pytest.mark.slow
def test_rows_do_not_wait_for_a_foot_that_is_away(case):
    if case == "late and alone":
        late = [e for e in sent(LEFT) if e.arrival_ns > at_ns(3.0)]
        rows = merged([settings_entry()], late)
        least = 800
    else:
        kept = [e for e in pair() if not (e.insole == 1 and e.arrival_ns > at_ns(5.0))]
        rows = merged(kept, [settings_entry(7.0, mass_kg=70.0)])
        least = 1000
    assert rows_before_the_end(rows) > least


def handed_out(entries: Sequence[Entry], size: int) -> list[int]:
    """How many rows were handed out after each piece of so many entries."""
    pipeline, rows, out = Pipeline(), 0, []
    for at in range(0, len(entries), size):
        rows += sum(len(r) for r in pipeline.push(Batch.of(entries[at : at + size])).rows)
        out.append(rows)
    return out


@pytest.mark.parametrize("size", [2, 5, 8, 40])
@pytest.mark.parametrize("away", ["one", "both"])
@pytest.mark.slow
def test_rows_come_with_the_same_entry_however_cut_where_a_foot_goes_and_comes(size, away):
    hole = (at_ns(4.0), at_ns(6.5))
    rows = [
        e
        for e in pair()
        if not ((e.insole == 1 or away == "both") and hole[0] < e.arrival_ns < hole[1])
    ]
    rows = rows[: len(rows) // size * size]
    assert handed_out(rows, size) == handed_out(rows, 1)[size - 1 :: size]


def test_rows_do_not_wait_when_both_insoles_say_the_same_foot():
    rows = merged([settings_entry()], sent(LEFT), sent(replace(LEFT, insole=1, phase_s=0.0037)))
    assert rows_before_the_end(rows) > 1000


def test_a_packet_of_the_slowest_rate_does_not_stop_the_stream():
    rows = pair()
    k = next(n for n, e in enumerate(rows) if n > 900 and e.kind is Kind.NOTIFICATION)
    rows[k] = with_period(rows[k], 60_000)
    analysed(rows)


def test_a_calibration_that_is_not_text_is_refused_in_one_sentence():
    with pytest.raises(CalibrationError, match="calibration"):
        Pipeline().push(Batch.of([Entry(0, 0, Kind.CALIBRATION, b"\xff")]))


def test_the_tap_is_given_every_foot_s_readings_once_however_cut():
    entries = pair()

    def tapped(size: int) -> dict[Foot, NDArray[np.float64]]:
        seen: dict[Foot, list[NDArray[np.float64]]] = {foot: [] for foot in FEET}
        pipeline = Pipeline(
            tap=lambda block, gain: seen[block.foot].append(
                np.column_stack((block.t_s, gain * block.pressure))
            )
        )
        for start in range(0, len(entries), size):
            pipeline.push(Batch.of(entries[start : start + size]))
        return {foot: np.vstack(parts) for foot, parts in seen.items()}

    whole, cut = tapped(len(entries)), tapped(7)
    for foot in FEET:
        assert len(whole[foot]) > 200
        np.testing.assert_array_equal(whole[foot], cut[foot])
