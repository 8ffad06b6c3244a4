"""The arch index of a bare footprint, with its interval: areas of thirds of the foot without toes.

A print is a mask of cells of one size: the cell in row i and column j covers x from j to j + 1 and
y from i to i + 1 times the pitch. Points are (x, y) in mm in that frame, on the print or beside it.
Area index and load share are different things: these limits are for areas of bare prints only.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from plantigrade.errors import SampleError

BoolArray: TypeAlias = NDArray[np.bool_]
Point: TypeAlias = tuple[float, float]

HIGH_TO = 0.21
"""An index up to this is a high arch (Cavanagh & Rodgers 1987, J Biomech 20(5):547–551)."""
LOW_FROM = 0.26
"""An index from this on is a low arch (same source)."""
LINE_SLACK_MM = 5.0
"""How far the hand may have been off with the toe line (ours)."""
AXIS_SLACK_DEG = 3.0
"""How far the hand may have been off with the axis (ours)."""
USUAL_SD = 0.015
"""SD of the index between prints of one foot, until there are enough of them (ours)."""
ENOUGH_PRINTS = 5
"""From so many prints on their own SD is taken (ours)."""
_FARTHEST_MM = 10_000.0
"""A mark farther along x or y is on no sheet (ours)."""
_SHORTEST_AXIS_MM = 30.0
"""An axis shorter than this is a slip of the hand (ours)."""
_TOUCHING = np.ones((3, 3), dtype=bool)


class ArchClass(StrEnum):
    """Where the whole interval of an index lies."""

    HIGH = "high"
    MIDDLE = "middle"
    LOW = "low"
    BETWEEN = "between"


@dataclass(frozen=True, slots=True)
class Marks:
    """What a hand sets on a print, mm.

    Attributes
    ----------
    heel : Point
        Centre of the heel.
    second_toe : Point
        Tip of the second toe; with the heel it is the axis of the foot.
    toe_line : tuple of Point
        Two points of the straight line between ball and toes, anywhere on it.
    """

    heel: Point
    second_toe: Point
    toe_line: tuple[Point, Point]

    def __post_init__(self) -> None:
        """Refuse marks that name no axis or no line.

        Raises
        ------
        SampleError
            A number is not finite or farther than any sheet reaches, two points lie together, or
            the heel lies on the toe line.
        """
        points = (self.heel, self.second_toe, *self.toe_line)
        if not all(abs(value) <= _FARTHEST_MM for point in points for value in point):
            raise SampleError(
                f"marks of a print: expected finite numbers, {_FARTHEST_MM:,.0f} mm at most"
            )
        if math.dist(self.heel, self.second_toe) < _SHORTEST_AXIS_MM:
            raise SampleError(
                f"marks of a print: heel and second toe are {self.length_mm:.0f} mm apart, "
                f"expected {_SHORTEST_AXIS_MM:.0f} or more"
            )
        if math.dist(*self.toe_line) < 1.0:
            raise SampleError("marks of a print: the toe line needs two points apart")
        if abs(float(self._across(np.array(self.heel)))) < LINE_SLACK_MM:
            raise SampleError("marks of a print: the toe line runs through the heel")

    @property
    def length_mm(self) -> float:
        """Return how far the second toe is from the heel's centre."""
        return math.dist(self.heel, self.second_toe)

    def along(self, x: np.ndarray, y: np.ndarray, turned_deg: float) -> tuple[np.ndarray, float]:
        """Return where points lie along the axis, mm from the heel's centre, and half a cell.

        Parameters
        ----------
        x, y : array
        turned_deg : float
            The axis turned by this about the heel's centre.

        Returns
        -------
        along : array
        half : float
            Half of what a cell of size 1 covers along the axis.
        """
        angle = math.atan2(
            self.second_toe[1] - self.heel[1], self.second_toe[0] - self.heel[0]
        ) + math.radians(turned_deg)
        ux, uy = math.cos(angle), math.sin(angle)
        return (x - self.heel[0]) * ux + (y - self.heel[1]) * uy, (abs(ux) + abs(uy)) / 2

    def beyond(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return how far beyond the toe line points lie, mm; negative on the heel's side."""
        side = float(self._across(np.array(self.heel)))
        return -math.copysign(1.0, side) * self._across(np.stack((x, y)))

    def _across(self, points: np.ndarray) -> np.ndarray:
        (x0, y0), (x1, y1) = self.toe_line
        length = math.dist(*self.toe_line)
        made: np.ndarray = ((x1 - x0) * (points[1] - y0) - (y1 - y0) * (points[0] - x0)) / length
        return made


@dataclass(frozen=True, slots=True)
class Thirds:
    """Areas of a print without toes, in thirds of its length.

    Attributes
    ----------
    areas_mm2 : tuple of float
        Heel, middle, front.
    length_mm : float
        From the back of the heel to the front of the ball, along the axis.
    """

    areas_mm2: tuple[float, float, float]
    length_mm: float

    @property
    def area_mm2(self) -> float:
        """Return the area of all three."""
        return sum(self.areas_mm2)

    @property
    def index(self) -> float:
        """Return the arch index: the middle's area ÷ all (Cavanagh & Rodgers 1987)."""
        return self.areas_mm2[1] / self.area_mm2


@dataclass(frozen=True, slots=True)
class PrintIndex:
    """The arch index of one print and how far it may be off, each part by itself.

    Attributes
    ----------
    thirds : Thirds
    threshold : float
        Largest change of the index over the thresholds that are plausible.
    line : float
        Largest change when the toe line is 5 mm off; 0 where it cuts no blob.
    axis : float
        Largest change when the axis is 3° off.
    """

    thirds: Thirds
    threshold: float
    line: float
    axis: float

    @property
    def index(self) -> float:
        """Return the arch index."""
        return self.thirds.index

    @property
    def half_width(self) -> float:
        """Return the parts' root sum of squares: half the interval of this print by itself."""
        return math.hypot(self.threshold, self.line, self.axis)


@dataclass(frozen=True, slots=True)
class ArchIndex:
    """The arch index of one foot over its prints.

    Attributes
    ----------
    index : float
        Mean of the prints.
    n : int
        How many.
    sd : float
        SD between prints that the interval goes by: the usual one until there are five.
    reading : float
        Half the interval that comes of reading the prints: root mean square over them, since one
        hand errs alike in each.
    """

    index: float
    n: int
    sd: float
    reading: float

    @property
    def between_prints(self) -> float:
        """Return half the 95 % interval of the mean that comes of few prints."""
        return 1.96 * self.sd / math.sqrt(self.n)

    @property
    def half_width(self) -> float:
        """Return half the interval: both parts' root sum of squares."""
        return math.hypot(self.reading, self.between_prints)

    @property
    def low(self) -> float:
        """Return the interval's lower end; no index is under 0."""
        return max(0.0, self.index - self.half_width)

    @property
    def high(self) -> float:
        """Return the interval's upper end."""
        return min(1.0, self.index + self.half_width)

    @property
    def arch(self) -> ArchClass:
        """Return the class that holds the whole interval."""
        return arch_class(self.low, self.high)


def arch_class(low: float, high: float) -> ArchClass:
    """Return the class that holds an interval of the index whole, else `ArchClass.BETWEEN`."""
    if high <= HIGH_TO:
        return ArchClass.HIGH
    if low >= LOW_FROM:
        return ArchClass.LOW
    return ArchClass.MIDDLE if low > HIGH_TO and high < LOW_FROM else ArchClass.BETWEEN


def thirds(
    print_: BoolArray,
    pitch_mm: float,
    marks: Marks,
    *,
    line_off_mm: float = 0.0,
    turned_deg: float = 0.0,
) -> Thirds:
    """Return the areas of a print's thirds, perpendicular to its axis, without toes.

    A blob wholly beyond the toe line is a toe; one that the line cuts ends at the line; the length
    is that of what is left. A cell that a third ends in counts in parts.

    Parameters
    ----------
    print_ : array, shape (rows, columns)
        Whether a cell is of the print.
    pitch_mm : float
        A cell's width and height.
    marks : Marks
    line_off_mm : float
        The line moved by this towards the toes, for the blobs that it cuts where it is.
    turned_deg : float
        The axis turned by this about the heel's centre.

    Raises
    ------
    SampleError
        Nothing of the print lies on the heel's side of the line.
    """
    from scipy.ndimage import label  # a third of a second to import: by who has a print alone

    blobs, n_blobs = label(print_, structure=_TOUCHING)
    rows, columns = np.nonzero(print_)
    x, y = (columns + 0.5) * pitch_mm, (rows + 0.5) * pitch_mm
    blob, beyond = blobs[rows, columns], marks.beyond(x, y)
    before = np.bincount(blob[beyond <= 0.0], minlength=n_blobs + 1)
    after = np.bincount(blob[beyond > 0.0], minlength=n_blobs + 1)
    is_cut = ((before > 0) & (after > 0))[blob]
    kept = np.where(is_cut, beyond <= line_off_mm, before[blob] > 0)
    if not kept.any():
        raise SampleError("print: nothing of it lies on the heel's side of the toe line")
    along, half_cell = marks.along(x[kept], y[kept], turned_deg)
    half = half_cell * pitch_mm
    back, front = along.min() - half, along.max() + half
    length = front - back
    up_to = [
        pitch_mm**2 * float(np.clip((back + length * part - along) / (2 * half) + 0.5, 0, 1).sum())
        for part in (1 / 3, 2 / 3)
    ]
    whole = pitch_mm**2 * along.size
    return Thirds((up_to[0], up_to[1] - up_to[0], whole - up_to[1]), float(length))


def print_index(
    print_: BoolArray, plausible: Sequence[BoolArray], pitch_mm: float, marks: Marks
) -> PrintIndex:
    """Return the arch index of one print and how far it may be off.

    Parameters
    ----------
    print_ : array, shape (rows, columns)
        The print at the threshold chosen.
    plausible : sequence of array
        The same at other thresholds that are plausible, the ends of their range at least.
    pitch_mm : float
    marks : Marks

    Raises
    ------
    SampleError
        As `thirds`.
    """
    found = thirds(print_, pitch_mm, marks)
    others = (thirds(other, pitch_mm, marks) for other in plausible)
    lines = (
        thirds(print_, pitch_mm, marks, line_off_mm=off) for off in (-LINE_SLACK_MM, LINE_SLACK_MM)
    )
    turned = (
        thirds(print_, pitch_mm, marks, turned_deg=off) for off in (-AXIS_SLACK_DEG, AXIS_SLACK_DEG)
    )
    return PrintIndex(
        found,
        threshold=_largest_change(found, list(others)),
        line=_largest_change(found, list(lines)),
        axis=_largest_change(found, list(turned)),
    )


def arch_index(prints: Sequence[tuple[float, float]]) -> ArchIndex:
    """Return the arch index of one foot over prints of one kind.

    Parameters
    ----------
    prints : sequence of (float, float)
        Index and half width of each, as `PrintIndex` has them; one at least.
    """
    values = np.array(prints, dtype=float)
    index, half = values[:, 0], values[:, 1]
    sd = float(index.std(ddof=1)) if len(index) >= ENOUGH_PRINTS else USUAL_SD
    return ArchIndex(float(index.mean()), len(index), sd, math.sqrt(float((half**2).mean())))


def _largest_change(found: Thirds, others: Sequence[Thirds]) -> float:
    return max((abs(other.index - found.index) for other in others), default=0.0)
