"""Steps of feet whose laced shoe presses by the contact load even in the air."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from tests.plantigrade.test_steps import RATE_HZ, press, rows, setup
from tests.support.scoring import Tally, analyse, analyse_performance, pair_rows

from plantigrade.analyser import Analyser, run_whole
from plantigrade.block import Column, Foot, PairBlock
from plantigrade.events import Event, Step
from plantigrade.limits import setup_for
from plantigrade.steps import StepDetector, air_offset
from plantigrade.synth import (
    HeelHabit,
    Player,
    SensorModel,
    SessionPlan,
    Shuffle,
    Stand,
    Swing,
    Waggle,
    Walk,
    perform,
    random_player,
)

AIR_N = 105.0  # 15 % of 700 N
FIRST = 200  # row of the first strike, after standing


def stand_and_walk(n_steps: int = 6) -> PairBlock:
    """Both feet stand, then stances of 0.7 s every 0.55 s, left first; the last foot stays off."""
    block = rows(FIRST + 55 * n_steps + 100)
    press(block, Foot.LEFT, 0, FIRST - 40, 350.0)
    press(block, Foot.RIGHT, 0, FIRST - 40, 350.0)
    press(block, Foot.RIGHT, FIRST - 40, FIRST + 15)
    for k in range(n_steps):
        at = FIRST + 55 * k
        press(block, (Foot.LEFT, Foot.RIGHT)[k % 2], at, at + 70)
    return block


def lace(block: PairBlock, left_n: float, right_n: float) -> PairBlock:
    """Add what a shoe presses, half on the heel and half on the midfoot."""
    for values, load_n in ((block.left, left_n), (block.right, right_n)):
        values[:, Column.HEEL] += 0.5 * load_n
        values[:, Column.MIDFOOT] += 0.5 * load_n
        values[:, Column.MOMENT_X] += 0.5 * load_n
        values[:, Column.MOMENT_Y] += 0.25 * load_n
    return block


def steps(block: PairBlock) -> list[Step]:
    return [e for e in run_whole(StepDetector(setup()), [block]) if isinstance(e, Step)]


@pytest.mark.parametrize("left_n", [0.0, 30.0, 36.0, 60.0, 100.0])
@pytest.mark.parametrize("right_n", [0.0, 28.0, 40.0, 100.0])
def test_steps_are_those_of_a_loose_shoe(left_n, right_n):
    """The first ones too, in times and in what they carried."""
    loose = steps(stand_and_walk())
    assert [(s.foot, s.first_index) for s in loose] == [
        ((Foot.LEFT, Foot.RIGHT)[k % 2], FIRST + 55 * k) for k in range(6)
    ]
    found = steps(lace(stand_and_walk(), left_n, right_n))
    assert [(s.foot, s.first_index) for s in found] == [(s.foot, s.first_index) for s in loose]
    for step, truth in zip(found, loose, strict=True):
        # a strike of one row lies where the row's rise passes the contact load
        assert step.strike_s == pytest.approx(truth.strike_s, abs=0.1 / RATE_HZ)
        assert step.off_s == pytest.approx(truth.off_s, abs=0.1 / RATE_HZ)
        assert step.midfoot_impulse_share == pytest.approx(0.1)


def slow_to_leave() -> PairBlock:
    """`stand_and_walk`, each stance with 0.1 s more of 60 N: over contact, under the air level."""
    block = stand_and_walk()
    for k in range(6):
        at = FIRST + 55 * k + 70
        press(block, (Foot.LEFT, Foot.RIGHT)[k % 2], at, at + 10, 60.0)
    return block


@pytest.mark.dear
@pytest.mark.parametrize("row", range(FIRST + 110, FIRST + 200, 3))
def test_a_baseline_that_moves_in_a_stance_or_before_it_changes_no_step(row):
    """From that row on the rows are net of what the shoe presses: it is taken off once."""
    loose = steps(slow_to_leave())
    before, after = lace(slow_to_leave(), 40.0, 40.0).slice(0, row), slow_to_leave()
    more = before.left[0] - after.left[0]
    detector = StepDetector(setup())
    found = detector.push(before)
    detector.rebase(np.array((more, more)))
    found += detector.push(after.slice(row, len(after)))
    assert len(found) == len(loose)
    for step, truth in zip(found, loose, strict=True):
        assert isinstance(step, Step) and isinstance(truth, Step)
        assert step.off_s == pytest.approx(truth.off_s, abs=0.1 / RATE_HZ)
        assert step.strike_s == pytest.approx(truth.strike_s, abs=0.1 / RATE_HZ)
        assert step.midfoot_impulse_share == pytest.approx(0.1)


def test_a_load_over_the_air_level_hides_the_steps():
    """Over 15 % of the body no foot is taken to be in the air: a resting foot may carry so much."""
    assert steps(lace(stand_and_walk(), AIR_N + 1.0, AIR_N + 1.0)) == []


def test_one_foot_that_reads_contact_takes_no_step_from_the_other():
    found = steps(lace(stand_and_walk(), 0.0, 50.0))
    assert sum(s.foot is Foot.LEFT for s in found) == 3


@pytest.mark.parametrize(("tail", "n_left"), [(60, 3), (100, 2)])
def test_a_contact_over_one_and_a_half_seconds_is_no_step_in_a_laced_shoe_either(tail, n_left):
    """A foot that lingers on the ground under the air level: the contact is longer."""
    for laced_n in (0.0, 40.0):
        block = stand_and_walk()
        press(block, Foot.LEFT, FIRST + 290, FIRST + 290 + tail, 60.0)  # after its third stance
        found = steps(lace(block, laced_n, laced_n))
        assert sum(s.foot is Foot.LEFT for s in found) == n_left, laced_n


def rocking(low: float, period: int, bw_n: float = 700.0) -> PairBlock:
    """Load goes from foot to foot and never leaves one: shares from `low` to 1 − low."""
    block = rows(1200)
    share = 0.5 + (0.5 - low) * np.cos(2.0 * np.pi * np.arange(1200) / period)
    for values, s in ((block.left, share), (block.right, 1.0 - share)):
        values[:, : Column.MOMENT_X] = bw_n * s[:, None] * [0.3, 0.1, 0.5, 0.1]
    return block


@pytest.mark.parametrize("low", [0.05, 0.06, 0.08, 0.10])
@pytest.mark.parametrize("period", [110, 140, 170])
def test_a_foot_that_is_only_relieved_makes_no_step(low, period):
    """It goes down and comes up again, where a foot in the air reads one load."""
    assert steps(rocking(low, period)) == []


def test_no_step_beside_a_foot_that_is_only_relieved():
    """One foot is lifted again and again; the other goes down to 40 N and comes up again."""
    block = stand_and_walk()
    for k in range(3):
        at = FIRST + 110 * k + 15
        press(block, Foot.RIGHT, at, at + 40)
        block.right[at : at + 40] *= ((40.0 + 60.0 * np.abs(np.linspace(-1, 1, 40))) / 700.0)[
            :, None
        ]
    assert [s for s in steps(block) if s.foot is Foot.LEFT] == []


@pytest.mark.parametrize("bw_n", [250.0, 700.0])
@pytest.mark.parametrize("low", [0.07, 0.10, 0.12])
@pytest.mark.parametrize("period", [110, 140, 170])
def test_a_foot_that_is_only_relieved_teaches_nothing(bw_n, low, period):
    """The baseline moves by walking alone (design §5); a light player's air level is 90 N."""
    detector = StepDetector(replace(setup(), bw_n=bw_n))
    assert detector.push(rocking(low, period, bw_n)) == []
    assert detector.airs == []


