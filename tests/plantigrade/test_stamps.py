"""Stamps: offsets between sound and load that are known because they were put there."""

import numpy as np
import pytest

from plantigrade.stamps import (
    MOST_WANDER_S,
    SOUND_M_S,
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


def test_a_device_that_wanders_is_refused():
    far = 1.3 * MOST_WANDER_S
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


def test_the_way_of_the_sound_is_taken_off():
    sync = Sync([stamped(0.10, 0.0)], 100.0, 3.43, distance_error_m=0.0)
    load_s, error_s = sync.on_load_time(5.11)
    assert load_s == pytest.approx(5.0)  # 3.43 m at 343 m/s are 10 ms
    far = Sync([stamped(0.10, 0.0)], 100.0, 3.43, distance_error_m=SOUND_M_S * 0.03)
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
