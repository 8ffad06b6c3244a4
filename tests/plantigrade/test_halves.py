"""A set's halves, at means worked by hand."""

from dataclasses import replace

import pytest
from scipy import stats
from tests.support.records import swing

from plantigrade.events import Manner, Swing
from plantigrade.halves import HALVED, Halves, halves_of, halves_of_set


def swings(*tempos: float | None) -> list[Swing]:
    return [replace(swing(1000 * k), load_tempo=tempo) for k, tempo in enumerate(tempos)]


def tempo(one: Swing) -> float | None:
    return one.load_tempo


def value(found: Halves) -> float | None:
    return None if found.difference is None else found.difference.value


def test_the_second_half_less_the_first():
    found = halves_of(swings(2.0, 2.4, 3.0, 3.6), tempo)
    assert (found.first.count, found.second.count) == (2, 2)
    assert found.first.mean == pytest.approx(2.2)
    assert found.second.mean == pytest.approx(3.3)
    assert value(found) == pytest.approx(1.1)


def test_the_difference_has_welch_s_interval():
    """Against scipy's own test of unequal variances, over the halves picked by hand."""
    tempos = (2.0, 2.4, 2.1, 99.0, 3.0, 3.6, 2.9)
    known = stats.ttest_ind(tempos[4:], tempos[:3], equal_var=False).confidence_interval()
    found = halves_of(swings(*tempos), tempo).difference
    assert found is not None
    assert (found.low, found.high) == pytest.approx((known.low, known.high), rel=1e-9)


def test_the_middle_swing_of_an_odd_number_is_in_neither():
    found = halves_of(swings(2.0, 2.4, 99.0, 3.0, 3.6), tempo)
    assert value(found) == pytest.approx(1.1)
    assert found.first.count + found.second.count == 4


def test_a_swing_without_the_measure_does_not_move_the_middle():
    found = halves_of(swings(2.0, None, None, 3.0, None, 3.6), tempo)
    assert (found.first.count, found.second.count) == (1, 2)
    assert value(found) == pytest.approx(1.3)


@pytest.mark.parametrize("few", [(), (2.0,), (None, 2.0), (2.0, None)])
def test_without_both_halves_there_is_no_difference(few):
    assert halves_of(swings(*few), tempo).difference is None


def test_of_a_set_every_measure_is_told_and_transfer_of_rolled_pushes_alone():
    rolled = swing(0)
    skipped = replace(rolled, push=replace(rolled.push, manner=Manner.SKIPPED, transfer_s=0.01))
    slow = replace(rolled, push=replace(rolled.push, transfer_s=0.20))
    found = halves_of_set([rolled, skipped, slow, skipped])
    assert set(found) == set(HALVED)
    assert all(one.first.count == one.second.count for one in found.values())
    assert (found["transfer_s"].first.count, found["transfer_s"].second.count) == (1, 1)
    assert value(found["transfer_s"]) == pytest.approx(0.08)
    assert value(found["both_cop_travel"]) == 0.0
