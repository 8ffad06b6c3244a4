"""The replay file (`hardware_notes/replay_file.md`): a whole record in one file, to be run again.

Writes entries and reads batches. A file that was cut off gives all that is whole, then says where
it ends. The pieces inside are those of `record/packing.py`.
"""

import os
import struct
from collections.abc import Iterable, Iterator
from importlib import resources
from pathlib import Path
from typing import BinaryIO

import numpy as np

from plantigrade_gateway.errors import InputError, RecordError, StoreError
from plantigrade_gateway.foreign import PIPE, is_pipe
from plantigrade_gateway.record.entries import Batch, Entry, Kind, Order
from plantigrade_gateway.record.packing import pack, unpack

MAGIC = b"\x89PGR\r\n\x1a\n"
"""The first bytes: no text file begins so, and a transfer as text changes them (as PNG's do)."""
VERSION = 1
ENTRIES_PER_PIECE = 4096
"""Of the pieces we write: some forty seconds of two feet."""
MAX_PIECE_BYTES = 1 << 27
MOST_TOLD_BYTES = 1 << 25
"""Of a record's marks, settings, calibrations and links, which are kept as they are (ours)."""
_BYTES_PER_PIECE = 1 << 22
_KINDS = np.array([kind for kind in Kind if kind is not Kind.LATE])  # those a record may hold
_ENTRY_BYTES = 512  # about what one costs beside its data, in memory and to go through
_VERSION = struct.Struct("<H")
_LENGTH = struct.Struct("<I")


def write_replay(path: Path, entries: Iterable[Entry]) -> None:
    """Write a record; the file appears under its name only when it is whole.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    entries : iterable of Entry
        The whole record in order. The same entries give the same bytes (with one zlib).

    Raises
    ------
    RecordError
        The file cannot be written, or arrival times fall or span more than a week.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with part.open("xb") as file:
            file.writelines(packed_replay(_pieces(path, entries)))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)


def packed_replay(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Give the bytes of a replay file of a record's pieces, packed as the store keeps them."""
    yield MAGIC + _VERSION.pack(VERSION)
    for piece in pieces:
        yield _LENGTH.pack(len(piece)) + piece
    yield _LENGTH.pack(0)


def unpacked_replay(name: str, data: Iterable[bytes]) -> Iterator[bytes]:
    """Give the pieces in the bytes of a replay file, still packed; nobody looks into them.

    Parameters
    ----------
    name : str
        For the error.
    data : iterable of bytes
        The file, cut anywhere.

    Raises
    ------
    RecordError
        As `read_replay`, but for what is inside a piece.
    """
    file = _Stream(data)
    _check_head(name, file)
    for _, piece in _read_packed(name, file):
        yield piece


class _Stream:
    """Bytes that come in pieces, read as a file is."""

    def __init__(self, data: Iterable[bytes]) -> None:
        self._data = iter(data)
        self._held = bytearray()
        self._at = 0

    def read(self, most: int, /) -> bytes:
        """Return as many bytes as are wanted, fewer at the end."""
        while len(self._held) < most and (more := next(self._data, None)) is not None:
            self._held += more
        found = bytes(self._held[:most])
        del self._held[:most]
        self._at += len(found)
        return found

    def tell(self) -> int:
        """Return how many bytes were read."""
        return self._at


def _pieces(path: Path, entries: Iterable[Entry]) -> Iterator[bytes]:
    order = Order(str(path))
    for rows in _cut(entries):
        batch = Batch.of(rows)
        order.check(batch)
        yield pack(batch)


def _cut(entries: Iterable[Entry]) -> Iterator[list[Entry]]:
    """Yield the entries of each piece: so many, or so many bytes of them, as a reader takes."""
    rows: list[Entry] = []
    size = 0
    for entry in entries:
        rows.append(entry)
        size += len(entry.data)
        if len(rows) == ENTRIES_PER_PIECE or size > _BYTES_PER_PIECE:
            yield rows
            rows, size = [], 0
    if rows:
        yield rows


def read_replay(path: Path) -> Iterator[Batch]:
    """Read a record, piece by piece; memory does not grow with the file.

    Parameters
    ----------
    path : Path

    Yields
    ------
    Batch
        Consecutive entries, at least one.

    Raises
    ------
    RecordError
        One sentence with the file, the byte and what was expected: it cannot be opened, is no
        replay file, is of a newer version, is damaged, or was cut off. All whole pieces before
        the fault have been yielded by then.
    """
    if is_pipe(path):
        raise RecordError(PIPE.format(path))
    try:
        with path.open("rb") as file:
            _check_head(path, file)
            yield from _read_pieces(path, file)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from error


