"""The coach's eye against the program: counts of both, agreement, and kappa where it can be told.

Only taps that were given before the program's answer was shown are compared.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from plantigrade.events import HeelLiftState, Swing
from plantigrade.reliability import Proportion, proportion
from plantigrade_gateway.analysis.result import good_push
from plantigrade_gateway.coach.case import Visit

LEAST_FOR_KAPPA = 40
LEAST_OF_EACH = 5
"""So often each answer by both, and so many taps, kappa is told from."""

ANSWERS = {"push": ("good", "not good"), "heel": ("up", "down")}
"""What is asked, with its two answers."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Blind taps beside the program's answers.

    Attributes
    ----------
    what : str
        ``"push"`` or ``"heel"``.
    answers : tuple of str
        The two, in the order of `counts`.
    counts : tuple of tuple of int
        By the eye's answer, then by the program's.
    agreed : Proportion
        With Wilson's interval.
    kappa : float or None
        None under `LEAST_FOR_KAPPA` taps, or where one gave an answer under `LEAST_OF_EACH` times.
    unclear : int
        Blind taps on swings of which the program could not tell.
    seen : int
        Taps after the program's answer was shown; they count nowhere.
    """

    what: str
    answers: tuple[str, str]
    counts: tuple[tuple[int, int], tuple[int, int]]
    agreed: Proportion
    kappa: float | None
    unclear: int
    seen: int


NO_TAPS = "No swing is judged by eye yet"
TAP_BLIND = (
    'press "Judge by eye, blind" and tap what you saw, before the program\'s answer is shown.'
)
"""Said in place of an empty table."""

NONE_COMPARED = "No blind tap on it can be compared yet."
"""Said where all taps of one question are kept apart."""


def was_tapped(found: Agreement) -> bool:
    """Whether there is any tap on a question, compared or not."""
    return bool(found.agreed.n or found.unclear or found.seen)


def kappa_of(counts: tuple[tuple[int, int], tuple[int, int]]) -> float | None:
    """Return Cohen's kappa of two by two counts; None where chance alone would agree always.

    Cohen 1960, Educ Psychol Meas 20:37-46.
    """
    (a, b), (c, d) = counts
    n = a + b + c + d
    if n == 0:
        return None
    by_chance = ((a + b) * (a + c) + (c + d) * (b + d)) / n**2
    return None if by_chance == 1.0 else ((a + d) / n - by_chance) / (1.0 - by_chance)


def program_says(what: str, swing: Swing) -> str | None:
    """Return the program's answer; None where it cannot tell."""
    if what == "heel":
        state = swing.heel_lift.state
        return {HeelLiftState.LIFTED: "up", HeelLiftState.DOWN: "down"}.get(state)
    good = good_push(swing)
    return None if good is None else ("good" if good else "not good")


def agreement(what: str, visits: Iterable[Visit]) -> Agreement:
    """Compare the eye with the program over the swings of visits that are not left out."""
    first, second = ANSWERS[what]
    table = {(mine, yours): 0 for mine in (first, second) for yours in (first, second)}
    unclear = seen = 0
    for visit in visits:
        if visit.is_other_hand:  # the program looked at the other foot
            continue
        for place, swing in enumerate(visit.analysis.swings):
            note = visit.note(place)
            tap = note.eye_push if what == "push" else note.eye_heel
            if tap is None or note.excluded:
                continue
            if not tap.is_blind:
                seen += 1
            elif (says := program_says(what, swing)) is None:
                unclear += 1
            else:
                table[tap.answer, says] += 1
    counts = (
        (table[first, first], table[first, second]),
        (table[second, first], table[second, second]),
    )
    n = sum(table.values())
    agreed = proportion(counts[0][0] + counts[1][1], n)
    sums = (*map(sum, counts), *map(sum, zip(*counts, strict=True)))
    enough = n >= LEAST_FOR_KAPPA and min(sums) >= LEAST_OF_EACH
    return Agreement(
        what,
        (first, second),
        counts,
        agreed,
        kappa_of(counts) if enough else None,
        unclear,
        seen,
    )
