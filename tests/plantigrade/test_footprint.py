"""Arch indices against exact geometry, against real prints, and the rules of their interval."""

import math
import statistics
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade.errors import SampleError
from plantigrade.footprint import (
    ArchClass,
    ArchIndex,
    BoolArray,
    Marks,
    Point,
    arch_class,
    arch_index,
    print_index,
    thirds,
)

# Exact by geometry: three thirds of equal length, each of one width (heel, middle, front), mm.
EXACT = {
    (60, 60, 60): 60 / 180,
    (60, 0, 90): 0.0,
    (60, 30, 90): 30 / 180,
    (60, 45, 90): 45 / 195,
    (60, 60, 90): 60 / 210,
}
THIRD = 70
TOES = ((40, 20, 30), (75, 18, 16), (100, 18, 16), (124, 16, 14))  # x of centre, length, width
STRAIGHT = Marks((75.0, 30.0), (75.0, 255.0), ((0.0, 225.0), (150.0, 225.0)))


def drawn(widths: tuple[int, int, int], toes: Sequence[tuple[int, int, int]] = ()) -> BoolArray:
    """A print of cells of 1 mm: its heel ends in row 10, its ball in row 220."""
    cells = np.zeros((260, 150), dtype=bool)
    for third, width in enumerate(widths):
        start = 75 - width // 2
        cells[10 + THIRD * third : 10 + THIRD * (third + 1), start : start + width] = True
    for x, length, width in toes:
        cells[230 : 230 + length, x - width // 2 : x + width // 2] = True
    return cells


@pytest.mark.parametrize(("widths", "index"), EXACT.items())
@pytest.mark.parametrize("toes", [(), TOES], ids=["bare", "with toes"])
def test_geometric_prints_have_their_exact_index(widths, index, toes):
    found = thirds(drawn(widths, toes), 1.0, STRAIGHT)
    assert found.index == pytest.approx(index, abs=1e-12)
    assert found.length_mm == pytest.approx(3 * THIRD)
    assert found.areas_mm2 == pytest.approx([THIRD * width for width in widths])


@given(
    shift=st.tuples(st.integers(0, 30), st.integers(0, 30)),
    pitch=st.floats(0.2, 10.0),
    mirrored=st.booleans(),
    quarters=st.integers(0, 3),
)
def test_index_does_not_change_by_shift_scale_mirror_or_quarter_turn(
    shift, pitch, mirrored, quarters
):
    cells = np.pad(drawn((60, 45, 90), TOES), ((shift[0], 5), (shift[1], 5)))
    height, width = cells.shape

    def moved(point: Point) -> Point:
        x, y = point[0] + shift[1], point[1] + shift[0]
        w, h = width, height
        if mirrored:
            x = w - x
        for _ in range(quarters):
            x, y, w, h = y, w - x, h, w
        return x * pitch, y * pitch

    cells = np.rot90(cells[:, ::-1] if mirrored else cells, quarters)
    line = tuple(moved(point) for point in STRAIGHT.toe_line)
    marks = Marks(moved(STRAIGHT.heel), moved(STRAIGHT.second_toe), (line[0], line[1]))
    assert thirds(cells, pitch, marks).index == pytest.approx(45 / 195, abs=1e-9)


def test_any_turn_of_foot_and_axis_keeps_the_index():
    """Cells of .5 mm, painted where a turned print lies: within what cells can show."""
    pitch, size = 0.5, 700
    y, x = np.mgrid[0:size, 0:size] * pitch + pitch / 2
    for degrees in (7.0, 33.0, 61.0, 118.0, 200.0):
        u = np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
        middle = np.array([175.0, 175.0])
        along = (x - middle[0]) * u[0] + (y - middle[1]) * u[1] + 105.0
        across = np.abs(-(x - middle[0]) * u[1] + (y - middle[1]) * u[0])
        width = np.select([along < 70.0, along < 140.0], [60.0, 30.0], 90.0)
        print_ = (along >= 0.0) & (along < 210.0) & (across < width / 2)
        heel, toe, line = middle - 85.0 * u, middle + 130.0 * u, middle + 110.0 * u
        across_line = np.array([-u[1], u[0]])
        marks = Marks(tuple(heel), tuple(toe), (tuple(line), tuple(line + 50.0 * across_line)))
        assert thirds(print_, pitch, marks).index == pytest.approx(30 / 180, abs=2e-3)


# Five real prints of one walker (Duarte & Watanabe 2021, doi 10.5281/zenodo.4599319, peak pressure
# in N/cm², cells of 8.46591 mm): row of the toe cut, cells in contact, and the index at three
# thresholds, computed from the files by another program.
PITCH = 8.46591
REAL = {
    "MDwalk2": (26, 244, (0.263, 0.259, 0.221)),
    "MDwalk2_1": (26, 218, (0.255, 0.235, 0.196)),
    "MDwalk2_2": (25, 202, (0.238, 0.227, 0.110)),
    "MDwalk2_3": (25, 208, (0.239, 0.232, 0.137)),
    "MDwalk2_4": (26, 221, (0.272, 0.250, 0.195)),
}


@pytest.mark.parametrize(("name", "cut", "cells", "indices"), [(k, *v) for k, v in REAL.items()])
def test_real_prints_have_the_indices_worked_out_elsewhere(open_data, name, cut, cells, indices):
    pressure = np.loadtxt(open_data(f"prints/{name}.csv"), delimiter=",")
    assert np.count_nonzero(pressure > 0) == cells
    height, width = np.array(pressure.shape) * PITCH
    line = cut * PITCH
    marks = Marks((width / 2, 30.0), (width / 2, height), ((0.0, line), (width, line)))
    found = [thirds(pressure > limit, PITCH, marks).index for limit in (0.0, 2.0, 5.0)]
    assert found == pytest.approx(indices, abs=0.001)
    # and the spread of thresholds is seen by the interval
    at_two = print_index(pressure > 2.0, [pressure > 0.0, pressure > 5.0], PITCH, marks)
    assert at_two.threshold == pytest.approx(
        max(abs(indices[0] - indices[1]), abs(indices[2] - indices[1])), abs=0.002
    )


def test_a_line_that_cuts_no_blob_adds_nothing_to_the_interval():
    for y in (221.0, 229.0):
        marks = Marks(STRAIGHT.heel, STRAIGHT.second_toe, ((0.0, y), (150.0, y)))
        assert print_index(drawn((60, 30, 90), TOES), [], 1.0, marks).line == 0.0


def test_a_line_that_cuts_a_blob_is_as_wide_as_five_millimetres_make_it():
    """By hand: at 205 mm 2100 / 12150, at 210 mm 1/6, at 215 mm 2350 / 13050."""
    cells = drawn((60, 30, 90))
    cells[220:240, 30:120] = True  # the ball and toes that run into each other
    marks = Marks(STRAIGHT.heel, STRAIGHT.second_toe, ((0.0, 220.0), (150.0, 220.0)))
    found = print_index(cells, [], 1.0, marks)
    assert found.index == pytest.approx(1 / 6)
    assert found.line == pytest.approx(2350 / 13050 - 1 / 6, abs=1e-9)


def test_a_toe_wholly_beyond_stays_a_toe_when_the_line_is_moved():
    """Toe blobs from 230 mm on are within 5 mm of a line at 228 mm that cuts the ball's blob."""
    cells = drawn((60, 30, 90))
    cells[220:229, 30:120] = True
    marks = Marks(STRAIGHT.heel, STRAIGHT.second_toe, ((0.0, 228.0), (150.0, 228.0)))
    without = print_index(cells, [], 1.0, marks)
    cells[231:250, 40:60] = True
    assert print_index(cells, [], 1.0, marks) == without


def test_an_axis_off_by_three_degrees_changes_a_rectangle_as_geometry_says():
    """The strip is (210·cos 3° + 60·sin 3°) / 3 wide and 60 / cos 3° long."""
    found = print_index(drawn((60, 60, 60)), [], 1.0, STRAIGHT)
    turn = math.radians(3.0)
    strip = (210 * math.cos(turn) + 60 * math.sin(turn)) / 3 * 60 / math.cos(turn)
    assert found.axis == pytest.approx(strip / 12600 - 1 / 3, abs=1e-3)
    assert found.axis > 0.004


def test_half_width_is_the_root_sum_of_squares_of_its_parts():
    narrow, wide = drawn((60, 25, 90)), drawn((60, 40, 90))
    found = print_index(drawn((60, 30, 90)), [narrow, wide], 1.0, STRAIGHT)
    assert found.threshold == pytest.approx(40 / 190 - 30 / 180, abs=1e-3)
    parts = (found.threshold, found.line, found.axis)
    assert found.half_width == pytest.approx(math.sqrt(sum(part**2 for part in parts)))


def test_a_print_of_one_threshold_has_no_width_by_thresholds():
    assert print_index(drawn((60, 30, 90)), [], 1.0, STRAIGHT).threshold == 0.0


def test_until_five_prints_the_usual_spread_holds_then_their_own():
    values = [0.22, 0.24, 0.23, 0.26, 0.20]
    for n in range(1, 5):
        found = arch_index([(value, 0.01) for value in values[:n]])
        assert found.between_prints == pytest.approx(1.96 * 0.015 / math.sqrt(n))
        assert found.index == pytest.approx(statistics.fmean(values[:n]))
    five = arch_index([(value, 0.01) for value in values])
    assert five.sd == pytest.approx(statistics.stdev(values))
    between = 1.96 * statistics.stdev(values) / math.sqrt(5)
    assert five.half_width == pytest.approx(math.hypot(0.01, between))


def test_an_interval_stays_within_what_an_index_can_be():
    assert arch_index([(0.0, 0.01)]).low == 0.0
    assert ArchIndex(0.99, 1, 0.015, 0.02).high == 1.0


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.21, 0.21, "high"),
        (0.0, 0.21, "high"),
        (0.20, 0.2101, "between"),
        (0.26, 0.26, "low"),
        (0.26, 0.4, "low"),
        (0.2599, 0.3, "between"),
        (0.2101, 0.2599, "middle"),
        (0.21, 0.2599, "between"),
        (0.2101, 0.26, "between"),
        (0.1, 0.4, "between"),
    ],
)
def test_a_class_holds_the_whole_interval(low, high, expected):
    """The limits are those of Cavanagh & Rodgers 1987: high ≤ .21, low ≥ .26."""
    assert arch_class(low, high) is ArchClass(expected)


