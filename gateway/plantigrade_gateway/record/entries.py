"""The record: everything a session's results are a function of, in the order it arrived.

Takes nothing from outside and does no I/O. The store (`store.py`) and the replay file
(`sources/replay.py`) keep records; the pipeline (`analysis/pipeline.py`) turns one into events.
"""

import re
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade_gateway.errors import RecordError

SESSION = 255
"""The `insole` of an entry that concerns the session, not one insole."""

INSOLE_OF = {Foot.LEFT: 0, Foot.RIGHT: 1}
"""The `insole` of each foot in a live record."""

MAX_DATA_BYTES = 65535

LONGEST_NS = 7 * 86_400_000_000_000
"""From a record's first entry to its last (ours): nobody practises for a week on end."""
FARTHEST_NS = 1 << 62
"""The largest arrival, either way: two of them differ by less than 64 bits hold."""


class Kind(IntEnum):
    """What an entry is."""

    NOTIFICATION = 0
    """One Bluetooth notification from an insole, as it came (`hardware_notes/wire_format.md`)."""
    CONNECTED = 1
    """The insole's link came up; data: UTF-8 JSON of what it said of itself, or empty."""
    DISCONNECTED = 2
    """The insole's link went down."""
    EXCHANGE = 3
    """A two-way time exchange: host send ns, host receive ns (int64 each), insole µs (uint32).

    `exchange_data` and `read_exchange` write and read it.
    """
    SETTINGS = 4
    """The session's settings from here on: UTF-8 JSON (`pipeline.SessionSettings`)."""
    CALIBRATION = 5
    """The insole's calibration from here on: UTF-8 JSON (`plantigrade.calibrate.Calibration`)."""
    MARK = 6
    """A note at this instant: UTF-8 text."""
    END = 7
    """The session's end."""
    SET = 8
    """A set begins: UTF-8 JSON (`tables.SetStart`). It ends the set before."""
    SET_END = 9
    """The set under way ends."""
    CUES = 10
    """Whether cues can be heard from here on: UTF-8 JSON (`tables.CueState`)."""
    DRILL = 11
    """The drill from here on, or none: UTF-8 JSON with the whole drill (`practice.entry_of`)."""
    CHECK = 12
    """A trial of a guided check begins: UTF-8 JSON (`tables.TrialName`); it ends the last."""
    CHECK_END = 13
    """The trial under way ends: UTF-8 JSON, as it began."""
    LOG = 14
    """A page of the insole's log, as it came (`hardware_notes/wire_format.md` §8): samples of an
    earlier time. A live analysis leaves it alone."""
    HEARD = 15
    """A transient that the microphone heard: UTF-8 JSON (`heard.HeardSound`). No sound is kept."""
    LISTEN = 16
    """What the microphone is for from here on: UTF-8 JSON (`heard.Listening`)."""
    STRIKE = 17
    """Somebody, or another program, told when a strike was: UTF-8 JSON (`heard.ToldStrike`)."""
    LATE = 255
    """Frames of a page of LOG in their own place. In no record: `analysis/late.py` makes it."""


_EXCHANGE = struct.Struct("<qqI")


def exchange_data(send_ns: int, receive_ns: int, clock_us: int) -> bytes:
    """Return the data of an EXCHANGE entry."""
    return _EXCHANGE.pack(send_ns, receive_ns, clock_us)


def read_exchange(data: bytes) -> tuple[int, int, int] | None:
    """Return host send ns, host receive ns and insole µs; None where the data hold no exchange."""
    return _EXCHANGE.unpack(data) if len(data) == _EXCHANGE.size else None


def lost_text(entries: int | None, where: str, why: str) -> str:
    """Return the text of a mark that stands for entries which are not in the record.

    Parameters
    ----------
    entries : int or None
        How many; None: not known.
    where : str
        "before" or "after" the mark's place.
    why : str
    """
    many = "entries" if entries is None else f"{entries} entries"
    return f"{many} {where} this one are lost: {why}"


_LOST = re.compile(r"(\d+ )?entries (before|after) this one are lost: ")


