"""Facts of swings from cases put together by hand, against a plain count of what was put in."""

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats
from tests.support.cases import VisitMaker, case, pushes

from plantigrade.events import Timing
from plantigrade.limits import Limits
from plantigrade_gateway.coach.case import SwingNote, Tap, Visit
from plantigrade_gateway.coach.facts import FactValue, facts
from plantigrade_gateway.coach.falls import falls
from plantigrade_gateway.coach.swings import travel_word
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.rules.model import RuleSet, Value

RULES = built_in()


def found(*visits: Visit, rules: RuleSet = RULES) -> dict[str, FactValue]:
    return facts(case(*visits), rules)


def full(swings: list[dict[str, Any]], **given: Any) -> dict[str, FactValue]:
    return found(VisitMaker().swung("full", swings, **given).visit())


def said(fact: FactValue) -> tuple[Value | None, int | None, int | None]:
    return fact.value, fact.count, fact.n


def test_good_pushes_of_each_intent_by_itself():
    maker = VisitMaker().swung("smooth", pushes(8, 0)).swung("full", pushes(0, 7, 2))
    made = found(maker.swung("fast", pushes(4, 4)).visit())
    assert said(made["smooth.push_good"]) == ("mostly", 8, 8)
    assert said(made["full.push_good"]) == ("rarely", 0, 7)
    assert made["full.push_good"].left_out == 2
    assert said(made["fast.push_good"]) == ("mixed", 4, 8)
    assert said(made["full.push_skipped"]) == ("mostly", 7, 7)
    assert said(made["full.push_held"]) == ("rarely", 0, 7)


@pytest.mark.parametrize("silent", [False, None])
def test_only_silent_sets_count(silent):
    made = full(pushes(8, 0), silent=silent)["full.push_good"]
    assert (made.value, made.text) == (None, "no silent full set")


def test_a_set_with_too_many_samples_missing_is_left_out():
    assert full(pushes(8, 0), missing=0.02)["full.push_good"].value == "mostly"
    made = full(pushes(8, 0), missing=0.021)["full.push_good"]
    assert (made.value, made.text) == (None, "1 set left out: samples are missing")
    maker = VisitMaker().swung("full", pushes(0, 8), missing=0.5).swung("full", pushes(8, 0))
    both = found(maker.visit())["full.push_good"]
    assert both.value == "mostly"
    assert both.text == "8 of 8 (68 to 100 %); 1 set left out: samples are missing"


def test_where_a_sets_own_missing_part_is_not_known_the_whole_visits_is_taken():
    maker = VisitMaker().swung("full", pushes(8, 0), missing=None)
    assert found(maker.visit(missing=200))["full.push_good"].value == "mostly"
    assert found(maker.visit(missing=300))["full.push_good"].value is None


def test_an_excluded_swing_does_not_count():
    notes = {k: SwingNote(excluded="slipped") for k in (6, 7)}
    made = full([*pushes(6, 0), *pushes(0, 3)], notes=notes)["full.push_good"]
    assert said(made) == ("mixed", 6, 7)


def other_hand(maker: VisitMaker) -> Visit:
    return replace(maker.visit(), is_other_hand=True)


def test_no_swing_of_the_other_hand_counts():
    """Its lead foot is the player's trail foot: their pushes are of the wrong foot."""
    maker = VisitMaker().swung("smooth", pushes(8, 0)).swung("full", pushes(12, 0))
    maker.swung("smooth", pushes(8, 0)).swung("fast", pushes(8, 0))
    made = found(other_hand(maker))
    of_swings = [name for name in made if name.partition(".")[0] in ("smooth", "full", "fast")]
    assert len(of_swings) > 8 and {made[name].value for name in of_swings} == {None}
    assert made["again.push_good"].value is None
    why = "the visit was recorded for the other hand"
    assert {made[f"{one}.push_good"].text for one in ("full", "again")} == {why}
    assert falls(case(maker.visit()), RULES) and not falls(case(other_hand(maker)), RULES)
    late = VisitMaker(day=1).swung("full", pushes(8, 0))
    assert found(other_hand(late))["kept.push_good"].text == why


