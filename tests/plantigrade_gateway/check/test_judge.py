"""A whole check judged from its session, and the questions before it."""

from dataclasses import replace

import pytest
from tests.support.checking import check_of
from tests.support.records import swing

from plantigrade.synth import Player, Stand, Walk
from plantigrade_gateway.analysis.result import Analysis, Mark, Trial, swing_time
from plantigrade_gateway.check.judge import judge, judged
from plantigrade_gateway.check.stand import taken_stands
from plantigrade_gateway.check.steps import ADVICE, QUESTIONS, hold_of
from plantigrade_gateway.check.verdict import AGAIN_MARK, Why, withdrawn
from plantigrade_gateway.people.visits import HOLDS


@pytest.fixture(scope="module")
def found() -> Analysis:
    told = [
        ("stand", 1.0, 21.0),
        ("stand", 25.0, 45.0),
        ("walk", 48.2, 80.0),
        ("dance", 81.0, 82.0),
    ]
    return check_of(Player(), [Stand(24.0), Stand(24.0), Walk(40)], told)


def test_each_trial_is_judged_by_its_own_step(found):
    whys = [each.verdict.why for each in judged(found)]
    assert whys == [None, None, None, Why.EMPTY]
    assert [each.trial for each in judged(found)] == list(found.trials)


def test_a_trial_that_was_to_be_done_again_does_not_count(found):
    """The mark after the second stand takes that one back; two marks take both."""
    once = replace(found, marks=(Mark(46.0, AGAIN_MARK), Mark(47.0, "again and again")))
    assert [each.verdict.why for each in judged(once)][:3] == [None, Why.AGAIN, None]
    assert list(taken_stands(once)) == [found.trials[0].stand]
    twice = replace(found, marks=(Mark(46.0, AGAIN_MARK), Mark(46.5, AGAIN_MARK)))
    assert withdrawn(twice) == {0, 1}
    assert list(taken_stands(twice)) == []
    assert list(taken_stands(found)) == [found.trials[0].stand, found.trials[1].stand]


def test_practice_without_a_swing_is_refused(found):
    verdict = judge(Trial("practice", 1, 0.0, 50.0), found)
    assert verdict.why is Why.EMPTY and "address" in verdict.line


@pytest.mark.parametrize(
    ("step", "line"),
    [("practice", "2 practice swings of 6."), ("warm_up", "2 warm-up swings.")],
)
def test_practice_says_how_many_swings_were_made(found, step, line):
    """A swing at the end of the trial is after it."""
    swung = replace(found, swings=tuple(swing(100 * k) for k in (9, 10, 19, 20)))
    begin, end = swing_time(swung.swings[1]), swing_time(swung.swings[3])
    verdict = judge(Trial(step, 1, begin, end), swung)
    assert (verdict.why, verdict.line, verdict.count) == (None, line, 2)
    one = judge(Trial(step, 1, begin, begin + 0.1), swung)
    assert one.line == line.replace("2", "1").replace("swings", "swing")
    assert judge(Trial("dance", 1, begin, end), swung).why is Why.EMPTY
    assert judge(Trial(step, 1, end + 1.0, end + 2.0), swung).why is Why.EMPTY


def test_a_mark_at_a_trial_s_begin_is_of_it_and_one_before_all_is_of_none(found):
    at_begin = replace(found, marks=(Mark(25.0, AGAIN_MARK),))
    assert withdrawn(at_begin) == {1}
    before = replace(found, marks=(Mark(0.5, AGAIN_MARK),))
    assert [each.verdict.why for each in judged(before)] == [None, None, None, Why.EMPTY]


def test_the_gravest_questions_come_first_and_a_group_is_kept_as_a_hold():
    """The page takes the first yes; what is kept is one of the people's log's two groups."""
    groups = [question.group for question in QUESTIONS]
    assert groups == sorted(groups, key=["emergency", "red flag", "pain"].index)
    assert {hold_of(group) for group in groups} == set(HOLDS)
    assert hold_of("") == ""


def test_every_group_has_its_advice():
    """The red flags and whom to see stand in the design of this program (§8)."""
    assert set(ADVICE) == {q.group for q in QUESTIONS}
    assert "licensed clinician" in ADVICE["red flag"] and "emergency" in ADVICE["emergency"]
    text = " ".join(question.text for question in QUESTIONS).lower()
    for sign in ("numb", "wound", "swollen", "hot", "discoloured", "weak", "diabetes", "chest"):
        assert sign in text
    for sign in ("faintness", "breathlessness", "bladder", "hurt"):
        assert sign in text
