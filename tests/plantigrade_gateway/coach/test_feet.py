"""Facts of the feet from cases put together by hand; expected values worked out beside each."""

from dataclasses import replace
from typing import Any

import pytest
from tests.support.cases import VisitMaker, case, foot_stand

from plantigrade.events import Roll
from plantigrade.limits import Limits
from plantigrade_gateway.coach.case import Print, Visit
from plantigrade_gateway.coach.facts import FactValue, facts
from plantigrade_gateway.coach.feet import bed
from plantigrade_gateway.rules.files import built_in

RULES = built_in()
THROUGH, SKIPPED, UNCLEAR = Roll.THROUGH, Roll.SKIPPED, Roll.UNCLEAR


def found(*visits: Visit, **given: Any) -> dict[str, FactValue]:
    return facts(case(*visits, **given), RULES)


def test_a_stand_is_named_by_the_spread_of_both_feet():
    # lead .062 .068 .074: mean .068, squares .000072; trail all .2: none; df 2 + 2
    # SD √(.000072 / 4) = .0042426; half 2.776 (t, df 4, table) · SD / √3 = .0068: .0612 to .0748
    made = found(VisitMaker().stood([0.062, 0.068, 0.074], [0.2, 0.2, 0.2]).visit())
    lead, trail = made["lead.stand"], made["trail.stand"]
    assert (lead.value, trail.value) == ("bearing", "broad")
    assert lead.degrees == 4 and lead.n == 3
    assert lead.measured == pytest.approx(0.068)
    assert lead.interval == pytest.approx((0.0612, 0.0748), abs=5e-5)
    assert lead.text == "6.8 % (6.1 to 7.5 %; 3 stands, df 4)"


def test_a_midfoot_that_bears_nothing_at_all_is_nought_percent():
    made = found(VisitMaker().stood([0.0] * 3, [0.1] * 3).visit())["lead.stand"]
    assert (made.value, made.measured) == ("none", 0.0)
    assert made.text == "0.0 % (0.0 to 0.0 %; 3 stands, df 4)"


def test_earlier_stands_in_the_same_shoe_tell_the_spread_and_others_do_not():
    # alone, both feet .062 .068 .074: SD .006, df 4, half 2.776 · .006 / √3 = .0096: holds .06
    shares = [0.062, 0.068, 0.074]
    last = VisitMaker(day=9).stood(shares, shares)
    assert found(last.visit())["lead.stand"].value == "between"
    quiet = VisitMaker(day=1).stood([0.1] * 3, [0.1] * 3).visit()
    made = found(quiet, last.visit())["lead.stand"]
    # squares .000144 over df 8: SD .0042426, half 2.306 (t, df 8) · SD / √3 = .00565: from .0624
    assert (made.value, made.degrees) == ("bearing", 8)
    assert made.interval == pytest.approx((0.0624, 0.0736), abs=1e-4)
    for other in (VisitMaker(day=1, shoe="Shoe B"), VisitMaker(day=1, footbed="thick")):
        elsewhere = other.stood([0.1] * 3, [0.1] * 3).visit()
        assert found(elsewhere, last.visit())["lead.stand"].degrees == 4


def test_stands_of_two_classes_are_between_though_their_mean_is_clear():
    # mean .07; pooled with 6 earlier quiet visits the interval alone would be clear of .06
    quiet = [VisitMaker(day=d).stood([0.1] * 3, [0.1] * 3).visit() for d in range(9)]
    last = VisitMaker(day=20).stood([0.058, 0.074, 0.078], [0.2] * 3).visit()
    made = found(*quiet, last)["lead.stand"]
    assert made.interval is not None and made.interval[0] > 0.06
    assert made.value == "between"


def test_fewer_than_three_quiet_stands_are_not_known():
    made = found(VisitMaker().stood([0.1, 0.1, None], [0.1, 0.11, 0.12]).visit())
    assert (made["lead.stand"].value, made["trail.stand"].value) == (None, "bearing")
    assert made["lead.stand"].text == "2 quiet stands, 3 needed"
    assert found(VisitMaker().visit())["lead.stand"].value is None
    assert found()["lead.stand"].value is None