@pytest.mark.parametrize(
    ("by_n", "n_rows", "in_the_air"),
    [(8.5, 12, True), (9.0, 12, False), (9.0, 9, True), (30.0, 9, True)],
)
def test_a_foot_in_the_air_reads_one_load_within_a_quarter_of_the_contact_load(
    by_n, n_rows, in_the_air
):
    """Contact is 35 N, so the band is 8.75 N; of a swing phase's 40 rows ten may leave it."""
    block = lace(stand_and_walk(), 0.0, 40.0)
    for k in range(3):
        at = FIRST + 15 + 110 * k
        lace(block.slice(at, at + n_rows), 0.0, by_n)
    detector = StepDetector(setup())
    detector.push(block)
    assert any(air.foot is Foot.RIGHT for air in detector.airs) is in_the_air


LIGHT_BW_N = 245.0  # 25 kg: of these, 15 % are 37 N


def light_walk(n_steps: int = 6) -> PairBlock:
    """As `stand_and_walk`, by a player of 25 kg."""
    block = stand_and_walk(n_steps)
    for values in (block.left, block.right):
        values[:] *= LIGHT_BW_N / 700.0
    return block


@pytest.mark.parametrize(
    ("laced_n", "n"),
    [
        ((40.0, 40.0), 6),
        ((55.0, 55.0), 6),
        ((61.0, 61.0), 6),
        ((50.0, 61.0), 6),  # where one foot is over 60 N in the air, the other is not enough
        ((61.0, 50.0), 6),
        ((85.0, 85.0), 6),
        ((91.0, 91.0), 0),
    ],
)
def test_a_light_player_s_shoe_may_press_by_nearly_90_n(laced_n, n):
    detector = StepDetector(replace(setup(), bw_n=LIGHT_BW_N))
    assert len(run_whole(detector, [lace(light_walk(), *laced_n)])) == n


