"""The desk's tables of swings, steps and stands: measures with title, unit and digits."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from plantigrade.events import Stand, Step, Swing
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.measures import SWING_MEASURES, Measure
from plantigrade_gateway.analysis.result import swing_time

T = TypeVar("T")


STEP_MEASURES: tuple[Measure[Step], ...] = (
    Measure("foot", "foot", "", lambda s: str(s.foot)),
    Measure("strike", "strike", "session time", lambda s: s.strike_s),
    Measure("stance", "stance", "s", lambda s: s.stance_s, 3),
    Measure("roll", "roll", "", lambda s: str(s.roll)),
    Measure("midfoot", "midfoot impulse", "%", lambda s: s.midfoot_impulse_share, 1, 100.0),
    Measure("heel_centre", "heel centre", "% of stance", lambda s: s.heel.centre_pct, 0),
    Measure("midfoot_centre", "midfoot centre", "% of stance", lambda s: s.midfoot.centre_pct, 0),
    Measure(
        "forefoot_centre", "forefoot centre", "% of stance", lambda s: s.forefoot.centre_pct, 0
    ),
    Measure("toes_centre", "toes centre", "% of stance", lambda s: s.toes.centre_pct, 0),
    Measure("heel_off", "heel off", "% of stance", lambda s: s.heel_off_pct, 0),
    Measure("peak1", "loading peak", "N", lambda s: s.peak1_n, 0),
    Measure("valley", "valley", "N", lambda s: s.valley_n, 0),
    Measure("peak2", "push-off peak", "N", lambda s: s.peak2_n, 0),
)

STAND_MEASURES: tuple[Measure[Stand], ...] = (
    Measure("start", "start", "session time", lambda s: s.start_s),
    Measure("length", "length", "s", lambda s: s.end_s - s.start_s, 1),
    Measure("left_share", "left share of load", "%", lambda s: s.left_share, 0, 100.0),
    Measure("left_bearing", "left bearing", "", lambda s: str(s.left.bearing)),
    Measure("left_midfoot", "left midfoot share", "%", lambda s: s.left.midfoot_share, 1, 100.0),
    Measure(
        "left_medial",
        "left medial part of midfoot",
        "%",
        lambda s: s.left.midfoot_medial_share,
        0,
        100.0,
    ),
    Measure("left_zones", "left midfoot zones", "in contact", lambda s: s.left.midfoot_zones, 0),
    Measure("left_rms", "left sway RMS, front to back", "mm", lambda s: s.left.sway_rms_y_mm, 1),
    Measure("left_rms_x", "left sway RMS, across", "mm", lambda s: s.left.sway_rms_x_mm, 1),
    Measure("right_bearing", "right bearing", "", lambda s: str(s.right.bearing)),
    Measure("right_midfoot", "right midfoot share", "%", lambda s: s.right.midfoot_share, 1, 100.0),
    Measure(
        "right_medial",
        "right medial part of midfoot",
        "%",
        lambda s: s.right.midfoot_medial_share,
        0,
        100.0,
    ),
    Measure("right_zones", "right midfoot zones", "in contact", lambda s: s.right.midfoot_zones, 0),
    Measure("right_rms", "right sway RMS, front to back", "mm", lambda s: s.right.sway_rms_y_mm, 1),
    Measure("right_rms_x", "right sway RMS, across", "mm", lambda s: s.right.sway_rms_x_mm, 1),
)


def swing_columns(
    set_names: Mapping[int, str], numbers_in_set: Mapping[int, int], left_out: Mapping[int, str]
) -> tuple[Measure[Swing], ...]:
    """Return the columns of a table of swings.

    Parameters
    ----------
    set_names : mapping of int to str
        The set of each swing that is in one, by the swing's ``first_index``.
    numbers_in_set : mapping of int to int
        Its number in that set, from 1, likewise.
    left_out : mapping of int to str
        Why a swing counts nowhere, likewise; a column where there is one.
    """
    out: Measure[Swing] = Measure("out", "left out", "", lambda s: left_out.get(s.first_index, ""))
    return (
        *((out,) if left_out else ()),
        Measure("start", "start", "session time", swing_time),
        Measure("set", "set", "", lambda s: set_names.get(s.first_index)),
        Measure("in_set", "number in set", "", lambda s: numbers_in_set.get(s.first_index), 0),
        Measure("push", "push", "", lambda s: words.push(s.push)),
        Measure("heel", "lead heel", "", lambda s: words.HEEL[s.heel_lift.state]),
        *SWING_MEASURES,
    )


def with_clock(measures: Sequence[Measure[T]]) -> set[str]:
    """Return the keys of the measures that are times of the session."""
    return {measure.key for measure in measures if measure.unit == "session time"}


ROWS_PER_PAGE = 200
"""More make a page slow to lay out on a tablet (ours)."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text, and whether it is a number."""

    text: str
    is_number: bool


