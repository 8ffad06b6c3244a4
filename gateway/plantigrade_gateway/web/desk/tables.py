"""The desk's tables of swings, steps and stands: measures with title, unit and digits."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from plantigrade.events import Stand, Step, Swing
from plantigrade.sampling import (
    least_transfer_s,
    tempo_error,
    time_error_s,
    transfer_of_shift_error,
)
from plantigrade.stat import median_of, stat_of
from plantigrade.summary import is_rolled
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import swing_time

T = TypeVar("T")

ROLLED_TRANSFER = "transfer of rolled pushes"


@dataclass(frozen=True, slots=True)
class Measure(Generic[T]):
    """One measure.

    Attributes
    ----------
    key : str
        Names it in an address.
    title, unit : str
        As the head of its column says.
    value : callable
        A number, a text, or None where it is absent.
    digits : int
    scale : float
        What a number is multiplied by to be in `unit`.
    averaged : callable or None
        Which items a mean is over, where that is not all: swings of different kinds have no
        common mean. Then the median is shown beside it.
    averaged_title : str
        In place of `title` where a mean is shown; empty where that is the same.
    error : callable or None
        Gives the sampling error of one item's value at a rate, Hz; None where sampling is not what
        limits it.
    least : callable or None
        Gives up to where a value at a rate, Hz, is only known to be small.
    """

    key: str
    title: str
    unit: str
    value: Callable[[T], float | str | None]
    digits: int = 2
    scale: float = 1.0
    averaged: Callable[[T], bool] | None = None
    averaged_title: str = ""
    error: Callable[[T, float], float | None] | None = None
    least: Callable[[float], float] | None = None

    def text(self, value: float | str | None) -> str:
        """Return a value as shown."""
        if isinstance(value, str):
            return value
        return formats.number(None if value is None else value * self.scale, self.digits)

    def single_text(self, item: T, rate_hz: float | None) -> str:
        """Return one item's value as shown, with its sampling error where that is known."""
        value = self.value(item)
        if isinstance(value, str) or value is None or rate_hz is None or self.error is None:
            return self.text(value)
        error = self.error(item, rate_hz)
        least = None if self.least is None else self.scale * self.least(rate_hz)
        scaled = None if error is None else self.scale * error
        return words.single(self.scale * value, scaled, self.digits, "", least)

    def number(self, item: T) -> float | None:
        """Return the value of a measure that is a number."""
        value = self.value(item)
        return None if isinstance(value, str) else value

    def averaged_of(self, items: Iterable[T]) -> list[float | None]:
        """Return the values that a mean is over."""
        return [self.number(item) for item in items if self.averaged is None or self.averaged(item)]

    def mean_text(self, values: Sequence[float | None]) -> str:
        """Return mean ± SD (count) of values, and their median where not all items are averaged."""
        text = words.spread(stat_of(values), self.digits, self.scale)
        median = None if self.averaged is None else median_of(values)
        return text if median is None else f"{text}, median {self.text(median)}"


def _one_sample(_: Swing, rate_hz: float) -> float:
    return time_error_s(rate_hz)


def _less(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a - b


SWING_MEASURES: tuple[Measure[Swing], ...] = (
    Measure(
        "to_trail_peak",
        "start to trail peak",
        "s",
        lambda s: _less(s.trail_peak_s, s.start_s),
        error=_one_sample,
    ),
    Measure(
        "to_shift",
        "trail peak to shift",
        "s",
        lambda s: _less(s.shift_s, s.trail_peak_s),
        error=_one_sample,
    ),
    Measure(
        "to_lead_peak",
        "shift to lead peak",
        "s",
        lambda s: _less(s.lead_peak_s, s.shift_s),
        error=_one_sample,
    ),
    Measure("load_tempo", "load tempo", "ratio", lambda s: s.load_tempo, 1, error=tempo_error),
    Measure(
        "transfer",
        "transfer",
        "s",
        lambda s: s.push.transfer_s,
        averaged=is_rolled,
        averaged_title=ROLLED_TRANSFER,
        error=_one_sample,
        least=least_transfer_s,
    ),
    Measure(
        "transfer_of_shift",
        "transfer",
        "% of shift",
        lambda s: s.push.transfer_of_shift,
        0,
        100.0,
        averaged=is_rolled,
        averaged_title=ROLLED_TRANSFER,
        error=transfer_of_shift_error,
    ),
    Measure(
        "load_at_fore_take",
        "load at fore take",
        "% of trail peak",
        lambda s: s.push.load_at_fore_take,
        0,
        100.0,
    ),
    Measure(
        "heel_lift",
        "lead heel unloaded for",
        "s",
        lambda s: s.heel_lift.duration_s,
        error=_one_sample,
    ),
    Measure(
        "heel_return",
        "heel return after level",
        "s",
        lambda s: s.heel_lift.return_after_level_s,
        error=_one_sample,
    ),
    Measure("share_range", "lead share range", "%", lambda s: s.share_range, 0, 100.0),
    Measure("lead_peak", "lead peak", "about × BW", lambda s: s.lead_peak_bw),
    Measure("trail_return", "back to trail foot", "%", lambda s: s.trail_return_share, 0, 100.0),
    Measure("push_from", "push begun at", "% of the foot", lambda s: s.push.travel_from, 0, 100.0),
    Measure(
        "midfoot_of_push",
        "midfoot, heel leave to fore take",
        "% of impulse",
        lambda s: s.push.midfoot_impulse_share,
        1,
        100.0,
    ),
    Measure(
        "trail_heel_address",
        "trail heel at address",
        "% of its foot",
        lambda s: s.push.heel_share_address,
        0,
        100.0,
    ),
    Measure(
        "trail_heel",
        "trail heel at trail peak",
        "% of its foot",
        lambda s: s.push.heel_share_trail_peak,
        0,
        100.0,
    ),
    Measure(
        "lead_heel_address",
        "lead heel at address",
        "% of its foot",
        lambda s: s.lead_heel_share_address,
        0,
        100.0,
    ),
    Measure("address_share", "lead share at address", "%", lambda s: s.address_share, 0, 100.0),
    Measure("trail_peak", "trail peak", "about × BW", lambda s: s.trail_peak_bw),
    Measure("lead_rise", "steepest lead rise, 50 ms", "about BW/s", lambda s: s.lead_rise_bw_s, 1),
    Measure(
        "travel_both",
        "front to back, both feet",
        "% of length",
        lambda s: s.both_cop_travel,
        0,
        100.0,
    ),
    Measure(
        "travel_lead",
        "front to back, lead foot",
        "% of length",
        lambda s: s.lead_cop_travel,
        0,
        100.0,
    ),
    Measure(
        "travel_trail",
        "front to back, trail foot",
        "% of length",
        lambda s: s.trail_cop_travel,
        0,
        100.0,
    ),
)
"""The numbers of a swing."""

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
