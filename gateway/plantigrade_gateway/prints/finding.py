"""The sheet found in a photo: by the target's marks, or by the edges of a plain sheet.

Only the process that decodes photos imports this module.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints.sheet import CHECK, FIT, PAPERS, Area, Paper, mark_corners

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]

MOST_OFF_MM = 1.0
"""A check mark, or a point of a plain sheet's edge, may lie so far from where it belongs."""
LEAST_PX_PER_MM = 1.0
DICTIONARY = cv2.aruco.DICT_4X4_50
_EDGE_MM = 8.0
"""A plain sheet's edge is looked for so far around where it seems to be (ours)."""
_WHOLE_MM = 6.1
"""An edge farther from there is seen in part alone, which places it up to 1 mm too near (ours)."""
_FINE = 4.0
"""Pixels per mm in which edges are looked for (ours)."""
_LEAST_PART = 0.015
"""Of the photo that a plain sheet fills (ours)."""
_LEAST_FLOOR = 0.005
"""Of the photo's longer side that shows around a plain sheet: its own edge is none (ours)."""
_LEAST_STEP = 12.0
"""Grey levels between sheet and floor by which an edge is told (ours)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A sheet in a photo.

    Attributes
    ----------
    to_photo : array, shape (3, 3)
        mm of the sheet → pixels of the photo.
    paper : Paper
    target : bool
        Whether it is the target page.
    mirrored : bool
        Whether the photo was seen to be mirrored; `to_photo` takes that off.
    off_mm : float
        Farthest that a check mark or an edge's point lies from where it belongs.
    """

    to_photo: FloatArray
    paper: Paper
    target: bool
    mirrored: bool
    off_mm: float


def find_target(grey: Image) -> Found:
    """Return the target page in a photo.

    Raises
    ------
    InputError
        Not all of its eight marks are seen, or the check marks do not lie where they belong.
    """
    marks, paper = _marks_in(grey)
    mirrored = paper is None
    if paper is None:
        marks, paper = _marks_in(np.ascontiguousarray(grey[:, ::-1]))
    if paper is None:
        raise InputError(
            "photo: no target page is seen in it; print the page, lay the print between its eight "
            "marks and photograph all of it, or say that it lies on a plain sheet"
        )
    missing = [place for place in range(8) if paper.first_id + place not in marks]
    if missing:
        raise InputError(
            f"photo: {8 - len(missing)} of the target page's eight marks are seen, expected all; "
            "none may be covered, out of the picture or blurred"
        )
    seen = np.array([marks[paper.first_id + place] for place in range(8)])
    if mirrored:
        seen[..., 0] = grey.shape[1] - 1 - seen[..., 0]
    there = mark_corners(paper)
    fitted, _ = cv2.findHomography(_flat(there[list(FIT)]), _flat(seen[list(FIT)]))
    to_photo = np.asarray(fitted, dtype=np.float64)
    to_sheet = np.asarray(np.linalg.inv(to_photo), dtype=np.float64)
    back = moved(to_sheet, seen[list(CHECK)].reshape(-1, 2)).reshape(-1, 4, 2)
    off = float(np.linalg.norm(back.mean(1) - there[list(CHECK)].mean(1), axis=1).max())
    if not off <= MOST_OFF_MM:
        raise InputError(
            f"photo: a check mark lies {off:.1f} mm from its place, expected {MOST_OFF_MM:g} mm or "
            "less; lay the page flat and photograph it without a wide-angle lens"
        )
    return Found(to_photo, paper, True, mirrored, off)


def find_sheet(grey: Image, paper: Paper, corners: FloatArray | None, *, mirrored: bool) -> Found:
    """Return a plain sheet in a photo.

    Parameters
    ----------
    grey : array
    paper : Paper
    corners : array, shape (4, 2), or None
        Where its corners are, pixels: upper left, upper right, lower right, lower left as the foot
        stands on it. None: they are looked for.
    mirrored : bool
        Whether the photo is mirrored, as somebody says.

    Raises
    ------
    InputError
        No sheet is seen, it reaches the photo's own edge, or its edges are not straight.
    """
    rough = _quad(grey, paper) if corners is None else corners
    if corners is None and mirrored:
        rough = rough[[1, 0, 3, 2]]
    size = np.array([paper.width_mm, paper.height_mm])
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]) * size
    exact, off = rough, 0.0
    for _ in range(2):
        to_seen = cv2.getPerspectiveTransform(_flat(square), _flat(exact)).astype(np.float64)
        flat = _warped(grey, to_seen, -_EDGE_MM, size + _EDGE_MM)
        (top, right, bottom, left), off = _edges(flat, size)
        pairs = ((left, top), (top, right), (right, bottom), (bottom, left))
        refined = np.array([_cross(*pair) for pair in pairs])
        exact = moved(to_seen, refined)
        if np.abs(refined - square).max() <= _WHOLE_MM:
            break
    if not off <= MOST_OFF_MM:
        raise InputError(
            f"photo: the sheet's edge is {off:.1f} mm from a straight line, expected "
            f"{MOST_OFF_MM:g} mm or less; lay it flat, on a floor of another brightness"
        )
    least = _LEAST_FLOOR * max(grey.shape)
    if not ((exact >= least) & (exact <= np.array(grey.shape[::-1]) - least)).all():
        raise InputError(
            "photo: the sheet reaches the photo's own edge; photograph it with floor all around, "
            "or drag the corners"
        )
    to_photo = cv2.getPerspectiveTransform(_flat(square), _flat(exact)).astype(np.float64)
    return Found(to_photo, paper, False, mirrored, off)


