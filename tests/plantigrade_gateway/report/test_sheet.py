"""The evidence sheet as it is printed, of an invented player."""

import io
import re
from dataclasses import replace

from rich.console import Console
from tests.support.cases import FIRST_DAY, VisitMaker, case, pushes

from plantigrade.events import Roll
from plantigrade_gateway.coach.case import Decided, HoldTakenBack, Questions
from plantigrade_gateway.coach.sheet import EvidenceSheet, evidence
from plantigrade_gateway.report.sheet import _conditions, sheet_json, show_sheet
from plantigrade_gateway.rules.files import built_in

RULES = built_in()
DECIDED = Decided("push", "go", "deliberate", "One long push", FIRST_DAY.date())


def made_of(hold: str | None, good: int = 5) -> EvidenceSheet:
    maker = VisitMaker().stood([0.0, 0.001, 0.002], [0.0, 0.002, 0.001])
    maker.walked([Roll.SKIPPED] * 12, [Roll.SKIPPED] * 12)
    maker.swung("smooth", pushes(8, 2)).swung("full", pushes(good, 8 - good))
    asked = None if hold is None else Questions(hold, "player", FIRST_DAY)
    return evidence(case(maker.visit(questions=asked), decisions=(DECIDED,)), RULES)


def printed(made: EvidenceSheet) -> str:
    out = io.StringIO()
    show_sheet(made, Console(file=out, width=400, highlight=False, markup=False))
    return out.getvalue()


def test_holds_stand_before_decisions_and_those_before_the_rules():
    text = printed(made_of("pain"))
    places = [text.index(t) for t in ("Stop: no drill", "One long push", "What the rules come to")]
    assert places == sorted(places)
    assert "(not today) Let the lead heel come up" in text
    assert "(not today)" not in printed(made_of(""))
    assert "not known yet: red flag" in printed(made_of(None))


def test_where_the_last_check_is_stands_on_top_with_how_to_see_it():
    checked = VisitMaker().stood([0.0] * 3, [0.0] * 3).walked([Roll.SKIPPED], [Roll.SKIPPED])
    text = printed(evidence(case(checked.visit(), VisitMaker(day=1).visit()), RULES))
    day = FIRST_DAY.date().isoformat()
    assert (
        f"checked on this visit; the last check was on {day}. Its sheet: --visit visit-0\n" in text
    )
    assert text.index("Its sheet") < text.index("Holds")
    assert "Its sheet" not in printed(evidence(case(checked.visit()), RULES))


def test_what_speaks_against_a_rule_and_its_basis_stand_with_it():
    made = made_of("", good=8)
    text = printed(made)
    assert "against: already there: keep it, go on to speed items" in text
    assert "basis: common practice, no source" in text
    assert "rules           first rule set, version 3" in text


def test_rules_that_do_not_agree_are_shown_as_such():
    worn = VisitMaker().stood([0.10, 0.11, 0.12], [0.2] * 3).stood([0.05, 0.06], [0.2] * 2, "flat")
    worn.walked([Roll.THROUGH] * 12, [Roll.THROUGH] * 12)
    text = printed(evidence(case(worn.visit()), RULES))
    assert "feet: the rules do not agree: the coach decides" in text
    assert "Plan each foot by itself" in text and "The footbed carries the midfoot" in text


def test_what_is_not_known_is_said_once_a_topic():
    text = printed(evidence(case(VisitMaker().visit()), RULES))
    assert "  lead heel: no data: lead foot\n" in text
    text = printed(made_of(""))
    missing = [
        f"{what} the {foot} foot"
        for what in ("footbed under", "print of")
        for foot in ("lead", "trail")
    ]
    assert f"  feet: no data: {', '.join(missing)}\n" in text
    worn = VisitMaker().stood([0.10, 0.11, 0.12], [0.2] * 3).stood([0.05, 0.06], [0.2] * 2, "flat")
    text = printed(evidence(case(worn.visit()), RULES))
    assert "    other rules: no data: print of the lead foot, print of the trail foot\n" in text


def test_numbers_are_those_of_the_facts():
    made = made_of("")
    text = printed(made)
    assert "The push rolls with the shift: full: cannot tell yet (5 of 8)" in text
    for fact in made.facts.values():
        assert fact.text in text
    for fall in made.falls:
        assert f"{fall.what}: {fall.text}." in text
    assert "8 of 10, then 5 of 8: no fall seen" in text


def test_names_of_facts_are_shown_as_words_as_on_the_page():
    text = printed(made_of("", good=8))
    assert "  good push at full " in text
    assert "push_good" not in text and "lead.stand" not in text
    feet = VisitMaker().stood([0.01] * 3, [0.01] * 3)
    text = printed(evidence(case(feet.walked(*[[Roll.SKIPPED] * 12] * 2).visit()), RULES))
    assert "heel and ball  stands none, walks skipped" in re.sub(r" {2,}", "  ", text)
    assert "heel_and_ball" not in text


def test_the_day_of_a_decision_stands_before_its_words():
    assert f"go, deliberate, {FIRST_DAY.date().isoformat()}: One long push" in printed(made_of(""))


def test_a_players_text_cannot_steer_the_terminal():
    made = replace(made_of(""), name="Iris\x1b[2JInvented")
    assert "\x1b" not in printed(made)


def test_the_same_as_json():
    made = made_of("pain")
    table = sheet_json(made)
    assert table["rules"] == {"name": "first rule set", "version": "3"}
    assert [one["id"] for one in table["holds"]] == ["hold-pain"] and table["held"]
    assert {t["topic"]: [r["id"] for r in t["rules"]] for t in table["topics"]}["lead heel"] == [
        "lead-heel-rise"
    ]
    assert table["decisions"][0]["cue"] == "One long push"
    assert table["facts"]["full.push_good"]["count"] == 5
    assert "Iris" not in str(table)  # by id only


def test_a_stop_that_was_taken_back_is_shown_so_and_holds_nothing_up():
    """By whom and when: a stop is never silently gone (issue 12, build 1 and 4)."""
    back = HoldTakenBack("pain", "eve", FIRST_DAY)
    visit = VisitMaker().visit(questions=Questions("", "player", FIRST_DAY), hold_taken_back=back)
    made = evidence(case(visit), RULES)
    (line,) = [line for line in printed(made).splitlines() if "taken back" in line]
    when = FIRST_DAY.astimezone().strftime("%Y-%m-%d %H:%M")
    assert line.split(maxsplit=2) == [
        *("taken", "back"),
        f"stopped: pain, taken back as a mistake (eve, {when})",
    ]
    assert "Stop: no drill" not in printed(made)
    assert sheet_json(made)["hold_taken_back"] == {
        "hold": "pain",
        "by": "eve",
        "when": "2026-03-02T10:00:00Z",
    }
    assert sheet_json(made_of("pain"))["hold_taken_back"] is None


def test_conditions_are_those_of_a_visit_that_was_on_a_day():
    """Once for each visit that had them; a fact of no visit has none to tell."""
    (one, *_) = [fact for fact in made_of("").facts.values() if fact.day is not None]
    day = FIRST_DAY.date()
    worn = replace(one, day=day, session_id="a1", conditions="flat shoe")
    facts = [
        *(worn, worn, replace(worn, session_id="b2"), replace(worn, conditions="")),
        replace(worn, session_id="c3", day=None),
    ]
    assert _conditions(facts) == {
        ("a1", "flat shoe"): day.isoformat(),
        ("b2", "flat shoe"): day.isoformat(),
    }
