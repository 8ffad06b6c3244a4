"""The sheets a print is photographed on: their sizes, the eight marks of the target page, the area.

Points are (x, y) in mm from the sheet's upper left corner, y downwards; the heel lies below.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MARK_MM = 20.0
"""Side of a mark."""
_INSET_MM = 20.0
"""From the sheet's edge to a mark's centre: most printers leave 5 mm bare."""
_GAP_MM = 5.0
"""Between what belongs to the sheet and the area of the print."""
_ROWS = 4
FIT = (0, 3, 4, 7)
"""Marks that the sheet is fitted by: its corners, left column downwards, then the right one."""
CHECK = (1, 2, 5, 6)
"""Marks that the fit is checked by."""


@dataclass(frozen=True, slots=True)
class Area:
    """Where on a sheet the print may lie, mm."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper.

    Attributes
    ----------
    name : str
    width_mm, height_mm : float
    first_id : int
        Number of its first mark: a photo tells by the marks what it was printed on.
    """

    name: str
    width_mm: float
    height_mm: float
    first_id: int

    @property
    def marks(self) -> NDArray[np.float64]:
        """Return the centres of the eight marks, left column downwards, then the right one."""
        ys = np.linspace(_INSET_MM, self.height_mm - _INSET_MM, _ROWS)
        xs = (_INSET_MM, self.width_mm - _INSET_MM)
        return np.array([(x, y) for x in xs for y in ys])

    def area(self, *, target: bool) -> Area:
        """Return where the print may lie: between the marks, or all of a plain sheet."""
        side = _INSET_MM + MARK_MM / 2 + _GAP_MM if target else _GAP_MM
        return Area(side, _GAP_MM, self.width_mm - side, self.height_mm - _GAP_MM)


PAPERS = {
    "a4": Paper("A4", 210.0, 297.0, 0),  # ISO 216
    "letter": Paper("Letter", 215.9, 279.4, 8),  # ANSI/ASME Y14.1, size A
}


def mark_corners(paper: Paper) -> NDArray[np.float64]:
    """Return the corners of the eight marks, clockwise from the upper left: shape (8, 4, 2)."""
    half = MARK_MM / 2
    around = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
    corners: NDArray[np.float64] = paper.marks[:, None, :] + around
    return corners
