"""Pieces of a record (about a second each) as bytes for the store, and back, exactly.

Takes and gives `record.Batch`; does no I/O. Format 1, little-endian::

    uint8   format, 1
    uint32  CRC-32 of all that follows
    ...     raw deflate of the body:
            uint32   n, entries
            int64    arrival of the first entry, ns
            int64    arrival of the last entry, ns
            8 × n    arrivals less that of the entry before (uint64; 0 for the first), shuffled
            n        insoles
            n        kinds
            2 × n    lengths (uint16), shuffled
            rest     payload, shuffled by group, then each byte less the byte before, modulo 256

Shuffled is: all first bytes, then all second bytes, and so on. A group is the payloads that share
insole, kind and length; groups lie in the order of those three. So the bytes that follow each other
are one byte of a packet through time: zone readings change little from packet to packet, and the
differences leave long runs for deflate. (Bytes, since a 12-bit reading does not lie on 16-bit
borders.) `tests/bench/store.py` has the figures.
"""

import struct
import zlib
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from plantigrade.errors import ForeignError
from plantigrade_gateway.errors import DamageError, StoreError
from plantigrade_gateway.foreign import inflated
from plantigrade_gateway.record.entries import MAX_DATA_BYTES, Batch

FORMAT = 1
MOST_BYTES = 1 << 24
"""Of a chunk's body: eight times that may be needed to put it in order (ours)."""
MOST_ENTRIES = 1 << 18
"""Of a chunk (ours): sixty-four of the replay file's usual ones."""
_LEVEL = 3  # two thirds of level 6's time for 3 % more bytes; reading takes the same
_OUTER = struct.Struct("<BI")
_INNER = struct.Struct("<Iqq")
_COLUMN_BYTES = 12  # of each entry: arrival 8, insole 1, kind 1, length 2
_EMPTY = _INNER.pack(0, 0, 0)
_MODULUS = 1 << 64


