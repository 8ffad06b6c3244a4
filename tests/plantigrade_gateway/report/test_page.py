"""The page for the player says in plain words what the sheet and the record say."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pypdfium2
import pytest
from tests.support.api import invented_store_of
from tests.support.cases import FIRST_DAY, VisitMaker, pushes, swing_at
from tests.support.cases import case as made_case
from tests.support.practice import practice_copy

from plantigrade.events import Manner, Swing, Timing
from plantigrade.zones import eighteen
from plantigrade_gateway.coach.case import Case, Decided, Questions
from plantigrade_gateway.coach.sheet import EvidenceSheet, evidence
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.report.page import (
    _feet,
    moments_s,
    page_of,
    player_page,
    shown_swing,
    write_page,
)
from plantigrade_gateway.report.pagerows import PageRows
from plantigrade_gateway.report.typeset import NotPrinted, PlayerPage
from plantigrade_gateway.rules.files import built_in, built_in_text, rules_of
from plantigrade_gateway.store.store import Store

NOW = datetime(2026, 3, 30, 9, 0, tzinfo=UTC)
NOT_SAID = ("BW", "kPa", "CoP", "MDC", "heel_and_ball", "midfoot", "unclear", "%", "±")
"""Words and units of the coach's pages (and of the trade) that a player is not told."""
OTHER_NAMES = re.compile(r"\b(front|back|rear) (foot|heel)", re.IGNORECASE)
"""Of what design §2 calls lead and trail, as the drills' titles on the same page do."""
BY_CHANCE = "Two days can differ by chance."
NOTHING = PageRows(eighteen(), None, ())


@pytest.fixture(scope="module")
def register(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Register]:
    """A store with one invented player, two visits: stands on heel and ball, not ready."""
    made = practice_copy(invented_store_of(tmp_path_factory), tmp_path_factory.mktemp("page"))
    with Store.open(made) as store, Register(store) as opened:
        yield opened


@pytest.fixture(scope="module")
def case(register: Register) -> Case:
    return case_of(register, register.rows()[0].profile.player_id)


def made(case: Case) -> PlayerPage:
    """Return a case's page without its pictures."""
    last = case.visits[-1]
    swing = shown_swing(last, built_in())
    titles = {name: drill.title for name, drill in shelf(None).drills.items()}
    return player_page(case, evidence(case, built_in()), built_in(), titles, NOTHING, swing)


@pytest.mark.dear
@pytest.mark.slow
def test_a_page_shows_what_was_found_decided_and_to_do(register, case):
    page = page_of(register, case.player_id, built_in())
    assert page.name == "Jonah (invented)"
    assert page.under == "28 March 2026, stiff shoe with a last of its own"
    # the story's body: nothing under either midfoot, standing and walking
    assert [foot.says for foot in page.feet] == [
        "Your left foot stands and walks on heel and ball.",
        "Your right foot stands and walks on heel and ball.",
    ]
    assert len(page.moments) == 3
    assert page.decided == (
        "Lead heel: Let the lead heel float up. Put it down, then hit.",
        "Push: Heel, then the middle, then the toes.",
    )
    assert len(page.drills) == 2
    assert page.speed == "not yet. First the long push, then fast."
    assert page.next_visit == "25 April 2026"  # 28 days on, by the rule file
    assert re.fullmatch(rf"\d of 8, last time \d of 8\. {BY_CHANCE}", page.pushes)


@pytest.mark.dear
@pytest.mark.slow
def test_a_page_has_no_word_of_the_trade_and_few_words(register, case):
    page = page_of(register, case.player_id, built_in())
    words = " ".join(page.texts)
    assert len(words.split()) <= 160
    drills = {drill.what for drill in page.drills}  # a drill's own name stays
    told = " ".join(text for text in page.texts if text not in drills)
    assert [word for word in NOT_SAID if word in told] == []
    assert OTHER_NAMES.search(words) is None


def test_the_rules_call_a_foot_to_the_player_as_the_drills_do():
    assert [rule.id for rule in built_in().rules if OTHER_NAMES.search(rule.player)] == []


@pytest.mark.dear
@pytest.mark.slow
def test_a_drill_of_the_coachs_own_files_stands_on_the_page(register, case):
    """Jonah's lead foot bears on heel and ball, for which the rules name the drill heel_lift."""
    folder = register.store.path.parent / "drills"
    folder.mkdir()
    own = folder / "float.toml"
    own.write_text("""
name = "float"
title = "Float the heel"
goal = "Let the lead heel float."
kind = "heel_lift"
""")
    text = built_in_text().replace('drill = "heel_lift"', 'drill = "float"')
    rules = rules_of(text, "rules")
    shown = [drill.what for drill in page_of(register, case.player_id, rules).drills]
    assert "Float the heel" in shown
    own.unlink()
    shown = [drill.what for drill in page_of(register, case.player_id, rules).drills]
    assert "float" in shown and "Float the heel" not in shown  # a hub has no bay's drill files


