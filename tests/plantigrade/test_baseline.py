"""The baseline: moved by walking's swing phases alone, never while a golfer stands."""

import numpy as np
import pytest
from tests.support.scoring import pair_rows

from plantigrade.analyser import Analyser, run_whole
from plantigrade.baseline import REFRESH_S, Baseline
from plantigrade.block import Column, FloatArray, Foot, PairBlock
from plantigrade.events import HeelLiftState, Step, Swing
from plantigrade.limits import Setup, setup_for
from plantigrade.load import total_load
from plantigrade.steps import AirPhase
from plantigrade.synth import (
    HeelHabit,
    OneLeg,
    Performance,
    Player,
    Segment,
    SensorModel,
    SessionPlan,
    Stand,
    Walk,
    perform,
)
from plantigrade.synth import Swing as SwingPlan

RATE_HZ = 100.0
AIR_N = 100.0
LACED = SensorModel(hysteresis=0.0, drift_n=0.0, noise_kpa=0.3, dead_kpa=0.0, lacing_n=15.0)


def done(*segments: Segment, mass_kg: float = 80.0) -> tuple[Performance, list[PairBlock], Setup]:
    performance = perform(Player(mass_kg=mass_kg), SessionPlan(segments), RATE_HZ, 4)
    left, right = LACED.read(performance, 4)
    blocks = pair_rows(performance.t_s, left, right, performance.layout, RATE_HZ)
    setup = setup_for(performance.layout, RATE_HZ, performance.truth.weight_n, Foot.LEFT)
    return performance, blocks, setup


def flat(n: int, left_n: float, right_n: float, first: int = 0) -> PairBlock:
    """Rows of steady loads, on the heels."""
    values = np.zeros((2, n, 8))
    values[0, :, 0], values[1, :, 0] = left_n, right_n
    return PairBlock(first, (first + np.arange(n)) / RATE_HZ, values[0], values[1])


def loads(baseline: Baseline) -> list[float]:
    return [baseline.state(foot).load_n for foot in Foot]


# ---- with players ----


def test_a_walk_takes_off_what_a_laced_shoe_presses():
    performance, blocks, setup = done(Stand(3.0), Walk(12), Stand(8.0))
    analyser = Analyser(setup)
    events = run_whole(analyser, blocks)
    assert sum(isinstance(e, Step) for e in events) == len(performance.truth.steps)
    for foot in Foot:
        state = analyser.baseline(foot)
        assert state.load_n == pytest.approx(15.0, abs=1.5)
        assert state.error_n is not None and state.error_n < 1.5
        swings = [s.strike_s for s in performance.truth.steps if s.foot is foot]
        assert state.set_s is not None and state.set_s <= swings[-1]


@pytest.mark.parametrize(
    "segments",
    [
        (Stand(12.0),),
        (Stand(2.0), OneLeg(Foot.LEFT, 8.0), OneLeg(Foot.RIGHT, 8.0)),
        (
            Stand(2.0),
            SwingPlan(heel=HeelHabit.LIFTED),
            SwingPlan(heel=HeelHabit.LIGHT),
            SwingPlan(heel=HeelHabit.LATE),
        ),
    ],
    ids=["standing", "on one leg", "swings with the heel lifted"],
)
def test_it_never_moves_while_a_golfer_stands(segments):
    """A lifted heel and a lifted foot look like air (design §5)."""
    _, blocks, setup = done(*segments)
    analyser = Analyser(setup)
    run_whole(analyser, blocks)
    for foot in Foot:
        assert analyser.baseline(foot).load_n == 0.0
        assert analyser.baseline(foot).set_s is None
        assert analyser.baseline(foot).error_n is None


def test_swings_after_a_walk_leave_the_walk_s_baseline():
    walk = (Stand(2.0), Walk(10), Stand(6.0))
    swings = (SwingPlan(heel=HeelHabit.LIFTED), SwingPlan(heel=HeelHabit.LIGHT))
    _, blocks, setup = done(*walk)
    after_walk = Analyser(setup)
    run_whole(after_walk, blocks)
    _, blocks, _ = done(*walk, *swings)
    after_swings = Analyser(setup)
    events = run_whole(after_swings, blocks)
    assert [e.heel_lift.state for e in events if isinstance(e, Swing)] == [HeelLiftState.LIFTED] * 2
    for foot in Foot:
        assert after_swings.baseline(foot) == after_walk.baseline(foot)