def test_one_print_in_the_middle_range_is_between_and_three_can_be_middle():
    one = [(0.235, 0.008)]
    assert arch_index(one).arch is ArchClass.BETWEEN
    assert arch_index(one * 3).arch is ArchClass.MIDDLE


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"heel": (math.nan, 0.0)}, "finite"),
        ({"second_toe": (75.0, -math.inf)}, "finite"),
        ({"toe_line": ((-1e300, 225.0), (1e300, 225.0))}, "10,000 mm at most"),
        ({"second_toe": (75.0, 40.0)}, "10 mm apart"),
        ({"toe_line": ((0.0, 225.0), (0.2, 225.0))}, "two points"),
        ({"toe_line": ((0.0, 30.0), (150.0, 32.0))}, "through the heel"),
    ],
)
def test_marks_that_name_no_axis_or_line_are_refused(changed, says):
    given_ = {
        "heel": STRAIGHT.heel,
        "second_toe": STRAIGHT.second_toe,
        "toe_line": STRAIGHT.toe_line,
    }
    with pytest.raises(SampleError, match=says):
        Marks(**(given_ | changed))


def test_a_print_that_is_all_toes_is_refused():
    marks = Marks((75.0, 5.0), (75.0, 255.0), ((0.0, 15.0), (150.0, 15.0)))
    cells = drawn((60, 30, 90))
    cells[:20] = False
    with pytest.raises(SampleError, match="toe line"):
        thirds(cells, 1.0, marks)


