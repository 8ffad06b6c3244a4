"""Reliability statistics against published worked examples and independent libraries."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest
from scipy.stats import t as student_t

from plantigrade.change import RepeatError, mdc95, repeat_error
from plantigrade.errors import SampleError
from plantigrade.reliability import Proportion, agreement, icc, mean_squares, proportion
from plantigrade.stat import stat_of

# Shrout & Fleiss 1979, Psychol Bull 86(2):420–428: 6 targets × 4 judges.
SHROUT = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]],
    dtype=float,
)
# Weir 2005, J Strength Cond Res 19(1):231–240, data set A; B has the same trial differences
# (B's scores from memory).
WEIR_A = np.array(
    [[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218]], dtype=float
).T
WEIR_B = np.array(
    [[166, 168, 160, 150, 147, 146, 156, 155], [160, 172, 142, 159, 135, 143, 147, 168]],
    dtype=float,
).T


def numbers(text: str) -> np.ndarray:
    return np.array(text.split(), dtype=float)


# Bland & Altman 1986, Lancet 327:307–310: peak flow of 17 people, L/min, by one meter twice.
WRIGHT_1 = numbers("494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427")
WRIGHT_2 = numbers("490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421")


def test_shrout_and_fleiss_mean_squares():
    """Published roundings 11.24, 6.26, 32.49, 1.02 (from memory); the digits follow exactly."""
    ms = mean_squares(SHROUT)
    assert (ms.n, ms.k) == (6, 4)
    assert ms.subjects == pytest.approx(11.24167, abs=5e-6)
    assert ms.within == pytest.approx(6.26389, abs=5e-6)
    assert ms.repeats == pytest.approx(32.48611, abs=5e-6)
    assert ms.error == pytest.approx(1.01944, abs=5e-6)


def test_shrout_and_fleiss_correlations():
    """Published .17 .29 .71 and .44 .62 .91 (from memory)."""
    got = icc(SHROUT)
    rounded = [
        round(v, 2)
        for v in (
            got.icc_1_1,
            got.icc_2_1,
            got.icc_3_1,
            got.icc_1_k,
            got.icc_2_k,
            got.icc_3_k,
        )
        if v is not None
    ]
    assert rounded == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]


@pytest.mark.dear
@pytest.mark.filterwarnings("ignore:The inplace keyword")  # the library's own, against pandas
@pytest.mark.parametrize("table", [SHROUT, WEIR_A, WEIR_B, "noise"])
@pytest.mark.slow
def test_correlations_agree_with_an_independent_library(table):
    """pingouin (GPL-3, test-only) computes the same six forms."""
    import pandas
    import pingouin

    if isinstance(table, str):
        table = np.random.default_rng(4).normal(500.0, 3.0, size=(25, 5))
    n, k = table.shape
    long = pandas.DataFrame(
        {
            "row": np.repeat(np.arange(n), k),
            "repeat": np.tile(np.arange(k), n),
            "score": table.ravel(),
        }
    )
    theirs = pingouin.intraclass_corr(long, targets="row", raters="repeat", ratings="score")["ICC"]
    ours = icc(table)
    assert [ours.icc_1_1, ours.icc_2_1, ours.icc_3_1] == pytest.approx(list(theirs[:3]), rel=1e-9)
    assert [ours.icc_1_k, ours.icc_2_k, ours.icc_3_k] == pytest.approx(list(theirs[3:]), rel=1e-9)


def test_weir_measuring_error():
    """Weir 2005 p. 236: SEM 7.6; with SD of all scores, SEP 10.2 and SEE 7.1."""
    error = repeat_error(WEIR_A.tolist())
    assert error is not None
    assert round(error.sem, 1) == 7.6
    assert error.sem == pytest.approx(7.557, abs=5e-4)
    assert error.degrees == 7
    sd = WEIR_A.std(ddof=1)
    r = icc(WEIR_A).icc_3_1
    assert r is not None
    assert round(sd * math.sqrt(1 - r**2), 1) == 10.2
    assert round(sd * math.sqrt(r * (1 - r)), 1) == 7.1


def test_same_error_very_different_correlation():
    """Weir 2005, sets A and B: the lesson of the paper (B's scores from memory)."""
    errors = [math.sqrt(mean_squares(table).error) for table in (WEIR_A, WEIR_B)]
    assert errors[1] == pytest.approx(errors[0], rel=1e-12)
    assert icc(WEIR_A).icc_3_1 == pytest.approx(0.94702, abs=5e-6)
    assert icc(WEIR_B).icc_3_1 == pytest.approx(0.53773, abs=5e-6)
    assert icc(WEIR_B).icc_1_1 == pytest.approx(0.55891, abs=5e-6)
    assert icc(WEIR_B).icc_2_1 == pytest.approx(0.55275, abs=5e-6)


def test_smallest_detectable_change():
    """Weir 2005: 1.96 · √2 = 2.77186, for many degrees of freedom; Student's t for few.

    2.3646 for 7 and 2.7764 for 4 degrees are of the printed tables (Fisher & Yates), and scipy's
    own distribution gives the rest.
    """
    assert mdc95(RepeatError(5.0, 10**7, True)) == pytest.approx(13.8593, abs=3e-4)
    error = repeat_error(WEIR_A.tolist())
    assert error is not None
    assert mdc95(error) == pytest.approx(2.3646 * 20.947 / 1.96, abs=2e-3)
    assert mdc95(RepeatError(1.0, 4, True)) == pytest.approx(2.7764 * math.sqrt(2), abs=1e-4)
    for degrees in (1, 4, 8, 20, 100):
        expected = student_t.ppf(0.975, degrees) * math.sqrt(2.0)
        assert mdc95(RepeatError(1.0, degrees, True)) == pytest.approx(expected, rel=1e-9)


def test_means_of_repeats_have_a_smaller_error():
    """The SEM of a mean of m is SEM / √m: of four on each side the half, of one and four √1.25."""
    one = mdc95(RepeatError(3.0, 9, True))
    assert mdc95(RepeatError(3.0, 9, True), 4, 4) == pytest.approx(one / 2)
    uneven = mdc95(RepeatError(3.0, 9, True), 1, 4)
    assert uneven == pytest.approx(one / math.sqrt(2) * math.sqrt(1.25))


def test_bland_and_altman_repeatability():
    """Bland & Altman 1986: coefficient of repeatability of the large meter 43.2 (from memory).

    Their coefficient is 2·√(mean squared difference), which is 2·√2·√WMS of two repeats.
    """
    ms = mean_squares(np.column_stack([WRIGHT_1, WRIGHT_2]))
    assert 2 * math.sqrt(2 * ms.within) == pytest.approx(43.2, abs=0.1)


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_binomial_intervals_as_published(count, n, low, high):
    """Newcombe 1998, Stat Med 17:857–872, table I, score method (from memory)."""
    got = proportion(count, n)
    assert (got.low, got.high) == pytest.approx((low, high), abs=5e-5)


def test_binomial_intervals_agree_with_an_independent_library():
    for n in (1, 2, 7, 30, 1000):
        for count in range(0, n + 1, max(1, n // 7)):
            theirs = binomtest(count, n).proportion_ci(0.95, method="wilson")
            ours = proportion(count, n)
            assert ours.share == count / n
            assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-12)
            assert ours.low is not None and ours.high is not None
            assert 0.0 <= ours.low <= count / n <= ours.high <= 1.0


@pytest.mark.parametrize(
    ("count", "n", "side"),
    [
        # Wilson 1927, the 95 % score interval with z = 1.96, worked outside this program:
        (7, 8, 1),  # .529 to .978
        (5, 6, 0),  # .436 to .970
        (1, 8, -1),  # .022 to .471
        (4, 8, 0),
        (0, 0, None),
    ],
)
def test_what_holds_of_most_is_told_by_the_interval(count, n, side):
    assert proportion(count, n).beside_half == side


def test_no_tries_have_no_share():
    got = proportion(0, 0)
    assert (got.share, got.low, got.high) == (None, None, None)
    for count, n in ((1, 0), (-1, 5), (6, 5)):
        with pytest.raises(SampleError, match=f"{count} of {n}, expected a count"):
            proportion(count, n)


@pytest.mark.parametrize("table", [np.zeros((1, 5)), np.zeros((5, 1)), np.zeros(5)])
def test_a_table_without_repeats_is_refused(table):
    with pytest.raises(SampleError, match="expected 2 or more rows and columns"):
        mean_squares(table)


def test_missing_values_are_named():
    table = SHROUT.copy()
    table[2, 1] = np.nan
    with pytest.raises(SampleError, match="row 3 column 2 is missing"):
        icc(table)
    with pytest.raises(SampleError, match="a measure is nan"):
        stat_of([1.0, math.nan])


def test_a_table_without_variance_has_no_correlation():
    got = icc(np.full((4, 3), 7.0))
    assert got.icc_3_1 is None and got.icc_1_k is None


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30),
    st.floats(-1e6, 1e6),
    st.randoms(use_true_random=False),
)
def test_stat_ignores_order_and_absent_values(values, shift, random):
    shuffled: list[float | None] = [*values, None]
    random.shuffle(shuffled)
    assert stat_of(shuffled).mean == stat_of(values).mean
    got = stat_of(values)
    assert got.mean == pytest.approx(np.mean(values), abs=1e-9)
    assert got.sd == pytest.approx(np.std(values, ddof=1), rel=1e-9, abs=1e-12)
    moved = stat_of([v + shift for v in values])
    assert moved.sd == pytest.approx(got.sd, abs=1e-8)


