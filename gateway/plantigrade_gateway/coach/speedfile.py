"""A CSV of club speeds from another device, read by a mapping of its columns; the unit is asked."""

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from plantigrade.errors import shown
from plantigrade_gateway.errors import InputError

UNITS = {"m/s": 1.0, "mph": 0.44704, "km/h": 1 / 3.6}
"""m/s of one unit; a mile is 1609.344 m by definition."""
LEAST_M_S, MOST_M_S = 5.0, 80.0
"""A club head's speed; most that are given in miles an hour by mistake lie above (ours)."""
MOST_ROWS, MOST_COLUMNS = 2000, 200

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d{1,9})?))?")
_HALF_A_DAY_S = 43_200.0


@dataclass(frozen=True, slots=True)
class SpeedRow:
    """One speed of the file.

    Attributes
    ----------
    line : int
        Of the file, from 1.
    m_s : float
    t_s : float or None
        When, by the other clock, s; only differences mean something.
    """

    line: int
    m_s: float
    t_s: float | None


@dataclass(frozen=True, slots=True)
class SpeedFile:
    """What the file holds.

    Attributes
    ----------
    rows : tuple of SpeedRow
        In the order of the file.
    left_out : tuple of (int, str)
        Line and cell of what is no club speed.
    """

    rows: tuple[SpeedRow, ...]
    left_out: tuple[tuple[int, str], ...]


def check_speed(m_s: object) -> float:
    """Return a club head's speed, m/s.

    Raises
    ------
    InputError
        No club head is so fast or so slow, or it is no number.
    """
    good = isinstance(m_s, int | float) and not isinstance(m_s, bool) and math.isfinite(m_s)
    if not good or not LEAST_M_S <= m_s <= MOST_M_S:  # type: ignore[operator]
        raise InputError(f"club speed: {shown(m_s)} m/s, expected {LEAST_M_S:g} to {MOST_M_S:g}")
    return float(m_s)  # type: ignore[arg-type]


def in_m_s(value: float, unit: str) -> float:
    """Return a speed in m/s.

    Raises
    ------
    InputError
        Another unit than those of `UNITS`.
    """
    if unit not in UNITS:
        raise InputError(f"unit: {shown(unit)}, expected {', '.join(UNITS)}")
    return value * UNITS[unit]


def columns_of(data: bytes) -> list[str]:
    """Return the heads of a CSV's columns, for a mapping to be chosen.

    Raises
    ------
    InputError
        It cannot be read.
    """
    return _table(data)[0]


def read_speeds(data: bytes, column: str, unit: str, time_column: str | None = None) -> SpeedFile:
    """Read the speeds of a CSV.

    Parameters
    ----------
    data : bytes
        UTF-8, with a head; cells lie between commas, semicolons or tabs, whichever the head has
        most of. Where that is no comma a number may have a decimal comma.
    column : str
        The head of the speed's column, in either case.
    unit : str
        One of `UNITS`.
    time_column : str, optional
        That of when: seconds, ``14:03:27.5``, or a date and time as ``2026-03-31T14:03:27``.

    Returns
    -------
    SpeedFile
        A row whose speed is empty is left out without a word.

    Raises
    ------
    InputError
        It cannot be read, has no such column, a time is none, or most of it is no club speed.
    """
    in_m_s(0.0, unit)
    head, lines, has_comma = _table(data)
    at = _column(head, column)
    time_at = None if time_column is None else _column(head, time_column)
    rows, left_out = [], []
    last: float | None = None
    for line, cells in lines:
        text = cells[at].strip() if at < len(cells) else ""
        if not text:
            continue
        try:
            m_s = check_speed(in_m_s(_number(text, has_comma), unit))
        except (ValueError, InputError):
            left_out.append((line, text))
            continue
        if time_at is not None:
            last = _time(cells[time_at] if time_at < len(cells) else "", line, has_comma, last)
        rows.append(SpeedRow(line, m_s, last))
    if len(left_out) > len(rows):
        line, text = left_out[0]
        raise InputError(
            f"column {shown(column)}: {len(left_out)} of {len(left_out) + len(rows)} cells are no "
            f"club speed of {LEAST_M_S:g} to {MOST_M_S:g} m/s, as line {line}: {shown(text)} "
            f"{unit}; is it another unit or column?"
        )
    return SpeedFile(tuple(rows), tuple(left_out))


def _table(data: bytes) -> tuple[list[str], Iterator[tuple[int, list[str]]], bool]:
    """Return the head, the lines with their numbers, and whether a number may have a comma."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("club speeds: not UTF-8 text, expected CSV") from None
    first = text.lstrip("\r\n").partition("\n")[0]
    sign = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign)

    def lines() -> Iterator[tuple[int, list[str]]]:
        try:
            for cells in reader:
                if not any(cell.strip() for cell in cells):
                    continue
                if len(cells) > MOST_COLUMNS:
                    raise InputError(
                        f"club speeds: line {reader.line_num} has {len(cells)} cells, expected "
                        f"{MOST_COLUMNS} at most"
                    )
                yield reader.line_num, cells
        except csv.Error as error:
            raise InputError(f"club speeds: line {reader.line_num}: {error}") from error

    def bounded() -> Iterator[tuple[int, list[str]]]:
        for n, found in enumerate(lines()):
            if n > MOST_ROWS:
                raise InputError(f"club speeds: more than {MOST_ROWS} rows, expected a session's")
            yield found

    rows = bounded()
    _, head = next(rows, (0, []))
    if not head:
        raise InputError("club speeds: is empty, expected CSV with a head")
    return [cell.strip() for cell in head], rows, sign != ","


def _column(head: list[str], name: str) -> int:
    wanted = name.strip().casefold()
    found = [k for k, cell in enumerate(head) if cell.casefold() == wanted]
    if len(found) != 1:
        there = ", ".join(shown(cell) for cell in head[:20])
        what = "there is none such" if not found else f"{len(found)} are called so"
        raise InputError(f"column {shown(name)}: {what}; there are {there}")
    return found[0]


def _number(text: str, has_comma: bool) -> float:
    value = float(text.replace(",", ".") if has_comma else text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _time(text: str, line: int, has_comma: bool, last: float | None) -> float:
    """Return a cell's time, s; a clock that starts again at midnight goes on."""
    cell = text.strip()
    clock = _CLOCK.fullmatch(cell)
    try:
        if clock is not None:
            hours, minutes, seconds = clock.groups(default="0")
            t_s = 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds.replace(",", "."))
            if last is not None and t_s < last - _HALF_A_DAY_S:
                t_s += timedelta(days=1).total_seconds()
            return t_s
        if "-" in cell[1:] or ":" in cell:
            when = datetime.fromisoformat(cell)
            return (when - datetime(1970, 1, 1, tzinfo=when.tzinfo)).total_seconds()
        return _number(cell, has_comma)
    except ValueError:
        raise InputError(
            f"line {line}: time {shown(cell)}, expected seconds, 14:03:27, or a date and time"
        ) from None
