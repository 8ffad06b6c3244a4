"""How long a pose of a calibration is held, and when it is refused: steady samples, by hand."""

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.fitting import CHECK, FITTING, Asked, Fitting, Held, Refused, Step, Taken
from plantigrade.poses import Flaw, Pose
from plantigrade.zones import eighteen

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT
LAYOUT = eighteen()
RATE_HZ = 100
STANDS_KPA, HANGS_KPA = 35.0, 0.0  # on 10 200 mm² 35 kPa are 357 N


def given(pose: Pose, is_check: bool, *feet: tuple[float, float, float]) -> list[Step]:
    """Return what is said of a pose: for so many seconds each, the left and right foot's kPa."""
    calibrations = {foot: default_calibration(LAYOUT, foot) for foot in Foot}
    fitting = Fitting(LAYOUT, calibrations, None, is_check=is_check, poses=(pose,))
    steps: list[Step] = []
    kpa = [
        np.repeat(both, [round(s * RATE_HZ) for s, *_ in feet]) for both in zip(*feet, strict=True)
    ]
    t_s = np.arange(len(kpa[0])) / RATE_HZ
    for a in range(0, len(t_s), 10):  # both feet in turn, as they come
        for foot, pressure in zip((LEFT, RIGHT), kpa[1:], strict=True):
            zones = np.repeat(pressure[a : a + 10, None], LAYOUT.n_zones, axis=1)
            steps += fitting.push(foot, t_s[a : a + 10], calibrations[foot].counts(zones))
    return steps


def last_held_s(steps: list[Step]) -> float:
    return [step.held_s for step in steps if isinstance(step, Held)][-1]


BOTH = (STANDS_KPA, STANDS_KPA)
LEFT_UP = (HANGS_KPA, 2 * STANDS_KPA)
SITTING = (HANGS_KPA, HANGS_KPA)


@pytest.mark.parametrize(("is_check", "need_s"), [(False, 5.0), (True, 3.0)])
def test_a_pose_is_taken_once_it_was_good_for_long_enough(is_check, need_s):
    steps = given(Pose.BOTH, is_check, (need_s + 0.02, *BOTH))
    assert isinstance(steps[0], Asked) and (steps[0].number, steps[0].of) == (1, 1)
    assert isinstance(steps[-1], Taken)
    held = [step for step in steps if isinstance(step, Held)]
    assert [step.held_s for step in held] == [0.5 * (k + 1) for k in range(round(2 * need_s))]
    assert all(step.need_s == need_s and step.trouble is None for step in held)
    short = given(Pose.BOTH, is_check, (need_s - 0.1, *BOTH))
    assert not any(isinstance(step, Taken) for step in short)


@pytest.mark.parametrize(("is_check", "limit_s"), [(False, 30.0), (True, 15.0)])
def test_a_pose_that_is_not_struck_is_refused_and_asked_for_again(is_check, limit_s):
    steps = given(Pose.BOTH, is_check, (limit_s + 0.02, *LEFT_UP))
    held = [step for step in steps if isinstance(step, Held)]
    assert len(held) == round(2 * limit_s)
    assert last_held_s(steps) == 0.0
    assert isinstance(steps[-2], Refused) and steps[-2].trouble.flaw is Flaw.PRESSED
    assert isinstance(steps[-1], Asked)


def test_a_break_begins_the_time_anew():
    steps = given(Pose.BOTH, False, (4.5, *BOTH), (0.5, *SITTING), (4.52, *BOTH))
    assert last_held_s(steps) == 4.5
    assert not any(isinstance(step, Taken) for step in steps)
    assert isinstance(
        given(Pose.BOTH, False, (4.5, *BOTH), (0.5, *SITTING), (5.02, *BOTH))[-1], Taken
    )


@pytest.mark.parametrize(("good", "flaw"), [(1.2, Flaw.SHORT), (0.7, Flaw.PRESSED)])
def test_a_pose_that_was_good_for_two_pieces_was_too_short(good, flaw):
    """Of one piece, half a second, nothing is said."""
    steps = given(Pose.BOTH, True, (good, *BOTH), (15.02 - good, *SITTING))
    (refused,) = (step for step in steps if isinstance(step, Refused))
    assert refused.trouble.flaw is flaw
    if flaw is Flaw.SHORT:
        text = refused.trouble.text
        assert text.startswith(
            "too short: good for 1 s, 3 s are needed; else both feet together carry"
        )


@pytest.mark.parametrize(("wrong_s", "flaw"), [(2.0, Flaw.SWAPPED), (1.5, Flaw.PRESSED)])
def test_the_other_foot_was_lifted_where_it_hung_for_two_seconds(wrong_s, flaw):
    """And for longer than the right one; the rest of the time both stand."""
    steps = given(Pose.LIFT_RIGHT, True, (wrong_s, *LEFT_UP), (15.02 - wrong_s, *BOTH))
    (refused,) = (step for step in steps if isinstance(step, Refused))
    assert refused.trouble.flaw is flaw
    if flaw is Flaw.SWAPPED:
        said = "the left insole was in the air when you were asked to lift the right foot"
        assert refused.trouble.text.startswith(said)


def test_a_calibration_and_a_check_ask_for_their_poses_in_this_order():
    """Each foot in the air first, for its zero; each stood on twice, so that repeats are known."""
    assert [pose.value for pose in FITTING] == [
        *("lift_left", "lift_right", "both", "on_left", "on_right", "on_left", "on_right"),
        *("rock_length", "rock_width"),
    ]
    assert [pose.value for pose in CHECK] == [
        *("both", "on_left", "on_right", "rock_length", "rock_width")
    ]
    calibrations = {foot: default_calibration(LAYOUT, foot) for foot in Foot}
    for is_check, poses in ((False, FITTING), (True, CHECK)):
        fitting = Fitting(LAYOUT, calibrations, None, is_check=is_check)
        assert fitting.poses == poses and not fitting.done
