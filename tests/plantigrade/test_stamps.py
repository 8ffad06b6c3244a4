"""Stamps: offsets between sound and load that are known because they were put there."""

import math

import numpy as np
import pytest

from plantigrade.errors import SampleError
from plantigrade.stamps import (
    Stamping,
    Sync,
    heel_stamps,
    match_stamps,
    stamping_of,
)

RHYTHM_S = (0.0, 1.8, 4.1, 6.0, 8.3)


def stamped(
    offset_s: float, at_s: float = 10.0, jitter_s: tuple[float, ...] = (0.0,) * 10
) -> Stamping:
    left = [at_s - 10.0 + x for x in RHYTHM_S]
    right = [at_s + 1.0 + x for x in RHYTHM_S]
    heard = [x + offset_s + j for x, j in zip(left + right, jitter_s, strict=True)]
    return stamping_of(left, right, heard)


def test_a_heel_put_down_hard_is_a_stamp_and_a_step_is_none():
    t_s = np.arange(0.0, 6.0, 0.01)
    heel_n = np.zeros(len(t_s))
    heel_n[(t_s >= 1.005) & (t_s < 1.6)] = 400.0  # stamped: first loaded sample at 1.01
    rise = np.interp(t_s, [2.5, 2.9, 3.2, 3.4], [0.0, 400.0, 400.0, 0.0])  # laid down
    heel_n += rise
    heel_n[(t_s >= 4.005) & (t_s < 4.05)] = 60.0  # brushed
    assert heel_stamps(t_s, heel_n, 750.0) == [pytest.approx(1.005, abs=1e-9)]


def loads(*levels: tuple[int, float]) -> np.ndarray:
    """Heel loads, N: so many samples at each level."""
    return np.concatenate([np.full(n, level) for n, level in levels])


HARD = (20, 400.0)


@pytest.mark.parametrize(
    ("heel_n", "found_s"),
    [
        # of a body of 800 N, 5 % are 40 N and 20 % are 160 N
        (loads((30, 39.9), HARD), [0.295]),
        (loads((30, 40.0), HARD), []),
        (loads((30, 0.0), (20, 160.0)), [0.295]),
        (loads((30, 0.0), (20, 159.9)), []),
        (loads((5, 400.0), (16, 0.0), HARD), [0.205]),  # 0.16 s in the air
        (loads((5, 400.0), (13, 0.0), HARD), []),
        (loads((16, 0.0), HARD), [0.155]),  # and the record begins in it
        (loads((14, 0.0), HARD), []),
        (loads((30, 0.0), (5, 100.0), HARD), [0.295]),  # hard after 50 ms, 70 ms
        (loads((30, 0.0), (7, 100.0), HARD), []),
        (loads((1, np.nan), (17, 0.0), HARD), [0.175]),  # missing before, after it
        (loads((30, 0.0), (8, 400.0), (9, np.nan)), [0.295]),
        (loads((30, 0.0), (5, 400.0), (9, np.nan)), []),
        (loads((30, 0.0), HARD, (30, 0.0), HARD), [0.295, 0.795]),
        (loads(HARD, (30, 0.0)), []),
    ],
)
def test_a_stamp_s_limits_from_both_sides(heel_n, found_s):
    """Under 5 % for 0.15 s, then 20 % within 60 ms; half-way between samples."""
    t_s = np.arange(len(heel_n)) / 100.0
    assert heel_stamps(t_s, heel_n, 800.0) == pytest.approx(found_s, abs=1e-9)


@pytest.mark.parametrize(
    ("loaded", "heard", "shared"),
    [
        ([0.0], [0.6], [0.6]),  # offsets up to 0.6 s, either way
        ([0.6], [0.0], [-0.6]),
        ([0.0], [0.61], []),
        ([0.61], [0.0], []),
        ([0.0, 2.0], [0.0, 2.029], [0.0, 0.029]),  # within 30 ms of each other
        ([0.0, 2.0], [0.0, 2.031], [0.0]),
        ([0.0], [0.03, 0.0], [0.03]),  # of two as good the first
        # of two that as many stamps share, the one they share more closely, in either order
        ([0.0, 2.0], [0.1, 0.3, 2.12, 2.3], [0.3, 0.3]),
        ([0.0, 2.0], [0.1, 0.3, 2.1, 2.32], [0.1, 0.1]),
        ([], [1.0], []),
        ([1.0], [], []),
    ],
)
def test_the_offset_that_most_stamps_share(loaded, heard, shared):
    assert match_stamps(loaded, heard) == pytest.approx(shared)


def test_no_stamp_is_read_beside_missing_samples():
    t_s = np.arange(0.0, 2.0, 0.01)
    heel_n = np.where(t_s >= 1.005, 400.0, 0.0)
    heel_n[95] = np.nan
    assert heel_stamps(t_s, heel_n, 750.0) == []


