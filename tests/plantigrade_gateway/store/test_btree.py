"""SQLite's pages read one by one, against what SQLite itself wrote into them."""

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.support.sqlite import connected

from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.store.btree import (
    INDEX_LEAF,
    INTERIOR,
    LEAF,
    Value,
    cells,
    kind_of,
    logged_pages,
    page_bytes,
    record,
    varint,
)

Pages = dict[int, bytes]
VALUES: list[Value] = [
    *(None, 0, 1, 2, -1, 127, -128, 128, 2**15 - 1, 2**15, -(2**23), 2**23, 2**31, -(2**47)),
    *(2**47, 2**63 - 1, -(2**63), 0.5, -1e300, "", "so", "für", b"", b"\0\xff", "x" * 3000),
]


def pages_of(path: Path) -> tuple[int, Pages]:
    data = path.read_bytes()
    size = page_bytes(data[:100])
    assert size is not None
    return size, {n + 1: data[at : at + size] for n, at in enumerate(range(0, len(data), size))}


def payloads(size: int, pages: Pages, kind: int) -> Iterator[tuple[int | None, bytes]]:
    """The row numbers and whole payloads in all pages of a kind; chains by the page's own words."""
    for number, page in pages.items():
        if kind_of(page, number) != kind:
            continue
        for cell in cells(page, number, size):
            assert cell is not None
            payload, following = cell.local, cell.overflow
            while following:
                payload += pages[following][4:][: cell.size - len(payload)]
                following = int.from_bytes(pages[following][:4], "big")
            assert len(payload) == cell.size
            yield cell.rowid, payload


@pytest.fixture
def written(tmp_path: Path) -> Callable[..., Path]:
    """Make a file of SQLite's with a table of values, and an index on them if it is wanted."""

    def make(values: list[Value], page_size: int = 512, index: bool = False) -> Path:
        path = tmp_path / "made.sqlite3"
        with connected(path) as db:
            db.execute(f"PRAGMA page_size = {page_size}")
            db.execute("CREATE TABLE made (one)")
            if index:
                db.execute("CREATE INDEX by_one ON made (one)")
            db.executemany("INSERT INTO made VALUES (?)", [(value,) for value in values])
        db.close()
        return path

    return make


def rows_of(path: Path, kind: int = LEAF) -> dict[int | None, tuple[Value, ...]]:
    found = {rowid: record(payload) for rowid, payload in payloads(*pages_of(path), kind)}
    return {rowid: row for rowid, row in found.items() if row[:1] not in (("table",), ("index",))}


def test_every_kind_of_value_comes_back(written):
    rows = rows_of(written(VALUES))
    assert list(rows.values()) == [(value,) for value in VALUES]
    assert list(rows) == list(range(1, len(VALUES) + 1))


def test_the_first_page_s_cells_lie_behind_the_file_s_header(written):
    size, pages = pages_of(written([1]))
    assert kind_of(pages[1], 1) == LEAF == 13
    (cell,) = cells(pages[1], 1, size)
    assert cell is not None and record(cell.local)[:3] == ("table", "made", "made")
    assert cell.child == cell.overflow == 0


def test_more_than_255_cells_lie_on_a_page(written):
    values: list[Value] = [k % 100 for k in range(2000)]
    path = written(values, 4096)
    size, pages = pages_of(path)
    leaves = [(n, page) for n, page in pages.items() if n > 1 and kind_of(page, n) == LEAF]
    counts = [len(list(cells(page, n, size))) for n, page in leaves]
    assert max(counts) > 400 and sum(counts) == 2000
    assert list(rows_of(path).values()) == [(value,) for value in values]


@pytest.mark.dear
@pytest.mark.parametrize(
    ("page_size", "lengths"),
    [(512, [*range(0, 1600, 7), *range(450, 1000)]), (4096, range(4040, 4600))],
)
def test_rows_of_every_length_are_whole_however_they_go_over_pages(written, page_size, lengths):
    """How much of a row lies on its page changes with each byte of its length."""
    values: list[Value] = [bytes([n % 251]) * (n - 1) + b"." for n in lengths]
    rows = rows_of(written(values, page_size))
    assert list(rows.values()) == [(value,) for value in values]


@pytest.mark.dear
@pytest.mark.parametrize(
    ("page_size", "lengths"), [(512, range(60, 700)), (4096, range(990, 1060))]
)
def test_an_index_s_entries_of_every_length_are_whole(written, page_size, lengths):
    """Of those that lie on leaves; the entries between them are on the pages above."""
    values: list[Value] = [bytes([n % 251]) * n for n in lengths]
    path = written(values, page_size, index=True)
    size, pages = pages_of(path)
    entries = {record(payload) for _, payload in payloads(size, pages, INDEX_LEAF)}
    assert len(entries) > len(values) // 3
    assert entries <= {(value, n + 1) for n, value in enumerate(values)}


