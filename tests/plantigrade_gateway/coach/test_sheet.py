"""The evidence sheet of invented players: what is held, suggested, seen, and with which rules."""

import json
from dataclasses import replace

import pytest
from tests.support.cases import FIRST_DAY, VisitMaker, calibrated, case, pushes, quality

from plantigrade.events import Roll
from plantigrade.limits import Limits
from plantigrade_gateway.coach.case import Decided, Questions
from plantigrade_gateway.coach.limits import SPANS, WORDS, LimitShown, limits_of, limits_shown
from plantigrade_gateway.coach.sheet import EvidenceSheet, doubts, evidence
from plantigrade_gateway.converter import plain
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.files import built_in

RULES = built_in()
ASKED = Questions("", "player", FIRST_DAY)


def heel_and_ball(day: int = 0, good: int = 8, smooth: int = 8) -> VisitMaker:
    """A visit of a player whose feet bear on heel and ball, with a smooth and a full set."""
    maker = VisitMaker(day=day).stood([0.0, 0.001, 0.002], [0.0, 0.002, 0.001])
    maker.walked([Roll.SKIPPED] * 12, [Roll.SKIPPED] * 12)
    maker.swung("smooth", pushes(smooth, 8 - smooth))
    return maker.swung("full", pushes(good, 8 - good))


def words(made: EvidenceSheet) -> dict[str, str]:
    return {one.id: one.text for one in made.readiness}


def test_a_foot_that_bears_on_heel_and_ball():
    made = evidence(case(heel_and_ball().visit(questions=ASKED)), RULES)
    assert made.sheet.holds == ()
    suggested = {one.rule.id for topic in made.sheet.topics for one in topic.suggested}
    assert {"lead-heel-rise", "push-deliberate"} <= suggested
    assert (made.rules_name, made.rules_version) == ("first rule set", "3")
    assert (made.session_id, made.day) == ("visit-0", FIRST_DAY.date())
    push = next(t for t in made.sheet.topics if t.name == "push").suggested[0]
    assert push.against == ("already there: keep it, go on to speed items",)


def test_readiness_in_its_four_words():
    made = words(evidence(case(heel_and_ball(good=5).visit(questions=ASKED)), RULES))
    assert made["no-hold"] == "seen"
    assert made["push-smooth"] == "seen"
    assert made["push-full"] == "cannot tell yet (5 of 8)"
    assert made["body"] == "no data: coach.body_limit"
    assert made["kept"] == "no data: kept.push_good"
    rarely = words(evidence(case(heel_and_ball(good=0).visit(questions=ASKED)), RULES))
    assert rarely["push-full"] == "not seen"


def test_a_note_stands_with_the_answer_it_explains_alone():
    """Of the file's three notes one says why there are no data, one why nothing was asked."""
    body = {"findings": dict.fromkeys(("hips", "trunk", "ankles", "balance"), "no limit")}
    said = Decided("lead heel", "go", "either", "", FIRST_DAY.date())
    maker = (
        VisitMaker().stood([0.1] * 3, [0.1] * 3).walked([Roll.THROUGH] * 12, [Roll.THROUGH] * 12)
    )
    light = {"heel_share_trail_peak": 0.3, "heel_share_address": 0.4}
    seen = case(maker.swung("full", [light] * 8).visit(), decisions=(said,), **body)
    found = {one.id: (one.word, one.note) for one in evidence(seen, RULES).readiness}
    assert found["body"] == found["heel-plan"] == ("seen", "")
    assert found["trail-heel"] == ("not asked", "Not asked of a foot that bears on its midfoot.")
    none = {one.id: (one.word, one.note) for one in evidence(case(), RULES).readiness}
    assert none["body"] == ("no data", "Insoles cannot see this.")
    speed = Decided("speed", "go", "", "", FIRST_DAY.date())
    went = case(maker.visit(), decisions=(speed,), **body)
    planless = next(one for one in evidence(went, RULES).readiness if one.id == "heel-plan")
    assert none["heel-plan"] == (planless.word, planless.note)
    assert (planless.word, planless.note) == (
        "no data",
        "The coach decides the lead heel first: up, down or either. Then full swings without "
        "sound show whether it is done.",
    )


