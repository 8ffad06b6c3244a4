"""Tables of the desk: sorted by any column, a page at a time, units in the heads."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from plantigrade_gateway import formats
from plantigrade_gateway.web.desk.measures import Measure, with_clock

T = TypeVar("T")
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
        Row(n, item, tuple(_cell(measure, item, measure.key in clocks) for measure in measures))
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


def _cell(measure: Measure[T], item: T, is_clock: bool) -> Cell:
    value = measure.value(item)
    if is_clock and not isinstance(value, str):
        return Cell(formats.clock(value), True)
    return Cell(measure.text(value), not isinstance(value, str))


def _head(measure: Measure[T], is_number: bool, sort: str, order: str) -> Head:
    is_sorted = measure.key == sort
    now = ("descending" if order == "down" else "ascending") if is_sorted else "none"
    following = "down" if is_sorted and order != "down" else "up"
    return Head(measure.key, measure.title, measure.unit, is_number, now, following)
