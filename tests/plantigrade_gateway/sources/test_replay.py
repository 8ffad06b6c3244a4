"""The replay file: what goes in comes out, and a bad file gets one clear sentence."""

import os
import re
import struct
import tracemalloc
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from plantigrade_gateway.errors import InputError, RecordError
from plantigrade_gateway.record.entries import MAX_DATA_BYTES, SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.sources.replay import (
    ENTRIES_PER_PIECE,
    is_replay,
    packed_replay,
    read_replay,
    unpacked_replay,
    write_replay,
)

HEAD = b"\x89PGR\r\n\x1a\n\x01\x00"


def some_entries(n: int) -> list[Entry]:
    rng = np.random.default_rng(n)
    entries = [
        Entry(1_000_000_000 + k * 7_000_001, k % 2, Kind.NOTIFICATION, rng.bytes(40 + k % 3))
        for k in range(n)
    ]
    return [*entries, Entry(entries[-1].arrival_ns if n else 0, SESSION, Kind.END, b"")]


def entries_of(path: Path) -> list[Entry]:
    return [entry for batch in read_replay(path) for entry in batch]


def read_until_fault(path: Path) -> tuple[list[Entry], str]:
    entries: list[Entry] = []
    with pytest.raises(RecordError) as caught:
        for batch in read_replay(path):
            entries += batch
    return entries, str(caught.value)


@pytest.fixture
def replay(tmp_path: Path) -> Path:
    path = tmp_path / "some.pgr"
    write_replay(path, some_entries(9000))
    return path


@pytest.mark.dear
@pytest.mark.parametrize("n", [0, 1, ENTRIES_PER_PIECE - 1, ENTRIES_PER_PIECE, 13000])
def test_round_trip(tmp_path, n):
    path = tmp_path / "a.pgr"
    write_replay(path, some_entries(n))
    assert entries_of(path) == some_entries(n)


def test_empty_record(tmp_path):
    path = tmp_path / "a.pgr"
    write_replay(path, [])
    assert entries_of(path) == []
    assert path.read_bytes() == HEAD + b"\0\0\0\0"


entry_fields = st.tuples(
    st.integers(0, 10**9),
    st.sampled_from([0, 1, SESSION]),
    st.sampled_from([kind for kind in Kind if kind is not Kind.LATE]),
    st.binary(max_size=50),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.integers(-(2**62), 2**62 - 60 * 10**9), st.lists(entry_fields, max_size=60))
def test_any_entries_round_trip(tmp_path, start_ns, fields):
    entries = []
    for step_ns, insole, kind, data in fields:
        start_ns += step_ns
        entries.append(Entry(start_ns, insole, kind, data))
    path = tmp_path / "a.pgr"
    write_replay(path, entries)
    assert entries_of(path) == entries


def test_largest_entry(tmp_path):
    path = tmp_path / "a.pgr"
    entry = Entry(0, 0, Kind.MARK, bytes(MAX_DATA_BYTES))
    write_replay(path, [entry])
    assert entries_of(path) == [entry]
    with pytest.raises(RecordError, match="65536 bytes, expected at most 65535"):
        write_replay(path, [Entry(0, 0, Kind.MARK, bytes(MAX_DATA_BYTES + 1))])
    assert entries_of(path) == [entry]  # what was there stays


@pytest.mark.dear
def test_same_entries_same_bytes(tmp_path):
    one, other = tmp_path / "one.pgr", tmp_path / "other.pgr"
    write_replay(one, some_entries(9000))
    write_replay(other, iter(some_entries(9000)))
    assert one.read_bytes() == other.read_bytes()


