"""Both feet drawn from the layout as SVG: where zones lie, and paths of the CoP. Pure geometry.

Right foot as seen from above: medial on the left of the picture; the left foot is its mirror.
"""

from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.zones import ZoneLayout

MARGIN_MM = 6.0
"""Room about an insole, mm."""


@dataclass(frozen=True, slots=True)
class ZoneShape:
    """A zone: its number (from 1), centre and radius, mm in the picture."""

    number: int
    region: int
    x: float
    y: float
    radius: float


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
    zones : tuple of ZoneShape
    path : str
        The CoP's path as SVG path data; a gap lifts the pen.
    """

    foot: str
    role: str
    width: float
    height: float
    zones: tuple[ZoneShape, ...]
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
    x, y = places(layout, foot, np.column_stack((layout.x, layout.y))).T
    radius = np.sqrt(layout.area_mm2 / np.pi)
    zones = tuple(
        ZoneShape(k + 1, int(layout.region[k]), *(round(float(v[k]), 1) for v in (x, y, radius)))
        for k in range(layout.n_zones)
    )
    return FootPicture(
        str(foot),
        "lead" if foot is lead else "trail",
        layout.width_mm + 2 * MARGIN_MM,
        layout.length_mm + 2 * MARGIN_MM,
        zones,
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
