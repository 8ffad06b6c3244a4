"""Club speeds matched to swings, by set, and beside a foot measure. All people are invented."""

import dataclasses
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress
from tests.support import records

from plantigrade.events import Manner, Swing
from plantigrade_gateway.analysis.result import Analysis, Exclusion, MarkedSet, swing_time
from plantigrade_gateway.coach.case import SwingNote, Visit
from plantigrade_gateway.coach.speed import (
    FEET,
    LEAST_RELATED,
    _nearest,
    _peak_s,
    by_order,
    by_set,
    by_time,
    places_of,
    relation,
    relations,
)
from plantigrade_gateway.coach.speedfile import SpeedRow
from plantigrade_gateway.errors import InputError

DAY = datetime(2026, 3, 31, 10, tzinfo=UTC)
(PEAK,) = [foot for foot in FEET if foot.title == "lead peak"]


def swing(t_s: float, lead_peak_bw: float = 1.2) -> Swing:
    made = records.swing(round(100 * t_s))
    return dataclasses.replace(made, lead_peak_s=t_s, lead_peak_bw=lead_peak_bw)


@dataclasses.dataclass(frozen=True, slots=True)
class Sets(Analysis):
    """An analysis whose sets are given."""

    made: tuple[MarkedSet, ...] = ()

    @property
    def sets(self) -> tuple[MarkedSet, ...]:
        kept = self.counted
        return tuple(
            dataclasses.replace(one, swings=tuple(s for s in one.swings if s in kept))
            for one in self.made
        )


def visit(
    *sets: tuple[str, Sequence[tuple[float | None, float | None]]], out: tuple[int, ...] = ()
) -> Visit:
    """A visit with sets: an intent, and lead peak and club speed of each swing."""
    swings: list[Swing] = []
    made, notes = [], {}
    for intent, pairs in sets:
        first = len(swings)
        for x, y in pairs:
            at = 20.0 * (len(swings) + 1)
            notes[len(swings)] = SwingNote(club_speed_m_s=y)
            swings.append(dataclasses.replace(swing(at), lead_peak_bw=x))
        some = tuple(swings[first:])
        made.append(MarkedSet(intent or "loose", some[0].address_s, intent=intent, swings=some))
    why = {k: Exclusion("stepped", "eve", DAY) for k in out}
    analysis = Sets(
        "test", 100.0, 600.0, (), (), tuple(swings), (), None, excluded=why, made=tuple(made)
    )
    return Visit("s", DAY, analysis, notes)


# Matched


def test_by_order_what_is_over_is_left_on_either_side():
    rows = [SpeedRow(k + 2, 40.0 + k, None) for k in range(3)]
    found = by_order(rows, [0, 2])
    assert [(p.row.line, p.place) for p in found.pairs] == [(2, 0), (3, 2)]
    assert (found.rows_left, found.swings_left) == ((rows[2],), ())
    found = by_order(rows, [0, 1, 2, 5])
    assert (found.rows_left, found.swings_left, found.offset_s) == ((), (5,), None)


def test_by_time_with_practice_swings_on_one_side_and_strange_balls_on_the_other():
    """Truth: the other clock is 3600.4 s ahead; it saw two swings too few and two too many."""
    times = [20.0, 51.0, 75.5, 108.0, 131.0, 170.0]
    swings = [swing(t) for t in times]
    seen = [20.0, 75.5, 108.0, 170.0]
    jitter = [0.3, -0.2, 0.0, 0.1]
    rows = [SpeedRow(9, 33.0, 5000.0)]
    rows += [
        SpeedRow(k, 40.0 + k, t + 3600.4 + j)
        for k, (t, j) in enumerate(zip(seen, jitter, strict=True))
    ]
    rows.append(SpeedRow(8, 34.0, 3600.4 + 300.0))
    found = by_time(rows, swings, range(6))
    assert found.offset_s == pytest.approx(-3600.4 - 0.05)  # the median of the jitter is .05
    assert [(p.row.line, p.place) for p in found.pairs] == [(0, 0), (1, 2), (2, 3), (3, 5)]
    assert [p.apart_s for p in found.pairs] == pytest.approx([0.25, -0.25, -0.05, 0.05])
    assert [r.line for r in found.rows_left] == [9, 8]
    assert found.swings_left == (1, 4) and found.doubt == ""


def test_swings_at_even_distances_leave_a_doubt():
    swings = [swing(30.0 * (k + 1)) for k in range(6)]
    rows = [SpeedRow(k, 40.0, 1000.0 + 30.0 * k) for k in range(5)]
    found = by_time(rows, swings, range(6))
    assert len(found.pairs) == 5 and "matches as many, 5" in found.doubt
    assert by_time(rows, swings, range(5)).doubt == ""  # one alone fits them all


