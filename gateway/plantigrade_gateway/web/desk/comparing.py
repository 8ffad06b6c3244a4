"""A set of swings in numbers, and two sets side by side with the measuring error."""

from collections.abc import Sequence
from dataclasses import dataclass

from plantigrade.change import Kind, compare
from plantigrade.events import HeelLiftState, Manner, Timing
from plantigrade.reliability import Proportion, proportion
from plantigrade.stat import Stat, stat_of
from plantigrade.summary import summarise_swings
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import SwingRun
from plantigrade_gateway.sound.cues import is_good
from plantigrade_gateway.web.desk.measures import SWING_MEASURES


@dataclass(frozen=True, slots=True)
class Line:
    """One measure of one set, or of two.

    Attributes
    ----------
    title, unit : str
    first, second : str
        Mean ± SD (count); the second is empty where nothing is compared.
    difference, mdc95, verdict : str
    """

    title: str
    unit: str
    first: str
    second: str = ""
    difference: str = ""
    mdc95: str = ""
    verdict: str = ""


def proportions_of(run: SwingRun) -> list[tuple[str, Proportion]]:
    """Return the classes of a set's swings with their 95 % intervals."""
    found = summarise_swings(run.swings)
    return [
        ("rolled with the shift", proportion(sum(map(is_good, run.swings)), found.swings)),
        ("push rolled", found.manners[Manner.ROLLED]),
        ("push skipped", found.manners[Manner.SKIPPED]),
        ("push held", found.manners[Manner.HELD]),
        ("push early", found.timings[Timing.EARLY]),
        ("lead heel lifted", found.heel_lifts[HeelLiftState.LIFTED]),
    ]


def lines_of(run: SwingRun, other: SwingRun | None, all_sets: Sequence[SwingRun]) -> list[Line]:
    """Return each measure of a set, beside those of another one where it is given.

    Repeats are sets of the same name within the session: their means show how much a set's mean
    differs of itself. Without two such sets there is no verdict.
    """
    lines = []
    for measure in SWING_MEASURES:
        values = [measure.number(swing) for swing in run.swings]

        def text(stat: Stat, digits: int = measure.digits, scale: float = measure.scale) -> str:
            return words.spread(stat, digits, scale)

        if other is None:
            lines.append(Line(measure.title, measure.unit, text(stat_of(values))))
            continue
        repeats = [
            [stat_of(measure.number(swing) for swing in one.swings).mean for one in alike]
            for alike in _same_name(all_sets)
        ]
        change = compare(
            values, [measure.number(swing) for swing in other.swings], repeats, Kind.MEAN
        )
        lines.append(
            Line(
                measure.title,
                measure.unit,
                text(change.a),
                text(change.b),
                measure.text(change.difference),
                measure.text(change.mdc95),
                change.text,
            )
        )
    return lines


def repeats_in(all_sets: Sequence[SwingRun]) -> str:
    """Say what the repeats of a session's sets are."""
    alike = _same_name(all_sets)
    if not alike:
        return (
            "No set of this session was repeated under the same name, so there is no measuring "
            "error to compare with, and no verdict."
        )
    named = ", ".join(f"{runs[0].name} ({len(runs)} times)" for runs in alike)
    return f"Measuring error from {Kind.MEAN}, repeated in this session: {named}."


def has_verdict(changes: Sequence[Line]) -> bool:
    """Whether any line says more than that there is no verdict."""
    return any(line.mdc95 not in ("", formats.NONE) for line in changes)


def _same_name(all_sets: Sequence[SwingRun]) -> list[list[SwingRun]]:
    """Return the sets that were repeated, by name."""
    groups: dict[str, list[SwingRun]] = {}
    for run in all_sets:
        if run.swings:
            groups.setdefault(run.name.lower(), []).append(run)
    return [runs for runs in groups.values() if len(runs) > 1]
