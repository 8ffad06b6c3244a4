"""Sets and checks: what the marks in a record say its parts are."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import Mark
from plantigrade_gateway.formats import printable

SET, CHECK = "set:", "check:"
"""What a mark begins with that begins a set or a check (and ends the set before)."""


@dataclass(frozen=True, slots=True)
class SwingRun:
    """The swings of one set.

    Attributes
    ----------
    name : str
        As the mark says, without "set:".
    start_s : float
        Session time of the mark.
    swings : tuple of Swing
    """

    name: str
    start_s: float
    swings: tuple[Swing, ...]


def set_name(mark: Mark) -> str | None:
    """Return the name of the set that a mark begins; None where it begins none."""
    text = printable(mark.text).strip()
    return text[len(SET) :].strip() or "set" if text.lower().startswith(SET) else None


def sets_of(swings: Sequence[Swing], marks: Iterable[Mark]) -> tuple[SwingRun, ...]:
    """Sort swings into the sets that the marks begin.

    A set goes on until the next one begins, or a check does. Swings before the first set, or after
    a check has begun, belong to none.

    Parameters
    ----------
    swings : sequence of Swing
    marks : iterable of Mark
        In order of time.

    Returns
    -------
    tuple of SwingRun
        In order of time; a set without swings is there too.
    """
    edges: list[tuple[float, str | None]] = [
        (mark.t_s, set_name(mark))
        for mark in marks
        if set_name(mark) is not None or mark.text.strip().lower().startswith(CHECK)
    ]
    runs = []
    for k, (start_s, name) in enumerate(edges):
        end_s = edges[k + 1][0] if k + 1 < len(edges) else float("inf")
        if name is not None:
            inside = tuple(s for s in swings if start_s <= swing_time(s) < end_s)
            runs.append(SwingRun(name, start_s, inside))
    return tuple(runs)


def swing_time(swing: Swing) -> float:
    """Return when a swing began, as far as known, s."""
    return swing.address_s if swing.start_s is None else swing.start_s
