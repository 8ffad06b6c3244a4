"""Which columns of a zone CSV are what, and where exactly a bad cell is.

Takes the file's first line and a layout, or one row that a fast read refused. It reads no file
itself: `zonecsv.py` does.
"""

import csv
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade.zones import ZoneLayout
from plantigrade_gateway.errors import InputError

LOWEST_ZONE_N = -20.0
"""Below this a reading is an error, N. Zones drift: a little under zero is real (ours: twice the
drift of ±10 N that the synthetic player has)."""

HIGHEST_ZONE_N = 10_000.0
"""Above this a reading is an error, N: no foot loads one zone so, but raw counts would (ours)."""

LATEST_S = 1e10
"""Beyond this, either side of 0, a time is not in seconds (seconds since 1970 are 1.8e9)."""

_ZONE = re.compile("[LR][0-9]+")
_ASIDE = re.compile(r"\(.*?\)|\[.*?\]")
"""What a name says in brackets: a number in it, as in ``[of 18]``, is no zone's."""
_UNIT = re.compile(
    r"[(\[]\s*(k?N|[hkM]?Pa|m?bar|mmHg|psi|k?gf?|lbf?|N/[cm]m[2²]|m?V)\s*[)\]]", re.I
)
"""A unit of force, pressure, mass or voltage in brackets."""
_WORD = re.compile("[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")
_GLUED = re.compile("(l|r)[a-z]+", re.IGNORECASE)
"""A side's letter before a word in one, such as ``lp`` of ``lp3``."""
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """The columns of one zone CSV.

    Attributes
    ----------
    width : int
        Cells in every row.
    used : tuple of int
        Positions of the time, then of L1…Ln, then of R1…Rn; of one foot's alone where the other was
        not recorded.
    names : tuple of str
        What those are called in messages: "time_s", "L1", …
    n_zones : int
        Of a foot.
    has_header : bool
    notes : tuple of str
        What the user should know of the reading.
    lowest, highest : ndarray of float64, shape (names but the time,)
        Accepted readings of each zone's column, in the layout's unit.
    unit : str
    """

    width: int
    used: tuple[int, ...]
    names: tuple[str, ...]
    n_zones: int
    has_header: bool
    notes: tuple[str, ...]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    unit: str


