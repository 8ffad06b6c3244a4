"""Where an insole's zones lie, and what one reading of a zone is worth in newtons."""

from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plantigrade.errors import ForeignError, LayoutError, shown
from plantigrade.foreign import read_toml

REGIONS = ("heel", "midfoot", "forefoot", "toes")
"""Region names, heel to toe; every array with a region axis is in this order."""

_TOP_KEYS = {"name", "unit", "length_mm", "width_mm", "zone"}
_ZONE_KEYS = {"id", "region", "x", "y", "area_mm2"}
_MAX_ZONES = 64


@dataclass(frozen=True, slots=True, eq=False)
class ZoneLayout:
    """A pressure insole's zones; both feet use the same table, the left being the mirror.

    Attributes
    ----------
    name : str
        The layout's own name.
    unit : str
        What one zone reading is in: ``"kPa"`` or ``"N"``.
    length_mm, width_mm : float
        Size of the insole the positions are fractions of, mm.
    region : ndarray of int64, shape (n_zones,)
        Index into `REGIONS` for each zone, in order of zone id.
    x : ndarray of float64, shape (n_zones,)
        0 at the medial edge, 1 at the lateral edge.
    y : ndarray of float64, shape (n_zones,)
        0 at the heel end, 1 at the toe end.
    area_mm2 : ndarray of float64, shape (n_zones,)
        Sensing area of each zone, mm².
    """

    name: str
    unit: str
    length_mm: float
    width_mm: float
    region: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    area_mm2: NDArray[np.float64]

    @property
    def n_zones(self) -> int:
        """Number of zones under one foot."""
        return len(self.region)

    @property
    def newtons_per_unit(self) -> NDArray[np.float64]:
        """Newtons for a reading of 1, shape (n_zones,): kPa × mm² / 1000, or 1 for layouts in N."""
        return self.area_mm2 / 1000.0 if self.unit == "kPa" else np.ones(self.n_zones)

    def zones_of(self, region: str) -> NDArray[np.int64]:
        """Return the indices (id − 1) of the zones of `region`; empty where it has none."""
        return np.flatnonzero(self.region == REGIONS.index(region))

    def to_json(self) -> dict[str, Any]:
        """Return JSON values: the size in mm, and each zone's place as fractions of it."""
        rows = zip(self.region, self.x, self.y, self.area_mm2, strict=True)
        return {
            "name": self.name,
            "unit": self.unit,
            "length_mm": self.length_mm,
            "width_mm": self.width_mm,
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


def _number(where: str, table: dict[str, object], key: str, low: float, high: float) -> float:
    value = table[key]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise LayoutError(f"{where}: {key} is {shown(value)}, expected a number")
    if not low <= float(value) <= high:
        raise LayoutError(f"{where}: {key} is {value}, expected {low:g} to {high:g}")
    return float(value)


def _check_keys(where: str, table: dict[str, object], wanted: set[str]) -> None:
    for key in table:
        if key not in wanted:
            raise LayoutError(
                f"{where}: unknown key {shown(key)}, expected {', '.join(sorted(wanted))}"
            )
    for key in sorted(wanted - set(table)):
        raise LayoutError(f"{where}: {key} is missing")


def parse_layout(text: str | bytes, source: str = "layout") -> ZoneLayout:
    """Read a layout from TOML text.

    Parameters
    ----------
    text : str or bytes
        TOML with ``name``, ``unit`` ("kPa" or "N", default "kPa"), ``length_mm``, ``width_mm`` and
        one ``[[zone]]`` per zone with ``id`` (1…n), ``region``, ``x``, ``y``, ``area_mm2``.
    source : str
        Named in error messages, usually the file.

    Returns
    -------
    ZoneLayout

    Raises
    ------
    LayoutError
        One sentence naming the source, the zone and what was expected.
    """
    try:
        table: dict[str, object] = read_toml(text, source)
    except ForeignError as error:
        raise LayoutError(str(error)) from error
    table.setdefault("unit", "kPa")
    _check_keys(source, table, _TOP_KEYS)
    if table["unit"] not in ("kPa", "N"):
        raise LayoutError(f'{source}: unit is {shown(table["unit"])}, expected "kPa" or "N"')
    zones = table["zone"]
    if not isinstance(zones, list) or not 1 <= len(zones) <= _MAX_ZONES:
        raise LayoutError(f"{source}: expected 1 to {_MAX_ZONES} [[zone]] tables")
    rows: dict[int, tuple[int, float, float, float]] = {}
    for n, zone in enumerate(zones, 1):
        where = f"{source}: zone table {n}"
        if not isinstance(zone, dict):
            raise LayoutError(f"{where}: expected a [[zone]] table")
        _check_keys(where, zone, _ZONE_KEYS)
        zone_id = zone["id"]
        if type(zone_id) is not int or not 1 <= zone_id <= len(zones) or zone_id in rows:
            raise LayoutError(
                f"{where}: id is {shown(zone_id)}, expected each of 1 to {len(zones)} once"
            )
        where = f"{source}: zone {zone_id}"
        if zone["region"] not in REGIONS:
            raise LayoutError(
                f"{where}: region is {shown(zone['region'])}, expected one of {', '.join(REGIONS)}"
            )
        rows[zone_id] = (
            REGIONS.index(zone["region"]),
            _number(where, zone, "x", 0.0, 1.0),
            _number(where, zone, "y", 0.0, 1.0),
            _number(where, zone, "area_mm2", 1.0, 1e5),
        )
    columns = list(zip(*(rows[k] for k in sorted(rows)), strict=True))
    region = np.array(columns[0], dtype=np.int64)
    for k, name in enumerate(REGIONS[:3]):
        if not np.any(region == k):
            raise LayoutError(f"{source}: no zone in region {name}; only toes may be missing")
    return ZoneLayout(
        name=str(table["name"]),
        unit=str(table["unit"]),
        length_mm=_number(source, table, "length_mm", 50.0, 500.0),
        width_mm=_number(source, table, "width_mm", 20.0, 250.0),
        region=region,
        x=np.array(columns[1]),
        y=np.array(columns[2]),
        area_mm2=np.array(columns[3]),
    )


@cache
def eighteen() -> ZoneLayout:
    """Return the built-in eighteen-zone layout (270 × 95 mm, six zones under the midfoot)."""
    text = (resources.files("plantigrade") / "layouts" / "eighteen.toml").read_text("utf-8")
    return parse_layout(text, "eighteen.toml")
