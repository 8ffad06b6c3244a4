"""What reports are made of: paragraphs and tables at a width; strikes, and changes in brief."""

import io
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest
from rich.console import Console

from plantigrade.change import Verdict
from plantigrade_gateway.analysis.result import SwingStrike
from plantigrade_gateway.report.change import summary_of
from plantigrade_gateway.report.console import (
    console,
    heading,
    item,
    item_whole,
    paragraph,
    put,
    table,
)
from plantigrade_gateway.report.measures import NOTE, show_strikes, strike_lines


def printed(show: Callable[[Console], None], width: int = 40) -> list[str]:
    kept = io.StringIO()
    show(Console(file=kept, width=width, highlight=False, markup=False, emoji=False))
    return [line.rstrip() for line in kept.getvalue().splitlines()]


def test_a_paragraph_ends_one_column_before_the_edge():
    """39 of 40: a terminal that wraps at its edge leaves no empty line."""
    assert printed(lambda out: paragraph(out, "x" * 19 + " " + "y" * 19)) == [
        "x" * 19 + " " + "y" * 19
    ]
    assert printed(lambda out: paragraph(out, "x" * 20 + " " + "y" * 19)) == ["x" * 20, "y" * 19]
    long = "a-word-that-is-longer-than-the-width-of-the-terminal"
    assert printed(lambda out: paragraph(out, f"b {long} c", "  ")) == ["  b", f"  {long}", "  c"]
    assert printed(lambda out: paragraph(out, "one [b]two[/b] :smile:")) == [
        "one [b]two[/b] :smile:"
    ]


def test_items_and_headings_are_set_in():
    assert printed(lambda out: heading(out, "Title", "beside")) == ["", "Title  beside"]
    assert printed(lambda out: heading(out, "Title")) == ["", "Title"]
    assert printed(lambda out: item(out, "name", "one two three four five")) == [
        "  name            one two three four",
        "                  five",
    ]
    link = "https://example.org/" + "x" * 40
    assert printed(lambda out: item_whole(out, "link", link)) == [f"  link            {link}"]


@pytest.mark.parametrize(
    ("numbers_from", "indent", "expected"),
    [
        (1, 2, ["  name    n    m", "  a      12  345"]),
        (2, 0, ["name  n     m", "a     12  345"]),
    ],
)
def test_a_table_sets_numbers_to_the_right(numbers_from, indent, expected):
    made = table("name", "n", "m", numbers_from=numbers_from)
    made.add_row("a", "12", "345")
    found = printed(lambda out: put(out, made, indent))
    assert [line.split() for line in found] == [line.split() for line in expected]
    heads, row = found
    assert row.index("a") == heads.index("name") == indent
    ends = [line.rindex(word) + len(word) for line, word in ((heads, "m"), (row, "345"))]
    assert ends[0] == ends[1]
    second = [line.index(word) for line, word in ((heads, " n "), (row, "12"))]
    assert (second[0] == second[1]) is (numbers_from == 1)  # " n " begins where "12" does


def test_no_figure_of_a_table_is_cut_off_however_narrow_the_terminal():
    made = table("name", *(f"column {k}" for k in range(7)))
    made.add_row("a longer name than others", *(str(10**6 + k) for k in range(7)))
    narrow, usual, wide = (printed(lambda out: put(out, made), width) for width in (40, 80, 120))
    assert "".join(narrow).split() == "".join(usual).split() == "".join(wide).split()
    assert len(wide) == 2 and len(wide[1]) > 80
    assert "1000006" in wide[1] and "column 6" in wide[0]


def test_a_table_is_a_thousand_columns_wide_at_most():
    """What is longer, as a text from elsewhere may be, is cut and does not fill the memory."""
    made = table("name")
    made.add_row("x" * 5000)
    head, *rows = printed(lambda out: put(out, made))
    assert head.strip() == "name" and max(map(len, rows)) == 1000


def test_reports_go_to_a_plain_console():
    out = console()
    assert isinstance(out, Console)
    with out.capture() as kept:
        out.print("[b]7[/b] :smile:")
    assert kept.get() == "[b]7[/b] :smile:\n"


def test_a_width_of_none_is_the_usual_one(monkeypatch):
    monkeypatch.setenv("COLUMNS", "0")
    assert console().width == 80


# ---- strikes ----

NOT_HEARD = SwingStrike("not_heard", "no sound of a strike in time", "", None, None, None)
HEARD = SwingStrike(
    *("heard", "", "microphone", 12.345, 0.0064, None),
    *(-0.204, 0.0, 0.151, 0.0312),
    *(0.724, 0.702, 0.751),
)


def test_a_strike_is_told_with_the_swing_s_moments_against_it():
    assert strike_lines(NOT_HEARD) == ["not heard: no sound of a strike in time"]
    assert strike_lines(replace(NOT_HEARD, state="ambiguous", reason="two")) == ["ambiguous: two"]
    whole = [
        "heard at 12.35 s, ± 6 ms",
        "shift 0.20 s before it, ± 31 ms",
        "fore take 0.00 s after it, ± 31 ms",
        "lead peak 0.15 s after it, ± 31 ms",
        "lead share at it 72% (70% to 75%)",
    ]
    assert strike_lines(replace(HEARD, t_s=12.3451)) == whole
    assert strike_lines(replace(HEARD, t_s=12.3451, shift_s=None)) == [whole[0], *whole[2:]]
    assert strike_lines(replace(HEARD, t_s=12.3451, moment_error_s=None)) == [whole[0], whole[4]]
    made: list[dict[str, Any]] = [
        *({name: None} for name in ("lead_share", "lead_share_low", "lead_share_high")),
    ]
    for changed in made:
        assert strike_lines(replace(HEARD, **{"t_s": 12.3451, **changed})) == whole[:4]
    for source, said in (("mark", "marked"), ("import", "imported")):
        assert strike_lines(replace(HEARD, source=source))[0].startswith(f"{said} at ")
    assert len(strike_lines(replace(HEARD, t_s=None))) == 1
    assert len(strike_lines(replace(HEARD, error_s=None))) == 1


def test_a_session_s_strikes_are_counted():
    def shown(*strikes: SwingStrike) -> list[str]:
        some = cast(Any, SimpleNamespace(strikes=strikes))
        return printed(lambda out: show_strikes(some, out), 100)

    assert shown() == []
    found = shown(HEARD, NOT_HEARD, HEARD)
    assert found[:2] == ["", "Strikes  2 of 3 swings"]
    assert found[2].startswith("  swing 1         heard at 12.3")
    assert "  swing 2         not heard: no sound of a strike in time" in found
    assert " ".join(found).endswith(NOTE)


# ---- what changed, in brief ----


@pytest.mark.parametrize(
    ("apart", "expected"),
    [
        (0, "Changed: none of 3, as far as can be told."),
        (1, "Changed: m0."),
        (4, "Changed: m0; m1; m2; m3."),
        (6, "Changed: m0; m1; m2; m3 and 2 more."),
    ],
)
def test_at_most_four_of_what_changed_are_named(apart, expected):
    verdicts = [*[Verdict.OUTSIDE, Verdict.APART] * 3][:apart]
    others = [Verdict.INSIDE, Verdict.TOGETHER, None]
    lines: Any = [
        SimpleNamespace(measure=SimpleNamespace(title=f"m{k}"), verdict=verdict)
        for k, verdict in enumerate([*verdicts, *others])
    ]
    assert summary_of(lines) == (
        expected,
        "Cannot be told: 2 measures within the usual variation, and 1 without a verdict.",
    )
