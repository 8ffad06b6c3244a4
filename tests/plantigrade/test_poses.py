"""Whether the samples of a calibration's pose are good: each limit from both sides of it.

The limits are this project's own; no published source.
"""

from typing import Any

import numpy as np
import pytest

from plantigrade.block import N_COLUMNS, Column, Foot
from plantigrade.calibrate import default_calibration
from plantigrade.poses import Flaw, Pose, PoseChecker, View, Views
from plantigrade.zones import eighteen

N = 200
BW_N = 700.0
LEFT, RIGHT = Foot.LEFT, Foot.RIGHT
FITTED = {foot: default_calibration(eighteen(), foot) for foot in Foot}


def view(foot: Foot, load_n: Any, y: Any = 0.4, x: Any = 0.5, counts: Any = 50) -> View:
    """Samples of a foot with this load, which lies at x and y of the insole."""
    values = np.zeros((N, N_COLUMNS))
    values[:, Column.HEEL] = load_n
    values[:, Column.MOMENT_X] = values[:, Column.HEEL] * x
    values[:, Column.MOMENT_Y] = values[:, Column.HEEL] * y
    read = np.full((N, 18), 50, dtype=np.uint16)
    read[:, 0] = counts
    return View(foot, read, values, 4095)


def views(left_n: Any, right_n: Any) -> Views:
    return {LEFT: view(LEFT, left_n), RIGHT: view(RIGHT, right_n)}


def checker(bw_n: float | None = BW_N, is_check: bool = True) -> PoseChecker:
    return PoseChecker(bw_n, FITTED, is_check)


def flaw(pose: Pose, seen: Views, made: PoseChecker | None = None) -> Flaw | None:
    found = (made or checker()).trouble(pose, seen)
    return None if found is None else found.flaw


@pytest.mark.parametrize(
    ("bw_n", "laced_n", "air_n"),
    [
        (700.0, 84.0, 42.0),  # 12 and 6 % of the body
        (300.0, 60.0, 30.0),  # of these they are less than 60 and 30 N
        (None, 60.0, 30.0),  # nobody gave a mass: 500 N are taken
        (1000.0, 120.0, 60.0),
    ],
)
def test_a_foot_in_the_air_reads_little_and_even_less_once_its_zero_is_known(bw_n, laced_n, air_n):
    made = checker(bw_n)
    for pose, low, high in ((Pose.LIFT_LEFT, "left", 600.0), (Pose.LIFT_RIGHT, "right", 600.0)):
        for load_n, expected in ((laced_n - 0.1, None), (laced_n + 0.1, Flaw.PRESSED)):
            seen = views(load_n, high) if low == "left" else views(high, load_n)
            assert flaw(pose, seen, made) is expected
    for load_n, expected in ((air_n - 0.1, None), (air_n + 0.1, Flaw.PRESSED)):
        assert flaw(Pose.ON_LEFT, views(600.0, load_n), made) is expected
        assert flaw(Pose.ON_RIGHT, views(load_n, 600.0), made) is expected
    assert flaw(Pose.ON_LEFT, views(air_n + 0.1, 0.0), made) is None
    assert flaw(Pose.ON_LEFT, views(air_n - 0.1, 0.0), made) is Flaw.PRESSED


def test_a_load_just_at_its_limit_is_that_of_a_foot_in_the_air():
    """Of a body of 300 N: 30 N once the zero is known, 60 N before."""
    made = checker(300.0)
    assert flaw(Pose.LIFT_LEFT, views(60.0, 300.0), made) is None
    assert flaw(Pose.ON_LEFT, views(300.0, 30.0), made) is None
    assert flaw(Pose.ON_LEFT, views(30.0, 0.0), made) is Flaw.PRESSED


def test_a_foot_that_reads_much_less_than_nothing_had_load_on_its_zero():
    """While fitting; of a check the zero is not asked about."""
    fitting = checker(None, is_check=False)
    assert flaw(Pose.ON_LEFT, views(600.0, -29.9), fitting) is None
    assert flaw(Pose.ON_LEFT, views(600.0, -30.1), fitting) is Flaw.PRESSED
    assert flaw(Pose.ON_LEFT, views(600.0, -30.1), checker(None)) is None


def test_on_both_feet_each_carries_a_fifth():
    assert flaw(Pose.BOTH, views(141.0, 559.0)) is None
    assert flaw(Pose.BOTH, views(139.0, 561.0)) is Flaw.PRESSED
    assert flaw(Pose.BOTH, views(561.0, 139.0)) is Flaw.PRESSED
    # and both a fifth of the body: 140 of 700 N, or 100 of the 500 N that are taken
    assert flaw(Pose.BOTH, views(71.0, 70.0)) is None
    assert flaw(Pose.BOTH, views(69.0, 70.0)) is Flaw.PRESSED
    assert flaw(Pose.BOTH, views(51.0, 50.0), checker(None)) is None
    assert flaw(Pose.BOTH, views(49.0, 50.0), checker(None)) is Flaw.PRESSED


