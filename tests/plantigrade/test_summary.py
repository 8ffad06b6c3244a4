"""Summaries of walks and sets whose every number is known."""

import random
from dataclasses import replace

import pytest

from plantigrade.block import Foot
from plantigrade.events import (
    HeelLift,
    HeelLiftState,
    Manner,
    Push,
    RegionTiming,
    Roll,
    Step,
    Swing,
    Timing,
)
from plantigrade.stat import Stat
from plantigrade.summary import bouts_of, summarise_swings, summarise_walk


def region(centre: float | None) -> RegionTiming:
    return RegionTiming(0.0, 100.0, centre, 0.3)


def step(
    foot: Foot, strike_s: float | None, off_s: float | None, roll: Roll = Roll.THROUGH
) -> Step:
    stance_s = None if strike_s is None or off_s is None else off_s - strike_s
    begin = strike_s if strike_s is not None else (off_s or 0.0) - 0.6
    return Step(
        foot=foot,
        strike_s=strike_s,
        off_s=off_s,
        stance_s=stance_s,
        roll=roll,
        midfoot_impulse_share=0.08 if foot is Foot.LEFT else 0.10,
        heel=region(30.0),
        midfoot=region(45.0),
        forefoot=region(65.0),
        toes=region(None),
        heel_off_pct=60.0,
        peak1_n=None,
        valley_n=None,
        peak2_n=None,
        peak1_pct=None,
        valley_pct=None,
        peak2_pct=None,
        cop_y=(None,) * 19,
        threshold_n=35.0,
        touches_gap=stance_s is None,
        first_index=round(begin * 100),
        confirmed_s=begin + 0.7,
    )


