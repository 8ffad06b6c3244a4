"""One measure of a player over visits: means with intervals, the error band, and where it breaks.

A line is drawn within a stretch only: where shoe, footbed or calibration changed, another begins.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from plantigrade.change import BY_CHANCE, Kind, compare_visits
from plantigrade.interval import t95
from plantigrade.stat import stat_of
from plantigrade_gateway import formats
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.compare import OF_SHARES, other_hands, share_of
from plantigrade_gateway.coach.follow import KEPT_IS, Followed, Unit, find_followed, units_of
from plantigrade_gateway.coach.repeats import Repeats, means_of, repeats_of
from plantigrade_gateway.coach.swings import INTENTS, KEPT
from plantigrade_gateway.rules.model import RuleSet


@dataclass(frozen=True, slots=True)
class Point:
    """A measure on one visit.

    Attributes
    ----------
    session_id : str
    day : date
    value : float
        Mean of the visit's repeats, or the share.
    low, high : float or None
        Its 95 % interval by this visit alone; None where one value has none.
    count : int
        Swings, stands or steps.
    hits : int or None
        Of a proportion: how many of `count`.
    stretch : int
        From 0; a line is drawn within one.
    mdc95 : float or None
        The smallest difference beyond error from the stretch's first visit; None on that one, and
        without repeats.
    text : str
        What may be said of that difference; empty on the first.
    shoe, footbed : str
    """

    session_id: str
    day: date
    value: float
    low: float | None
    high: float | None
    count: int
    hits: int | None
    stretch: int
    mdc95: float | None
    text: str
    shoe: str
    footbed: str


@dataclass(frozen=True, slots=True)
class Break:
    """Where a stretch ends: before which visit, and what changed."""

    before: str
    day: date
    text: str


@dataclass(frozen=True, slots=True)
class Progress:
    """One measure over visits.

    Attributes
    ----------
    measure : Followed
    points : tuple of Point
        In order of time; visits without the measure are left out.
    breaks : tuple of Break
    kind : Kind or None
        What the error is from.
    degrees : int or None
    notes : tuple of str
        To be shown with it.
    """

    measure: Followed
    points: tuple[Point, ...]
    breaks: tuple[Break, ...]
    kind: Kind | None
    degrees: int | None
    notes: tuple[str, ...]


def progress(case: Case, rules: RuleSet, key: str) -> Progress:
    """Return a measure over a player's visits.

    Parameters
    ----------
    case : Case
    rules : RuleSet
    key : str
        As `plantigrade_gateway.coach.follow.find_followed` takes it; those of ``kept`` are of the
        first silent full set of a visit, before any drill.

    Raises
    ------
    InputError
        There is no such measure.
    """
    measure = find_followed(key)
    key = measure.key
    found = [(visit, units_of(case, rules, visit, key)) for visit in case.visits]
    found = [(visit, units) for visit, units in found if units]
    repeats = None if measure.is_share else repeats_of(case, rules, key)
    points: list[Point] = []
    breaks: list[Break] = []
    first = 0
    for place, (visit, units) in enumerate(found):
        why = "" if place == 0 else _break_since(case, found[place - 1][0], visit)
        if why:
            breaks.append(Break(visit.session_id, visit.started.date(), why))
            first = place
        begun = None if place == first else found[first][1]
        points.append(_point(visit, units, len(breaks), begun, repeats))
    return Progress(
        measure,
        tuple(points),
        tuple(breaks),
        None if repeats is None else repeats.kind,
        None if repeats is None or repeats.error is None else repeats.error.degrees,
        (
            OF_SHARES if repeats is None else repeats.text,
            *(other_hands(*case.visits) if key.partition(".")[0] in (*INTENTS, KEPT) else []),
            *([KEPT_IS] if key.startswith(f"{KEPT}.") else []),
            *([BY_CHANCE] if repeats is not None and len(points) > 2 else []),
        ),
    )


def _break_since(case: Case, last: Visit, visit: Visit) -> str:
    """Say what changed from one visit with the measure to the next, on those between them too.

    A shoe that was worn between and given up again is two changes: no line goes across it.
    """
    between = case.visits[case.visits.index(last) : case.visits.index(visit) + 1]
    said = (break_between(a, b) for a, b in pairwise(between))
    return ", ".join(text for text in said if text)


def break_between(a: Visit, b: Visit) -> str:
    """Say what changed from one visit to the next that is no line across; empty where nothing."""
    said = [
        f"{what} {old or 'not noted'} → {new or 'not noted'}"
        for what, old, new in (("shoe", a.shoe, b.shoe), ("footbed", a.footbed, b.footbed))
        if old != new
    ]
    if a.calibrations != b.calibrations:
        said.append("another calibration")
    return ", ".join(said)


def _point(
    visit: Visit,
    units: Sequence[Unit],
    stretch: int,
    begun: Sequence[Unit] | None,
    repeats: Repeats | None,
) -> Point:
    if repeats is None:
        part = share_of(units)
        assert part.share is not None
        value, low, high, hits = part.share, part.low, part.high, part.count
        mdc, text = None, "" if begun is None else OF_SHARES
    else:
        kind = repeats.kind or Kind.VISITS
        value, half = mean_of(units, kind)
        low, high = (None, None) if half is None else (value - half, value + half)
        hits, mdc, text = None, None, ""
        if begun is not None:
            change = compare_visits(
                means_of(begun, kind), means_of(units, kind), repeats.rows, kind
            )
            mdc, text = change.mdc95, change.text
    return Point(
        session_id=visit.session_id,
        day=visit.started.date(),
        value=value,
        low=low,
        high=high,
        count=sum(len(unit.values) for unit in units),
        hits=hits,
        stretch=stretch,
        mdc95=mdc,
        text=text,
        shoe=visit.shoe,
        footbed=visit.footbed,
    )


def mean_of(units: Sequence[Unit], kind: Kind) -> tuple[float, float | None]:
    """Return a visit's mean and half of its 95 % interval by this visit alone.

    The mean is that of what counts as one each in repeats of a kind; its spread that of values
    about the mean of their own set, stands or walk. None where these have one value each.
    """
    means = means_of(units, kind)
    value = math.fsum(means) / len(means)
    weights = _weights(units, kind)
    squares, degrees = 0.0, 0
    for unit in units:
        stat = stat_of(unit.values)
        if stat.sd is not None:
            squares += stat.sd**2 * (stat.count - 1)
            degrees += stat.count - 1
    if not degrees:
        return value, None
    spread = math.sqrt(squares / degrees)
    parts = (w * w / len(unit.values) for w, unit in zip(weights, units, strict=True))
    return value, t95(degrees) * spread * math.sqrt(math.fsum(parts))


def _weights(units: Sequence[Unit], kind: Kind) -> list[float]:
    """Return each set's part of the visit's mean."""
    if kind is Kind.MEAN:
        return [1.0 / len(units)] * len(units)
    wearings = [unit.wearing for unit in units]
    return [1.0 / (len(set(wearings)) * wearings.count(one)) for one in wearings]


def next_check(case: Case, rules: RuleSet) -> date | None:
    """Return when a player is to be looked at again; None before the first visit."""
    return due_after(case.visits[-1].started.date(), rules) if case.visits else None


def due_after(last: date, rules: RuleSet) -> date | None:
    """Return when a check is due after the last visit; None where the rules do not say."""
    days = rules.speed.get("recheck_after_days")
    return last + timedelta(days=days) if isinstance(days, int | float) else None


def point_text(point: Point, measure: Followed) -> str:
    """Return a point's value with its interval: ``2.9 (2.7 to 3.1)``."""
    digits, scale = measure.digits, measure.scale
    text = formats.number(scale * point.value, digits)
    if point.low is None or point.high is None:
        return text
    low, high = (formats.number(scale * end, digits) for end in (point.low, point.high))
    return f"{text} ({low} to {high})"