def test_where_the_last_visit_is_of_the_other_hand_the_one_before_counts():
    right = VisitMaker().swung("full", pushes(8, 0)).visit()
    later = other_hand(VisitMaker(day=1).swung("full", pushes(0, 8)))
    made = found(right, later)["full.push_good"]
    assert (made.value, made.session_id) == ("mostly", right.session_id)


def test_a_push_that_begins_in_front_is_not_good():
    swings = [{"travel_from": 0.41}] * 8
    made = full(swings)
    assert said(made["full.push_from_heel"]) == ("rarely", 0, 8)
    assert said(made["full.push_good"]) == ("rarely", 0, 8)
    assert said(full([{"travel_from": 0.40}] * 8)["full.push_good"]) == ("mostly", 8, 8)
    rules = replace(RULES, limits={**RULES.limits, "push_begins_by": 0.5})
    visit = VisitMaker().swung("full", swings).visit()
    assert said(found(visit, rules=rules)["full.push_good"]) == ("mostly", 8, 8)
    own = VisitMaker().swung("full", swings).visit(limits=Limits(push_begins_by=0.3))
    assert said(found(own, rules=rules)["full.push_good"]) == ("rarely", 0, 8)


def test_an_early_push_is_early_and_not_good():
    made = full([{"timing": Timing.EARLY}] * 8)
    assert said(made["full.push_early"]) == ("mostly", 8, 8)
    assert said(made["full.push_good"]) == ("rarely", 0, 8)
    assert full(pushes(0, 0, 8))["full.push_early"].value is None


def test_the_trail_heel_needs_half_and_a_gain():
    def heel(at: float, before: float | None) -> object:
        swing = {"heel_share_trail_peak": at, "heel_share_address": before}
        return said(full([swing] * 8)["full.trail_heel"])

    assert heel(0.50, 0.40) == ("mostly", 8, 8)
    assert heel(0.49, 0.30) == ("rarely", 0, 8)
    assert heel(0.59, 0.50) == ("rarely", 0, 8)
    assert heel(0.60, None) == (None, 0, 0)


def test_the_heel_back_is_of_the_unloaded_ones():
    swings = [{"lifted": True}] * 7 + [{"lifted": False}] * 3 + [{"lifted": None}] * 2
    made = full(swings)
    assert said(made["full.heel_unloaded"]) == ("mixed", 7, 10)
    assert made["full.heel_unloaded"].left_out == 2
    assert said(made["full.heel_back"]) == ("mostly", 7, 7)
    assert made["full.heel_back"].left_out == 0  # the others were never asked
    late = full([{"return_after_level_s": 0.051}] * 8)["full.heel_back"]
    assert said(late) == ("rarely", 0, 8)
    assert said(full([{"return_after_level_s": 0.05}] * 8)["full.heel_back"])[0] == "mostly"
    hidden = [{"return_after_level_s": None, "touches_gap": True}] * 8
    assert full(hidden)["full.heel_back"].value is None


def test_returning_load():
    assert said(full([{"trail_return_share": 0.2}] * 8)["full.returns"]) == ("mostly", 8, 8)
    assert said(full(pushes(8, 0))["full.returns"]) == ("rarely", 0, 8)
    assert full([{"touches_gap": True}] * 8)["full.returns"].value is None


# ---- travel ----


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [  # rule file: "first that fits: upper end < 0; upper end < travel_margin; lower end > 0; else"
        (-0.10, -0.01, "smaller"),
        (-0.10, 0.0, "within"),
        (-0.10, 0.049, "within"),
        (0.01, 0.049, "within"),
        (0.01, 0.05, "larger"),
        (0.0, 0.05, "not told apart"),
        (-0.10, 0.10, "not told apart"),
    ],
)
def test_the_words_of_travel(low, high, word):
    assert travel_word(low, high, 0.05) == word