def test_file_is_as_the_page_says(tmp_path):
    """Written here from hardware_notes/replay_file.md, not by the program."""
    body = struct.pack("<Iqq", 3, 1000, 1300)
    body += bytes([0, 44, 0]) + bytes([0, 1, 0]) + bytes(18)  # arrivals: + 0, + 300, + 0
    body += bytes([0, 0, 255]) + bytes([0, 0, 7])
    body += bytes([2, 2, 0]) + bytes(3)
    stream = [0x01, 0x10, 0x02, 0xFF]  # "01 02" and "10 FF", all first bytes first
    body += bytes((b - a) % 256 for a, b in zip([0, *stream[:-1]], stream, strict=True))
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = deflate.compress(body) + deflate.flush()
    piece = struct.pack("<BI", 1, zlib.crc32(packed)) + packed
    path = tmp_path / "by_hand.pgr"
    path.write_bytes(HEAD + struct.pack("<I", len(piece)) + piece + bytes(4))
    assert entries_of(path) == [
        Entry(1000, 0, Kind.NOTIFICATION, b"\x01\x02"),
        Entry(1300, 0, Kind.NOTIFICATION, b"\x10\xff"),
        Entry(1300, SESSION, Kind.END, b""),
    ]


@pytest.mark.dear
def test_cut_anywhere_gives_what_is_whole_and_says_so(replay):
    data = replay.read_bytes()
    whole = entries_of(replay)
    sizes = set()
    for n in [*range(10, len(data), 19997), len(data) - 5, len(data) - 4, len(data) - 1]:
        replay.write_bytes(data[:n])
        entries, sentence = read_until_fault(replay)
        assert entries == whole[: len(entries)]
        assert sentence.startswith(f"{replay}: cut off at byte {n}, expected ")
        sizes.add(len(entries))
    assert sizes == {0, ENTRIES_PER_PIECE, 2 * ENTRIES_PER_PIECE, len(whole)}


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "not a replay file, expected it to begin with 89 50 47 52"),
        (b"time_s,L1,L2\n", "not a replay file"),
        (HEAD[:9], "not a replay file"),
        (HEAD.replace(b"\r\n", b"\n"), "not a replay file"),
        (HEAD[:8] + b"\x02\x00", "replay file version 2, expected 1"),
        (HEAD + b"\xff\xff\xff\xff", "piece of 4294967295 bytes at byte 10, expected at most"),
        (HEAD + b"\x05\0\0\0\x01\0\0\0\0\0\0\0\0", "piece at byte 10: chunk: "),
        (HEAD + b"\x01\0\0\0\x01\0\0\0\0", "piece at byte 10: chunk: 1 bytes"),
        (HEAD + bytes(4) + b"x", "bytes after the end mark at byte 10, expected none"),
    ],
)
def test_bad_file_gets_one_sentence(tmp_path, data, sentence):
    path = tmp_path / "bad.pgr"
    path.write_bytes(data)
    entries, said = read_until_fault(path)
    assert entries == []
    assert said.startswith(f"{path}: ")
    assert sentence in said
    assert "\n" not in said


@pytest.mark.dear
@pytest.mark.slow
def test_any_damaged_byte_of_a_piece_is_noticed(replay):
    data = replay.read_bytes()
    for at in range(14, len(data) - 4, 59999):
        replay.write_bytes(data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :])
        entries, sentence = read_until_fault(replay)
        assert entries == some_entries(9000)[: len(entries)]
        assert "piece" in sentence


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(RecordError, match=r"none\.pgr: cannot be read: No such file"):
        list(read_replay(tmp_path / "none.pgr"))
    with pytest.raises(RecordError, match=r"a\.pgr: cannot be written: No such file"):
        write_replay(tmp_path / "no_folder" / "a.pgr", some_entries(3))


