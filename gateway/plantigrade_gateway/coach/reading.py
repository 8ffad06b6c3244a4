"""What a fact is read as before it has its name: value, numbers, and the visit it rests on.

A proportion becomes a word here, by its interval and never by its point.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from plantigrade.reliability import proportion
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.formats import plural
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.rules.model import RuleSet, Value

MOSTLY, MIXED, RARELY = "mostly", "mixed", "rarely"
YES, NO = "yes", "no"


@dataclass(frozen=True, slots=True)
class Reading:
    """What was found of a fact.

    Attributes
    ----------
    value : str or float or None
        None: not known.
    text : str
        The same for people, with its numbers; or why it is not known.
    count, n : int or None
        How many of how many; of a mean only how many.
    left_out : int
        Unclear ones that are not among `n`.
    measured : float or None
        The share, the mean or the difference.
    interval : tuple of float or None
        95 %, of `measured`.
    degrees : float or None
        Degrees of freedom of the interval; None of a proportion.
    visit : Visit or None
        Which it rests on.
    club : str
    """

    value: Value | None
    text: str
    count: int | None = None
    n: int | None = None
    left_out: int = 0
    measured: float | None = None
    interval: tuple[float, float] | None = None
    degrees: float | None = None
    visit: Visit | None = None
    club: str = ""


def limit(rules: RuleSet, name: str) -> float:
    """Return a limit of a rule file; that of the built-in rules where it has none."""
    return rules.limits[name] if name in rules.limits else built_in().limits[name]


def yes_no(truth: bool | None, text: str, visit: Visit | None = None) -> Reading:
    """Return a fact that is or is not."""
    return Reading(None if truth is None else YES if truth else NO, text, visit=visit)


def alike(case: Case) -> list[Visit]:
    """Return the visits in the shoe and footbed of the last one, that one first."""
    if not case.visits:
        return []
    last = case.visits[-1]
    return [
        visit
        for visit in reversed(case.visits)
        if (visit.shoe, visit.footbed) == (last.shoe, last.footbed)
    ]


def word_of(
    count: int, n: int, words: tuple[str, str, str] = (MOSTLY, MIXED, RARELY)
) -> str | None:
    """Return what a count comes to by its 95 % score interval (Wilson 1927).

    Parameters
    ----------
    count, n : int
    words : tuple of str
        Where the whole interval is over a half, where it holds it, and where it is under it.

    Returns
    -------
    str or None
        None of nothing.
    """
    side = proportion(count, n).beside_half
    return None if side is None else words[1 - side]


def tally(
    found: Iterable[bool | None],
    least: int,
    what: str,
    words: tuple[str, str, str] = (MOSTLY, MIXED, RARELY),
) -> Reading:
    """Return what a count of what was seen comes to.

    Parameters
    ----------
    found : iterable of bool or None
        None: it cannot be told; left out, and counted.
    least : int
        With fewer it is not known.
    what : str
        What is counted: "swing".
    words : tuple of str
        As `word_of`.
    """
    seen = list(found)
    known = [one for one in seen if one is not None]
    unclear = len(seen) - len(known)
    part = proportion(sum(known), len(known))
    beside = f"; {unclear} unclear left out" if unclear else ""
    if len(known) < max(least, 1) or part.low is None or part.high is None:
        text = f"{too_few(len(known), least, what)}{beside}"
        return Reading(None, text, part.count, part.n, unclear)
    text = f"{part.count} of {part.n} ({in_percent(part.low, part.high)}){beside}"
    return Reading(
        word_of(part.count, part.n, words),
        text,
        part.count,
        part.n,
        unclear,
        part.share,
        (part.low, part.high),
    )


def too_few(n: int, least: int, what: str) -> str:
    """Say that something is not known for want of data."""
    return f"{plural(n, what)}, {max(least, 1)} needed"


def in_percent(low: float, high: float, digits: int = 0) -> str:
    """Return an interval of shares: ``53 to 98 %``."""
    return f"{100 * low:.{digits}f} to {100 * high:.{digits}f} %"