# ---- at the very limits ----


def test_marks_at_their_limits_are_taken():
    Marks((75.0, 30.0), (75.0, 10_000.0), STRAIGHT.toe_line)
    Marks((75.0, 30.0), (75.0, 60.0), STRAIGHT.toe_line)
    Marks(STRAIGHT.heel, STRAIGHT.second_toe, ((0.0, 225.0), (1.0, 225.0)))


def test_places_along_an_axis_that_is_turned():
    """By hand: an axis along y, turned by 90° from x to y, goes along -x from the heel."""
    at = (np.array([75.0, 85.0]), np.array([30.0, 50.0]))
    straight, half = STRAIGHT.along(*at, 0.0)
    assert straight == pytest.approx([0.0, 20.0]) and half == pytest.approx(0.5)
    turned, half = STRAIGHT.along(*at, 90.0)
    assert turned == pytest.approx([0.0, -10.0]) and half == pytest.approx(0.5)
    assert STRAIGHT.along(*at, 45.0)[1] == pytest.approx(2.0**-0.5)


@pytest.mark.parametrize(
    ("line", "length_mm"), [(220.49, 210.0), (220.5, 211.0), (220.55, 211.0), (221.49, 211.0)]
)
@pytest.mark.parametrize("across", [False, True])
def test_a_cell_of_a_cut_blob_belongs_to_the_side_its_middle_is_on(line, length_mm, across):
    """The middle of the cell in row 220 lies at 220.5 mm; the heel ends at 10 mm."""
    cells = drawn((60, 60, 60))
    cells[220:240, 45:105] = True
    marks = Marks(STRAIGHT.heel, STRAIGHT.second_toe, ((0.0, line), (150.0, line)))
    if across:
        cells, marks = cells.T, Marks((30.0, 75.0), (255.0, 75.0), ((line, 0.0), (line, 150.0)))
    assert thirds(cells, 1.0, marks).length_mm == pytest.approx(length_mm)