@pytest.mark.parametrize("laced_n", [40.0, 54.0, 57.0, 59.0, 61.0, 64.0, 80.0])
def test_a_swing_phase_of_a_light_player_teaches_once(laced_n):
    """About 60 N noise leads under that level and over it within one phase."""
    block = lace(light_walk(8), laced_n, laced_n)
    rng = np.random.default_rng(5)
    for values in (block.left, block.right):
        values[:, :4] += rng.normal(0.0, 0.8, (len(block), 4))
    detector = StepDetector(replace(setup(), bw_n=LIGHT_BW_N))
    assert len(run_whole(detector, [block])) == 8
    for foot in Foot:
        airs = [air for air in detector.airs if air.foot is foot]
        assert len(airs) == 4
        assert all(a.stop <= b.start for a, b in pairwise(airs))


@pytest.mark.parametrize(
    ("bw_n", "laced_n"), [(700.0, (90.0, 40.0)), (LIGHT_BW_N, (58.0, 50.0)), (LIGHT_BW_N, (59, 66))]
)
def test_cutting_changes_nothing_and_each_step_comes_with_the_row_that_confirms_it(bw_n, laced_n):
    rng = np.random.default_rng(3)
    block = stand_and_walk(8) if bw_n == 700.0 else light_walk(8)
    for k in range(4):  # a row under the contact load net of what presses, and over the air level
        press(block, Foot.LEFT, FIRST + 110 * k + 70, FIRST + 110 * k + 71, 25.0)
    lace(block, *laced_n)
    for values in (block.left, block.right):
        values[:, :4] += rng.normal(0.0, 1.0, (len(block), 4))
    block.left[rng.random(len(block)) < 0.01] = np.nan
    made = replace(setup(), bw_n=bw_n)
    whole_detector = StepDetector(made)
    whole = run_whole(whole_detector, [block])
    assert len(whole) == 8
    for edges in (range(len(block) + 1), [0, *sorted(rng.integers(1, len(block), 9)), len(block)]):
        detector = StepDetector(made)
        found: list[Event] = []
        for a, b in pairwise(edges):
            for step in detector.push(block.slice(a, b)):
                assert isinstance(step, Step)
                assert block.t_s[a] <= step.confirmed_s <= block.t_s[b - 1]
                found.append(step)
        assert found == whole
        for foot in Foot:  # each foot's own, in order; which foot's come first is of no matter
            assert [a for a in detector.airs if a.foot is foot] == [
                a for a in whole_detector.airs if a.foot is foot
            ]


def test_what_is_read_in_the_air_is_the_median_of_three_rows_or_more_but_for_the_midfoot_zones():
    values = np.arange(1.0, 4.0)[:, None] * np.ones(8)  # rows of 1, 2 and 3
    offset = air_offset(values)
    assert offset is not None
    zones = np.zeros(8, dtype=bool)
    zones[Column.MIDFOOT_ZONES] = True
    assert offset.tolist() == np.where(zones, 0.0, 2.0).tolist()
    missing = np.full((3, 8), np.nan)
    after = air_offset(np.vstack((missing, values)))
    assert after is not None
    assert after.tolist() == offset.tolist()
    assert air_offset(values[:2]) is None
    assert air_offset(np.vstack((missing, values[:2]))) is None