def test_travel_of_full_less_smooth_is_welchs():
    smooth, hard = [0.10, 0.12, 0.11, 0.13, 0.12, 0.10], [0.30, 0.28, 0.33, 0.26, 0.31, 0.29]
    maker = VisitMaker().swung("smooth", [{"both_cop_travel": v} for v in smooth])
    maker.swung("full", [{"both_cop_travel": v} for v in hard])
    made = found(maker.visit())["smooth_full.travel"]
    other = stats.ttest_ind(hard, smooth, equal_var=False).confidence_interval(0.95)
    assert made.interval == pytest.approx((other.low, other.high))
    assert (made.value, made.n) == ("larger", 12)
    assert found(maker.visit())["full_fast.travel"].value is None


def test_travel_of_fast_less_full_is_of_those_sets():
    maker = VisitMaker()
    for intent, level in (("smooth", 0.9), ("full", 0.3), ("fast", 0.1)):
        maker.swung(intent, [{"both_cop_travel": level + k / 100} for k in range(6)])
    made = found(maker.visit())["full_fast.travel"]
    assert made.value == "smaller"
    assert made.measured == pytest.approx(-0.2)


def test_travel_without_six_on_each_side_is_not_known():
    five: list[dict[str, Any]] = [{"both_cop_travel": 0.1 + k / 100} for k in range(5)]
    eight: list[dict[str, Any]] = [{"both_cop_travel": 0.1 + k / 100} for k in range(8)]
    for a, b in ((five, eight), (eight, five), (eight, [*five, {"both_cop_travel": None}])):
        made = found(VisitMaker().swung("smooth", a).swung("full", b).visit())
        assert made["smooth_full.travel"].value is None
    same = [{"both_cop_travel": 0.1}] * 8
    made = found(VisitMaker().swung("smooth", same).swung("full", same).visit())
    assert made["smooth_full.travel"].value is None


# ---- again and kept ----


def test_again_is_the_last_silent_set_after_twenty_swings():
    maker = VisitMaker().swung("full", pushes(0, 19)).swung("smooth", pushes(8, 0))
    assert found(maker.visit())["again.push_good"].value is None
    maker = VisitMaker().swung("full", pushes(0, 20)).swung("smooth", pushes(8, 0))
    assert said(found(maker.visit())["again.push_good"]) == ("mostly", 8, 8)
    maker.swung("fast", pushes(0, 8)).swung("full", pushes(0, 8), silent=False)
    assert said(found(maker.visit())["again.push_good"]) == ("mostly", 8, 8)
    maker.swung("full", pushes(0, 9))
    assert said(found(maker.visit())["again.push_good"]) == ("rarely", 0, 9)


def test_smooth_again_stands_apart_from_smooth():
    """Fading late in a visit would be hidden among the first swings of it, and they by it."""
    maker = VisitMaker().swung("smooth", pushes(8, 0)).swung("full", pushes(8, 0))
    made = found(maker.swung("fast", pushes(8, 0)).swung("smooth", pushes(0, 8)).visit())
    assert said(made["smooth.push_good"]) == ("mostly", 8, 8)
    assert said(made["again.push_good"]) == ("rarely", 0, 8)


def test_eight_more_in_smooth_again_count_as_smooth_again():
    maker = VisitMaker().swung("smooth", pushes(8, 0)).swung("full", pushes(8, 0))
    maker.swung("fast", pushes(8, 0)).swung("smooth", pushes(4, 4)).swung("smooth", pushes(0, 8))
    made = found(maker.visit())
    assert said(made["smooth.push_good"]) == ("mostly", 8, 8)
    assert said(made["again.push_good"]) == ("rarely", 4, 16)


def test_more_swings_of_an_intent_that_goes_on_are_no_return_to_it():
    """Eight more are offered while an answer is mixed; with the practice 20 came before them."""
    maker = VisitMaker().swung("smooth", pushes(12, 0)).swung("full", pushes(5, 3))
    made = found(maker.swung("full", pushes(7, 1)).visit())
    assert said(made["full.push_good"]) == ("mostly", 12, 16)


