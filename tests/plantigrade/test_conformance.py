"""What every detector must be: causal, the same however its rows are cut, and as new after a reset.

The rows come from no model of golf or gait: loads that wander between the feet and over them, with
holes, so that the detectors' every branch is taken at every place.
"""

from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from tests.support.nan import nan_fields

from plantigrade.analyser import Analyser, Detector, run_whole
from plantigrade.baseline import Baseline
from plantigrade.block import FloatArray, Foot, LoadBlock, PairBlock, PressureBlock
from plantigrade.events import Event
from plantigrade.limits import Limits, Setup, setup_for
from plantigrade.load import LoadReducer
from plantigrade.pairing import Pairing
from plantigrade.stand import StandDetector
from plantigrade.steps import StepDetector, air_levels
from plantigrade.swings import SwingDetector
from plantigrade.zones import eighteen

pytestmark = pytest.mark.dear

BW_N = 785.0
DETECTORS: dict[str, Callable[[Setup], Detector]] = {
    "steps": StepDetector,
    "stands": StandDetector,
    "swings": SwingDetector,
    "analyser": Analyser,
}
every_detector = pytest.mark.parametrize("make", DETECTORS.values(), ids=DETECTORS.keys())


def setup(rate_hz: float = 100.0, lead: Foot = Foot.LEFT) -> Setup:
    """Stands are short here, so that many fit."""
    return setup_for(eighteen(), rate_hz, BW_N, lead, Limits(stand_min_s=2.0, stand_max_s=5.0))


# ---- rows ----


class Wander:
    """Curves that go from one drawn value to the next, some staying, all rounded."""

    def __init__(self, seed: int, n: int, rate_hz: float) -> None:
        self.rng, self.n, self.rate_hz = np.random.default_rng(seed), n, rate_hz

    def curve(self, low: float, high: float, least_s: float, most_s: float) -> FloatArray:
        rng = self.rng
        at, values = [0], [rng.uniform(low, high)]
        while at[-1] < self.n:
            at.append(at[-1] + int(rng.uniform(least_s, most_s) * self.rate_hz) + 1)
            values.append(values[-1] if rng.random() < 0.35 else rng.uniform(low, high))
        width = int(rng.integers(3, 30))
        window = np.hanning(width + 2)[1:-1]
        padded = np.pad(np.interp(np.arange(self.n), at, values), width, mode="edge")
        even: FloatArray = np.convolve(padded, window / window.sum(), "same")[width:-width]
        return even


def share_of(wander: Wander, manner: int) -> FloatArray:
    """The left foot's share: between the feet, in strides, still, slowly, or back and over."""
    if manner == 1:
        phase = np.cumsum(2.0 * np.pi * wander.curve(0.4, 1.2, 1.0, 3.0) / wander.rate_hz)
        return 0.5 + 0.9 * np.sin(phase) + 0.2 * wander.curve(-1.0, 1.0, 0.2, 1.0)
    if manner == 4:
        rng, at, values = wander.rng, [0.0], [0.5]
        while at[-1] < wander.n:
            away, over = rng.uniform(0.05, 0.42), rng.uniform(0.6, 0.97)
            for seconds, value in (
                (rng.uniform(0.6, 1.5), values[-1]),
                (rng.uniform(0.3, 1.2), away),
                (rng.uniform(0.1, 0.5), over),
                (rng.uniform(0.2, 1.0), over),
                (rng.uniform(0.3, 2.5), rng.uniform(0.4, 0.6)),
            ):
                at.append(at[-1] + seconds * wander.rate_hz)
                values.append(value)
        straight = np.interp(np.arange(wander.n + 14), at, values)
        return np.convolve(straight, np.full(15, 1 / 15), "valid")
    low, high, least_s, most_s = [
        (-0.15, 1.15, 0.1, 1.2),
        (0.0, 1.0, 1.0, 1.0),
        (0.45, 0.55, 0.5, 3.0),
        (0.2, 0.95, 0.2, 1.5),
    ][manner]
    return wander.curve(low, high, least_s, most_s)


