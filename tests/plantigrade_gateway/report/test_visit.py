"""What people said of a session, club speeds and the coach's eye, as printed; all invented."""

import io
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from rich.console import Console
from tests.support.cases import VisitMaker
from tests.support.records import swing

from plantigrade.interval import Difference
from plantigrade.reliability import proportion
from plantigrade_gateway.analysis.result import Analysis, Exclusion
from plantigrade_gateway.coach.case import HoldTakenBack, Questions, SwingNote, Tap
from plantigrade_gateway.coach.eye import Agreement
from plantigrade_gateway.coach.speed import Pair, Preview, Relation
from plantigrade_gateway.coach.speedfile import SpeedFile, SpeedRow
from plantigrade_gateway.people.said import Conditions, Join, Note, Said, SetEdit, Stray
from plantigrade_gateway.report.visit import (
    kappa_text,
    relation_text,
    said_json,
    show_eye,
    show_preview,
    show_said,
    show_speeds,
    speeds_json,
)

DAY = datetime(2026, 3, 31, 10, 5, tzinfo=UTC)
SAID = Said(
    questions=Questions("pain", "guardian", DAY),
    conditions=Conditions("Shoe A", "Footbed B", True, "7 iron"),
    is_unchanged=True,
    notes=(Note("n1", 61.0, "towel under the heel", "eve", DAY),),
    swings={
        4: SwingNote(eye_heel=Tap("up", is_blind=False), club_speed_m_s=40.04),
        1: SwingNote("stepped", Tap("good", is_blind=True), Tap("down", is_blind=True)),
    },
    exclusions={1: Exclusion("stepped", "eve", DAY)},
    strays=(Stray("speed", 12.0, "40.0 m/s", "eve", DAY),),
    joins=(Join("j1", "time", 3.5, 2, "eve", DAY),),
    sets={"a": SetEdit("full", "driver", "eve", DAY), "b": SetEdit("fast", "", "eve", DAY)},
)


def printed(show: Callable[[Console], None]) -> list[list[str]]:
    """The cells of the lines that are printed."""
    out = io.StringIO()
    show(Console(file=out, width=200, highlight=False, markup=False, emoji=False))
    lines = [line.strip() for line in out.getvalue().splitlines()]
    return [re.split(r" {2,}", line) for line in lines if line]


def test_what_was_said_is_printed():
    assert printed(lambda out: show_said(SAID, out)) == [
        ["questions", "stopped: pain, by the guardian"],
        ["shoe", "Shoe A, stiff sole"],
        ["footbed", "Footbed B"],
        ["club", "7 iron"],
        ["player", "unchanged since the visit before"],
        ["set", "full, driver in place of the record's (eve)"],
        ["set", "fast in place of the record's (eve)"],
        ["note 1:01.0", "towel under the heel (eve; n1)"],
        [
            "swing 2",
            f"counts nowhere: {SAID.exclusions[1].text}; eye: push good; eye: heel down",
        ],
        ["swing 5", "eye: heel up, the answer was known; club 40.0 m/s"],
        ["No swing there now, at 0:12.0: speed 40.0 m/s (eve, 2026-03-31 10:05)."],
    ]


@pytest.mark.parametrize(
    ("said", "lines"),
    [
        (Said(), [["questions", "not asked"]]),
        (Said(Questions("", "player", DAY)), [["questions", "no hold, by the player"]]),
        (
            Said(conditions=Conditions(is_shoe_stiff=False)),
            [["questions", "not asked"], ["shoe", "soft sole"]],
        ),
    ],
)
def test_what_was_not_said_is_not_printed(said, lines):
    assert printed(lambda out: show_said(said, out)) == lines


def test_what_was_said_as_json():
    """Swings are counted from 1."""
    found = said_json("s1", SAID)
    assert (found["schema"], found["session"], found["is_unchanged"]) == (1, "s1", True)
    assert found["questions"]["hold"] == "pain" and found["conditions"]["club"] == "7 iron"
    assert [one["swing"] for one in found["swings"]] == [2, 5]
    assert found["swings"][0]["eye_push"] == {"answer": "good", "is_blind": True}
    assert found["swings"][0]["excluded"]["reason"] == "stepped"
    assert found["swings"][1]["excluded"] is None
    assert found["swings"][1]["club_speed_m_s"] == 40.04
    assert found["no_swing_there_now"][0]["t_s"] == 12.0
    assert found["joins"][0]["offset_s"] == 3.5
    assert {key: edit["intent"] for key, edit in found["sets"].items()} == {
        "a": "full",
        "b": "fast",
    }


# ---- club speeds ----

ROWS = (SpeedRow(2, 40.04, 100.0), SpeedRow(3, 41.0, None))


def preview(**changes: Any) -> list[list[str]]:
    made = Preview("time", -3.456, (Pair(ROWS[0], 1, -0.126),), (), ())
    found = SpeedFile(ROWS, ((5, "no speed"),))
    analysis = Analysis("x", 100.0, 60.0, (), (), (swing(100), swing(900)), (), None)
    return printed(lambda out: show_preview(replace(made, **changes), found, analysis, out))