def test_falling_arrivals_are_refused_both_ways(tmp_path):
    path = tmp_path / "a.pgr"
    early = [Entry(5, 0, Kind.MARK, b""), Entry(4, 0, Kind.MARK, b"")]
    with pytest.raises(RecordError, match="arrival times fall"):
        write_replay(path, early)
    far = [Entry(10, 0, Kind.MARK, b"")] * ENTRIES_PER_PIECE + [Entry(9, 0, Kind.MARK, b"")]
    with pytest.raises(RecordError, match="arrival times fall"):
        write_replay(path, far)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("times_ns", "says"),
    [
        ([-(2**63), 0], "arrival time of -9223372036854775808 ns, expected one within"),
        ([0, 2**63 - 1], "arrival time of 9223372036854775807 ns, expected one within"),
        ([-(2**62), 2**62], "arrival times span 1.07e+05 days, expected at most 7"),
        ([2**63 - 1, -(2**63)], "arrival times fall"),
    ],
)
def test_absurd_arrivals_are_refused_both_ways(tmp_path, times_ns, says):
    path = tmp_path / "a.pgr"
    entries = [Entry(at, 0, Kind.MARK, b"") for at in times_ns]
    with pytest.raises(RecordError, match=re.escape(says)):
        write_replay(path, entries)
    piece = pack(Batch.of(entries))
    path.write_bytes(HEAD + struct.pack("<I", len(piece)) + piece + bytes(4))
    with pytest.raises(RecordError, match=re.escape(says)):
        entries_of(path)


@pytest.mark.parametrize("kind", [18, 100, 254, 255])
def test_a_kind_that_no_record_holds_is_refused(tmp_path, kind):
    """`hardware_notes/replay_file.md`: 0 to 17; 255 is the analysis' own, with times of its own."""
    kinds = np.array([int(Kind.MARK), kind], np.uint8)
    zeros = np.zeros(2, np.int64)
    piece = pack(Batch(zeros, zeros.astype(np.uint8), kinds, zeros, b""))
    path = tmp_path / "a.pgr"
    path.write_bytes(HEAD + struct.pack("<I", len(piece)) + piece + bytes(4))
    entries, said = read_until_fault(path)
    assert entries == []
    assert said == f"{path}: piece at byte 10: an entry of kind {kind}, expected 0 to 17"


def test_a_piece_without_entries_is_refused(tmp_path):
    nothing = np.zeros(0, np.int64)
    kinds = nothing.astype(np.uint8)
    piece = pack(Batch(nothing, kinds, kinds, nothing, b""))
    path = tmp_path / "a.pgr"
    path.write_bytes(HEAD + struct.pack("<I", len(piece)) + piece + bytes(4))
    assert read_until_fault(path) == (
        [],
        f"{path}: piece at byte 10: no entries, expected at least one",
    )


def test_a_week_is_read(tmp_path):
    entries = [Entry(at, 0, Kind.MARK, b"") for at in (0, 7 * 86_400 * 10**9)]
    write_replay(tmp_path / "a.pgr", entries)
    assert entries_of(tmp_path / "a.pgr") == entries


def deflated(*parts: tuple[bytes, int]) -> bytes:
    """Pack a body of parts, each so many times, that need not fit into memory."""
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = b"".join(deflate.compress(part) for part, times in parts for _ in range(times))
    packed += deflate.flush()
    return struct.pack("<BI", 1, zlib.crc32(packed)) + packed


@pytest.mark.dear
@pytest.mark.parametrize(
    ("parts", "says"),
    [
        (((struct.pack("<Iqq", 1, 0, 0), 1), (bytes(1 << 20), 256)), "more than 16777216 bytes"),
        (((struct.pack("<Iqq", 1 << 20, 0, 0), 1), (bytes(12 << 20), 1)), "1048576 entries"),
    ],
    ids=["256 MB", "a million entries"],
)
def test_a_bomb_is_refused_without_what_it_asks_for(tmp_path, parts, says):
    path = tmp_path / "bomb.pgr"
    piece = deflated(*parts)
    path.write_bytes(HEAD + struct.pack("<I", len(piece)) + piece + bytes(4))
    assert path.stat().st_size < 2_000_000
    entries, sentence = read_until_fault_within(path, 100)
    assert entries == 0 and says in sentence