@pytest.mark.dear
def test_a_drill_that_is_not_here_has_the_title_that_a_session_recorded(case):
    """As at a hub: the rules name a bay's own drill, which the player has practised there."""
    rules = rules_of(built_in_text().replace('drill = "heel_lift"', 'drill = "float"'), "rules")
    *others, last = case.visits
    run = DrillResult("float", "Float the heel", "c", "swing", "every", 0.0, 9.0, 1, 1, 0, 1, ())
    analysis = replace(last.analysis, drills=(run,))
    with_run = replace(case, visits=(*others, replace(last, analysis=analysis)))
    found = evidence(with_run, rules)
    shown = [
        [drill.what for drill in player_page(one, found, rules, {}, NOTHING, None).drills]
        for one in (case, with_run)
    ]
    assert "float" in shown[0] and "Float the heel" in shown[1] and "float" not in shown[1]


@pytest.mark.dear
def test_the_swing_shown_is_whole_and_of_the_last_full_set(case):
    last = case.visits[-1]
    swing = shown_swing(last, built_in())
    assert swing is not None
    (full,) = [run for run in last.analysis.sets if run.intent == "full"]
    assert swing in full.swings
    peak_s, shift_s, lead_s = moments_s(swing)
    assert peak_s < shift_s < lead_s
    gone = {
        k: replace(last.note(k), excluded="a step")
        for k, one in enumerate(last.analysis.swings)
        if one == swing
    }
    other = shown_swing(replace(last, notes=gone), built_in())
    assert other != swing


@pytest.mark.dear
@pytest.mark.parametrize(
    ("hold", "said"),
    [
        ("red flag", "not today. Not today: please see a doctor first."),
        ("pain", "not today. It hurts, so we stop here."),
    ],
)
def test_under_a_hold_nothing_is_suggested_and_the_page_says_why(case, hold, said):
    asked = Questions(hold, "player", NOW)
    held = replace(case, visits=(*case.visits[:-1], replace(case.visits[-1], questions=asked)))
    page = made(held)
    assert page.drills == ()
    assert page.speed == said


@pytest.mark.dear
def test_what_is_to_do_follows_the_decision_not_the_suggestion(case):
    """The rules suggest that Jonah's lead heel rises, then the trail heel, then a long push.

    Two are printed.
    """
    heel, push = "Unload the lead heel, and return to it", "Roll the push through"
    trail = "Load the trail heel"

    def to_do(*decided: tuple[str, str, str]) -> dict[str, str]:
        day = case.visits[-1].started.date()
        made_of = tuple(Decided(topic, answer, plan, "", day) for topic, answer, plan in decided)
        drills = made(replace(case, decisions=made_of)).drills
        return {drill.what: drill.lines[-1] for drill in drills}

    up, down = ("lead heel", "go", "up"), ("lead heel", "go", "down")
    assert list(to_do()) == list(to_do(up)) == [heel, trail]
    assert list(to_do(("speed", "not yet", ""))) == [heel, trail]
    assert list(to_do(down)) == [trail, push]
    assert to_do(down)[push] == "Heel, then the middle, then the toes: make it one long push."
    assert to_do(down, ("push", "go", "even"))[push] == "Let your trail foot roll on as you turn."
    assert list(to_do(("lead heel", "not yet", "up"), ("push", "not today", ""))) == [trail]


@pytest.mark.parametrize(("plan", "is_told"), [("up", True), ("either", True), ("down", False)])
def test_a_rule_that_a_plan_speaks_against_is_not_to_be_done(plan, is_told):
    """The heel comes back late: of a heel that is to stay down that is no drill."""
    asked = Questions("", "player", FIRST_DAY)
    late = [{"lifted": True, "return_after_level_s": 0.3}] * 8
    decided = Decided("lead heel", "go", plan, "", FIRST_DAY.date())
    visit = VisitMaker().swung("full", late).visit(questions=asked)
    drills = made(made_case(visit, decisions=(decided,))).drills
    told = [line for drill in drills for line in drill.lines]
    assert ("Heel down first, then go." in told) == (is_told and plan != "up")
    assert ("Put it down, then hit." in " ".join(told)) == (plan == "up")