def test_a_stand_says_how_many_were_taken_of_those_asked_for():
    """Three each time the shoes are put on, one of the second three cut off."""
    maker = VisitMaker().stood([0.1, 0.11, 0.12], [0.1] * 3).lifted().stood([0.1] * 2, [0.1] * 2)
    still = foot_stand(0.1)
    made = found(maker.tried(still, still, length_s=12.0).visit())["lead.stand"]
    assert made.n == 5
    assert "; 5 of 6 stands taken, shoes put on 2 times, df" in made.text


def test_a_refused_trial_does_not_count():
    maker = VisitMaker().stood([0.1, 0.11, 0.12], [0.1] * 3)
    still = foot_stand(0.5)
    maker.tried(foot_stand(0.5, moved=True), still).tried(still, still, length_s=12.0)
    made = found(maker.visit())["lead.stand"]
    assert (made.value, made.n) == ("bearing", 3)


def test_a_left_handed_player_leads_with_the_right_foot():
    visit = VisitMaker().stood([0.09, 0.1, 0.11], [0.0, 0.001, 0.002]).visit()
    made = found(visit, handedness="left")
    assert (made["lead.stand"].value, made["trail.stand"].value) == ("none", "bearing")


def test_a_session_keeps_its_own_limits_and_takes_the_rule_files_for_the_rest():
    maker = VisitMaker().stood([0.09, 0.1, 0.11], [0.2] * 3)
    assert (
        found(maker.visit(limits=Limits(bearing_full=0.2, bearing_broad=0.3)))["lead.stand"].value
        == "slight"
    )
    changed = {**RULES.limits, "stand_bearing_from": 0.2, "stand_broad_from": 0.3}
    rules = replace(RULES, limits=changed)
    assert facts(case(maker.visit()), rules)["lead.stand"].value == "slight"
    own = Limits(bearing_full=0.05)
    assert facts(case(maker.visit(limits=own)), rules)["lead.stand"].value == "bearing"


@pytest.mark.parametrize(
    ("through", "skipped", "unclear", "value"),
    [  # by the rule file's own proportions, `unclear` in the count
        (10, 2, 0, "through"),
        (9, 3, 0, "mixed"),
        (2, 10, 0, "skipped"),
        (10, 0, 2, "through"),
        (9, 0, 3, "mixed"),
        (0, 15, 5, "skipped"),
        (0, 14, 6, "mixed"),
        (11, 0, 0, None),
    ],
)
def test_a_walk(through, skipped, unclear, value):
    rolls = [THROUGH] * through + [SKIPPED] * skipped + [UNCLEAR] * unclear
    made = found(VisitMaker().walked(rolls, [THROUGH] * len(rolls)).visit())["lead.walk"]
    assert made.value == value
    assert made.n == (through + skipped + unclear if value else 0)  # a short walk is refused


def test_only_the_straight_steps_of_a_prompted_walk_count():
    maker = VisitMaker().walked([THROUGH] * 12, [SKIPPED] * 12)
    made = found(maker.visit())  # the first and the last step are beside them, and unclear
    assert (made["lead.walk"].n, made["trail.walk"].n) == (12, 12)
    assert made["lead.walk"].text == "12 of 12 through (76 to 100 %)"
    assert made["trail.walk"].text == "12 of 12 skipped (76 to 100 %)"
    assert made["lead.walk"].left_out == made["trail.walk"].left_out == 0
    maker.trials.clear()
    assert found(maker.visit())["lead.walk"].value is None


@pytest.mark.parametrize(
    ("worn", "flat", "value"),
    [
        ([0.10, 0.11, 0.12], [0.06, 0.07], "adds"),
        ([0.06, 0.07, 0.08], [0.10, 0.11], "takes"),
        ([0.10, 0.11, 0.12], [0.09, 0.10], "same"),  # .015 more: under .03
        ([0.02, 0.11, 0.20], [0.02, 0.12], None),  # .04 more, not told apart
        ([0.10, 0.11, 0.12], [0.06], None),
    ],
)
def test_what_a_footbed_does(worn, flat, value):
    maker = VisitMaker().stood(worn, [0.1] * len(worn)).stood(flat, [0.1] * len(flat), "flat")
    assert found(maker.visit())["lead.bed"].value == value


