"""Steps from loads drawn by hand: exact rows, exact crossings, and what is no step."""

from dataclasses import replace

import numpy as np
import pytest

from plantigrade.analyser import run_whole
from plantigrade.block import N_COLUMNS, Column, FloatArray, Foot, PairBlock
from plantigrade.events import RegionTiming, Roll, Step
from plantigrade.limits import Limits, Setup, setup_for
from plantigrade.stance import classify_roll, measured_step
from plantigrade.steps import StepDetector
from plantigrade.zones import eighteen

RATE_HZ = 100.0
BW_N = 700.0
CONTACT_N = 35.0  # 5 % BW, over 20 N


def setup(**changes) -> Setup:
    made = setup_for(eighteen(), RATE_HZ, BW_N, Foot.LEFT, Limits(**changes))
    return replace(made, floor_n=np.full(4, 4.0))


def rows(n: int) -> PairBlock:
    zeros = np.zeros((n, 8))
    return PairBlock(0, np.arange(n) / RATE_HZ, zeros, zeros.copy())


def press(
    block: PairBlock,
    foot: Foot,
    start: int,
    stop: int,
    load_n: float = 700.0,
    shares: tuple[float, ...] = (0.3, 0.1, 0.5, 0.1),
) -> None:
    """Steady load on rows start…stop−1."""
    values = block.foot(foot)
    values[start:stop, :4] = load_n * np.array(shares)
    y = np.array(shares) @ [0.1, 0.4, 0.7, 0.85]
    values[start:stop, Column.MOMENT_X] = 0.5 * load_n
    values[start:stop, Column.MOMENT_Y] = load_n * y


def walk(n_steps: int = 6, start: int = 50, stance: int = 70, step: int = 55) -> PairBlock:
    """Left, right, left …: stance of 0.7 s every 0.55 s, so 0.15 s of double support."""
    block = rows(start + n_steps * step + stance + 50)
    for k in range(n_steps):
        at = start + k * step
        press(block, (Foot.LEFT, Foot.RIGHT)[k % 2], at, at + stance)
    return block


def steps(block: PairBlock, made: Setup | None = None) -> list[Step]:
    found = run_whole(StepDetector(made or setup()), [block])
    assert all(isinstance(e, Step) for e in found)
    return [e for e in found if isinstance(e, Step)]


def spans(block: PairBlock, made: Setup | None = None) -> list[tuple[str, int]]:
    return [(s.foot.value, s.first_index) for s in steps(block, made)]


def test_rows_that_come_one_by_one_give_the_same_steps():
    block, detector = walk(), StepDetector(setup())
    found = [e for k in range(len(block)) for e in detector.push(block.slice(k, k + 1))]
    assert len(found) == 6 and [*found, *detector.flush()] == steps(block)


# ---- times ----


def test_strike_and_toe_off_are_interpolated_crossings_of_the_contact_load():
    found = steps(walk(2))
    rise = 1.0 - CONTACT_N / 700.0  # a ramp from 0 to 700 N in one row: where it passes 35 N
    for step, at in zip(found, (50, 105), strict=True):
        assert step.strike_s == pytest.approx((at - rise) / RATE_HZ, abs=1e-12)
        assert step.off_s == pytest.approx((at + 69 + rise) / RATE_HZ, abs=1e-12)
        assert step.stance_s == pytest.approx(0.69 + 2 * rise / RATE_HZ, abs=1e-12)
        assert step.threshold_n == CONTACT_N
        assert step.first_index == at
        # five rows under the contact load: the first is the row after toe-off
        assert step.confirmed_s == pytest.approx((at + 70 + 4) / RATE_HZ)
        assert not step.touches_gap


def test_light_players_have_a_contact_load_of_20_n():
    made = replace(setup(), bw_n=250.0)
    block = rows(300)
    press(block, Foot.LEFT, 100, 170, 250.0)
    (step,) = steps(block, made)
    assert step.threshold_n == 20.0


def test_feet_alternate():
    assert spans(walk(5)) == [
        ("left", 50),
        ("right", 105),
        ("left", 160),
        ("right", 215),
        ("left", 270),
    ]


