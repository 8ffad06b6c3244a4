"""Which steps of a prompted walk count, and walks that are refused by whoever walks them."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.checking import RATE_HZ, analysed, check_of, feet_of
from tests.support.records import step

from plantigrade.block import Foot
from plantigrade.events import Step
from plantigrade.synth import Player, Segment, SensorModel, SessionPlan, Stand, Walk, perform
from plantigrade_gateway.analysis.result import Analysis, Trial
from plantigrade_gateway.check.verdict import Verdict, Why
from plantigrade_gateway.check.walk import judge_walk, straight_steps, straights_of

WALK = ("walk", 0.1, 500.0)


def walked(*segments: Segment, player: Player | None = None, seed: int = 1) -> Verdict:
    found = check_of(player or Player(), segments, [WALK], seed=seed)
    return judge_walk(found.trials[0], found)


def paced(stride_s: list[float], first: Foot = Foot.LEFT) -> tuple[Step, ...]:
    """Steps whose strikes lie half a stride apart."""
    at_s, foot, found = 10.0, first, []
    for each in stride_s:
        made = step(round(100 * at_s), foot)
        found.append(replace(made, strike_s=at_s, off_s=at_s + 0.6, touches_gap=False))
        at_s, foot = at_s + 0.5 * each, foot.other
    return tuple(found)


def straights(steps: tuple[Step, ...]) -> list[int]:
    return [len(run) for run in straights_of(Trial("walk", 1, 0.0, 100.0), steps)]


def test_the_first_and_last_step_are_left_out_and_short_straights_do_not_count():
    """By hand: 8 steps leave 6, 7 leave 5."""
    assert straights(paced([1.0] * 8)) == [6]
    assert straights(paced([1.0] * 7)) == []


def test_a_turn_is_left_out():
    """30 steps; the strides with both of the two slow steps in are over 10 %, those with one not.

    Step times .5 s, two of .6 s after step 15: strides 1.2 and two of 1.1 s. Worked by hand: only
    the stride from step 14 is over (15 in steps numbered from 0: 14, 15, 16 are left out).
    """
    times = [1.0] * 30
    times[14] = times[15] = 1.19
    assert straights(paced(times)) == [13, 12]


def test_the_straight_steps_of_each_foot_are_counted():
    """27 steps that begin with the left leave 25, the second to the last but one: 13 right."""
    found = Analysis("x", RATE_HZ, 100.0, (), paced([1.0] * 27), (), (), None)
    verdict = judge_walk(Trial("walk", 1, 0.0, 100.0), found)
    assert verdict.is_taken and verdict.line == "12 straight steps left, 13 right."


def test_steps_that_touch_a_gap_are_left_out():
    steps = list(paced([1.0] * 20))
    steps[10] = replace(steps[10], touches_gap=True)
    assert straights(tuple(steps)) == [9, 8]


def test_a_step_that_was_not_seen_cuts_a_straight():
    steps = list(paced([1.0] * 20))
    del steps[10]
    assert straights(tuple(steps)) == [9, 8]


def test_steps_outside_the_trial_do_not_count():
    steps = paced([1.0] * 40)
    trial = Trial("walk", 1, 20.0, 100.0)
    (run,) = straights_of(trial, steps)
    assert run[0].strike_s == pytest.approx(20.5)
    found = Analysis("by hand", 100.0, 60.0, (), steps, (), (), None, trials=(trial,))
    assert judge_walk(trial, found).count == 9
    assert straight_steps(found) == ()


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.dear
def test_two_lengths_with_turns_are_taken_and_the_turns_left_out(seed):
    player, plan = Player(), [Walk(26, turn_after=11), Walk(26, turn_after=12)]
    found = check_of(player, plan, [WALK], seed=seed)
    verdict = judge_walk(found.trials[0], found)
    assert verdict.is_taken and verdict.count >= 12
    truth = perform(player, SessionPlan(tuple(plan)), RATE_HZ, seed).truth.steps
    counted = straight_steps(found)
    turning = [t for t in truth if t.turning]
    inside = [
        t
        for t in turning
        for s in counted
        if s.foot is t.foot and s.strike_s is not None and abs(s.strike_s - t.strike_s) < 0.1
    ]
    assert len(turning) >= 6
    assert len(inside) <= len(turning) // 4  # a turn's first or last step is hardly slower


@pytest.mark.dear
def test_one_who_hardly_walks_is_refused():
    verdict = walked(Walk(14))
    assert verdict.why is Why.FEW_STEPS
    assert "of 12 straight steps of the" in verdict.line and "8 steps straight on" in verdict.line


@pytest.mark.dear
def test_one_who_turns_all_the_time_is_refused():
    verdict = walked(*[Walk(7)] * 6)
    assert verdict.why is Why.FEW_STEPS and verdict.count == 0


def test_one_who_stands_is_refused():
    assert walked(Stand(20.0)).why is Why.EMPTY


@pytest.mark.dear
def test_one_who_changes_pace_is_refused():
    verdict = walked(Walk(14, 0.9), Walk(14, 1.7), Walk(14, 1.2))
    assert verdict.why is Why.PACE
    assert "one pace" in verdict.line


@pytest.mark.dear
def test_one_whose_insoles_fall_silent_is_refused():
    player = Player()
    t_s, left, right = feet_of(player, [Walk(40)], SensorModel())
    for at in range(0, len(t_s), 60):
        left[at : at + 10] = np.nan
    found = analysed(player, t_s, left, right, [WALK])
    assert judge_walk(found.trials[0], found).why is Why.GAP


@pytest.mark.parametrize(
    ("usual_s", "part", "lengths"),
    [(1.0, 1.11, [14, 11]), (1.0, 1.09, [28]), (1.25, 1.09, [28]), (0.8, 0.89, [14, 11])],
)
def test_a_stride_is_a_turn_s_beyond_a_tenth_of_the_usual_one(usual_s, part, lengths):
    """Two steps alike make one stride that is longer by all of it, and two by half; by hand.

    Of 30 steps the first and the last are left out, and the three of the stride from step 15 on.
    """
    times = [usual_s] * 30
    times[15] = times[16] = part * usual_s
    assert straights(paced(times)) == lengths


def test_the_last_stride_of_a_bout_is_held_against_the_others_too():
    """Steps 26 to 28, of 0 to 29, make it: 15 % longer; by hand."""
    times = [1.0] * 30
    times[27] = 1.3
    assert straights(paced(times)) == [25]


def judged(steps: tuple[Step, ...]) -> Verdict:
    trial = Trial("walk", 1, 0.0, 100.0)
    return judge_walk(trial, Analysis("by hand", 100.0, 60.0, (), steps, (), (), None))


@pytest.mark.parametrize(("steps", "why", "count"), [(26, None, 12), (25, Why.FEW_STEPS, 11)])
def test_twelve_straight_steps_of_each_foot_are_enough(steps, why, count):
    verdict = judged(paced([1.0] * steps))
    assert (verdict.why, verdict.count) == (why, count)
    if why is None:
        assert verdict.line == "12 straight steps left, 12 right."
    else:
        assert verdict.line.startswith("11 of 12 straight steps of the ")
        assert verdict.line.endswith("Walk at least 8 steps straight on before each turn.")


@pytest.mark.parametrize(("gaps", "why"), [(5, Why.FEW_STEPS), (6, Why.GAP)])
def test_gaps_in_over_a_quarter_of_the_steps_are_the_reason(gaps, why):
    steps = paced([1.0] * 20)
    steps = tuple(replace(s, touches_gap=k < gaps) for k, s in enumerate(steps))
    verdict = judged(steps)
    assert verdict.why is why
    assert (f"Samples are missing in {gaps} of 20 steps." in verdict.line) is (why is Why.GAP)


@pytest.mark.parametrize(
    ("steps", "stride_s", "why"),
    [
        (8, 1.4, Why.PACE),
        (7, 1.4, Why.FEW_STEPS),
        (8, 1.09, Why.FEW_STEPS),
        (8, 1.11, Why.PACE),
        (8, 0.9, Why.PACE),
    ],
)
def test_bouts_that_could_hold_a_straight_are_of_one_pace(steps, stride_s, why):
    """Eight steps leave a straight of six; 0.9 s are less than 1 / 1.1 of 1 s."""
    later = tuple(
        replace(s, strike_s=s.strike_s + 40.0, off_s=s.off_s + 40.0)
        for s in paced([stride_s] * steps)
        if s.strike_s is not None and s.off_s is not None
    )
    assert judged(paced([1.0] * 10) + later).why is why
