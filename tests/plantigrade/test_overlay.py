"""Curves laid over each other."""

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade.errors import SampleError
from plantigrade.overlay import overlay


def test_values_lie_on_straight_lines_between_samples_and_nowhere_else():
    times = np.array([-0.25, -0.05, 0.15, 0.35])
    found = overlay([(times, 10.0 * times)], 0.3, 0.5, 10.0)
    np.testing.assert_allclose(found.t_s, np.arange(-3, 6) / 10)
    np.testing.assert_allclose(found.curves[0][1:7], 10.0 * found.t_s[1:7])
    assert np.isnan(found.curves[0][[0, 7, 8]]).all()


def test_a_missing_sample_is_not_bridged():
    times = np.arange(6) / 10
    y = np.array([0.0, 1.0, np.nan, 3.0, 4.0, 5.0])
    found = overlay([(times, y)], 0.0, 0.5, 20.0)
    expected = [0, 0.5, 1, np.nan, np.nan, np.nan, 3, 3.5, 4, 4.5, 5]
    np.testing.assert_allclose(found.curves[0], expected)


@given(
    st.lists(
        st.lists(st.floats(-1e3, 1e3, width=32) | st.just(float("nan")), min_size=5, max_size=5),
        min_size=0,
        max_size=7,
    )
)
def test_mean_and_spread_are_those_of_the_curves_that_have_a_value(rows):
    times = np.arange(5) / 10
    found = overlay([(times, np.array(row)) for row in rows], 0.0, 0.4, 10.0)
    for k in range(5):
        there = [row[k] for row in rows if row[k] == row[k]]
        assert found.count[k] == len(there)
        if len(there) < 3:
            assert np.isnan(found.mean[k]) and np.isnan(found.sd[k])
        else:
            assert found.mean[k] == pytest.approx(statistics.fmean(there), abs=1e-9)
            assert found.sd[k] == pytest.approx(statistics.stdev(there), rel=1e-9, abs=1e-9)


def test_the_moment_itself_is_a_point():
    found = overlay([], 1.004, 0.5, 100.0)
    assert found.t_s[100] == 0.0 and len(found.t_s) == 151
    assert found.curves.shape == (0, 151) and not found.count.any()


@pytest.mark.parametrize(
    "times, y", [([0.0, 0.1], [1.0]), ([0.0, 0.0], [1.0, 2.0]), ([0.2, 0.1], [1.0, 2.0])]
)
def test_what_is_no_curve_is_refused(times, y):
    with pytest.raises(SampleError, match=r"curve 1: .* expected one rising time"):
        overlay([(np.array(times), np.array(y))], 0.1, 0.1, 10.0)
