"""Intervals of differences against published examples and independent libraries."""

import math

import numpy as np
import pytest
from scipy.stats import ttest_ind

from plantigrade.interval import Difference, newcombe, welch
from plantigrade.reliability import proportion
from plantigrade.stat import Stat, stat_of

# Student 1908, Biometrika 6:1–25, as statistics packages print it: extra hours of sleep, two drugs.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_welch_of_the_sleep_data_as_printed():
    """R's manual page of t.test prints t = −1.8608, df = 17.776 and −3.3654832 to 0.2054832.

    (From memory.) Its difference is the first minus the second, ours the second minus the first.
    """
    got = welch(stat_of(SLEEP_1), stat_of(SLEEP_2))
    assert got is not None
    assert got.value == pytest.approx(1.58)
    assert (got.low, got.high) == pytest.approx((-0.2054832, 3.3654832), abs=5e-8)
    assert got.degrees == pytest.approx(17.776, abs=5e-4)
    assert got.holds_zero is True


@pytest.mark.parametrize(("n", "m", "scale"), [(2, 2, 1.0), (3, 20, 5.0), (12, 10, 0.2)])
def test_welch_agrees_with_an_independent_library(n, m, scale):
    rng = np.random.default_rng(n)
    a, b = rng.normal(10.0, 1.0, n), rng.normal(11.0, scale, m)
    theirs = ttest_ind(b, a, equal_var=False)
    interval = theirs.confidence_interval(0.95)
    got = welch(stat_of(a.tolist()), stat_of(b.tolist()))
    assert got is not None
    assert got.value == pytest.approx(b.mean() - a.mean())
    assert (got.low, got.high) == pytest.approx((interval.low, interval.high), rel=1e-9)
    assert got.degrees == pytest.approx(theirs.df, rel=1e-9)


def test_welch_holds_the_difference_nineteen_times_in_twenty():
    """Seeded: 4000 pairs of unequal sets of unequal spread; 3 SE of 5 % are 1 %."""
    rng = np.random.default_rng(1)
    missed = 0
    for _ in range(4000):
        got = welch(
            stat_of(rng.normal(0.0, 1.0, 8).tolist()), stat_of(rng.normal(2.0, 3.0, 14).tolist())
        )
        assert got is not None and got.low is not None and got.high is not None
        missed += not got.low <= 2.0 <= got.high
    assert 0.04 < missed / 4000 < 0.06


def test_without_spread_there_is_no_interval():
    nothing, one, two = stat_of([]), stat_of([3.0]), stat_of([1.0, 2.0])
    assert welch(nothing, two) is None and welch(two, nothing) is None
    for a, b in ((one, two), (two, one), (stat_of([0.1] * 3), stat_of([0.3] * 3))):
        got = welch(a, b)
        assert got is not None and a.mean is not None and b.mean is not None
        assert got.value == b.mean - a.mean
        assert (got.low, got.high, got.degrees, got.holds_zero) == (None, None, None, None)


def test_one_side_that_does_not_vary_leaves_the_other_ones_degrees():
    got = welch(Stat(5, 1.0, 0.0), Stat(9, 2.0, 0.5))
    assert got is not None and got.degrees == pytest.approx(8.0)


@pytest.mark.parametrize(
    ("more", "of_more", "less", "of_less", "low", "high"),
    [
        (56, 70, 48, 80, 0.0524, 0.3339),
        (9, 10, 3, 10, 0.1705, 0.8090),
        (6, 7, 2, 7, 0.0582, 0.8062),
        (5, 56, 0, 29, -0.0381, 0.1926),
        (0, 10, 0, 20, -0.1611, 0.2775),
        (0, 10, 0, 10, -0.2775, 0.2775),
        (10, 10, 0, 20, 0.6791, 1.0000),
        (10, 10, 0, 10, 0.6075, 1.0000),
    ],
)
def test_newcombe_as_published(more, of_more, less, of_less, low, high):
    """Newcombe 1998, Stat Med 17:873–890, table II, method 10 (all but the first from memory)."""
    got = newcombe(proportion(less, of_less), proportion(more, of_more))
    assert got is not None
    assert got.value == pytest.approx(more / of_more - less / of_less)
    assert (got.low, got.high) == pytest.approx((low, high), abs=5.1e-5)
    other = newcombe(proportion(more, of_more), proportion(less, of_less))
    assert other is not None and other.value == -got.value
    assert (other.low, other.high) == pytest.approx((-high, -low), abs=5.1e-5)


def test_newcombe_agrees_with_an_independent_library():
    """statsmodels, which pingouin brings, calls it "newcomb"."""
    from statsmodels.stats.proportion import confint_proportions_2indep

    for count_a, n_a, count_b, n_b in ((5, 11, 8, 12), (0, 3, 9, 9), (1, 40, 2, 7)):
        got = newcombe(proportion(count_a, n_a), proportion(count_b, n_b))
        theirs = confint_proportions_2indep(count_b, n_b, count_a, n_a, method="newcomb")
        assert got is not None
        assert (got.low, got.high) == pytest.approx(theirs, rel=1e-9)


def test_a_share_of_nothing_is_compared_with_nothing():
    assert newcombe(proportion(0, 0), proportion(1, 2)) is None
    assert newcombe(proportion(1, 2), proportion(0, 0)) is None
    got = newcombe(proportion(1, 2), proportion(1, 2))
    assert got is not None and got.value == 0.0 and got.holds_zero
    assert got.low is not None and math.isfinite(got.low)


@pytest.mark.parametrize(
    ("low", "high", "holds"),
    [
        (0.0, 1.0, True),
        (-1.0, 0.0, True),
        (-1.0, 1.0, True),
        (0.001, 1.0, False),
        (-1.0, -0.001, False),
        (None, 1.0, None),
        (-1.0, None, None),
    ],
)
def test_an_interval_holds_its_ends(low, high, holds):
    assert Difference(0.5, low, high, None).holds_zero is holds
