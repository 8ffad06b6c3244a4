"""A row that goes over several pages, as SQLite's file format chains them, some of them spoilt.

An overflow page is four bytes, the number of the next one or 0, and then the payload
(sqlite.org/fileformat2.html, 1.6).
"""

import pytest

from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.store.btree import Cell
from plantigrade_gateway.store.salvage import _Pages

SIZE = 512
TEXT = b"of no colour" * 100


def varint(number: int) -> bytes:
    """Seven bits a byte, the highest first; all but the last have bit 7 (1.6 of the format)."""
    groups = [number & 0x7F]
    while number := number >> 7:
        groups.append(number & 0x7F | 0x80)
    return bytes(reversed(groups))


def record() -> bytes:
    """A row of one text: the header's length and the text's serial type, 13 + 2 n (2.1)."""
    kind = varint(13 + 2 * len(TEXT))
    return bytes([1 + len(kind)]) + kind + TEXT


class Pages(_Pages):
    """The pages of a file that is not there."""

    def __init__(self, **pages: bytes) -> None:
        self.size = SIZE
        self.made = {int(name.removeprefix("p")): data for name, data in pages.items()}
        self.count = 20

    def page(self, number: int) -> bytes:
        return self.made.get(number, b"")


def chained(payload: bytes, *numbers: int) -> dict[str, bytes]:
    """Overflow pages with these numbers that hold a payload."""
    found = {}
    for k, number in enumerate(numbers):
        following = numbers[k + 1] if k + 1 < len(numbers) else 0
        part = payload[k * (SIZE - 4) : (k + 1) * (SIZE - 4)]
        found[f"p{number}"] = following.to_bytes(4, "big") + part.ljust(SIZE - 4, b"\0")
    return found


def cell(local: bytes, overflow: int, size: int | None = None) -> Cell:
    return Cell(0, 7, len(record()) if size is None else size, local, overflow)


def test_a_row_is_put_together_from_its_pages_in_their_order():
    whole, local = record(), record()[:100]
    pages = Pages(**chained(whole[100:], 5, 9, 3))
    assert pages.values(cell(local, 5)) == (TEXT.decode(),)
    assert Pages().values(cell(whole, 0)) == (TEXT.decode(),)


@pytest.mark.parametrize("left", [0, 3, 4])
def test_a_row_whose_chain_breaks_off_is_lost(left):
    """Four bytes of a page lead on and hold nothing: one that leads to itself would have no end."""
    whole, local = record(), record()[:100]
    pages = Pages(**chained(whole[100:], 5, 9, 3))
    pages.made[9] = (9).to_bytes(4, "big")[:left]
    with pytest.raises(DamageError, match="a row goes on where nothing is"):
        pages.values(cell(local, 5))


def test_a_page_that_is_cut_short_behind_the_row_s_end_costs_nothing():
    whole, local = record(), record()[: len(record()) - 1]
    pages = Pages(p5=(0).to_bytes(4, "big") + whole[-1:])
    assert pages.values(cell(local, 5)) == (TEXT.decode(),)


@pytest.mark.parametrize(("over", "is_lost"), [(0, False), (1, True)])
def test_a_row_longer_than_the_whole_file_is_none(over, is_lost):
    pages = Pages()
    pages.count = 1
    size = SIZE + over
    whole = bytes([3]) + varint(13 + 2 * (size - 3)) + b"x" * (size - 3)
    assert len(whole) == size
    if is_lost:
        with pytest.raises(DamageError, match="a row is longer than the file"):
            pages.values(cell(whole, 0, size))
    else:
        assert pages.values(cell(whole, 0, size)) == ("x" * (size - 3),)
