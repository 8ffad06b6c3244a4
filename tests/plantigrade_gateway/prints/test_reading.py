"""Marks that a hand begins with, on a print of cells whose middles are worked by hand."""

import numpy as np
import pytest

from plantigrade.errors import SampleError
from plantigrade_gateway.prints.reading import proposed


def print_() -> np.ndarray:
    """100 cells long (rows 10 to 109), columns 10 to 19; rows 25 and 26 are one cell wide."""
    cells = np.zeros((120, 40), dtype=np.bool_)
    cells[10:110, 10:20] = True
    cells[25:27, 11:20] = False
    return cells


def test_the_axis_runs_through_the_middles_of_heel_and_ball():
    """Heel rows 88 to 106, ball 38 to 54; 6 of 100 before the toes' end at 16; 0.5 mm a cell."""
    marks = proposed(print_(), 0.5)
    assert marks.heel == pytest.approx((7.5, 48.75))
    assert marks.second_toe == pytest.approx((7.5, 8.0))


def test_the_toe_line_goes_where_the_print_is_narrowest():
    """Between rows 20 and 37: at 26, the middle of the two narrow rows, all across."""
    assert proposed(print_(), 0.5).toe_line == ((0.0, 13.0), (20.0, 13.0))
    wide = print_()
    wide[25:27, 10:20] = True
    # nowhere narrower: the middle of the 18 rows
    assert proposed(wide, 1.0).toe_line == ((0.0, 29.0), (40.0, 29.0))


@pytest.mark.parametrize("rows", [slice(88, 107), slice(38, 55)])
def test_without_a_heel_or_a_ball_the_hand_sets_the_marks(rows):
    cells = print_()
    cells[rows] = False
    with pytest.raises(SampleError, match="its heel and ball are not found, set the marks by hand"):
        proposed(cells, 0.5)
