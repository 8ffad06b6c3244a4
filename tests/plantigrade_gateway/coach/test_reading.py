"""When a count is mostly so, against the rule file's own examples and a plain computation."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade_gateway.coach.reading import tally, word_of


@pytest.mark.parametrize(
    ("count", "n", "word"),
    [  # the rule file's own: "8 in 8, 7 in 8, 10 in 12 and 15 in 20 are mostly; 5 in 6, 8 in 10
        # and 14 in 20 are mixed"; rarely is the same of those that are not
        (8, 8, "mostly"),
        (7, 8, "mostly"),
        (10, 12, "mostly"),
        (15, 20, "mostly"),
        (5, 6, "mixed"),
        (8, 10, "mixed"),
        (14, 20, "mixed"),
        (0, 8, "rarely"),
        (1, 8, "rarely"),
        (2, 12, "rarely"),
        (5, 20, "rarely"),
        (1, 6, "mixed"),
        (2, 10, "mixed"),
        (6, 20, "mixed"),
    ],
)
def test_the_rule_files_own_examples(count, n, word):
    assert word_of(count, n) == word
    assert tally([True] * count + [False] * (n - count), 6, "swing").value == word


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_word_by_the_test_that_the_interval_inverts(both):
    """Wilson's interval is under or over .5 where the score test at .5 says so (Wilson 1927)."""
    count, n = both
    z = (count - n / 2) / math.sqrt(n / 4)
    limit = 1.959963984540054  # the normal's 97.5 % quantile, by any table
    assert word_of(count, n) == ("mostly" if z > limit else "rarely" if z < -limit else "mixed")


def test_unclear_ones_are_left_out_and_counted():
    found = tally([True] * 7 + [False] + [None] * 3, 6, "swing")
    assert (found.value, found.count, found.n, found.left_out) == ("mostly", 7, 8, 3)
    # 7 of 8 by Wilson: .5291 to .9776 (the rule file's own score interval, computed by hand)
    assert found.text == "7 of 8 (53 to 98 %); 3 unclear left out"


def test_under_the_least_it_is_not_known():
    found = tally([True] * 5 + [None] * 9, 6, "swing")
    assert (found.value, found.n) == (None, 5)
    assert found.text == "5 swings, 6 needed; 9 unclear left out"
    assert tally([], 0, "swing").value is None
    assert word_of(0, 0) is None


def test_one_that_is_known_is_enough_where_no_more_are_asked_for():
    for least in (0, 1):
        found = tally([True, None], least, "swing")
        assert (found.value, found.count, found.n, found.left_out) == ("mixed", 1, 1, 1)
        assert found.text == "1 of 1 (21 to 100 %); 1 unclear left out"  # 1 / (1 + 1.96²)
    assert tally([None], 0, "swing").text == "0 swings, 1 needed; 1 unclear left out"