def check_scale(found: Found, area: Area) -> float:
    """Return the fewest pixels per mm anywhere in an area.

    Raises
    ------
    InputError
        They are too few.
    """
    places = np.array(
        [(x, y) for x in (area.left, area.right) for y in (area.top, area.bottom)], dtype=float
    )
    across, down = (
        moved(found.to_photo, places + half) - moved(found.to_photo, places - half)
        for half in np.array([(0.5, 0.0), (0.0, 0.5)])
    )
    least = float(np.linalg.svd(np.stack((across, down), 2), compute_uv=False).min())
    if not least >= LEAST_PX_PER_MM:
        raise InputError(
            f"photo: {least:.1f} pixels per mm, expected {LEAST_PX_PER_MM:.1f} or more; go nearer "
            "or use the camera's full size"
        )
    return least


def flattened(photo: Image, found: Found, area: Area, pitch_mm: float) -> Image:
    """Return an area of the sheet as if seen from above, in cells of a size."""
    per_mm = 2.0 / pitch_mm  # twice as fine first: the mean of four is kept
    lower = np.array([area.right, area.bottom])
    fine = _warped(photo, found.to_photo, np.array([area.left, area.top]), lower, per_mm)
    height, width = fine.shape[:2]
    half = cv2.resize(fine, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(half, dtype=np.uint8)


def moved(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Return points, shape (n, 2), as a homography moves them."""
    found = np.column_stack((points, np.ones(len(points)))) @ matrix.T
    kept: FloatArray = found[:, :2] / found[:, 2:]
    return kept


def _marks_in(grey: Image) -> tuple[dict[int, FloatArray], Paper | None]:
    """Return the corners of marks by their number, and the paper that most of them belong to."""
    settings = cv2.aruco.DetectorParameters()
    settings.perspectiveRemoveIgnoredMarginPerCell = 0.3  # cells of 3 pixels have blurred edges
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), settings)
    corners, ids, _ = detector.detectMarkers(grey)
    numbers = [] if ids is None else np.ravel(ids)
    marks = {
        int(number): np.asarray(place, dtype=float).reshape(4, 2)
        for number, place in zip(numbers, corners, strict=True)
    }
    counts = {
        name: sum(paper.first_id <= number < paper.first_id + 8 for number in marks)
        for name, paper in PAPERS.items()
    }
    best = max(counts, key=lambda name: counts[name])
    return marks, PAPERS[best] if counts[best] >= 4 else None


def _quad(grey: Image, paper: Paper) -> FloatArray:
    """Return the rough corners of the largest bright four-sided thing, as it stands upright."""
    less = max(1.0, max(grey.shape) / 1000.0)
    small = cv2.resize(grey, None, fx=1 / less, fy=1 / less, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 3)
    _, bright = cv2.threshold(small, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    contours, _ = cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for contour in sorted(contours, key=cv2.contourArea, reverse=True)[:3]:
        hull = cv2.convexHull(contour)
        quad = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True)
        if len(quad) == 4 and cv2.contourArea(quad) > _LEAST_PART * small.size:
            around = quad.reshape(4, 2).astype(float)
            middle = around.mean(0)
            order = np.argsort(np.arctan2(*(around - middle).T[::-1]))  # clockwise as seen
            return _upright(around[order] * less, paper, grey.shape)
    raise InputError(
        "photo: no sheet is seen in it; lay it on a darker floor with all four corners in the "
        "picture, or drag the corners"
    )


def _upright(around: FloatArray, paper: Paper, shape: tuple[int, ...]) -> FloatArray:
    """Return corners in such an order that a camera with square pixels could have seen the paper.

    Which of two ends is up cannot be told and does not matter: the heel is marked by hand.
    """
    around = np.roll(around, -int(np.argmin(around.sum(1))), axis=0)
    return min(
        (around, np.roll(around, -1, axis=0)), key=lambda order: _strangeness(order, paper, shape)
    )


def _strangeness(corners: FloatArray, paper: Paper, shape: tuple[int, ...]) -> float:
    """Return how far from orthonormal the sheet's axes would be, for the best focal length."""
    size = np.array([paper.width_mm, paper.height_mm])
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]) * size
    matrix = cv2.getPerspectiveTransform(_flat(square), _flat(corners))
    middle = np.array([[1, 0, -shape[1] / 2], [0, 1, -shape[0] / 2], [0, 0, 1]])
    found = []
    for focal in np.geomspace(0.5, 3.0, 25) * max(shape[:2]):  # of a long side, wide to tele
        a, b = (np.diag([1 / focal, 1 / focal, 1]) @ middle @ matrix).T[:2]
        ratio = np.log(np.linalg.norm(a) / np.linalg.norm(b))
        found.append(abs(ratio) + abs(a @ b) / (np.linalg.norm(a) * np.linalg.norm(b)))
    return float(min(found))


