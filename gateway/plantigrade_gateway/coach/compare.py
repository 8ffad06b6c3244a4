"""Two visits of a player, or two sets of one visit, side by side (design §5, Change).

Two visits are compared by the error that the player's own repeats show, two sets by their own
spread. A proportion is counted, never averaged. That nothing has changed is never said.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from plantigrade.change import (
    BY_CHANCE,
    IN_VISIT,
    NOTHING,
    Change,
    Kind,
    Verdict,
    compare_in_visit,
    compare_visits,
    verdict_in_visit,
)
from plantigrade.interval import Difference, newcombe
from plantigrade.reliability import Proportion, proportion, proportion_of
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.measures import SWING_MEASURES
from plantigrade_gateway.analysis.result import MarkedSet
from plantigrade_gateway.coach.case import Case, Visit, not_theirs
from plantigrade_gateway.coach.follow import (
    KEPT_ALIKE,
    KEPT_IS,
    Followed,
    Unit,
    followed,
    of_share,
    of_swing,
    units_of,
)
from plantigrade_gateway.coach.repeats import means_of, repeats_of
from plantigrade_gateway.coach.swings import FULL, INTENTS, JUDGES, KEPT, counted, sets_of_visit
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.model import RuleSet

OF_SHARES = "no verdict: what repeats make of proportions from day to day is not known"
_NAMED = 3  # measures, of those that a note is of


@dataclass(frozen=True, slots=True)
class Compared:
    """One measure, before and after.

    Attributes
    ----------
    measure : Followed
    change : Change or None
        Means; None of a proportion.
    parts : tuple of Proportion or None
        Of a proportion, before and after.
    difference : Difference or None
        After less before.
    error_from : str
        What the measuring error is from; empty where there is none.
    text : str
        What may be said of it.
    """

    measure: Followed
    change: Change | None
    parts: tuple[Proportion, Proportion] | None
    difference: Difference | None
    error_from: str
    text: str

    @property
    def verdict(self) -> Verdict | None:
        """What `text` says of it; None where it says why there is no verdict."""
        return next((one for one in Verdict if one == self.text), None)

    @property
    def cells(self) -> tuple[str, str, str, str, str, str]:
        """Return before, after, difference, MDC95, degrees of freedom and verdict, for people."""
        digits, scale = self.measure.digits, self.measure.scale
        found = words.difference(self.difference, digits, scale)
        if self.parts is not None:
            a, b = map(words.proportion, self.parts)
            return a, b, found, formats.NONE, formats.NONE, self.text
        assert self.change is not None
        mdc = self.change.mdc95
        degrees = None if self.difference is None else self.difference.degrees
        if self.change.error is not None:
            degrees = self.change.error.degrees
        return (
            words.spread(self.change.a, digits, scale),
            words.spread(self.change.b, digits, scale),
            found,
            formats.number(None if mdc is None else scale * mdc, digits),
            formats.number(degrees, 1 if self.change.error is None else 0),
            self.text,
        )


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two visits, or two sets of one.

    Attributes
    ----------
    before, after : str
        Their names: a session's id, or a set's name.
    starts : tuple of datetime
        When each visit began; two sets share one.
    lines : tuple of Compared
        The measures that both have.
    notes : tuple of str
        To be shown with it.
    """

    before: str
    after: str
    starts: tuple[datetime, datetime]
    lines: tuple[Compared, ...]
    notes: tuple[str, ...]

    @property
    def days(self) -> tuple[date, date]:
        """On which each was."""
        first, second = self.starts
        return first.date(), second.date()


def compare(
    case: Case, rules: RuleSet, before: str, after: str, key: str | None = None
) -> Comparison:
    """Compare two visits of a player.

    Parameters
    ----------
    case : Case
    rules : RuleSet
    before, after : str
        Session ids.
    key : str, optional
        One measure; all if left out.

    Raises
    ------
    InputError
        A session is none of this player's visits.
    """
    first, second = (visit_of(case, session) for session in (before, after))
    lines: list[Compared] = []
    units: dict[str, tuple[list[Unit], list[Unit]]] = {}
    said = dict.fromkeys(changed(first, second))
    for name, measure in followed().items():
        if key not in (None, name):
            continue
        a, b = (units_of(case, rules, visit, name) for visit in (first, second))
        units[name] = a, b
        which, _, what = name.partition(".")
        if not a or not b:
            continue
        if which != KEPT or units.get(f"{FULL}.{what}") != (a, b):
            lines.append(_line(case, rules, measure, a, b))
        if which == KEPT:
            said[KEPT_ALIKE if key is None else KEPT_IS] = None
    return Comparison(
        before,
        after,
        (first.started, second.started),
        tuple(lines),
        (
            *said,
            *_lacking(first, second, units),
            *_errors_from(lines),
            *([BY_CHANCE] if len(lines) > 1 else []),
        ),
    )


