"""Changes and pieces as they travel: from a body of the other side, and cut to fit into one."""

import hashlib
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from plantigrade_gateway.converter import made
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.sync.messages import (
    LARGEST_TOGETHER,
    MOST_CHANGES,
    MOST_TOGETHER,
    Changes,
)

LARGEST_BODY = 1 << 22
"""Characters of the changes in one body, about; a larger one goes alone (ours)."""
_INT64 = 1 << 63
_INT32 = 1 << 31
_LONGEST_ID = 128
_PIECE = struct.Struct("<II32s")  # number, bytes, SHA-256; then the piece


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of a record: its number, its bytes and their SHA-256 in hex."""

    number: int
    data: bytes
    sha256: str

    @classmethod
    def of(cls, number: int, data: bytes) -> "Piece":
        """Return a piece with the sum of its bytes."""
        return cls(number, data, hashlib.sha256(data).hexdigest())


def together(pieces: Sequence[Piece]) -> bytes:
    """Return pieces as one body."""
    return b"".join(
        _PIECE.pack(one.number, len(one.data), bytes.fromhex(one.sha256)) + one.data
        for one in pieces
    )


def apart(body: bytes) -> list[Piece]:
    """Return the pieces of a body; whether each has its sum the hub looks at.

    Raises
    ------
    ValueError
        It is no such body: one sentence.
    """
    found: list[Piece] = []
    at = 0
    while at < len(body):
        if len(found) == MOST_TOGETHER:
            raise ValueError(f"pieces: expected at most {MOST_TOGETHER} in one body")
        if at + _PIECE.size > len(body):
            raise ValueError("pieces: the body is cut off")
        number, size, sha256 = _PIECE.unpack_from(body, at)
        at += _PIECE.size
        if at + size > len(body):
            raise ValueError("pieces: the body is cut off")
        found.append(Piece(number, body[at : at + size], sha256.hex()))
        at += size
    if [one.number for one in found] != list(
        range(found[0].number, found[0].number + len(found)) if found else [-1]
    ):
        raise ValueError("pieces: expected some, each with the number after the one before")
    return found


def groups(pieces: Sequence[Piece], most: int) -> Iterator[list[Piece]]:
    """Give pieces as they go into one request each; one that is too large goes alone."""
    group: list[Piece] = []
    size = 0
    for one in pieces:
        more = _PIECE.size + len(one.data)
        if group and (len(group) == most or size + more > LARGEST_TOGETHER):
            yield group
            group, size = [], 0
        group.append(one)
        size += more
    if group:
        yield group


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