@pytest.mark.parametrize(("dip", "whole"), [(1, True), (4, True), (5, False), (8, False)])
def test_gaps_under_50_ms_are_bridged(dip, whole):
    block = walk(1)
    block.left[80 : 80 + dip] = 0.0
    found = spans(block)
    assert found == ([("left", 50)] if whole else [("left", 50), ("left", 80 + dip)])


@pytest.mark.parametrize(
    ("stance", "is_step"), [(14, False), (15, True), (70, True), (149, True), (150, False)]
)
def test_contacts_under_150_ms_and_over_1_5_s_are_dropped(stance, is_step):
    """A contact of n rows lasts n − 1 rows and the two crossings beside, 0.95 each."""
    block = rows(400)
    press(block, Foot.LEFT, 100, 100 + stance)
    assert len(steps(block)) == is_step


@pytest.mark.parametrize(("n", "is_step"), [(14, False), (15, True), (150, True), (151, False)])
def test_a_contact_of_just_150_ms_or_1_5_s_is_one(n, is_step):
    """From 0 to 70 N and back the contact load of 35 N is passed in the middle between rows."""
    block = rows(400)
    press(block, Foot.LEFT, 100, 100 + n)
    block.left[[100, 99 + n], :6] *= 0.1
    assert len(steps(block)) == is_step


# ---- what is no step ----


def test_standing_is_no_step():
    block = rows(1000)
    for foot in Foot:
        press(block, foot, 0, 1000, 350.0)
    assert steps(block) == []


def test_shifting_weight_with_both_feet_down_is_no_step():
    block = rows(600)
    for foot in Foot:
        press(block, foot, 0, 600, 350.0)
    press(block, Foot.LEFT, 200, 300, 640.0)
    press(block, Foot.RIGHT, 200, 300, 60.0)
    assert steps(block) == []


def test_a_one_leg_stand_is_no_step():
    block = rows(1000)
    press(block, Foot.LEFT, 0, 1000)
    press(block, Foot.RIGHT, 0, 300, 350.0)
    press(block, Foot.RIGHT, 800, 1000, 350.0)
    assert steps(block) == []


def test_a_contact_that_carries_under_half_of_the_body_is_no_step():
    block = rows(300)
    press(block, Foot.LEFT, 100, 170, 349.0)
    assert steps(block) == []
    press(block, Foot.LEFT, 100, 170, 351.0)
    assert len(steps(block)) == 1


@pytest.mark.parametrize(("off_rows", "is_step"), [(17, False), (18, True), (30, True)])
def test_the_other_foot_swings_through_for_a_quarter_of_the_stance(off_rows, is_step):
    block = rows(400)
    press(block, Foot.RIGHT, 0, 400, 60.0)
    block.right[120 : 120 + off_rows] = 0.0
    press(block, Foot.LEFT, 100, 170)
    assert len([s for s in steps(block) if s.foot is Foot.LEFT]) == is_step


@pytest.mark.parametrize(("off_rows", "is_step"), [(9, False), (10, True)])
def test_during_a_short_contact_the_other_foot_is_off_for_a_tenth_of_a_second(off_rows, is_step):
    """Of 0.2 s a quarter would be half of that."""
    block = rows(400)
    press(block, Foot.RIGHT, 0, 400, 60.0)
    block.right[105 : 105 + off_rows] = 0.0
    press(block, Foot.LEFT, 100, 120)
    assert len([s for s in steps(block) if s.foot is Foot.LEFT]) == is_step


def test_a_contact_begun_before_the_record_or_open_at_its_end_is_no_step():
    block = walk(2)
    late = PairBlock(60, block.t_s[60:], block.left[60:], block.right[60:])
    assert [s.foot for s in steps(late)] == [Foot.RIGHT]
    early = PairBlock(0, block.t_s[:170], block.left[:170], block.right[:170])
    assert [s.foot for s in steps(early)] == [Foot.LEFT]


# ---- gaps ----


def test_a_stance_of_hardly_any_load_has_no_cop():
    """Under the least load there is none, at no time of the stance."""
    step = steps(walk(2))[0]
    assert step.strike_s is not None and step.stance_s is not None
    t_s = step.strike_s + np.linspace(0.0, step.stance_s, 66)
    found = measured_step(step, t_s, np.full((66, N_COLUMNS), 0.1), setup())
    assert found.cop_y == (None,) * 19