def _lacking(
    first: Visit, second: Visit, units: Mapping[str, tuple[Sequence[Unit], Sequence[Unit]]]
) -> Iterator[str]:
    """Say of which intents only one of the visits has swings, as where all are left out."""
    for intent in INTENTS:
        both = [found for name, found in units.items() if name.partition(".")[0] == intent]
        has = [any(found[k] for found in both) for k in (0, 1)]
        if has[0] == has[1]:
            continue
        lacks = second if has[0] else first
        if not lacks.is_other_hand:  # that is said
            yield (
                f"{intent.capitalize()} is not compared: {lacks.started.date()} has no silent "
                f"{intent} swing that counts."
            )


def _errors_from(lines: Sequence[Compared]) -> list[str]:
    """Say what measuring errors are from; of which measures, where they are from several."""
    measures: dict[str, list[str]] = {}
    for one in lines:
        if one.error_from:
            measures.setdefault(one.error_from, []).append(one.measure.title)
    if len(measures) < 2:
        return list(measures)
    said = []
    for text, titles in measures.items():
        more = f" and {len(titles) - _NAMED} more" if len(titles) > _NAMED else ""
        names = ", ".join(f'"{title}"' for title in titles[:_NAMED])
        said.append(f"Of {names}{more}: {text[0].lower()}{text[1:]}")
    return said


def _line(
    case: Case, rules: RuleSet, measure: Followed, a: Sequence[Unit], b: Sequence[Unit]
) -> Compared:
    if measure.is_share:
        parts = share_of(a), share_of(b)
        return Compared(measure, None, parts, newcombe(*parts), "", OF_SHARES)
    found = repeats_of(case, rules, measure.key)
    kind = found.kind or Kind.VISITS  # without repeats one mean of each visit
    change = compare_visits(means_of(a, kind), means_of(b, kind), found.rows, kind)
    return Compared(measure, change, None, change.difference, found.text, change.text)


def share_of(units: Sequence[Unit]) -> Proportion:
    """Return how many hold, of all of a visit's."""
    values = [value for unit in units for value in unit.values]
    return proportion(round(sum(values)), len(values))


def visit_of(case: Case, session_id: str) -> Visit:
    """Return a visit by its session.

    Raises
    ------
    InputError
        It is none of this player's.
    """
    for visit in case.visits:
        if visit.session_id == session_id:
            return visit
    raise InputError(not_theirs(session_id))


def set_of(visit: Visit, name: str) -> MarkedSet:
    """Return a visit's set by its name, large and small letters alike.

    Raises
    ------
    InputError
        There is none such, or there are several: says which there are.
    """
    sets = visit.analysis.standing_sets
    found = [one for one in sets if name.lower() in (one.name.lower(), one.set_id)]
    if len(found) == 1:
        return found[0]
    there = ", ".join(f"{one.name} ({one.set_id or 'no id'})" for one in sets)
    many = "are several" if found else "is none"
    raise InputError(f"set {name!r}: there {many} of this visit: {there or 'it has no sets'}")


def changed(a: Visit, b: Visit) -> list[str]:
    """Say what was not alike in two visits: a difference may be its doing."""
    said = [
        f"{what} changed, {old or 'not noted'} to {new or 'not noted'}: a difference may be its."
        for what, old, new in (("Shoe", a.shoe, b.shoe), ("Footbed", a.footbed, b.footbed))
        if old != new
    ]
    said += other_hands(a, b)
    if a.calibrations != b.calibrations:
        said.append("The insoles' calibration changed: a difference may be its.")
    return said


def other_hands(*visits: Visit) -> list[str]:
    """Say of visits that were recorded for the other hand that their swings are left out."""
    return [
        f"{day} was recorded for the other hand: none of its swings counts."
        for day in dict.fromkeys(one.started.date() for one in visits if one.is_other_hand)
    ]


# ---- two sets of one visit ----


def compare_sets(visit: Visit, rules: RuleSet, before: MarkedSet, after: MarkedSet) -> Comparison:
    """Compare two sets of one visit, by these sets' own spread; excluded swings are left out."""
    a, b = (sets_of_visit(visit, [one]) for one in (before, after))
    lines = []
    for one in SWING_MEASURES:
        change = compare_in_visit(one.averaged_of(a.swings), one.averaged_of(b.swings))
        if change.difference is not None:
            lines.append(Compared(of_swing(one), change, None, change.difference, "", change.text))
    for what in JUDGES:
        parts = proportion_of(counted(a, what, rules)), proportion_of(counted(b, what, rules))
        difference = newcombe(*parts)
        if difference is not None:
            text = str(verdict_in_visit(difference) or NOTHING)
            lines.append(Compared(of_share(what), None, parts, difference, "", text))
    starts = (visit.started, visit.started)
    notes = (*other_hands(visit), IN_VISIT, BY_CHANCE)
    return Comparison(before.name, after.name, starts, tuple(lines), notes)