def walk(n: int, start_s: float = 0.0) -> list[Step]:
    """A limp: left stance .66 s, right .60 s; left → right .50 s, right → left .56 s."""
    steps = []
    for k in range(n):
        stride_s = start_s + 1.06 * (k // 2)
        if k % 2 == 0:
            steps.append(step(Foot.LEFT, stride_s, stride_s + 0.66))
        else:
            steps.append(step(Foot.RIGHT, stride_s + 0.50, stride_s + 1.10))
    return steps


def same(stat: Stat, count: int, mean: float, sd: float | None = 0.0) -> None:
    assert stat.count == count
    assert stat.mean == pytest.approx(mean, rel=1e-9)
    assert stat.sd == (None if sd is None else pytest.approx(sd, abs=1e-9))


def test_a_walk_with_a_limp():
    got = summarise_walk(walk(10))
    assert (got.steps, got.bouts) == (10, 1)
    same(got.cadence_per_min, 8, 120 / 1.06)
    same(got.stride_s, 8, 1.06)
    # .16 s after right strikes, .04 s after left strikes: five and four of them
    both = [0.16] * 5 + [0.04] * 4
    mean = sum(both) / 9
    same(got.double_support_s, 9, mean, (sum((x - mean) ** 2 for x in both) / 8) ** 0.5)
    same(got.double_support_pct, 8, 100 * 0.10 / 1.06, 100 * 0.06 / 1.06 * (8 / 7) ** 0.5)
    same(got.stance_asymmetry_pct, 4, 200 * 0.06 / 1.26)
    same(got.step_asymmetry_pct, 4, 200 * 0.06 / 1.06)
    assert (got.left.steps, got.right.steps) == (5, 5)
    same(got.left.stance_s, 5, 0.66)
    same(got.right.stance_s, 5, 0.60)
    same(got.left.stance_pct, 4, 100 * 0.66 / 1.06)
    same(got.right.stance_pct, 4, 100 * 0.60 / 1.06)
    same(got.left.step_s, 4, 0.56)
    same(got.right.step_s, 5, 0.50)
    same(got.left.midfoot_impulse_share, 5, 0.08)
    same(got.left.heel_centre_pct, 5, 30.0)
    same(got.left.midfoot_centre_pct, 5, 45.0)
    same(got.left.forefoot_centre_pct, 5, 65.0)
    same(got.left.heel_off_pct, 5, 60.0)
    assert got.left.toes_centre_pct == Stat(0, None, None)


def test_short_quick_steps_are_as_unlike_as_long_slow_ones():
    """The same limp in half the time."""
    quick = [
        step(one.foot, 0.5 * one.strike_s, 0.5 * one.off_s)
        for one in walk(10)
        if one.strike_s is not None and one.off_s is not None
    ]
    got = summarise_walk(quick)
    same(got.stance_asymmetry_pct, 4, 200 * 0.06 / 1.26)
    same(got.step_asymmetry_pct, 4, 200 * 0.06 / 1.06)


def test_stance_share_of_published_steps():
    """Steps of an open walk, 20 N (COMPUTED from BMClab/BMC data/walk1.forces, CC BY 4.0).

    Contacts at .213, .762, 1.316, 1.860 s, double supports .098, .087, .093 s: strides of 1.102
    and 1.098 s, stances of 58.7 and 58.3 %.
    """
    strikes, doubles = [0.213, 0.762, 1.316, 1.860], [0.098, 0.087, 0.093]
    offs = [strikes[k + 1] + doubles[k] for k in range(3)] + [2.5]
    feet = [Foot.LEFT, Foot.RIGHT] * 2
    got = summarise_walk(map(step, feet, strikes, offs))
    same(got.stride_s, 2, 1.1005, abs(1.103 - 1.098) / 2**0.5)
    assert got.left.stance_pct.mean == pytest.approx(58.7, abs=0.1)
    assert got.right.stance_pct.mean == pytest.approx(58.3, abs=0.1)
    same(got.double_support_s, 3, sum(doubles) / 3, 0.0055075705)


def test_bouts_are_split_where_steps_do_not_follow():
    first, second = walk(6), walk(4, start_s=20.0)
    steps = first + second
    random.Random(1).shuffle(steps)
    assert bouts_of(steps) == (tuple(first), tuple(second))
    got = summarise_walk(steps)
    assert (got.steps, got.bouts) == (10, 2)
    same(got.stride_s, 4 + 2, 1.06)  # none spans the pause
    same(got.right.step_s, 3 + 2, 0.50)
    assert got == summarise_walk(first + second)


def test_a_missed_step_makes_no_stride():
    steps = walk(8)
    del steps[3]  # left right left · left right left right
    got = summarise_walk(steps)
    assert (got.steps, got.bouts) == (7, 1)
    same(got.stride_s, 3, 1.06)
    same(got.left.stance_pct, 2, 100 * 0.66 / 1.06)


def test_hidden_crossings_are_left_out():
    steps = walk(8)
    steps[3] = step(Foot.RIGHT, None, steps[3].off_s, Roll.UNCLEAR)
    steps[6] = step(Foot.LEFT, steps[6].strike_s, None, Roll.UNCLEAR)
    got = summarise_walk(steps)
    assert (got.steps, got.bouts) == (8, 1)
    assert (got.left.stance_s.count, got.right.stance_s.count) == (3, 3)
    same(got.stride_s, 3, 1.06)
    assert got.double_support_pct.count == 3
    assert got.left.rolls[Roll.UNCLEAR].count == 1


def test_rolls_are_counted_with_their_intervals():
    steps = [replace(s, roll=Roll.SKIPPED) if k in (0, 2, 3) else s for k, s in enumerate(walk(8))]
    got = summarise_walk(steps)
    assert {r: p.count for r, p in got.left.rolls.items()} == {
        Roll.THROUGH: 2,
        Roll.SKIPPED: 2,
        Roll.UNCLEAR: 0,
    }
    skipped = got.right.rolls[Roll.SKIPPED]
    assert (skipped.count, skipped.n, skipped.share) == (1, 4, 0.25)
    assert skipped.low is not None and 0 < skipped.low < 0.25


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_steps_have_no_stride(n):
    got = summarise_walk(walk(n))
    assert (got.steps, got.bouts) == (n, min(n, 1))
    assert got.cadence_per_min == got.left.stance_pct == Stat(0, None, None)
    assert got.double_support_s.count == max(0, n - 1)
    assert got.left.rolls[Roll.THROUGH].n == got.left.steps


def swing(
    tempo: float | None,
    manner: Manner,
    timing: Timing,
    lift_s: float | None,
    transfer_s: float = 0.10,
) -> Swing:
    push = Push(
        manner=manner,
        timing=timing,
        heel_leave_s=1.30,
        fore_take_s=1.40,
        transfer_s=transfer_s if manner is not Manner.UNCLEAR else None,
        transfer_of_shift=4.0 * transfer_s if manner is not Manner.UNCLEAR else None,
        load_at_fore_take=0.7,
        travel_from=0.2,
        travel_to=0.8,
        midfoot_over_floor=True,
        toes_over_floor=None,
        medial_share_trail_peak=0.5,
        medial_share_fore_take=0.6,
        cop_x_trail_peak=0.5,
        cop_x_fore_take=0.4,
        path_t_s=(),
        path_y=(),
        end_s=1.6,
    )
    lift = HeelLift(
        state=HeelLiftState.DOWN if lift_s is None else HeelLiftState.LIFTED,
        lift_s=None if lift_s is None else 0.8,
        return_s=None if lift_s is None else 0.8 + lift_s,
        duration_s=lift_s,
        return_after_level_s=None if lift_s is None else -0.02,
        lowest_load_bw=0.01,
        limit_n=20.0,
    )
    return Swing(
        lead=Foot.LEFT,
        address_s=0.0,
        start_s=0.5,
        trail_peak_s=None if tempo is None else 1.25,
        trail_peak_width_s=0.05,
        shift_s=1.28,
        lead_peak_s=1.50,
        finish_s=2.5,
        finish_manner="settled",
        load_tempo=tempo,
        address_share=0.5,
        lowest_share=0.2,
        highest_share=0.9,
        share_range=0.7,
        lead_peak_bw=1.2,
        trail_return_share=0.3 if tempo == 3.0 else None,
        heel_lift=lift,
        push=push,
        lead_cop_travel=0.3,
        trail_cop_travel=0.6,
        touches_gap=tempo is None,
        first_index=50,
        confirmed_s=2.6,
    )


def test_a_set_of_swings():
    swings = [
        swing(3.0, Manner.ROLLED, Timing.WITH_SHIFT, 0.40),
        swing(2.0, Manner.ROLLED, Timing.EARLY, 0.50),
        swing(4.0, Manner.SKIPPED, Timing.WITH_SHIFT, None, transfer_s=0.02),
        swing(None, Manner.UNCLEAR, Timing.UNCLEAR, None),
    ]
    got = summarise_swings(swings)
    assert (got.swings, got.with_gaps) == (4, 1)
    assert {m: p.count for m, p in got.manners.items()} == {
        Manner.ROLLED: 2,
        Manner.SKIPPED: 1,
        Manner.HELD: 0,
        Manner.UNCLEAR: 1,
    }
    assert {t: p.count for t, p in got.timings.items()} == {
        Timing.EARLY: 1,
        Timing.WITH_SHIFT: 2,
        Timing.UNCLEAR: 1,
    }
    assert got.manners[Manner.ROLLED].share == 0.5
    assert got.heel_lifts[HeelLiftState.LIFTED].count == 2
    same(got.load_tempo, 3, 3.0, 1.0)
    same(got.start_to_trail_peak_s, 3, 0.75)
    same(got.trail_peak_to_lead_peak_s, 3, 0.25)
    same(got.shift_to_lead_peak_s, 4, 0.22)
    same(got.transfer_s, 2, 0.10)
    same(got.transfer_of_shift, 2, 0.4)
    assert got.transfer_median_s == 0.10
    same(got.push_travel, 4, 0.6)
    same(got.heel_lift_s, 2, 0.45, 0.05 * 2**0.5)
    same(got.heel_return_after_level_s, 2, -0.02)
    same(got.heel_lowest_load_bw, 4, 0.01)
    same(got.trail_return_share, 1, 0.3, None)
    same(got.share_range, 4, 0.7)
    same(got.lead_peak_bw, 4, 1.2)


def test_transfer_is_averaged_over_rolled_pushes_alone():
    """Each kind of swing apart: a mean over rolled and skipped ones describes neither."""
    rolled = [swing(3.0, Manner.ROLLED, Timing.EARLY, None, transfer_s=t) for t in (0.1, 0.2, 0.6)]
    others = [
        swing(3.0, manner, Timing.EARLY, None, transfer_s=0.01)
        for manner in (Manner.SKIPPED, Manner.HELD)
    ]
    got = summarise_swings([*others, *rolled])
    same(got.transfer_s, 3, 0.3, 0.07**0.5)
    same(got.transfer_of_shift, 3, 1.2, 4 * 0.07**0.5)
    assert got.transfer_median_s == 0.2
    assert summarise_swings(others).transfer_median_s is None
    assert summarise_swings(others).transfer_s == Stat(0, None, None)


def test_what_a_set_s_pushes_and_feet_come_to():
    """Of three good pushes one cannot be told: it is left out of the proportion, and not missed."""
    plain = swing(3.0, Manner.ROLLED, Timing.WITH_SHIFT, None)

    def one(good: bool | None, share: float | None, travel: float | None) -> Swing:
        push = replace(
            plain.push,
            is_good=good,
            from_heel=True,
            heel_loaded=None if share is None else share >= 0.5,
            heel_share_address=0.4,
            heel_share_trail_peak=share,
            midfoot_impulse_share=0.08,
        )
        return replace(
            plain,
            push=push,
            both_cop_travel=travel,
            trail_peak_bw=0.8,
            lead_rise_bw_s=2.5,
            lead_heel_share_address=0.55,
        )

    got = summarise_swings([one(True, 0.7, 0.1), one(False, 0.3, 0.2), one(None, None, None)])
    assert (got.good_pushes.count, got.good_pushes.n) == (1, 2)
    assert (got.trail_heels.count, got.trail_heels.n) == (1, 2)
    assert (got.pushes_from_heel.count, got.pushes_from_heel.n) == (3, 3)
    same(got.heel_share_trail_peak, 2, 0.5, 0.08**0.5)
    same(got.heel_share_address, 3, 0.4)
    same(got.both_cop_travel, 2, 0.15, 0.005**0.5)
    same(got.midfoot_impulse_share, 3, 0.08)
    same(got.trail_peak_bw, 3, 0.8)
    same(got.lead_rise_bw_s, 3, 2.5)
    same(got.lead_heel_share_address, 3, 0.55)
    same(got.push_from, 3, 0.2)


def test_an_empty_set():
    got = summarise_swings([])
    assert (got.swings, got.load_tempo) == (0, Stat(0, None, None))
    assert got.manners[Manner.ROLLED].share is None
