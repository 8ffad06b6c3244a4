"""SQLite's file format, as far as reading rows page by page needs it; does no I/O.

Follows https://sqlite.org/fileformat2.html. Numbers of pages count from 1.
"""

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from plantigrade_gateway.errors import DamageError

Value = int | float | str | bytes | None

HEADER_BYTES = 100
"""Of the file; they stand before the first page's own header."""
MAGIC = b"SQLite format 3\0"
INDEX_INTERIOR, INTERIOR, INDEX_LEAF, LEAF = 2, 5, 10, 13
"""Kinds of pages that hold cells, by their first byte."""

_INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_LOG_HEADER, _FRAME_HEADER = 32, 24


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a page.

    Attributes
    ----------
    child : int
        The page that an interior cell leads to; 0 on a leaf.
    rowid : int or None
        None in an index and in a table without row numbers.
    size : int
        Bytes of the whole payload; 0 where there is none.
    local : bytes
        What of it lies on this page.
    overflow : int
        The page on which it goes on; 0: nowhere.
    """

    child: int
    rowid: int | None
    size: int
    local: bytes
    overflow: int


def page_bytes(header: bytes) -> int | None:
    """Return the size of a file's pages by its header, where that is one."""
    size = int.from_bytes(header[16:18], "big")
    size = 1 << 16 if size == 1 else size
    is_size = 512 <= size <= 1 << 16 and size & (size - 1) == 0
    return size if header.startswith(MAGIC) and is_size else None


def kind_of(page: bytes, number: int) -> int:
    """Return the first byte of a page's header; 0 where there is no page."""
    at = HEADER_BYTES if number == 1 else 0
    return page[at] if len(page) > at else 0


def cells(page: bytes, number: int, size: int) -> Iterator[Cell | None]:
    """Read the cells of a page, which may be cut off; None for one that cannot be read.

    Parameters
    ----------
    page : bytes
    number : int
    size : int
        Bytes of a whole page, none of them reserved.
    """
    head = HEADER_BYTES if number == 1 else 0
    kind = kind_of(page, number)
    is_interior = kind in (INTERIOR, INDEX_INTERIOR)
    array = head + (12 if is_interior else 8)
    count = int.from_bytes(page[head + 3 : head + 5], "big")
    for k in range(min(count, size // 2)):
        place = page[array + 2 * k : array + 2 * k + 2]
        try:
            yield _cell(page, kind, int.from_bytes(place, "big"), size, array + 2 * count)
        except (DamageError, IndexError):
            yield None
    if is_interior:
        last = page[head + 8 : head + 12]
        yield Cell(int.from_bytes(last, "big"), None, 0, b"", 0)


def _cell(page: bytes, kind: int, at: int, size: int, first: int) -> Cell:
    if not first <= at < len(page):
        raise DamageError("a cell lies where none can be")
    child = 0
    if kind in (INTERIOR, INDEX_INTERIOR):
        child, at = int.from_bytes(page[at : at + 4], "big"), at + 4
    if kind == INTERIOR:
        return Cell(child, varint(page, at)[0], 0, b"", 0)
    total, at = varint(page, at)
    rowid = None
    if kind == LEAF:
        rowid, at = varint(page, at)
    most = size - 35 if kind == LEAF else (size - 12) * 64 // 255 - 23
    local = total
    if total > most:
        least = (size - 12) * 32 // 255 - 23
        local = least + (total - least) % (size - 4)
        local = least if local > most else local
    end = at + local
    if end + (4 if local < total else 0) > len(page):
        raise DamageError("a cell is cut off")
    overflow = int.from_bytes(page[end : end + 4], "big") if local < total else 0
    return Cell(child, rowid, total, page[at:end], overflow)


def varint(data: bytes, at: int) -> tuple[int, int]:
    """Return the number that stands at a place, and the place after it."""
    value = 0
    for k in range(8):
        byte = data[at + k]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + k + 1
    value = value << 8 | data[at + 8]
    return value - (1 << 64 if value >> 63 else 0), at + 9


def record(payload: bytes) -> tuple[Value, ...]:
    """Return the values of a row or of an index's entry.

    Raises
    ------
    DamageError
        The bytes are none.
    """
    try:
        end, at = varint(payload, 0)
        types = []
        while at < end:
            kind, at = varint(payload, at)
            types.append(kind)
        if at != end:
            raise DamageError("a row's header does not end where it should")
        values = []
        for kind in types:
            value, at = _value(payload, kind, at)
            values.append(value)
    except (IndexError, UnicodeDecodeError, struct.error) as error:
        raise DamageError("a row is cut off") from error
    if at != len(payload):
        raise DamageError("a row does not have as many bytes as it should")
    return tuple(values)


def _value(payload: bytes, kind: int, at: int) -> tuple[Value, int]:
    if kind in _INTEGERS:
        end = at + _INTEGERS[kind]
        return int.from_bytes(payload[at:end], "big", signed=True), end
    if kind == 7:
        return struct.unpack(">d", payload[at : at + 8])[0], at + 8
    if kind in (8, 9):
        return kind - 8, at
    if kind == 0:
        return None, at
    if kind < 12:
        raise DamageError("a value is of no kind")
    end = at + (kind - 12) // 2
    data = payload[at:end]
    return (data.decode() if kind % 2 else data), end


def logged_pages(log: bytes) -> Mapping[int, bytes]:
    """Return the pages that a write-ahead log has newer than the file.

    As SQLite reads it: up to the last commit before the first frame whose check sum is another.
    """
    pages: dict[int, bytes] = {}
    if len(log) < _LOG_HEADER:
        return pages
    magic, _, size, _, *salts = struct.unpack(">6I", log[:24])
    order = ">" if magic & 1 else "<"
    sums = _check_sums(log[:24], order, (0, 0))
    if magic & ~1 != 0x377F0682 or sums != struct.unpack(">2I", log[24:32]):
        return pages
    pending: dict[int, bytes] = {}
    for at in range(_LOG_HEADER, len(log) - size - _FRAME_HEADER + 1, size + _FRAME_HEADER):
        number, commit, *rest = struct.unpack(">6I", log[at : at + _FRAME_HEADER])
        page = log[at + _FRAME_HEADER : at + _FRAME_HEADER + size]
        sums = _check_sums(page, order, _check_sums(log[at : at + 8], order, sums))
        if rest != [*salts, *sums]:
            break
        pending[number] = page
        if commit:
            pages |= pending
            pending = {}
    return pages


def _check_sums(data: bytes, order: str, sums: tuple[int, int]) -> tuple[int, int]:
    first, second = sums
    for a, b in struct.iter_unpack(f"{order}2I", data):
        first = first + a + second & 0xFFFFFFFF
        second = second + b + first & 0xFFFFFFFF
    return first, second
