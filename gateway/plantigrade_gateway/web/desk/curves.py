"""The rows a stored session is drawn from: pieces of its time line, and the rows about each swing.

Packed as named tables of numbers with a head. Deflate of: uint32 length of the head, the head
(JSON), then each table's float32 values, all first bytes, then all second ones, and so on. Values
keep single precision: a load of 1000 N to 0.0001 N. Kept, since `numpy.savez_compressed` takes 31
% more bytes for a time line and 18 % more for swings, and reads them 1.7 to 2 times slower (the
recorded practice).
"""

import json
import struct
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade.events import Swing
from plantigrade.limits import Limits
from plantigrade.load import centre_of_pressure, share, total_load
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.foreign import inflated
from plantigrade_gateway.record.entries import ZoneRows
from plantigrade_gateway.record.settings import SessionSettings

_LEVEL = 3  # as the record's chunks
_MOST_BYTES = 1 << 26  # of what is packed; a piece has some 20 MB
_SIZE = struct.Struct("<I")


def pack(head: Mapping[str, Any], tables: Mapping[str, FloatArray]) -> bytes:
    """Turn a head of JSON values and tables of any shape into bytes."""
    shapes = {name: list(table.shape) for name, table in tables.items()}
    text = json.dumps({"head": dict(head), "tables": shapes}, separators=(",", ":")).encode()
    planes = [
        np.ascontiguousarray(t, dtype="<f4").view(np.uint8).reshape(-1, 4).T.tobytes()
        for t in tables.values()
        if t.size
    ]
    return zlib.compress(_SIZE.pack(len(text)) + text + b"".join(planes), _LEVEL)


def unpack(data: bytes) -> tuple[dict[str, Any], dict[str, FloatArray]]:
    """Return the head and the tables, as float64.

    Raises
    ------
    StoreError
        The bytes are damaged.
    """
    try:
        body = inflated(data, _MOST_BYTES)
        at = _SIZE.size + _SIZE.unpack_from(body)[0]
        found = json.loads(body[_SIZE.size : at])
        tables: dict[str, FloatArray] = {}
        for name, shape in found["tables"].items():
            n = int(np.prod(shape))
            planes = np.frombuffer(body, np.uint8, 4 * n, at).reshape(4, n)
            values = np.ascontiguousarray(planes.T).view("<f4").astype(np.float64)
            tables[name], at = values.reshape(shape), at + 4 * n
        return found["head"], tables
    except (struct.error, ValueError, KeyError) as error:
        raise StoreError(f"derived rows: damaged ({error}); they are made again") from error


ROWS_PER_PIECE = 32_768
"""Five and a half minutes at 100 Hz: 170 kB to read or to commit at once."""

_SAME_ROW = 0.01  # of the spacing: a row this near its place follows on
_LONGEST_ROW_S = 0.051  # 20 Hz


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Consecutive rows of one time line under the same settings.

    Attributes
    ----------
    start_s : float
        Session time of the first row, s; the others follow 1 / rate apart.
    rate_hz : float
    bw_n : float
        Body weight, N.
    lead : Foot
    left_n, right_n : ndarray of float64, shape (n,)
    """

    start_s: float
    rate_hz: float
    bw_n: float
    lead: Foot
    left_n: FloatArray
    right_n: FloatArray

    @property
    def end_s(self) -> float:
        """Session time of the last row."""
        return self.start_s + (len(self.left_n) - 1) / self.rate_hz

    def to_bytes(self) -> bytes:
        """Return the piece as it is kept, in single precision."""
        head = {
            "start_s": self.start_s,
            "rate_hz": self.rate_hz,
            "bw_n": self.bw_n,
            "lead": str(self.lead),
        }
        return pack(head, {"left_n": self.left_n, "right_n": self.right_n})

    @classmethod
    def from_bytes(cls, data: bytes) -> "Piece":
        """Return a piece that was kept."""
        head, tables = unpack(data)
        return cls(
            head["start_s"],
            head["rate_hz"],
            head["bw_n"],
            Foot(head["lead"]),
            tables["left_n"],
            tables["right_n"],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A part of a time line as it is shown.

    Attributes
    ----------
    t_s : ndarray of float64, shape (n,)
        Strictly rising.
    left_bw, right_bw : ndarray of float64, shape (n,)
        Load, about × BW; NaN where missing.
    lead_share : ndarray of float64, shape (n,)
        NaN where a foot is missing or both together carry under 5 % of body weight.
    """

    t_s: FloatArray
    left_bw: FloatArray
    right_bw: FloatArray
    lead_share: FloatArray