def test_a_blob_is_cut_or_not_by_a_single_cell():
    line = ((0.0, 222.0), (150.0, 222.0))
    marks = Marks(STRAIGHT.heel, STRAIGHT.second_toe, line)
    cells = drawn((60, 60, 60))
    cells[220:223, 45:105] = True  # half a millimetre beyond the line
    assert thirds(cells, 1.0, marks).length_mm == pytest.approx(212.0)
    toe = drawn((60, 60, 60))
    toe[222:240, 60:80] = True  # a toe that begins half a millimetre beyond it
    assert thirds(toe, 1.0, marks, line_off_mm=5.0).length_mm == pytest.approx(210.0)
    alone = drawn((60, 60, 60))
    alone[5, 75] = True  # a blob of one cell behind the heel
    assert thirds(alone, 1.0, marks).length_mm == pytest.approx(215.0)


def test_a_line_may_have_been_too_far_forward_as_well():
    """By hand: at 215 mm 2100 / 12150, at 220 mm 2100 / 12900; at 225 mm it hardly changes."""
    cells = drawn((60, 30, 90))
    cells[215:220, :] = True
    cells[220, 30:120] = True
    marks = Marks(STRAIGHT.heel, STRAIGHT.second_toe, ((0.0, 220.0), (150.0, 220.0)))
    found = print_index(cells, [], 1.0, marks)
    assert found.index == pytest.approx(2100 / 12900)
    assert found.line == pytest.approx(2100 / 12150 - 2100 / 12900, abs=1e-9)
