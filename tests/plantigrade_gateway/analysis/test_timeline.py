"""The time line of both feet: its rows, their numbers, and what is kept of them."""

import numpy as np
import pytest

from plantigrade.baseline import BaselineState
from plantigrade.block import N_COLUMNS, Foot, LoadBlock, PairBlock
from plantigrade.limits import setup_for
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.timeline import Tallies, TimeLine

SETUP = setup_for(eighteen(), 100.0, 700.0, Foot.LEFT)


def loads(foot: Foot, start_s: float, n: int, first_n: float = 350.0) -> LoadBlock:
    values = np.zeros((n, N_COLUMNS))
    values[:, 0] = first_n
    return LoadBlock(foot, start_s + np.arange(n) / 100.0, values)


def rows(start_s: float, n: int) -> PairBlock:
    both = [loads(foot, start_s, n).values for foot in Foot]
    return PairBlock(0, start_s + np.arange(n) / 100.0, *both)


def both(line: TimeLine, start_s: float, n: int) -> None:
    for foot in Foot:
        line.push(loads(foot, start_s, n))


def test_rows_are_numbered_through_stretches():
    line = TimeLine()
    assert line.rate_hz is None and line.baselines() == {}
    line.end()  # there is nothing to end
    line.away(Foot.LEFT)
    line.back(Foot.LEFT)
    assert line.gone == set()
    line.begin(SETUP)
    assert line.rate_hz == 100.0 and set(line.baselines()) == set(Foot)
    both(line, 5.0, 100)
    line.end()
    assert line.rate_hz is None and line.baselines() == {}
    first = PairBlock.join(line.out.rows)
    assert (first.first, len(first), float(first.t_s[0])) == (0, 100, 5.0)
    line.begin(SETUP)
    both(line, 60.0, 50)
    line.end()
    numbers = [block.first for block in line.out.rows if block.t_s[0] >= 60.0]
    assert numbers[0] == 100
    assert sum(map(len, line.out.net)) == sum(map(len, line.out.rows)) == 150


def test_a_foot_that_is_away_is_missing_and_back_again_in_a_new_stretch():
    line = TimeLine()
    line.begin(SETUP)
    both(line, 5.0, 100)
    line.away(Foot.RIGHT)
    assert line.gone == {Foot.RIGHT}
    line.push(loads(Foot.LEFT, 6.0, 100))
    line.back(Foot.RIGHT)
    assert line.gone == set()
    line.away(Foot.LEFT)
    line.end()
    whole = PairBlock.join(line.out.rows)
    lacking = np.isnan(whole.right[:, 0])
    assert lacking.sum() == 100 and float(whole.t_s[lacking][0]) == pytest.approx(6.0)
    line.begin(SETUP)
    assert line.gone == set()


def test_the_rate_is_that_of_the_first_stretch_to_six_digits():
    tallies = Tallies()
    assert tallies.rate_hz is None and tallies.weight_n() is None
    tallies.begin(SETUP)
    tallies.take(rows(0.0, 10), [], 1e6 / 30_000)
    assert tallies.rate_hz == 33.3333
    tallies.take(rows(0.1, 10), [], 50.0)
    assert tallies.rate_hz == 33.3333


def test_body_weight_is_that_of_both_feet():
    tallies = Tallies()
    tallies.begin(SETUP)
    tallies.take(rows(0.0, 1000), [], 100.0)
    tallies.end({})
    assert tallies.weight_n() == pytest.approx(700.0)


def test_what_is_missing_is_of_the_foot_that_lacks_more():
    """Of 4 s the right foot lacks 1 s at 100 Hz, a quarter; nothing is due after the last row."""
    tallies = Tallies()
    assert tallies.missing_share(0.0, 1.0) is None
    tallies.begin(SETUP)
    tallies.take_samples(loads(Foot.LEFT, 5.0, 401))
    tallies.take_samples(loads(Foot.RIGHT, 5.0, 201))
    tallies.take_samples(loads(Foot.RIGHT, 8.0, 101))
    tallies.take(rows(5.0, 401), [], 100.0)
    tallies.end({})
    assert [tallies.samples[foot].samples for foot in Foot] == [401, 302]
    assert tallies.samples[Foot.RIGHT].missing == 99
    assert tallies.missing_share(5.0, 9.0) == pytest.approx(0.25, abs=0.003)
    assert tallies.missing_share(5.0, 100.0) == pytest.approx(0.25, abs=0.003)
    assert tallies.missing_share(7.2, 7.7) == pytest.approx(0.99, abs=0.011)
    assert tallies.missing_share(5.0, 6.0) == 0.0
    for start_s, end_s in ((9.0, 20.0), (6.0, 6.0), (7.0, 6.0)):
        assert tallies.missing_share(start_s, end_s) is None
    # the next stretch begins 2 s on: nobody has the 199 rows between
    tallies.begin(SETUP)
    for foot in Foot:
        tallies.take_samples(loads(foot, 11.0, 100))
    tallies.take(rows(11.0, 100), [], 100.0)
    tallies.end({})
    assert [tallies.samples[foot].missing for foot in Foot] == [199, 298]


def test_samples_with_an_empty_cell_are_missing():
    tallies = Tallies()
    tallies.begin(SETUP)
    some = loads(Foot.LEFT, 5.0, 100)
    some.values[10:13] = np.nan
    tallies.take_samples(some)
    tallies.take(rows(5.0, 100), [], 100.0)
    tallies.end({})
    assert (tallies.samples[Foot.LEFT].samples, tallies.samples[Foot.LEFT].missing) == (97, 3)


def test_a_baseline_and_its_age():
    tallies = Tallies()
    assert tallies.baseline(Foot.LEFT) == (BaselineState(0.0, None, None), None)
    tallies.begin(SETUP)
    tallies.take(rows(5.0, 101), [], 100.0)
    state = BaselineState(3.0, 0.5, 4.0)
    tallies.end({Foot.LEFT: state})
    assert tallies.baseline(Foot.LEFT) == (state, 2.0)
    assert tallies.baseline(Foot.RIGHT) == (BaselineState(0.0, None, None), None)
    assert list(tallies.notes()) == []
