"""The rows about each swing of a record, net of the baseline, with the zones as they were read.

Packed as named tables of numbers with a head. Deflate of: uint32 length of the head, the head
(JSON), then each table's float32 values, all first bytes, then all second ones, and so on. Values
keep single precision: a load of 1000 N to 0.0001 N. Kept, since `numpy.savez_compressed` takes 31
% more bytes for a time line and 18 % more for swings, and reads them 1.7 to 2 times slower (the
recorded practice).
"""

import json
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade.events import Swing
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