@pytest.mark.dear
def test_the_largest_piece_that_is_read_takes_bounded_memory(tmp_path):
    """Entries of unequal lengths are those that take the most."""
    n = 1 << 18
    lengths = np.full(n, (1 << 24) // n - 13)
    lengths[1] += 1
    rng = np.random.default_rng(1)
    data = rng.integers(0, 256, int(lengths.sum()), np.uint8).tobytes()
    batch = Batch(np.arange(n), np.zeros(n, np.uint8), np.zeros(n, np.uint8), lengths, data)
    piece = pack(batch)
    path = tmp_path / "large.pgr"
    path.write_bytes(HEAD + struct.pack("<I", len(piece)) + piece)
    entries, sentence = read_until_fault_within(path, 300)
    assert entries == n and "cut off" in sentence


@pytest.mark.dear
def test_marks_beyond_all_practice_are_refused(tmp_path):
    mark = Entry(0, SESSION, Kind.MARK, bytes(MAX_DATA_BYTES))
    path = tmp_path / "marks.pgr"
    write_replay(path, [mark] * 2000)
    assert path.stat().st_size < 2_000_000
    entries, sentence = read_until_fault_within(path, 100)
    assert 0 < entries < 600 and "expected at most 33554432" in sentence


def read_until_fault_within(path: Path, most_mb: int) -> tuple[int, str]:
    """Return how many entries were read before the fault; memory stays below a limit."""
    n = 0
    tracemalloc.start()
    try:
        with pytest.raises(RecordError) as caught:
            for batch in read_replay(path):
                n += len(batch)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < most_mb * 1_000_000
    return n, str(caught.value)


def test_its_bytes_give_the_packed_pieces_however_they_are_cut(tmp_path):
    """As a hub sends and takes them; nobody looks into the pieces."""
    path = tmp_path / "a.pgr"
    write_replay(path, some_entries(ENTRIES_PER_PIECE + 10))
    data = path.read_bytes()
    pieces = list(unpacked_replay("a", [data]))
    assert len(pieces) == 2
    assert b"".join(packed_replay(pieces)) == data
    for size in (1009, 4096, len(data) - 1):
        cut = [data[at : at + size] for at in range(0, len(data), size)]
        assert list(unpacked_replay("a", cut)) == pieces
    singly = [data[:5], b"", *(bytes([b]) for b in data[5:300]), data[300:]]
    assert list(unpacked_replay("a", singly)) == pieces


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "not a replay file"),
        (HEAD[:-2], "not a replay file"),
        (b"\x89PNG" + HEAD[4:] + bytes(4), "not a replay file"),
        (HEAD[:-2] + b"\2\0" + bytes(4), "replay file version 2, expected 1"),
        (HEAD, "cut off at byte 10, expected another piece or the end mark"),
        (HEAD + b"\5\0\0", "cut off at byte 13, expected another piece or the end mark"),
        (HEAD + b"\5\0\0\0abc", "cut off at byte 17, expected a piece of 5 bytes from byte 14"),
        (HEAD + b"\1\0\0\0a" + bytes(5), "bytes after the end mark at byte 15, expected none"),
        (HEAD + b"\1\0\0\x08", "piece of 134217729 bytes at byte 10, expected at most 134217728"),
    ],
)
def test_bytes_that_are_none_are_one_sentence(tmp_path, data, said):
    path = tmp_path / "a.pgr"
    path.write_bytes(data)
    with pytest.raises(RecordError) as caught:
        list(unpacked_replay("a", [data]))
    assert str(caught.value).startswith(f"a: {said}")
    assert is_replay(path) is data.startswith(HEAD[:8])
    with pytest.raises(InputError, match="cannot be read: No such file"):
        is_replay(tmp_path / "none.pgr")


def test_nothing_half_written_is_left(tmp_path):
    path = tmp_path / "a.pgr"
    write_replay(path, some_entries(10))

    def breaking() -> Iterator[Entry]:
        yield from some_entries(9000)
        raise RuntimeError("the source broke")

    with pytest.raises(RuntimeError):
        write_replay(path, breaking())
    assert os.listdir(tmp_path) == ["a.pgr"]
    assert entries_of(path) == some_entries(10)


def test_reader_takes_piece_by_piece(replay):
    reader = read_replay(replay)
    first = next(reader)
    assert isinstance(first, Batch)
    assert len(first) == ENTRIES_PER_PIECE
