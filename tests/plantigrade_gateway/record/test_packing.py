"""A chunk gives back what was put into it, byte for byte, or says that it cannot."""

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record import packing
from plantigrade_gateway.record.entries import MAX_DATA_BYTES, Batch, Entry, Kind

INT64 = st.integers(-(1 << 63), (1 << 63) - 1)
BYTE = st.integers(0, 255)


def columns(rows: list[tuple[int, int, int, bytes]]) -> Batch:
    """A batch of any column values, also ones no insole sends."""
    return Batch(
        np.array([r[0] for r in rows], dtype=np.int64),
        np.array([r[1] for r in rows], dtype=np.uint8),
        np.array([r[2] for r in rows], dtype=np.uint8),
        np.array([len(r[3]) for r in rows], dtype=np.int64),
        b"".join(r[3] for r in rows),
    )


def assert_equal(got: Batch, expected: Batch) -> None:
    for name in ("arrival_ns", "insole", "kind", "length"):
        a, b = getattr(got, name), getattr(expected, name)
        assert a.dtype == b.dtype, name
        assert np.array_equal(a, b), name
    assert got.payload == expected.payload


any_row = st.tuples(INT64, BYTE, BYTE, st.binary(max_size=40))
# Few lengths and insoles, as a real stream has: long groups, mixed with odd ones.
stream_row = st.tuples(
    st.integers(0, 10**12),
    st.sampled_from([0, 1, 255]),
    st.sampled_from([0, 0, 0, 3, 6]),
    st.one_of(st.binary(min_size=8, max_size=8), st.binary(min_size=5, max_size=5)),
)
batches = st.one_of(st.lists(any_row, max_size=30), st.lists(stream_row, max_size=80)).map(columns)


def packets(n: int, size: int = 88, seed: int = 1) -> Batch:
    rng = np.random.default_rng(seed)
    return Batch(
        np.cumsum(rng.integers(0, 20_000_000, n)),
        rng.integers(0, 2, n).astype(np.uint8),
        np.zeros(n, np.uint8),
        np.full(n, size, np.int64),
        rng.integers(0, 256, n * size).astype(np.uint8).tobytes(),
    )


@given(batches)
def test_round_trip_is_exact(batch):
    assert_equal(packing.unpack([packing.pack(batch)]), batch)


@pytest.mark.dear
@given(st.lists(batches, max_size=5))
def test_chunks_unpacked_together_are_the_batches_joined(parts):
    got = packing.unpack([packing.pack(part) for part in parts])
    expected = columns(
        [
            (int(ns), int(insole), int(kind), data)
            for part in parts
            for ns, insole, kind, data in rows_of(part)
        ]
    )
    assert_equal(got, expected)


def rows_of(batch: Batch) -> list[tuple[int, int, int, bytes]]:
    ends = np.cumsum(batch.length).tolist()
    starts = [0, *ends[:-1]]
    return [
        (ns, insole, kind, batch.payload[a:b])
        for ns, insole, kind, a, b in zip(
            batch.arrival_ns.tolist(),
            batch.insole.tolist(),
            batch.kind.tolist(),
            starts[: len(batch)],
            ends,
            strict=True,
        )
    ]


def test_no_entries():
    empty = Batch.of(())
    assert_equal(packing.unpack([packing.pack(empty)]), empty)
    assert_equal(packing.unpack([]), empty)


def test_an_empty_chunk_between_others_changes_nothing():
    a, b = packets(30), packets(20, seed=2)
    got = packing.unpack([packing.pack(x) for x in (a, Batch.of(()), b)])
    assert np.array_equal(got.arrival_ns, np.concatenate([a.arrival_ns, b.arrival_ns]))
    assert got.payload == a.payload + b.payload


@pytest.mark.dear
def test_giant_batch():
    batch = packets(200_000, size=70)
    assert_equal(packing.unpack([packing.pack(batch)]), batch)


def test_longest_entry_fits_and_a_longer_one_is_refused():
    batch = Batch.of([Entry(5, 0, Kind.MARK, bytes(range(256)) * 255 + b"x" * 255)])
    assert len(batch.payload) == MAX_DATA_BYTES
    assert_equal(packing.unpack([packing.pack(batch)]), batch)
    with pytest.raises(StoreError, match="65536 bytes, expected at most 65535"):
        packing.pack(columns([(5, 0, 6, bytes(MAX_DATA_BYTES + 1))]))


def test_entries_without_data():
    batch = Batch.of([Entry(k, 0, Kind.DISCONNECTED, b"") for k in range(9)])
    assert_equal(packing.unpack([packing.pack(batch)]), batch)


@pytest.mark.dear
def test_any_changed_byte_is_found():
    data = packing.pack(packets(3, size=9))
    for k in range(len(data)):
        for change in (1, 0x80, 0xFF):
            damaged = data[:k] + bytes([data[k] ^ change]) + data[k + 1 :]
            with pytest.raises(StoreError, match="damaged"):
                packing.unpack([damaged])


def test_cut_and_lengthened_chunks_are_found():
    data = packing.pack(packets(3, size=9))
    for k in range(len(data)):
        with pytest.raises(StoreError):
            packing.unpack([data[:k]])
    with pytest.raises(StoreError, match="check sum"):
        packing.unpack([data + b"\0"])


def test_newer_format_is_refused_with_its_number():
    with pytest.raises(StoreError, match="format 2, this version reads format 1"):
        packing.unpack([b"\x02" + packing.pack(packets(3))[1:]])


@settings(max_examples=300)
@given(st.integers(0, 40), st.binary(max_size=600))
def test_a_body_that_is_none_is_found_behind_a_right_check_sum(n, rest):
    """Never numpy's or struct's error, whatever a chunk holds: only StoreError."""
    body = struct.pack("<Iqq", n, 0, 0) + rest
    deflate = zlib.compressobj(wbits=-15)
    packed = deflate.compress(body) + deflate.flush()
    data = struct.pack("<BI", 1, zlib.crc32(packed)) + packed
    try:
        batch = packing.unpack([data])
    except StoreError:
        return
    assert len(batch) == n  # the bytes happened to be a chunk


@given(st.binary(max_size=200))
def test_random_bytes_are_no_chunk(data):
    with pytest.raises(StoreError):
        packing.unpack([data])
    with pytest.raises(StoreError):
        packing.unpack([struct.pack("<BI", 1, zlib.crc32(data)) + data])


def test_smaller_than_the_bytes_it_holds():
    """Quiet standing: slowly changing 16-bit readings. (Figures: tests/bench/store.py.)"""
    rng = np.random.default_rng(3)
    readings = (1000 + np.arange(50)[:, None] + rng.integers(-3, 4, (50, 36))).astype("<u2")
    batch = columns([(k * 10**7, 0, 0, readings[k].tobytes()) for k in range(50)])
    assert len(packing.pack(batch)) < len(batch.payload) / 2
