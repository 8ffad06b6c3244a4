"""A zone CSV analysed as the command does it, in pieces of any size."""

from pathlib import Path

from plantigrade.zones import ZoneLayout
from plantigrade_gateway.analysis import zonecsv
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.sources.zonecsv import iter_zone_csv, scan_zone_csv


def analyse_csv(
    path: Path,
    layout: ZoneLayout,
    mass_kg: float | None = None,
    handed: str = "right",
    rows: int = 65536,
) -> Analysis:
    """Analyse a zone CSV, `rows` at a time."""
    facts = scan_zone_csv(path, layout)
    return zonecsv.analyse_csv(
        path.name,
        layout,
        facts,
        lambda: iter_zone_csv(path, layout, rows, facts),
        mass_kg,
        handed,
    )