@pytest.mark.parametrize(("spread", "expected"), [(0.099, None), (0.101, Flaw.MOVED)])
def test_a_stand_is_steady_within_a_tenth(spread, expected):
    """Half of the samples above and half under the mean by the spread: that is the SD."""
    sign = np.where(np.arange(N) % 2, 1.0, -1.0)
    load_n = 350.0 * (1.0 + spread * sign)
    assert flaw(Pose.BOTH, views(load_n, load_n)) is expected
    assert flaw(Pose.ON_RIGHT, views(0.0, load_n)) is expected
    assert flaw(Pose.BOTH, views(350.0 + 70.0 * sign, 350.0 - 70.0 * sign)) is None  # together


@pytest.mark.parametrize(("n_full", "expected"), [(4, None), (5, Flaw.SATURATED)])
@pytest.mark.parametrize("pose", list(Pose))
def test_a_zone_at_full_scale_in_more_than_one_sample_of_fifty_spoils_every_pose(
    n_full, expected, pose
):
    counts = np.full(N, 50)
    counts[:n_full] = 4095
    seen = views(0.0, 0.0)
    for foot in Foot:
        low = pose.foot is (foot if pose.is_lift else foot.other)
        load_n = 0.0 if low else 350.0
        seen[foot] = view(foot, load_n, counts=counts if foot is RIGHT else 50)
    if pose is Pose.LIFT_RIGHT and expected is None:
        expected = Flaw.MOVED  # a zone that reads full scale now and then is no foot at rest
    found = checker().trouble(pose, seen)
    assert (None if found is None else found.flaw) is expected
    if found is not None and found.flaw is Flaw.SATURATED:
        assert found.foot is RIGHT and "right insole: zone 1 reads full scale" in found.text


def test_the_foot_that_plainly_does_what_one_was_asked_for_is_told():
    """It reads under 84 N, and the other over three times that and over 168 N."""
    made = checker()
    assert made.foot_in_pose(Pose.BOTH, views(10.0, 600.0)) is None
    assert made.foot_in_pose(Pose.ROCK_WIDTH, views(10.0, 600.0)) is None
    assert made.foot_in_pose(Pose.LIFT_RIGHT, views(10.0, 600.0)) is LEFT
    assert made.foot_in_pose(Pose.ON_LEFT, views(10.0, 600.0)) is RIGHT
    assert made.foot_in_pose(Pose.ON_LEFT, views(600.0, 10.0)) is LEFT
    assert made.foot_in_pose(Pose.LIFT_LEFT, views(83.0, 250.0)) is LEFT
    assert made.foot_in_pose(Pose.LIFT_LEFT, views(85.0, 600.0)) is None
    assert made.foot_in_pose(Pose.LIFT_LEFT, views(80.0, 239.0)) is None
    assert made.foot_in_pose(Pose.LIFT_LEFT, views(80.0, 241.0)) is LEFT
    assert made.foot_in_pose(Pose.LIFT_LEFT, views(10.0, 167.0)) is None
    assert made.foot_in_pose(Pose.LIFT_LEFT, views(10.0, 169.0)) is LEFT


def rocked(pose: Pose, low: float, high: float, load_n: Any = 350.0) -> str | None:
    """Rock evenly between two places: 4 % of the way more, as the ends of a range leave out."""
    margin = (high - low) * 0.02 / 0.96
    place = np.linspace(low - margin, high + margin, N)
    axis = {"y" if pose is Pose.ROCK_LENGTH else "x": place}
    seen = {foot: view(foot, load_n, **axis) for foot in Foot}
    found = checker().rock_trouble(pose, seen)
    assert found is None or found.flaw is Flaw.RANGE
    return None if found is None else found.text


def test_rocking_heel_to_toe_passes_three_and_six_tenths_of_the_length():
    assert rocked(Pose.ROCK_LENGTH, 0.299, 0.601) is None
    assert "further back onto the heels" in str(rocked(Pose.ROCK_LENGTH, 0.301, 0.601))
    assert "further forward onto the toes" in str(rocked(Pose.ROCK_LENGTH, 0.299, 0.599))
    assert "went from 0.20 to 0.50 of its length" in str(rocked(Pose.ROCK_LENGTH, 0.2, 0.5))


def test_rocking_edge_to_edge_goes_over_eight_hundredths_of_the_width():
    assert rocked(Pose.ROCK_WIDTH, 0.45, 0.531) is None
    assert "of its width" in str(rocked(Pose.ROCK_WIDTH, 0.45, 0.529))


def test_a_foot_has_a_way_where_it_carries_a_quarter_of_its_greatest_load_and_30_n():
    for load_n, seen in ((31.0, True), (29.0, False)):
        found = rocked(Pose.ROCK_LENGTH, 0.2, 0.7, load_n)
        assert (found is None) is seen
        assert seen or "carries too little to have a CoP" in str(found)
    # the first half, where the foot goes back, counts with over a quarter of the second's load
    half = np.arange(N) < N // 2
    assert rocked(Pose.ROCK_LENGTH, 0.2, 0.7, np.where(half, 101.0, 400.0)) is None
    assert rocked(Pose.ROCK_LENGTH, 0.2, 0.7, np.where(half, 99.0, 400.0)) is not None
    # and of less than twenty samples there is no way
    for n, told in ((20, True), (19, False)):
        found = rocked(Pose.ROCK_WIDTH, 0.2, 0.7, np.where(np.arange(N) < n, 400.0, 0.0))
        assert ("carries too little" in str(found)) is not told
