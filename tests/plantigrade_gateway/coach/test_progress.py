"""One measure over visits: intervals, bands and breaks, against plain computations."""

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy import stats
from tests.support.cases import STANDS, VisitMaker, case, pushes, two_way, worn

from plantigrade.change import BY_CHANCE, Kind, Verdict
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.coach.progress import next_check, point_text, progress
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.files import built_in

RULES = built_in()


def tempo(values: list[float], day: int, **given: str) -> Visit:
    shoe, footbed = given.get("shoe", "Shoe A"), given.get("footbed", "")
    maker = VisitMaker(day=day, shoe=shoe, footbed=footbed)
    return maker.swung("full", [{"load_tempo": v} for v in values]).visit()


def test_a_visits_mean_with_its_interval():
    values = [2.0, 2.4, 2.2, 2.8, 2.1]
    found = progress(case(tempo(values, 0)), RULES, "full.load_tempo")
    (point,) = found.points
    other = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert point.value == pytest.approx(np.mean(values))
    assert [point.low, point.high] == pytest.approx([other.low, other.high])
    assert (point.count, point.text, point.mdc95) == (5, "", None)
    assert point_text(point, found.measure) == "2.3 (1.9 to 2.7)"


def test_the_band_is_that_of_repeats_from_the_first_visit_on():
    visits = [worn(list(row), day) for day, row in enumerate(STANDS)]
    found = progress(case(*visits), RULES, "lead.stand")
    sem, degrees = two_way(STANDS)
    limit = stats.t.ppf(0.975, degrees) * sem * math.sqrt(2 / 3)
    assert (found.kind, found.degrees) == (Kind.SHOES_AGAIN, 4)
    assert [p.value for p in found.points] == pytest.approx(list(STANDS.mean(1)))
    assert found.points[0].mdc95 is None
    for point, row in zip(found.points[1:], STANDS[1:], strict=True):
        assert point.mdc95 == pytest.approx(limit)
        change = abs(row.mean() - STANDS[0].mean())
        assert point.text == str(Verdict.OUTSIDE if change > limit else Verdict.INSIDE)


def test_no_line_goes_across_a_change():
    visits = [
        tempo([2.0, 2.1], 0),
        tempo([2.0, 2.2], 1),
        tempo([2.4, 2.3], 2, shoe="Shoe B"),
        tempo([2.4, 2.5], 3, shoe="Shoe B", footbed="thick"),
    ]
    found = progress(case(*visits), RULES, "full.load_tempo")
    assert [p.stretch for p in found.points] == [0, 0, 1, 2]
    assert [(b.before, b.text) for b in found.breaks] == [
        ("visit-2", "shoe Shoe A → Shoe B"),
        ("visit-3", "footbed not noted → thick"),
    ]
    assert [bool(p.text) for p in found.points] == [False, True, False, False]
    calibrated = VisitMaker(day=4, shoe="Shoe B", footbed="thick")
    calibrated.swung("full", [{"load_tempo": 2.0}])
    again = progress(
        case(*visits, calibrated.visit(calibrations=("a", "b"))), RULES, "full.load_tempo"
    )
    assert again.breaks[-1].text == "another calibration"


def test_no_line_goes_across_a_change_on_a_visit_without_the_measure():
    visits = [tempo([2.0, 2.1], 0), VisitMaker(day=1, shoe="Shoe B").visit(), tempo([2.0], 2)]
    found = progress(case(*visits), RULES, "full.load_tempo")
    assert [p.stretch for p in found.points] == [0, 1]
    (only,) = found.breaks
    assert only.text == "shoe Shoe A → Shoe B, shoe Shoe B → Shoe A"


def test_visits_without_the_measure_are_left_out():
    visits = [tempo([2.0, 2.1], 0), VisitMaker(day=1).visit(), tempo([2.0], 2)]
    found = progress(case(*visits), RULES, "full.load_tempo")
    assert [p.session_id for p in found.points] == ["visit-0", "visit-2"]
    assert found.breaks == ()
    assert found.points[1].low is None  # one value has no interval
    with pytest.raises(InputError):
        progress(case(*visits), RULES, "full.nothing")


