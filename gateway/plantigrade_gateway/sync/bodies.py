"""Changes of the log as they travel: from a body of the other side, and cut to fit into one."""

from collections.abc import Iterator, Sequence
from typing import Any

from plantigrade_gateway.converter import made
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.sync.messages import MOST_CHANGES, Changes

LARGEST_BODY = 1 << 22
"""Characters of the changes in one body, about; a larger one goes alone (ours)."""
_INT64 = 1 << 63
_INT32 = 1 << 31
_LONGEST_ID = 128


def changes_of(body: Changes) -> Iterator[Change]:
    """Give the changes of a body from the other side.

    Raises
    ------
    ValueError
        It is not such a body: one sentence.
    """
    if len(body.changes) > MOST_CHANGES:
        raise ValueError(
            f"{len(body.changes)} changes in one body, expected at most {MOST_CHANGES}"
        )
    for change_id, stamp in body.restamps:
        _check(change_id, stamp)
    for site, seq in body.has.items():
        if not 0 <= seq < _INT32 or not 0 < len(site) <= _LONGEST_ID:
            raise ValueError("has: no such number of a place")
    for site in (*body.places, *([] if body.place is None else [body.place])):
        if not (0 < len(site) <= _LONGEST_ID and site.isprintable()):
            raise ValueError("place: cannot be one")
    for values in body.changes:
        yield _change(values)


def _change(values: dict[str, Any]) -> Change:
    change = made(Change, values)
    _check(change.change_id, change.hlc)
    texts = (change.entity, change.entity_id, change.field, change.author, change.site)
    if not all(0 < len(text) <= _LONGEST_ID and text.isprintable() for text in texts):
        raise ValueError(f"change {change.change_id}: a word of it cannot be one")
    if not 0 < change.seq < _INT32 or not -_INT64 <= change.wall_utc_ms < _INT64:
        raise ValueError(f"change {change.change_id}: a number of it cannot be")
    return change


def _check(change_id: str, stamp: int) -> None:
    if len(change_id) != 32 or set(change_id) - set("0123456789abcdef"):
        raise ValueError("change_id: expected 32 hexadecimal digits")
    if not 0 <= stamp < _INT64:
        raise ValueError(f"change {change_id}: has no stamp")


def fitting(changes: Sequence[Change]) -> list[Change]:
    """Return the first changes, as many as go into one body."""
    size = 0
    for count, one in enumerate(changes):
        size += len(str(one.value))
        if count and size > LARGEST_BODY:
            return list(changes[:count])
    return list(changes)
