"""Two visits and two sets side by side, against plain computations of their intervals."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from tests.support.cases import STANDS, MadeAnalysis, VisitMaker, case, pushes, two_way, worn

from plantigrade.change import BY_CHANCE, IN_VISIT, Kind, Verdict
from plantigrade_gateway.coach.case import SwingNote
from plantigrade_gateway.coach.compare import (
    OF_SHARES,
    Compared,
    Comparison,
    compare,
    compare_sets,
    set_of,
)
from plantigrade_gateway.coach.follow import KEPT_ALIKE, KEPT_IS
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.files import built_in

RULES = built_in()


def line(found: Comparison, key: str) -> Compared:
    (one,) = [one for one in found.lines if one.measure.key == key]
    return one


def test_two_visits_by_the_error_of_shoes_put_on_again():
    visits = [worn(list(row), day) for day, row in enumerate(STANDS)]
    found = compare(case(*visits), RULES, "visit-0", "visit-1")
    one = line(found, "lead.stand")
    sem, degrees = two_way(STANDS)
    limit = stats.t.ppf(0.975, degrees) * sem * math.sqrt(1 / 3 + 1 / 3)
    value = STANDS[1].mean() - STANDS[0].mean()
    assert one.change is not None and one.change.kind is Kind.SHOES_AGAIN
    assert one.change.mdc95 == pytest.approx(limit)
    assert one.difference is not None
    assert one.difference.value == pytest.approx(value)
    ends = [one.difference.low, one.difference.high]
    assert ends == pytest.approx([value - limit, value + limit])
    assert one.text == str(Verdict.OUTSIDE if abs(value) > limit else Verdict.INSIDE)
    assert one.cells[:2] == ("8.6 ± 0.5 (3)", "10.9 ± 0.7 (3)")
    assert one.cells[3:5] == (f"{100 * limit:.1f}", "4")
    assert one.error_from in found.notes and BY_CHANCE in found.notes


def test_under_four_degrees_of_freedom_there_is_no_verdict():
    visits = [worn(list(row), day) for day, row in enumerate(STANDS[:, :2])]
    one = line(compare(case(*visits), RULES, "visit-0", "visit-1"), "lead.stand")
    assert one.change is not None and one.change.verdict is None
    assert one.text == "no verdict: under 4 degrees of freedom"
    once = [worn([0.1], 0), worn([0.2], 1)]
    one = line(compare(case(*once), RULES, "visit-0", "visit-1"), "lead.stand")
    assert one.text == "no verdict: no repeats to tell the usual variation from"
    assert one.difference is not None and one.difference.low is None


def test_a_proportion_is_counted_and_has_no_verdict_from_day_to_day():
    """56/70 less 48/80: Newcombe 1998, table II example (a), method 10: .0524 to .3339."""
    first = VisitMaker(day=0).swung("full", pushes(48, 32)).visit()
    second = VisitMaker(day=3).swung("full", pushes(56, 14, 5)).visit()
    one = line(compare(case(first, second), RULES, "visit-0", "visit-3"), "full.push_good")
    assert one.parts is not None
    assert [(p.count, p.n) for p in one.parts] == [(48, 80), (56, 70)]
    assert one.difference is not None
    assert one.difference.low == pytest.approx(0.0524, abs=5e-5)
    assert one.difference.high == pytest.approx(0.3339, abs=5e-5)
    assert (one.change, one.text) == (None, OF_SHARES)


def test_what_was_not_alike_is_said():
    first = VisitMaker(day=0, shoe="Shoe A").swung("full", pushes(8, 0)).visit()
    second = VisitMaker(day=1, shoe="Shoe B", footbed="thick").swung("full", pushes(8, 0))
    both = case(first, second.visit(calibrations=("new", "new")))
    found = compare(both, RULES, "visit-0", "visit-1", "full.push_good")
    assert found.notes == (
        "Shoe changed, Shoe A to Shoe B: a difference may be its.",
        "Footbed changed, not noted to thick: a difference may be its.",
        "The insoles' calibration changed: a difference may be its.",
    )
    assert [one.measure.key for one in found.lines] == ["full.push_good"]


def test_swings_of_the_other_hand_are_compared_with_none_and_said_to_be():
    """One visit's lead foot is the other's trail foot; days from `cases.FIRST_DAY`."""
    first = VisitMaker(day=0).swung("full", pushes(8, 0)).visit()
    other = replace(VisitMaker(day=7).swung("full", pushes(0, 8)).visit(), is_other_hand=True)
    found = compare(case(first, other), RULES, "visit-0", "visit-7")
    assert found.lines == ()
    said = "2026-03-09 was recorded for the other hand: none of its swings counts."
    assert found.notes == (said,)
    one = other.analysis.sets[0]
    assert compare_sets(other, RULES, one, one).notes[0] == said
    assert compare_sets(other, RULES, one, one).lines == ()


def test_an_intent_that_one_visit_lacks_is_said_and_not_left_out_unseen():
    """All its smooth swings are left out there; fast swings neither visit has."""
    first = VisitMaker(day=0).swung("smooth", pushes(8, 0)).swung("full", pushes(8, 0)).visit()
    out = {k: SwingNote(excluded="slipped") for k in range(8)}
    later = VisitMaker(day=7).swung("smooth", pushes(8, 0), notes=out).swung("full", pushes(8, 0))
    said = "Smooth is not compared: 2026-03-09 has no silent smooth swing that counts."
    both = case(first, later.visit())
    for before, after in (("visit-0", "visit-7"), ("visit-7", "visit-0")):
        notes = compare(both, RULES, before, after).notes
        assert [one for one in notes if "is not compared" in one] == [said]
    assert said in compare(both, RULES, "visit-0", "visit-7", "smooth.push_good").notes
    alone = compare(both, RULES, "visit-0", "visit-7", "full.push_good").notes
    assert "is not compared" not in str(alone)


def test_only_what_both_have_is_compared():
    first = VisitMaker(day=0).swung("full", pushes(8, 0)).visit()
    second = VisitMaker(day=1).swung("smooth", pushes(8, 0)).visit()
    assert compare(case(first, second), RULES, "visit-0", "visit-1").lines == ()
    with pytest.raises(InputError, match="no visit of this player"):
        compare(case(first), RULES, "visit-0", "visit-9")


def test_a_kept_row_that_is_of_the_full_set_alone_is_not_shown_twice():
    """Kept: the first silent full set, where no drill came before it on that visit."""
    once = [VisitMaker(day=k).swung("full", pushes(6, 2)).visit() for k in (0, 7)]
    found = compare(case(*once), RULES, "visit-0", "visit-7")
    keys = {one.measure.key for one in found.lines}
    assert "full.push_good" in keys
    assert {key for key in keys if key.startswith("kept.")} == set()
    assert found.notes.count(KEPT_ALIKE) == 1 and "first silent full set" in KEPT_ALIKE
    asked = compare(case(*once), RULES, "visit-0", "visit-7", "kept.push_good")
    assert [one.measure.key for one in asked.lines] == ["kept.push_good"]
    assert asked.notes == (KEPT_IS,)
    twice = VisitMaker(day=14).swung("full", pushes(6, 2)).swung("full", pushes(8, 0)).visit()
    found = compare(case(*once, twice), RULES, "visit-0", "visit-14")
    first, all_of_it = (line(found, f"{which}.push_good").parts for which in ("kept", "full"))
    assert first is not None and all_of_it is not None
    assert [(p.count, p.n) for p in first] == [(6, 8), (6, 8)]
    assert [(p.count, p.n) for p in all_of_it] == [(6, 8), (14, 16)]
    only_smooth = [VisitMaker(day=k).swung("smooth", pushes(6, 2)).visit() for k in (0, 7)]
    assert KEPT_ALIKE not in compare(case(*only_smooth), RULES, "visit-0", "visit-7").notes


def test_errors_from_several_repeats_say_of_which_measures():
    """Stands with the shoes put on again, and sets that were swung once."""
    made = [
        VisitMaker(day=k).swung("full", [{"load_tempo": 2.0 + 0.1 * k}] * 6).visit() for k in (0, 1)
    ]
    worn_too = [worn([0.1, 0.2, 0.15], k) for k in (0, 1)]
    both = []
    for a, b in zip(made, worn_too, strict=True):
        swung, stood = a.analysis, b.analysis
        assert isinstance(stood, MadeAnalysis)
        both.append(replace(a, analysis=replace(stood, swings=swung.swings, made_sets=swung.sets)))
    found = compare(case(*both), RULES, "visit-0", "visit-1")
    (again,) = [note for note in found.notes if "repeated on 2 visits" in note]
    (never,) = [note for note in found.notes if "othing was repeated" in note]
    assert again.startswith('Of "lead midfoot, standing"')
    assert ": measuring error from shoes taken off and on again, repeated" in again
    assert never.startswith('Of "full: ') and " more: nothing was repeated within" in never
    alone = compare(case(*made), RULES, "visit-0", "visit-1")
    assert "Nothing was repeated within a visit, so there is no verdict." in alone.notes


def test_two_sets_of_a_visit_by_their_own_spread():
    slow, fast = [2.0, 2.2, 2.1, 2.3], [2.9, 2.7, 3.0, 2.8, 9.0]
    maker = VisitMaker().swung("smooth", [{"load_tempo": v} for v in slow])
    maker.swung("full", [{"load_tempo": v} for v in fast], notes={4: SwingNote(excluded="slip")})
    visit = maker.visit()
    found = compare_sets(visit, RULES, set_of(visit, "SMOOTH 1"), set_of(visit, "set-1"))
    one = line(found, "load_tempo")
    other = stats.ttest_ind(fast[:4], slow, equal_var=False)
    interval = other.confidence_interval(0.95)
    assert one.difference is not None
    assert one.difference.value == pytest.approx(np.mean(fast[:4]) - np.mean(slow))
    assert one.difference.low == pytest.approx(interval.low)
    assert one.difference.degrees == pytest.approx(other.df)
    assert one.text == str(Verdict.APART)
    assert one.measure.title == "load tempo"
    assert found.notes == (IN_VISIT, BY_CHANCE)
    push = line(found, "push_good")
    assert push.parts is not None and push.text == str(Verdict.TOGETHER)


def test_a_set_is_found_by_its_name():
    visit = VisitMaker().swung("smooth", pushes(2, 0)).visit()
    with pytest.raises(InputError, match=r"there is none of this visit: smooth 1 \(set-0\)"):
        set_of(visit, "full")