def rows(seed: int, rate_hz: float = 100.0, n: int = 1500) -> PairBlock:
    """Rows of both feet, not to be written to."""
    wander = Wander(seed, n, rate_hz)
    rng = wander.rng
    noise = rng.choice([0.0, 0.002, 0.01])
    left = np.clip(share_of(wander, seed % 5) + rng.normal(0.0, noise, n), 0.0, 1.0)
    total = BW_N * (wander.curve(0.85, 1.15, 0.2, 1.0) + rng.normal(0.0, 0.005, n))
    feet = []
    for share in (left, 1.0 - left):
        heel = np.clip(wander.curve(-0.2, 1.2, 0.1, 1.0), 0.0, 1.0)
        midfoot = np.clip(wander.curve(0.0, 0.15, 0.3, 1.0), 0.0, 1.0)
        load = share * total + rng.normal(0.0, 2.0, n) + rng.uniform(-10.0, 10.0)
        shares = [
            (1.0 - midfoot) * heel,
            midfoot,
            (1.0 - midfoot) * (1.0 - heel) * 0.85,
            (1.0 - midfoot) * (1.0 - heel) * 0.15,
        ]
        y = sum(part * at for part, at in zip(shares, (0.11, 0.4, 0.67, 0.85), strict=True))
        last = (0.5 * load, load * y, 0.4 * load * midfoot, 3.0 + 0 * load)
        values = np.stack([*(load * s for s in shares), *last], 1)
        if rng.random() < 0.5:
            for _ in range(int(rng.integers(1, 5))):
                at = int(rng.integers(0, n))
                values[at : at + int(rng.choice([1, 3, 6, 20, 49, 50, 51, 200]))] = np.nan
        feet.append(values)
    block = PairBlock(
        int(rng.choice([0, 17, 12345])), 3.0 + np.arange(n) / rate_hz, feet[0], feet[1]
    )
    for array in (block.t_s, block.left, block.right):
        array.setflags(write=False)
    return block


def cut(block: PairBlock, cuts: Sequence[int]) -> list[PairBlock]:
    edges = sorted({0, *(c for c in cuts if 0 <= c <= len(block)), len(block)})
    return [block.slice(a, b) for a, b in pairwise(edges)]


# ---- the laws ----

SEEDS = st.integers(0, 2**32 - 1)


