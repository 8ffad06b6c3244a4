"""Both feet on one regular time line.

Takes each foot's `LoadBlock`s as they come, gives `PairBlock`s whose rows lie 1 / rate apart.
Values between two samples are interpolated on a straight line; where samples are missing for longer
than the bridged gap, the foot's rows are NaN. A row is given out as soon as both feet have samples
on both sides of it, or the other foot is away: there is no further delay.
"""

import numpy as np

from plantigrade.block import N_COLUMNS, FloatArray, Foot, LoadBlock, PairBlock
from plantigrade.limits import Limits

_LEFT, _RIGHT = Foot.LEFT, Foot.RIGHT  # looking a member up on its class costs a call each time
_SAME_SAMPLE = 1e-6
"""A row this close to a sample, as a fraction of the row spacing, is that sample."""


_NO_TIMES, _NO_ROWS = np.empty(0), np.empty((0, N_COLUMNS))


_FEW = 4
"""Up to so many rows in a call, arrays cost more than a loop."""


class _Side:
    """One foot's samples that rows may still be made from."""

    def __init__(self) -> None:
        self.t = np.empty(0)
        self.values = np.empty((0, N_COLUMNS))
        self.away = False
        self.not_before = -np.inf

    def push(self, block: LoadBlock) -> int:
        """Add samples; return how many were left out as too late or out of order."""
        t, values = block.t_s, block.values
        gone = np.isnan(values[:, 0])
        missing = int(np.count_nonzero(gone))
        after = max(self.not_before, float(self.t[-1]) if len(self.t) else -np.inf)
        if missing or (len(t) and t[0] <= after):
            keep = ~gone & (t > after)
            t, values = t[keep], values[keep]
        self.t = np.concatenate((self.t, t))
        self.values = np.concatenate((self.values, values))
        return len(block.t_s) - len(t) - missing

    def at(self, times: FloatArray, longest_s: float, same_s: float) -> FloatArray:
        """Interpolate the columns at `times`; NaN where no two samples are near enough."""
        out = np.full((len(times), N_COLUMNS), np.nan)
        n = len(self.t)
        if n == 0:
            return out
        if len(times) <= _FEW or n == 1:
            for k, time in enumerate(times.tolist()):
                self._fill(out[k], time, longest_s, same_s)
            return out
        before = np.maximum(np.searchsorted(self.t, times, side="right") - 1, 0)
        after = np.minimum(before + 1, n - 1)
        t0, t1 = self.t[before], self.t[after]
        low, high = self.values[before], self.values[after]
        first, second = np.abs(times - t0) <= same_s, np.abs(t1 - times) <= same_s
        span = t1 - t0
        inside = (span <= longest_s) & (t0 < times) & (times < t1) & ~first & ~second
        weight = np.zeros(len(times))
        np.divide(times - t0, span, out=weight, where=inside)
        rows: FloatArray = low + weight[:, None] * (high - low)
        if inside.all():
            return rows
        out[inside] = rows[inside]
        out[second] = high[second]
        out[first] = low[first]
        return out

    def _fill(self, row: FloatArray, time: float, longest_s: float, same_s: float) -> None:
        """Do for one row what `at` does for many."""
        before = max(int(self.t.searchsorted(time, side="right")) - 1, 0)
        after = min(before + 1, len(self.t) - 1)
        t0, t1 = float(self.t[before]), float(self.t[after])
        if abs(time - t0) <= same_s:
            row[:] = self.values[before]
        elif abs(t1 - time) <= same_s:
            row[:] = self.values[after]
        elif t0 < time < t1 and t1 - t0 <= longest_s:
            low = self.values[before]
            np.add(low, (time - t0) / (t1 - t0) * (self.values[after] - low), out=row)

    def trim(self, time: float) -> None:
        """Forget samples that no row from `time` on needs."""
        keep = int(self.t.searchsorted(time, side="right")) - 1
        if keep > 0:
            self.t, self.values = self.t[keep:], self.values[keep:]


class Pairing:
    """Put both feet on one time line.

    Parameters
    ----------
    rate_hz : float
        Rows per second.
    limits : Limits
        `bridge_s`: samples missing up to this long are interpolated over.
    first : int
        Absolute index of the first row.

    Attributes
    ----------
    late : int
        Samples left out because their row had been given out.
    """

    def __init__(self, rate_hz: float, limits: Limits | None = None, first: int = 0) -> None:
        self.rate_hz = rate_hz
        # samples missing for the bridged time lie that and one spacing apart (and clocks slew)
        self._longest_s = (limits or Limits()).bridge_s + 1.02 / rate_hz
        self._same_s = _SAME_SAMPLE / rate_hz
        self._sides = {_LEFT: _Side(), _RIGHT: _Side()}
        self._origin: float | None = None
        self._row = 0
        self._first = first
        self.late = 0

    @property
    def next_index(self) -> int:
        """Absolute index of the row that comes next."""
        return self._first + self._row

    def push(self, block: LoadBlock) -> PairBlock:
        """Take samples of one foot; return the rows that can now be given out (possibly none)."""
        self.late += self._sides[block.foot].push(block)
        return self._advance()

    def away(self, foot: Foot) -> PairBlock:
        """Stop waiting for a foot: its rows are NaN from its last sample on."""
        self._sides[foot].away = True
        return self._advance()

    def back(self, foot: Foot) -> None:
        """Wait for a foot again; samples older than the rows given out meanwhile are left out."""
        side = self._sides[foot]
        side.away = False
        if self._origin is not None:
            side.not_before = max(
                side.not_before, self._origin + (self._row - 1) / self.rate_hz + 1e-9
            )

    def flush(self) -> PairBlock:
        """Give out what is left, up to the later foot's last sample."""
        for side in self._sides.values():
            side.away = True
        return self._advance()

    def _advance(self) -> PairBlock:
        sides = self._sides.values()
        if self._origin is None:
            starts = [s.t[0] for s in sides if len(s.t)]
            if not starts or any(not len(s.t) and not s.away for s in sides):
                return self._block(0)
            # rows begin where both feet can have one
            self._origin = float(max(starts))
        waited = [s for s in sides if not s.away] or [s for s in sides if len(s.t)]
        lasts = [float(s.t[-1]) if len(s.t) else -np.inf for s in waited]
        if not lasts:
            return self._block(0)
        until = min(lasts) if any(not s.away for s in sides) else max(lasts)
        if until == -np.inf:  # a foot that is back has not sent a sample yet
            return self._block(0)
        rows = int(np.floor((until - self._origin) * self.rate_hz + 0.5 * _SAME_SAMPLE)) + 1
        return self._block(max(rows - self._row, 0))

    def _block(self, n: int) -> PairBlock:
        if n == 0:
            return PairBlock(self.next_index, _NO_TIMES, _NO_ROWS, _NO_ROWS)
        start = self._origin or 0.0
        times = start + np.arange(self._row, self._row + n) / self.rate_hz
        left, right = (
            side.at(times, self._longest_s, self._same_s) for side in self._sides.values()
        )
        block = PairBlock(self.next_index, times, left, right)
        self._row += n
        for side in self._sides.values():
            side.trim(start + (self._row - 1) / self.rate_hz)
        return block