def drilled(day: int) -> Visit:
    return VisitMaker(day=day).drilled().swung("full", pushes(4, 4)).visit()


def test_kept_is_the_first_full_set_before_any_drill_on_another_day():
    later = VisitMaker(day=1).swung("smooth", pushes(0, 8)).swung("full", pushes(8, 0))
    later.drilled().swung("full", pushes(0, 8))
    assert said(found(drilled(0), later.visit())["kept.push_good"]) == ("mostly", 8, 8)


def test_kept_is_not_known_without_a_drill_or_too_soon_or_after_one():
    later = VisitMaker(day=1, hour=15).swung("full", pushes(8, 0))
    assert found(later.visit())["kept.push_good"].value is None
    assert found(drilled(1), later.visit())["kept.push_good"].value is None  # that morning
    warm = VisitMaker(day=1).drilled().swung("full", pushes(8, 0))
    assert found(drilled(0), warm.visit())["kept.push_good"].value is None
    sounded = VisitMaker(day=1).swung("full", pushes(8, 0), silent=False)
    assert found(drilled(0), sounded.visit())["kept.push_good"].value is None


def test_kept_stays_known_on_a_later_visit_until_a_drill():
    kept = VisitMaker(day=1).swung("full", pushes(8, 0))
    walked = VisitMaker(day=2).visit()
    made = found(drilled(0), kept.visit(), walked)["kept.push_good"]
    assert (made.value, made.session_id, made.age_days) == ("mostly", "visit-1", 1)
    practised = VisitMaker(day=3).drilled().visit()
    assert found(drilled(0), kept.visit(), practised)["kept.push_good"].value is None
    kept.drilled()
    assert found(drilled(0), kept.visit())["kept.push_good"].value == "mostly"
    assert found(drilled(0), kept.visit(), walked)["kept.push_good"].value is None


# ---- the eye and the club ----


def taps(up: int, down: int, blind: bool = True) -> dict[int, SwingNote]:
    answers = ["up"] * up + ["down"] * down
    return {k: SwingNote(eye_heel=Tap(answer, blind)) for k, answer in enumerate(answers)}


@pytest.mark.parametrize(
    ("up", "down", "value"),
    [(7, 1, "up"), (1, 7, "down"), (5, 1, "mixed"), (5, 0, None)],
)
def test_the_coachs_eye(up, down, value):
    assert full(pushes(8, 0), notes=taps(up, down))["coach.eye_heel"].value == value


def test_an_eye_that_has_seen_the_answer_does_not_count():
    assert full(pushes(8, 0), notes=taps(8, 0, blind=False))["coach.eye_heel"].value is None


@pytest.mark.parametrize(
    ("speeds", "value"),
    [  # mean 40 m/s: 2 % are .8 m/s; the SD of three at 40 − d and three at 40 + d is d √(6/5)
        ([40 - 0.73] * 3 + [40 + 0.73] * 3, "yes"),
        ([40 - 0.74] * 3 + [40 + 0.74] * 3, "no"),
        ([40.0] * 5, None),
        ([], None),
    ],
)
def test_a_steady_club(speeds, value):
    assert 0.73 * math.sqrt(6 / 5) < 0.8 < 0.74 * math.sqrt(6 / 5)
    notes = {k: SwingNote(club_speed_m_s=v) for k, v in enumerate(speeds)}
    assert full(pushes(8, 0), notes=notes)["club.speed_steady"].value == value


# ---- all of it against a plain count ----

swing = st.fixed_dictionaries(
    {"good": st.sampled_from([True, False, None]), "lifted": st.sampled_from([True, False, None])}
)
GOOD = {"good": True, "lifted": True}
made_set = st.tuples(
    st.sampled_from(["smooth", "full", "fast"]),
    st.lists(swing, max_size=14),
    st.sampled_from([True, False]),
    st.sampled_from([0.0, 0.1]),
)


def plain_word(good: int, bad: int) -> str | None:
    if good + bad < 6:
        return None
    z = (good - bad) / math.sqrt(good + bad)  # (k − n/2) / √(n/4)
    return "mostly" if z > 1.96 else "rarely" if z < -1.96 else "mixed"


