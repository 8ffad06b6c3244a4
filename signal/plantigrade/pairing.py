"""Both feet on one regular time line.

Takes each foot's `LoadBlock`s as they come, gives `PairBlock`s whose rows lie 1 / rate apart.
Values between two samples are interpolated on a straight line; where samples are missing for longer
than the bridged gap, the foot's rows are NaN. A row is given out as soon as both feet have samples
on both sides of it, or the other foot is away: there is no further delay.
"""

import math

import numpy as np

from plantigrade.block import N_COLUMNS, FloatArray, Foot, LoadBlock, PairBlock
from plantigrade.limits import Limits
from plantigrade.rows import RowBuffer

_LEFT, _RIGHT = Foot.LEFT, Foot.RIGHT  # looking a member up on its class costs a call each time
_SAME_SAMPLE = 1e-6
"""A row this close to a sample, as a fraction of the row spacing, is that sample."""


_NO_TIMES, _NO_ROWS = np.empty(0), np.empty((0, N_COLUMNS))


class _Side:
    """One foot's samples that rows may still be made from.

    Attributes
    ----------
    first_s : float or None
        Time of the first sample ever.
    last_s : float
        Time of the last one, −inf before the first.
    """

    def __init__(self) -> None:
        self._samples = RowBuffer(1 + N_COLUMNS)  # time, columns
        self.first_s: float | None = None
        self.last_s = -math.inf
        self.away = False
        self.not_before = -math.inf

    def __len__(self) -> int:
        return self._samples.end - self._samples.first

    def push(self, block: LoadBlock) -> int:
        """Add samples; return how many were left out as too late or out of order."""
        t, values = block.t_s, block.values
        gone = np.isnan(values[:, 0])
        missing = int(np.count_nonzero(gone))
        after = max(self.not_before, self.last_s)
        if missing or (len(t) and t[0] <= after):
            keep = ~gone & (t > after)
            t, values = t[keep], values[keep]
        if len(t):
            samples = self._samples.append(len(t))
            samples[:, 0], samples[:, 1:] = t, values
            self.last_s = float(t[-1])
            if self.first_s is None:
                self.first_s = float(t[0])
        return len(block.t_s) - len(t) - missing

    def take(self, times: FloatArray, longest_s: float, same_s: float) -> FloatArray:
        """Interpolate the columns at `times`; NaN where no two samples are near enough.

        Samples that no later row needs are forgotten.
        """
        first, n = self._samples.first, len(self)
        if n == 0:
            return np.full((len(times), N_COLUMNS), np.nan)
        samples = self._samples.rows(first, first + n)
        after = samples[:, 0].searchsorted(times, side="right")
        low, high = samples.take(after - 1, 0, mode="clip"), samples.take(after, 0, mode="clip")
        self._samples.trim(first + int(after[-1]) - 1)
        return _between(low, high, times, longest_s, same_s)


def _between(
    low: FloatArray, high: FloatArray, times: FloatArray, longest_s: float, same_s: float
) -> FloatArray:
    """Interpolate at each time between the samples before and after it, rows of time, columns."""
    way = high - low  # of the time too: whole rows are quicker than parts of them
    since, until, span = times - low[:, 0], high[:, 0] - times, way[:, 0]
    inside = (span <= longest_s) & (np.minimum(since, until) > same_s)
    if inside.all():
        rows: FloatArray = low + (since / span)[:, None] * way
        return rows[:, 1:]
    low, high, way = low[:, 1:], high[:, 1:], way[:, 1:]
    out = np.full((len(times), N_COLUMNS), np.nan)
    weight = since[inside] / span[inside]
    out[inside] = low[inside] + weight[:, None] * way[inside]
    first, second = np.abs(since) <= same_s, np.abs(until) <= same_s
    out[second] = high[second]
    out[first] = low[first]
    return out


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
        until = self._until()
        if until == -math.inf:
            return self._block(0)
        assert self._origin is not None
        rows = math.floor((until - self._origin) * self.rate_hz + 0.5 * _SAME_SAMPLE) + 1
        return self._block(max(rows - self._row, 0))

    def _until(self) -> float:
        """Return up to when rows can be given out; −inf: there are none yet."""
        left, right = self._sides.values()
        if self._origin is None:
            starts = [s.first_s for s in (left, right) if s.first_s is not None]
            if not starts or any(s.first_s is None and not s.away for s in (left, right)):
                return -math.inf
            # rows begin where both feet can have one
            self._origin = max(starts)
        if left.away and right.away:
            return max(left.last_s, right.last_s)
        if left.away or right.away:  # −inf: the other is back and has not sent a sample yet
            return right.last_s if left.away else left.last_s
        return min(left.last_s, right.last_s)

    def _block(self, n: int) -> PairBlock:
        if n == 0:
            return PairBlock(self.next_index, _NO_TIMES, _NO_ROWS, _NO_ROWS)
        start, row, rate_hz = self._origin or 0.0, self._row, self.rate_hz
        times = start + np.arange(row, row + n) / rate_hz
        left, right = (
            side.take(times, self._longest_s, self._same_s) for side in self._sides.values()
        )
        self._row = row + n
        return PairBlock(self._first + row, times, left, right)