def test_a_hole_inside_a_stance_leaves_its_times_and_takes_its_measures():
    block = walk(2)
    block.left[80:90] = np.nan
    step = steps(block)[0]
    assert step.touches_gap and step.strike_s is not None and step.off_s is not None
    assert step.roll is Roll.UNCLEAR
    assert step.midfoot_impulse_share is None and set(step.cop_y) == {None}
    whole = steps(walk(2))[0]
    assert (step.strike_s, step.off_s) == (whole.strike_s, whole.off_s)


@pytest.mark.parametrize(
    ("hole", "known"), [(slice(45, 52), "off_s"), (slice(118, 122), "strike_s")]
)
def test_a_hole_over_a_crossing_hides_it(hole, known):
    block = walk(2)
    block.left[hole] = np.nan
    step = steps(block)[0]
    unknown = "strike_s" if known == "off_s" else "off_s"
    assert getattr(step, unknown) is None and getattr(step, known) is not None
    assert step.stance_s is None and step.touches_gap and step.roll is Roll.UNCLEAR


def test_a_hole_in_the_other_foot_s_swing_makes_no_step_of_standing():
    block = rows(500)
    for foot in Foot:
        press(block, foot, 0, 500, 350.0)
    block.right[200:260] = np.nan
    assert steps(block) == []


def test_a_hole_over_half_a_second_begins_afresh():
    block = walk(4)
    block.left[90:142] = np.nan
    found = spans(block)
    assert ("left", 50) not in found
    assert ("right", 105) in found and ("right", 215) in found


# ---- swing phases for the baseline ----


def test_a_confirmed_step_tells_the_swing_phase_before_it():
    detector = StepDetector(setup())
    detector.push(walk(4))
    assert [(a.foot, a.start, a.stop) for a in detector.airs] == [
        (Foot.LEFT, 120, 160),
        (Foot.RIGHT, 175, 215),
    ]


@pytest.mark.parametrize(
    ("pause", "is_swing"), [(15, False), (19, False), (21, True), (99, True), (101, False)]
)
def test_short_and_long_swing_phases_tell_nothing(pause, is_swing):
    """Under 0.2 s or over 1 s off the ground is no walking swing phase; `pause` in rows, 100 Hz."""
    block = rows(800)
    press(block, Foot.LEFT, 100, 160)
    start = 160 + pause
    press(block, Foot.LEFT, start, start + 60)
    detector = StepDetector(setup())
    assert len(detector.push(block)) == 2
    assert len(detector.airs) == is_swing


# ---- measures of a stance ----


def rolling_walk(heel_to: int = 30, midfoot: float = 0.1) -> PairBlock:
    """Load on the heel, then the ball, with a steady midfoot share; rows 50…119 left."""
    block = walk(2)
    for at, foot in ((50, Foot.LEFT), (105, Foot.RIGHT)):
        press(block, foot, at, at + heel_to, shares=(1.0 - midfoot, midfoot, 0.0, 0.0))
        press(block, foot, at + heel_to, at + 70, shares=(0.0, midfoot, 1.0 - midfoot, 0.0))
    return block


def test_onset_end_and_centre_of_each_region():
    step = steps(rolling_walk())[0]
    assert step.strike_s is not None and step.stance_s is not None

    def pct(row: float) -> float:
        assert step.strike_s is not None and step.stance_s is not None
        return 100.0 * (row / RATE_HZ - step.strike_s) / step.stance_s

    assert step.heel.onset_pct == pytest.approx(pct(50))
    assert step.heel.end_pct == pytest.approx(pct(79))
    assert step.heel_off_pct == step.heel.end_pct
    assert step.heel.centre_pct == pytest.approx(pct(64.5))
    assert step.midfoot.centre_pct == pytest.approx(pct(84.5))
    assert step.forefoot.onset_pct == pytest.approx(pct(80))
    assert step.forefoot.end_pct == pytest.approx(pct(119))
    assert step.forefoot.centre_pct == pytest.approx(pct(99.5))
    assert step.toes == RegionTiming(None, None, None, 0.0)
    assert step.midfoot_impulse_share == pytest.approx(0.1)
    assert step.heel.impulse_share == pytest.approx(0.9 * 30 / 70)
    assert step.roll is Roll.THROUGH


