"""What people said of a session's sets and swings, laid over its results. All of it is invented."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from tests.support.cases import VisitMaker, pushes

from plantigrade_gateway.analysis.result import Analysis, Exclusion, SetSpan
from plantigrade_gateway.drills.judge import Rep, Verdict
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.people.said import Said, SetEdit, set_key, with_edits

WHEN = datetime(2026, 3, 2, 10, tzinfo=UTC)
SPAN = SetSpan("full, 7 iron", 12.5, 80.0, "ab" * 16, "full", "7 iron", True)


def edited(span: SetSpan, intent: str, club: str) -> SetSpan:
    found = Analysis("x", 100.0, 600.0, (), (), (), (), None, spans=(span,))
    said = Said(sets={set_key(span): SetEdit(intent, club, "coach", WHEN)})
    return with_edits(found, said).set_edits[0]


def test_a_set_is_named_by_its_id_or_in_an_older_record_by_its_beginning():
    assert set_key(SPAN) == "ab" * 16
    assert set_key(replace(SPAN, set_id="")) == "@12500000000"


def test_a_set_that_was_corrected_is_called_by_what_it_is_now():
    made = edited(SPAN, "smooth", "driver")
    assert (made.name, made.intent, made.club) == ("smooth, driver", "smooth", "driver")
    made = edited(SPAN, "fast", "")
    assert (made.name, made.intent, made.club) == ("fast", "fast", "")
    assert (made.start_s, made.end_s, made.is_silent) == (12.5, 80.0, True)


def drill(judge: str, *reps: Rep) -> DrillResult:
    return DrillResult("push", "Push", "swings", judge, "every", 1.0, 500.0, 2, 3, 1, 1, reps)


def test_a_swing_that_is_left_out_is_no_repetition_either():
    """Good, missed, unclear, good: without the missed one two in a row are good."""
    base = VisitMaker().swung("full", pushes(4, 0)).visit().analysis
    verdicts = (Verdict.GOOD, Verdict.MISSED, Verdict.UNCLEAR, Verdict.GOOD)
    reps = [
        Rep(swing.confirmed_s, verdict, str(verdict))
        for swing, verdict in zip(base.swings, verdicts, strict=True)
    ]
    runs = (drill("push", *reps), drill("balance", *reps))
    found: Any = replace(base, drills=runs)

    def without(*places: int) -> tuple[DrillResult, ...]:
        gone = {place: Exclusion("stepped away", "coach", WHEN) for place in places}
        return with_edits(found, Said(exclusions=gone)).drills

    assert without() == runs
    swung, tried = without(1)
    assert (swung.good, swung.tried, swung.unclear, swung.best) == (2, 2, 1, 2)
    assert [rep.verdict for rep in swung.reps] == [verdicts[0], *verdicts[2:]]
    assert tried == runs[1]  # its repetitions are no swings
    swung, _ = without(0, 2)
    assert (swung.good, swung.tried, swung.unclear, swung.best) == (1, 2, 0, 1)
    assert (swung.start_s, swung.end_s, swung.feedback) == (1.0, 500.0, "every")
