"""What is said of a session whose results were made again."""

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.cases import foot_quality, quality
from tests.support.printed import printed
from tests.support.records import stand, step, swing

from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.coach.case import HoldTakenBack, Questions
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.people.said import Said, said_of
from plantigrade_gateway.report.session import (
    redone_line,
    show_quality,
    show_reading,
    show_session,
    show_summary,
)

SAID = said_of([], ())
LOST = "3 entries before this one are lost: the record was cut off"


def line(changed: int, *notes: str) -> str:
    session: Any = SimpleNamespace(session_id="0123456789abcdef")
    found: Any = SimpleNamespace(
        steps=(step(1), step(2)),
        swings=(swing(3),),
        stands=(stand(4),),
        quality=SimpleNamespace(notes=notes),
    )
    return redone_line(session, found, changed)


def test_results_made_again_in_one_line():
    begin = "01234567  2 steps, 1 swing, 1 stand: "
    assert line(0) == f"{begin}nothing changed"
    assert line(1, "no mass was given") == f"{begin}1 result changed"
    assert line(2, LOST) == f"{begin}2 results changed; 1 gap in its record, see plantigrade show"


def shown(
    state: str,
    end_reason: str | None,
    said: Said = SAID,
    drills: tuple[DrillResult, ...] = (),
) -> str:
    session = SimpleNamespace(
        session_id="0123456789abcdef",
        started=datetime(2026, 3, 1, tzinfo=UTC),
        host="bay",
        state=state,
        end_reason=end_reason,
        duration_s=60.0,
        pair="",
    )
    line: Any = SimpleNamespace(session=session, player=None, short_id="01234567")
    found = Analysis("x", 100.0, 60.0, (), (), (), (), None, drills)
    return " ".join(" ".join(printed(lambda out: show_session(line, found, {}, said, out))).split())


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ("end", "to its end"),
        ("stop", "stopped"),
        ("no load", "ended without load"),
        ("change", "ended by a change of player"),
        ("restart", "cut off"),
        ("error", "ended by an error"),
    ],
)
def test_how_a_session_ended_in_words(reason, said):
    """Every reason that the program gives (`SessionManager`, `run`, `recover`)."""
    assert f"1 min 0 s, {said} x: 1 min 0 s" in shown("complete", reason)


def test_a_session_under_way_was_not_cut_off():
    text = shown("open", None)
    assert "1 min 0 s, is still being recorded" in text
    assert "How far to trust it is not stored: it is once the session has ended." in text
    assert "cut off" not in text and "reanalyse" not in text
    assert "cut off. plantigrade reanalyse 01234567 makes" in shown("ended", "restart")


def test_a_stop_is_said_with_the_session_until_it_is_taken_back():
    when = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
    stopped = replace(SAID, questions=Questions("pain", "guardian", when))
    assert "stopped pain, by the guardian" in shown("complete", "end", stopped)
    free = replace(SAID, questions=Questions("", "player", when))
    assert "by the player" not in shown("complete", "end", free)
    back = replace(free, hold_taken_back=HoldTakenBack("pain", "coach", when))
    text = shown("complete", "end", back)
    assert "taken back" in text and "pain, by the" not in text


def test_the_drills_of_a_session_are_shown_with_it():
    run = DrillResult("push", "Push", "Good pushes.", "", "every", 21.0, 50.0, 5, 8, 1, 3, ())
    assert "0:21.0 push every 5 8 1 3" in shown("complete", "end", drills=(run,))
    assert "Drills" not in shown("complete", "end")


@pytest.mark.parametrize(
    ("left", "right", "of"),
    [
        (1, 1, "both feet"),
        (500, 0, "the left foot alone"),
        (0, 500, "the right foot alone"),
        (0, 0, "no samples of either foot"),
    ],
)
def test_a_session_is_of_both_feet_only_where_both_were_heard(left, right, of):
    a, b = (replace(foot_quality(None), samples=n) for n in (left, right))
    made = replace(quality((None, None)), left=a, right=b)
    found = Analysis("x", 100.0, 60.0, (), (), (), (), made)
    assert printed(lambda out: show_summary(found, out))[2] == f"x: 1 min 0 s at 100 Hz, {of}"


def test_what_it_was_read_with_and_what_is_to_be_known_of_it():
    made = quality(("never calibrated", None), notes=("no mass was given", "steps end outside"))
    analysis = Analysis("x", 100.0, 600.0, (), (), (), (), made)
    lines = printed(lambda out: show_reading(analysis, made, out))
    rows = {name: rest for name, _, rest in (line.partition("  ") for line in lines)}
    assert rows["layout"].strip() == f"eighteen, {made.zones} zones"
    assert rows["lead foot"].strip() == "left (right-handed)"
    lines = printed(lambda out: show_quality(made, out))
    assert lines[-2:] == ["No mass was given.", "Steps end outside."]