def _check_head(path: Path | str, file: "BinaryIO | _Stream") -> None:
    head = file.read(len(MAGIC) + _VERSION.size)
    if head[: len(MAGIC)] != MAGIC and str(path).lower().endswith(".csv"):
        raise RecordError(f"{path}: not a replay file; plantigrade analyse reads a zone CSV")
    if head[: len(MAGIC)] != MAGIC or len(head) < len(MAGIC) + _VERSION.size:
        raise RecordError(f"{path}: not a replay file, expected it to begin with {MAGIC.hex(' ')}")
    (version,) = _VERSION.unpack_from(head, len(MAGIC))
    if version != VERSION:
        raise RecordError(f"{path}: replay file version {version}, expected {VERSION}")


def _read_packed(path: Path | str, file: "BinaryIO | _Stream") -> Iterator[tuple[int, bytes]]:
    """Give where each piece begins, and its bytes."""
    at = file.tell()
    while length := _read_length(path, file, at):
        piece = file.read(length)
        if len(piece) < length:
            raise RecordError(
                f"{path}: cut off at byte {at + _LENGTH.size + len(piece)}, expected a piece of "
                f"{length} bytes from byte {at + _LENGTH.size}"
            )
        yield at, piece
        at += _LENGTH.size + length
    if file.read(1):
        raise RecordError(f"{path}: bytes after the end mark at byte {at}, expected none")


def _read_pieces(path: Path, file: BinaryIO) -> Iterator[Batch]:
    order = Order(str(path))
    told = 0
    for at, piece in _read_packed(path, file):
        try:
            batch = unpack([piece])
        except StoreError as error:
            raise RecordError(f"{path}: piece at byte {at}: {error}") from error
        if len(batch) == 0:
            raise RecordError(f"{path}: piece at byte {at}: no entries, expected at least one")
        unknown = batch.kind[~np.isin(batch.kind, _KINDS)]
        if len(unknown):
            raise RecordError(
                f"{path}: piece at byte {at}: an entry of kind {unknown[0]}, expected 0 to "
                f"{max(_KINDS)}"
            )
        order.check(batch, f": piece at byte {at}")
        told += _told(batch)
        if told > MOST_TOLD_BYTES:
            raise RecordError(
                f"{path}: piece at byte {at}: marks and settings of {told} bytes by now, expected "
                f"at most {MOST_TOLD_BYTES}"
            )
        yield batch


def _told(batch: Batch) -> int:
    """Return what the entries that are kept as they are take: all but what the insoles measure."""
    measured = (batch.kind == Kind.NOTIFICATION) | (batch.kind == Kind.EXCHANGE)
    kept = batch.length[~measured]
    return int(kept.sum()) + _ENTRY_BYTES * len(kept)


def _read_length(path: Path | str, file: "BinaryIO | _Stream", at: int) -> int:
    """Return the next piece's length, 0 for the end mark."""
    field = file.read(_LENGTH.size)
    if len(field) < _LENGTH.size:
        raise RecordError(
            f"{path}: cut off at byte {at + len(field)}, expected another piece or the end mark"
        )
    (length,) = _LENGTH.unpack(field)
    if length > MAX_PIECE_BYTES:
        raise RecordError(
            f"{path}: piece of {length} bytes at byte {at}, expected at most {MAX_PIECE_BYTES}"
        )
    return int(length)


def demo_file() -> Path:
    """Return the demo recording: the installed one, else the repository's.

    Raises
    ------
    InputError
        Neither is there.
    """
    installed = Path(str(resources.files("plantigrade_gateway") / "data" / "practice.pgr"))
    of_repository = Path(__file__).resolve().parents[3] / "replay_data" / "practice.pgr"
    for path in (installed, of_repository):
        if path.is_file():
            return path
    raise InputError(f"demo recording: neither {installed} nor {of_repository} is there")


def is_replay(path: Path) -> bool:
    """Whether a file is a replay file, by its first bytes.

    Raises
    ------
    InputError
        It cannot be read.
    """
    if is_pipe(path):
        raise InputError(PIPE.format(path))
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
