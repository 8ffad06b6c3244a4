"""A set's halves, at means worked by hand."""

from dataclasses import replace

import pytest
from tests.support.records import swing

from plantigrade.events import Manner, Swing
from plantigrade.halves import HALVED, halves_of, halves_of_set


def swings(*tempos: float | None) -> list[Swing]:
    return [replace(swing(1000 * k), load_tempo=tempo) for k, tempo in enumerate(tempos)]


def tempo(one: Swing) -> float | None:
    return one.load_tempo


def test_the_second_half_less_the_first():
    found = halves_of(swings(2.0, 2.4, 3.0, 3.6), tempo)
    assert (found.first.count, found.second.count) == (2, 2)
    assert found.first.mean == pytest.approx(2.2)
    assert found.second.mean == pytest.approx(3.3)
    assert found.difference == pytest.approx(1.1)


def test_the_middle_swing_of_an_odd_number_is_in_neither():
    found = halves_of(swings(2.0, 2.4, 99.0, 3.0, 3.6), tempo)
    assert found.difference == pytest.approx(1.1)
    assert found.first.count + found.second.count == 4


def test_a_swing_without_the_measure_does_not_move_the_middle():
    found = halves_of(swings(2.0, None, None, 3.0, None, 3.6), tempo)
    assert (found.first.count, found.second.count) == (1, 2)
    assert found.difference == pytest.approx(1.3)


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
    assert found["transfer_s"].difference == pytest.approx(0.08)
    assert found["both_cop_travel"].difference == 0.0
