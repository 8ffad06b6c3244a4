"""A replay file written from the documents alone: `wire_format.md` and `replay_file.md`.

Imports nothing of the program, so that the two pages are what is tested. It is slow and plain; a
capture tool may begin with it.
"""

import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

LEFT, RIGHT = 0, 1
U16, PACKED12 = 0, 1
FIRST, DROPPED, BATTERY_LOW = 1, 2, 4
NOTIFICATION, CONNECTED, DISCONNECTED, EXCHANGE, SETTINGS, CALIBRATION, MARK, END = range(8)
SESSION = 255

Frame = Sequence[int]


@dataclass
class Entry:
    """One entry of a record."""

    arrival_ns: int
    insole: int
    kind: int
    data: bytes


def data_packet(
    foot: int,
    sample_format: int,
    flags: int,
    counter: int,
    clock_us: int,
    period_us: int,
    frames: Sequence[Frame],
) -> bytes:
    """Return a data packet, kind 0x01 (`wire_format.md` §3)."""
    head = struct.pack(
        "<BBBBIIHBB",
        *(1, 0x01, foot | sample_format << 1, flags),
        *(counter % 2**32, clock_us % 2**32, period_us, len(frames[0]), len(frames)),
    )
    frame = packed12 if sample_format == PACKED12 else u16
    return head + b"".join(frame(samples) for samples in frames)


def u16(samples: Frame) -> bytes:
    """Return a frame of two bytes a sample."""
    return struct.pack(f"<{len(samples)}H", *samples)


def packed12(samples: Frame) -> bytes:
    """Return a frame of three bytes for two samples; an odd last one takes two."""
    out = bytearray()
    for k in range(0, len(samples) - 1, 2):
        a, b = samples[k], samples[k + 1]
        out += bytes((a & 0xFF, (a >> 8) | ((b & 0xF) << 4), b >> 4))
    if len(samples) % 2:
        out += bytes((samples[-1] & 0xFF, samples[-1] >> 8))
    return bytes(out)


def json_entry(arrival_ns: int, insole: int, kind: int, table: dict[str, object]) -> Entry:
    """Return an entry whose data are JSON."""
    return Entry(arrival_ns, insole, kind, json.dumps(table).encode("utf-8"))


def exchange(arrival_ns: int, insole: int, send_ns: int, clock_us: int) -> Entry:
    """Return a time exchange that was received when it arrived."""
    return Entry(arrival_ns, insole, EXCHANGE, struct.pack("<qqI", send_ns, arrival_ns, clock_us))


def replay_file(entries: list[Entry], entries_per_piece: int = 1000) -> bytes:
    """Return a whole replay file; entries are in order of arrival."""
    out = bytes.fromhex("89 50 47 52 0D 0A 1A 0A") + struct.pack("<H", 1)
    for k in range(0, len(entries), entries_per_piece):
        piece = _piece(entries[k : k + entries_per_piece])
        out += struct.pack("<I", len(piece)) + piece
    return out + struct.pack("<I", 0)


def _piece(entries: list[Entry]) -> bytes:
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)  # raw: no header, no check sum
    packed = deflate.compress(_body(entries)) + deflate.flush()
    return bytes((1,)) + struct.pack("<I", zlib.crc32(packed)) + packed


def _body(entries: list[Entry]) -> bytes:
    arrivals = [entry.arrival_ns for entry in entries]
    before = [arrivals[0], *arrivals[:-1]]
    steps = [(now - last) % 2**64 for now, last in zip(arrivals, before, strict=True)]
    out = struct.pack("<Iqq", len(entries), arrivals[0], arrivals[-1])
    out += _shuffled([struct.pack("<Q", step) for step in steps])
    out += bytes(entry.insole for entry in entries)
    out += bytes(entry.kind for entry in entries)
    out += _shuffled([struct.pack("<H", len(entry.data)) for entry in entries])
    groups: dict[tuple[int, int, int], list[bytes]] = {}
    for entry in entries:
        groups.setdefault((entry.insole, entry.kind, len(entry.data)), []).append(entry.data)
    stream = b"".join(_shuffled(groups[key]) for key in sorted(groups))
    last = 0
    differences = bytearray()
    for byte in stream:
        differences.append((byte - last) % 256)
        last = byte
    return out + bytes(differences)


def _shuffled(values: list[bytes]) -> bytes:
    """Return all first bytes, then all second bytes, and so on; all values are equally long."""
    return b"".join(bytes(value[k] for value in values) for k in range(len(values[0])))
