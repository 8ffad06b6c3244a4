"""Differences of two sets with their 95 % intervals: of means (Welch), of proportions (Newcombe).

Takes two summaries, gives the second minus the first. What may be said of it is
`plantigrade.change`; the interval of one proportion is `plantigrade.reliability.proportion`.
"""

import math
from dataclasses import dataclass

from plantigrade.reliability import Proportion
from plantigrade.stat import Stat

_ROUNDING = 1e-9
"""Values that vary by less than this part of themselves do not vary: it is the sums' rounding."""


@dataclass(frozen=True, slots=True)
class Difference:
    """The second minus the first, in the unit of what is compared.

    Attributes
    ----------
    value : float
    low, high : float or None
        95 % interval; None where the values cannot tell one.
    degrees : float or None
        Degrees of freedom of the interval; None without one, and for proportions.
    """

    value: float
    low: float | None
    high: float | None
    degrees: float | None

    @property
    def holds_zero(self) -> bool | None:
        """Whether 0 lies in the interval, its ends included; None without an interval."""
        if self.low is None or self.high is None:
            return None
        return self.low <= 0.0 <= self.high


def t95(degrees: float) -> float:
    """Return the 97.5 % quantile of Student's t: the half-width of a 95 % interval in SEs."""
    # a quarter of a second to import: what compares needs it, not what records and analyses
    from scipy.special import stdtrit

    return float(stdtrit(degrees, 0.975))


def difference_of_half_width(value: float, half: float, degrees: float) -> Difference:
    """Return a difference whose interval reaches `half` to both sides."""
    return Difference(value, value - half, value + half, degrees)


def exceeds_rounding(error: float, *values: float | None) -> bool:
    """Tell an error of values of such a size from the rounding of their sums."""
    return error > _ROUNDING * max((abs(v) for v in values if v is not None), default=0.0)


def welch(a: Stat, b: Stat) -> Difference | None:
    """Return mean of b − mean of a with Welch's interval (Welch 1947, Biometrika 34:28–35).

    The spreads of the two need not be alike. Degrees of freedom by Welch and Satterthwaite.

    Parameters
    ----------
    a, b : Stat

    Returns
    -------
    Difference or None
        None where either is empty; without an interval where either has one value or neither
        varies.
    """
    if a.mean is None or b.mean is None:
        return None
    value = b.mean - a.mean
    if a.sd is None or b.sd is None:
        return Difference(value, None, None, None)
    part_a, part_b = a.sd**2 / a.count, b.sd**2 / b.count
    error = math.sqrt(part_a + part_b)
    if not exceeds_rounding(error, a.mean, b.mean):
        return Difference(value, None, None, None)
    share_a, share_b = part_a / error**2, part_b / error**2
    degrees = 1.0 / (share_a**2 / (a.count - 1) + share_b**2 / (b.count - 1))
    return difference_of_half_width(value, t95(degrees) * error, degrees)


def newcombe(a: Proportion, b: Proportion) -> Difference | None:
    """Return share of b − share of a with the score interval of independent proportions.

    Method 10 of Newcombe 1998, Stat Med 17:873–890: the distances to the ends of the two Wilson
    intervals, squared and added.

    Parameters
    ----------
    a, b : Proportion

    Returns
    -------
    Difference or None
        None where either is of nothing.
    """
    if a.share is None or a.low is None or a.high is None:
        return None
    if b.share is None or b.low is None or b.high is None:
        return None
    value = b.share - a.share
    down = math.hypot(b.share - b.low, a.high - a.share)
    up = math.hypot(b.high - b.share, a.share - a.low)
    return Difference(value, value - down, value + up, None)