def test_interior_cells_lead_to_the_pages_below(written):
    size, pages = pages_of(written([bytes(100)] * 200))
    leaves = {n for n, page in pages.items() if kind_of(page, n) == LEAF}
    above = [n for n, page in pages.items() if kind_of(page, n) == INTERIOR]
    led = [cell.child for n in above for cell in cells(pages[n], n, size) if cell is not None]
    assert set(led) >= leaves - {1} and len(led) == len(set(led))
    for n in above:
        *inner, last = [cell for cell in cells(pages[n], n, size) if cell is not None]
        assert last.rowid is None
        for cell in (*inner, last):
            assert (cell.size, cell.local, cell.overflow) == (0, b"", 0)
        for cell in inner:  # the greatest row number of those below
            below = [one.rowid for one in cells(pages[cell.child], cell.child, size) if one]
            assert cell.rowid == below[-1]


def test_a_cell_that_would_lie_among_the_page_s_own_words_is_none(written):
    size, pages = pages_of(written([bytes([k]) * 40 for k in range(60)]))
    (number, page) = next((n, p) for n, p in pages.items() if n > 1 and kind_of(p, n) == LEAF)
    n_cells = len(list(cells(page, number, size)))
    first = 8 + 2 * n_cells
    for place in (0, 7, first - 1, size, 65535):
        spoilt = page[:8] + place.to_bytes(2, "big") + page[10:]
        assert next(cells(spoilt, number, size)) is None


def test_a_page_that_is_cut_off_gives_what_lies_before(written):
    size, pages = pages_of(written([bytes([k]) * 40 for k in range(60)]))
    (number, page) = next((n, p) for n, p in pages.items() if n > 1 and kind_of(p, n) == LEAF)
    whole = list(cells(page, number, size))
    cut = list(cells(page[: size - 100], number, size))
    assert len(cut) == len(whole) and None in cut
    assert all(one in (None, two) for one, two in zip(cut, whole, strict=True))
    assert list(cells(b"", 2, size)) == [] and kind_of(b"", 2) == kind_of(b"", 1) == 0


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"\x00", 0),
        (b"\x7f", 127),
        (b"\x81\x00", 128),
        (b"\xff\x7f", 16383),
        (b"\x81\x80\x00", 16384),
        (b"\xbf" + b"\xff" * 7 + b"\xff", 2**63 - 1),
        (b"\xff" * 9, -1),
    ],
)
def test_numbers_are_of_one_to_nine_bytes(data, value):
    """Seven bits a byte, the ninth has eight (https://sqlite.org/fileformat2.html §1.6)."""
    assert varint(b"?" + data + b"\x05", 1) == (value, 1 + len(data))


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b"", "cut off"),
        (b"\x02\x01", "as many bytes"),  # one byte's integer, and no byte
        (b"\x02\x01\x05\x05", "as many bytes"),
        (b"\x02\x0a", "of no kind"),  # 10 and 11 are kept for SQLite
        (b"\x02\x0f\xff", "cut off"),  # a text of one byte that is no UTF-8
        (b"\x02\x07\x00", "cut off"),
        (b"\x02\x81\x00", "does not end"),  # the second byte of a kind lies past the header
    ],
)
def test_bytes_that_are_no_row_are_damage(payload, says):
    with pytest.raises(DamageError, match=says):
        record(payload)


@pytest.mark.parametrize(
    ("said", "size"),
    [
        *((b"\x02\x00", 512), (b"\x10\x00", 4096), (b"\x80\x00", 32768), (b"\x00\x01", 65536)),
        *((b"\x01\x00", None), (b"\x03\x00", None), (b"\x00\x00", None)),
    ],
)
def test_a_header_says_how_large_pages_are(said, size):
    assert page_bytes(b"SQLite format 3\0" + said + bytes(82)) == size
    assert page_bytes(b"SQLite format 2\0" + said + bytes(82)) is None


def test_a_log_s_pages_are_those_of_its_last_whole_commit(tmp_path):
    path = tmp_path / "made.sqlite3"
    db = sqlite3.connect(path, isolation_level=None)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE made (one)")
        log = tmp_path / "made.sqlite3-wal"
        ends = []
        for n in range(3):
            db.execute("INSERT INTO made VALUES (?)", (n,))
            ends.append(log.stat().st_size)
        data = log.read_bytes()
    finally:
        db.close()

    def rows(of: bytes) -> list[Value]:
        pages = logged_pages(of)
        return [record(p)[0] for _, p in payloads(4096, {2: pages[2]}, LEAF)] if 2 in pages else []

    assert [rows(data[:end]) for end in ends] == [[0], [0, 1], [0, 1, 2]]
    assert rows(data[: ends[2] - 1]) == [0, 1]
    spoilt = bytearray(data)
    spoilt[ends[2] - 7] ^= 1
    assert rows(bytes(spoilt)) == [0, 1]
    assert logged_pages(b"") == logged_pages(bytes(32)) == {}