def test_stamps_are_matched_though_other_thumps_are_heard():
    loaded = [1.0, 2.9, 5.0]
    heard = [0.4, 1.1, 1.5, 3.0, 4.2, 5.1, 7.0]
    assert match_stamps(loaded, heard) == pytest.approx([0.1, 0.1, 0.1])


def test_the_offset_is_told_with_its_spread():
    jitter = (0.002, -0.002, 0.0, 0.001, -0.001) * 2
    one = stamped(0.15, jitter_s=jitter)
    assert one.refused is None
    assert one.offset_s == pytest.approx(0.15, abs=0.0006)
    assert 0.0005 < one.error_s < 0.005


def test_the_spread_is_student_s_over_the_stamps_that_lie_together():
    """Of 0, 0, 1, -1 and 20 ms the last lies apart: an SD of √(2/3) ms, and t(.975, 3) = 3.182.

    3.182 · 0.8165 / √4 = 1.2991 ms for each heel, over √2 for the mean of both.
    """
    one = stamped(0.15, jitter_s=(0.0, 0.0, 0.001, -0.001, 0.020) * 2)
    assert (one.left.count, one.right.count) == (4, 4)
    assert one.offset_s == pytest.approx(0.15)
    assert one.error_s == pytest.approx(0.0012991 / 2**0.5, rel=1e-3)
    # (0 + 1.8 + 4.1 + 6 + 8.3) / 5 is 4.04; the other heel is stamped 11 s later
    assert one.at_s == pytest.approx(4.04 + 5.5)


def test_four_stamps_of_a_heel_are_enough_and_all_of_them_count():
    left, right = [0.0, 2.0, 4.0, 6.0], [10.0, 12.0, 14.0, 16.0]
    one = stamping_of(left, right, [*(x + 0.1 for x in left), *(x + 0.1 for x in right)])
    assert one.refused is None
    assert (one.left.count, one.right.count) == (4, 4)
    apart = stamping_of(left, right, [0.1, 2.1, 4.1, 6.12, *(x + 0.1 for x in right)])
    assert apart.refused is not None and "wanders by 20 ms, expected at most 10" in apart.refused
    three = stamping_of(left[:3], right, [*(x + 0.1 for x in left[:3]), *(x + 0.1 for x in right)])
    assert three.refused is not None and "3 of the left heel" in three.refused
    seven = [2.0 * k for k in range(7)]
    many = stamping_of(seven, seven, [x + 0.1 for x in seven])
    assert (many.left.count, many.right.count) == (6, 6)  # one may lie apart, no more


def test_without_stamps_there_is_no_offset_and_any_error():
    none = stamping_of([], [], [])
    assert (none.offset_s, none.error_s, none.at_s) == (0.0, math.inf, 0.0)
    left = stamping_of([1.0], [], [1.1])
    assert left.offset_s == pytest.approx(0.1) and left.error_s == math.inf
    both = stamping_of([1.0], [9.0], [1.1, 9.1])  # one value has no spread
    assert both.offset_s == pytest.approx(0.1) and both.error_s == math.inf


@pytest.mark.parametrize(("far_s", "refused"), [(0.0098, False), (0.0102, True)])
def test_a_device_may_wander_by_10_ms(far_s, refused):
    one = stamped(0.15, jitter_s=(far_s, -far_s, 0.0, far_s, -far_s) * 2)
    assert (one.refused is not None) is refused


def test_a_device_that_wanders_is_refused():
    far = 0.013
    one = stamped(0.15, jitter_s=(far, -far, 0.0, far, -far) * 2)
    assert one.refused is not None
    assert "Bluetooth" in one.refused
    assert Sync([one], 100.0, 1.0).refused == one.refused


def test_one_of_five_may_lie_apart():
    assert stamped(0.15, jitter_s=(0.02, 0.0, 0.001, 0.0, -0.001) * 2).refused is None


def test_too_few_stamps_are_refused():
    left = list(RHYTHM_S)
    one = stamping_of(left, [10.0, 12.0], [x + 0.1 for x in (*left, 10.0, 12.0)])
    assert one.refused is not None
    assert "2 of the right heel" in one.refused
    assert Sync([], 100.0, 1.0).refused is not None


def test_a_delay_that_jumped_between_stampings_is_refused_and_a_drift_is_not():
    # 20 ppm of an hour are 72 ms (the definition's own figure)
    drifted = [stamped(0.10, 0.0), stamped(0.172, 3600.0)]
    assert Sync(drifted, 100.0, 1.0).refused is None
    assert Sync([stamped(0.10, 0.0), stamped(0.15, 60.0)], 100.0, 1.0).refused is not None


def test_between_two_stampings_the_drift_is_taken_off():
    one, two = stamped(0.10, 0.0), stamped(0.172, 3600.0)
    sync = Sync([one, two], 100.0, 0.0)
    middle_s = 0.5 * (one.at_s + two.at_s)
    assert sync.offset(middle_s)[0] == pytest.approx(0.136)


