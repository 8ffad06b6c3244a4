"""Runs over two thresholds, each case drawn: one sign is one sample."""

from collections.abc import Iterator
from dataclasses import astuple
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade.runs import RunSegment, RunSegmenter

LEVELS = {"#": 10.0, "+": 6.0, "-": 4.0, ".": 0.0, "?": np.nan}
"""Up; just over one threshold; between two; down; missing."""


def signal(drawn: str) -> np.ndarray:
    return np.array([LEVELS[sign] for sign in drawn])


def found(
    drawn: str,
    on: float = 5.0,
    off: float = 5.0,
    bridge: int = 3,
    restart: int = 6,
    first: int = 0,
    sizes: tuple[int, ...] = (),
) -> list[RunSegment]:
    """Runs of a drawing, however it is cut (all at once, and one by one, by default)."""
    values = signal(drawn)

    def pushed(edges: list[int]) -> list[RunSegment]:
        runs = RunSegmenter(on, off, bridge, restart)
        return [r for a, b in pairwise(edges) for r in runs.push(values[a:b], first + a)]

    whole = pushed([0, len(values)])
    assert pushed(list(range(len(values) + 1))) == whole
    if sizes:
        assert pushed([0, *np.cumsum(sizes).tolist(), len(values)]) == whole
    return whole


def drawn(runs: list[RunSegment], n: int) -> str:
    """Runs drawn back: # inside, | at the sample that closed them."""
    out = ["."] * n
    for run in runs:
        out[run.start : run.stop] = "#" * (run.stop - run.start)
        out[run.closed] = "|"
    return "".join(out)


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        ("....####........", "....####..|....."),
        # dips of fewer samples than the bridge belong to the run
        ("..###.###.......", "..#######..|...."),
        ("..###..###......", "..########..|..."),
        # a dip of so many closes it
        ("..###...###.....", "..###..|###..|.."),
        ("..###....###....", "..###..|.###..|."),
        # one sample is a run
        (".#......#.......", ".#..|...#..|...."),
        # the end of the record closes nothing
        ("....####........"[:10], ".........."),
        ("......", "......"),
        ("", ""),
        # up when first seen: its start is where the record begins
        ("####....", "####..|."),
    ],
)
def test_runs_of_one_threshold(seen, expected):
    assert drawn(found(seen), len(seen)) == expected


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        # begins at `on`, ends under `off`; between them nothing changes
        ("..+#-#-+....", "..######..|."),
        ("..--#---....", "....####..|."),
        ("..--..--....", "............"),
        ("..#-.-#.....", "..#####..|.."),  # the dip begins under `off` only
        ("..#.--.-....", "..#..|......"),  # between the thresholds a run stays down
    ],
)
def test_runs_of_two_thresholds(seen, expected):
    assert drawn(found(seen, on=6.0, off=3.0), len(seen)) == expected


def test_crossings_are_interpolated():
    # from 0 to 10 through 5: half-way between the samples
    (run,) = found("..##....")
    assert (run.start_at, run.stop_at) == (1.5, 3.5)
    assert (run.start, run.stop, run.closed, run.missing) == (2, 4, 6, False)
    (run,) = found("..##....", on=8.0, off=2.0)
    assert [run.start_at, run.stop_at] == pytest.approx([1.8, 3.8])


def test_a_run_that_was_never_seen_down_has_no_crossing():
    """Between the thresholds a signal may be up: where it came from nobody knows."""
    (run,) = found("--##....", on=6.0, off=3.0)
    assert (run.start, run.start_at, run.stop_at) == (2, None, 3.7)
    (run,) = found(".-##....", on=6.0, off=3.0)
    assert run.start_at == pytest.approx(1.0 + 2.0 / 6.0)


def test_a_sample_on_the_threshold_is_up():
    runs = RunSegmenter(5.0, 5.0, 2, 4)
    (run,) = runs.push(np.array([4.999, 5.0, 5.0, 4.999, 0.0]), 0)
    assert (run.start, run.stop, run.start_at) == (1, 3, 1.0)
    assert run.stop_at == 2.0


def test_indices_are_absolute():
    (run,) = found("..##....", first=1000)
    assert (run.start, run.stop, run.start_at, run.closed) == (1002, 1004, 1001.5, 1006)


