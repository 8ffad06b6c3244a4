"""Sets of one name in two visits of a player, with the measuring error that repeats show."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from plantigrade.change import BY_CHANCE, SAME_DAY, Kind, compare_visits
from plantigrade.events import Swing
from plantigrade.stat import stat_of
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.measures import SWING_MEASURES, Measure
from plantigrade_gateway.analysis.result import MarkedSet
from plantigrade_gateway.web.desk.sets import Line, proportion_lines

Sets = Sequence[MarkedSet]

OF_SHARES = (
    "The intervals of proportions are of these swings alone: what repeats make of them from day to "
    "day is not known, so there is no verdict."
)


@dataclass(frozen=True, slots=True)
class VisitLine:
    """One measure in two visits, as text.

    Attributes
    ----------
    title, unit : str
    before, after : str
        Mean ± SD (count) of the sets' means.
    difference : str
        After minus before, with its 95 % interval.
    sem, degrees, mdc95 : str
        The measuring error of one set's mean, what it rests on, and the smallest difference beyond
        it of means of so many sets.
    verdict : str
    """

    title: str
    unit: str
    before: str
    after: str
    difference: str
    sem: str
    degrees: str
    mdc95: str
    verdict: str


def of_name(sets: Sets, name: str) -> list[MarkedSet]:
    """Return the sets of a name that have swings; large and small letters are alike."""
    return [run for run in sets if run.swings and run.name.lower() == name.lower()]


def repeated(visits: Sequence[Sets]) -> list[list[MarkedSet]]:
    """Return the sets that were repeated under one name within a visit, a row for each."""
    rows = []
    for sets in visits:
        for name in dict.fromkeys(run.name.lower() for run in sets):
            row = of_name(sets, name)
            if len(row) > 1:
                rows.append(row)
    return rows


def visit_lines(before: Sets, after: Sets, rows: Sequence[Sets]) -> list[VisitLine]:
    """Compare sets of two visits, each measure by the error that `rows` of repeats show."""
    lines = []
    for measure in SWING_MEASURES:
        change = compare_visits(
            _means(measure, before),
            _means(measure, after),
            [_means(measure, row) for row in rows],
            Kind.MEAN,
        )
        error = change.error
        lines.append(
            VisitLine(
                measure.averaged_title or measure.title,
                measure.unit,
                words.spread(change.a, measure.digits, measure.scale),
                words.spread(change.b, measure.digits, measure.scale),
                words.difference(change.difference, measure.digits, measure.scale),
                measure.text(None if error is None else error.sem),
                formats.NONE if error is None else str(error.degrees),
                measure.text(change.mdc95),
                change.text,
            )
        )
    return lines


def visit_shares(before: Sets, after: Sets) -> list[Line]:
    """Compare the classes of all swings of two visits' sets, by these swings alone: no verdict."""
    a, b = (
        MarkedSet(sets[0].name, sets[0].start_s, tuple(s for run in sets for s in run.swings))
        for sets in (before, after)
    )
    return [replace(line, verdict="") for line in proportion_lines(a, b)]


def said_of(rows: Sequence[Sets]) -> str:
    """Say what the measuring error is from, and what it leaves out."""
    if not rows:
        return (
            "No set was repeated under the same name within a visit, so there is no measuring "
            "error to compare with, and no verdict."
        )
    many = formats.plural(len(rows), "set that was repeated", "sets that were repeated")
    return (
        f"Measuring error from {Kind.MEAN}: {many} under the same name within a visit. {SAME_DAY} "
        f"{BY_CHANCE}"
    )


def _means(measure: Measure[Swing], sets: Sets) -> list[float | None]:
    return [stat_of(measure.averaged_of(run.swings)).mean for run in sets]