def is_lost(text: str) -> bool:
    """Whether a mark's text, or a note made of it, is one that `lost_text` gave."""
    return _LOST.search(text) is not None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a record.

    Attributes
    ----------
    arrival_ns : int
        Monotonic host time, ns; never falls from entry to entry.
    insole : int
        0 or 1 for the pair's two insoles, `SESSION` for the session.
    kind : Kind
    data : bytes
    """

    arrival_ns: int
    insole: int
    kind: Kind
    data: bytes


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Consecutive entries of a record, in columns.

    How a record is cut into batches never changes what is made of it.

    Attributes
    ----------
    arrival_ns : ndarray of int64, shape (n,)
    insole : ndarray of uint8, shape (n,)
    kind : ndarray of uint8, shape (n,)
    length : ndarray of int64, shape (n,)
        Bytes of each entry's data.
    payload : bytes
        The entries' data one after the other.
    """

    arrival_ns: NDArray[np.int64]
    insole: NDArray[np.uint8]
    kind: NDArray[np.uint8]
    length: NDArray[np.int64]
    payload: bytes

    def __post_init__(self) -> None:
        n = len(self.arrival_ns)
        if not (len(self.insole) == len(self.kind) == len(self.length) == n):
            raise RecordError("record batch: columns of unequal length")
        if int(self.length.sum()) != len(self.payload):
            raise RecordError(
                f"record batch: {len(self.payload)} payload bytes, "
                f"expected {int(self.length.sum())}"
            )

    def __len__(self) -> int:
        return len(self.arrival_ns)

    def __iter__(self) -> Iterator[Entry]:
        at = 0
        for ns, insole, kind, length in zip(
            self.arrival_ns.tolist(),
            self.insole.tolist(),
            self.kind.tolist(),
            self.length.tolist(),
            strict=True,
        ):
            yield Entry(ns, insole, Kind(kind), self.payload[at : at + length])
            at += length

    @classmethod
    def of(cls, entries: Iterable[Entry]) -> "Batch":
        """Put entries into columns.

        Raises
        ------
        RecordError
            An entry's data is longer than `MAX_DATA_BYTES`.
        """
        rows = list(entries)
        for row in rows:
            if len(row.data) > MAX_DATA_BYTES:
                raise RecordError(
                    f"record entry of {len(row.data)} bytes, expected at most {MAX_DATA_BYTES}"
                )
        return cls(
            np.array([r.arrival_ns for r in rows], dtype=np.int64),
            np.array([r.insole for r in rows], dtype=np.uint8),
            np.array([r.kind for r in rows], dtype=np.uint8),
            np.array([len(r.data) for r in rows], dtype=np.int64),
            b"".join(r.data for r in rows),
        )

    @classmethod
    def joined(cls, batches: Sequence["Batch"]) -> "Batch":
        """Put batches one after the other."""
        if not batches:
            return cls.of(())
        return cls(
            np.concatenate([b.arrival_ns for b in batches]),
            np.concatenate([b.insole for b in batches]),
            np.concatenate([b.kind for b in batches]),
            np.concatenate([b.length for b in batches]),
            b"".join(b.payload for b in batches),
        )

    def slice(self, start: int, stop: int) -> "Batch":
        """Return entries start…stop−1 as a batch of their own."""
        if stop - start == len(self):
            return self
        ends = np.concatenate(([0], np.cumsum(self.length)))
        return Batch(
            self.arrival_ns[start:stop],
            self.insole[start:stop],
            self.kind[start:stop],
            self.length[start:stop],
            self.payload[int(ends[start]) : int(ends[stop])],
        )


class Order:
    """Checks the arrival times of a record as its batches come.

    Parameters
    ----------
    where : str
        What the record is in, for the error.
    """

    def __init__(self, where: str) -> None:
        self._where = where
        self._first_ns: int | None = None
        self._last_ns = -FARTHEST_NS

    def check(self, batch: Batch, piece: str = "") -> None:
        """Take the next batch.

        Raises
        ------
        RecordError
            Arrival times fall, are beyond all clocks, or span more than `LONGEST_NS`.
        """
        times, where = batch.arrival_ns, self._where + piece
        if not len(times):
            return
        first_ns, last_ns = int(times[0]), int(times[-1])
        if first_ns < -FARTHEST_NS or last_ns > FARTHEST_NS:
            far_ns = first_ns if first_ns < -FARTHEST_NS else last_ns
            raise RecordError(
                f"{where}: an arrival time of {far_ns} ns, expected one within "
                f"{FARTHEST_NS} ns of zero"
            )
        if first_ns < self._last_ns or bool((times[1:] < times[:-1]).any()):
            raise RecordError(f"{where}: arrival times fall, expected entries in order of arrival")
        self._first_ns = first_ns if self._first_ns is None else self._first_ns
        self._last_ns = last_ns
        if last_ns - self._first_ns > LONGEST_NS:
            days = (last_ns - self._first_ns) / 86_400e9
            raise RecordError(
                f"{where}: arrival times span {days:.3g} days, expected at most "
                f"{LONGEST_NS // 86_400_000_000_000}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class ZoneRows:
    """Consecutive rows of both feet's zones.

    Attributes
    ----------
    t_s : ndarray of float64, shape (n,)
        Times, s, strictly increasing.
    left, right : ndarray of float64, shape (n, n_zones)
        Readings in the layout's unit; NaN where one is missing.
    """

    t_s: FloatArray
    left: FloatArray
    right: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class ZoneFacts:
    """What a whole recording of `ZoneRows` is like.

    Attributes
    ----------
    rows : int
    rate_hz : float
        1 / the mean of the time steps within half of their median, to 6 digits.
    notes : tuple of str
        Sentences for the user: columns left out, irregular times, dead zones, empty cells.
    dead_left, dead_right : tuple of int
        Ids of zones without a single reading; they are read as 0. None of a foot of which no zone
        has one: that foot is missing.
    """

    rows: int
    rate_hz: float
    notes: tuple[str, ...]
    dead_left: tuple[int, ...]
    dead_right: tuple[int, ...]
