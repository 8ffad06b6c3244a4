"""How far a measure can be trusted: mean squares and correlations of repeats, a count's interval.

Takes tables of repeated measures, gives mean squares and ICC; of pairs, their limits of agreement;
of a count, its binomial interval.
SEM, MDC95 and what may be said of a difference are `plantigrade.change`.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError
from plantigrade.stat import stat_of

_Z95 = 1.959963984540054
"""The 97.5 % quantile of the normal distribution, all digits of a float (`scipy.special.ndtri`)."""


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
class Proportion:
    """A count out of n with its Wilson interval; share and interval are None for n = 0."""

    count: int
    n: int
    share: float | None
    low: float | None
    high: float | None

    @property
    def beside_half(self) -> int | None:
        """1 with the whole interval over a half, -1 under it, 0 while it holds it; None for n = 0.

        What holds of most is told by this, never by the share.
        """
        if self.low is None or self.high is None:
            return None
        return 1 if self.low > 0.5 else -1 if self.high < 0.5 else 0


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


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far two measurements of the same things lie apart (Bland & Altman 1986).

    Attributes
    ----------
    n : int
        Pairs.
    bias : float
        Mean of second less first.
    sd : float
        Of the differences.
    low, high : float
        Limits of agreement: 95 % of differences lie between, if they are normal.
    """

    n: int
    bias: float
    sd: float
    low: float
    high: float


def agreement(first: Sequence[float], second: Sequence[float]) -> Agreement:
    """Return the limits of agreement of pairs, bias ± 1.96 SD (Lancet 1986, i:307–310).

    Parameters
    ----------
    first, second : sequence of float
        The same things in the same order.

    Raises
    ------
    SampleError
        Fewer than two pairs, unequal numbers, or a value that is NaN or infinite.
    """
    if len(first) != len(second) or len(first) < 2:
        raise SampleError(f"{len(first)} and {len(second)} values, expected two or more pairs")
    differences = stat_of(b - a for a, b in zip(first, second, strict=True))
    assert differences.mean is not None and differences.sd is not None
    half = _Z95 * differences.sd
    bias = differences.mean
    return Agreement(differences.count, bias, differences.sd, bias - half, bias + half)


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
    z = _Z95
    p = count / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    low = 0.0 if count == 0 else middle - half
    high = 1.0 if count == n else middle + half
    return Proportion(count, n, p, low, high)


def proportion_of(facts: Iterable[bool | None]) -> Proportion:
    """Return how many facts hold, of those that are known."""
    known = [fact for fact in facts if fact is not None]
    return proportion(sum(known), len(known))


def _ratio(over: float, under: float) -> float | None:
    return over / under if under != 0.0 else None
