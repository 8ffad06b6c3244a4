"""What a player's own repeats say of a measure's error: shoes on again, sets, unchanged visits.

Two visits lie a day and a pair of shoes put on apart. So the spread of visits that the coach marked
unchanged comes first, once there are five; then repeats with the shoes off and on between; where a
player has neither, sets that were repeated: they leave most out, and the text says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from plantigrade.change import SAME_DAY, Kind, RepeatError, mdc95, repeat_error
from plantigrade.reliability import Agreement, Icc, agreement, icc
from plantigrade.stat import stat_of
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.follow import Unit, units_of
from plantigrade_gateway.formats import plural
from plantigrade_gateway.rules.model import RuleSet

LEAST_VISITS = 5
"""Visits marked unchanged from which on their own spread is taken (design §5, Change)."""


@dataclass(frozen=True, slots=True)
class Repeats:
    """A player's repeats of one measure.

    Attributes
    ----------
    kind : Kind or None
        None: nothing was repeated.
    rows : tuple of tuples of float
        Means: a row for each visit, or one of visits.
    error : RepeatError or None
    text : str
        What was repeated how often, and what that leaves out.
    """

    kind: Kind | None
    rows: tuple[tuple[float, ...], ...]
    error: RepeatError | None
    text: str


def means_of(units: Sequence[Unit], kind: Kind | None) -> list[float]:
    """Return what a visit's values come to as repeats of a kind: means that count as one each.

    Of sets the mean of each; of shoes put on again the mean of each wearing's sets; of visits one.
    """
    sets = [_mean(unit.values) for unit in units]
    if kind is Kind.MEAN or not units:
        return sets
    wearings: dict[int, list[float]] = {}
    for unit, mean in zip(units, sets, strict=True):
        wearings.setdefault(unit.wearing, []).append(mean)
    worn = [_mean(found) for found in wearings.values()]
    return worn if kind is Kind.SHOES_AGAIN else [_mean(worn)]


def _mean(values: Sequence[float]) -> float:
    mean = stat_of(values).mean
    assert mean is not None
    return mean


def same_conditions(a: Visit, b: Visit) -> bool:
    """Whether two visits were measured alike: shoe, footbed and calibration."""
    return (a.shoe, a.footbed, a.calibrations) == (b.shoe, b.footbed, b.calibrations)


def repeats_of(case: Case, rules: RuleSet, key: str) -> Repeats:
    """Return what a player's repeats say of a measure; of a proportion nothing is averaged."""
    with_data = [(visit, units_of(case, rules, visit, key)) for visit in case.visits]
    days = _unchanged(case, {visit.session_id: units for visit, units in with_data if units})
    if len(days) >= LEAST_VISITS:
        row = tuple(means_of(units, Kind.VISITS)[0] for units in days)
        text = f"Measuring error from {Kind.VISITS}: {len(row)} of them."
        return Repeats(Kind.VISITS, (row,), repeat_error([row]), text)
    return _within([units for _, units in with_data])


def _within(visits: Sequence[Sequence[Unit]]) -> Repeats:
    """Return the repeats within visits."""
    for kind in (Kind.SHOES_AGAIN, Kind.MEAN):
        means = (means_of(units, kind) for units in visits)
        rows = tuple(tuple(row) for row in means if len(row) > 1)
        if rows:
            what = plural(len(rows), "visit")
            text = f"Measuring error from {kind}, repeated on {what}. {SAME_DAY}"
            if kind is Kind.MEAN:
                text += " No shoe was taken off between them."
            return Repeats(kind, rows, repeat_error(rows), text)
    return Repeats(None, (), None, "Nothing was repeated within a visit, so there is no verdict.")


def _unchanged(case: Case, units: dict[str, list[Unit]]) -> list[list[Unit]]:
    """Return the values of the longest run of visits that are unchanged and measured alike."""
    best: list[Visit] = []
    run: list[Visit] = []
    for visit in case.visits:
        goes_on = run and visit.is_unchanged and same_conditions(run[-1], visit)
        run = [*run, visit] if goes_on else [visit]
        with_data = [one for one in run if one.session_id in units]
        if len(with_data) > len(best):
            best = with_data
    return [units[visit.session_id] for visit in best]


@dataclass(frozen=True, slots=True)
class Reliability:
    """How a measure repeats in one player.

    Attributes
    ----------
    repeats : Repeats
    icc : Icc or None
        Between this player's visits, of as many repeats as make the fullest table; None without
        two visits of two repeats.
    visits, columns : int
        Size of that table.
    agreement : Agreement or None
        Second repeat against first.
    mdc95 : float or None
        The smallest difference beyond error of two single repeats.
    """

    repeats: Repeats
    icc: Icc | None
    visits: int
    columns: int
    agreement: Agreement | None
    mdc95: float | None


def reliability(case: Case, rules: RuleSet, key: str) -> Reliability:
    """Return how a measure repeats, from a player's own repeats within visits."""
    found = _within([units_of(case, rules, visit, key) for visit in case.visits])
    table = _fullest([row for row in found.rows if len(row) > 1])
    both = [(row[0], row[1]) for row in table]
    return Reliability(
        found,
        icc(np.array(table, dtype=np.float64)) if len(table) > 1 else None,
        len(table),
        len(table[0]) if table else 0,
        agreement(*zip(*both, strict=True)) if len(both) > 1 else None,
        None if found.error is None else mdc95(found.error),
    )


def _fullest(rows: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Return the first repeats of those rows that make the table with most degrees of freedom."""
    best: list[tuple[float, ...]] = []
    most = 0
    for k in sorted({len(row) for row in rows}):
        table = [row[:k] for row in rows if len(row) >= k]
        degrees = (len(table) - 1) * (k - 1)
        if degrees > most:
            best, most = table, degrees
    return best