def test_a_travel_that_cannot_be_told_apart_is_no_failure():
    maker = VisitMaker()
    for intent, more in (("smooth", 0.0), ("full", 0.01)):
        maker.swung(intent, [{"both_cop_travel": 0.1 + more + 0.05 * k} for k in range(6)])
    made = words(evidence(case(maker.visit()), RULES))
    assert made["quiet"] == "cannot tell yet (smooth_full.travel not told apart)"


SAID = calibrated(FIRST_DAY)


@pytest.mark.parametrize(
    ("carried_n", "mass_kg", "is_said"),
    [  # kg × 9.80665 m/s²; more than a quarter of the registered weight away from it
        (700.0, None, False),
        (None, 40.0, False),
        (700.0, 57.2, False),
        (700.0, 57.0, True),
        (700.0, 95.1, False),
        (700.0, 95.3, True),
    ],
)
def test_a_recording_of_another_bodys_weight_is_said(carried_n, mass_kg, is_said):
    visit = VisitMaker().visit(calibration=(SAID, SAID))
    weighed = replace(quality((SAID, SAID)), recording_weight_n=carried_n)
    visit = replace(visit, analysis=replace(visit.analysis, quality=weighed))
    notes = evidence(case(visit, mass_kg=mass_kg), RULES).notes
    assert any("The insoles carried" in note for note in notes) is is_said


def test_what_another_body_weighs_is_said_in_one_sentence():
    seen = case(VisitMaker().visit(calibration=(SAID, SAID)), mass_kg=40.0)
    assert doubts(seen) == [
        "The insoles carried about 700 N, and Iris Invented is registered with 40 kg, 392 N: see "
        "whether the recording is another player's, or the mass is to be put right."
    ]
    assert doubts(replace(seen, visits=())) == []


@pytest.mark.parametrize(
    "said", [("never calibrated", SAID), (SAID, "never calibrated"), (None, SAID)]
)
def test_newtons_of_insoles_that_nobody_calibrated_say_nothing_of_a_body(said):
    assert doubts(case(VisitMaker().visit(calibration=said), mass_kg=40.0)) == []


def test_holds_come_first_and_what_is_not_asked_holds_too():
    made = evidence(case(heel_and_ball().visit()), RULES)
    assert [one.rule.id for one in made.sheet.holds] == ["hold-red-flag", "hold-pain"]
    hurt = Questions("pain", "player", FIRST_DAY)
    made = evidence(case(heel_and_ball().visit(questions=hurt)), RULES)
    assert [one.rule.id for one in made.sheet.holds] == ["hold-pain"]
    assert words(made)["no-hold"] == "not seen"


def test_the_coachs_decisions_stand_with_the_sheet():
    said = Decided("lead heel", "go", "down", "Quiet heel", FIRST_DAY.date())
    swings = [{"lifted": False}] * 8
    maker = VisitMaker().swung("full", swings)
    made = evidence(case(maker.visit(), decisions=(said,)), RULES)
    assert made.decisions == (said,)
    assert words(made)["heel-plan"] == "seen"
    assert words(evidence(case(maker.visit()), RULES))["heel-plan"].startswith("no data: plan.")


def test_a_changed_limit_changes_the_sheet_and_says_so():
    visit = heel_and_ball().visit(questions=ASKED)
    changed = {**RULES.limits, "stand_none_below": 0.0005, "travel_margin": 0.1}
    rules = replace(RULES, version="2", limits=changed)
    made = evidence(case(visit), rules)
    assert made.rules_version == "2"
    assert made.facts["lead.stand"].value == "between"
    shown = {one.name: (one.value, one.source) for one in made.limits}
    assert shown["stand_none_below"] == (0.0005, "set in the rule file")
    assert shown["travel_margin"] == (0.1, "set in the rule file")
    assert shown["least_swings"] == (6.0, "per set; ours")
    own = heel_and_ball().visit(limits=Limits(bearing_none=0.01))
    shown = {one.name: (one.value, one.source) for one in evidence(case(own), rules).limits}
    assert shown["stand_none_below"] == (0.01, "this session's settings")


