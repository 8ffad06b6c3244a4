"""Where marks and print lie on a sheet: paper by its standard, the rest worked by hand, mm."""

import numpy as np
import pytest

from plantigrade_gateway.prints.sheet import CHECK, FIT, PAPERS, Area, mark_corners


@pytest.mark.parametrize(
    ("name", "width", "height", "first"),
    [("a4", 210.0, 297.0, 0), ("letter", 8.5 * 25.4, 11 * 25.4, 8)],  # ISO 216; 8.5 by 11 inches
)
def test_eight_marks_lie_in_two_columns_20_mm_from_the_edges(name, width, height, first):
    paper = PAPERS[name]
    assert (paper.width_mm, paper.height_mm) == pytest.approx((width, height))
    assert paper.first_id == first  # no number is of both papers
    third = (height - 40.0) / 3
    ys = [20.0, 20.0 + third, 20.0 + 2 * third, height - 20.0]
    expected = [(x, y) for x in (20.0, width - 20.0) for y in ys]
    assert paper.marks == pytest.approx(np.array(expected))
    corners = mark_corners(paper)
    assert corners.shape == (8, 4, 2)
    # the upper left mark, clockwise from its upper left: 20 mm wide
    assert corners[0].tolist() == [[10.0, 10.0], [30.0, 10.0], [30.0, 30.0], [10.0, 30.0]]
    assert corners[7, 2] == pytest.approx((width - 10.0, height - 10.0))


def test_the_corners_fit_the_sheet_and_the_others_check_it():
    marks = PAPERS["a4"].marks
    assert {tuple(marks[k]) for k in FIT} == {(x, y) for x in (20.0, 190.0) for y in (20.0, 277.0)}
    assert sorted(FIT + CHECK) == list(range(8))


def test_the_print_lies_between_the_marks_or_on_all_of_a_plain_sheet():
    paper = PAPERS["a4"]
    assert paper.area(target=True) == Area(35.0, 5.0, 175.0, 292.0)
    assert paper.area(target=False) == Area(5.0, 5.0, 205.0, 292.0)
