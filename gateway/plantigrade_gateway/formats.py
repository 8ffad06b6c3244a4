"""Numbers, times and counts as people read them. Imports nothing of the program."""

from collections.abc import Iterable
from datetime import datetime

NONE = "–"
"""Stands for an absent value."""
LONGEST_CLOCK_S = 1000.0 * 3600.0
"""From here on hours and minutes tell nobody anything, s (ours)."""


def clock(t_s: float | None, digits: int = 1) -> str:
    """Return a session time as minutes and seconds, ``12:03.4``; hours where there are some.

    One that is no time of day or of a recording, such as seconds since 1970, stays in seconds, as
    the file has it.
    """
    if t_s is None:
        return NONE
    if abs(t_s) >= LONGEST_CLOCK_S:
        return number(t_s, digits, " s")
    ticks = round(abs(t_s) * 10**digits)
    sign = "-" if t_s < 0 and ticks else ""  # no "-0:00.0"
    minutes, rest = divmod(ticks, 60 * 10**digits)
    seconds = f"{rest / 10**digits:0{3 + digits if digits else 2}.{digits}f}"
    if minutes < 60:
        return f"{sign}{minutes}:{seconds}"
    return f"{sign}{minutes // 60}:{minutes % 60:02d}:{seconds}"


def moment(when: datetime) -> str:
    """Return an instant, stored as UTC, in the time of this place: ``2026-03-02 14:05``."""
    return f"{when.astimezone():%Y-%m-%d %H:%M}"


def duration(seconds: float) -> str:
    """Return a length of time: ``12.3 s``, ``8 min 27 s``, ``1 h 02 min``."""
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return (
        f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"
    )


def number(value: float | None, digits: int = 2, unit: str = "") -> str:
    """Return a value with its unit, or the sign for none."""
    return NONE if value is None else f"{value:z.{digits}f}{unit}"


def percent(share: float | None, digits: int = 0) -> str:
    """Return a share as percent, or the sign for none."""
    return NONE if share is None else f"{100.0 * share:z.{digits}f} %"


def printable(text: str) -> str:
    """Return a text of somebody else's without what would move a terminal's cursor."""
    if text.isprintable():  # nearly all are, and marks may be long
        return text
    return "".join(c if c.isprintable() else " " for c in text)


def capital(text: str) -> str:
    """Return a text with its first letter large."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return a text as a sentence: its first letter large, a full stop at its end."""
    return capital(text) + ("" if text.endswith((".", "!", "?")) else ".")


def either(names: Iterable[str]) -> str:
    """Return names as one sentence gives them to choose from: ``a, b or c``."""
    *most, last = names
    return f"{', '.join(most)} or {last}" if most else last


def plural(n: int, one: str, many: str | None = None) -> str:
    """Return ``1 step``, ``2 steps``."""
    return f"{n} {one if n == 1 else many or one + 's'}"
