"""A guided check's outcome in the terminal and as JSON, of an invented visit."""

import io
from dataclasses import replace

from rich.console import Console
from tests.support.cases import VisitMaker, pushes

from plantigrade.events import Roll
from plantigrade_gateway.analysis.result import Analysis, Mark
from plantigrade_gateway.report.check import NO_CHECK, check_json, show_check

THROUGH = [Roll.THROUGH] * 12


def printed(found: Analysis) -> list[str]:
    out = io.StringIO()
    show_check(found, Console(file=out, width=200, highlight=False, markup=False))
    return [line.strip() for line in out.getvalue().splitlines() if line.strip()]


def checked() -> Analysis:
    """Walks of twelve and of nine steps a foot, where twelve are asked; swings not to be told."""
    maker = VisitMaker().walked(THROUGH, THROUGH).walked(THROUGH[:9], THROUGH[:9])
    return maker.swung("full", pushes(6, 2)).visit().analysis


def test_each_trial_and_set_is_said_with_what_became_of_it():
    found = checked()
    head, *lines = printed(found)
    assert head.startswith("Guided check")
    whole, short, full = lines
    assert " walk 1" in whole and "taken: 12 straight steps left, 12 right." in whole
    assert "not taken" not in whole
    assert " walk 1" in short and "not taken: 9 of 12 straight steps of the " in short
    assert " full " in full and "not taken: 0 of 6 swings count (8 unclear)" in full


def test_the_same_as_json():
    found = checked()
    table = check_json("ab" * 16, found)
    assert (table["schema"], table["session"]) == (1, "ab" * 16)
    whole, short = table["trials"]
    assert [whole[key] for key in ("step", "number", "taken", "why", "count")] == [
        *("walk", 1, True, None, 12)
    ]
    assert (whole["start_s"], whole["end_s"]) == (
        *(found.trials[0].start_s, found.trials[0].end_s),
    )
    assert [short[key] for key in ("taken", "why", "count")] == [False, "few steps", 9]
    assert "Walk at least" in short["line"]
    (full,) = table["sets"]
    assert [full[key] for key in ("intent", "club", "made", "taken", "why", "count")] == [
        *("full", "7 iron", 8, False, "few swings", 0)
    ]
    assert full["start_s"] == found.sets[0].start_s
    unnamed = VisitMaker().swung("full", pushes(6, 2), club="").visit().analysis
    assert check_json("ab" * 16, unnamed)["sets"][0]["club"] is None


def test_without_a_check_it_is_said_and_what_was_marked_by_hand():
    bare = VisitMaker().swung("full", pushes(6, 2)).visit().analysis
    assert printed(bare) == [NO_CHECK]
    marks = (Mark(3.0, "check: walk"), Mark(5.0, "a word"), Mark(9.0, "check: stand"))
    assert printed(replace(bare, marks=marks)) == [
        NO_CHECK,
        "Marked by hand, and not judged: walk, stand.",
    ]
