"""Comparison and progress as they are printed, of an invented player."""

import io
from dataclasses import replace
from datetime import timedelta

import pytest
from rich.console import Console
from scipy.stats import t as student
from tests.support.cases import STANDS, VisitMaker, case, pushes, worn

from plantigrade.change import Verdict
from plantigrade_gateway.coach.compare import Compared, compare, compare_sets
from plantigrade_gateway.coach.progress import progress
from plantigrade_gateway.coach.repeats import reliability
from plantigrade_gateway.report.change import (
    comparison_json,
    progress_json,
    show_comparison,
    show_progress,
    summary_of,
)
from plantigrade_gateway.rules.files import built_in

RULES = built_in()
PLAYER = case(*[worn(list(row), day) for day, row in enumerate(STANDS)])


def console() -> tuple[io.StringIO, Console]:
    out = io.StringIO()
    return out, Console(file=out, width=300, highlight=False, markup=False)


def test_two_visits():
    found = compare(PLAYER, RULES, "visit-0", "visit-1", "lead.stand")
    out, to = console()
    show_comparison(found, to)
    text = out.getvalue()
    (one,) = found.lines
    before, after, difference, mdc, degrees, verdict = one.cells
    assert f"{before}, then {after}; difference {difference}; MDC95 {mdc}, df {degrees}" in text
    assert verdict[1:] in text  # a heading
    assert "2026-03-03 (visit-1) against 2026-03-02 (visit-0)" in text
    assert "shoes taken off and on again, repeated on 3 visits" in text
    table = comparison_json(found)
    assert table["lines"][0]["difference"]["value"] == one.difference.value  # type: ignore[union-attr]
    assert table["lines"][0]["measure"]["key"] == "lead.stand"


def test_two_visits_of_one_day_are_told_apart_by_their_hours():
    morning, other = PLAYER.visits[:2]
    noon = replace(other, started=morning.started + timedelta(hours=3, minutes=30))
    out, to = console()
    show_comparison(compare(case(morning, noon), RULES, "visit-0", "visit-1", "lead.stand"), to)
    begun = morning.started
    later = f"2026-03-02 {begun.hour + 3:02d}:{begun.minute + 30:02d} (visit-1)"
    assert f"{later} against 2026-03-02 {begun:%H:%M} (visit-0)" in out.getvalue()


def test_two_sets_show_their_own_degrees_of_freedom_and_no_mdc():
    maker = VisitMaker().swung("smooth", [{"load_tempo": 2.0 + k / 10} for k in range(4)])
    visit = maker.swung("full", [{"load_tempo": 3.0 + k / 10} for k in range(4)]).visit()
    out, to = console()
    show_comparison(compare_sets(visit, RULES, *visit.analysis.sets), to)
    text = out.getvalue()
    assert "full 2 against smooth 1" in text
    assert "; df 6.0" in text and "MDC95" not in text  # Welch's: equal spreads, 4 + 4 − 2


def test_it_begins_with_what_changed_and_what_cannot_be_told():
    """Tempo 2.0 … 2.3, then 3.0 … 3.3 (apart); one swing of four loaded the heel in each."""
    smooth = [{"load_tempo": 2.0 + k / 10} for k in range(4)]
    maker = VisitMaker().swung("smooth", smooth)
    full = [{"load_tempo": 3.0 + k / 10} for k in range(4)]
    visit = maker.swung("full", full).visit()
    found = compare_sets(visit, RULES, *visit.analysis.sets)
    out, to = console()
    show_comparison(found, to)
    lines = out.getvalue().strip().splitlines()
    n_untold = sum(one.text.startswith("no verdict") for one in found.lines)
    n_alike = len(found.lines) - n_untold - 1
    assert n_untold > 0 and n_alike > 0
    assert lines[1] == "  Changed: load tempo."
    assert lines[2] == (
        f"  Cannot be told: {n_alike} measures within the usual variation, and {n_untold} without "
        "a verdict."
    )
    heads = [line.strip() for line in lines if line.startswith(("Dist", "Not dist", "No verdict"))]
    assert heads == ["Distinguishable in this visit", "Not distinguishable in this visit"] + [
        text[0].upper() + text[1:]
        for text in dict.fromkeys(one.text for one in found.lines)
        if text.startswith("no verdict")
    ]
    for one in found.lines:
        assert sum(line == f"  {one.measure.title}, {one.measure.unit}" for line in lines) == 1


@pytest.mark.parametrize(
    ("titles", "said"),
    [
        ("", "Changed: none of 2, as far as can be told."),
        ("ab", "Changed: a; b."),
        ("abcd", "Changed: a; b; c; d."),
        ("abcde", "Changed: a; b; c; d and 1 more."),
        ("abcdefg", "Changed: a; b; c; d and 3 more."),
    ],
)
def test_at_most_four_of_what_changed_are_named_and_the_rest_counted(titles, said):
    (line,) = compare(PLAYER, RULES, "visit-0", "visit-1", "lead.stand").lines

    def told(title: str, text: str) -> Compared:
        return replace(line, measure=replace(line.measure, title=title), text=text)

    changed = (Verdict.OUTSIDE, Verdict.APART)  # between visits, and within one
    lines = [told(title, changed[k % 2]) for k, title in enumerate(titles)]
    lines += [told("usual", Verdict.INSIDE), told("not known", "no verdict: invented")]
    assert summary_of(lines) == (
        said,
        "Cannot be told: 1 measure within the usual variation, and 1 without a verdict.",
    )


def test_progress_with_its_breaks_and_repeats():
    last = VisitMaker(day=9, shoe="Shoe B").lifted().stood([0.1] * 3, [0.1] * 3).visit()
    player = case(*PLAYER.visits, last)
    found, repeated = (
        progress(player, RULES, "lead.stand"),
        reliability(player, RULES, "lead.stand"),
    )
    out, to = console()
    show_progress(found, repeated, to)
    text = out.getvalue()
    assert "-- shoe Shoe A → Shoe B --" in text
    assert text.count("against the first:") == 2
    bands = [f"(MDC95 {100 * one.mdc95:.1f})" for one in found.points if one.mdc95 is not None]
    assert len(bands) == 2 and all(band in text for band in bands)
    assert "ICC(2,1)" in text and "limits of agreement" in text
    assert "between 3 visits of 3 repeats: of this player alone" in text
    error = repeated.repeats.error
    assert error is not None
    mdc = 100 * student.ppf(0.975, error.degrees) * 2**0.5 * error.sem  # Weir 2005, in hundredths
    assert f"MDC95 of one repeat {mdc:.2f}" in text
    table = progress_json(found, repeated)
    assert table["schema"] == 1
    assert [point["stretch"] for point in table["points"]] == [0, 0, 0, 1]
    assert table["reliability"]["icc"]["icc_3_1"] is not None


def test_a_proportion_is_shown_by_its_count():
    player = case(VisitMaker().swung("full", pushes(7, 1)).visit())
    out, to = console()
    show_progress(
        progress(player, RULES, "full.push_good"), reliability(player, RULES, "full.push_good"), to
    )
    assert "88 (53 to 98), 7 of 8" in out.getvalue()
    assert "SEM" not in out.getvalue()


def test_nothing_measured():
    out, to = console()
    show_progress(
        progress(case(), RULES, "lead.stand"), reliability(case(), RULES, "lead.stand"), to
    )
    assert "It was measured on no visit." in out.getvalue()
