"""The rows of single swings with every zone's reading: cut out of a session, kept, read back.

Pure. Columns are net of the baseline, as the detectors had them; zone readings are calibrated with
the foot's gain in them, and no baseline is taken off.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade.events import Swing
from plantigrade.limits import Limits
from plantigrade.load import centre_of_pressure, share, total_load
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.record.entries import ZoneRows
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.web.desk import packed

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
    left, right : ndarray of float64, shape (n, 7)
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
        """Return a foot's columns, shape (n, 7)."""
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
        return Limits().cop_bw * self.settings.body_weight_n

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
        return packed.pack(head, steps)

    @classmethod
    def from_bytes(cls, data: bytes) -> "SwingFrames":
        """Return rows that were kept."""
        head, tables = packed.unpack(data)
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