@dataclass(frozen=True, slots=True)
class Head:
    """The head of a column.

    Attributes
    ----------
    key, title, unit : str
    is_number : bool
    sorted : str
        "ascending", "descending" or "none", as ARIA says it.
    next_order : str
        What pressing it asks for: "up" or "down".
    """

    key: str
    title: str
    unit: str
    is_number: bool
    sorted: str
    next_order: str


@dataclass(frozen=True, slots=True)
class Row(Generic[T]):
    """One row: the number of its event in the order of time (from 1), the event, its cells."""

    number: int
    item: T
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table(Generic[T]):
    """A page of a table.

    Attributes
    ----------
    heads : tuple of Head
    rows : tuple of Row
    page, pages : int
        From 1.
    total : int
        Rows of all pages.
    """

    heads: tuple[Head, ...]
    rows: tuple[Row[T], ...]
    page: int
    pages: int
    total: int


def make_table(
    items: Sequence[T],
    measures: Sequence[Measure[T]],
    sort: str = "",
    order: str = "up",
    page: int = 1,
    rate_hz: float | None = None,
) -> Table[T]:
    """Make one page of a table of events.

    Parameters
    ----------
    items : sequence
        In order of time.
    measures : sequence of Measure
        The columns.
    sort : str
        The key of the column to sort by; any other: the order of time.
    order : str
        "up" or "down". Absent values come last in either.
    page : int
        From 1; beyond the last: the last.
    rate_hz : float or None
        Samples per second; values are shown with their sampling error where it is known.
    """
    clocks = with_clock(measures)
    chosen = next((m for m in measures if m.key == sort), None)
    numbered = list(enumerate(items, 1))
    if chosen is not None:
        numbered = _sorted(numbered, chosen.value, order == "down")
    pages = max(-(-len(numbered) // ROWS_PER_PAGE), 1)
    page = min(max(page, 1), pages)
    some = numbered[(page - 1) * ROWS_PER_PAGE : page * ROWS_PER_PAGE]
    rows = tuple(
        Row(n, item, tuple(_cell(m, item, m.key in clocks, rate_hz) for m in measures))
        for n, item in some
    )
    numeric = [
        not any(isinstance(m.value(item), str) for item in items[:ROWS_PER_PAGE]) for m in measures
    ]
    heads = tuple(
        _head(measure, is_number, sort, order)
        for measure, is_number in zip(measures, numeric, strict=True)
    )
    return Table(heads, rows, page, pages, len(numbered))


def _sorted(
    numbered: list[tuple[int, T]], value: Callable[[T], float | str | None], down: bool
) -> list[tuple[int, T]]:
    there = [(n, item) for n, item in numbered if value(item) is not None]
    absent = [(n, item) for n, item in numbered if value(item) is None]
    there.sort(key=lambda pair: value(pair[1]), reverse=down)  # type: ignore[arg-type, return-value]
    return there + absent


def _cell(measure: Measure[T], item: T, is_clock: bool, rate_hz: float | None) -> Cell:
    value = measure.value(item)
    if is_clock and not isinstance(value, str):
        return Cell(formats.clock(value), True)
    return Cell(measure.single_text(item, rate_hz), not isinstance(value, str))


def _head(measure: Measure[T], is_number: bool, sort: str, order: str) -> Head:
    is_sorted = measure.key == sort
    now = ("descending" if order == "down" else "ascending") if is_sorted else "none"
    following = "down" if is_sorted and order != "down" else "up"
    return Head(measure.key, measure.title, measure.unit, is_number, now, following)
