"""Count, mean and spread of a list of measures, some of which may be absent."""

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

from plantigrade.errors import SampleError


@dataclass(frozen=True, slots=True)
class Stat:
    """How often something was measured, its mean and its spread.

    Attributes
    ----------
    count : int
        Values present.
    mean : float or None
        None without values.
    sd : float or None
        Sample standard deviation (÷ count − 1); None under two values.
    """

    count: int
    mean: float | None
    sd: float | None


def stat_of(values: Iterable[float | None]) -> Stat:
    """Summarise values, leaving out the absent ones.

    Parameters
    ----------
    values : iterable of float or None
        In any order: the result is that of exactly rounded sums.

    Returns
    -------
    Stat

    Raises
    ------
    SampleError
        A value is NaN or infinite: absent values are None.
    """
    there = _there(values)
    n = len(there)
    if n == 0:
        return Stat(0, None, None)
    mean = math.fsum(there) / n
    if n == 1:
        return Stat(1, mean, None)
    return Stat(n, mean, math.sqrt(math.fsum((v - mean) ** 2 for v in there) / (n - 1)))


def less(a: float | None, b: float | None) -> float | None:
    """Return a − b; None where one is absent."""
    return None if a is None or b is None else a - b


def median_of(values: Iterable[float | None]) -> float | None:
    """Return the median of the values that are there; None without any.

    Raises
    ------
    SampleError
        As `stat_of`.
    """
    there = _there(values)
    return statistics.median(there) if there else None


def _there(values: Iterable[float | None]) -> list[float]:
    there = [float(v) for v in values if v is not None]
    for v in there:
        if not math.isfinite(v):
            raise SampleError(f"a measure is {v}, expected a finite number or None")
    return there