@pytest.mark.parametrize(
    ("seen", "expected", "start_known", "stop_known"),
    [
        ("..##?##....", [(2, 7, True)], True, True),  # a hole inside
        ("..##?...", [(2, 5, True)], True, False),  # a hole at the fall hides the crossing
        ("..?##...", [(3, 5, True)], False, True),  # … and at the rise
        ("..##.?..", [(2, 4, True)], True, True),  # a hole while down closes as time does
        ("##...##...", [(0, 2, False), (5, 7, False)], None, True),
    ],
)
def test_missing_samples(seen, expected, start_known, stop_known):
    runs = found(seen)
    assert [(r.start, r.stop, r.missing) for r in runs] == expected
    if start_known is not None:
        assert all((r.start_at is not None) is start_known for r in runs)
    assert all((r.stop_at is not None) is stop_known for r in runs)


def test_a_run_that_was_up_when_first_seen_has_no_start_crossing():
    run, other = found("##...##...")
    assert run.start_at is None and other.start_at == 4.5


def test_a_long_hole_ends_a_run_without_a_result():
    (run,) = found("..##??????##....")
    assert (run.start, run.stop) == (10, 12)
    assert found("..##??????......") == []
    short = found("..##?????##.....")  # one less: the run goes on
    assert [(r.start, r.stop, r.missing) for r in short] == [(2, 11, True)]


def test_after_a_long_hole_the_start_is_not_known():
    (run,) = found("..##???????##....")
    assert run.start_at is None and run.missing


def test_a_jump_of_the_index_begins_afresh():
    runs = RunSegmenter(5.0, 5.0, 2, 4)
    assert runs.push(signal("..##"), 0) == []
    assert runs.push(signal("##..."), 10)[0].start == 10


def test_the_signal_is_not_changed():
    values = signal("..##?##....")
    values.setflags(write=False)
    RunSegmenter(5.0, 5.0, 3, 6).push(values, 0)


@pytest.mark.parametrize(
    ("on", "off", "bridge", "restart", "says"),
    [
        (5.0, 5.1, 3, 6, "off is 5.1, expected at most on"),
        (5.0, np.nan, 3, 6, "off is nan"),
        (5.0, 5.0, 0, 6, "1 ≤ bridge ≤ restart"),
        (5.0, 5.0, 7, 6, "1 ≤ bridge ≤ restart"),
    ],
)
def test_thresholds_that_cannot_be_are_refused(on, off, bridge, restart, says):
    with pytest.raises(ValueError, match=says):
        RunSegmenter(on, off, bridge, restart)


def naive(drawn: str, bridge: int) -> Iterator[tuple[int, int]]:
    """Runs of a drawing without holes, by looking at the whole of it."""
    up = [k for k, sign in enumerate(drawn) if sign == "#"]
    while up:
        start = stop = up.pop(0)
        while up and up[0] - stop - 1 < bridge:
            stop = up.pop(0)
        if len(drawn) - stop - 1 >= bridge:
            yield start, stop + 1


@pytest.mark.dear
@settings(max_examples=300, deadline=None)
@given(
    seen=st.text("#.", max_size=60),
    bridge=st.integers(1, 6),
    sizes=st.lists(st.integers(1, 20), max_size=4),
)
def test_any_drawing_without_holes(seen, bridge, sizes):
    kept = tuple(s for k, s in enumerate(sizes) if sum(sizes[: k + 1]) < len(seen))
    runs = found(seen, bridge=bridge, restart=9, sizes=kept)
    assert [(r.start, r.stop) for r in runs] == list(naive(seen, bridge))
    assert all(r.closed == r.stop + bridge - 1 for r in runs)


@settings(max_examples=300, deadline=None)
@given(seen=st.text("#+-.?", max_size=80), bridge=st.integers(1, 6))
def test_any_drawing_is_the_same_however_cut(seen, bridge):
    runs = found(seen, on=6.0, off=3.0, bridge=bridge, restart=7)
    for one, two in pairwise(runs):
        assert one.stop <= one.closed and one.stop <= two.start
    for run in runs:
        assert not any(isinstance(v, float) and np.isnan(v) for v in astuple(run))
