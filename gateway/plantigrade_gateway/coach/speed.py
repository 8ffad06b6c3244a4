"""Club speed measured by another device: its file read, matched to swings, and summed up.

`read_speeds` gives the rows of a CSV; `by_time` or `by_order` what would be joined, with what is
left over on both sides; nothing is joined here (`people.visits.Visits.join_speeds`). `by_set` and
`relations` are what a page shows of speeds that are there.
"""

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from plantigrade.events import Swing
from plantigrade.interval import Difference, difference_of_half_width, exceeds_rounding, t95
from plantigrade.stat import Stat, median_of, stat_of
from plantigrade.summary import is_rolled
from plantigrade_gateway.analysis.result import Analysis, MarkedSet, swing_time
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.coach.speedfile import SpeedRow
from plantigrade_gateway.errors import InputError

TOLERANCE_S = 2.0
"""A row and a swing that are further apart, the clocks set right, are not the same (ours)."""
LEAST_MATCHED = 3
"""Fewer matches than that tell no offset (ours)."""
LEAST_RELATED = 12
"""Swings of which a relation is told at least."""
NO_CAUSE = "It goes together; it is no cause."
"""Beside every relation."""


def places_of(analysis: Analysis, set_number: int | None = None) -> list[int]:
    """Return the places of the swings that count, of all or of one set (its number from 1).

    Raises
    ------
    InputError
        There is no such set.
    """
    swings = analysis.counted
    if set_number is not None:
        sets = analysis.sets
        if not 1 <= set_number <= len(sets):
            raise InputError(f"set {set_number}: this session has {len(sets)} sets")
        swings = sets[set_number - 1].swings
    wanted = {swing.first_index for swing in swings}
    return [k for k, swing in enumerate(analysis.swings) if swing.first_index in wanted]


@dataclass(frozen=True, slots=True)
class Pair:
    """A row of the file and the swing it may be of.

    Attributes
    ----------
    row : SpeedRow
    place : int
        Of the swing among the session's swings, from 0.
    apart_s : float or None
        The row's time with the offset minus the swing's lead peak; None by order.
    """

    row: SpeedRow
    place: int
    apart_s: float | None


@dataclass(frozen=True, slots=True)
class Preview:
    """What would be joined.

    Attributes
    ----------
    how : str
        ``"time"`` or ``"order"``.
    offset_s : float or None
        What is added to the file's times to come to session time; None by order.
    pairs : tuple of Pair
        In order of the swings.
    rows_left : tuple of SpeedRow
        That match no swing.
    swings_left : tuple of int
        Places of the swings that match no row.
    doubt : str
        Why the offset may be another one, in a sentence; empty: it is clear.
    """

    how: str
    offset_s: float | None
    pairs: tuple[Pair, ...]
    rows_left: tuple[SpeedRow, ...]
    swings_left: tuple[int, ...]
    doubt: str = ""


def by_order(rows: Sequence[SpeedRow], places: Sequence[int]) -> Preview:
    """Match the first row with the first swing, and so on; what is over at the end is left.

    Parameters
    ----------
    rows : sequence of SpeedRow
    places : sequence of int
        Of the swings that may have been measured, in order of time.
    """
    pairs = tuple(Pair(row, place, None) for row, place in zip(rows, places, strict=False))
    n = len(pairs)
    return Preview("order", None, pairs, tuple(rows[n:]), tuple(places[n:]))


