"""Drills as text: which there are, what one asks for, and what its runs came to."""

import io
from dataclasses import replace

import pytest
from rich.console import Console
from tests.support.printed import cells, printed

from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.drills.run import DrillResult, Score
from plantigrade_gateway.report.drills import (
    TOLD,
    chosen_lines,
    score_line,
    show_drills,
    show_shelf,
)

RUN = DrillResult("push", "Push", "Good pushes.", "", "every", 61.0, 90.0, 5, 8, 1, 3, ())


def test_drills_that_were_run():
    lines = printed(lambda out: show_drills([RUN, replace(RUN, start_s=125.5, best=2)], out))
    assert cells(lines[2]) == ["start", "drill", "told", "good", "tried", "unclear", "best"]
    assert cells(lines[3]) == ["1:01.0", "push", "every", "5", "8", "1", "3"]
    assert cells(lines[4]) == ["2:05.5", "push", "every", "5", "8", "1", "2"]
    assert lines.count("push: Good pushes.") == 1


def test_a_score_in_one_line():
    score = Score("push", "", "", "", Feedback.EVERY, 5, 8, 0, 2, 3)
    assert score_line(score) == "push: 5 of 8 good; 2 in a row, best 3"
    unclear = score_line(replace(score, unclear=1))
    assert unclear == "push: 5 of 8 good, 1 unclear; 2 in a row, best 3"


def test_the_drills_there_are(tmp_path):
    found = shelf(tmp_path)
    lines = printed(lambda out: show_shelf(found, out), width=1000)
    for name, drill in found.drills.items():
        at = [k for k, line in enumerate(lines) if cells(line)[0] == name]
        assert len(at) == 1, name
        assert lines[at[0]].endswith(f"{drill.title}. {drill.goal}")
        assert lines[at[0] + 1] == f"Counts: {drill.counts}"
        assert lines[at[0] + 2] == f"Told {TOLD[drill.feedback]}; {found.origin[name]}."
    bad = replace(found, problems=("a.toml: no drill",))
    assert printed(lambda out: show_shelf(bad, out))[-1] == "Left out: a.toml: no drill"


def test_what_is_said_of_a_drill_stands_in_one_column(tmp_path):
    """Beside its name, which has 15 places behind two of margin."""
    out = io.StringIO()
    show_shelf(shelf(tmp_path), Console(file=out, width=1000))
    lines = out.getvalue().splitlines()[:3]
    assert lines[0].startswith("  push ")
    column = len("  ") + 15 + len(" ")
    for line, name, begins in zip(lines, ("push", "", ""), ("", "Counts: ", "Told "), strict=True):
        assert line[:column].strip() == name and line[column] != " "
        assert line[column:].startswith(begins)


@pytest.mark.parametrize("feedback", Feedback)
def test_what_is_said_when_a_drill_is_chosen(feedback, tmp_path):
    drill = next(iter(shelf(tmp_path).drills.values()))
    lines = chosen_lines(drill, feedback)
    assert lines[0] == f"Drill: {drill.title}. {drill.goal}"
    assert lines[1] == f"Counts: {drill.counts} Told {TOLD[feedback]}."
    assert set(drill.cautions) <= set(lines) and "normal" in lines[-1]
