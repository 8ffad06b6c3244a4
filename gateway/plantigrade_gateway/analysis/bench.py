"""A bench's readings as a file: text → each foot's curve (`hardware_notes/calibration.md` §1)."""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration, bench_calibration
from plantigrade.errors import CalibrationError, shown
from plantigrade_gateway.errors import InputError

COLUMNS = ("foot", "zone", "kpa", "up", "down")


@dataclass(frozen=True, slots=True, eq=False)
class BenchCurve:
    """What a foot's zones read at the bench.

    Attributes
    ----------
    calibration : Calibration
        The mean of loading and unloading.
    hysteresis_percent : float or None
        The greatest pressure between the curves of loading and unloading, % of the highest; None
        where there was no unloading.
    """

    calibration: Calibration
    hysteresis_percent: float | None


_Reading = tuple[float, float | None]
_Zones = dict[int, dict[float, _Reading]]


def read_bench(
    text: str, source: str, scales: Mapping[Foot, tuple[int, int]]
) -> dict[Foot, BenchCurve]:
    """Read a bench file.

    Parameters
    ----------
    text : str
        CSV with the columns of `COLUMNS`: a row for each zone and pressure, with the counts read
        while loading and (may be empty) while unloading.
    source : str
        Named in errors.
    scales : mapping of Foot to (int, int)
        Zones and full scale of each foot's insole.

    Raises
    ------
    InputError
        One sentence: which row or zone cannot be, and what was expected.
    """
    try:
        lines = list(csv.reader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise InputError(f"{source}: is no CSV: {shown(str(error))}") from error
    names = [name.strip().lower() for name in lines[0]] if lines else []
    if sorted(names) != sorted(COLUMNS):
        raise InputError(f"{source}: expected the columns {', '.join(COLUMNS)} in the first line")
    found: dict[Foot, _Zones] = {}
    for n, line in enumerate(lines[1:], 2):
        if len(line) not in (0, len(names)):
            raise InputError(f"{source}: line {n}: {len(line)} values, expected {len(names)}")
        if line:
            _take(found, dict(zip(names, line, strict=True)), f"{source}: line {n}")
    if not found:
        raise InputError(f"{source}: holds no reading")
    return {foot: _curve(foot, zones, source, scales) for foot, zones in found.items()}


def _take(found: dict[Foot, _Zones], row: dict[str, str], where: str) -> None:
    try:
        foot = Foot(row["foot"].strip().lower())
    except ValueError:
        raise InputError(f"{where}: foot is {shown(row['foot'])}, expected left or right") from None
    zone, kpa = _number(row, "zone", where), _number(row, "kpa", where)
    if zone is None or kpa is None or not zone.is_integer():
        raise InputError(f"{where}: expected a zone and a pressure")
    up, down = _number(row, "up", where), _number(row, "down", where)
    if up is None:
        raise InputError(f"{where}: up is empty, expected the counts read while loading")
    readings = found.setdefault(foot, {}).setdefault(int(zone), {})
    if kpa in readings:
        raise InputError(f"{where}: zone {int(zone)} was read at {kpa:g} kPa before")
    readings[kpa] = (up, down)


def _number(row: dict[str, str], name: str, where: str) -> float | None:
    text = row[name].strip()
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    if not 0.0 <= value <= 1e6:
        raise InputError(f"{where}: {name} is {shown(text)}, expected a number from 0 on")
    return value


def _curve(
    foot: Foot, zones: _Zones, source: str, scales: Mapping[Foot, tuple[int, int]]
) -> BenchCurve:
    if foot not in scales:
        raise InputError(f"{source}: no {foot} insole is remembered: see plantigrade pair")
    n_zones, full_scale = scales[foot]
    if set(zones) != set(range(1, n_zones + 1)):
        raise InputError(
            f"{source}: {foot} foot: has zones {_said(zones)}, expected 1 to {n_zones}"
        )
    pressures = sorted(zones[1])
    for zone, readings in zones.items():
        if sorted(readings) != pressures:
            raise InputError(
                f"{source}: {foot} foot: zone {zone} was read at other pressures than zone 1"
            )
    kpa = np.array(pressures)
    both = [[zones[zone][p] for p in pressures] for zone in sorted(zones)]
    up = np.array([[reading[0] for reading in row] for row in both])
    down = np.array([[up if down is None else down for up, down in row] for row in both])
    has_down = any(down is not None for row in both for _, down in row)
    try:
        made = bench_calibration(
            foot,
            kpa,
            (up + down) / 2.0,
            full_scale,
            f"bench curve of {len(kpa)} pressures, not fitted to the player",
        )
    except CalibrationError as error:
        raise InputError(f"{source}: {error}") from error
    wide = np.nan
    if has_down:
        wide = max(
            float(np.abs(np.interp(b, a_up, kpa) - kpa).max())
            for a_up, b in zip(up, down, strict=True)
        )
    return BenchCurve(made, 100.0 * wide / kpa[-1] if has_down else None)


def _said(zones: _Zones) -> str:
    text = ", ".join(str(zone) for zone in sorted(zones)[:8])
    return f"{text} …" if len(zones) > 8 else text