def test_a_light_player_in_a_tight_shoe_has_a_baseline_too():
    """The shoe presses by nearly the contact load of 20 N."""
    _, blocks, setup = done(Stand(3.0), Walk(12), Stand(8.0), mass_kg=32.0)
    assert setup.contact_n == 20.0
    analyser = Analyser(setup)
    run_whole(analyser, blocks)
    for foot in Foot:
        assert analyser.baseline(foot).load_n == pytest.approx(15.0, abs=2.0)


# ---- by hand ----


def net_loads(baseline: Baseline, blocks: list[PairBlock]) -> FloatArray:
    out = [total_load(baseline.net(p).left) for b in blocks for p in baseline.pieces(b)]
    return np.concatenate(out)


def test_it_moves_at_fixed_rows_after_two_phases():
    refresh = round(REFRESH_S * RATE_HZ)
    baseline = Baseline(RATE_HZ, AIR_N)
    assert net_loads(baseline, [flat(200, 12.0, 7.0)]) == pytest.approx(12.0)
    baseline.learn([AirPhase(Foot.LEFT, 20, 60)])
    assert net_loads(baseline, [flat(400, 12.0, 7.0, 200)]) == pytest.approx(12.0)
    assert loads(baseline) == [0.0, 0.0]  # one phase is not enough
    baseline.learn([AirPhase(Foot.LEFT, 120, 160)])
    net = net_loads(baseline, [flat(600, 12.0, 7.0, 600)])
    assert net[: 2 * refresh - 600] == pytest.approx(12.0)
    assert net[2 * refresh - 600 :] == pytest.approx(0.0, abs=1e-12)
    assert loads(baseline) == pytest.approx([12.0, 0.0])
    assert baseline.state(Foot.LEFT).error_n == pytest.approx(0.0)
    assert baseline.state(Foot.LEFT).set_s == pytest.approx(1.49)  # a quarter is left out
    assert baseline.state(Foot.RIGHT).set_s is None


def test_the_first_and_last_quarter_of_a_phase_do_not_count():
    block = flat(200, 12.0, 0.0)
    block.left[20:30, 0] = block.left[50:60, 0] = 300.0
    baseline = Baseline(RATE_HZ, AIR_N)
    net_loads(baseline, [block])
    baseline.learn([AirPhase(Foot.LEFT, 20, 60), AirPhase(Foot.LEFT, 20, 60)])
    net_loads(baseline, [flat(400, 12.0, 0.0, 200)])
    assert loads(baseline)[0] == pytest.approx(12.0)


def test_it_is_the_median_of_the_last_eight_phases():
    baseline = Baseline(RATE_HZ, AIR_N)
    values = np.concatenate([np.full(100, level) for level in (90.0, 90.0, *range(8))])
    block = flat(1000, 0.0, 0.0)
    block.left[:, 0] = values
    for k in range(10):
        net_loads(baseline, [block.slice(100 * k, 100 * k + 100)])
        baseline.learn([AirPhase(Foot.LEFT, 100 * k + 10, 100 * k + 90)])
    net_loads(baseline, [flat(10, 0.0, 0.0, 1000)])
    assert loads(baseline)[0] == pytest.approx(3.5)
    assert baseline.state(Foot.LEFT).error_n == pytest.approx(np.std(range(8), ddof=1))


@pytest.mark.parametrize("missing", [slice(30, 50), slice(32, 50)])
def test_missing_rows_are_left_out_of_a_phase(missing):
    """A phase of fewer than three rows tells nothing."""
    block = flat(200, 12.0, 0.0)
    block.left[missing] = np.nan
    baseline = Baseline(RATE_HZ, AIR_N)
    net_loads(baseline, [block])
    baseline.learn([AirPhase(Foot.LEFT, 20, 60)] * 2)
    net_loads(baseline, [flat(400, 12.0, 0.0, 200)])
    assert loads(baseline)[0] == 0.0