def pack(batch: Batch) -> bytes:
    """Turn entries into a chunk.

    Parameters
    ----------
    batch : Batch
        Any entries, none too; about a second of them compresses well and is quick to read.

    Returns
    -------
    bytes

    Raises
    ------
    StoreError
        An entry is longer than `record.MAX_DATA_BYTES`.
    """
    n = len(batch)
    if n and int(batch.length.max()) > MAX_DATA_BYTES:
        raise StoreError(
            f"record entry of {int(batch.length.max())} bytes, expected at most {MAX_DATA_BYTES}"
        )
    # uint64: the difference of any two int64 wraps round, and comes back exactly.
    arrival = batch.arrival_ns.astype(np.int64).view(np.uint64)
    first, last = (int(batch.arrival_ns[0]), int(batch.arrival_ns[-1])) if n else (0, 0)
    stream = np.frombuffer(b"".join(_grouped(batch)), np.uint8)
    body = b"".join(
        (
            _INNER.pack(n, first, last),
            _shuffled(np.diff(arrival, prepend=arrival[:1]).astype("<u8")),
            batch.insole.astype(np.uint8).tobytes(),
            batch.kind.astype(np.uint8).tobytes(),
            _shuffled(batch.length.astype("<u2")),
            np.diff(stream, prepend=np.uint8(0)).tobytes(),
        )
    )
    deflate = zlib.compressobj(_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = deflate.compress(body) + deflate.flush()
    return _OUTER.pack(FORMAT, zlib.crc32(packed)) + packed


def unpack(chunks: Sequence[bytes]) -> Batch:
    """Turn consecutive chunks back into the entries they were made from.

    Parameters
    ----------
    chunks : sequence of bytes
        What `pack` gave. Some fifty in one call are read faster than one by one.

    Returns
    -------
    Batch
        The entries of all chunks, equal in every byte to the packed ones.

    Raises
    ------
    DamageError
        The bytes of a chunk are not a chunk, are of a newer format, or were damaged.
    """
    bodies = [body for body in map(_inflate, chunks) if body]
    heads = [_INNER.unpack_from(body) for body in bodies]
    counts = [head[0] for head in heads]
    columns = _joined_columns(bodies, counts)
    steps = _unshuffled(columns[:8], "<u8").astype(np.uint64)
    insole = np.frombuffer(columns[8], np.uint8)
    kind = np.frombuffer(columns[9], np.uint8)
    length = _unshuffled(columns[10:], "<u2").astype(np.int64)
    at, last = 0, 0
    for n, chunk_first, chunk_last in heads:
        steps[at] = (chunk_first - last) % _MODULUS
        at, last = at + n, chunk_last
    arrival_ns = np.cumsum(steps, dtype=np.uint64).view(np.int64)
    return Batch(
        arrival_ns, insole, kind, length, _joined_payload(bodies, counts, insole, kind, length)
    )


def _inflate(chunk: bytes) -> bytes:
    """Return a chunk's body; nothing for a chunk of no entries."""
    if len(chunk) < _OUTER.size:
        raise DamageError(f"chunk: {len(chunk)} bytes, expected at least {_OUTER.size}")
    form, crc = _OUTER.unpack_from(chunk)
    if form != FORMAT:
        raise DamageError(
            f"chunk: format {form}, this version reads format {FORMAT}; "
            "it is damaged or was written by a newer version"
        )
    packed = memoryview(chunk)[_OUTER.size :]
    if zlib.crc32(packed) != crc:
        raise DamageError("chunk: its check sum does not match; it is damaged")
    try:
        body = inflated(packed, MOST_BYTES, -zlib.MAX_WBITS)
    except ForeignError as error:
        raise DamageError(f"chunk: {error}; it is damaged") from error
    n = _INNER.unpack_from(body)[0] if len(body) >= _INNER.size else 0
    if n > MOST_ENTRIES:
        raise DamageError(f"chunk: {n} entries, expected at most {MOST_ENTRIES}; it is damaged")
    if (n == 0 and body != _EMPTY) or len(body) < _INNER.size + n * _COLUMN_BYTES:
        raise DamageError("chunk: its columns are not as long as its head says; it is damaged")
    return body if n else b""


def _shuffled(values: NDArray[np.unsignedinteger]) -> bytes:
    return values.view(np.uint8).reshape(len(values), values.itemsize).T.tobytes()


def _unshuffled(planes: Sequence[bytes], dtype: str) -> NDArray[np.unsignedinteger]:
    table = np.array([np.frombuffer(plane, np.uint8) for plane in planes])
    return np.ascontiguousarray(table.T).view(dtype).reshape(-1)


def _joined_columns(bodies: Sequence[bytes], counts: Sequence[int]) -> list[bytes]:
    """Return each of the byte columns, from all bodies together."""
    return [
        b"".join(
            body[_INNER.size + k * n : _INNER.size + (k + 1) * n]
            for body, n in zip(bodies, counts, strict=True)
        )
        for k in range(_COLUMN_BYTES)
    ]


def _groups(
    insole: NDArray[np.uint8], kind: NDArray[np.uint8], length: NDArray[np.int64]
) -> Iterator[tuple[NDArray[np.int64], int]]:
    """Yield (which entries, bytes of each) for each insole, kind and length in turn."""
    key = (insole.astype(np.int64) << 24) | (kind.astype(np.int64) << 16) | length
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    cuts = (np.flatnonzero(ordered[1:] != ordered[:-1]) + 1).tolist()
    for start, stop in zip([0, *cuts], [*cuts, len(order)], strict=True):
        which = order[start:stop]
        if len(which):
            yield which, int(length[which[0]])


def _places(which: NDArray[np.int64], size: int, starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return where each byte of some entries lies in the payload, shape (entries, size)."""
    return starts[which][:, None] + np.arange(size)


def _grouped(batch: Batch) -> Iterator[bytes]:
    payload = np.frombuffer(batch.payload, np.uint8)
    starts = np.cumsum(batch.length) - batch.length
    for which, size in _groups(batch.insole, batch.kind, batch.length):
        yield payload[_places(which, size, starts)].T.tobytes()


def _joined_payload(
    bodies: Sequence[bytes],
    counts: Sequence[int],
    insole: NDArray[np.uint8],
    kind: NDArray[np.uint8],
    length: NDArray[np.int64],
) -> bytes:
    parts = []
    at = 0
    for body, n in zip(bodies, counts, strict=True):
        rows = slice(at, at + n)
        at += n
        differences = np.frombuffer(body, np.uint8, offset=_INNER.size + n * _COLUMN_BYTES)
        if int(length[rows].sum()) != len(differences):
            raise DamageError("chunk: its payload is not as long as its lengths say; it is damaged")
        stream = np.add.accumulate(differences, dtype=np.uint8)
        parts.append(_ungrouped(stream, insole[rows], kind[rows], length[rows]))
    return b"".join(parts)


def _ungrouped(
    stream: NDArray[np.uint8],
    insole: NDArray[np.uint8],
    kind: NDArray[np.uint8],
    length: NDArray[np.int64],
) -> bytes:
    payload = np.empty(len(stream), np.uint8)
    # Entries of one length need no place for each byte: the payload is a table.
    equal = len(length) * int(length[0]) == len(stream) and bool((length == length[0]).all())
    table = payload.reshape(len(length), int(length[0])) if equal else None
    starts = np.cumsum(length) - length
    at = 0
    for which, size in _groups(insole, kind, length):
        rows = stream[at : at + len(which) * size].reshape(size, len(which)).T
        at += rows.size
        if table is not None:
            table[which] = rows
        else:
            payload[_places(which, size, starts)] = rows
    return payload.tobytes()
