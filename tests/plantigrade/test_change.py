"""What may be said of a difference, and what may not."""

import math

import pytest

from plantigrade.change import Kind, Verdict, compare, repeat_error
from plantigrade.stat import Stat

# Weir 2005, J Strength Cond Res 19(1):231–240, data set A: SEM 7.6 (p. 236), MDC95 20.947.
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
    change = compare([146.0, 148.0, 150.0], [150.0, 154.0, 152.0], WEIR_A)
    assert change.a == Stat(3, 148.0, 2.0)
    assert change.b == Stat(3, 152.0, 2.0)
    assert change.difference == 4.0
    assert change.kind is Kind.MEAN
    assert change.mdc95 == pytest.approx(20.947, abs=5e-4)
    assert change.verdict is Verdict.INSIDE
    assert change.text == "not distinguishable from this player's usual variation"
    assert "no change" not in change.text


def test_change_beyond_the_usual_variation():
    change = compare([148.0], [127.0], WEIR_A, Kind.SINGLE)
    assert change.difference == -21.0
    assert change.verdict is Verdict.OUTSIDE
    assert change.text == "larger than this player's usual variation"
    assert compare([148.0], [127.1], WEIR_A).verdict is Verdict.INSIDE


def test_without_repeats_there_is_no_verdict():
    tables: list[list[list[float | None]]] = [
        [],
        [[]],
        [[1.0]],
        [[1.0], [2.0]],
        [[None, 1.0], [2.0, None]],
    ]
    for repeats in tables:
        change = compare([1.0, 2.0], [8.0, 9.0], repeats)
        assert (change.difference, change.verdict, change.mdc95) == (7.0, None, None)
        assert change.text == "no verdict: no repeats to tell the usual variation from"


def test_nothing_measured_gives_no_verdict():
    change = compare([None, None], [1.0], WEIR_A)
    assert (change.a, change.difference, change.verdict) == (Stat(0, None, None), None, None)
    assert change.text == "no verdict: nothing to compare with"


def test_repeats_that_do_not_vary_give_no_verdict():
    change = compare([1.0], [2.0], [[3.0, 3.0, 3.0]])
    assert (change.mdc95, change.verdict) == (0.0, None)
    assert change.text == "no verdict: the repeats do not vary at all"


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
