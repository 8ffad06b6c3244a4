"""Photos read in a process of their own: nothing they hold is decoded in the service."""

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.extras import need
from plantigrade_gateway.prints.sheet import PAPERS

MOST_PHOTO_BYTES = 25_000_000
"""Of a photo's file (ours)."""
_MOST_S = 60.0
_FARTHEST_PX = 100_000.0
"""A corner farther from the photo's upper left one is none (ours)."""


@dataclass(frozen=True, slots=True)
class Flat:
    """A sheet as if seen from above: the area in which the print may lie.

    Attributes
    ----------
    picture : array of uint8, shape (rows, columns, 3)
        Blue, green, red.
    jpeg : bytes
        The same as a file, made anew from these cells: it says nothing of place, time or camera.
    pitch_mm : float
        A cell's width and height.
    paper : str
    target : bool
        Whether it is the target page.
    mirrored : bool
        Whether the photo was mirrored; the picture is not.
    off_mm : float
        Farthest that a check mark, or a point of a plain sheet's edge, lies from its place.
    px_per_mm : float
        The photo's, where it has fewest.
    """

    picture: NDArray[np.uint8]
    jpeg: bytes
    pitch_mm: float
    paper: str
    target: bool
    mirrored: bool
    off_mm: float
    px_per_mm: float

    @property
    def sheet(self) -> str:
        """Return what the print lies on, in words."""
        return f"{self.paper} target" if self.target else self.paper


def flat_of(
    photo: bytes,
    *,
    paper: str | None = None,
    corners: Sequence[tuple[float, float]] | None = None,
    mirrored: bool = False,
) -> Flat:
    """Return the sheet of a photo as if seen from above.

    Parameters
    ----------
    photo : bytes
        A JPEG or PNG file.
    paper : str or None
        The plain sheet that the print lies on, one of `PAPERS`. None: the target page.
    corners : sequence of four points, or None
        Where a plain sheet's corners are, pixels: upper left, upper right, lower right, lower left
        as the foot stands on it. None: they are looked for.
    mirrored : bool
        Whether somebody says that the photo is mirrored. The target page shows it by itself.

    Raises
    ------
    InputError
        It cannot be used: one sentence.
    """
    if len(photo) > MOST_PHOTO_BYTES:
        raise InputError(f"photo: longer than {MOST_PHOTO_BYTES:,} bytes, expected no more")
    if paper is not None and paper not in PAPERS:
        raise InputError(f"paper: is {paper!r}, expected one of {', '.join(PAPERS)}")
    if corners is not None:
        _check_corners(corners)
    need("footprints", "cv2", "prints")
    wanted = {"paper": paper, "corners": corners, "mirrored": mirrored}
    try:
        done = subprocess.run(
            [sys.executable, "-m", "plantigrade_gateway.prints.child"],
            input=json.dumps(wanted).encode() + b"\n" + photo,
            capture_output=True,
            timeout=_MOST_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise InputError("photo: takes too long to read") from None
    head, _, body = done.stdout.partition(b"\n")
    if done.returncode != 0 or not head:
        raise InputError("photo: cannot be read within the memory and time that it may take")
    said = json.loads(head)
    if "error" in said:
        raise InputError(said["error"])
    shape = said.pop("shape")
    size = int(np.prod(shape))
    return Flat(np.frombuffer(body[:size], np.uint8).reshape(shape), body[size:], **said)


def _check_corners(corners: Sequence[tuple[float, float]]) -> None:
    """Refuse what is no four-sided thing whose corners go around it."""
    if len(corners) != 4:
        raise InputError(f"corners: {len(corners)} are given, expected four")
    points = np.array(corners, dtype=float)
    if not (np.abs(points) <= _FARTHEST_PX).all():  # nor is one that is NaN
        raise InputError(f"corners: expected finite pixels, {_FARTHEST_PX:,.0f} at most")
    sides = np.roll(points, -1, axis=0) - points
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    if not ((np.abs(turns) > 1.0).all() and len(set(turns > 0)) == 1):
        raise InputError("corners: expected the four of a sheet, in order around it")
