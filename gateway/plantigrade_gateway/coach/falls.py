"""Whether fewer pushes are good in a second set than in a first, and what fall could be missed.

A fall is seen where the 95 % interval of the difference of two proportions (Newcombe 1998) lies
under 0. How often it would be seen is exact: every pair of counts by its binomial probability.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import gammaln, xlog1py, xlogy

from plantigrade.interval import Difference, newcombe
from plantigrade.reliability import Proportion, proportion, proportion_of
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.swings import (
    AGAIN,
    FAST,
    FULL,
    KEPT,
    SMOOTH,
    Sets,
    counted,
    first_silent,
    sets_for,
    sets_of_visit,
    silent_sets,
)
from plantigrade_gateway.formats import plural
from plantigrade_gateway.rules.model import RuleSet

POWER = 0.8
"""A fall that is seen so often is called one that would have been seen (common practice)."""


@dataclass(frozen=True, slots=True)
class Fall:
    """Good pushes of two sets, the second after the first.

    Attributes
    ----------
    what : str
        What lies between them: ``"full against smooth"``.
    before, after : Proportion
    difference : Difference
        After less before.
    is_seen : bool
        Fewer are good, and not by chance alone.
    seen_from : float or None
        A fall from the first set's share to this or less would have been seen 8 times in 10; None
        where not even one to nothing would.
    text : str
    """

    what: str
    before: Proportion
    after: Proportion
    difference: Difference
    is_seen: bool
    seen_from: float | None
    text: str


def power(n_before: int, n_after: int, share_before: float, share_after: float) -> float:
    """Return how often a fall is seen between two sets, 0 to 1.

    Parameters
    ----------
    n_before, n_after : int
        Swings in each, ≥ 1.
    share_before, share_after : float
        The true shares.
    """
    before, after = _chances(n_before, share_before), _chances(n_after, share_after)
    return float(sum(before[i] * after[j] for i, j in _seen(n_before, n_after)))


def _chances(n: int, share: float) -> list[float]:
    """Return how probable each count of `n` is, 0 to n, by the binomial distribution."""
    # not scipy.stats: its import keeps whoever opens the first sheet waiting for most of a second
    k = np.arange(n + 1)
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    chances: list[float] = np.exp(ways + xlogy(k, share) + xlog1py(n - k, -share)).tolist()
    return chances


@cache
def _seen(n_before: int, n_after: int) -> tuple[tuple[int, int], ...]:
    """Return the counts between which a fall is seen."""
    first = [proportion(i, n_before) for i in range(n_before + 1)]
    second = [proportion(j, n_after) for j in range(n_after + 1)]
    return tuple((a.count, b.count) for a in first for b in second if is_fall(newcombe(a, b)))


def is_fall(found: Difference | None) -> bool:
    """Whether the whole interval of a difference lies under 0."""
    return found is not None and found.high is not None and found.high < 0


def seen_from(n_before: int, n_after: int, share_before: float) -> float | None:
    """Return the highest share, in whole percent, to which a fall is seen `POWER` of the time."""
    for percent in range(round(100 * share_before), -1, -1):
        if power(n_before, n_after, share_before, percent / 100) >= POWER:
            return percent / 100
    return None


def fall_of(what: str, before: Proportion, after: Proportion) -> Fall | None:
    """Return what is seen between two sets; None where one has no swing that can be told."""
    difference = newcombe(before, after)
    if difference is None or before.share is None:
        return None
    share, n = before.share, (before.n, after.n)
    least, half = seen_from(*n, share), power(*n, share, share / 2)
    seen = is_fall(difference)
    counts = f"{before.count} of {before.n}, then {after.count} of {after.n}"
    if seen:
        said = "a fall"
    elif least is None:
        said = f"no fall seen; no fall from {100 * share:.0f} % would be seen 8 times in 10"
    else:
        said = (
            f"no fall seen; a fall from {100 * share:.0f} % is seen 8 times in 10 only if it goes "
            f"to {100 * least:.0f} % or less"
        )
    if not seen and share > 0:
        said += f"; one to {50 * share:.0f} %, {plural(round(10 * half), 'time')} in 10"
    return Fall(what, before, after, difference, seen, least, f"{counts}: {said}")


def falls(case: Case, rules: RuleSet) -> tuple[Fall, ...]:
    """Return the pairs of silent sets between which good pushes could have become fewer.

    With effort, on the last visit; in the course of it; and from one visit to the set of another
    day (*kept*) from the last silent full sets before the last drill's visit was over.
    """
    found: list[Fall | None] = []
    if case.visits:
        visit = case.visits[-1]
        smooth, full, fast = (silent_sets(visit, rules, i) for i in (SMOOTH, FULL, FAST))
        found.append(_between("full against smooth", smooth, full, rules))
        found.append(_between("fast against full", full, fast, rules))
        found.append(_again(case, visit, rules))
        found.append(_kept(case, rules))
    return tuple(one for one in found if one is not None)


def _between(what: str, before: Sets, after: Sets, rules: RuleSet) -> Fall | None:
    return fall_of(what, _good(before, rules), _good(after, rules))


def _good(found: Sets, rules: RuleSet) -> Proportion:
    return proportion_of(counted(found, "push_good", rules))


def _again(case: Case, visit: Visit, rules: RuleSet) -> Fall | None:
    again = sets_for(case, rules, AGAIN)
    if isinstance(again, str):
        return None
    last = again.sets[0]
    first = first_silent(visit, rules, last.intent)
    if first is None or first.start_s >= last.start_s:
        return None
    before = sets_of_visit(visit, [first])
    return _between(f"{last.intent} again, after the first {last.intent}", before, again, rules)


def _kept(case: Case, rules: RuleSet) -> Fall | None:
    kept = sets_for(case, rules, KEPT)
    if isinstance(kept, str):
        return None
    for visit in reversed(case.visits):
        if visit.started.date() < kept.visit.started.date():
            before = silent_sets(visit, rules, FULL)
            if before.sets:
                day = visit.started.date().isoformat()
                return _between(f"full on another day, after {day}", before, kept, rules)
    return None
