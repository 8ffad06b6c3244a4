"""The chart of a session's time line, of views and events written by hand; times in ms."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.records import stand, step, swing

from plantigrade.block import Foot
from plantigrade_gateway.analysis.result import Analysis, Mark
from plantigrade_gateway.web.desk.curves import Stretch, columns, merged, padded, plain
from plantigrade_gateway.web.desk.timeline import (
    ROWS,
    WIDTHS,
    missing_spans,
    reduce_curve,
    session_data,
    view_of,
)


def stretch(n: int, row_s: float = 0.01, start_s: float = 5.0) -> Stretch:
    t_s = np.asarray(start_s + row_s * np.arange(n), dtype=np.float64)
    return Stretch(t_s, np.full(n, 0.4), np.full(n, 0.6), np.full(n, 0.4))


def test_a_whole_session_s_chart():
    analysis = Analysis(
        "invented",
        100.0,
        600.0,
        (stand(900),),
        (step(100), step(200, Foot.RIGHT), replace(step(300), off_s=None)),
        (swing(700), replace(swing(800), finish_s=9.75)),
        (Mark(4.0004, "  set: smooth, 7 iron\n"), Mark(5.0, "check: straight standing, both")),
        None,
    )
    made = session_data(view_of(stretch(101), 1000), analysis, (5.0, 6.0))
    sources = made["sources"]
    assert sources["left"]["t"][:2] == [5000.0, 5010.0] and sources["left"]["y"][0] == 0.4
    assert sources["right"]["y"][0] == 0.6
    assert sources["swings"] == {
        # start to finish; where there is none, to where it was decided
        "left": [7000.0, 8000.0],
        "right": [8500.0, 9750.0],
        "row": ["swings", "swings"],
        "n": [1, 2],
        "words": ["rolled, with shift"] * 2,
    }
    assert sources["steps"] == {
        "left": [1000.0, 2000.0],
        "right": [1650.0, 2650.0],
        "row": ["steps left", "steps right"],
    }
    assert sources["stands"] == {"left": [9000.0], "right": [21000.0], "row": ["stands"]}
    assert sources["marks"] == {
        "t": [4000.4, 5000.0],
        "row": ["set, check"] * 2,
        "name": ["set: smooth, 7 iron", "check: straight standing, b…"],  # 28 letters at most
    }
    assert {row for name in ("swings", "steps", "stands", "marks") for row in sources[name]["row"]}
    assert set(ROWS) >= {"swings", "steps left", "steps right", "stands", "set, check"}
    # 8 % of room over the highest load of either foot
    assert made["ranges"] == {"time": [5000.0, 6000.0], "load": [0.0, pytest.approx(1.08 * 0.6)]}


def test_the_load_axis_reaches_to_a_fifth_of_body_weight_at_least():
    empty = Analysis("invented", 100.0, 1.0, (), (), (), (), None)
    low = Stretch(np.arange(3) / 100, np.full(3, 0.1), np.full(3, 0.15), np.full(3, np.nan))
    assert session_data(view_of(low, 50), empty, (2.0, 2.0))["ranges"] == {
        "time": [2000.0, 2100.0],
        "load": [0.0, 0.2],
    }
    gone = Stretch(np.arange(3) / 100, *[np.full(3, np.nan)] * 3)
    made = session_data(view_of(gone, 50), empty, (0.0, 1.0))
    assert made["ranges"]["load"] == [0.0, 1.08]  # nothing known: body weight


def test_gaps_are_told_in_milliseconds_one_row_about_what_is_missing():
    some = stretch(20)
    some.left_bw[[3, 4, 19]] = np.nan
    made = view_of(some, 1000).to_json()
    assert made["gaps"]["left"] == {"left": [5020.0, 5180.0], "right": [5050.0, 5200.0]}
    assert made["gaps"]["right"] == {"left": [], "right": []}
    first = stretch(20)
    first.right_bw[:2] = np.nan
    assert view_of(first, 1000).to_json()["gaps"]["right"] == {"left": [4990.0], "right": [5020.0]}
    single = Stretch(np.array([5.0]), np.array([np.nan]), np.array([1.0]), np.array([np.nan]))
    # of one row alone the spacing is taken to be that of 100 Hz
    assert view_of(single, 1000).to_json()["gaps"]["left"] == {"left": [4990.0], "right": [5010.0]}


def test_gaps_just_a_column_apart_stay_two():
    some = stretch(101)  # 1 s
    some.left_bw[[10, 20]] = np.nan  # 0.08 s lie between them
    wide, narrow = view_of(some, 50), view_of(some, 100)
    assert [wide.column_s, narrow.column_s] == pytest.approx([0.02, 0.01])
    assert len(wide.gaps["left"]) == len(narrow.gaps["left"]) == 2
    long = stretch(1001)  # 10 s in 50 columns of 0.2 s
    long.left_bw[[10, 20, 50]] = np.nan
    found = view_of(long, 50).gaps["left"]
    np.testing.assert_allclose(found, [(5.09, 5.21), (5.49, 5.51)])


def test_columns_asked_for_are_held_within_bounds():
    """50 to 4000 (the desk's own)."""
    assert WIDTHS == (50, 4000)
    some = stretch(20_001, 0.001)  # 20 s
    assert view_of(some, 1).column_s == pytest.approx(0.4)
    assert view_of(some, 9_999).column_s == pytest.approx(0.005)
    assert view_of(some, 100).column_s == pytest.approx(0.2)


def test_nothing_is_drawn_of_no_rows():
    none = Stretch(*[np.empty(0)] * 4)
    made = view_of(none, 100)
    assert (made.column_s, made.whole) == (0.0, True)
    assert made.to_json()["curves"]["left"] == {"t": [], "y": []}
    assert missing_spans(np.empty(0), np.empty(0), 0.01) == []


def test_numbers_of_a_chart():
    assert plain(np.array([1 / 3, np.nan])) == [0.33333, None]
    assert plain(np.array([1 / 3]), 2) == [0.33]
    assert columns(t=np.array([1.0]), y=np.array([np.nan])) == {"t": [1.0], "y": [None]}
    found = merged([{"sources": {"a": 1}}, {"sources": {"b": 2}, "ranges": {"c": 3}}])
    assert found == {"sources": {"a": 1, "b": 2}, "ranges": {"c": 3}}


def test_a_range_holds_all_values_and_zero_with_room():
    """2 % of the span under it, 12 % over it, for the names there."""
    assert padded([np.array([1.0, 4.0]), np.array([np.nan, 2.0])]) == [-0.08, 4.48]
    assert padded([np.array([-1.0, 1.0])]) == [-1.04, 1.24]
    assert padded([]) == pytest.approx([-0.001, 0.006])  # a span of 0.05 at least


def test_two_rows_a_column_are_drawn_whole():
    t_s, y = np.arange(20.0), np.arange(20.0) % 3
    assert reduce_curve(t_s, y, 10).whole and len(reduce_curve(t_s, y, 10).t_s) == 20
    assert not reduce_curve(t_s, y, 9).whole
