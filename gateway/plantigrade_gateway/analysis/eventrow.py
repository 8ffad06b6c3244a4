"""Events as rows of the store, and back.

Takes and gives the frozen results of `plantigrade.events`; does no I/O. A row's identity is a hash
of session, kind, foot and first sample, so that an event that is written twice is there once.
"""

import hashlib
import math
from dataclasses import dataclass
from typing import Any

from plantigrade.events import Stand, Step, Swing
from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.errors import StoreError

Measured = Step | Stand | Swing
"""The events that are kept; provisional phases never are."""

_KINDS: dict[str, type[Measured]] = {"step": Step, "stand": Stand, "swing": Swing}
_ID_HEX = 32  # 128 bits: two events of a store never share an id by chance


@dataclass(frozen=True, slots=True)
class EventRow:
    """One event as the store keeps it.

    Attributes
    ----------
    event_id : str
        `event_id` of session, kind, foot and first sample.
    kind : str
        ``"step"``, ``"stand"`` or ``"swing"``.
    foot : str
        ``"left"`` or ``"right"``; of a swing the lead foot; ``"both"`` for a stand.
    t_s : float
        When it began (a step's strike, a stand's or swing's start), s on the session's time line;
        where a gap hides that, when it ended or was confirmed.
    first_index : int
        Its first sample on the paired time line.
    body : dict
        The whole event as JSON values, nested as the dataclasses are; absent values are None.
    upto_entry : int
        It was decided from the record's first so many entries: it is stored after they are.
    """

    event_id: str
    kind: str
    foot: str
    t_s: float
    first_index: int
    body: dict[str, Any]
    upto_entry: int = 0


def event_id(session_id: str, kind: str, foot: str, first_index: int) -> str:
    """Return an event's identity, 32 hexadecimal digits."""
    text = f"{session_id}/{kind}/{foot}/{first_index}"
    return hashlib.sha256(text.encode()).hexdigest()[:_ID_HEX]


def event_row(session_id: str, event: Measured, upto_entry: int = 0) -> EventRow:
    """Turn an event into a row.

    Parameters
    ----------
    session_id : str
    event : Step, Stand or Swing
        Floats come back exactly (JSON keeps a double's shortest form that reads back the same);
        NaN and infinities become None, as absent values are null.
    upto_entry : int
        How many of the record's entries had been handled when the event was given out.

    Raises
    ------
    StoreError
        Not one of the three, or a value in it that has no place in JSON.
    """
    kind = next((name for name, cls in _KINDS.items() if type(event) is cls), None)
    if kind is None:
        raise StoreError(f"event of type {type(event).__name__}, expected Step, Stand or Swing")
    if isinstance(event, Step):
        foot, times = str(event.foot), (event.strike_s, event.off_s)
    elif isinstance(event, Stand):
        foot, times = "both", (event.start_s, event.end_s)
    else:
        foot, times = str(event.lead), (event.start_s, event.address_s)
    t_s = next((float(t) for t in times if t is not None and math.isfinite(t)), event.confirmed_s)
    return EventRow(
        event_id=event_id(session_id, kind, foot, event.first_index),
        kind=kind,
        foot=foot,
        t_s=float(t_s),
        first_index=int(event.first_index),
        body=_body(event, kind),
        upto_entry=upto_entry,
    )


def event_of(row: EventRow) -> Measured:
    """Turn a row back into the event it was made from.

    Raises
    ------
    StoreError
        The row's kind or body is not one this version knows.
    """
    if row.kind not in _KINDS:
        raise StoreError(f"event {row.event_id}: kind {row.kind!r}, expected {', '.join(_KINDS)}")
    try:
        return made(_KINDS[row.kind], row.body)
    except ValueError as error:
        raise StoreError(
            f"event {row.event_id}: not a {row.kind} of this version ({error}); "
            "run plantigrade reanalyse"
        ) from error


def _body(event: Measured, kind: str) -> dict[str, Any]:
    try:
        body: dict[str, Any] = plain(event)
    except TypeError as error:
        raise StoreError(f"{kind}: a stored event cannot hold it ({error})") from error
    return body
