"""A session's record as it is read back: whole pieces as they were, damaged ones as a gap.

A gap stands in the record as a mark that says what is lost and why, so that it is seen wherever
marks and notes are. Everything before and after it is read as it was recorded.
"""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.record import packing
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind, lost_text
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.store.rows import kept_number

PIECES_PER_READ = 64
"""About a minute: large enough to read fast, some megabytes of memory."""
HEAD_KINDS = (Kind.SETTINGS, Kind.CALIBRATION, Kind.CONNECTED)
"""What of a record's first piece is kept twice: all numbers of the session depend on it."""

_MISSING = "it is missing"
_PAGE_LOST = "its page of the file is damaged"
_NO_BYTES = "something else stands in its row where its bytes were written"
_NO_NUMBER = "something else stands in its row where a number was written"
_WHOLE_NUMBER = "(typeof(seq) = 'integer' AND seq >= 0)"
"""Of a piece's place: SQLite keeps bytes, text and fractions in a column of whole numbers, too."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Consecutive pieces that cannot be read.

    Attributes
    ----------
    first, last : int
        Which of the session's pieces, from 0.
    entries : int or None
        How many entries are lost with them; None where that is not known.
    from_ns, to_ns : int or None
        Arrival of the last entry before and of the first one after, ns; None: there is none.
    reason : str
        Of the first of them.
    """

    first: int
    last: int
    entries: int | None
    from_ns: int | None
    to_ns: int | None
    reason: str

    @property
    def pieces(self) -> str:
        """Which pieces, for people."""
        if self.first == self.last:
            return f"piece {self.first}"
        return f"pieces {self.first} to {self.last}"

    def mark(self) -> Entry:
        """Return the mark that stands for it."""
        at_ns = self.to_ns if self.from_ns is None else self.from_ns
        where = "before" if self.from_ns is None else "after"
        text = lost_text(self.entries, where, f"{self.pieces} cannot be read ({self.reason})")
        return Entry(at_ns or 0, SESSION, Kind.MARK, text.encode())


@dataclass(frozen=True, slots=True)
class Stretch:
    """Consecutive pieces.

    Attributes
    ----------
    batch : Batch
        What could be read, with a mark in place of each gap.
    upto_entry : int
        How many entries the record has up to here, lost ones among them.
    gaps : tuple of Gap
    """

    batch: Batch
    upto_entry: int
    gaps: tuple[Gap, ...] = ()


def head_of(piece: bytes) -> bytes | None:
    """Return what of a record's first piece is kept a second time, packed; None: nothing."""
    rows = [entry for entry in packing.unpack([piece]) if entry.kind in HEAD_KINDS]
    return packing.pack(Batch.of(rows)) if rows else None


def stretches(db: Database, session_no: int) -> Iterator[Stretch]:
    """Read a session's pieces in order, about a minute at a time.

    Raises
    ------
    StoreError
        The file refuses for another reason than damage.
    """
    reader = _Reader(db, session_no)
    while numbers := reader.next_numbers():
        yield reader.read(numbers)
    yield from reader.end()


def as_kept(db: Database, session_id: str, first: int, most: int) -> list[bytes]:
    """Return a session's pieces as they are kept, from one on; at most so many; none of no session.

    In place of a piece that cannot be read stands one with a mark that says so, the same each time;
    in place of the first one its second copy, too.

    Raises
    ------
    StoreError
        The file refuses for another reason than damage.
    """
    rows = db.read("SELECT session_no FROM sessions WHERE session_id = ?", (session_id,))
    if not rows:
        return []
    session_no: int = rows[0][0]
    part = f"FROM chunks WHERE session_no = ? AND seq >= ? AND {_WHOLE_NUMBER} ORDER BY seq LIMIT ?"
    numbers = [seq for (seq,) in db.read(f"SELECT seq {part}", (session_no, first, most))]
    stop = min(numbers[-1] + 1, first + most) if numbers else first
    if numbers == list(range(first, stop)):
        with suppress(DamageError):
            rows = db.read(f"SELECT data {part}", (session_no, first, most))
            pieces = [_bytes_of(data) for (data,) in rows]
            packing.unpack(pieces)
            return pieces
    return [_piece(db, session_no, seq) for seq in range(first, stop)]