@pytest.mark.dear
def test_without_own_words_speed_says_what_was_not_seen(case):
    day = case.visits[-1].started.date()
    plain = replace(case, decisions=(Decided("speed", "not yet", "", "", day),))
    # hips: limit, in the story
    assert made(plain).speed == "not yet, because something above the feet comes first"
    go = replace(case, decisions=(Decided("speed", "go", "", "", day),))
    assert made(go).speed == "go"
    assert made(replace(case, decisions=())).speed == ""


@pytest.mark.dear
def test_what_was_not_decided_measured_or_repeated_is_left_out(case):
    alone = replace(case, visits=case.visits[-1:], decisions=())
    page = made(alone)
    assert (page.feet, page.moments, page.swing) == ((), (), "")
    assert page.decided == ()
    assert page.pushes == ""


def test_last_time_is_another_day():
    """A session that was stopped and begun again is two visits of a day; 0 of 8, then 8 of 8."""
    first = VisitMaker(day=0).swung("full", pushes(0, 8)).visit()
    morning = VisitMaker(day=7, hour=9).swung("full", pushes(8, 0)).visit()
    later = VisitMaker(day=7, hour=15).swung("full", pushes(8, 0)).visit()
    day = (morning, replace(later, session_id="visit-7b"))
    assert made(made_case(first, *day)).pushes == f"8 of 8, last time 0 of 8. {BY_CHANCE}"
    assert made(made_case(*day)).pushes == ""


@pytest.mark.dear
def test_a_visit_whose_shoe_was_not_noted_has_the_usual_one_said_to_be_that(register, case):
    """Jonah is registered with the shoe of his story."""
    stiff = "stiff shoe with a last of its own"
    assert case.usual_shoe == register.profile(case.player_id).shoe == stiff
    bare = replace(case, visits=(*case.visits[:-1], replace(case.visits[-1], shoe="")))
    assert made(bare).under == f"28 March 2026, usual shoe: {stiff}"
    assert made(replace(bare, usual_shoe="")).under == "28 March 2026"
    assert made(replace(case, usual_shoe="sandals")).under == f"28 March 2026, {stiff}"


@pytest.mark.dear
def test_a_player_of_whom_nothing_is_known_has_no_page_and_one_who_was_decided_on_has(register):
    key = register.add(name="Nobody (invented)", handedness="left")
    with pytest.raises(NotPrinted, match="nothing was measured or decided of Nobody"):
        page_of(register, key, built_in())
    register.decide(key, "push", "go", NOW.date(), "Let it roll.")
    register.decide(key, "speed", "not yet", NOW.date())
    page = page_of(register, key, built_in())
    assert (page.decided, page.speed) == (("Push: Let it roll.",), "not yet")


@pytest.mark.dear
@pytest.mark.slow
def test_a_page_is_written_for_its_owner_and_never_over_another_file(register, case, tmp_path):
    path = tmp_path / "page.pdf"
    write_page(register, case.player_id, path, "letter", replace=False)
    assert path.stat().st_mode & 0o777 == 0o600
    with pypdfium2.PdfDocument(path.read_bytes()) as document:
        assert len(document) == 1
        assert "Jonah (invented)" in document[0].get_textpage().get_text_bounded()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="is there already; say --replace"):
        write_page(register, case.player_id, path, "a4", replace=False)
    assert path.read_bytes() == before
    write_page(register, case.player_id, path, "a4", replace=True)
    assert path.read_bytes() != before
    assert [one.name for one in path.parent.iterdir()] == ["page.pdf"]


