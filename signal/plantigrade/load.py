"""Load, regional load and centre of pressure: what a foot's zones say together."""

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import N_COLUMNS, Column, FloatArray, LoadBlock, PressureBlock
from plantigrade.errors import SampleError
from plantigrade.zones import REGIONS, ZoneLayout

_MIDFOOT_ZONES = int(Column.MIDFOOT_ZONES)
CONTACT_KPA = 5.0
"""A midfoot zone is in contact above this; layouts in N: the force it makes on the zone."""


class LoadReducer:
    """Reduce zone readings to the load columns of `plantigrade.block.Column`.

    Parameters
    ----------
    layout : ZoneLayout
    gain : float
        The foot's gain from one-leg stands (`plantigrade.calibrate`), 1 if not calibrated.
    excluded : sequence of int
        Zone indices left out (stuck or dead): the rest of their region stands in for them, its
        load scaled by the region's whole area over the area that is left. A region whose zones
        are all left out reads 0.
    """

    def __init__(
        self, layout: ZoneLayout, gain: float = 1.0, excluded: tuple[int, ...] = ()
    ) -> None:
        self.layout = layout
        newtons = layout.newtons_per_unit * gain
        newtons[list(excluded)] = 0.0
        for k in range(len(REGIONS)):
            zones = layout.region == k
            left = zones & (newtons > 0.0)
            if excluded and np.any(left):
                newtons[left] *= layout.area_mm2[zones].sum() / layout.area_mm2[left].sum()
        self._excluded = list(excluded)
        weights = np.zeros((layout.n_zones, _MIDFOOT_ZONES))
        weights[np.arange(layout.n_zones), layout.region] = newtons
        weights[:, Column.MOMENT_X] = newtons * layout.x
        weights[:, Column.MOMENT_Y] = newtons * layout.y
        midfoot, medial = layout.region == Column.MIDFOOT, layout.x < 0.5
        weights[:, Column.MIDFOOT_MEDIAL] = newtons * (midfoot & medial)
        self._weights = weights
        self._midfoot: NDArray[np.int64] = np.setdiff1d(
            layout.zones_of("midfoot"), np.array(excluded, dtype=np.int64)
        )
        per_kpa = 1.0 if layout.unit == "kPa" else layout.area_mm2[self._midfoot] / 1000.0
        self._contact = CONTACT_KPA * per_kpa

    def reduce(self, block: PressureBlock) -> LoadBlock:
        """Reduce a block of one foot.

        Returns
        -------
        LoadBlock
            Same times; a row in which any zone in use is NaN is NaN throughout.

        Raises
        ------
        SampleError
            The block has another number of zones than the layout.
        """
        pressure = block.pressure
        if pressure.shape[1] != self.layout.n_zones:
            raise SampleError(
                f"{block.foot} foot: {pressure.shape[1]} zones, expected the "
                f"{self.layout.n_zones} of layout {self.layout.name}"
            )
        if self._excluded:  # nought times a missing reading is not nought
            pressure = pressure.copy()
            pressure[:, self._excluded] = 0.0
        values = np.empty((len(pressure), N_COLUMNS))
        # einsum, not @: its sum over one row never depends on how many rows are in the call
        values[:, :_MIDFOOT_ZONES] = np.einsum("ij,jk->ik", pressure, self._weights)
        in_contact = pressure.take(self._midfoot, axis=1) > self._contact
        values[:, _MIDFOOT_ZONES] = (
            np.add.reduce(in_contact, axis=1) + 0.0 * values[:, 0]
        )  # NaN where the row is
        return LoadBlock(block.foot, block.t_s, values)


def total_load(values: FloatArray) -> FloatArray:
    """Return the load of one foot, N, shape (n,), from load columns (n, 8); NaN where missing."""
    load: FloatArray = values[:, 0] + values[:, 1] + values[:, 2] + values[:, 3]
    return load


def centre_of_pressure(values: FloatArray, least_n: float) -> FloatArray:
    """Return the CoP of one foot as fractions of width and length.

    CoP = Σ force × position / Σ force (textbook definition).

    Parameters
    ----------
    values : ndarray, shape (n, 8)
        Load columns.
    least_n : float
        Load under which the CoP is undefined, N.

    Returns
    -------
    ndarray of float64, shape (n, 2)
        x, y; NaN where undefined or missing, clipped to the insole (noise about an empty zone can
        carry the ratio over its edge).
    """
    load = total_load(values)
    with np.errstate(invalid="ignore"):
        enough = load >= max(least_n, 1e-9)
    out = np.full((len(values), 2), np.nan)
    rows = values[enough]
    out[enough] = rows[:, Column.MOMENT_X : Column.MOMENT_Y + 1] / load[enough, None]
    cop: FloatArray = np.clip(out, 0.0, 1.0)
    return cop


def share(lead_n: FloatArray, trail_n: FloatArray, least_n: float) -> FloatArray:
    """Return the lead share lead / (lead + trail), shape (n,).

    NaN where a foot is missing or both together carry less than `least_n`; kept in 0…1, since noise
    about an empty foot can be negative.
    """
    total = lead_n + trail_n
    s = lead_n / np.where(total >= least_n, total, np.nan)
    return np.minimum(np.maximum(s, 0.0), 1.0)


def body_weight_n(left_n: FloatArray, right_n: FloatArray, rate_hz: float) -> float | None:
    """Return body weight as the insoles see it: the level both feet's load keeps about.

    The mean of the summed vertical force over whole strides, or while standing, is body weight
    (identity of mechanics). Taken here as the median of 2 s means, those under half of the 90th
    percentile (feet in the air) left out, so that it needs no events.

    Parameters
    ----------
    left_n, right_n : ndarray of float64, shape (n,)
        Load of each foot, N; NaN where missing.
    rate_hz : float

    Returns
    -------
    float or None
        N; None where fewer than 2 s are loaded.
    """
    total = left_n + right_n
    width = max(1, round(2.0 * rate_hz))
    pieces = total[: len(total) // width * width].reshape(-1, width)
    means = pieces.mean(axis=1)
    means = means[np.isfinite(means)]
    if len(means) == 0 or (top := float(np.percentile(means, 90))) < 50.0:
        return None
    return float(np.median(means[means >= 0.5 * top]))