def test_an_offset_that_a_stray_row_shifts_a_little_leaves_no_doubt():
    """Three rows fit at -1000.0, -999.9 and -999.8 s; with a stray at -995.98 three fit again."""
    swings = [swing(20.0), swing(51.0), swing(75.5)]
    times = (1015.98, 1020.0, 1050.9, 1075.3)
    rows = [SpeedRow(k, 40.0, t_s) for k, t_s in enumerate(times)]
    found = by_time(rows, swings, range(3))
    assert found.offset_s == pytest.approx(-999.9) and found.doubt == ""
    assert [p.row.line for p in found.pairs] == [1, 2, 3]


def test_places_are_those_of_swings_that_count_in_a_set():
    some = visit(("smooth", [(1.0, 40.0)] * 3), ("full", [(1.0, 44.0)] * 2), out=(1,)).analysis
    assert places_of(some) == [0, 2, 3, 4]
    assert [places_of(some, number) for number in (1, 2)] == [[0, 2], [3, 4]]
    for number in (0, 3, -1):
        with pytest.raises(InputError, match=f"set {number}: this session has 2 sets"):
            places_of(some, number)


def test_too_few_times_tell_no_offset_unless_it_is_given():
    swings = [swing(20.0), swing(50.0)]
    rows = [SpeedRow(2, 40.0, 120.0), SpeedRow(3, 41.0, 150.0), SpeedRow(4, 42.0, None)]
    found = by_time(rows, swings, range(2))
    assert found.pairs == () and "fewer than 3" in found.doubt and found.offset_s is None
    assert found.rows_left == tuple(rows) and found.swings_left == (0, 1)
    found = by_time(rows, swings, range(2), offset_s=-101.5)
    assert [(p.row.line, p.apart_s) for p in found.pairs] == [(2, -1.5), (3, -1.5)]
    assert by_time(rows, swings, range(2), offset_s=-102.1).pairs == ()
    assert by_time([], [], []).pairs == ()


def test_two_rows_of_one_swing_give_it_the_nearer():
    swings = [swing(20.0), swing(60.0), swing(95.0)]
    rows = [SpeedRow(k, 40.0, t) for k, t in enumerate((20.0, 60.0, 61.0, 95.0))]
    found = by_time(rows, swings, range(3))
    assert [(p.row.line, p.place) for p in found.pairs] == [(0, 0), (1, 1), (3, 2)]
    assert [r.line for r in found.rows_left] == [2]


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_an_offset_is_found_whatever_is_missing_on_either_side(data):
    """Swings 10 to 60 s apart at odd moments, the clock off by a day at most, 0.5 s of jitter."""
    n = data.draw(st.integers(8, 25))
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    times = np.cumsum(rng.uniform(10.0, 60.0, n))
    offset = float(rng.uniform(-86_400, 86_400))
    seen = np.flatnonzero(rng.random(n) < 0.8)
    clock = times[seen] - offset + rng.uniform(-0.5, 0.5, len(seen))
    rows = [SpeedRow(int(k), 40.0, float(t)) for k, t in zip(seen, clock, strict=True)]
    if len(rows) < 6:
        return  # chance may match as many
    found = by_time(rows, [swing(float(t)) for t in times], range(n))
    assert found.offset_s == pytest.approx(offset, abs=0.6)
    assert [(p.row.line, p.place) for p in found.pairs] == [(int(k), int(k)) for k in seen]


# By set


def test_mean_sd_and_best_of_each_set():
    """Worked by hand: 40, 42, 44 have mean 42 and SD 2."""
    some = visit(
        ("smooth", [(1.0, 40.0), (1.0, 42.0), (1.0, 44.0), (1.0, None), (1.0, 60.0)]),
        ("full", [(1.0, None)]),
        out=(4,),
    )
    smooth, full = by_set(some)
    assert (smooth.swings, smooth.speed.count, smooth.speed.mean) == (4, 3, 42.0)
    assert smooth.speed.sd == pytest.approx(2.0) and smooth.best == 44.0
    assert (full.swings, full.speed.count, full.best) == (1, 0, None)


# Beside a foot measure

PAIRS = [
    (float(x), float(y))
    for x, y in np.random.default_rng(7).normal((1.2, 42.0), (0.1, 2.0), (14, 2))
]


def test_the_slope_within_one_intent_is_that_of_scipy():
    found = relation(visit(("full", list(PAIRS))), PEAK)
    expected = linregress([x for x, _ in PAIRS], [y for _, y in PAIRS])
    assert found.n == 14 and found.intents == ("full",) and found.slope is not None
    assert found.slope.value == pytest.approx(expected.slope)
    assert found.slope.degrees == 12
    half = 2.178812829663418 * expected.stderr  # t(.975, 12), tables: 2.1788
    assert found.slope.low == pytest.approx(expected.slope - half)
    assert found.slope.high == pytest.approx(expected.slope + half)