@every_detector
@settings(
    max_examples=12,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
@given(
    seed=SEEDS,
    rate_hz=st.sampled_from([100.0, 200.0]),
    lead=st.sampled_from(list(Foot)),
    cuts=st.lists(st.integers(0, 1500), max_size=30),
)
@pytest.mark.slow
def test_events_are_the_same_however_the_rows_are_cut(make, seed, rate_hz, lead, cuts):
    block, chosen = rows(seed, rate_hz), setup(rate_hz, lead)
    whole = run_whole(make(chosen), [block])
    assert run_whole(make(chosen), cut(block, cuts)) == whole
    assert run_whole(make(chosen), cut(block, range(len(block)))) == whole
    assert [path for event in whole for path in nan_fields(event)] == []


def test_the_rows_that_are_cut_hold_events_of_every_kind():
    """Else the law above says nothing."""
    found = [e for seed in range(30) for e in run_whole(Analyser(setup()), [rows(seed)])]
    assert {type(e).__name__ for e in found} == {"Step", "Stand", "Swing", "Phase"}
    phases = {e.kind.value for e in found if hasattr(e, "kind")}
    assert phases == {"backswing", "heel_lifted", "heel_returned", "shift", "push", "cancelled"}


def times(event: Event) -> list[float]:
    """Every time an event tells, that of its push and heel lift too."""
    out: list[float] = []
    parts: list[object] = [event]
    while parts:
        part = parts.pop()
        if not is_dataclass(part) or isinstance(part, type):
            continue
        for f in fields(part):
            value = getattr(part, f.name)
            if is_dataclass(value):
                parts.append(value)
            elif f.name.endswith("t_s") and isinstance(value, tuple):
                out += value
            elif f.name.endswith("_s") and isinstance(value, float) and f.name not in DURATIONS:
                out.append(value)
    return out


DURATIONS = {
    "stance_s",
    "trail_peak_width_s",
    "duration_s",
    "return_after_level_s",
    "transfer_s",
    "sway_speed_mm_s",
    "lead_rise_bw_s",
}


@every_detector
@pytest.mark.parametrize("seed", range(8))
def test_nothing_is_told_of_rows_not_yet_seen(make, seed):
    """Each event comes with the row that confirmed it, and tells of nothing later."""
    block, detector = rows(seed), make(setup())
    told: list[Event] = []
    for row in cut(block, range(len(block))):
        now = detector.push(row)
        assert all(e.confirmed_s == row.t_s[0] for e in now)
        told += now
    last = float(block.t_s[-1])
    for event in detector.flush():
        assert event.confirmed_s <= last
        told.append(event)
    for event in told:
        assert max(times(event)) <= event.confirmed_s


@every_detector
@pytest.mark.parametrize("seed", range(8))
def test_what_follows_changes_nothing_that_was_told(make, seed):
    block, other = rows(seed), rows(seed + 100)
    for at in (400, 731, 1100):
        detector, again = make(setup()), make(setup())
        told = detector.push(block.slice(0, at))
        following = PairBlock(block.first + at, block.t_s[at:], other.left[at:], other.right[at:])
        assert again.push(block.slice(0, at)) == told
        # the whole of a record that goes on otherwise begins with what was told
        joined = PairBlock(
            block.first,
            block.t_s,
            np.concatenate((block.left[:at], following.left)),
            np.concatenate((block.right[:at], following.right)),
        )
        assert make(setup()).push(joined)[: len(told)] == told


@every_detector
@pytest.mark.parametrize("seed", range(4))
def test_a_reset_detector_is_as_new(make, seed):
    block, other = rows(seed), rows(seed + 50)
    new = run_whole(make(setup()), [block])
    used = make(setup())
    used.push(other.slice(0, 777))
    used.reset()
    assert run_whole(used, [block]) == new
    used.reset()
    assert run_whole(used, [block]) == new


@every_detector
@pytest.mark.parametrize("seed", range(4))
def test_rows_are_not_changed(make, seed):
    block = rows(seed)  # not to be written to: a detector that tries raises
    before = [a.copy() for a in (block.t_s, block.left, block.right)]
    run_whole(make(setup()), cut(block, [500, 501, 900]))
    after = (block.t_s, block.left, block.right)
    assert all(np.array_equal(a, b, equal_nan=True) for a, b in zip(before, after, strict=True))


@every_detector
@pytest.mark.parametrize("seed", range(4))
def test_results_do_not_hang_on_rows_given_later(make, seed):
    """Events hold no view of a detector's memory: they stay what they were."""
    block, detector = rows(seed), make(setup())
    told = detector.push(block.slice(0, 900))
    said = repr(told)
    detector.push(block.slice(900, len(block)))
    assert repr(told) == said


@every_detector
def test_no_rows_and_one_row_are_no_event(make):
    block = rows(1)
    assert make(setup()).flush() == []
    detector = make(setup())
    assert detector.push(block.slice(0, 0)) == []
    assert detector.flush() == []
    assert run_whole(make(setup()), [block.slice(0, 1)]) == []


@every_detector
@pytest.mark.parametrize("value", [np.nan, 0.0, -50.0, 1e6])
def test_rows_without_sense_are_no_event_and_no_error(make, value):
    n = 700
    values = np.full((n, 8), value)
    block = PairBlock(0, np.arange(n) / 100.0, values, values.copy())
    for pieces in (cut(block, []), cut(block, range(0, n, 3))):
        assert [type(e).__name__ for e in run_whole(make(setup()), pieces)] in ([], ["Stand"] * 2)


@every_detector
def test_a_foot_that_is_missing_throughout_is_no_event(make):
    block = rows(3)
    gone = np.full_like(block.left, np.nan)
    for alone in (
        PairBlock(block.first, block.t_s, block.left, gone),
        PairBlock(block.first, block.t_s, gone, block.right),
    ):
        assert run_whole(make(setup()), [alone]) == []


@every_detector
def test_flush_tells_the_rest_once(make):
    block, detector = rows(2), make(setup())  # a quiet stand, still open at the end
    told = detector.push(block)
    rest = detector.flush()
    assert detector.flush() == []
    assert told + rest == run_whole(make(setup()), [block])


def test_flush_ends_a_stand_that_is_long_enough():
    block = rows(2, n=500)
    detector = StandDetector(setup())
    told = detector.push(block) + detector.flush()
    ends = [e.end_s for e in told if hasattr(e, "end_s")]
    assert max(ends) == pytest.approx(block.t_s[-1], abs=0.5)


# ---- the stages before the detectors ----


@settings(
    max_examples=30,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
@given(seed=SEEDS, cuts=st.lists(st.integers(0, 400), max_size=12))
def test_loads_are_the_same_to_the_bit_however_cut(seed, cuts):
    rng = np.random.default_rng(seed)
    pressure = rng.uniform(-1.0, 400.0, (400, 18))
    pressure[rng.random((400, 18)) < 0.001] = np.nan
    pressure.setflags(write=False)
    t = np.arange(400) / 100.0
    reducer = LoadReducer(eighteen(), gain=1.07, excluded=(5,))
    whole = reducer.reduce(PressureBlock(Foot.LEFT, t, pressure)).values
    for chosen in (cuts, range(400)):
        edges = sorted({0, *chosen, 400})
        parts = [
            reducer.reduce(PressureBlock(Foot.LEFT, t[a:b], pressure[a:b])).values
            for a, b in pairwise(edges)
        ]
        assert np.array_equal(np.concatenate(parts), whole, equal_nan=True)


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
@given(
    seed=SEEDS,
    order=st.lists(st.tuples(st.sampled_from(list(Foot)), st.integers(1, 40)), max_size=40),
)
def test_paired_rows_are_the_same_however_the_feet_come(seed, order):
    rng = np.random.default_rng(seed)
    feet: dict[Foot, LoadBlock] = {}
    for foot in Foot:
        n = 200
        t: FloatArray = 0.01 * np.arange(n) * (1.0 + rng.choice([0.0, 1e-9, 5e-5]))
        t = t + rng.choice([0.0, 1e-12, 0.004]) + (foot is Foot.RIGHT) * rng.choice([0, 0.1])
        keep = rng.random(n) > rng.choice([0.0, 0.1, 0.5])
        keep[0] = True
        values = rng.normal(100.0, 30.0, (n, 8))
        values[rng.random(n) < 0.02] = np.nan
        feet[foot] = LoadBlock(foot, t[keep], values[keep])

    def paired(parts: Sequence[tuple[Foot, int]]) -> list[PairBlock]:
        pairing, at = Pairing(100.0), dict.fromkeys(Foot, 0)
        out = []
        for foot, size in [*parts, (Foot.LEFT, 999), (Foot.RIGHT, 999)]:
            block, start = feet[foot], at[foot]
            at[foot] = min(start + size, len(block.t_s))
            piece = LoadBlock(foot, block.t_s[start : at[foot]], block.values[start : at[foot]])
            out.append(pairing.push(piece))
        return [*out, pairing.flush()]

    whole, parts = paired([]), paired(order)
    single = paired([(foot, 1) for _ in range(200) for foot in Foot])
    for other in (parts, single):
        assert [b.first + k for b in other for k in range(len(b))] == list(
            range(sum(map(len, whole)))
        )
        for name in ("t_s", "left", "right"):
            one = np.concatenate([getattr(b, name) for b in whole])
            two = np.concatenate([getattr(b, name) for b in other])
            assert np.array_equal(one, two, equal_nan=True)


@pytest.mark.parametrize("hair_s", [-2e-9, -4e-9])
def test_a_row_a_hair_from_a_sample_is_the_same_however_cut(hair_s):
    t, values = np.arange(4) / 100.0, np.ones((4, 8))

    def left_rows(sizes: Sequence[int]) -> FloatArray:
        pairing = Pairing(100.0)
        pairing.push(LoadBlock(Foot.RIGHT, t, values))
        edges = np.cumsum([0, *sizes])
        out = [
            pairing.push(LoadBlock(Foot.LEFT, (t + hair_s)[a:b], values[a:b]))
            for a, b in pairwise(edges.tolist())
        ]
        return np.concatenate([block.left for block in [*out, pairing.flush()]])

    assert np.array_equal(left_rows([4]), left_rows([1, 1, 1, 1]), equal_nan=True)


@pytest.mark.parametrize("seed", [1, 6, 11, 16])
def test_net_rows_are_the_same_however_cut(seed):
    """The baseline moves at fixed rows, by what was confirmed before them."""
    block = rows(seed, n=3000)

    def net(cuts: Sequence[int]) -> tuple[FloatArray, FloatArray]:
        baseline, steps = Baseline(100.0, air_levels(setup())[-1]), StepDetector(setup())
        parts = []
        for piece in cut(block, cuts):
            for part in baseline.pieces(piece):
                parts.append(baseline.net(part))
                steps.push(parts[-1])
                baseline.learn(steps.airs)
                steps.airs.clear()
        left, right = (np.concatenate([p.foot(foot) for p in parts]) for foot in Foot)
        return left, right

    whole = net([])
    assert not np.array_equal(whole[0], block.left, equal_nan=True)  # it did move
    for cuts in (range(3000), range(0, 3000, 7), [499, 500, 501, 1000]):
        for a, b in zip(whole, net(cuts), strict=True):
            assert np.array_equal(a, b, equal_nan=True)
