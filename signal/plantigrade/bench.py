"""Curves from the bench: what each zone read at known pressures."""

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import FULL_SCALE, Calibration
from plantigrade.errors import CalibrationError


def bench_calibration(
    foot: Foot,
    kpa: FloatArray,
    counts: FloatArray,
    full_scale: int = FULL_SCALE,
    note: str = "bench",
) -> Calibration:
    """Return the calibration of zones that were pressed one by one at the bench, with gain 1.

    Parameters
    ----------
    foot : Foot
    kpa : ndarray of float64, shape (k,)
        Pressures, rising from 0.
    counts : ndarray of float64, shape (n_zones, k)
        What each zone read at them.
    full_scale : int
    note : str

    Returns
    -------
    Calibration
        Each zone's curve goes straight through its readings; its knots are every count that was
        read in some zone, above that zone's zero.

    Raises
    ------
    CalibrationError
        Pressures that do not rise from 0, or a zone that reads no more at a higher one.
    """
    if len(kpa) < 2 or kpa[0] != 0.0 or not np.all(np.diff(kpa) > 0.0):
        raise CalibrationError(f"{foot} foot: expected at least 2 pressures that rise from 0 kPa")
    if not (np.isfinite(counts).all() and counts.min() >= 0.0 and counts.max() <= full_scale):
        raise CalibrationError(f"{foot} foot: expected counts of 0 to {full_scale}")
    falls = np.diff(counts, axis=1) <= 0.0
    if falls.any():
        zone, k = (int(i) for i in np.argwhere(falls)[0])
        raise CalibrationError(
            f"{foot} foot: zone {zone + 1} reads {counts[zone, k]:g} counts at {kpa[k]:g} kPa and "
            f"{counts[zone, k + 1]:g} at {kpa[k + 1]:g} kPa, expected more"
        )
    above = counts - counts[:, :1]
    knots = np.unique(above)
    pressure = np.array([np.interp(knots, row, kpa) for row in above])
    return Calibration(foot, knots, pressure, counts[:, 0], note=note, full_scale=full_scale)
