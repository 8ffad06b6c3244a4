"""What the page for the player is drawn from: each foot's zones standing, and in three moments.

Zones are as the insole's calibration reads them; a laced shoe's own press is in them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.frames import net_rows

Pair = tuple[FloatArray, FloatArray]
"""Zones of the left and of the right foot, shape (zones,) each; NaN: missing."""


@dataclass(frozen=True, slots=True, eq=False)
class PageRows:
    """Readings for the page's pictures.

    Attributes
    ----------
    layout : ZoneLayout
    standing : Pair or None
        Means over the stands; None without a row in them.
    moments : tuple of Pair
        As many as were asked for, or none where one lies in no row.
    """

    layout: ZoneLayout
    standing: Pair | None
    moments: tuple[Pair, ...]


def highest(*pairs: Pair) -> float:
    """Return the highest reading of both feet, 0 without any."""
    found = [float(np.nanmax(side)) for p in pairs for side in p if np.isfinite(side).any()]
    return max(found, default=0.0)


def page_rows(
    batches: Iterable[Batch], stands: Sequence[tuple[float, float]], moments: Sequence[float]
) -> PageRows:
    """Read the pictures' numbers out of a record.

    Parameters
    ----------
    batches : iterable of Batch
        The whole record in order.
    stands : sequence of tuple of float
        From when to when, session time, s.
    moments : sequence of float
        Session times, s; of each the row that is nearest, half a tenth of a second off at most; of
        two as near the earlier.
    """
    settings = SessionSettings()
    standing: list[Pair] = []
    found: dict[int, tuple[float, Pair]] = {}
    last_s = max([*moments, *(end for _, end in stands)], default=0.0) + _NEAR_S
    for in_force, _, zones, _ in net_rows(batches):
        settings = in_force
        for start, end in stands:
            inside = (zones.t_s >= start) & (zones.t_s <= end)
            if inside.any():
                standing.append((zones.left[inside], zones.right[inside]))
        for k, t_s in enumerate(moments):
            row = int(np.argmin(np.abs(zones.t_s - t_s)))
            off = abs(float(zones.t_s[row]) - t_s)
            if off < found[k][0] if k in found else off <= _NEAR_S:
                found[k] = off, (zones.left[row], zones.right[row])
        if float(zones.t_s[-1]) > last_s:
            break
    return PageRows(
        settings.zone_layout(),
        _mean(standing),
        tuple(found[k][1] for k in range(len(moments))) if len(found) == len(moments) else (),
    )


_NEAR_S = 0.05


def _mean(parts: Sequence[Pair]) -> Pair | None:
    if not parts:
        return None
    left, right = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    return _column_mean(left), _column_mean(right)


def _column_mean(rows: FloatArray) -> FloatArray:
    """Return each column's mean without its missing rows; NaN where all are missing."""
    there = np.isfinite(rows)
    count = there.sum(0)
    total = np.where(there, rows, 0.0).sum(0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
