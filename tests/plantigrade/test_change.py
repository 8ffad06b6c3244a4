"""What may be said of a difference, and what may not."""

import math

import numpy as np
import pytest

from plantigrade.change import (
    Kind,
    Verdict,
    compare_in_visit,
    compare_visits,
    repeat_error,
)
from plantigrade.stat import Stat

# Weir 2005, J Strength Cond Res 19(1):231–240, data set A: SEM 7.6 (p. 236), 1.96·√2·SEM 20.947;
# with Student's t of its 7 degrees of freedom, 2.3646 in the printed tables, 25.27.
WEIR_A = [
    [146.0, 140.0],
    [148.0, 152.0],
    [170.0, 152.0],
    [90.0, 99.0],
    [157.0, 145.0],
    [156.0, 153.0],
    [176.0, 167.0],
    [205.0, 218.0],
]


def test_change_inside_the_usual_variation_is_never_called_no_change():
    change = compare_visits([148.0], [170.0], WEIR_A, Kind.MEAN)
    assert change.a == Stat(1, 148.0, None)
    assert change.kind is Kind.MEAN
    assert change.mdc95 == pytest.approx(25.27, abs=5e-3)
    assert change.difference is not None and change.error is not None
    assert change.difference.value == 22.0
    assert (change.difference.low, change.difference.high) == pytest.approx(
        (22.0 - 25.27, 22.0 + 25.27), abs=5e-3
    )
    assert change.error.degrees == 7
    assert change.verdict is Verdict.INSIDE  # 1.96 in place of t would have marked it
    assert change.text == "not distinguishable from this player's usual variation"
    assert all("no change" not in verdict for verdict in Verdict)


def test_change_beyond_the_usual_variation():
    change = compare_visits([148.0], [122.0], WEIR_A, Kind.SINGLE)
    assert change.difference is not None and change.difference.value == -26.0
    assert change.verdict is Verdict.OUTSIDE
    assert change.text == "larger than this player's usual variation"
    assert compare_visits([148.0], [123.0], WEIR_A, Kind.SINGLE).verdict is Verdict.INSIDE


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_change_of_just_the_usual_variation_is_inside(sign):
    limit = compare_visits([0.0], [1.0], WEIR_A, Kind.SINGLE).mdc95
    assert limit is not None
    assert compare_visits([0.0], [sign * limit], WEIR_A, Kind.SINGLE).verdict is Verdict.INSIDE
    more = compare_visits([0.0], [sign * limit * (1.0 + 1e-9)], WEIR_A, Kind.SINGLE)
    assert more.verdict is Verdict.OUTSIDE


def test_means_of_several_repeats_are_told_apart_sooner():
    change = compare_visits([146.0, 150.0, 148.0, 148.0], [160.0] * 4, WEIR_A, Kind.SINGLE)
    assert change.mdc95 == pytest.approx(25.27 / 2, abs=3e-3)
    assert change.verdict is Verdict.INSIDE
    assert (change.a.count, change.a.mean) == (4, 148.0)
    assert change.a.sd == pytest.approx(math.sqrt(8 / 3))


@pytest.mark.dear
@pytest.mark.parametrize(("rows", "columns", "degrees"), [(3, 3, 4), (5, 3, 8), (5, 6, 20)])
def test_unchanged_measures_are_marked_one_time_in_twenty(rows, columns, degrees):
    """Seeded, 4000 unchanged measures each: rows that differ, a trend, new values of one player.

    Wanted are 2 to 7 %; 3 standard errors of 5 % of 4000 are 1 %. 1.96 in place of Student's t
    would mark 12, 9 and 6.4 %.
    """
    rng = np.random.default_rng(degrees)
    marked = 0
    for _ in range(4000):
        levels = rng.normal(50.0, 10.0, (rows, 1)) + rng.normal(0.0, 2.0, (1, columns))
        repeats = (levels + rng.normal(0.0, 3.0, (rows, columns))).tolist()
        a, b = rng.normal(40.0, 3.0, (2, 1)).tolist()
        change = compare_visits(a, b, repeats, Kind.MEAN)
        assert change.error is not None and change.error.degrees == degrees
        marked += change.verdict is Verdict.OUTSIDE
    assert 0.04 < marked / 4000 < 0.06


