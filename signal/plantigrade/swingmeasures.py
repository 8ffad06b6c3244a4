"""What a swing's rows come to between its moments: shares, rises and travel of load.

Pure functions of load columns that were cut to the rows in question. None where one of them is
missing: a number over a gap would be a guess.
"""

import numpy as np

from plantigrade.block import Column, FloatArray
from plantigrade.load import total_load
from plantigrade.onset import smooth

RISE_S = 0.050
"""The steepest rise is taken over this long, s (design §5)."""


def heel_share(values: FloatArray, least_n: float) -> float | None:
    """Return the heel's share of a foot's own load.

    Parameters
    ----------
    values : ndarray of float64, shape (n, ≥ 4)
        Load columns.
    least_n : float
        Mean load under which there is no share, N.

    Returns
    -------
    float or None
        Of the mean loads, 0 to 1; None without rows, with a missing one, or under `least_n`.
    """
    if len(values) == 0 or np.isnan(values[:, 0]).any():
        return None
    load = float(total_load(values).mean())
    if load < least_n:
        return None
    return float(np.clip(values[:, Column.HEEL].mean() / load, 0.0, 1.0))


def steepest_rise(t_s: FloatArray, load_n: FloatArray) -> float | None:
    """Return a load's steepest rise over `RISE_S`, N/s, of rows as they came.

    Parameters
    ----------
    t_s, load_n : ndarray of float64, shape (n,)

    Returns
    -------
    float or None
        The largest of the mean slopes over the time before each row; negative where it only falls.
        None where the rows are shorter than that time, or one is missing.
    """
    if len(t_s) < 2 or np.isnan(load_n).any():
        return None
    later = t_s - RISE_S >= t_s[0] - 1e-9
    if not later.any():
        return None
    before = np.interp(t_s[later] - RISE_S, t_s, load_n)
    return float((load_n[later] - before).max()) / RISE_S


def impulse_share(even: FloatArray, column: Column, first: float, last: float) -> float | None:
    """Return a region's share of a foot's impulse between two fractional rows.

    Parameters
    ----------
    even : ndarray of float64, shape (n, ≥ 4)
        Load columns, evenly spaced, straight between rows, none missing.
    column : Column
    first, last : float

    Returns
    -------
    float or None
        0 to 1; None where no time lies between.
    """
    if last <= first:
        return None
    inner = np.arange(np.floor(first) + 1.0, np.ceil(last))
    at = np.concatenate(([first], inner, [last]))
    rows = np.arange(len(even), dtype=np.float64)
    part = np.interp(at, rows, even[:, column])
    whole = np.interp(at, rows, total_load(even))
    share = np.trapezoid(part, at) / np.trapezoid(whole, at)
    return float(np.clip(share, 0.0, 1.0))


def travel_of(
    feet: tuple[FloatArray, ...], half: int, least_n: float, keep: np.ndarray | None = None
) -> float | None:
    """Return the front-to-back travel of the CoP of one foot, or of both together.

    Parameters
    ----------
    feet : tuple of ndarray of float64, shape (n, ≥ 6)
        Load columns of the same rows; of two feet the CoP is load-weighted.
    half : int
        Half width of the smoothing, rows.
    least_n : float
        Load under which there is no CoP, N; such rows are left out.
    keep : ndarray of bool, shape (n,), optional
        Which rows count.

    Returns
    -------
    float or None
        Foremost less rearmost, fraction of length; None where a row is missing or no CoP is left.
    """
    if len(feet[0]) == 0 or any(np.isnan(values[:, 0]).any() for values in feet):
        return None
    even = smooth(np.add.reduce([values[:, :6] for values in feet]), half)
    load = total_load(even)
    there = load >= max(least_n, 1e-9)
    if keep is not None:
        there &= keep
    if not there.any():
        return None
    y = np.clip(even[there, Column.MOMENT_Y] / load[there], 0.0, 1.0)
    return float(y.max() - y.min())
