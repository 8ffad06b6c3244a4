"""Facts of what people said and of whether the readings can be used; every fact three-valued."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from tests.support.cases import FIRST_DAY, VisitMaker, calibrated, case

from plantigrade_gateway.analysis.quality import EXCHANGED
from plantigrade_gateway.coach.case import Decided, Questions, Visit
from plantigrade_gateway.coach.facts import LOOKED_AT, FactValue, facts, known
from plantigrade_gateway.people.profile import FINDINGS
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.rules.model import Fact, Value

RULES = built_in()
YESTERDAY = FIRST_DAY - timedelta(days=1)


def found(*visits: Visit, **given: Any) -> dict[str, FactValue]:
    return facts(case(*visits, **given), RULES)


def value(name: str, *visits: Visit, **given: Any) -> Value | None:
    return found(*visits, **given)[name].value


def asked(hold: str) -> Visit:
    return VisitMaker().visit(questions=Questions(hold, "player", FIRST_DAY))


@pytest.mark.parametrize(
    ("hold", "red", "pain"),
    [("", "no", "no"), ("red flag", "yes", None), ("pain", "no", "yes")],
)
def test_the_questions_of_the_last_visit(hold, red, pain):
    assert value("flag.red", asked(hold)) == red
    assert value("flag.pain_today", asked(hold)) == pain
    after = VisitMaker(day=1).visit()
    assert value("flag.red", asked(hold), after) is None
    assert value("flag.pain_today", asked(hold), after) is None
    assert value("flag.red") is None


def test_a_minor():
    assert (value("player.minor", is_minor=True), value("player.minor")) == ("yes", "no")


def test_a_limit_of_the_body():
    assert LOOKED_AT == FINDINGS  # the players' own list
    free = dict.fromkeys(FINDINGS, "no limit")
    assert value("coach.body_limit", findings=free) == "no"
    assert value("coach.body_limit", findings={**free, "hips": "limit"}) == "yes"
    assert value("coach.body_limit", findings={"hips": "limit"}) == "yes"
    assert value("coach.body_limit", findings={**free, "hips": "not looked"}) is None
    del free["balance"]
    assert value("coach.body_limit", findings=free) is None


@pytest.mark.parametrize(("stiff", "expected"), [(True, "yes"), (False, "no"), (None, None)])
def test_a_stiff_shoe(stiff, expected):
    assert value("shoe.stiff", VisitMaker().visit(is_shoe_stiff=stiff)) == expected


def test_the_plan_is_the_last_decision_on_the_lead_heel():
    def decision(topic: str, plan: str) -> Decided:
        return Decided(topic, "go", plan, "", FIRST_DAY.date())

    assert value("plan.lead_heel") is None
    assert value("plan.lead_heel", decisions=(decision("lead heel", "up"),)) == "up"
    assert value("plan.lead_heel", decisions=(decision("lead heel", ""),)) is None
    assert value("plan.lead_heel", decisions=(decision("push", "deliberate"),)) is None


# ---- whether the readings can be used ----


@pytest.mark.parametrize(
    ("left", "right", "expected"),
    [
        (calibrated(FIRST_DAY), calibrated(FIRST_DAY), "yes"),
        (calibrated(YESTERDAY, FIRST_DAY), calibrated(FIRST_DAY), "yes"),
        (calibrated(YESTERDAY, FIRST_DAY, passed=False), calibrated(FIRST_DAY), "no"),
        (calibrated(FIRST_DAY, FIRST_DAY, passed=False), calibrated(FIRST_DAY), "no"),
        (calibrated(FIRST_DAY), calibrated(YESTERDAY), "no"),
        (calibrated(YESTERDAY, YESTERDAY), calibrated(FIRST_DAY), "no"),
        ("never calibrated", calibrated(FIRST_DAY), "no"),
        (None, calibrated(FIRST_DAY), None),
        (None, calibrated(YESTERDAY), "no"),
    ],
)
def test_calibrated_or_checked_today(left, right, expected):
    assert value("data.good", VisitMaker().visit(calibration=(left, right))) == expected


def test_which_insole_was_not_calibrated_is_said():
    today, before = calibrated(FIRST_DAY), calibrated(YESTERDAY)
    for said, which in (((today, before), "right"), ((before, today), "left")):
        text = facts(case(VisitMaker().visit(calibration=said)), RULES)["data.good"].text
        assert text == f"{which}: neither calibrated nor checked on this day"
    made = facts(case(VisitMaker().visit(calibration=(before, before))), RULES)["data.good"]
    assert made.text.startswith("left and right: neither")


def test_insoles_that_may_be_exchanged():
    assert value("data.good", VisitMaker().visit(notes=("no mass was given",))) == "yes"
    assert value("data.good", VisitMaker().visit(notes=(EXCHANGED,))) == "no"
    changed = "insole 1 changed the foot it says it is during the session"
    assert value("data.good", VisitMaker().visit(notes=(changed,))) == "no"


def test_without_results_it_is_not_known_whether_the_readings_are_good():
    visit = VisitMaker().visit()
    bare = replace(visit, analysis=replace(visit.analysis, quality=None))
    assert value("data.good", bare) is None
    assert value("data.good") is None


def test_an_evening_is_one_day_though_it_is_two_by_utc():
    place = timezone(timedelta(hours=-5))
    evening = datetime(2026, 3, 2, 19, 30, tzinfo=place)  # 3 March, 00:30 UTC
    said = calibrated(datetime(2026, 3, 2, 23, 30, tzinfo=UTC))
    visit = VisitMaker().visit(calibration=(said, said))
    assert value("data.good", replace(visit, started=evening)) == "yes"
    next_day = evening + timedelta(days=1)
    assert value("data.good", replace(visit, started=next_day)) == "no"


# ---- the rule file ----


def test_every_fact_of_the_rule_file_is_read_and_has_a_word_of_its_kind():
    for made in (found(), found(VisitMaker().visit())):
        assert list(made) == list(RULES.facts)
        for name, fact in made.items():
            assert fact.text and "does not know" not in fact.text, name
            assert fact.value is None or fact.value in RULES.facts[name].words
            assert fact.source == RULES.facts[name].source
            assert fact.least == RULES.facts[name].least


def test_without_a_visit_only_what_was_said_is_known():
    assert {name for name, v in known(found()).items() if v is not None} == {"player.minor"}


def test_a_fact_that_the_program_cannot_read_is_not_known_and_says_so():
    rules = replace(RULES, facts={**RULES.facts, "grip.firm": Fact("grip.firm", ("yes", "no"))})
    made = facts(case(), rules)["grip.firm"]
    assert (made.value, made.text) == (None, "the program does not know this fact")


def test_a_word_that_the_rule_file_left_out_is_no_value():
    walk = replace(RULES.facts["lead.stand"], words=("none", "bearing"))
    rules = replace(RULES, facts={**RULES.facts, "lead.stand": walk})
    visit = VisitMaker().stood([0.2, 0.21, 0.22], [0.1] * 3).visit()
    assert facts(case(visit), rules)["lead.stand"].value is None


def test_a_fact_may_be_declared_by_the_pattern_of_the_others():
    names = ("smooth.heel_unloaded", "kept.push_early", "again.returns")
    added = {name: Fact(name, ("mostly", "mixed", "rarely"), "", 6) for name in names}
    visit = VisitMaker().swung("smooth", [{"lifted": True}] * 8).visit()
    made = facts(case(visit), replace(RULES, facts={**RULES.facts, **added}))
    assert made["smooth.heel_unloaded"].value == "mostly"
    assert all("does not know" not in made[name].text for name in names)
