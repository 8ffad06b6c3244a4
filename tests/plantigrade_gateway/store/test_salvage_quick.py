"""A row that goes over several pages, as SQLite's file format chains them, some of them spoilt.

An overflow page is four bytes, the number of the next one or 0, and then the payload
(sqlite.org/fileformat2.html, 1.6).
"""

import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.store.btree import Cell
from plantigrade_gateway.store.salvage import _Pages, _Reading, _tables

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


# ---- tables of a small file that SQLite made, some of its pages spoilt ----

WHY = "since their page of the file is damaged"
NOTES, LONG = 60, 5  # the sixth goes over several pages
LEAF, INDEX_LEAF = 0x0D, 0x0A  # kinds of pages (1.6 of the format)


class File:
    """A store's file with sessions, their pieces, notes of them, and two tables of one shape.

    Notes and the two tables go over many pages; each row holds a text that tells which it is.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with closing(sqlite3.connect(path)) as db:
            db.execute(f"PRAGMA page_size = {SIZE}")
            for sql in (
                "CREATE TABLE sessions (session_no INTEGER PRIMARY KEY, session_id TEXT NOT NULL,"
                " begun_ns INTEGER NOT NULL)",
                "CREATE TABLE chunks (session_no INTEGER NOT NULL, seq INTEGER NOT NULL,"
                " data BLOB NOT NULL)",
                "CREATE TABLE notes (note_no INTEGER PRIMARY KEY, session_no INTEGER NOT NULL,"
                " text TEXT NOT NULL, more BLOB NOT NULL)",
                "CREATE INDEX notes_of ON notes (session_no, text)",
                "CREATE INDEX chunks_of ON chunks (session_no, seq)",
                "CREATE TABLE reds (red_no INTEGER PRIMARY KEY, text TEXT NOT NULL)",
                "CREATE TABLE blues (blue_no INTEGER PRIMARY KEY, text TEXT NOT NULL)",
                "CREATE TABLE greens (text TEXT NOT NULL, more REAL NOT NULL)",
                "CREATE INDEX greens_by ON greens (text)",
            ):
                db.execute(sql)
            db.execute("INSERT INTO sessions VALUES (1, 'first', 0), (2, 'second', 1)")
            notes = [
                (1 + 2 * k // NOTES, f"note {k:03}", b"-" * (90 if k != LONG else 1900))
                for k in range(NOTES)
            ]
            db.executemany("INSERT INTO notes (session_no, text, more) VALUES (?, ?, ?)", notes)
            for table in ("red", "blue"):
                texts = [(f"{table} {k:03} {'x' * 90}",) for k in range(20)]
                db.executemany(f"INSERT INTO {table}s (text) VALUES (?)", texts)
            greens = [(f"green {k:03} {'x' * 90}", 1.5) for k in range(20)]
            db.executemany("INSERT INTO greens VALUES (?, ?)", greens)
            pieces = [(2, k, f"piece {k:03} {'x' * 90}".encode()) for k in range(20)]
            db.executemany("INSERT INTO chunks VALUES (?, ?, ?)", pieces)
            db.commit()
            self.rows = db.execute(
                "SELECT type, name, tbl_name, rootpage, sql FROM sqlite_schema"
            ).fetchall()
        self.roots = {name: root for _, name, _, root, _ in self.rows}
        self.data = bytearray(path.read_bytes())

    def page(self, number: int) -> bytes:
        return bytes(self.data[(number - 1) * SIZE : number * SIZE])

    def on(self, kind: int, word: str) -> dict[int, list[str]]:
        """Pages of a kind that no list of tables leads to, with the texts on them."""
        pages = range(2, len(self.data) // SIZE + 1)
        texts = {
            k: [text.decode() for text in re.findall(word.encode() + rb" \d{3}", self.page(k))]
            for k in pages
            if self.page(k)[0] == kind and k not in self.roots.values()
        }
        return {k: sorted(found) for k, found in texts.items() if found}

    def spoil(self, *numbers: int) -> None:
        for number in numbers:
            self.data[(number - 1) * SIZE : number * SIZE] = bytes(SIZE)

    def read(self) -> tuple[list[str], sqlite3.Connection]:
        """Return what is said to be lost, and the new file."""
        self.path.write_bytes(self.data)
        new = sqlite3.connect(":memory:", isolation_level=None)
        new.execute("ATTACH ':memory:' AS usual")
        for table in ("reds", "blues"):
            new.execute(f"CREATE TABLE usual.{table} (no INTEGER PRIMARY KEY, text TEXT)")
            new.execute(f"INSERT INTO usual.{table} VALUES (1, 'usual')")
        with _Pages(self.path) as pages:
            reading = _Reading(pages, _tables(self.rows), new)
            self.n_rows = reading.run()
            return reading.lost_lines(), new


@pytest.fixture
def file(tmp_path: Path) -> File:
    return File(tmp_path / "s.sqlite3")


def texts(new: sqlite3.Connection, table: str = "notes") -> list[str]:
    return [text for (text,) in new.execute(f"SELECT text FROM {table} ORDER BY text")]


def test_a_whole_file_loses_nothing(file):
    lost, new = file.read()
    assert lost == []
    assert texts(new) == [f"note {k:03}" for k in range(NOTES)]
    assert [len(texts(new, table)) for table in ("reds", "blues", "greens")] == [20] * 3
    pieces = [(2, k, f"piece {k:03} {'x' * 90}".encode()) for k in range(20)]
    assert new.execute("SELECT * FROM chunks ORDER BY seq").fetchall() == pieces
    assert file.n_rows == 2 + NOTES + 4 * 20


def test_what_a_spoilt_page_held_is_counted_by_its_session_from_the_index(file):
    """Two leaves with notes of the first session, one with notes of the second: from 030 on."""
    leaves = file.on(LEAF, "note")
    spoilt = [k for k, on in leaves.items() if {"note 010", "note 020", "note 045"} & set(on)]
    gone = [text for k in spoilt for text in leaves[k]]
    file.spoil(*spoilt)
    lost, new = file.read()
    first, second = (
        sum(text < "note 030" for text in gone),
        sum(text >= "note 030" for text in gone),
    )
    assert len(spoilt) == 3 and first > 1 and second > 1
    assert sorted(lost) == [
        f"session first: {first} rows of notes, {WHY}",
        f"session second: {second} rows of notes, {WHY}",
    ]
    assert texts(new) == [text for k in range(NOTES) if (text := f"note {k:03}") not in gone]


def test_where_the_index_has_lost_them_too_it_is_said_that_some_may_be_gone(file):
    """An index that reads well behind the page it lost does not name every row all the same."""
    leaves, index = file.on(LEAF, "note"), file.on(INDEX_LEAF, "note")
    gone = leaves[min(leaves)]
    naming = [k for k, found in index.items() if set(found) & set(gone)]
    assert len(naming) < len(index)
    file.spoil(min(leaves), *naming)
    lost, _ = file.read()
    assert lost == [f"rows of notes, if it had any there, {WHY}"]


def test_an_index_that_is_lost_costs_nothing(file):
    file.spoil(*file.on(INDEX_LEAF, "note"), file.roots["notes_of"])
    lost, new = file.read()
    assert lost == [] and len(texts(new)) == NOTES


def test_pages_that_none_leads_to_are_told_by_the_shape_of_their_rows(file):
    """The page is lost that leads to the notes, and one on which the long one goes on."""
    file.spoil(file.roots["notes"])
    lost, new = file.read()
    assert lost == []  # the index names no other
    assert texts(new) == [f"note {k:03}" for k in range(NOTES)]
    pages = range(2, len(file.data) // SIZE + 1)
    file.spoil(next(k for k in pages if file.page(k)[4:] == b"-" * (SIZE - 4)))
    lost, new = file.read()
    assert lost == [f"session first: 1 row of notes, {WHY}"]
    assert texts(new) == [f"note {k:03}" for k in range(NOTES) if k != LONG]


def test_rows_that_fit_two_tables_are_put_in_neither_and_said(file):
    file.spoil(file.roots["reds"], file.roots["blues"])
    n = sum(len(found) for word in ("red", "blue") for found in file.on(LEAF, word).values())
    assert n == 40
    lost, new = file.read()
    assert texts(new, "reds") == texts(new, "blues") == ["usual"]
    assert lost == [
        f"rows of reds, if it had any there, {WHY}",
        f"rows of blues, if it had any there, {WHY}",
        f"40 rows of reds or blues, of which is not known, {WHY}",
    ]


def test_of_a_table_of_which_nothing_is_left_a_new_store_s_rows_are_taken(file):
    """Versions of tables are such; of one that lost a part, none of its own is put beside it."""
    red = min(file.on(LEAF, "red"))
    file.spoil(red, file.roots["blues"], *file.on(LEAF, "blue"))
    lost, new = file.read()
    assert texts(new, "blues") == ["usual"]
    assert "usual" not in texts(new, "reds") and 10 < len(texts(new, "reds")) < 20
    assert lost == [f"rows of {name}, if it had any there, {WHY}" for name in ("reds", "blues")]


def test_an_index_by_anything_else_tells_how_many_are_lost(file):
    leaf, gone = min(file.on(LEAF, "green").items())
    file.spoil(leaf)
    lost, new = file.read()
    assert len(gone) > 1
    assert lost == [f"{len(gone)} rows of greens, {WHY}"]
    assert len(texts(new, "greens")) == 20 - len(gone)


def test_a_lost_piece_keeps_its_number_and_is_told_elsewhere(file):
    leaf, gone = min(file.on(LEAF, "piece").items())
    file.spoil(leaf)
    lost, new = file.read()
    assert lost == []  # of pieces the record says it
    empty = new.execute("SELECT session_no, seq FROM chunks WHERE data IS NULL ORDER BY seq")
    assert empty.fetchall() == [(2, int(text[-3:])) for text in gone]
    assert new.execute("SELECT count(*) FROM chunks").fetchone() == (20,)


def test_a_row_of_other_values_than_its_table_s_is_none_of_it(file):
    """A text of eight bytes has the serial type 29, a blob of as many 28 (2.1 of the format)."""
    at = file.data.index(b"note 007", (min(file.on(LEAF, "note")) - 1) * SIZE)
    kind = file.data.rindex(29, at - 8, at)
    file.data[kind] = 28
    lost, new = file.read()
    assert lost == [f"session first: 1 row of notes, {WHY}"]
    assert texts(new) == [f"note {k:03}" for k in range(NOTES) if k != 7]
