"""The progress page: one measure over a player's visits, and two visits side by side."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from plantigrade_gateway.check.speedblock import done_of
from plantigrade_gateway.coach.case import Case
from plantigrade_gateway.coach.compare import Compared, Comparison, compare
from plantigrade_gateway.coach.follow import followed
from plantigrade_gateway.coach.progress import Progress, point_text, progress
from plantigrade_gateway.coach.repeats import reliability
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.report.change import summary_of
from plantigrade_gateway.rules.model import RuleSet
from plantigrade_gateway.web.desk.frame import Desk, DeskRoute

USUAL = "full.push_good"
"""The measure that is shown first."""


def progress_router(desk: Desk) -> APIRouter:
    """Return the route of the progress page."""
    router = APIRouter(prefix="/players", route_class=DeskRoute)

    @router.get("/{player_id}/progress", response_class=HTMLResponse)
    def page(player_id: str, measure: str = USUAL, before: str = "", after: str = "") -> Response:
        profile = desk.reads.player(player_id)
        rules = RuleBook(desk.reads.register).current().rules
        case = case_of(desk.reads.register, player_id)
        found = progress(case, rules, measure)
        compared = _compared(case, rules, before, after)
        return desk.page(
            "progress.html",
            here="players",
            player=profile,
            case=case,
            measures=_by_group(),
            found=found,
            drawn=drawing(found),
            breaks={one.before: one.text for one in found.breaks},
            point_text=point_text,
            repeated=reliability(case, rules, found.measure.key),
            compared=compared,
            called=called(case),
            is_one_visit=bool(before) and before == after,
            groups=[] if compared is None else groups_of(compared, found.measure.key),
            summary=() if compared is None else summary_of(compared.lines),
            reasons=[] if compared is None else reasons_of(compared),
            before=before,
            after=after,
            speed_work=[
                (visit, done)
                for visit in case.visits
                if (done := done_of(visit.analysis)) is not None
            ],
        )

    return router


def called(case: Case) -> dict[str, str]:
    """Return what each visit is called: its day, of two on one day with the time."""
    days = Counter(visit.started.date() for visit in case.visits)
    return {
        visit.session_id: visit.started.strftime(
            "%Y-%m-%d" if days[visit.started.date()] == 1 else "%Y-%m-%d %H:%M"
        )
        for visit in case.visits
    }


def _by_group() -> dict[str, list[tuple[str, str]]]:
    """Return key and title, with unit, of the measures, by what they are of."""
    groups: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for key, one in followed().items():
        groups[key.partition(".")[0]].append((key, ", ".join(filter(None, (one.title, one.unit)))))
    return groups


def _compared(case: Case, rules: RuleSet, before: str, after: str) -> Comparison | None:
    """Return two visits side by side, the earlier one first; None where two are not chosen."""
    if not before or not after or before == after:
        return None
    order = [visit.session_id for visit in case.visits]
    if before in order and after in order and order.index(before) > order.index(after):
        before, after = after, before
    return compare(case, rules, before, after)


def groups_of(compared: Comparison, key: str) -> list[tuple[str, bool, list[Compared]]]:
    """Return what is compared by what it is of, and whether that is shown at once.

    That is the part which a measure is of, or the first one.
    """
    groups: dict[str, list[Compared]] = defaultdict(list)
    for line in compared.lines:
        groups[line.measure.key.partition(".")[0]].append(line)
    wanted = key.partition(".")[0]
    first = wanted if wanted in groups else next(iter(groups), "")
    return [(name, name == first, lines) for name, lines in groups.items()]


def reasons_of(compared: Comparison) -> list[str]:
    """Return why lines have no verdict, each reason once: it stands below the tables."""
    return list(dict.fromkeys(line.text for line in compared.lines if no_verdict(line.text)))


def no_verdict(text: str) -> bool:
    """Whether a text says why there is no verdict."""
    return text.startswith("no verdict:")


# ---- The drawing: points in order of the visits, with intervals; lines within a stretch only ----

STEP_PX, HIGH_PX = 60, 180
LEFT_PX, TOP_PX, FOOT_PX = 44, 12, 40
LEAST_PX = 340  # a phone's width, less the page's edges


@dataclass(frozen=True, slots=True)
class Mark:
    """A visit in the drawing, px.

    Attributes
    ----------
    x, y : float
    low_y, high_y : float or None
        Ends of the interval.
    label : str
        Month and day.
    """

    x: float
    y: float
    low_y: float | None
    high_y: float | None
    label: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """A measure over visits, px.

    Attributes
    ----------
    width, height : int
    marks : tuple of Mark
    lines : tuple of str
        Points of each line: one for each stretch of two visits or more.
    breaks : tuple of float
        Where a stretch ends.
    ticks : tuple of (float, str)
        Height and value.
    """

    width: int
    height: int
    marks: tuple[Mark, ...]
    lines: tuple[str, ...]
    breaks: tuple[float, ...]
    ticks: tuple[tuple[float, str], ...]


def drawing(found: Progress) -> Drawing | None:
    """Return how a measure over visits is drawn; None where there is nothing to draw."""
    if not found.points:
        return None
    low, high = _ends(found)
    scale = found.measure.scale

    def y_of(value: float) -> float:
        return round(TOP_PX + HIGH_PX * (high - value) / (high - low), 1)

    marks = tuple(
        Mark(
            LEFT_PX + STEP_PX * (k + 0.5),
            y_of(point.value),
            None if point.low is None else y_of(point.low),
            None if point.high is None else y_of(point.high),
            f"{point.day:%m-%d}",
        )
        for k, point in enumerate(found.points)
    )
    stretches: dict[int, list[Mark]] = defaultdict(list)
    for point, mark in zip(found.points, marks, strict=True):
        stretches[point.stretch].append(mark)
    firsts = [row[0].x for row in list(stretches.values())[1:]]
    return Drawing(
        max(LEAST_PX, LEFT_PX + STEP_PX * len(marks) + 8),
        TOP_PX + HIGH_PX + FOOT_PX,
        marks,
        tuple(_points(row) for row in stretches.values() if len(row) > 1),
        tuple(x - STEP_PX / 2 for x in firsts),
        tuple(
            (y_of(value), f"{scale * value:.{found.measure.digits}f}")
            for value in (low, (low + high) / 2, high)
        ),
    )


def _points(row: Sequence[Mark]) -> str:
    return " ".join(f"{mark.x:g},{mark.y:g}" for mark in row)


def _ends(found: Progress) -> tuple[float, float]:
    """Return the ends of the axis: 0 to 1 of a share, else all that is shown with some room."""
    if found.measure.is_share:
        return 0.0, 1.0
    values = [
        value
        for point in found.points
        for value in (point.value, point.low, point.high)
        if value is not None
    ]
    low, high = min(values), max(values)
    room = max(0.1 * (high - low), 0.5 * 10.0**-found.measure.digits / found.measure.scale)
    return low - room, high + room
