"""Scores and what is said of a repetition, by hand: no record is run here."""

import pytest

from plantigrade.block import Foot
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.judge import Rep, Verdict
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.drills.run import DrillRun, Score, spoken_text

VERDICTS = {"g": Verdict.GOOD, "m": Verdict.MISSED, "?": Verdict.UNCLEAR}


def scored(letters: str) -> Score:
    score = Score("push", "Push", "", "swings", Feedback.EVERY)
    for k, letter in enumerate(letters):
        score = score.after(Rep(float(k), VERDICTS[letter], "seen"), f"line {k}", told=k > 0)
    return score


@pytest.mark.parametrize(
    ("letters", "good", "tried", "unclear", "streak", "best"),
    [
        ("", 0, 0, 0, 0, 0),
        ("g", 1, 1, 0, 1, 1),
        ("gg?gm", 3, 4, 1, 0, 3),  # one that nobody can tell ends no streak
        ("ggmg", 3, 4, 0, 1, 2),
        ("mm??", 0, 2, 2, 0, 0),
    ],
)
def test_what_a_score_counts(letters, good, tried, unclear, streak, best):
    found = scored(letters)
    assert (found.good, found.tried, found.unclear) == (good, tried, unclear)
    assert (found.streak, found.best) == (streak, best)


@pytest.mark.parametrize("letters", ["mg", "gm", "g?"])
def test_a_score_has_its_last_repetition_with_its_line(letters):
    found = scored(letters)
    assert found.last == Rep(1.0, VERDICTS[letters[1]], "seen")
    assert (found.line, found.told) == ("line 1", True)
    assert not scored(letters[0]).told


def test_what_a_voice_says():
    good, missed, unclear = (Rep(1.0, VERDICTS[letter], "It skipped.") for letter in "gm?")
    assert [spoken_text(good, n) for n in (1, 2, 3)] == [
        *("Good.", "Good, 2 in a row.", "Good, 3 in a row.")
    ]
    assert (spoken_text(missed, 0), spoken_text(unclear, 2)) == ("It skipped.", "Unclear.")


def test_the_same_drill_with_other_feedback_is_no_other_run():
    push, other = (shelf(None).find(name) for name in ("push", "balance"))
    run = DrillRun(push, Feedback.EVERY, 0.0, Foot.LEFT, 700.0)
    assert run.is_told_otherwise(push, Feedback.SILENT)
    assert not run.is_told_otherwise(push, Feedback.EVERY)
    assert not run.is_told_otherwise(other, Feedback.SILENT)
    assert not run.is_told_otherwise(None, Feedback.SILENT)
    run.tell(Feedback.SILENT)
    assert run.score.feedback is Feedback.SILENT
    assert not run.is_told_otherwise(push, Feedback.SILENT)