def _piece(db: Database, session_no: int, seq: int) -> bytes:
    try:
        rows = db.read(
            "SELECT data FROM chunks WHERE session_no = ? AND seq = ?", (session_no, seq)
        )
        if not rows:
            raise DamageError(_MISSING)
        piece = _bytes_of(rows[0][0])
        packing.unpack([piece])
    except DamageError as error:
        return _stand_in(db, session_no, seq, str(error).removeprefix("chunk: "))
    return piece


def _bytes_of(data: Any) -> bytes:  # noqa: ANN401 - of a row
    """Return a piece as it is kept.

    Raises
    ------
    DamageError
        Something else stands in its row.
    """
    if isinstance(data, bytes):
        return data
    raise DamageError(_PAGE_LOST if data is None else _NO_BYTES)  # None: as `salvage.py` leaves it


def _number_of(value: Any) -> int | None:  # noqa: ANN401 - of a row
    """Return a number of entries, or of ns, as it is kept; None: it can be none."""
    with suppress(DamageError):
        return kept_number(value)
    return None


def _stand_in(db: Database, session_no: int, seq: int, reason: str) -> bytes:
    """Return the piece that stands for one that cannot be read."""
    entries = from_ns = None
    with suppress(DamageError):
        rows = db.read(
            "SELECT entries FROM chunks WHERE session_no = ? AND seq = ?", (session_no, seq)
        )
        entries = _number_of(rows[0][0]) if rows else None
    with suppress(DamageError):
        rows = db.read(
            "SELECT last_ns FROM chunks WHERE session_no = ? AND seq = ?", (session_no, seq - 1)
        )
        from_ns = _number_of(rows[0][0]) if rows else None
    head = _head(db, session_no) if seq == 0 else None
    if head is not None:
        from_ns = int(head.arrival_ns[-1])
    mark = Batch.of([Gap(seq, seq, entries, from_ns, None, reason).mark()])
    return packing.pack(mark if head is None else Batch.joined([head, mark]))


def _head(db: Database, session_no: int) -> Batch | None:
    """Return the second copy of a record's settings, calibrations and links, where it is kept."""
    try:
        ((head,),) = db.read("SELECT max(head) FROM sessions WHERE session_no = ?", (session_no,))
        return None if head is None else packing.unpack([_bytes_of(head)])
    except DamageError:
        return None


