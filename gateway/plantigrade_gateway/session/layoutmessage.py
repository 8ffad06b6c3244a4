"""A zone layout as the pages draw it."""

from typing import Any

from plantigrade.zones import REGIONS, ZoneLayout


def layout_message(layout: ZoneLayout) -> dict[str, Any]:
    """Return a layout as JSON values: its size in mm, its zones as fractions of it."""
    rows = zip(layout.region, layout.x, layout.y, layout.area_mm2, strict=True)
    return {
        "name": layout.name,
        "unit": layout.unit,
        "length_mm": layout.length_mm,
        "width_mm": layout.width_mm,
        "zones": [
            {
                "id": number,
                "region": REGIONS[int(region)],
                "x": float(x),
                "y": float(y),
                "area_mm2": float(area),
            }
            for number, (region, x, y, area) in enumerate(rows, 1)
        ],
    }