def test_cop_y_is_read_at_every_twentieth_of_the_stance():
    step = steps(rolling_walk())[0]
    early, late = 0.9 * 0.1 + 0.1 * 0.4, 0.9 * 0.7 + 0.1 * 0.4
    assert len(step.cop_y) == 19
    assert step.cop_y[:8] == pytest.approx([early] * 8)
    assert step.cop_y[8:] == pytest.approx([late] * 11)


@pytest.mark.parametrize(
    ("share", "expected"),
    [
        (0.0249, Roll.SKIPPED),
        (0.0251, Roll.UNCLEAR),
        (0.0499, Roll.UNCLEAR),
        (0.0501, Roll.THROUGH),
        (0.25, Roll.THROUGH),
        (0.0, Roll.SKIPPED),
    ],
)
def test_roll_by_the_midfoot_s_impulse(share, expected):
    assert steps(rolling_walk(midfoot=share))[0].roll is expected


def test_roll_needs_the_centre_times_in_order():
    timing = [RegionTiming(0.0, 60.0, c, 0.3) for c in (30.0, 50.0, 70.0, 90.0)]
    made = setup()
    assert classify_roll(0.2, timing, made) is Roll.THROUGH
    assert classify_roll(0.2, [timing[1], timing[0], *timing[2:]], made) is Roll.UNCLEAR
    assert classify_roll(0.2, [timing[0], timing[0], *timing[2:]], made) is Roll.UNCLEAR
    assert classify_roll(0.01, [timing[2], timing[1], *timing[2:]], made) is Roll.SKIPPED
    assert classify_roll(None, timing, made) is Roll.UNCLEAR


def hump(depth: float) -> FloatArray:
    """A stance of 70 rows: peaks of 800 N at rows 17 and 52, a valley between."""
    at = [0, 17, 35, 52, 69]
    load: FloatArray = np.interp(np.arange(70), at, [60.0, 800.0, 800.0 * (1 - depth), 800.0, 60.0])
    return load


def test_peaks_and_valley():
    block = walk(2)
    block.left[50:120, :4] = hump(0.25)[:, None] * [0.3, 0.1, 0.5, 0.1]
    step = steps(block)[0]
    assert (step.peak1_n, step.valley_n, step.peak2_n) == pytest.approx((800.0, 600.0, 800.0))
    assert step.peak1_pct == pytest.approx(100.0 * 17.5 / 70.5, abs=1.0)
    assert step.valley_pct == pytest.approx(50.0, abs=1.5)
    assert step.peak2_pct == pytest.approx(100.0 * 52.5 / 70.5, abs=1.0)


@pytest.mark.parametrize(("depth", "double"), [(0.019, False), (0.021, True)])
def test_a_shallow_valley_is_no_double_hump(depth, double):
    block = walk(2)
    block.left[50:120, :4] = hump(depth)[:, None] * [0.3, 0.1, 0.5, 0.1]
    assert (steps(block)[0].valley_n is not None) is double


@pytest.mark.parametrize(("last_n", "is_step"), [(64.0, False), (77.0, True)])
def test_a_contact_that_begins_in_a_hole_is_taken_to_begin_half_a_sample_before_it_is_seen(
    last_n, is_step
):
    """Fifteen rows: 150 ms where it ends half a sample after the last one, or later.

    By hand: from 64 N the load comes down to 35 N in .45 of a sample, from 77 N in .55.
    """
    block = walk(2)
    block.left[:, :6] = 0.0
    press(block, Foot.LEFT, 60, 75)
    block.left[74, :6] *= last_n / 700.0
    block.left[55:60] = np.nan
    assert (("left", 60) in spans(block)) is is_step


@pytest.mark.parametrize(("first_n", "is_step"), [(64.0, False), (77.0, True)])
def test_a_contact_that_ends_in_a_hole_is_taken_to_end_half_a_sample_before_it_is_seen_off(
    first_n, is_step
):
    """The same turned round: rows 60 to 71, and a hole of three up to the first row off."""
    block = walk(2)
    block.left[:, :6] = 0.0
    press(block, Foot.LEFT, 60, 72)
    block.left[60, :6] *= first_n / 700.0
    block.left[72:75] = np.nan
    assert (("left", 60) in spans(block)) is is_step
