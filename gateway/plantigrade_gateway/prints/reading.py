"""A print on its flat sheet read in one go: threshold and marks in, arch index out."""

from dataclasses import dataclass

import numpy as np

from plantigrade.errors import SampleError
from plantigrade.footprint import BoolArray, Marks, PrintIndex, print_index
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints.apart import Flat
from plantigrade_gateway.prints.ink import ink_of


@dataclass(frozen=True, slots=True)
class Read:
    """The arch index of a print, the marks that it was read by, and the print itself."""

    index: PrintIndex
    marks: Marks
    print_: BoolArray


def read_print(flat: Flat, level: float, marks: Marks | None) -> Read:
    """Return a print as it is read.

    Parameters
    ----------
    flat : Flat
    level : float
        The threshold.
    marks : Marks or None
        On the flat picture. None: those that `proposed` makes.

    Raises
    ------
    InputError
        There is no print to be read: one sentence.
    """
    print_, plausible = ink_of(flat).print_and_plausible(level)
    try:
        used = marks or proposed(print_, flat.pitch_mm)
        return Read(print_index(print_, plausible, flat.pitch_mm, used), used, print_)
    except SampleError as error:
        raise InputError(str(error)) from error


def proposed(print_: BoolArray, pitch_mm: float) -> Marks:
    """Return marks for a hand to begin with, the heel below; they are a guess, to be looked at.

    The toe line goes where the print is narrowest between 72 and 90 % of its length from the heel;
    the axis runs through the middles of heel and ball (rule of thumb, ours).
    """
    rows = np.flatnonzero(print_.any(axis=1))
    top, bottom = int(rows[0]), int(rows[-1]) + 1
    length = bottom - top

    def middle(low: float, high: float) -> np.ndarray:
        band = print_[bottom - round(high * length) : bottom - round(low * length)]
        y, x = np.nonzero(band)
        if len(x) == 0:
            raise SampleError("print: its heel and ball are not found, set the marks by hand")
        return np.array([x.mean() + 0.5, y.mean() + 0.5 + bottom - round(high * length)])

    heel, ball = middle(0.03, 0.22), middle(0.55, 0.72)
    toe = heel + (ball - heel) * (heel[1] - top - 0.06 * length) / (heel[1] - ball[1])
    widths = print_[bottom - round(0.9 * length) : bottom - round(0.72 * length)].sum(axis=1)
    narrowest = np.flatnonzero(widths == widths.min())
    line = bottom - round(0.9 * length) + float(np.median(narrowest)) + 0.5
    right = float(print_.shape[1])

    def point(x: float, y: float) -> tuple[float, float]:
        return float(x) * pitch_mm, float(y) * pitch_mm

    return Marks(point(*heel), point(*toe), (point(0.0, line), point(right, line)))