def test_under_four_degrees_of_freedom_there_is_no_verdict():
    """The design's limit: the difference, its error and how little they rest on are still shown."""
    few = [[1.0, 2.0], [5.0, 7.0], [9.0, 9.5], [3.0, 3.0]]
    change = compare_visits([1.0], [90.0], few, Kind.MEAN)
    assert change.error is not None and change.error.degrees == 3
    assert change.mdc95 is not None and change.mdc95 < 89.0
    assert change.verdict is None
    assert change.text == "no verdict: under 4 degrees of freedom"
    enough = compare_visits([1.0], [90.0], [*few, [4.0, 4.5]], Kind.MEAN)
    assert enough.verdict is Verdict.OUTSIDE


def test_without_repeats_there_is_no_verdict():
    tables: list[list[list[float | None]]] = [
        [],
        [[]],
        [[1.0]],
        [[1.0], [2.0]],
        [[None, 1.0], [2.0, None]],
    ]
    for repeats in tables:
        change = compare_visits([1.0, 2.0], [8.0, 9.0], repeats, Kind.MEAN)
        assert change.difference is not None and change.difference.value == 7.0
        assert (change.difference.low, change.verdict, change.mdc95) == (None, None, None)
        assert change.text == "no verdict: no repeats to tell the usual variation from"


def test_nothing_measured_gives_no_verdict():
    for change in (
        compare_visits([None, None], [1.0], WEIR_A, Kind.MEAN),
        compare_in_visit([None, None], [1.0]),
    ):
        assert (change.a, change.difference, change.verdict) == (Stat(0, None, None), None, None)
        assert change.text == "no verdict: nothing to compare with"


def test_values_that_do_not_vary_give_no_verdict():
    """Nor do sums of tenths, whose rounding is no spread."""
    for repeats in ([[3.0, 3.0, 3.0, 3.0, 3.0]], [[0.1 * k, 0.1 * k + 0.3] for k in range(6)]):
        change = compare_visits([1.0], [2.0], repeats, Kind.SINGLE)
        assert (change.mdc95, change.verdict) == (None, None)
        assert change.text == "no verdict: the repeats do not vary at all"
    within = compare_in_visit([0.1] * 6, [0.3] * 6)
    assert within.verdict is None and within.text == "no verdict: the values do not vary"


def test_sets_of_one_visit_are_compared_by_their_own_spread():
    a, b = [2.0, 2.2, 2.1, 2.4, 2.3], [2.3, 2.5, 2.2, 2.6, 2.4]
    near = compare_in_visit(a, b)
    assert near.difference is not None and near.difference.value == pytest.approx(0.2)
    assert near.verdict is Verdict.TOGETHER and near.text == "not distinguishable in this visit"
    assert (near.kind, near.error, near.mdc95) == (None, None, None)
    far = compare_in_visit(a, [v + 0.5 for v in b])
    assert far.verdict is Verdict.APART and far.text == "distinguishable in this visit"


def test_sets_of_one_visit_that_are_too_short_get_no_verdict():
    short = compare_in_visit([1.0, 1.1], [8.0, 8.1])
    assert short.difference is not None and short.difference.low is not None
    assert short.verdict is None and short.text == "no verdict: under 4 degrees of freedom"
    single = compare_in_visit([1.0], [8.0, 8.1])
    assert single.verdict is None and single.text == "no verdict: one value has no spread"


def test_error_of_one_row_or_ragged_rows_is_their_spread():
    one = repeat_error([[1.0, 2.0, 3.0]])
    assert one is not None
    assert (one.sem, one.degrees, one.two_way) == (1.0, 2, False)
    ragged = repeat_error([[1.0, 2.0, 3.0], [10.0, None, 12.0], [5.0]])
    assert ragged is not None
    assert ragged.sem == pytest.approx(math.sqrt((2 * 1.0 + 1 * 2.0) / 3))
    assert (ragged.degrees, ragged.two_way) == (3, False)


def test_error_of_a_whole_table_takes_the_common_trend_out():
    table = [[1.0, 2.0], [5.0, 6.0], [9.0, 10.0]]
    error = repeat_error(table)
    assert error is not None
    assert (error.degrees, error.two_way) == (2, True)
    assert error.sem == pytest.approx(0.0, abs=1e-12)
