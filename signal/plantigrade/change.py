"""Whether a change is one: a difference beside its error, worded as everywhere.

Takes the values of one measure before and after; gives counts, means, SDs, the difference with its
interval and what may be said of it. Two sets of one visit are compared by their own spread
(`compare_in_visit`), two visits by what repeats show of the measuring error (`compare_visits`). It
does not choose the repeats: they must be of the kind that is compared (`Kind`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from plantigrade.interval import Difference, difference_of_half_width, exceeds_rounding, t95, welch
from plantigrade.reliability import mean_squares
from plantigrade.stat import Stat, stat_of

BY_CHANCE = "One in twenty unchanged measures is marked by chance."
"""To be shown wherever many verdicts are listed (design §5, Change)."""

IN_VISIT = (
    "The intervals are this visit's: they say how well these sets are told apart, and nothing of "
    "another day."
)
"""To be shown wherever sets of one visit are compared."""

SAME_DAY = "Repeats of one day leave out how the player varies from day to day."
"""To be shown wherever visits are judged by repeats within visits."""

NOTHING = "no verdict: nothing to compare with"

LEAST_DEGREES = 4
"""With fewer degrees of freedom there is no verdict (design §5, Change)."""

TOO_FEW = f"no verdict: under {LEAST_DEGREES} degrees of freedom"


class Kind(StrEnum):
    """What was repeated, and therefore what may be compared with the error it gives."""

    SINGLE = "single swings or steps"
    MEAN = "means of sets or walks"
    SHOES_AGAIN = "shoes taken off and on again"
    VISITS = "visits that were marked unchanged"


class Verdict(StrEnum):
    """What may be said of a difference; that nothing has changed is never said."""

    INSIDE = "not distinguishable from this player's usual variation"
    OUTSIDE = "larger than this player's usual variation"
    TOGETHER = "not distinguishable in this visit"
    APART = "distinguishable in this visit"


@dataclass(frozen=True, slots=True)
class RepeatError:
    """The measuring error that a table of repeats shows.

    Attributes
    ----------
    sem : float
        Standard error of measurement: √(error mean square).
    degrees : int
        Degrees of freedom it rests on.
    two_way : bool
        True: error of the two-way layout (Weir 2005), repeats' common trend taken out. False: the
        table has one row or rows of unequal length, where only the spread within rows is known.
    """

    sem: float
    degrees: int
    two_way: bool


@dataclass(frozen=True, slots=True)
class Change:
    """A comparison of `a` (before) with `b` (after).

    Attributes
    ----------
    a, b : Stat
    difference : Difference or None
        Mean of b − mean of a with its 95 % interval; None where either is empty.
    kind : Kind or None
        What the repeats repeated; None for sets of one visit, as the next two.
    error : RepeatError or None
        None without repeats.
    mdc95 : float or None
        The smallest difference beyond error; half the width of the interval.
    verdict : Verdict or None
        None without a difference, without repeats or where they do not vary at all, and under
        `LEAST_DEGREES`.
    text : str
        The verdict, or why there is none, in words for the user.
    """

    a: Stat
    b: Stat
    difference: Difference | None
    kind: Kind | None
    error: RepeatError | None
    mdc95: float | None
    verdict: Verdict | None
    text: str


def repeat_error(repeats: Sequence[Sequence[float | None]]) -> RepeatError | None:
    """Return the measuring error that repeats show, or None where nothing was repeated.

    Weir 2005, J Strength Cond Res 19(1):231–240, p. 236; for unequal rows the within-subject SD of
    Bland & Altman 1996, BMJ 313:744.

    Parameters
    ----------
    repeats : sequence of sequences of float or None
        A row per player, day or condition; in it the repeats of one and the same thing. Absent
        values are left out.

    Returns
    -------
    RepeatError or None
        The two-way layout's error where every row has the same two or more repeats; else the
        spread within rows. None without a row of two.

    Raises
    ------
    SampleError
        A value is NaN or infinite.
    """
    lengths = {len(row) for row in repeats}
    whole = all(v is not None for row in repeats for v in row)
    if whole and len(repeats) >= 2 and len(lengths) == 1 and lengths.pop() >= 2:
        ms = mean_squares(np.array(repeats, dtype=np.float64))
        return RepeatError(math.sqrt(ms.error), (ms.n - 1) * (ms.k - 1), True)
    return spread_within(repeats)


def spread_within(repeats: Sequence[Sequence[float | None]]) -> RepeatError | None:
    """Return the spread of repeats about the mean of their own row, over all rows.

    The within-subject SD of Bland & Altman 1996, BMJ 313:744.

    Parameters
    ----------
    repeats : sequence of sequences of float or None
        As for `repeat_error`.

    Returns
    -------
    RepeatError or None
        None without a row of two.

    Raises
    ------
    SampleError
        A value is NaN or infinite.
    """
    squares, degrees = 0.0, 0
    for row in repeats:
        stat = stat_of(row)
        if stat.sd is not None:
            squares += stat.sd**2 * (stat.count - 1)
            degrees += stat.count - 1
    return RepeatError(math.sqrt(squares / degrees), degrees, False) if degrees else None


def mdc95(error: RepeatError, a: int = 1, b: int = 1) -> float:
    """Return the smallest difference beyond error, t(.975, df) · √2 · SEM.

    Weir 2005 has 1.96 in place of t, which is so for many degrees of freedom only; with few it
    marks up to 30 % of what has not changed.

    Parameters
    ----------
    error : RepeatError
        Of one repeat.
    a, b : int
        How many repeats each side's mean is of, ≥ 1: the mean of m has SEM / √m, so that √2 is
        √(1/a + 1/b).

    Returns
    -------
    float
    """
    return t95(error.degrees) * math.sqrt(1.0 / a + 1.0 / b) * error.sem


def compare_in_visit(a: Sequence[float | None], b: Sequence[float | None]) -> Change:
    """Compare one measure between two sets of one visit, by Welch's interval.

    Parameters
    ----------
    a, b : sequence of float or None
        The measure's values in each set; absent ones are left out.

    Returns
    -------
    Change

    Raises
    ------
    SampleError
        A value is NaN or infinite.
    """
    stat_a, stat_b = stat_of(a), stat_of(b)
    difference = welch(stat_a, stat_b)
    verdict = verdict_in_visit(difference)
    if verdict is not None:
        text = str(verdict)
    elif difference is None:
        text = NOTHING
    elif difference.degrees is not None:
        text = TOO_FEW
    else:
        alone = stat_a.sd is None or stat_b.sd is None
        text = f"no verdict: {'one value has no spread' if alone else 'the values do not vary'}"
    return Change(stat_a, stat_b, difference, None, None, None, verdict, text)


def verdict_in_visit(difference: Difference | None) -> Verdict | None:
    """Say whether two sets of one visit, or their proportions, are told apart.

    None without an interval, or where it rests on too few degrees of freedom.
    """
    if difference is None or difference.holds_zero is None:
        return None
    if difference.degrees is not None and difference.degrees < LEAST_DEGREES:
        return None
    return Verdict.TOGETHER if difference.holds_zero else Verdict.APART


def compare_visits(
    a: Sequence[float | None],
    b: Sequence[float | None],
    repeats: Sequence[Sequence[float | None]],
    kind: Kind,
) -> Change:
    """Compare one measure between two visits, by the measuring error that repeats show.

    Parameters
    ----------
    a, b : sequence of float or None
        The measure before and after, each value one of what `kind` says: for `Kind.MEAN` the mean
        of each set of the visit, not its swings. Absent ones are left out.
    repeats : sequence of sequences of float or None
        As for `repeat_error`, of the same kind.
    kind : Kind
        What `repeats` repeated; said beside the result.

    Returns
    -------
    Change

    Raises
    ------
    SampleError
        A value is NaN or infinite.
    """
    stat_a, stat_b = stat_of(a), stat_of(b)
    error = repeat_error(repeats)
    difference, limit, verdict = None, None, None
    if stat_a.mean is None or stat_b.mean is None:
        text = NOTHING
        return Change(stat_a, stat_b, difference, kind, error, limit, verdict, text)
    value = stat_b.mean - stat_a.mean
    difference = Difference(value, None, None, None)
    if error is None:
        text = "no verdict: no repeats to tell the usual variation from"
    elif not exceeds_rounding(error.sem, stat_a.mean, stat_b.mean):
        text = "no verdict: the repeats do not vary at all"
    else:
        limit = mdc95(error, stat_a.count, stat_b.count)
        difference = difference_of_half_width(value, limit, error.degrees)
        if error.degrees < LEAST_DEGREES:
            text = TOO_FEW
        else:
            verdict = Verdict.INSIDE if abs(value) <= limit else Verdict.OUTSIDE
            text = str(verdict)
    return Change(stat_a, stat_b, difference, kind, error, limit, verdict, text)
