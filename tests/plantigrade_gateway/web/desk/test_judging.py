"""Which swings the coach is still to judge blind, and how eye and program agree, on a page."""

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from tests.support.records import swing

from plantigrade_gateway.analysis.result import Analysis, Exclusion
from plantigrade_gateway.coach.case import SwingNote, Tap, Visit
from plantigrade_gateway.people.said import Said
from plantigrade_gateway.web.desk.judging import agreements, is_open, judged, next_to_judge

DAY = datetime(2026, 3, 31, 10, tzinfo=UTC)
GOOD, UP = Tap("good", is_blind=True), Tap("up", is_blind=True)
BOTH = SwingNote(eye_push=GOOD, eye_heel=UP)


def opened(n: int, *out: int) -> Any:
    """A session with n swings, of which some are left out (places)."""
    excluded = {place: Exclusion("stepped", "eve", DAY) for place in out}
    swings = tuple(swing(1000 * k) for k in range(n))
    found = Analysis("x", 100.0, 60.0, (), (), swings, (), None, excluded=excluded)
    return SimpleNamespace(found=found)


def test_a_swing_asks_for_what_was_not_tapped_yet():
    said = Said(swings={1: SwingNote(eye_heel=UP)})
    first = judged(opened(3), said, 1)
    assert [(what, answers) for what, _, answers in first.asked] == [
        ("push", ("good", "not good")),
        ("heel", ("up", "down")),
    ]
    assert (first.told, first.is_shown, first.following) == ((), False, 2)
    second = judged(opened(3), said, 2)
    assert [what for what, *_ in second.asked] == ["push"]
    assert (second.told, second.is_shown, second.following) == (("heel: up",), False, 3)


def test_the_answer_is_shown_when_both_are_tapped_or_it_was_asked_for():
    said = Said(swings={0: BOTH, 1: SwingNote(eye_push=GOOD)}, seen=frozenset({2}))
    assert [is_open(said, place) for place in range(4)] == [True, False, True, False]
    late = SwingNote(eye_push=replace(GOOD, is_blind=False), eye_heel=UP)
    shown = judged(opened(1), Said(swings={0: late}), 1)
    assert shown.told == ("push: good (after the program’s answer)", "heel: up")
    assert shown.asked == () and shown.is_shown and shown.following is None


def test_the_next_to_judge_comes_after_this_one_and_then_from_the_first():
    said = Said(swings={2: BOTH})
    assert [next_to_judge(opened(5, 3), said, after) for after in range(6)] == [1, 2, 5, 5, 5, 1]
    assert next_to_judge(opened(1), Said(), 1) is None  # itself is not the next
    assert next_to_judge(opened(1), Said()) == 1
    assert next_to_judge(opened(2, 0, 1), Said()) is None


def test_eye_and_program_on_a_page():
    """The swings' pushes are good and their heels unloaded (`tests.support.records`)."""

    def visit(*notes: SwingNote) -> Visit:
        return Visit("s", DAY, opened(len(notes)).found, dict(enumerate(notes)))

    assert agreements(visit(SwingNote(), SwingNote())) == []
    wrong = SwingNote(eye_push=Tap("not good", is_blind=True))
    (push, heel) = agreements(visit(BOTH, BOTH, wrong))
    assert (push.found.what, heel.found.what) == ("push", "heel")
    # Wilson's intervals (1927) of 2 of 3 and of 2 of 2
    assert (push.share, heel.share) == ("2 of 3 (21 to 94 %)", "2 of 2 (34 to 100 %)")
    assert "from 40 swings on" in push.kappa and "5 times by both" in push.kappa
    seen = SwingNote(eye_heel=replace(UP, is_blind=False))
    (alone,) = agreements(visit(seen))
    assert (alone.found.what, alone.found.seen, alone.share) == ("heel", 1, "–")
    half = [BOTH] * 24 + [replace(BOTH, eye_push=Tap("not good", is_blind=True))] * 16
    made = visit(*half)
    swings = tuple(
        replace(one, push=replace(one.push, is_good=k < 20))
        for k, one in enumerate(made.analysis.swings)
    )
    found = agreements(replace(made, analysis=replace(made.analysis, swings=swings)))[0]
    # good by both 20, by the eye alone 4, by neither 16: (.9 − .5) / (1 − .5) = .8 (Cohen 1960)
    assert found.kappa == "kappa 0.80" and found.share.startswith("36 of 40 (")
