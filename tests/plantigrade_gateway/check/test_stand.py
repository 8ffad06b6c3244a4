"""Stands and lifts of a guided check: taken, or refused by a player who does what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.checking import RATE_HZ, analysed, check_of, feet_of

from plantigrade.block import Foot
from plantigrade.prompted import LiftedFoot, PromptedLift
from plantigrade.synth import OneLeg, Player, SensorModel, Stand
from plantigrade_gateway.analysis.result import Analysis, Trial
from plantigrade_gateway.check.stand import judge_lift, judge_stand, taken_stands
from plantigrade_gateway.check.verdict import Verdict, Why

STAND = ("stand", 2.0, 22.0)


def stood(player: Player, sensor: SensorModel | None = None, end_s: float = 22.0) -> Verdict:
    found = check_of(player, [Stand(24.0)], [("stand", 2.0, end_s)], sensor)
    return judge_stand(found.trials[0], found)


def with_gap(gap_s: float, at_s: float = 12.0) -> Verdict:
    player = Player()
    t_s, left, right = feet_of(player, [Stand(24.0)])
    right[round(at_s * RATE_HZ) :][: round(gap_s * RATE_HZ)] = np.nan
    found = analysed(player, t_s, left, right, [STAND])
    return judge_stand(found.trials[0], found)


@pytest.mark.parametrize("midfoot", [0.0, 0.08, 0.25])
def test_a_quiet_stand_is_taken(midfoot):
    verdict = stood(Player(midfoot_share_left=midfoot, midfoot_share_right=midfoot))
    assert verdict.is_taken
    assert verdict.line == "Left 50 %, right 50 % of the load."


def test_one_that_sways_is_refused():
    """25 mm RMS front to back, where 10 are allowed."""
    verdict = stood(Player(sway_mm=20.0))
    assert verdict.why is Why.MOVED
    assert "moved by" in verdict.line and "stand again" in verdict.line


@pytest.mark.parametrize(
    ("left_share", "why"),
    [(0.69, Why.ONE_SIDED), (0.31, Why.ONE_SIDED), (0.62, None), (0.38, None)],
)
def test_one_that_leans_on_a_foot_is_refused(left_share, why):
    verdict = stood(Player(left_share=left_share))
    assert verdict.why is why
    if why:
        assert f"The {'left' if left_share > 0.5 else 'right'} foot carried" in verdict.line


@pytest.mark.parametrize(
    ("left_share", "more"),
    [(0.349, "right"), (0.35, None), (0.65, None), (0.651, "left")],
)
def test_each_foot_carries_35_to_65_percent(left_share, more):
    found = check_of(Player(), [Stand(24.0)], [STAND])
    (trial,) = found.trials
    assert trial.stand is not None
    verdict = judge_stand(replace(trial, stand=replace(trial.stand, left_share=left_share)), found)
    assert verdict.is_taken is (more is None)
    if more:
        assert verdict.line.startswith(f"The {more} foot carried 65 %.")


def test_one_that_steps_off_too_soon_is_refused():
    verdict = stood(Player(), end_s=14.0)
    assert verdict.why is Why.SHORT
    assert verdict.line.startswith("It ended after 12 s. Stand again")


@pytest.mark.parametrize(("lasted_s", "why"), [(19.5, None), (19.45, Why.SHORT)])
def test_half_a_second_less_is_a_stand(lasted_s, why):
    """The entries that begin and end a trial come with the next packets."""
    found = check_of(Player(), [Stand(24.0)], [STAND])
    assert judge_stand(replace(found.trials[0], end_s=2.0 + lasted_s), found).why is why


def test_one_with_a_silent_foot_is_refused_and_without_a_weight_none_carries_too_little():
    found = check_of(Player(), [Stand(24.0)], [STAND])
    (trial,) = found.trials
    assert trial.stand is not None
    for silent in (replace(trial.stand, left=None), replace(trial.stand, right=None)):
        assert judge_stand(replace(trial, stand=silent), found).why is Why.GAP
    assert judge_stand(trial, replace(found, quality=None)).is_taken


def test_one_whose_insole_falls_silent_is_refused():
    """40 ms missing are bridged; 60 ms are not; before the middle they do not matter."""
    assert with_gap(0.04).is_taken
    verdict = with_gap(0.06)
    assert verdict.why is Why.GAP and "0.06 s" in verdict.line
    assert with_gap(1.0, at_s=2.5).is_taken


def test_one_whose_zone_is_saturated_is_refused():
    found = check_of(Player(), [Stand(24.0)], [STAND])
    (trial,) = found.trials
    assert trial.stand is not None
    pressed = replace(trial, stand=replace(trial.stand, saturated_right=(5,)))
    verdict = judge_stand(pressed, found)
    assert verdict.why is Why.SATURATED
    assert verdict.line.startswith("Zone 5 of the right insole reads full scale.")


def test_one_who_sits_is_refused():
    """Both feet on the ground, with less than half of the body on them."""
    player = Player()
    t_s, left, right = feet_of(player, [Stand(24.0)])
    found = analysed(player, t_s, 0.3 * left, 0.3 * right, [STAND])
    assert judge_stand(found.trials[0], found).why is Why.EMPTY


def test_a_stand_that_could_not_be_measured_is_refused():
    found = check_of(Player(), [Stand(24.0)], [STAND])
    verdict = judge_stand(replace(found.trials[0], stand=None), found)
    assert verdict.why is Why.GAP


def test_the_insoles_on_the_floor_are_judged_alike_and_kept_apart():
    told = [("stand", 1.0, 21.0), ("flat", 22.0, 42.0), ("stand", 43.0, 50.0)]
    found = check_of(Player(), [Stand(24.0), Stand(24.0), Stand(8.0)], told)
    assert [judge_stand(trial, found).why for trial in found.trials] == [None, None, Why.SHORT]
    assert list(taken_stands(found, "stand")) == [found.trials[0].stand]
    assert list(taken_stands(found, "flat")) == [found.trials[1].stand]


@pytest.mark.parametrize(
    ("left", "right", "said"),
    [
        ((4.0, 3.24), (3.0, 12.6), "In the air: left 3 N, right 13 N."),
        ((0.0, None), (4.0, 3.0), "The left foot stayed loaded."),
        ((2.94, None), (0.0, None), "The left foot was in the air for 2.9 s."),
        ((4.0, 3.0), (3.0, None), "The right foot was not still in the air."),  # for long enough
        ((4.0, 3.0), (2.99, None), "The right foot was in the air for 3.0 s."),
    ],
)
def test_a_lift_says_of_the_first_foot_that_fails_how(left, right, said):
    """Three seconds each, by hand."""
    lift = PromptedLift(LiftedFoot(*left), LiftedFoot(*right))
    nothing = Analysis("by hand", 100.0, 60.0, (), (), (), (), None)
    verdict = judge_lift(Trial("lift", 1, 0.0, 20.0, lift=lift), nothing)
    assert verdict.line.startswith(said)
    assert verdict.is_taken is said.startswith("In the air")
    assert verdict.why is (None if verdict.is_taken else Why.NOT_LIFTED)
    assert verdict.is_taken or "clear of the ground for three seconds" in verdict.line


LEFT_UP, RIGHT_UP = OneLeg(Foot.RIGHT, 4.0), OneLeg(Foot.LEFT, 4.0)


def raised(*segments: OneLeg | Stand, sensor: SensorModel | None = None) -> Verdict:
    found = check_of(Player(), [*segments, Stand(2.0)], [("lift", 0.3, 60.0)], sensor)
    return judge_lift(found.trials[0], found)


def test_both_feet_held_in_the_air_are_taken():
    verdict = raised(LEFT_UP, RIGHT_UP)
    assert verdict.is_taken
    assert verdict.line == "In the air: left 0 N, right 0 N."


def test_what_the_laces_press_is_read():
    """40 N of lacing, less about a fifth that a dead zone and the play of the cells hide."""
    found = check_of(
        Player(),
        [LEFT_UP, RIGHT_UP, Stand(2.0)],
        [("lift", 0.3, 60.0)],
        SensorModel(lacing_n=40.0),
    )
    lift = found.trials[0].lift
    assert lift is not None and lift.left.air_n is not None
    assert 20.0 < lift.left.air_n <= 50.0


@pytest.mark.parametrize(
    ("segments", "said"),
    [
        ([LEFT_UP], "The right foot stayed loaded."),
        ([Stand(12.0)], "The left foot stayed loaded."),
        ([LEFT_UP, OneLeg(Foot.LEFT, 1.0)], "The right foot was in the air for 1"),
        ([OneLeg(Foot.RIGHT, 5.0, taps=5), RIGHT_UP], "The left foot was not still in the air."),
    ],
)
def test_a_foot_not_held_up_is_named(segments, said):
    verdict = raised(*segments)
    assert verdict.why is Why.NOT_LIFTED
    assert verdict.line.startswith(said)