def by_time(
    rows: Sequence[SpeedRow],
    swings: Sequence[Swing],
    places: Sequence[int],
    offset_s: float | None = None,
) -> Preview:
    """Match rows with swings by time; the two clocks differ by a constant.

    The offset is that at which most rows lie within `TOLERANCE_S` of a swing; of several, the one
    at which they lie nearest. It is the median of what these rows say, so that single odd ones do
    not move it.

    Parameters
    ----------
    rows : sequence of SpeedRow
        Those without a time match nothing.
    swings : sequence of Swing
        Of the session.
    places : sequence of int
        Of the swings that may have been measured, in order of time.
    offset_s : float, optional
        Where it is known.

    Returns
    -------
    Preview
        Without pairs where too few match to tell an offset.
    """
    times = [(_peak_s(swings[place]), place) for place in places]
    doubt = ""
    if offset_s is None:
        offset_s, doubt = _offset([r.t_s for r in rows if r.t_s is not None], times)
    if offset_s is None:
        return Preview("time", None, (), tuple(rows), tuple(places), doubt)
    pairs = _nearest(rows, times, offset_s)
    with_row, with_swing = {pair.place for pair in pairs}, {pair.row.line for pair in pairs}
    return Preview(
        "time",
        offset_s,
        tuple(pairs),
        tuple(row for row in rows if row.line not in with_swing),
        tuple(place for place in places if place not in with_row),
        doubt,
    )


def _peak_s(swing: Swing) -> float:
    return swing_time(swing) if swing.lead_peak_s is None else swing.lead_peak_s


def _offset(rows_s: list[float], times: list[tuple[float, int]]) -> tuple[float | None, str]:
    """Return the offset, and what makes it doubtful."""
    apart = sorted(t_s - row_s for t_s, _ in times for row_s in rows_s)
    ends = [bisect_right(apart, value + 2 * TOLERANCE_S) for value in apart]
    most = max((end - first for first, end in enumerate(ends)), default=0)
    if most < LEAST_MATCHED:
        return None, (
            f"fewer than {LEAST_MATCHED} times of the file match swings at any offset of the clocks"
        )
    best, *others = sorted(
        _spread_and_middle(apart[first:end])
        for first, end in enumerate(ends)
        if end - first == most
    )
    other = next((middle for _, middle in others if abs(middle - best[1]) > 2 * TOLERANCE_S), None)
    if other is None:
        return best[1], ""
    return best[1], (
        f"an offset of {other:+z.1f} s matches as many, {most}: compare the speeds of the first "
        "and the last swing"
    )


def _spread_and_middle(apart: list[float]) -> tuple[float, float]:
    middle = median(apart)
    return math.fsum(abs(one - middle) for one in apart), middle


def _nearest(
    rows: Sequence[SpeedRow], times: list[tuple[float, int]], offset_s: float
) -> list[Pair]:
    """Pair each row with one swing at most, the nearest ones first."""
    near = sorted(
        (abs(row.t_s + offset_s - t_s), t_s, row.line, row, place)
        for row in rows
        if row.t_s is not None
        for t_s, place in times
        if abs(row.t_s + offset_s - t_s) <= TOLERANCE_S
    )
    lines: set[int] = set()
    places: set[int] = set()
    pairs = []
    for _, t_s, line, row, place in near:
        if line not in lines and place not in places and row.t_s is not None:
            lines.add(line)
            places.add(place)
            pairs.append((t_s, Pair(row, place, row.t_s + offset_s - t_s)))
    return [pair for _, pair in sorted(pairs, key=lambda p: p[0])]


@dataclass(frozen=True, slots=True)
class SetSpeed:
    """The club speeds of a set, m/s.

    Attributes
    ----------
    name, intent : str
    swings : int
        That count.
    speed : Stat
        Of those that have a speed.
    best : float or None
    """

    name: str
    intent: str
    swings: int
    speed: Stat
    best: float | None


def by_set(visit: Visit) -> list[SetSpeed]:
    """Return mean, SD and best of each set of a visit, without the swings that are left out."""
    speeds = _speeds(visit)
    found = []
    for run in visit.analysis.sets:
        there = [speeds[s.first_index] for s in run.swings if s.first_index in speeds]
        best = max(there, default=None)
        found.append(SetSpeed(run.name, run.intent, len(run.swings), stat_of(there), best))
    return found


def _speeds(visit: Visit) -> dict[int, float]:
    """Return club speeds by the swing's ``first_index``."""
    return {
        swing.first_index: speed
        for place, swing in enumerate(visit.analysis.swings)
        if (speed := visit.note(place).club_speed_m_s) is not None
    }