@pytest.mark.dear
@settings(max_examples=100, deadline=None)
@given(st.integers(2, 12), st.integers(2, 6), st.integers(0, 2**32 - 1), st.floats(-1e5, 1e5))
def test_mean_squares_add_up_and_ignore_the_level(n, k, seed, level):
    table = np.random.default_rng(seed).normal(size=(n, k))
    ms = mean_squares(table + level)
    total = ((table - table.mean()) ** 2).sum()
    parts = (n - 1) * ms.subjects + (k - 1) * ms.repeats + (n - 1) * (k - 1) * ms.error
    assert parts == pytest.approx(total, rel=1e-6)
    assert n * (k - 1) * ms.within == pytest.approx(
        (k - 1) * ms.repeats + (n - 1) * (k - 1) * ms.error, rel=1e-6
    )
    assume(abs(level) < 1)
    trend = np.arange(k)[None, :] * 3.0
    assert mean_squares(table + trend).error == pytest.approx(ms.error, rel=1e-6)


def test_agreement_of_the_two_peak_flow_meters():
    """Bland & Altman 1986 (Lancet i:307–310), table 1: their differences −2.1 ± 38.8 l/min.

    Large meter less mini meter, first readings of 17 people; data from memory, which come to the
    published mean and SD.
    """
    large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    got = agreement(mini, large)
    assert (got.n, round(got.bias, 1), round(got.sd, 1)) == (17, -2.1, 38.8)
    assert got.low == pytest.approx(-2.1176 - 1.96 * 38.765, abs=1e-2)
    assert got.high == pytest.approx(-2.1176 + 1.96 * 38.765, abs=1e-2)


def test_two_pairs_agree_within_limits():
    """By hand: differences of 1 and 3 have a mean of 2 and an SD of √2."""
    got = agreement([1.0, 1.0], [2.0, 4.0])
    assert (got.n, got.bias) == (2, 2.0)
    assert got.sd == pytest.approx(2.0**0.5)


@pytest.mark.parametrize(
    ("low", "high", "side"),
    [(0.5, 0.9, 0), (0.501, 0.9, 1), (0.1, 0.5, 0), (0.1, 0.499, -1), (None, None, None)],
)
def test_most_is_where_the_whole_interval_lies_beside_a_half(low, high, side):
    assert Proportion(1, 2, 0.5, low, high).beside_half is side


@pytest.mark.parametrize(
    ("first", "second"), [([1.0], [2.0]), ([1.0, 2.0], [1.0]), ([1.0, math.nan], [1.0, 2.0])]
)
def test_agreement_needs_pairs_of_numbers(first, second):
    with pytest.raises(SampleError):
        agreement(first, second)