@pytest.mark.dear
def test_a_place_that_cannot_be_written_says_so(register, case, tmp_path: Path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be written"):
        write_page(register, case.player_id, tmp_path / "file" / "p.pdf", "a4", replace=False)


# ---- pages of cases put together by hand ----

DAY = FIRST_DAY.date()
PAGE = "plantigrade_gateway.report.page"
EARLY = "Your trail foot was on its toes before the weight went across."


def said(topic: str, answer: str, plan: str = "", cue: str = "") -> Decided:
    return Decided(topic, answer, plan, cue, DAY)


@pytest.mark.parametrize(
    ("decided", "lines"),
    [
        ((said("push", "go", "even"), said("lead heel", "go", "down")),
         ("Lead heel: keep it down", "Push: an even roll, nothing forced")),
        ((said("lead heel", "not yet", "up"),),
         ("Lead heel: not yet. let it come up as you turn back",)),
        ((said("lead heel", "no", "either", "Let it be."),), ("Lead heel: no. Let it be.",)),
        ((said("push", "not yet"),), ("Push: not yet",)),
        ((said("push", "go"), said("speed", "go")), ()),
        ((said("push", "go", "deliberate"), said("lead heel", "go", "either")),
         ("Lead heel: as you have it now", "Push: one long push, made on purpose")),
    ],
)  # fmt: skip
def test_decisions_stand_in_the_coachs_words_or_the_plans(decided, lines):
    visit = VisitMaker().visit(questions=Questions("", "player", FIRST_DAY))
    assert made(made_case(visit, decisions=decided)).decided == lines


@pytest.mark.parametrize(
    ("shoe", "usual", "under"),
    [
        ("Shoe A", "Shoe B", "2 March 2026, Shoe A"),
        ("", "Shoe B", "2 March 2026, usual shoe: Shoe B"),
        ("", "", "2 March 2026"),
    ],
)
def test_below_the_name_stand_day_and_shoe_and_the_next_visit_last(shoe, usual, under):
    """28 days on, by the built-in rules."""
    page = made(made_case(VisitMaker(shoe=shoe).visit(), usual_shoe=usual))
    assert (page.name, page.under) == ("Iris Invented", under)
    assert (page.next_visit, page.day) == ("30 March 2026", DAY)


@pytest.mark.parametrize(
    ("before", "now", "says"),
    [
        ((8, 0), (0, 8), f"0 of 8, last time 8 of 8. {BY_CHANCE}"),
        ((4, 4), (5, 3), f"5 of 8, last time 4 of 8. {BY_CHANCE}"),
        ((0, 8), (7, 0), f"7 of 7, last time 0 of 8. {BY_CHANCE}"),
    ],
)
def test_good_pushes_are_told_beside_those_of_the_visit_before_without_a_verdict(before, now, says):
    """However far apart: of proportions of two days the progress page has no verdict either."""
    first = VisitMaker(day=0).swung("full", pushes(*before)).visit()
    empty = VisitMaker(day=3).swung("smooth", pushes(4, 4)).visit()
    last = VisitMaker(day=7).swung("full", pushes(*now)).visit()
    assert made(made_case(first, empty, last)).pushes == says
    assert made(made_case(first, last, empty)).pushes == ""  # none in the last visit
    assert made(made_case(last)).pushes == ""


def test_the_swing_shown_is_the_last_whole_one_of_the_silent_full_set():
    whole = VisitMaker().swung("full", pushes(2, 0)).swung("smooth", pushes(1, 0)).visit()
    assert shown_swing(whole, built_in()) == whole.analysis.swings[1]
    for spoilt in (
        {"touches_gap": True},
        {"trail_peak_s": None},
        {"shift_s": None},
        {"lead_peak_s": None},
        {"good": None},
        {"timing": Timing.UNCLEAR},
    ):
        visit = VisitMaker().swung("full", [{}, spoilt]).visit()
        assert shown_swing(visit, built_in()) == visit.analysis.swings[0], spoilt
    held = {"manner": Manner.HELD, "timing": Timing.UNCLEAR}  # whose push has no time
    visit = VisitMaker().swung("full", [{}, held]).visit()
    assert shown_swing(visit, built_in()) == visit.analysis.swings[1]
    loud = VisitMaker().swung("smooth", [{}], silent=False).visit()
    assert shown_swing(loud, built_in()) == loud.analysis.swings[0]
    assert shown_swing(VisitMaker().visit(), built_in()) is None


def test_no_swing_of_the_other_hand_is_shown_or_counted():
    """What the page calls the trail foot would be the player's lead foot."""
    first = VisitMaker().swung("full", pushes(8, 0)).visit()
    last = replace(VisitMaker(day=7).swung("full", pushes(8, 0)).visit(), is_other_hand=True)
    assert shown_swing(last, built_in()) is None
    assert made(made_case(first, last)).pushes == ""


def pictured(swing: Swing, moments: int = 3, load: float = 10.0) -> PlayerPage:
    """A page with a swing's pictures, every zone alike."""
    visit = VisitMaker().visit()
    zones = np.full(18, load)
    rows = PageRows(eighteen(), (zones, 2 * zones), ((zones, zones),) * moments)
    case = made_case(visit)
    return player_page(case, evidence(case, built_in()), built_in(), {}, rows, swing)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({}, "Your trail foot rolled from heel to toes as the weight went across."),
        ({"good": False}, "Your trail foot jumped to its toes."),
        ({"manner": Manner.HELD}, "Your trail foot stayed where it was."),
        (
            {"timing": Timing.EARLY},
            "Your trail foot was on its toes before the weight went across.",
        ),
        ({"manner": Manner.HELD, "timing": Timing.EARLY}, "Your trail foot stayed where it was."),
    ],
)
def test_three_moments_are_pictured_and_one_line_says_what_the_push_did(given, says):
    page = pictured(swing_at(20.0, **given))
    assert page.swing == says
    assert [moment.says for moment in page.moments] == [
        "most weight on the trail foot",
        "weight goes across",
        "most weight on the lead foot",
    ]
    assert page.moments[0].alt == "Both soles: most weight on the trail foot"
    assert [(foot.side, foot.says) for foot in page.feet] == [("left", ""), ("right", "")]
    assert page.feet[1].alt == "The right sole, standing; darker where more weight lies."