class PieceMaker:
    """Cuts rows, as they come, into pieces."""

    def __init__(self) -> None:
        self._blocks: list[PairBlock] = []
        self._rows = 0
        self._key: tuple[float, Foot] | None = None
        self._last_s = -np.inf

    def push(self, block: PairBlock, settings: SessionSettings) -> list[Piece]:
        """Take consecutive rows, net of the baseline; return the pieces that are whole."""
        new = int(np.searchsorted(block.t_s, self._last_s, side="right"))
        block = block.slice(new, len(block))  # a new time line may begin within the old one
        if not len(block):
            return []
        key = (settings.body_weight_n, settings.lead)
        done = [] if key == self._key and self._follows(block) else self.flush()
        self._key = key
        self._blocks.append(block)
        self._rows += len(block)
        self._last_s = float(block.t_s[-1])
        return done + (self.flush() if self._rows >= ROWS_PER_PIECE else [])

    def flush(self) -> list[Piece]:
        """End: return what is left."""
        if not self._blocks or self._key is None:
            return []
        t_s = np.concatenate([b.t_s for b in self._blocks])
        left, right = (
            np.concatenate([total_load(b.foot(foot)) for b in self._blocks]) for foot in Foot
        )
        self._blocks, self._rows = [], 0
        bw_n, lead = self._key
        return [Piece(float(t_s[0]), rate_of(t_s), bw_n, lead, left, right)]

    def _follows(self, block: PairBlock) -> bool:
        """Whether a block goes on with the same spacing where the last ended."""
        if not self._blocks:
            return True
        known = np.concatenate([b.t_s[:2] for b in self._blocks[:2]])
        if len(known) < 2:
            return float(block.t_s[0]) - self._last_s < _LONGEST_ROW_S
        row_s = float(known[1] - known[0])
        times = np.concatenate(([self._last_s], block.t_s[:2]))
        return bool(np.all(np.abs(np.diff(times) - row_s) < _SAME_ROW * row_s))


def rate_of(t_s: FloatArray) -> float:
    """Return the rows per second of evenly spaced times; insoles say whole µs a sample."""
    if len(t_s) < 2:
        return 100.0  # one row lies nowhere but at its own time
    return 1e6 / round(1e6 * float(t_s[-1] - t_s[0]) / (len(t_s) - 1))


def joined(pieces: Iterable[Piece], from_s: float, to_s: float) -> Stretch:
    """Return the rows of consecutive pieces from one time to another, one row beyond at each end.

    Where a piece does not follow on the one before, a row without values stands between them.
    """
    columns: list[FloatArray] = []
    last: Piece | None = None
    for piece in pieces:
        if last is not None and piece.start_s - last.end_s > 1.5 / last.rate_hz:
            columns.append(np.array([[0.5 * (last.end_s + piece.start_s)], *[[np.nan]] * 3]))
        columns.append(_columns(piece))
        last = piece
    table = np.concatenate(columns, axis=1) if columns else np.empty((4, 0))
    start = max(int(np.searchsorted(table[0], from_s, side="left")) - 1, 0)
    stop = int(np.searchsorted(table[0], to_s, side="right")) + 1
    return Stretch(*table[:, start:stop])


def overlapping(spans: Sequence[tuple[float, float]], from_s: float, to_s: float) -> list[int]:
    """Return which spans of time touch the one asked for, and their neighbours."""
    inside = [k for k, (start, end) in enumerate(spans) if start <= to_s and end >= from_s]
    if not inside:
        before = [k for k, (_, end) in enumerate(spans) if end < from_s]
        inside = [before[-1] if before else 0] if spans else []
    return list(range(max(inside[0] - 1, 0), min(inside[-1] + 2, len(spans)))) if inside else []


def _columns(piece: Piece) -> FloatArray:
    n = len(piece.left_n)
    least_n = Limits().cop_bw * piece.bw_n
    feet = {Foot.LEFT: piece.left_n, Foot.RIGHT: piece.right_n}
    return np.array(
        [
            piece.start_s + np.arange(n) / piece.rate_hz,
            piece.left_n / piece.bw_n,
            piece.right_n / piece.bw_n,
            share(feet[piece.lead], feet[piece.lead.other], least_n),
        ]
    )


BEFORE_S, AFTER_S = 1.0, 0.5
"""What is kept before a swing's start and after its finish, s (ours)."""
ABOUT_SHIFT_S = (2.0, 1.5)
"""What is kept before and after the shift at least, s: so much of a set is laid over each other."""

_STEPS = 64.0  # a unit: far under the sensor's noise, and two fifths fewer bytes
_ROW_S = 0.05  # a row beyond: values between rows are on a line
_LONGEST_S = 12.0  # of a swing whose start or finish a gap hides