def test_the_midfoot_s_zones_are_counted_and_have_no_baseline():
    block = flat(200, 12.0, 0.0)
    block.left[:, Column.MIDFOOT_ZONES] = 5.0
    baseline = Baseline(RATE_HZ, AIR_N)
    net_loads(baseline, [block])
    baseline.learn([AirPhase(Foot.LEFT, 20, 60)] * 2)
    later = flat(600, 12.0, 0.0, 200)
    later.left[:, Column.MIDFOOT_ZONES] = 5.0
    net = np.concatenate([baseline.net(p).left for p in baseline.pieces(later)])
    assert net[-1, Column.MIDFOOT_ZONES] == 5.0 and net[-1, 0] == pytest.approx(0.0)


def test_learning_before_any_row_is_nothing():
    baseline = Baseline(RATE_HZ, AIR_N)
    baseline.learn([AirPhase(Foot.LEFT, 0, 50)])
    assert loads(baseline) == [0.0, 0.0]


def test_a_phase_may_lie_in_many_blocks():
    """Its middle, rows 30 to 49, has a median of 39.5 of what each row reads, its own number."""
    block = flat(200, 0.0, 0.0)
    block.left[:, 0] = np.arange(200.0)
    baseline = Baseline(RATE_HZ, AIR_N)
    net_loads(baseline, [block.slice(at, at + 10) for at in range(0, 200, 10)])
    baseline.learn([AirPhase(Foot.LEFT, 20, 60)] * 2)
    net_loads(baseline, [flat(400, 0.0, 0.0, 200)])
    assert loads(baseline) == pytest.approx([39.5, 0.0])
    assert baseline.state(Foot.LEFT).set_s == pytest.approx(0.49)


def test_one_phase_moves_neither_foot_and_a_move_is_told_once():
    baseline = Baseline(RATE_HZ, AIR_N)
    net_loads(baseline, [flat(501, 12.0, 7.0)])
    assert baseline.moved is None
    baseline.learn([AirPhase(foot, 20, 60) for foot in Foot])
    net_loads(baseline, [flat(500, 12.0, 7.0, 501)])
    assert loads(baseline) == [0.0, 0.0]
    baseline.learn([AirPhase(foot, 720, 760) for foot in Foot])
    net_loads(baseline, [flat(499, 12.0, 7.0, 1001)])
    (piece,) = baseline.pieces(flat(500, 12.0, 7.0, 1500))
    baseline.net(piece)
    assert baseline.moved is not None
    assert baseline.moved[:, 0] == pytest.approx([12.0, 7.0])
    (piece,) = baseline.pieces(flat(500, 12.0, 7.0, 2000))
    baseline.net(piece)
    assert baseline.moved is None


@pytest.mark.parametrize(("left_n", "firsts"), [(111.9, [2000, 2500]), (112.1, [2000])])
def test_rows_are_cut_where_a_foot_may_be_off_net_of_its_baseline(left_n, firsts):
    """Off under 100 N, of which the baseline is 12: else nothing can move it."""
    baseline = Baseline(RATE_HZ, AIR_N)
    net_loads(baseline, [flat(500, 12.0, 200.0)])
    baseline.learn([AirPhase(Foot.LEFT, 20, 60)] * 2)
    net_loads(baseline, [flat(1500, 200.0, 200.0, 500)])
    assert loads(baseline) == pytest.approx([12.0, 0.0])
    pieces = list(baseline.pieces(flat(1000, left_n, 200.0, 2000)))
    assert [piece.first for piece in pieces] == firsts


def test_rows_are_kept_for_a_fixed_step_and_the_longest_stance():
    """5 s and 4 s at 100 Hz, in blocks of ten."""
    baseline = Baseline(RATE_HZ, AIR_N)
    for k in range(200):
        baseline.net(flat(10, 5.0, 400.0, 10 * k))
    assert sum(map(len, baseline._raw)) == 900


def test_rows_kept_do_not_grow():
    baseline = Baseline(RATE_HZ, AIR_N)
    for k in range(200):
        net_loads(baseline, [flat(1000, 5.0, 400.0, 1000 * k)])
    assert 1000 <= sum(map(len, baseline._raw)) <= 4096
