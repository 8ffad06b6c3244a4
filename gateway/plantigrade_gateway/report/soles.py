"""Soles as pictures (SVG): what lies on each zone, darker where more does. For paper.

Darkness is the pressure of a zone against the highest in the picture: it says where, not how much.
The outline is drawn by us and is no measured foot.
"""

from collections.abc import Iterable, Sequence
from math import pi, sqrt

from plantigrade.block import Foot
from plantigrade.zones import ZoneLayout

_MEDIAL = ((-0.01, 0.38), (0.03, 0.17), (0.15, 0.13), (0.3, 0.17), (0.45, 0.19), (0.58, 0.11))
_MEDIAL_TOES = ((0.7, 0.05), (0.82, 0.07), (0.92, 0.12), (0.98, 0.24))
_LATERAL = ((0.98, 0.42), (0.93, 0.58), (0.86, 0.74), (0.76, 0.88), (0.64, 0.95), (0.52, 0.93))
_LATERAL_HEEL = ((0.4, 0.87), (0.28, 0.85), (0.15, 0.87), (0.03, 0.83), (-0.01, 0.62))
_OUTLINE = (*_MEDIAL, *_MEDIAL_TOES, *_LATERAL, *_LATERAL_HEEL)
"""Of a right sole: y and x, fractions of length and width from the heel and the medial edge."""
_ROUNDINGS = 3
_EDGE_MM = 4.0
_GAP_MM = 14.0
_FAINT = 0.03
"""A zone under this part of the highest is left white."""

Readings = Sequence[float]
"""A value a zone, in the layout's order; NaN: missing."""


def sole(layout: ZoneLayout, foot: Foot, readings: Readings, highest: float) -> str:
    """Return a picture of one sole, seen from above, toes up.

    Parameters
    ----------
    layout : ZoneLayout
    foot : Foot
    readings : sequence of float, one a zone
        Pressure, or force where the layout says so; a missing one leaves its zone hatched.
    highest : float
        What is drawn darkest.
    """
    return _picture(_width_mm(layout), layout, _sole(layout, foot, readings, highest, 0.0))


def pair(layout: ZoneLayout, left: Readings, right: Readings, highest: float) -> str:
    """Return a picture of both soles side by side, the left one left."""
    at = layout.width_mm + _GAP_MM
    parts = [
        *_sole(layout, Foot.LEFT, left, highest, 0.0),
        *_sole(layout, Foot.RIGHT, right, highest, at),
    ]
    return _picture(at + _width_mm(layout), layout, parts)


def _width_mm(layout: ZoneLayout) -> float:
    return layout.width_mm + 2.0 * _EDGE_MM


def _picture(width_mm: float, layout: ZoneLayout, parts: Iterable[str]) -> str:
    height_mm = layout.length_mm + 2.0 * _EDGE_MM
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width_mm:g} {height_mm:g}">'
        '<defs><pattern id="none" width="4" height="4" patternUnits="userSpaceOnUse">'
        '<path d="M0 4 4 0" stroke="#888" stroke-width=".6"/></pattern></defs>'
        f"{''.join(parts)}</svg>"
    )


def _sole(
    layout: ZoneLayout, foot: Foot, readings: Readings, highest: float, at_mm: float
) -> list[str]:
    def place(x: float, y: float) -> tuple[float, float]:
        across = x if foot is Foot.RIGHT else 1.0 - x
        return (
            at_mm + _EDGE_MM + across * layout.width_mm,
            _EDGE_MM + (1.0 - y) * layout.length_mm,
        )

    points = [place(x, y) for y, x in _OUTLINE]
    for _ in range(_ROUNDINGS):
        points = _rounded(points)
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    parts = [f'<polygon points="{path}" fill="#fff" stroke="#1d2b3a" stroke-width="1.6"/>']
    zones = zip(layout.x, layout.y, layout.area_mm2, readings, strict=True)
    for zone_x, zone_y, area_mm2, value in zones:
        x, y = place(float(zone_x), float(zone_y))
        radius = sqrt(float(area_mm2) / pi)
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" {_fill(value, highest)}/>'
        )
    return parts


def _fill(value: float, highest: float) -> str:
    if value != value:
        return 'fill="url(#none)"'
    part = min(max(value / highest, 0.0), 1.0) if highest > 0.0 else 0.0
    if part < _FAINT:
        return 'fill="none" stroke="#c4ccd4" stroke-width=".8"'
    return f'fill="#123a63" fill-opacity="{part:.2f}" stroke="#c4ccd4" stroke-width=".8"'


def _rounded(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Cut every corner twice (Chaikin 1974)."""
    found = []
    for (x, y), (nx, ny) in zip(points, [*points[1:], points[0]], strict=True):
        found.append((0.75 * x + 0.25 * nx, 0.75 * y + 0.25 * ny))
        found.append((0.25 * x + 0.75 * nx, 0.25 * y + 0.75 * ny))
    return found