@dataclass(frozen=True, slots=True)
class Foot:
    """A foot measure that club speed is looked at beside.

    Attributes
    ----------
    title, unit : str
    value : callable
        Of a swing, in the unit; None where it is absent.
    """

    title: str
    unit: str
    value: Callable[[Swing], float | None]


def _percent(share: float | None) -> float | None:
    return None if share is None else 100.0 * share


FEET: tuple[Foot, ...] = (
    Foot("transfer of rolled pushes", "s", lambda s: s.push.transfer_s if is_rolled(s) else None),
    Foot("load tempo", "ratio", lambda s: s.load_tempo),
    Foot("lead peak", "about × BW", lambda s: s.lead_peak_bw),
    Foot("steepest lead rise, 50 ms", "about BW/s", lambda s: s.lead_rise_bw_s),
    Foot("lead share range", "%", lambda s: _percent(s.share_range)),
    Foot("front to back, both feet", "% of length", lambda s: _percent(s.both_cop_travel)),
)


@dataclass(frozen=True, slots=True)
class Relation:
    """How club speed goes with a foot measure within intents.

    Attributes
    ----------
    title, unit : str
        The foot measure.
    n : int
        Swings that have both.
    intents : tuple of str
        Those that they are of.
    points : tuple of (float, float)
        Foot measure and club speed (m/s), each less its intent's mean; for a picture.
    slope : Difference or None
        m/s for one more unit, with its 95 % interval; None under `LEAST_RELATED` swings, or where
        the foot measure does not vary.
    """

    title: str
    unit: str
    n: int
    intents: tuple[str, ...]
    points: tuple[tuple[float, float], ...]
    slope: Difference | None


def relations(visit: Visit) -> list[Relation]:
    """Return how club speed goes with each of `FEET`, within intents alone."""
    return [relation(visit, foot) for foot in FEET]


def relation(visit: Visit, foot: Foot) -> Relation:
    """Return how club speed goes with a foot measure.

    An intent's mean is taken off both: over all intents together faster swings would differ from
    slower ones in all that the player does otherwise. The slope is that of least squares on what is
    left, with an intercept of each intent: n less one for each intent less one degrees of freedom
    (analysis of covariance; Snedecor & Cochran 1989, Statistical Methods, from memory).
    """
    speeds = _speeds(visit)
    pairs: dict[str, list[tuple[float, float]]] = {}
    for run in visit.analysis.sets:
        if run.intent:
            pairs.setdefault(run.intent, []).extend(_pairs(run, foot, speeds))
    groups = {intent: some for intent, some in pairs.items() if len(some) > 1}  # one tells nothing
    points = tuple(point for some in groups.values() for point in _centred(some))
    slope = None
    if len(points) >= LEAST_RELATED:
        size = median_of(abs(x) for some in groups.values() for x, _ in some) or 0.0
        slope = _slope(points, len(groups), size)
    return Relation(foot.title, foot.unit, len(points), tuple(groups), points, slope)


def _pairs(run: MarkedSet, foot: Foot, speeds: dict[int, float]) -> Iterable[tuple[float, float]]:
    for swing in run.swings:
        x, y = foot.value(swing), speeds.get(swing.first_index)
        if x is not None and y is not None:
            yield x, y


def _centred(pairs: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    mean_x = math.fsum(x for x, _ in pairs) / len(pairs)
    mean_y = math.fsum(y for _, y in pairs) / len(pairs)
    return [(x - mean_x, y - mean_y) for x, y in pairs]


def _slope(points: Sequence[tuple[float, float]], groups: int, size: float) -> Difference | None:
    sxx = math.fsum(x * x for x, _ in points)
    degrees = len(points) - groups - 1
    if not exceeds_rounding(math.sqrt(sxx / len(points)), size):
        return None
    slope = math.fsum(x * y for x, y in points) / sxx
    rest = math.fsum((y - slope * x) ** 2 for x, y in points)
    return difference_of_half_width(slope, t95(degrees) * math.sqrt(rest / degrees / sxx), degrees)
