"""A curve reduced to what a screen can show: nothing high or low is lost, gaps stay gaps."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from plantigrade_gateway.web.desk.curves import Stretch
from plantigrade_gateway.web.desk.timeline import missing_spans, reduce_curve, view_of

pytestmark = pytest.mark.dear

VALUES = st.one_of(
    st.integers(-3, 3).map(float), st.floats(-1e3, 1e3, width=32), st.just(float("nan"))
)


@st.composite
def curves(draw):
    n = draw(st.integers(0, 120))
    y = draw(arrays.arrays(np.float64, n, elements=VALUES))
    steps = draw(arrays.arrays(np.float64, n, elements=st.sampled_from([0.01, 0.02, 0.5])))
    return np.cumsum(steps), y, draw(st.integers(1, 40))


def columns_of(t_s: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Which column each row stands in, and whether it stands on an edge, as far as floats tell."""
    edges = t_s[0] + (t_s[-1] - t_s[0]) / width * np.arange(1, width)
    on_edge = np.any(np.abs(t_s[:, None] - edges) < 1e-9, axis=1)
    return np.searchsorted(edges, t_s, side="right"), on_edge


@settings(max_examples=60)
@given(curves())
def test_lowest_and_highest_of_every_column_are_kept(case):
    t_s, y, width = case
    found = reduce_curve(t_s, y, width)
    assert found.rows == np.count_nonzero(~np.isnan(y))
    if not len(t_s):
        assert not len(found.t_s)
        return
    column, on_edge = columns_of(t_s, width)
    there = ~np.isnan(y)
    drawn = {(t, v) for t, v in zip(found.t_s, found.y, strict=True) if t == t}
    for k in np.unique(column):
        inside = (column == k) & there & ~on_edge
        # A row on an edge may fall to either side: it may be a column's lowest, and need not.
        either = (np.abs(column - k) <= 1) & there & on_edge
        if inside.any():
            values = [v for t, v in drawn if t in t_s[inside | either]]
            assert min(values) <= y[inside].min() and max(values) >= y[inside].max()
    if drawn:
        assert {y[there].min(), y[there].max()} <= {v for _, v in drawn}


@settings(max_examples=60)
@given(curves())
def test_every_point_is_a_row_at_its_own_time(case):
    t_s, y, width = case
    found = reduce_curve(t_s, y, width)
    rows = dict(zip(t_s.tolist(), y.tolist(), strict=True))
    points = [(t, v) for t, v in zip(found.t_s.tolist(), found.y.tolist(), strict=True) if t == t]
    assert all(rows[t] == v for t, v in points)
    assert all(a[0] < b[0] for a, b in itertools.pairwise(points))


@settings(max_examples=60)
@given(curves())
def test_the_line_breaks_just_where_rows_are_missing(case):
    t_s, y, width = case
    found = reduce_curve(t_s, y, width)
    missing = t_s[np.isnan(y)]
    times = found.t_s
    last = None
    broken = False
    for t in times:
        if t != t:
            assert last is not None and not broken  # never at an end, never twice
            broken = True
            continue
        if last is not None:
            assert broken == bool(np.any((missing > last) & (missing < t)))
        last, broken = t, False
    assert not broken


@settings(max_examples=60)
@given(curves())
def test_it_is_as_short_as_the_screen_and_whole_when_it_can_be(case):
    t_s, y, width = case
    found = reduce_curve(t_s, y, width)
    assert np.count_nonzero(~np.isnan(found.y)) <= max(2 * width, 0)
    if len(t_s) <= 2 * width:
        assert found.whole
        there = ~np.isnan(y)
        np.testing.assert_array_equal(found.t_s[~np.isnan(found.t_s)], t_s[there])
        np.testing.assert_array_equal(found.y[~np.isnan(found.y)], y[there])
    else:
        assert not found.whole


@settings(max_examples=60)
@given(curves())
def test_gaps_are_told_from_the_row_before_to_the_row_after(case):
    t_s, y, _ = case
    spans = missing_spans(t_s, y, 0.01)
    inside = np.zeros(len(t_s), dtype=bool)
    for start, end in spans:
        inside |= (t_s > start) & (t_s < end)
        assert start < end
    np.testing.assert_array_equal(inside, np.isnan(y))
    assert all(a[1] <= b[0] for a, b in itertools.pairwise(spans))


def test_a_view_draws_near_gaps_as_one_and_says_whether_it_is_whole():
    t_s = np.arange(10_000) / 100
    left = np.ones(10_000)
    left[[2000, 2002, 7000]] = np.nan
    stretch = Stretch(t_s, left, np.ones(10_000), np.full(10_000, 0.5))
    far = view_of(stretch, 100)
    assert not far.whole and far.column_s == pytest.approx(0.9999)
    np.testing.assert_allclose(far.gaps["left"], [(19.99, 20.03), (69.99, 70.01)])
    assert far.gaps["right"] == []
    part = slice(1990, 2010)
    near = view_of(Stretch(t_s[part], left[part], np.ones(20), np.full(20, 0.5)), 100)
    assert near.whole
    assert near.gaps["left"] == far.gaps["left"][:1]  # the row between them is the end of both