def plain_again(sets) -> set[int]:
    """Return the places of a visit's last whole silent smooth or full sets that stand apart.

    Twenty swings were made before each, and they come back to their intent after another one.
    """
    silent = [k for k, (_, _, is_silent, _) in enumerate(sets) if is_silent]
    whole = [k for k in silent if sets[k][0] != "fast" and not sets[k][3]]
    after = [k for k in whole if sum(len(sets[j][1]) for j in range(k)) >= 20]
    if not whole or whole[-1] not in after:
        return set()
    intent = sets[whole[-1]][0]
    first = next(k for k in silent if sets[k][0] == intent)
    between = [k for k in range(first, whole[-1]) if sets[k][0] != intent]
    return {k for k in after if k > max(between) and sets[k][0] == intent} if between else set()


@pytest.mark.dear
@settings(max_examples=60, deadline=None)
@given(st.lists(made_set, max_size=6))
@example([("full", [GOOD] * 10, True, 0.0), ("smooth", [GOOD] * 10, True, 0.0)] * 2)
def test_counts_are_those_of_what_was_put_in(sets):
    maker = VisitMaker()
    for intent, swings, silent, missing in sets:
        maker.swung(intent, swings, silent=silent, missing=missing)
    made = found(maker.visit())
    for intent in ("smooth", "full", "fast"):
        inside = [
            swing
            for k, (i, swings, silent, missing) in enumerate(sets)
            if i == intent and silent and not missing and k not in plain_again(sets)
            for swing in swings
        ]
        pushed = [s["good"] for s in inside]
        expected = plain_word(pushed.count(True), pushed.count(False))
        assert made[f"{intent}.push_good"].value == expected
        if intent == "full":
            lifted = [s["lifted"] for s in inside]
            expected = plain_word(lifted.count(True), lifted.count(False))
            assert made["full.heel_unloaded"].value == expected


def test_only_sets_of_another_intent_lie_between_an_intent_and_its_return():
    """A smooth set, a full one, and twice smooth: both of these are smooth again."""
    maker = VisitMaker().swung("smooth", pushes(8, 0)).swung("full", pushes(20, 0))
    maker.swung("smooth", pushes(4, 4)).swung("smooth", pushes(0, 8))
    assert said(found(maker.visit())["again.push_good"]) == ("rarely", 4, 16)


def test_club_speeds_are_those_of_the_last_visit_that_has_some():
    notes = {k: SwingNote(club_speed_m_s=40.0) for k in range(8)}
    first = VisitMaker().swung("full", pushes(8, 0), notes=notes).visit()
    later = VisitMaker(day=1).swung("full", pushes(8, 0)).visit()
    assert found(first, later)["club.speed_steady"].value == "yes"


@pytest.mark.parametrize(("n", "value"), [(1, None), (2, "yes")])
def test_two_club_speeds_have_a_spread(n, value):
    fact = replace(RULES.facts["club.speed_steady"], least=0)
    rules = replace(RULES, facts={"club.speed_steady": fact})
    notes = {k: SwingNote(club_speed_m_s=40.0) for k in range(n)}
    visit = VisitMaker().swung("full", pushes(8, 0), notes=notes).visit()
    made = found(visit, rules=rules)["club.speed_steady"]
    assert (made.value, made.n) == (value, n)
    assert value or made.text == "1 club speed, 2 needed"


def test_a_fact_that_nobody_knows_is_not_known():
    """Travel is told of two intents; a coach's own file may name anything."""
    fact = RULES.facts["smooth_full.travel"]
    names = ("smooth.travel", "smooth_loose.travel", "smooth_full.size", "a_b_c.travel")
    rules = replace(RULES, facts={name: replace(fact, name=name) for name in names})
    visit = VisitMaker().swung("smooth", pushes(8, 0)).swung("full", pushes(8, 0)).visit()
    assert {one.value for one in found(visit, rules=rules).values()} == {None}
