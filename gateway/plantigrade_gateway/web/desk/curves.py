"""The rows a stored session is drawn from, as pieces of its time line and as a chart's data."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade.limits import Limits
from plantigrade.load import share, total_load
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.swingframes import pack, unpack

ROWS_PER_PIECE = 32_768
"""Five and a half minutes at 100 Hz: 170 kB to read or to commit at once."""

_USUAL_COP_BW = Limits().cop_bw
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
    cop_bw : float
        With less load on both feet, × body weight, there is no share: the session's own limit.
    """

    start_s: float
    rate_hz: float
    bw_n: float
    lead: Foot
    left_n: FloatArray
    right_n: FloatArray
    cop_bw: float = _USUAL_COP_BW

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
            "cop_bw": self.cop_bw,
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
            head.get("cop_bw", _USUAL_COP_BW),  # older ones do not say
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
        NaN where a foot is missing or both together carry too little (`Piece.cop_bw`).
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
        self._key: tuple[float, Foot, float] | None = None
        self._last_s = -np.inf

    def push(self, block: PairBlock, settings: SessionSettings) -> list[Piece]:
        """Take consecutive rows, net of the baseline; return the pieces that are whole."""
        new = int(np.searchsorted(block.t_s, self._last_s, side="right"))
        block = block.slice(new, len(block))  # a new time line may begin within the old one
        if not len(block):
            return []
        key = (settings.body_weight_n, settings.lead, settings.limits.cop_bw)
        goes_on = not self._blocks or (key == self._key and self._follows(block))
        done = [] if goes_on else self.flush()
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
        bw_n, lead, cop_bw = self._key
        return [Piece(float(t_s[0]), rate_of(t_s), bw_n, lead, left, right, cop_bw)]

    def _follows(self, block: PairBlock) -> bool:
        """Whether a block goes on with the same spacing where the last ended."""
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
    least_n = piece.cop_bw * piece.bw_n
    feet = {Foot.LEFT: piece.left_n, Foot.RIGHT: piece.right_n}
    return np.array(
        [
            piece.start_s + np.arange(n) / piece.rate_hz,
            piece.left_n / piece.bw_n,
            piece.right_n / piece.bw_n,
            share(feet[piece.lead], feet[piece.lead.other], least_n),
        ]
    )


Data = dict[str, dict[str, Any]]
"""``{"sources": {name: {column: values}}, "ranges": {name: [from, to]}}``."""


def padded(values: Iterable[FloatArray]) -> list[float]:
    """Return a range of y that holds all values and 0, with some room."""
    there = np.concatenate([np.zeros(1), *(v[np.isfinite(v)].ravel() for v in values)])
    low, high = float(there.min()), float(there.max())
    room = max(high - low, 0.05)
    return [low - 0.02 * room, high + 0.12 * room]


def plain(values: FloatArray, digits: int = 5) -> list[float | None]:
    """Return numbers as JSON values; null for NaN."""
    return [None if v != v else v for v in np.round(values, digits).tolist()]


def columns(**values: FloatArray) -> dict[str, list[float | None]]:
    """Return a source's columns as JSON values."""
    return {name: plain(column) for name, column in values.items()}


def merged(parts: Iterable[Mapping[str, Mapping[str, Any]]]) -> Data:
    """Return several parts of a chart's data as one."""
    whole: Data = {"sources": {}, "ranges": {}}
    for part in parts:
        for kind, values in part.items():
            whole[kind].update(values)
    return whole