@dataclass(frozen=True, slots=True, eq=False)
class SwingFrames:
    """One swing's rows.

    Attributes
    ----------
    t_s : ndarray of float64, shape (n,)
        Session time, s.
    left, right : ndarray of float64, shape (n, 8)
        `plantigrade.block.Column` values, net of the baseline.
    left_zones, right_zones : ndarray of float64, shape (n, zones)
        In the layout's unit.
    settings : SessionSettings
        In force during the swing.
    """

    t_s: FloatArray
    left: FloatArray
    right: FloatArray
    left_zones: FloatArray
    right_zones: FloatArray
    settings: SessionSettings

    @property
    def layout(self) -> ZoneLayout:
        """Where the zones lie."""
        return self.settings.zone_layout()

    def columns(self, foot: Foot) -> FloatArray:
        """Return a foot's columns, shape (n, 8)."""
        return self.left if foot is Foot.LEFT else self.right

    def zones(self, foot: Foot) -> FloatArray:
        """Return a foot's zone readings, shape (n, zones)."""
        return self.left_zones if foot is Foot.LEFT else self.right_zones

    def regions_bw(self, foot: Foot) -> FloatArray:
        """Return heel, midfoot, forefoot and toes load, about × BW, shape (n, 4)."""
        values: FloatArray = self.columns(foot)[:, :4] / self.settings.body_weight_n
        return values

    def load_bw(self, foot: Foot) -> FloatArray:
        """Return a foot's load, about × BW, shape (n,)."""
        values: FloatArray = total_load(self.columns(foot)) / self.settings.body_weight_n
        return values

    def cop(self, foot: Foot) -> FloatArray:
        """Return a foot's CoP, x and y as fractions of width and length, NaN where undefined."""
        return centre_of_pressure(self.columns(foot), self._least_n)

    @property
    def lead_share(self) -> FloatArray:
        """Lead share, shape (n,)."""
        lead = self.settings.lead
        lead_n, trail_n = total_load(self.columns(lead)), total_load(self.columns(lead.other))
        return share(lead_n, trail_n, self._least_n)

    @property
    def _least_n(self) -> float:
        return self.settings.limits.cop_bw * self.settings.body_weight_n

    def to_bytes(self) -> bytes:
        """Return the rows as they are kept: values to 1/64 N or kPa, times exact."""
        head = {"t_s": self.t_s.tolist(), "settings": self.settings.to_json().decode()}
        tables = {
            "left": self.left,
            "right": self.right,
            "left_zones": self.left_zones,
            "right_zones": self.right_zones,
        }
        steps = {name: np.round(table * _STEPS) / _STEPS for name, table in tables.items()}
        return pack(head, steps)

    @classmethod
    def from_bytes(cls, data: bytes) -> "SwingFrames":
        """Return rows that were kept."""
        head, tables = unpack(data)
        settings = SessionSettings.from_json(head["settings"].encode())
        return cls(np.array(head["t_s"], dtype=np.float64), **tables, settings=settings)


def window_s(swing: Swing) -> tuple[float, float]:
    """Return from when to when a swing's rows are kept, session time."""
    begin = swing.address_s if swing.start_s is None else swing.start_s
    end = swing.confirmed_s if swing.finish_s is None else swing.finish_s
    start, stop = begin - BEFORE_S, min(end + AFTER_S, begin + _LONGEST_S)
    if swing.shift_s is None:
        return start, stop
    before, after = ABOUT_SHIFT_S
    return min(start, swing.shift_s - before - _ROW_S), max(stop, swing.shift_s + after + _ROW_S)


class SwingCutter:
    """Cuts the rows of known swings out of a session's rows, as they come.

    Parameters
    ----------
    swings : sequence of Swing
        In order of time.
    """

    def __init__(self, swings: Sequence[Swing]) -> None:
        self._waiting = [(k, *window_s(swing)) for k, swing in enumerate(swings)]
        self._open: dict[int, tuple[SessionSettings, list[tuple[PairBlock, ZoneRows]]]] = {}

    def push(
        self, net: PairBlock, zones: ZoneRows, settings: SessionSettings
    ) -> dict[int, SwingFrames]:
        """Take consecutive rows of both kinds, at the same times; return swings that are whole."""
        if not len(net):
            return {}
        for k, start_s, end_s in self._waiting:
            a, b = np.searchsorted(net.t_s, (start_s, end_s)).tolist()
            if a < b:
                first, parts = self._open.setdefault(k, (settings, []))
                if first == settings:  # else the session's settings changed within the swing
                    part = ZoneRows(zones.t_s[a:b], zones.left[a:b], zones.right[a:b])
                    parts.append((net.slice(a, b), part))
        last_s = float(net.t_s[-1])
        done = [k for k, _, end_s in self._waiting if end_s <= last_s]
        self._waiting = [w for w in self._waiting if w[2] > last_s]
        return self._closed(done)

    def flush(self) -> dict[int, SwingFrames]:
        """End: return what is left."""
        left = [k for k, *_ in self._waiting]
        self._waiting = []
        return self._closed(left)

    def _closed(self, which: Sequence[int]) -> dict[int, SwingFrames]:
        return {k: _joined(*self._open.pop(k)) for k in which if k in self._open}


def _joined(settings: SessionSettings, parts: Sequence[tuple[PairBlock, ZoneRows]]) -> SwingFrames:
    return SwingFrames(
        np.concatenate([net.t_s for net, _ in parts]),
        np.concatenate([net.left for net, _ in parts]),
        np.concatenate([net.right for net, _ in parts]),
        np.concatenate([zones.left for _, zones in parts]),
        np.concatenate([zones.right for _, zones in parts]),
        settings,
    )
