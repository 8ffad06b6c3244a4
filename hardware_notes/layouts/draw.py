"""Draw the built-in zone layout: ``python hardware_notes/layouts/draw.py`` writes eighteen.svg.

Both insoles as their wearer sees them from above, to scale (1 unit = 1 mm). A layout gives each
zone's centre and area, not its shape: a disc has a quarter of its zone's area, so that discs do
not touch.
"""

from math import pi, sqrt
from pathlib import Path

from plantigrade.zones import REGIONS, ZoneLayout, eighteen

MARGIN_MM = 14.0
BETWEEN_MM = 40.0
FILLS = {"heel": "#00224e", "midfoot": "#575d6d", "forefoot": "#a59c74", "toes": "#fee838"}
"""Four steps of a scale that is perceptually even (cividis), dark at the heel."""
INKS = {"heel": "#fff", "midfoot": "#fff", "forefoot": "#000", "toes": "#000"}
OUT = Path(__file__).resolve().parent / "eighteen.svg"


def draw(layout: ZoneLayout) -> str:
    """Return the drawing as SVG text."""
    width = 2 * (MARGIN_MM + layout.width_mm) + BETWEEN_MM
    height = layout.length_mm + 2 * MARGIN_MM
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{2 * width:g}" height="{2 * height:g}" '
        'font-family="sans-serif" font-size="8" text-anchor="middle">',
        f"<title>{layout.name}: {layout.n_zones} zones, {layout.length_mm:g} × "
        f"{layout.width_mm:g} mm, seen from above</title>",
        '<rect width="100%" height="100%" fill="#fff"/>',
    ]
    lines += foot(layout, "left", MARGIN_MM)
    lines += foot(layout, "right", MARGIN_MM + layout.width_mm + BETWEEN_MM)
    lines += names(layout, width / 2)
    return "\n".join([*lines, "</svg>", ""])


def foot(layout: ZoneLayout, side: str, at_mm: float) -> list[str]:
    """Return one insole, its left edge at `at_mm`; the left foot's medial edge is on its right."""
    middle = at_mm + layout.width_mm / 2
    lines = [
        f'<g id="{side}">',
        f'<rect x="{at_mm:g}" y="{MARGIN_MM:g}" width="{layout.width_mm:g}" '
        f'height="{layout.length_mm:g}" rx="40" fill="none" stroke="#999"/>',
        f'<text x="{middle:g}" y="{MARGIN_MM - 4:g}">{side}</text>',
    ]
    for zone in range(layout.n_zones):
        across = float(layout.x[zone]) * layout.width_mm
        x = at_mm + (across if side == "right" else layout.width_mm - across)
        y = MARGIN_MM + (1.0 - float(layout.y[zone])) * layout.length_mm
        radius = sqrt(float(layout.area_mm2[zone]) / pi) / 2
        region = REGIONS[layout.region[zone]]
        lines.append(
            f'<circle id="{side}-{zone + 1}" class="{region}" cx="{x:.2f}" cy="{y:.2f}" '
            f'r="{radius:.2f}" fill="{FILLS[region]}"/>'
            f'<text x="{x:.2f}" y="{y + 2.8:.2f}" fill="{INKS[region]}">{zone + 1}</text>'
        )
    return [*lines, "</g>"]


def names(layout: ZoneLayout, middle_mm: float) -> list[str]:
    """Return the regions' names between the feet, each at its zones' mean height."""
    lines = []
    for k, region in enumerate(REGIONS):
        zones = layout.y[layout.region == k]
        if len(zones):
            y = MARGIN_MM + (1.0 - float(zones.mean())) * layout.length_mm
            lines.append(f'<text x="{middle_mm:g}" y="{y:.2f}">{region}</text>')
    edges = f"{layout.length_mm:g} × {layout.width_mm:g} mm; medial edges face each other"
    y = layout.length_mm + 2 * MARGIN_MM - 4
    return [*lines, f'<text x="{middle_mm:g}" y="{y:g}" font-size="7">{edges}</text>']


if __name__ == "__main__":
    OUT.write_text(draw(eighteen()), "utf-8")
    print(OUT.name)
