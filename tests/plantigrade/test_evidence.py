"""What one foot showed in a calibration's poses, and what follows of it: by hand, no player.

The limits are this project's own; no published source.
"""

from typing import Any

import numpy as np
import pytest

from plantigrade.block import N_COLUMNS, Column, Foot
from plantigrade.calibrate import Calibration, default_calibration
from plantigrade.evidence import Evidence
from plantigrade.poses import Flaw, Pose, View
from plantigrade.zones import eighteen

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT
BW_N = 700.0


def calibration(foot: Foot = LEFT) -> Calibration:
    return default_calibration(eighteen(), foot)


def evidence(foot: Foot = LEFT) -> Evidence:
    return Evidence(eighteen(), calibration(foot))


def view(load_n: float = 0.0, counts: Any = 0, foot: Foot = LEFT) -> View:
    values = np.zeros((3, N_COLUMNS))
    values[:, Column.HEEL] = load_n
    read = np.zeros((3, 18), dtype=np.uint16)
    read[:] = counts
    return View(foot, read, values, 4095)


def pressed(kpa: Any) -> View:
    """The insole reads these pressures on its zones."""
    wide: np.ndarray = np.zeros((1, 18)) + kpa
    return View.of(calibration().counts(wide), calibration(), eighteen())


def test_a_foot_in_the_air_shows_its_zero_and_one_that_stands_its_load():
    """The left one is in the air when it is lifted and when the right one stands alone."""
    shown = evidence()
    for k, pose in enumerate(Pose):
        shown.take(pose, view(100.0 + k, counts=k))
    order = list(Pose)
    in_air = [order.index(Pose.LIFT_LEFT), order.index(Pose.ON_RIGHT)]
    assert [zero.tolist() for zero in shown.zeros] == [[k] * 18 for k in in_air]
    assert shown.stands_n == [100.0 + order.index(Pose.ON_LEFT)]


@pytest.mark.parametrize(
    ("load_n", "differs"), [(549, False), (551, True), (451, False), (449, True)]
)
def test_two_stands_on_a_foot_are_alike_within_a_tenth(load_n, differs):
    shown = evidence()
    assert shown.differs(view(load_n)) is None  # nothing to hold it against
    shown.take(Pose.ON_LEFT, view(500.0))
    found = shown.differs(view(load_n))
    assert (found is not None) is differs
    if found:
        assert (found.flaw, found.foot) == (Flaw.WEIGHT, LEFT)
        assert f"this stand reads {load_n / 5:.0f} % of the one before" in found.text


def silent(peaks_kpa: np.ndarray) -> str | None:
    shown = evidence()
    shown.note_peak(pressed(peaks_kpa))
    found = shown.dead()
    assert found is None or (found.flaw, found.foot) == (Flaw.DEAD, LEFT)
    return None if found is None else found.text


@pytest.mark.parametrize(
    ("zone_kpa", "others_kpa", "dead"),
    [(4.5, 22.0, True), (5.5, 22.0, False), (4.5, 18.5, False), (0.0, 100.0, True)],
)
def test_a_zone_under_5_kpa_where_others_go_over_20_is_dead(zone_kpa, others_kpa, dead):
    peaks = np.full(18, others_kpa)
    peaks[6] = zone_kpa  # one of six under the midfoot
    text = silent(peaks)
    assert (text is not None) is dead
    assert text is None or "left insole: zone 7 never carried load" in text


def test_dead_zones_are_named_and_a_region_that_bears_nothing_has_none():
    peaks = np.full(18, 50.0)
    peaks[[6, 12]] = 0.0
    assert "zones 7, 13 never" in str(silent(peaks))
    peaks = np.full(18, 50.0)
    peaks[4:10] = 0.0  # the whole midfoot
    assert silent(peaks) is None


def test_the_most_that_any_pose_showed_counts():
    shown = evidence()
    first, second = np.full(18, 50.0), np.full(18, 50.0)
    first[6] = second[7] = 0.0
    shown.note_peak(pressed(first))
    shown.note_peak(pressed(second))
    assert shown.dead() is None