def test_too_few_stands_for_the_bed_say_how_many_it_takes():
    """The rule asks for two on the flat floor, fewer than a comparison of the feet does."""
    maker = VisitMaker().stood([0.10, 0.11, 0.12], [0.1] * 3).stood([0.06], [0.1], "flat")
    assert found(maker.visit())["lead.bed"].text == "1 quiet stand, 2 needed"


def test_where_no_stand_was_repeated_the_bed_is_not_known():
    visit = VisitMaker().stood([0.10], [0.1]).stood([0.06], [0.1], "flat").visit()
    made = bed(case(visit), RULES, "lead", 1)
    assert (made.value, made.text) == (None, "one stand has no spread")


def test_a_print_is_the_last_of_its_foot():
    prints = (Print("left", "low"), Print("right", "middle"), Print("left", "high"))
    made = found(prints=prints)
    assert (made["lead.print"].value, made["trail.print"].value) == ("high", "middle")
    assert found()["lead.print"].value is None


def bears(maker: VisitMaker, n: int = 12) -> VisitMaker:
    return maker.walked([THROUGH] * n, [THROUGH] * n)


def test_a_foot_is_called_by_stand_and_walk_together():
    maker = VisitMaker().stood([0.09, 0.1, 0.11], [0.0, 0.001, 0.002])
    made = found(maker.walked([THROUGH] * 12, [SKIPPED] * 12).visit())
    assert (made["lead.foot"].value, made["trail.foot"].value) == ("bears", "heel_and_ball")
    assert made["lead.foot"].text == "stands bearing, walks through"


@pytest.mark.parametrize(
    ("left", "right", "walks", "value"),
    [
        # both bear, .01 apart
        ([0.09, 0.1, 0.11], [0.10, 0.11, 0.12], True, "no"),
        # bears and broad: other names
        ([0.09, 0.1, 0.11], [0.20, 0.21, 0.22], True, "yes"),
        # both bear, .06 apart: SD .01, half 2.776 · .01 · √(2/3) = .023
        ([0.08, 0.09, 0.10], [0.14, 0.15, 0.16], True, "yes"),
        # .06 apart and the interval holds 0: SD .03, half .068; both between, so no name is clear
        ([0.07, 0.10, 0.13], [0.13, 0.16, 0.19], True, "no"),
        # shares alike, names not known
        ([0.09, 0.1, 0.11], [0.10, 0.11, 0.12], False, None),
        # shares apart are enough
        ([0.08, 0.09, 0.10], [0.14, 0.15, 0.16], False, "yes"),
        # nothing known
        ([0.09], [0.10], False, None),
    ],
)
def test_feet_that_differ(left, right, walks, value):
    maker = VisitMaker().stood(left, right)
    if walks:
        bears(maker)
    assert found(maker.visit())["feet.differ"].value == value


def test_a_fact_of_an_earlier_visit_says_how_old_it_is():
    first = bears(VisitMaker(day=0).stood([0.09, 0.1, 0.11], [0.1] * 3)).visit()
    made = found(first, VisitMaker(day=12).visit())["lead.walk"]
    assert (made.value, made.session_id, made.age_days) == ("through", "visit-0", 12)
    assert made.day is not None and made.day.isoformat() == "2026-03-02"
    assert made.conditions == "shoe: Shoe A; calibrated 2026-03-02"
    assert found(first, VisitMaker(day=12, shoe="Shoe B").visit())["lead.walk"].value is None


def test_a_foot_without_a_clear_name_is_no_other_foot():
    maker = VisitMaker().stood([0.09, 0.1, 0.11], [0.10, 0.11, 0.12])
    made = found(maker.walked([THROUGH] * 12, [THROUGH, SKIPPED] * 6).visit())
    assert (made["lead.foot"].value, made["trail.foot"].value) == ("bears", "between")
    assert made["feet.differ"].value == "no"
