"""How far a measure can be trusted: measuring error, agreement, intervals.

Takes tables of repeated measures, gives mean squares, SEM, MDC95, ICC, limits of agreement and
binomial intervals. What may be said of a difference is `plantigrade.change`.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError

Z95 = 1.96
"""The normal deviate as Weir 2005 and Bland & Altman 1986 round it."""


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of `n` subjects measured `k` times each (Shrout & Fleiss 1979).

    Attributes
    ----------
    n, k : int
        Subjects (rows) and repeats (columns).
    subjects : float
        Between subjects (BMS), n − 1 degrees of freedom.
    within : float
        Within subjects (WMS), n (k − 1).
    repeats : float
        Between repeats (JMS), k − 1.
    error : float
        What neither explains (EMS), (n − 1)(k − 1).
    """

    n: int
    k: int
    subjects: float
    within: float
    repeats: float
    error: float


@dataclass(frozen=True, slots=True)
class Icc:
    """Intraclass correlations of single measures and of means of k; None where undefined."""

    icc_1_1: float | None
    icc_2_1: float | None
    icc_3_1: float | None
    icc_1_k: float | None
    icc_2_k: float | None
    icc_3_k: float | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """Limits of agreement between two ways of measuring (Bland & Altman 1986).

    Attributes
    ----------
    n : int
    bias, sd : float
        Mean and SD of a − b.
    lower, upper : float
        bias ± z · sd.
    bias_ci, lower_ci, upper_ci : tuple of float
        95 % intervals by Student's t; the limits' standard error is √(3 sd² / n).
    """

    n: int
    bias: float
    sd: float
    lower: float
    upper: float
    bias_ci: tuple[float, float]
    lower_ci: tuple[float, float]
    upper_ci: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Proportion:
    """A count out of n with its Wilson interval; share and interval are None for n = 0."""

    count: int
    n: int
    share: float | None
    low: float | None
    high: float | None


def mean_squares(scores: FloatArray) -> MeanSquares:
    """Split the variance of a two-way table.

    Parameters
    ----------
    scores : ndarray of float64, shape (n, k)
        A row per subject (or per condition of one player), a column per repeat; n, k ≥ 2.

    Returns
    -------
    MeanSquares

    Raises
    ------
    SampleError
        Fewer than two rows or columns, or a value that is missing or infinite.
    """
    if scores.ndim != 2 or min(scores.shape) < 2:
        raise SampleError(f"repeats of shape {scores.shape}, expected 2 or more rows and columns")
    bad = np.argwhere(~np.isfinite(scores))
    if len(bad):
        row, column = bad[0] + 1
        raise SampleError(f"repeats: row {row} column {column} is missing, expected a number")
    n, k = scores.shape
    # About the grand mean, so that a large common level costs no digits.
    about = scores - scores.mean()
    rows, columns = about.mean(axis=1), about.mean(axis=0)
    left = about - rows[:, None] - columns[None, :]
    return MeanSquares(
        n=n,
        k=k,
        subjects=float(k * np.sum(rows**2) / (n - 1)),
        within=float(np.sum((about - rows[:, None]) ** 2) / (n * (k - 1))),
        repeats=float(n * np.sum(columns**2) / (k - 1)),
        error=float(np.sum(left**2) / ((n - 1) * (k - 1))),
    )


def sem(scores: FloatArray) -> float:
    """Return the standard error of measurement, √(error mean square), of `mean_squares`' table.

    Weir 2005, J Strength Cond Res 19(1):231–240, p. 236.
    """
    return math.sqrt(mean_squares(scores).error)


def mdc95(sem: float) -> float:
    """Return the smallest difference of two measures beyond error, 1.96 · √2 · SEM (Weir 2005)."""
    return Z95 * math.sqrt(2.0) * sem


def icc(scores: FloatArray) -> Icc:
    """Return the six intraclass correlations of Shrout & Fleiss 1979 (Psychol Bull 86:420–428).

    Parameters
    ----------
    scores : ndarray of float64, shape (n, k)
        As for `mean_squares`.

    Returns
    -------
    Icc
        Forms: 1 = one-way, 2 = two-way random (absolute agreement), 3 = two-way mixed
        (consistency). None where the denominator is 0, as in a table without variance.

    Raises
    ------
    SampleError
        As `mean_squares`.
    """
    ms = mean_squares(scores)
    n, k = ms.n, ms.k
    b, w, j, e = ms.subjects, ms.within, ms.repeats, ms.error
    return Icc(
        icc_1_1=_ratio(b - w, b + (k - 1) * w),
        icc_2_1=_ratio(b - e, b + (k - 1) * e + k * (j - e) / n),
        icc_3_1=_ratio(b - e, b + (k - 1) * e),
        icc_1_k=_ratio(b - w, b),
        icc_2_k=_ratio(b - e, b + (j - e) / n),
        icc_3_k=_ratio(b - e, b),
    )


def agreement(a: FloatArray, b: FloatArray, z: float = Z95) -> Agreement:
    """Return the limits of agreement of paired measures (Bland & Altman 1986, Lancet 327:307–310).

    Parameters
    ----------
    a, b : ndarray of float64, shape (n,)
        The same n ≥ 2 things measured both ways.
    z : float
        Half-width of the limits in SDs: 1.96, or 2 as the paper's example rounds it.

    Returns
    -------
    Agreement

    Raises
    ------
    SampleError
        Unequal lengths, fewer than two pairs, or a value that is missing or infinite.
    """
    if a.ndim != 1 or a.shape != b.shape or len(a) < 2:
        raise SampleError(f"pairs of shapes {a.shape} and {b.shape}, expected (n,) twice, n ≥ 2")
    d = a - b
    bad = np.flatnonzero(~np.isfinite(d))
    if len(bad):
        raise SampleError(f"pair {bad[0] + 1} has a missing value, expected two numbers")
    n = len(d)
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = float(stdtrit(n - 1, 0.975))
    bias_half, limit_half = t * sd / math.sqrt(n), t * sd * math.sqrt(3.0 / n)
    lower, upper = bias - z * sd, bias + z * sd
    return Agreement(
        n=n,
        bias=bias,
        sd=sd,
        lower=lower,
        upper=upper,
        bias_ci=(bias - bias_half, bias + bias_half),
        lower_ci=(lower - limit_half, lower + limit_half),
        upper_ci=(upper - limit_half, upper + limit_half),
    )


def proportion(count: int, n: int) -> Proportion:
    """Return count / n with its 95 % score interval (Wilson 1927, J Am Stat Assoc 22:209–212).

    Parameters
    ----------
    count, n : int
        ``0 ≤ count ≤ n``.

    Returns
    -------
    Proportion

    Raises
    ------
    SampleError
        Counts out of order.
    """
    if not 0 <= count <= n:
        raise SampleError(f"{count} of {n}, expected a count from 0 to the number tried")
    if n == 0:
        return Proportion(0, 0, None, None, None)
    z = float(ndtri(0.975))
    p = count / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    low = 0.0 if count == 0 else middle - half
    high = 1.0 if count == n else middle + half
    return Proportion(count, n, p, low, high)


def _ratio(over: float, under: float) -> float | None:
    return over / under if under != 0.0 else None