def test_the_slope_within_several_intents_is_that_of_statsmodels():
    """An intercept of each intent: ordinary least squares with the intent as a category."""
    rng = np.random.default_rng(3)
    rows = [
        (intent, x, base + 8.0 * (x - 1.0) + e)
        for intent, base, n in (("smooth", 36.0, 8), ("full", 44.0, 7), ("fast", 50.0, 5))
        for x, e in zip(rng.normal(base / 40, 0.1, n), rng.normal(0, 1.5, n), strict=True)
    ]
    sets = {name: [(x, y) for i, x, y in rows if i == name] for name in ("smooth", "full", "fast")}
    found = relation(visit(*sets.items()), PEAK)
    table = pd.DataFrame(rows, columns=["intent", "x", "y"])
    model = smf.ols("y ~ x + C(intent)", table).fit()
    assert found.slope is not None and found.n == 20
    assert found.slope.value == pytest.approx(model.params["x"])
    assert found.slope.degrees == model.df_resid == 16
    low, high = model.conf_int(0.05).loc["x"]
    assert (found.slope.low, found.slope.high) == pytest.approx((low, high))


def test_what_differs_between_intents_alone_shows_no_relation():
    """Faster swings press more, yet within each intent nothing goes together (worked by hand)."""
    square = [(-0.1, -1.0), (-0.1, 1.0), (0.1, -1.0), (0.1, 1.0)]
    some = visit(
        ("smooth", [(1.0 + x, 36.0 + y) for x, y in square]),
        ("full", [(1.5 + x, 44.0 + y) for x, y in square]),
        ("fast", [(2.0 + x, 50.0 + y) for x, y in square]),
    )
    found = relation(some, PEAK)
    assert found.n == 12 and found.slope is not None
    assert found.slope.value == pytest.approx(0.0, abs=1e-9) and found.slope.holds_zero


def test_under_twelve_swings_and_without_an_intent_nothing_is_told():
    assert LEAST_RELATED == 12
    found = relation(visit(("full", PAIRS[:11])), PEAK)
    assert found.n == 11 and found.slope is None
    assert relation(visit(("full", PAIRS[:12])), PEAK).slope is not None
    assert relation(visit(("full", PAIRS[:12]), out=(3,)), PEAK).slope is None
    assert relation(visit(("", list(PAIRS))), PEAK).n == 0
    # One swing of an intent is its own mean: it tells nothing and does not count.
    found = relation(visit(("full", PAIRS[:12]), ("fast", [(1.4, 50.0)])), PEAK)
    assert (found.n, found.intents) == (12, ("full",))


def test_where_the_foot_does_not_vary_there_is_no_slope():
    assert relation(visit(("full", [(1.1, y) for _, y in PAIRS])), PEAK).slope is None
    gone = [(None, y) for _, y in PAIRS]
    assert relation(visit(("full", gone)), PEAK).n == 0


def test_every_foot_measure_is_looked_at():
    found = relations(visit(("full", list(PAIRS))))
    assert [one.title for one in found] == [foot.title for foot in FEET]
    assert {one.title for one in found if one.slope is not None} == {"lead peak"}


def test_each_foot_measure_is_a_swing_s_own_in_its_unit():
    """The values of `tests.support.records`: a share range of 0.7 is 70 %."""
    made = records.swing(0)
    assert {foot.title: (foot.value(made), foot.unit) for foot in FEET} == {
        "transfer of rolled pushes": (0.12, "s"),
        "load tempo": (2.4, "ratio"),
        "lead peak": (1.4, "about × BW"),
        "steepest lead rise, 50 ms": (2.5, "about BW/s"),
        "lead share range": (70.0, "%"),
        "front to back, both feet": (15.0, "% of length"),
    }
    skipped = dataclasses.replace(made.push, manner=Manner.SKIPPED)
    assert FEET[0].value(dataclasses.replace(made, push=skipped)) is None
    gone = dataclasses.replace(made, both_cop_travel=None)
    assert FEET[-1].value(gone) is None


def test_the_nearest_are_paired_and_each_once():
    row, other = SpeedRow(2, 40.0, 10.0), SpeedRow(3, 41.0, 11.0)
    found = _nearest([row], [(13.5, 0), (12.1, 1), (12.9, 2)], 2.0)
    assert [(pair.row, pair.place) for pair in found] == [(row, 1)]
    assert found[0].apart_s == pytest.approx(10.0 + 2.0 - 12.1)
    found = _nearest([row, other], [(12.2, 0)], 2.0)
    assert [(pair.row, pair.place) for pair in found] == [(row, 0)]
    found = _nearest([row], [(14.0, 0), (14.01, 1)], 2.0)  # within two seconds
    assert [pair.place for pair in found] == [0]
    assert _nearest([row, SpeedRow(4, 40.0, None)], [(14.01, 0)], 2.0) == []


def test_a_swing_is_where_its_lead_peak_is_or_else_where_it_is_listed():
    made = swing(20.0)
    assert _peak_s(dataclasses.replace(made, start_s=18.5, lead_peak_s=20.25)) == 20.25
    without = dataclasses.replace(made, lead_peak_s=None)
    assert _peak_s(without) == swing_time(without)