def find_columns(source: str, line: str, layout: ZoneLayout) -> Columns:
    """Read a zone CSV's first line.

    Parameters
    ----------
    source : str
        Named in messages, usually the file.
    line : str
        The first line that is not blank.
    layout : ZoneLayout

    Returns
    -------
    Columns
        By name where ``time_s`` and any of ``L1…Ln, R1…Rn`` occur, or where a header names zones by
        side and number (time in ``time_s``, else in the column that says so, else the first);
        else, where no column is called ``time_s``, by position: time in seconds, the left foot's
        zones, the right foot's, and further columns left out. Where the names are of one foot
        alone, the other was not recorded.

    Raises
    ------
    InputError
        A column is missing, there twice, of the other foot than its place is, or in another unit
        than the layout's.
    """
    try:
        head = _cells(line)
    except csv.Error as error:
        raise InputError(f"{source}: header is not comma-separated text ({error})") from error
    names = ("time_s", *(f"{side}{k + 1}" for side in "LR" for k in range(layout.n_zones)))
    expected = f"time_s, L1 to L{layout.n_zones} and R1 to R{layout.n_zones}"
    of = f'of layout "{layout.name}"'
    notes = []
    has_header = not all(cell == "" or _NUMBER.fullmatch(cell) for cell in head)
    own = set(names) & set(head)
    by_name = None
    # the time's name says nothing of zones, and theirs nothing of the time
    if (own <= {"time_s"} and head.count("time_s") < 2) or (
        "time_s" not in own and len(_saying_time(head)) == 1
    ):
        by_name = _named_otherwise(source, head, names, f"{expected} {of}")
    if own and by_name is None:
        names = _recorded(names, [_zone(cell, _side) for cell in head])
        for name in names:
            if head.count(name) != 1:
                fault = "missing" if name not in head else "there twice"
                raise InputError(f"{source}: column {name} is {fault}, expected {expected} {of}")
        used = tuple(head.index(name) for name in names)
        left_out = [cell for cell in head if cell not in names]
        more = [cell for cell in left_out if _ZONE.fullmatch(cell)]
        if more:
            raise InputError(
                f"{source}: column {more[0]} is one too many, expected {expected} {of}"
            )
    else:
        for mark, called in ((";", "semicolons"), ("\t", "tabs")):
            if by_name is None and line.count(mark) > line.count(","):
                raise InputError(
                    f"{source}: columns are separated by {called}, expected commas, and points in "
                    f"numbers: {expected} {of}"
                )
        if by_name is None and len(head) < len(names):
            raise InputError(
                f"{source}: {count(len(head), 'column')} separated by commas, "
                f"expected {len(names)}: {expected} {of}"
            )
        names, used = by_name or (names, tuple(range(len(names))))
        for at, name in zip(used[1:], names[1:], strict=True):
            said = _side(_words(head[at]))
            if said and said != name[0]:  # feet that are exchanged look like feet
                raise InputError(
                    f"{source}: column {head[at]} stands where {name} is expected: {expected} {of}"
                )
            unit = _UNIT.search(head[at])
            if unit and unit[1].lower() != layout.unit.lower():
                raise InputError(
                    f"{source}: column {head[at]} is in {unit[1]}, expected {layout.unit}, "
                    f'the unit of layout "{layout.name}"'
                )
        left_out = [cell for at, cell in enumerate(head) if at not in used]
        why = "another header" if has_header else "no header"
        is_in_place = used == tuple(range(1 + 2 * layout.n_zones))
        how = "by position" if is_in_place else "by side and number"
        feet = [
            f"{layout.n_zones} {foot} zones"
            for foot in ("left", "right")
            if f"{foot[0].upper()}1" in names
        ]
        notes.append(f"{why}: read {how} as time in seconds, {', '.join(feet)}")
    if left_out:
        shown = f" ({', '.join(left_out)})" if has_header else ""
        notes.append(f"{count(len(left_out), 'further column')} left out{shown}")
    newtons = np.tile(layout.newtons_per_unit, (len(names) - 1) // layout.n_zones)
    return Columns(
        width=len(head),
        used=used,
        names=names,
        n_zones=layout.n_zones,
        has_header=has_header,
        notes=tuple(notes),
        lowest=LOWEST_ZONE_N / newtons,
        highest=HIGHEST_ZONE_N / newtons,
        unit=layout.unit,
    )


def _recorded(names: tuple[str, ...], zones: Iterable[str | None]) -> tuple[str, ...]:
    """Return the names of the columns of those feet that zones of a header are of.

    A foot has all its zones or none: one of which no zone is named was not recorded. Where none is
    named at all, both are expected.
    """
    sides = {zone[0] for zone in zones if zone} or {"L", "R"}
    return names[:1] + tuple(name for name in names[1:] if name[0] in sides)


def _named_otherwise(
    source: str, head: list[str], names: tuple[str, ...], expected: str
) -> tuple[tuple[str, ...], tuple[int, ...]] | None:
    """Return the columns and where they are by side and number; None: the header names no zone.

    A header that names zones is never read by position: with one zone lacking, a right zone would
    be taken for a left one.
    """
    time = _time_column(head)
    named = [None if at == time else _zone(cell, _side) for at, cell in enumerate(head)]
    if not any(named):
        named = [None if at == time else _zone(cell, _glued_side) for at, cell in enumerate(head)]
        if len({name[0] for name in named if name}) < 2:  # load1, load2 … are of no side
            return None
    found: dict[str, int] = {}
    for at, name in enumerate(named):
        if name is None:
            continue
        if name in found:
            raise InputError(
                f"{source}: columns {head[found[name]]} and {head[at]} are both {name}, "
                f"expected {expected}"
            )
        found[name] = at
    names = _recorded(names, found)
    for name in names[1:]:
        if name not in found:
            raise InputError(
                f"{source}: the header names zones, and {name} is missing, expected {expected}"
            )
    more = sorted(set(found) - set(names))
    if more:
        raise InputError(
            f"{source}: column {head[found[more[0]]]} is one too many, expected {expected}"
        )
    return names, (time, *(found[name] for name in names[1:]))


def _time_column(head: list[str]) -> int:
    """Return which column is the time: ``time_s``, else the only that says so, else the first."""
    if "time_s" in head:
        return head.index("time_s")
    saying = _saying_time(head)
    return saying[0] if len(saying) == 1 else 0


def _saying_time(head: list[str]) -> list[int]:
    return [at for at, cell in enumerate(head) if {"t", "time"} & set(_words(cell))]


def _words(cell: str) -> list[str]:
    """Return the words and numbers of a column's name, lower case: "VGRF_left_s1", "RightZone1"."""
    return [word.lower() for word in _WORD.findall(_ASIDE.sub(" ", cell))]


def _side(words: list[str]) -> str | None:
    """Return "L" or "R" where the words name the one side."""
    sides = {
        word[0].upper()
        for word in words
        if word in ("l", "r") or word.startswith(("left", "right"))
    }
    return sides.pop() if len(sides) == 1 else None


def _glued_side(words: list[str]) -> str | None:
    return words[0][0].upper() if words and _GLUED.fullmatch(words[0]) else None


def _zone(cell: str, side_of: Callable[[list[str]], str | None]) -> str | None:
    """Return the zone that a column's name says, as "L3"; None: not one side and one number."""
    words = _words(cell)
    numbers = [word for word in words if word.isdigit()]
    side = side_of(words)
    return f"{side}{int(numbers[0])}" if side and len(numbers) == 1 else None


def find_fault(
    lines: Iterable[tuple[int, str]], columns: Columns, before_s: float | None
) -> str | None:
    """Say what is wrong with the first bad line, or None where every line is good.

    Parameters
    ----------
    lines : iterable of (int, str)
        Line number in the file and its text, blank lines left out.
    columns : Columns
    before_s : float or None
        Time of the row before the first, s.

    Returns
    -------
    str or None
        Line, column, what it is and what was expected.
    """
    for number, line in lines:
        try:
            cells = _cells(line, strip=False)
        except csv.Error as error:
            return f"line {number} is not comma-separated text ({error})"
        if len(cells) != columns.width:
            return f"line {number} has {count(len(cells), 'cell')}, expected {columns.width}"
        values = []
        for k, name in enumerate(columns.names):
            fault, value = _cell_fault(cells[columns.used[k]], columns, k)
            if fault:
                return f"line {number}, column {name} is {fault}"
            values.append(value)
        if before_s is not None and values[0] <= before_s:
            return (
                f"line {number}, column time_s is {values[0]:.10g}, expected more than the "
                f"{before_s:.10g} of the line before"
            )
        before_s = values[0]
    return None


def count(n: int, noun: str) -> str:
    """Return "1 row", "2 rows"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _cell_fault(cell: str, columns: Columns, k: int) -> tuple[str, float]:
    if cell == "":
        return ("empty, expected a time in seconds", 0.0) if k == 0 else ("", 0.0)
    what = "a time in seconds" if k == 0 else f"a number of {columns.unit} or nothing"
    text = cell.strip(" \t")  # what the fast read strips
    if not _NUMBER.fullmatch(text):
        return f"{cell[:40]!r}, expected {what}", 0.0
    value = float(text)
    if not np.isfinite(value) or (k == 0 and abs(value) > LATEST_S):
        return f"{text}, expected {what}", 0.0
    if k > 0:
        low, high = columns.lowest[k - 1], columns.highest[k - 1]
        if not low <= value <= high:
            limits = f"{low:.4g} to {high:.6g} {columns.unit}"
            return f"{value:.10g}, expected {limits}", 0.0
    return "", value


def _cells(line: str, *, strip: bool = True) -> list[str]:
    cells = next(csv.reader([line], strict=True), [])
    return [cell.strip() for cell in cells] if strip else cells