def test_what_would_be_joined():
    assert preview() == [
        ["Clocks: -3.46 s added to the file's times."],
        ["swing", "at", "line", "club speed, m/s", "apart, s"],
        ["2", "0:10.0", "2", "40.0", "-0.13"],
        ["rows left", "none"],
        ["swings left", "none"],
        ["line 5", "no club speed: no speed"],
    ]
    left = preview(
        offset_s=None,
        pairs=(Pair(ROWS[0], 1, None),),
        rows_left=(ROWS[1], ROWS[0]),
        swings_left=(0, 3),
        doubt="an offset of +9.0 s matches as many",
    )
    assert left == [
        ["swing", "at", "line", "club speed, m/s", "apart, s"],
        ["2", "0:10.0", "2", "40.0", "–"],
        ["rows left", "line 3 (41.0 m/s), line 2 (40.0 m/s)"],
        ["swings left", "1, 4"],
        ["line 5", "no club speed: no speed"],
        ["In doubt: an offset of +9.0 s matches as many."],
    ]
    assert preview(pairs=(), offset_s=0.0)[:2] == [
        ["Clocks: +0.00 s added to the file's times."],
        ["rows left", "none"],
    ]


def test_speeds_by_set_and_what_they_go_with():
    notes = {k: SwingNote(club_speed_m_s=v) for k, v in enumerate((40.0, 42.0, 44.0))}
    visit = VisitMaker().swung("full", [{}] * 4, notes=notes).visit()
    lines = printed(lambda out: show_speeds(visit, out))
    assert ["set", "swings", "club speed", "best"] in lines
    assert ["full 1", "4", "42.0 ± 2.0 (3)", "44.0"] in lines
    assert ["load tempo", "3 swings, told from 12"] in lines
    assert lines[-1] == ["It goes together; it is no cause."]
    out = io.StringIO()
    show_speeds(visit, Console(file=out, width=80))
    told = [line for line in out.getvalue().splitlines() if "told from" in line]
    assert len(told) == 6 and len({line.index(" swings, told") for line in told}) == 1
    found = speeds_json(visit)
    assert (found["schema"], found["session"]) == (1, "visit-0")
    assert found["sets"][0]["best"] == 44.0 and found["relations"][1]["n"] == 3


def test_a_relation_in_words():
    one = Relation("lead peak", "about × BW", 12, ("full", "fast"), (), None)
    assert relation_text(one) == "12 swings, all alike"
    assert relation_text(replace(one, n=11)) == "11 swings, told from 12"
    told = replace(one, slope=Difference(1.25, -0.5, 3.0, 9.0))
    assert relation_text(told) == (
        "+1.25 (-0.50 to +3.00) m/s for one more about × BW, 95 % interval; 12 swings, full, fast"
    )


# ---- the eye ----


def test_how_eye_and_program_agree():
    """Cohen's kappa of these counts is given; the interval of 33 of 40 is Wilson's."""
    one = Agreement(
        "push", ("good", "not good"), ((20, 3), (4, 13)), proportion(33, 40), 0.636, 2, 5
    )
    assert printed(lambda out: show_eye([one], out)) == [
        ["Eye and program: push", "blind taps"],
        ["eye", "program: good", "not good"],
        ["good", "20", "3"],
        ["not good", "4", "13"],
        ["agree", "33 of 40 (68–91), 95 % interval"],
        ["kappa", "0.64"],
        ["not compared", "2: the program cannot tell"],
        ["kept apart", "5: the program's answer was known"],
    ]
    bare = replace(one, kappa=None, unclear=0, seen=0)
    assert printed(lambda out: show_eye([bare], out))[-1][0] == "kappa"
    assert kappa_text(replace(bare, agreed=proportion(8, 9))).endswith("times by both; 9 so far")


def test_where_no_swing_was_judged_by_eye_it_is_said_how():
    none = Agreement("push", ("good", "not good"), ((0, 0), (0, 0)), proportion(0, 0), None, 0, 0)
    assert printed(lambda out: show_eye([none, none], out)) == [
        [
            "No swing is judged by eye yet: on a session's page press "
            '"Judge by eye, blind" and tap what you saw, before the program\'s answer is shown. '
            "Or say: plantigrade visit tap SESSION SWING push good"
        ]
    ]
    seen = replace(none, what="heel", seen=2)
    assert printed(lambda out: show_eye([none, seen], out)) == [
        ["Eye and program: push", "blind taps"],
        ["No blind tap on it can be compared yet."],
        ["Eye and program: heel", "blind taps"],
        ["No blind tap on it can be compared yet."],
        ["kept apart", "2: the program's answer was known"],
    ]


def test_where_no_club_speed_is_kept_it_is_said_how_one_is():
    visit = VisitMaker().swung("full", [{}] * 4).visit()
    assert printed(lambda out: show_speeds(visit, out)) == [
        [
            "No club speed is kept of this session. plantigrade speed SESSION FILE takes those of "
            "a file, plantigrade visit speed SESSION SWING VALUE one."
        ]
    ]


def test_a_stop_that_was_a_mistake_is_told_with_who_took_it_back():
    back = HoldTakenBack("pain", "eve", DAY)
    said = replace(SAID, questions=None, hold_taken_back=back)
    first, second, *_ = printed(lambda out: show_said(said, out))
    assert first == ["questions", "not asked"]
    assert second[0] == "taken back"
    assert "pain" in second[1] and "eve" in second[1] and "2026-03-31" in second[1]
