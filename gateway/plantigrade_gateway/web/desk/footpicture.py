"""Where both feet stand in their pictures, and the paths of the CoP as SVG. Pure geometry.

The soles and zones themselves are drawn by `static/sole.js`, as on the live page.

Right foot as seen from above: medial on the left of the picture; the left foot is its mirror.
"""

from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.zones import ZoneLayout

MARGIN_MM = 6.0
"""Room about an insole, mm."""


@dataclass(frozen=True, slots=True)
class FootPicture:
    """One foot.

    Attributes
    ----------
    foot : str
    role : str
        "lead" or "trail".
    width, height : float
        Of the picture, mm.
    path : str
        The CoP's path as SVG path data; a gap lifts the pen.
    """

    foot: str
    role: str
    width: float
    height: float
    path: str


def picture(layout: ZoneLayout, foot: Foot, lead: Foot, cop: FloatArray) -> FootPicture:
    """Draw one foot.

    Parameters
    ----------
    layout : ZoneLayout
    foot, lead : Foot
    cop : ndarray of float64, shape (n, 2)
        The path: fractions of width and length, NaN where undefined.
    """
    return FootPicture(
        str(foot),
        "lead" if foot is lead else "trail",
        layout.width_mm + 2 * MARGIN_MM,
        layout.length_mm + 2 * MARGIN_MM,
        _path(places(layout, foot, cop)),
    )


def places(layout: ZoneLayout, foot: Foot, points: FloatArray) -> FloatArray:
    """Return places in the picture, mm, of fractions of width and length, shape (n, 2)."""
    across = points[:, 0] if foot is Foot.RIGHT else 1.0 - points[:, 0]
    x = MARGIN_MM + across * layout.width_mm
    y = MARGIN_MM + (1.0 - points[:, 1]) * layout.length_mm
    placed: FloatArray = np.column_stack((x, y))
    return placed


def _path(points: FloatArray) -> str:
    parts, pen_up = [], True
    for x, y in points.tolist():
        if x != x or y != y:
            pen_up = True
            continue
        parts.append(f"{'M' if pen_up else 'L'}{x:.1f} {y:.1f}")
        pen_up = False
    return "".join(parts)