class _Reader:
    """Where the reading of one session has come to."""

    def __init__(self, db: Database, session_no: int) -> None:
        self._db = db
        self._session_no = session_no
        self._seq = -1
        self._upto = 0
        self._last_ns: int | None = None
        self._broken: tuple[int, int, str] | None = None  # from, to, why: since the last whole one
        self._broken_upto: int | None = None  # entries with these, where a row says so
        self._parts: list[Batch] = []
        self._gaps: list[Gap] = []

    def next_numbers(self) -> list[int]:
        """Return which pieces come next; the index has them, whatever became of their bytes."""
        rows = self._db.read(
            f"SELECT seq FROM chunks WHERE session_no = ? AND seq > ? AND {_WHOLE_NUMBER}"
            " ORDER BY seq LIMIT ?",
            (self._session_no, self._seq, PIECES_PER_READ),
        )
        return [seq for (seq,) in rows]

    def read(self, numbers: Sequence[int]) -> Stretch:
        """Read pieces."""
        self._take(numbers)
        return self._given()

    def end(self) -> Iterator[Stretch]:
        """Give the gap that the record ends with, if it does."""
        ((unplaced,),) = self._db.read(
            f"SELECT count(*) FROM chunks WHERE session_no = ? AND NOT {_WHOLE_NUMBER}",
            (self._session_no,),
        )
        if unplaced:
            self._lose(self._seq + unplaced, _NO_NUMBER)
            self._broken_upto = None
        if self._broken:
            upto = self._broken_upto
            self._close_gap(upto, None)
            self._upto = self._upto if upto is None else upto
            yield self._given()

    def _given(self) -> Stretch:
        stretch = Stretch(Batch.joined(self._parts), self._upto, tuple(self._gaps))
        self._parts, self._gaps = [], []
        return stretch

    def _take(self, numbers: Sequence[int]) -> None:
        """Take pieces together if all of them are whole, else one by one."""
        try:
            first_entry, upto, batch = self._whole(numbers)
        except DamageError as error:
            if len(numbers) > 1:
                for seq in numbers:
                    self._take([seq])
            else:
                self._note(numbers[0], str(error).removeprefix("chunk: "))
            return
        self._lose(numbers[0] - 1, _MISSING)
        if self._broken:
            self._close_gap(first_entry, int(batch.arrival_ns[0]))
        self._parts.append(batch)
        self._seq, self._upto = numbers[-1], upto
        self._last_ns = int(batch.arrival_ns[-1])

    def _whole(self, numbers: Sequence[int]) -> tuple[int, int, Batch]:
        """Return the first entry's number, that after the last one, and the entries.

        Raises
        ------
        DamageError
            Not all of them are whole, or some between them are missing.
        """
        try:
            rows = self._db.read(
                "SELECT seq, first_entry, entries, data FROM chunks"
                " WHERE session_no = ? AND seq BETWEEN ? AND ? ORDER BY seq",
                (self._session_no, numbers[0], numbers[-1]),
            )
        except DamageError as error:
            raise DamageError(_PAGE_LOST) from error
        if len(rows) != numbers[-1] + 1 - numbers[0] or [row[0] for row in rows] != list(numbers):
            raise DamageError(_MISSING)
        batch = packing.unpack([_bytes_of(row[3]) for row in rows])
        first_entry, last, many = (_number_of(n) for n in (rows[0][1], *rows[-1][1:3]))
        if first_entry is None or last is None or many is None:
            raise DamageError(_NO_NUMBER)
        upto = last + many
        if len(batch) == 0 or len(batch) != upto - first_entry:
            raise DamageError("it does not have as many entries as it should")
        return first_entry, upto, batch

    def _note(self, seq: int, reason: str) -> None:
        """Note a piece that cannot be read."""
        self._lose(seq - 1, _MISSING)
        self._lose(seq, reason)
        self._broken_upto = None
        with suppress(DamageError):
            rows = self._db.read(
                "SELECT first_entry, entries FROM chunks WHERE session_no = ? AND seq = ?",
                (self._session_no, seq),
            )
            self._broken_upto = sum(kept_number(n) for n in rows[0]) if rows else None

    def _lose(self, last: int, reason: str) -> None:
        """Note that no piece that follows is read up to the one given; nothing where none does."""
        if last > self._seq:
            first, _, why = self._broken or (self._seq + 1, last, reason)
            self._broken = first, last, why
            self._seq = last

    def _close_gap(self, next_entry: int | None, next_ns: int | None) -> None:
        """Put a mark where pieces are lost, before the next whole one."""
        assert self._broken is not None
        first, last, reason = self._broken
        if first == 0:
            self._put_head()
        lost = None if next_entry is None else max(next_entry - self._upto, 0)
        gap = Gap(first, last, lost, self._last_ns, next_ns, reason)
        self._parts.append(Batch.of([gap.mark()]))
        self._gaps.append(gap)
        self._broken, self._broken_upto = None, None

    def _put_head(self) -> None:
        """Let the second copy of settings, calibrations and links stand for a lost first piece."""
        batch = _head(self._db, self._session_no)
        if batch is not None:
            self._parts.append(batch)
            self._last_ns = int(batch.arrival_ns[-1])
