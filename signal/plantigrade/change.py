"""Whether a change is one: a difference beside the measuring error, worded as everywhere.

Takes the values of one measure before and after, and repeats; gives the count, mean, SD, the
difference, MDC95 and a verdict. It does not choose the repeats: they must be of the kind that is
compared (`Kind`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from plantigrade.reliability import mdc95, mean_squares
from plantigrade.stat import Stat, stat_of

BY_CHANCE = "One in twenty unchanged measures is marked by chance."
"""To be shown wherever many verdicts are listed (design §5, Change)."""


class Kind(StrEnum):
    """What was repeated, and therefore what may be compared with the error it gives."""

    SINGLE = "single swings or steps"
    MEAN = "means of sets or walks"
    SHOES_AGAIN = "shoes taken off and on again"


class Verdict(StrEnum):
    """What may be said of a difference."""

    INSIDE = "not distinguishable from this player's usual variation"
    OUTSIDE = "larger than this player's usual variation"


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
    difference : float or None
        Mean of b − mean of a; None where either is empty.
    kind : Kind
        What the repeats repeated.
    error : RepeatError or None
        None without repeats.
    mdc95 : float or None
        1.96 · √2 · SEM.
    verdict : Verdict or None
        None without a difference, without repeats, or where the repeats do not vary at all.
    text : str
        The verdict, or why there is none, in words for the user.
    """

    a: Stat
    b: Stat
    difference: float | None
    kind: Kind
    error: RepeatError | None
    mdc95: float | None
    verdict: Verdict | None
    text: str


def repeat_error(repeats: Sequence[Sequence[float | None]]) -> RepeatError | None:
    """Return the measuring error that repeats show, or None where nothing was repeated.

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
    squares, degrees = 0.0, 0
    for row in repeats:
        stat = stat_of(row)
        if stat.sd is not None:
            squares += stat.sd**2 * (stat.count - 1)
            degrees += stat.count - 1
    return RepeatError(math.sqrt(squares / degrees), degrees, False) if degrees else None


def compare(
    a: Sequence[float | None],
    b: Sequence[float | None],
    repeats: Sequence[Sequence[float | None]] = (),
    kind: Kind = Kind.MEAN,
) -> Change:
    """Compare one measure between two sets, walks or sessions.

    Parameters
    ----------
    a, b : sequence of float or None
        The measure's values before and after; absent ones are left out.
    repeats : sequence of sequences of float or None
        As for `repeat_error`, of the kind that is compared: where `a` and `b` are whole sets, a
        set's mean repeated, and not single swings.
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
    limit = None if error is None else mdc95(error.sem)
    difference = None
    if stat_a.mean is not None and stat_b.mean is not None:
        difference = stat_b.mean - stat_a.mean
    verdict = None
    if difference is None:
        text = "no verdict: nothing to compare with"
    elif limit is None:
        text = "no verdict: no repeats to tell the usual variation from"
    elif limit == 0.0:
        text = "no verdict: the repeats do not vary at all"
    else:
        verdict = Verdict.INSIDE if abs(difference) <= limit else Verdict.OUTSIDE
        text = str(verdict)
    return Change(stat_a, stat_b, difference, kind, error, limit, verdict, text)
