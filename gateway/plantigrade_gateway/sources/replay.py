"""The replay file (`hardware_notes/replay_file.md`): a whole record in one file, to be run again.

Writes entries and reads batches. A file that was cut off gives all that is whole, then says where
it ends. The pieces inside are those of `record/packing.py`.
"""

import os
import struct
from collections.abc import Iterable, Iterator
from importlib import resources
from itertools import islice
from pathlib import Path
from typing import BinaryIO

import numpy as np

from plantigrade_gateway.errors import InputError, RecordError, StoreError
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack, unpack

MAGIC = b"\x89PGR\r\n\x1a\n"
"""The first bytes: no text file begins so, and a transfer as text changes them (as PNG's do)."""
VERSION = 1
ENTRIES_PER_PIECE = 4096
"""Of the pieces we write: some forty seconds of two feet."""
MAX_PIECE_BYTES = 1 << 27
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
        The file cannot be written, or arrival times fall.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with part.open("xb") as file:
            file.write(MAGIC + _VERSION.pack(VERSION))
            for piece in _pieces(path, entries):
                file.write(_LENGTH.pack(len(piece)) + piece)
            file.write(_LENGTH.pack(0))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)


def _pieces(path: Path, entries: Iterable[Entry]) -> Iterator[bytes]:
    rest = iter(entries)
    last_ns = None
    while rows := list(islice(rest, ENTRIES_PER_PIECE)):
        batch = Batch.of(rows)
        _check_order(str(path), batch, last_ns)
        last_ns = int(batch.arrival_ns[-1])
        yield pack(batch)


def _check_order(where: str, batch: Batch, last_ns: int | None) -> None:
    first_ns = int(batch.arrival_ns[0])
    if np.any(np.diff(batch.arrival_ns) < 0) or (last_ns is not None and first_ns < last_ns):
        raise RecordError(f"{where}: arrival times fall, expected entries in order of arrival")


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
    try:
        with path.open("rb") as file:
            _check_head(path, file)
            yield from _read_pieces(path, file)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from error


def _check_head(path: Path, file: BinaryIO) -> None:
    head = file.read(len(MAGIC) + _VERSION.size)
    if head[: len(MAGIC)] != MAGIC or len(head) < len(MAGIC) + _VERSION.size:
        raise RecordError(f"{path}: not a replay file, expected it to begin with {MAGIC.hex(' ')}")
    (version,) = _VERSION.unpack_from(head, len(MAGIC))
    if version != VERSION:
        raise RecordError(f"{path}: replay file version {version}, expected {VERSION}")


def _read_pieces(path: Path, file: BinaryIO) -> Iterator[Batch]:
    at = file.tell()
    last_ns = None
    while length := _read_length(path, file, at):
        piece = file.read(length)
        if len(piece) < length:
            raise RecordError(
                f"{path}: cut off at byte {at + _LENGTH.size + len(piece)}, expected a piece of "
                f"{length} bytes from byte {at + _LENGTH.size}"
            )
        try:
            batch = unpack([piece])
        except StoreError as error:
            raise RecordError(f"{path}: piece at byte {at}: {error}") from error
        if len(batch) == 0 or int(batch.kind.max()) > max(Kind):
            raise RecordError(f"{path}: piece at byte {at}: no entries of known kinds")
        _check_order(f"{path}: piece at byte {at}", batch, last_ns)
        last_ns = int(batch.arrival_ns[-1])
        at += _LENGTH.size + length
        yield batch
    if file.read(1):
        raise RecordError(f"{path}: bytes after the end mark at byte {at}, expected none")


def _read_length(path: Path, file: BinaryIO, at: int) -> int:
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
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