def test_a_visit_of_the_other_hand_is_left_out_of_its_swings_measures_and_said_to_be():
    """Days from `cases.FIRST_DAY`; how somebody stands is of the registered hand."""
    other = replace(tempo([2.0, 2.1], 7), is_other_hand=True)
    found = progress(case(tempo([2.0, 2.1], 0), other), RULES, "full.load_tempo")
    assert [p.session_id for p in found.points] == ["visit-0"]
    said = "2026-03-09 was recorded for the other hand: none of its swings counts."
    assert said in found.notes
    assert said not in progress(case(other), RULES, "lead.stand").notes


def test_a_proportion_over_visits_is_counted():
    kept = VisitMaker(day=0).swung("full", pushes(7, 1)).drilled().swung("full", pushes(0, 8))
    found = progress(case(kept.visit()), RULES, "kept.push_good")
    (point,) = found.points
    assert (point.hits, point.count, point.mdc95) == (7, 8, None)
    # Wilson 1927 by his formula: 7 of 8
    z = 1.959964
    middle = (7 / 8 + z * z / 16) / (1 + z * z / 8)
    half = z / (1 + z * z / 8) * math.sqrt(7 / 8 / 8 / 8 + z * z / 256)
    assert [point.low, point.high] == pytest.approx([middle - half, middle + half], abs=1e-6)


def test_sets_of_unequal_size_count_as_one_each_and_so_does_their_error():
    maker = VisitMaker().swung("full", [{"load_tempo": v} for v in (2.0, 2.2)])
    maker.swung("full", [{"load_tempo": v} for v in (3.0, 3.1, 3.2, 3.3)])
    (point,) = progress(case(maker.visit()), RULES, "full.load_tempo").points
    assert point.value == pytest.approx((2.1 + 3.15) / 2)
    squares = 2 * 0.1**2 + 2 * 0.15**2 + 2 * 0.05**2
    half = stats.t.ppf(0.975, 4) * math.sqrt(squares / 4) * math.sqrt(1 / 2 + 1 / 4) / 2
    assert point.high == pytest.approx(point.value + half)


def test_wearings_count_as_one_each_whatever_was_swung_in_them():
    maker = VisitMaker().lifted().swung("full", [{"load_tempo": v} for v in (2.0, 2.2)])
    maker.swung("full", [{"load_tempo": v} for v in (2.4, 2.6)])
    maker.lifted().swung("full", [{"load_tempo": v} for v in (3.0, 3.4)])
    found = progress(case(maker.visit()), RULES, "full.load_tempo")
    (point,) = found.points
    assert found.kind is Kind.SHOES_AGAIN
    # (2.1 + 2.5) / 2 = 2.3 and 3.2: their mean; a set weighs a quarter, a quarter and a half
    assert point.value == pytest.approx(2.75)
    squares = 2 * 0.1**2 + 2 * 0.1**2 + 2 * 0.2**2
    error = math.sqrt(squares / 3) * math.sqrt((1 / 16 + 1 / 16 + 1 / 4) / 2)
    assert point.high == pytest.approx(2.75 + stats.t.ppf(0.975, 3) * error)


def test_the_next_check_is_the_rule_files_days_after_the_last_visit():
    assert RULES.speed["recheck_after_days"] == 28
    assert next_check(case(), RULES) is None
    assert next_check(case(tempo([2.0], 0)), RULES) == date(2026, 3, 30)


def test_a_point_without_an_interval_is_a_number_alone():
    found = progress(case(tempo([2.0], 0)), RULES, "full.load_tempo")
    (point,) = found.points
    assert point_text(point, found.measure) == "2.0"
    for low, high in ((None, 3.0), (1.0, None)):
        assert point_text(replace(point, low=low, high=high), found.measure) == "2.0"


def test_many_points_say_that_some_lie_outside_by_chance():
    for n, said in ((2, False), (3, True)):
        days = case(*[tempo([2.0, 2.1, 2.2], day) for day in range(n)])
        assert (BY_CHANCE in progress(days, RULES, "full.load_tempo").notes) is said
        assert BY_CHANCE not in progress(days, RULES, "full.push_good").notes  # none is marked
