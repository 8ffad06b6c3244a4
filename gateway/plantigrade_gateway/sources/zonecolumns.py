"""Which columns of a zone CSV are what, and where exactly a bad cell is.

Takes the file's first line and a layout, or one row that a fast read refused. It reads no file
itself: `zonecsv.py` does.
"""

import csv
import re
from collections.abc import Iterable
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
_SIDE_AND_NUMBER = re.compile(
    r"(?:.*[^a-z])?(l|left|r|right)[^a-z0-9]*(?:[a-z]+[^a-z0-9]*)?([0-9]+)", re.IGNORECASE
)
"""A zone's column under another name, such as ``left zone 3``: a side, then a number."""
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """The columns of one zone CSV.

    Attributes
    ----------
    width : int
        Cells in every row.
    used : tuple of int
        Positions of the time, then of L1…Ln, then of R1…Rn.
    names : tuple of str
        What those are called in messages: "time_s", "L1", …
    has_header : bool
    notes : tuple of str
        What the user should know of the reading.
    lowest, highest : ndarray of float64, shape (2 n,)
        Accepted readings of L1…Ln, R1…Rn, in the layout's unit.
    unit : str
    """

    width: int
    used: tuple[int, ...]
    names: tuple[str, ...]
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
        By name where any of ``time_s, L1…Ln, R1…Rn`` occurs, or where a header names zones by side
        and number in other words (time in the first column); else by position: time in seconds, the
        left foot's zones, the right foot's, and further columns left out.

    Raises
    ------
    InputError
        A column is missing or there twice.
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
    if set(names) & set(head):
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
        by_name = _named_otherwise(source, head, names, f"{expected} {of}")
        if by_name is None and line.count(";") > line.count(","):
            raise InputError(
                f"{source}: columns are separated by semicolons, expected commas, and points in "
                f"numbers: {expected} {of}"
            )
        if by_name is None and len(head) < len(names):
            raise InputError(
                f"{source}: {count(len(head), 'column')} separated by commas, "
                f"expected {len(names)}: {expected} {of}"
            )
        used = by_name or tuple(range(len(names)))
        left_out = [cell for at, cell in enumerate(head) if at not in used]
        why = "another header" if has_header else "no header"
        how = "by position" if used == tuple(range(len(names))) else "by side and number"
        notes.append(
            f"{why}: read {how} as time in seconds, {layout.n_zones} left zones, "
            f"{layout.n_zones} right zones"
        )
    if left_out:
        shown = f" ({', '.join(left_out)})" if has_header else ""
        notes.append(f"{count(len(left_out), 'further column')} left out{shown}")
    newtons = np.concatenate([layout.newtons_per_unit] * 2)
    return Columns(
        width=len(head),
        used=used,
        names=names,
        has_header=has_header,
        notes=tuple(notes),
        lowest=LOWEST_ZONE_N / newtons,
        highest=HIGHEST_ZONE_N / newtons,
        unit=layout.unit,
    )


def _named_otherwise(
    source: str, head: list[str], names: tuple[str, ...], expected: str
) -> tuple[int, ...] | None:
    """Return where the columns are by the side and number in their names; None: they name none.

    A header that names zones is never read by position: with one zone lacking, a right zone would
    be taken for a left one.
    """
    found: dict[str, int] = {}
    for at, cell in enumerate(head):
        named = _SIDE_AND_NUMBER.fullmatch(cell)
        if at == 0 or named is None:
            continue
        name = f"{named[1][0].upper()}{int(named[2])}"
        if name in found:
            raise InputError(
                f"{source}: columns {head[found[name]]} and {cell} are both {name}, "
                f"expected {expected}"
            )
        found[name] = at
    if not found:
        return None
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
    return (0, *(found[name] for name in names[1:]))


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