def test_the_drift_is_part_of_the_uncertainty_until_there_are_stamps_again():
    only = Sync([stamped(0.10, 0.0)], 100.0, 0.0)
    both = Sync([stamped(0.10, 0.0), stamped(0.10, 3600.0)], 100.0, 0.0)
    at_s = only.offset(0.0)[1]
    assert only.offset(3600.0)[1] == pytest.approx(0.072, rel=0.02)
    assert at_s < 0.01
    assert both.offset(1800.0)[1] < 0.01


@pytest.mark.parametrize(("moved_s", "refused"), [(0.0818, False), (0.0822, True)])
def test_between_stampings_a_delay_may_move_by_10_ms_and_what_clocks_drift(moved_s, refused):
    """20 ppm of an hour are 72 ms; the stamps themselves agree to the last digit."""
    both = [stamped(0.10, 10.0), stamped(0.10 + moved_s, 3610.0)]
    said = Sync(both, 100.0, 1.0).refused
    assert (said is not None) is refused
    if said is not None:
        assert "82 ms" in said


def test_outside_the_stampings_the_nearest_counts_with_what_clocks_drift():
    """20 ppm of 1000 s are 20 ms; the bracketed onsets add a quarter of a sample spacing, 2.5."""
    one, two = stamped(0.10, 10.0), stamped(0.14, 4010.0)
    sync = Sync([one, two], 100.0, 0.0)
    for at_s, offset_s in ((one.at_s - 1000.0, 0.10), (two.at_s + 1000.0, 0.14)):
        found_s, error_s = sync.offset(at_s)
        assert found_s == pytest.approx(offset_s)
        assert error_s == pytest.approx(math.hypot(0.020, 0.0025))
    assert sync.offset(one.at_s)[0] == pytest.approx(0.10)
    assert sync.offset(two.at_s)[0] == pytest.approx(0.14)
    assert sync.offset(one.at_s + 1000.0)[0] == pytest.approx(0.11)
    # 2 ppm over the 1000 s to the nearer one
    for at_s in (one.at_s + 1000.0, two.at_s - 1000.0):
        assert sync.offset(at_s)[1] == pytest.approx(math.hypot(0.002, 0.0025))


def test_between_two_stampings_their_own_uncertainties_are_shared_out():
    """3 ms at one and 5 at the other, a fourth of the way: hypot(3/4 · 3, 1/4 · 5) ms."""
    one = stamped(0.10, 10.0, (-0.003,) * 5 + (0.003,) * 5)
    two = stamped(0.10, 14.0, (-0.005,) * 5 + (0.005,) * 5)
    error_s = Sync([one, two], 100.0, 0.0).offset(one.at_s + 1.0)[1]
    assert error_s == pytest.approx(math.hypot(0.00225, 0.00125, 0.0025), rel=1e-4)


def test_how_sure_a_moment_is():
    """A quarter of 10 ms, half a meter at 343 m/s, the clocks' and a hop of 0.25 ms."""
    one = stamped(0.10, 0.0)
    _, error_s = Sync([one], 100.0, 0.0).on_load_time(one.at_s + 0.10, clock_error_s=0.004)
    assert error_s == pytest.approx(math.hypot(0.0025, 0.5 / 343.0, 0.004, 0.00025), rel=1e-6)


@pytest.mark.parametrize("distances", [(-0.1, 0.5), (1.0, -0.1), (float("nan"), 0.5)])
def test_a_distance_that_cannot_be_is_refused(distances):
    with pytest.raises(SampleError, match="expected 0 or more"):
        Sync([stamped(0.1)], 100.0, *distances)
    assert Sync([stamped(0.1)], 100.0, 0.0, 0.0).refused is None


def test_the_way_of_the_sound_is_taken_off():
    sync = Sync([stamped(0.10, 0.0)], 100.0, 3.43, distance_error_m=0.0)
    load_s, error_s = sync.on_load_time(5.11)
    assert load_s == pytest.approx(5.0)  # 3.43 m at 343 m/s are 10 ms
    far = Sync([stamped(0.10, 0.0)], 100.0, 3.43, distance_error_m=343.0 * 0.03)
    assert far.on_load_time(5.11)[1] > 0.03 > error_s
    assert sync.on_load_time(5.11, clock_error_s=0.03)[1] > 0.03


def test_half_of_what_the_feet_differ_is_part_of_the_uncertainty():
    """No jitter at all, and 8 ms between the feet: 4 ms, whatever Student's t says."""
    one = stamped(0.15, jitter_s=(-0.004,) * 5 + (0.004,) * 5)
    assert one.offset_s == pytest.approx(0.15)
    assert one.error_s == pytest.approx(0.004)


def test_between_two_stampings_a_change_of_drift_is_part_of_the_uncertainty():
    """2 ppm over the 2000 s to the nearer one are 4 ms; a quarter of 10 ms is 2.5."""
    sync = Sync([stamped(0.15, 10.0), stamped(0.15, 4010.0)], 100.0, 0.0)
    _, error_s = sync.offset(2010.0)  # the middle of both, to the second
    assert error_s == pytest.approx(np.hypot(0.004, 0.0025), rel=1e-3)