def _edges(flat: Image, size: FloatArray) -> tuple[list[FloatArray], float]:
    """Return the lines of the four edges (a·x + b·y = c, mm) and the farthest point off its line.

    Top, right, bottom, left. Each is looked for in profiles across where it seems to be.
    """
    width, height = size
    reach = int(_EDGE_MM * _FINE)
    lines, worst = [], 0.0
    for side in range(4):
        along_mm = width if side in (0, 2) else height
        at_mm = (0.0, width, height, 0.0)[side]
        image = flat if side in (0, 2) else flat.T
        middle = round((at_mm + _EDGE_MM) * _FINE)
        band = image[max(0, middle - reach) : middle + reach].astype(float)
        # means over 2 mm along the edge; its outermost parts belong to the corners
        starts = np.linspace(_EDGE_MM + 0.05 * along_mm, _EDGE_MM + 0.95 * along_mm, 60)
        columns = [slice(int(s * _FINE), int(s * _FINE) + int(2 * _FINE)) for s in starts]
        profiles = np.stack([band[:, each].mean(1) for each in columns])
        wide = 4
        steps = np.abs(profiles[:, 2 * wide :] - profiles[:, : -2 * wide])
        strong = steps.max(1) >= _LEAST_STEP
        if strong.mean() < 0.8:
            raise InputError(
                "photo: the sheet's edges cannot be told from the floor; lay it on a floor of "
                "another brightness, or drag the corners closer"
            )
        weights = np.where(steps >= 0.6 * steps.max(1, keepdims=True), steps, 0.0)[strong]
        rows = np.arange(steps.shape[1]) + wide
        at = (weights * rows).sum(1) / weights.sum(1) + max(0, middle - reach) + 0.5
        place = (starts[strong] + 1.0 - _EDGE_MM, at / _FINE - _EDGE_MM)
        slope, level = np.polyfit(*place, 1)
        off = np.abs(place[1] - slope * place[0] - level)
        # One point in twenty may be a crumb on the edge.
        worst = max(worst, float(np.quantile(off, 0.95)))
        line = np.array([-slope, 1.0, level]) if side in (0, 2) else np.array([1.0, -slope, level])
        lines.append(line)
    return lines, worst


def _cross(one: FloatArray, two: FloatArray) -> FloatArray:
    found: FloatArray = np.linalg.solve(np.stack((one[:2], two[:2])), np.array([one[2], two[2]]))
    return found


def _warped(
    photo: Image,
    to_photo: FloatArray,
    upper: FloatArray | float,
    lower: FloatArray,
    per_mm: float = _FINE,
) -> Image:
    """Return part of the sheet, cells of 1 / `per_mm` mm; the middle of a cell is its place."""
    x0, y0 = np.broadcast_to(np.asarray(upper, dtype=float), (2,))
    width, height = (round(float(v)) for v in (lower - np.array([x0, y0])) * per_mm)
    cells = np.array(
        [[1 / per_mm, 0, x0 + 0.5 / per_mm], [0, 1 / per_mm, y0 + 0.5 / per_mm], [0, 0, 1]]
    )
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpPerspective(photo, to_photo @ cells, (width, height), flags=how), np.uint8
    )


def _flat(points: FloatArray) -> NDArray[np.float32]:
    return np.ascontiguousarray(points.reshape(-1, 2), dtype=np.float32)