@pytest.mark.parametrize(
    ("zones", "end"),
    [([15, 16], "toe"), ([0, 1], "heel")],  # beyond .85 of the length; within .10 of the heel
)
def test_an_end_that_nothing_reaches_is_said_and_not_taken_for_dead(zones, end):
    peaks = np.full(18, 50.0)
    peaks[zones] = 0.0
    shown = evidence()
    assert shown.fit(None).notes == ()
    shown.note_peak(pressed(peaks))
    assert shown.dead() is None
    (note,) = shown.fit(None).notes
    assert note.startswith(f"left insole: its {end} end never carries load")
    peaks[zones[0]] = 50.0  # one of the two is reached: the other is dead
    assert f"zone {zones[1] + 1} never" in str(silent(peaks))


def test_the_new_gain_makes_the_mean_of_the_stands_body_weight():
    shown = evidence()
    for load_n in (480.0, 520.0):
        shown.take(Pose.ON_LEFT, view(load_n))
    shown.notes.append("seen before")
    fit = shown.fit(BW_N)
    assert fit.calibration.gain == pytest.approx(1.4)  # 700 / 500
    assert fit.gain_percent == pytest.approx(8.0)  # 40 of 500
    assert (fit.zero_percent, fit.air_n, fit.notes) == (0.0, 0.0, ("seen before",))
    without = shown.fit(None)
    assert without.gain_percent is None and without.calibration.gain == 1.0


def test_a_fit_tells_how_far_a_zone_s_zeros_lie_apart():
    """Of 4095 counts."""
    shown = evidence()
    base = calibration().zero
    shown.zeros += [base + 20.0, base + 50.0]
    fit = shown.fit(None)
    assert fit.zero_percent == pytest.approx(100.0 * 50.0 / 4095.0)
    assert fit.air_n > 0.0
    shown.zeros.reverse()  # the load furthest from nothing, whichever lift it was
    assert shown.fit(None).air_n == fit.air_n


@pytest.mark.parametrize(
    ("stand_n", "percent", "warns"),
    [(769.0, 9.857, False), (771.0, 10.143, True), (631.0, -9.857, False), (629.0, -10.143, True)],
)
def test_a_check_warns_of_a_stand_that_is_off_by_a_tenth(stand_n, percent, warns):
    shown = evidence()
    shown.take(Pose.ON_LEFT, view(stand_n))
    found = shown.check(BW_N, evidence(RIGHT))
    assert found.gain_percent == pytest.approx(percent, abs=0.001)
    assert bool(found.notes) is warns
    if warns:
        assert found.notes[0].endswith(f"it reads {stand_n:.0f} N for 700 N body weight")


def test_without_a_mass_the_foot_that_reads_a_tenth_more_than_the_other_is_told():
    for left_n, warns in ((549.0, False), (551.0, True), (400.0, False)):
        left, right = evidence(), evidence(RIGHT)
        left.take(Pose.ON_LEFT, view(left_n))
        assert left.check(None, right).notes == ()
        right.take(Pose.ON_RIGHT, view(500.0))
        found = left.check(None, right)
        assert found.gain_percent is None
        assert bool(found.notes) is warns
        assert not warns or "reads 10 % more than the right foot" in found.notes[0]


def test_a_check_warns_of_a_load_in_the_air_or_of_a_zone_s_zero():
    """Over 10 N; over 3 % of full scale, 122.85 counts."""
    base = calibration().zero
    for counts, warns in ((122.0, False), (124.0, True)):
        shown = evidence()
        zero = base.copy()
        zero[4] += counts  # one zone alone: it is hardly a load
        zero[3] -= counts  # and another reads as much less
        shown.zeros.append(zero)
        found = shown.check(None, evidence(RIGHT))
        assert found.zero_percent == pytest.approx(100.0 * counts / 4095.0)
        told = [note for note in found.notes if "zero has moved by 3.0 % of full scale" in note]
        assert bool(told) is (warns and abs(found.air_n) <= 10.0)
    assert evidence().check(None, evidence(RIGHT)).zero_percent == 0.0


def test_a_check_warns_of_what_laces_press():
    shown = evidence()
    for kpa, warns in ((0.9, False), (1.1, True)):
        shown.zeros = [calibration().counts(np.full((1, 18), kpa))[0].astype(float)]
        found = shown.check(None, evidence(RIGHT))
        # 1 kPa on the 10 200 mm² of all zones is 10.2 N, to within a count a zone
        assert found.air_n == pytest.approx(10.2 * kpa, abs=2.0)
        assert any("N in the air" in note for note in found.notes) is (found.air_n > 10.0)
        assert (found.air_n > 10.0) is warns