@pytest.mark.parametrize(
    ("there", "name"),
    [  # rule file: these are the defaults of the analysis settings
        ("stand_none_below", "bearing_none"),
        ("stand_bearing_from", "bearing_full"),
        ("stand_broad_from", "bearing_broad"),
        ("push_begins_by", "push_begins_by"),
        ("trail_heel_from", "trail_heel_from"),
        ("trail_heel_gain", "trail_heel_gain"),
        ("heel_back_by_s", "heel_back_by_s"),
    ],
)
def test_a_limit_of_the_rule_file_stands_where_the_session_set_none(there, name):
    value = RULES.limits[there] + 0.001
    rules = replace(RULES, limits={**RULES.limits, there: value})
    own = getattr(Limits(), name) + 0.002
    assert getattr(limits_of(rules, None), name) == value
    set_here = quality(("", ""), Limits(**{name: own}))
    assert getattr(limits_of(rules, set_here), name) == own


def test_limits_that_cannot_stand_together_are_refused():
    rules = replace(RULES, limits={**RULES.limits, "stand_none_below": 0.2})
    with pytest.raises(InputError, match="rules first rule set 3: limit bearing_none"):
        evidence(case(heel_and_ball().visit()), rules)


def test_every_limit_of_the_rule_file_has_a_source():
    made = evidence(case(), RULES)
    assert {one.name: one.value for one in made.limits} == dict(RULES.limits)
    assert all(one.source for one in made.limits)


def test_a_visit_without_a_check_says_where_the_last_one_is():
    """One is standing and walking: a visit with one of them alone is none."""
    stood = VisitMaker(day=2).stood([0.0] * 3, [0.0] * 3)
    stood.shoe = "another shoe"
    short = VisitMaker(day=3).swung("full", pushes(2, 1))
    visits = (heel_and_ball(0).visit(), heel_and_ball(1).visit(), stood.visit(), short.visit())
    made = evidence(case(*visits), RULES)
    said = "Standing and walking were not checked on this visit; the last check was on 2026-03-03"
    assert made.last_check is not None
    assert (made.last_check.session_id, made.last_check.text) == ("visit-1", f"{said}.")
    other = evidence(case(*visits[:3]), RULES).last_check
    assert other is not None
    assert other.text == (
        f"{said}, which does not count here: shoe and footbed are not noted as the same."
    )
    for some in ((), visits[:2], visits[3:]):
        assert evidence(case(*some), RULES).last_check is None


def test_it_is_plain_json():
    made = evidence(case(heel_and_ball().visit(questions=ASKED)), RULES)
    table = plain(made)
    assert json.loads(json.dumps(table)) == table
    fact = table["facts"]["full.push_good"]
    assert fact["interval"] == list(made.facts["full.push_good"].interval or ())
    assert fact["day"] == "2026-03-02"
    assert fact["conditions"] == "shoe: Shoe A; club: 7 iron; calibrated 2026-03-02"


def test_a_player_without_visits_has_a_sheet():
    made = evidence(case(), RULES)
    assert (made.session_id, made.day, made.falls) == ("", None, ())
    assert {one.word for one in made.readiness} == {"no data"}


def test_a_limit_is_read_in_words_with_its_unit():
    """Each of the built-in file has its own; .03 of a share are three points."""
    shown = {one.name: one.text for one in limits_shown(built_in(), None)}
    assert shown == {
        "stand_none_below": "midfoot bears nothing under 3 % of the foot's load",
        "stand_bearing_from": "midfoot bears from 6 % of the foot's load",
        "stand_broad_from": "midfoot bears broadly from 18 % of the foot's load",
        "feet_differ_from": "the two feet differ from 5 points of midfoot share",
        "bed_adds_from": "the footbed adds from 3 points of midfoot share",
        "trail_heel_from": "the trail heel is loaded from 50 % of its foot's load",
        "trail_heel_gain": "and more than at address by 10 points of heel share",
        "push_begins_by": "the push begins at or behind 40 % of the foot's length",
        "heel_back_by_s": "the lead heel is back within 0.05 s",
        "least_swings": "at least 6 swings",
        "least_steps": "at least 12 steps",
        "missing_at_most": "missing at most 2 % of the samples",
        "travel_margin": "more travel matters from 5 % of the shoe's length",
        "ai_high_at_most": "arch index of a high arch, at most 0.21",
        "ai_low_from": "arch index of a low arch, from 0.26",
    }
    assert set(shown) == set(WORDS) == set(SPANS)
    assert LimitShown("my_own", 0.5, "").text == "my own 0.5"