@pytest.mark.parametrize(("moments", "load"), [(2, 10.0), (3, 0.0), (0, 10.0)])
def test_without_all_three_moments_or_any_load_no_swing_is_shown(moments, load):
    page = pictured(swing_at(20.0), moments, load)
    assert (page.moments, page.swing) == ((), "")
    assert len(page.feet) == (0 if load == 0.0 else 2)


@pytest.mark.parametrize(
    ("decided", "speed"),
    [
        (said("speed", "not yet", cue="First the push."), "not yet. First the push."),
        (said("speed", "go", cue="Eight of them."), "go. Eight of them."),
        (said("speed", "go"), "go"),
        (said("push", "go", "even"), ""),
    ],
)
def test_speed_is_said_as_it_was_decided(decided, speed):
    visit = VisitMaker().visit(questions=Questions("", "player", FIRST_DAY))
    assert made(made_case(visit, decisions=(decided,))).speed == speed


def test_two_drills_at_most_are_to_be_done_ten_swings_three_times_a_week():
    asked = Questions("", "player", FIRST_DAY)
    late = [{"lifted": True, "return_after_level_s": 0.3, "good": False}] * 8
    visit = VisitMaker().swung("smooth", late).swung("full", late).visit(questions=asked)
    drills = made(made_case(visit)).drills
    assert 1 <= len(drills) <= 2
    for drill in drills:
        assert drill.lines[0] == "Ten slow swings at a time, three times a week."


def test_a_file_that_is_no_pdf_or_is_there_already_is_not_written(tmp_path):
    nobody = cast(Register, None)  # is not asked
    with pytest.raises(InputError, match=r"page\.txt: expected a name that ends in \.pdf"):
        write_page(nobody, "p1", tmp_path / "page.txt", "a4", replace=True)
    there = tmp_path / "page.PDF"
    there.write_bytes(b"here")
    with pytest.raises(StoreError, match="is there already; say --replace to write over it"):
        write_page(nobody, "p1", there, "a4", replace=False)
    assert there.read_bytes() == b"here"


def test_a_page_appears_whole_for_its_owner_alone(tmp_path, monkeypatch):
    """Its parts are tested elsewhere: here it is a few bytes."""
    monkeypatch.setattr(f"{PAGE}.page_of", lambda *_: PlayerPage("Invented", ""))
    monkeypatch.setattr(f"{PAGE}.pdf", lambda made, paper: f"{made.name} {paper}".encode())
    monkeypatch.setattr(f"{PAGE}.RuleBook", lambda _: SimpleNamespace(current=page_rules))
    path = tmp_path / "page.pdf"
    for is_there in (False, True):
        write_page(cast(Register, None), "p1", path, "a4", replace=is_there)
        assert path.read_bytes() == b"Invented a4"
        assert path.stat().st_mode & 0o777 == 0o600
        assert list(tmp_path.iterdir()) == [path]
    with pytest.raises(StoreError, match=r"nowhere.page\.pdf: cannot be written \("):
        nowhere = tmp_path / "nowhere" / "page.pdf"
        write_page(cast(Register, None), "p1", nowhere, "a4", replace=False)


def page_rules() -> SimpleNamespace:
    return SimpleNamespace(rules=built_in())


@pytest.mark.parametrize(("hands", "left", "right"), [("right", 0, 1), ("left", 1, 0)])
def test_the_lead_foot_is_the_left_one_of_who_plays_right_handed(hands, left, right):
    known = {"lead.foot": "bears", "trail.foot": "broad"}
    found = SimpleNamespace(sheet=SimpleNamespace(known=known))
    zones = np.ones(18)
    case = made_case(VisitMaker().visit(), handedness=hands)
    rows = PageRows(eighteen(), (zones, zones), ())
    says = ("carries load on its middle, standing and walking", "rests on its whole length")
    feet = list(_feet(case, cast(EvidenceSheet, found), rows))
    assert [foot.says for foot in feet] == [
        f"Your left foot {says[left]}.",
        f"Your right foot {says[right]}.",
    ]
    assert feet[0].alt.endswith(f"darker where more weight lies. {feet[0].says}")