# ---- with players ----


def tight(seed: int) -> tuple[Player, SensorModel]:
    """A player of 25 to 45 kg in a shoe that presses by 15 to 40 N, drifting; no hysteresis.

    A shoe never presses by as much as 60 N here: over that no foot is taken to be in the air.
    """
    rng = np.random.default_rng([31, seed])
    player = replace(random_player(rng), mass_kg=float(rng.uniform(25.0, 45.0)))
    drift_n = float(rng.uniform(0.0, 8.0))
    sensor = SensorModel(
        gain_left=float(rng.uniform(0.75, 1.0)),
        gain_right=float(rng.uniform(0.75, 1.0)),
        gain_spread=0.03,
        hysteresis=0.0,
        drift_n=drift_n,
        lacing_n=float(rng.uniform(15.0, 40.0)),
        noise_kpa=float(rng.uniform(0.2, 0.8)),
        dead_kpa=float(rng.uniform(0.0, 1.0)),
        loss=0.01,
    )
    return player, sensor


@pytest.mark.dear
def test_every_step_of_short_walks_in_tight_shoes_is_found():
    tally = Tally()
    for seed in range(16):
        player, sensor = tight(seed)
        walks = (Walk(4), Stand(2.0), Walk(7), Stand(2.0))
        done = perform(player, SessionPlan((Stand(3.0), *walks)), (100.0, 200.0)[seed % 2], seed)
        tally.add(done, analyse_performance(done, sensor, seed), str(seed))
    # of a walk, the last stance and the strike that closes the feet end in standing
    assert tally.hits["step"] + tally.missed["step"] == 16 * (4 - 2 + 7 - 2)
    assert tally.f1("step") >= 0.995, tally.examples
    assert tally.quantile("strike", 0.95) <= 0.015 and tally.quantile("off", 0.95) <= 0.015


@pytest.mark.dear
def test_toe_off_is_timed_where_the_baseline_moves_in_the_stance():
    """Against what the players did: each, not one in twenty, within 15 ms."""
    errors_s: list[float] = []
    for seed in range(16):
        player, sensor = tight(seed)
        plan = SessionPlan((Stand(3.0), Walk(14), Stand(2.0), Walk(14)))
        done = perform(player, plan, (100.0, 200.0)[seed % 2], seed)
        events = analyse_performance(done, sensor, seed)
        offs = {
            foot: [e.off_s for e in events if isinstance(e, Step) and e.foot is foot]
            for foot in Foot
        }
        for truth in done.truth.steps:
            # the baseline moves at multiples of 5 s of the time line, which begins near 0
            if any(truth.strike_s < 5.0 * k < truth.off_s for k in range(1, 10)):
                errors_s.append(
                    min(abs(s - truth.off_s) for s in offs[truth.foot] if s is not None)
                )
    assert len(errors_s) >= 50
    assert max(errors_s) <= 0.015


@pytest.mark.dear
@pytest.mark.parametrize("seed", range(6))
def test_a_golfer_in_tight_shoes_takes_no_step_and_teaches_nothing(seed):
    """Lifted heels, waggles and re-placed feet are not walking."""
    player, sensor = tight(seed)
    swings = tuple(Swing(heel=habit) for habit in (HeelHabit.LIFTED, HeelHabit.LIGHT))
    plan = SessionPlan((Stand(3.0), Waggle(), *swings, Waggle(large=True), *swings, Shuffle()))
    done = perform(player, plan, RATE_HZ, seed)
    left, right = sensor.read(done, seed)
    made = setup_for(done.layout, RATE_HZ, done.truth.weight_n, player.lead)
    blocks = pair_rows(done.t_s, left, right, done.layout, RATE_HZ)
    assert not [e for e in analyse(made, blocks) if isinstance(e, Step)]
    analyser = Analyser(made)
    run_whole(analyser, blocks)
    assert [analyser.baseline(foot).set_s for foot in Foot] == [None, None]
