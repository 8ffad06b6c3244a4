"""Rows of a zone CSV, and what a whole one is like: rate, dead zones, irregular times.

Takes blocks of rows as they pass by; reads no file itself: `zonecsv.py` does.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import ZoneRows
from plantigrade_gateway.sources.zonecolumns import Columns, count

FloatArray = NDArray[np.float64]

SLOWEST_HZ, FASTEST_HZ = 20.0, 1000.0
"""Sample rates the detectors take (`plantigrade.limits`)."""

_STEP_S, _LONG_S = 1e-5, 1e3  # time steps are told apart to 10 µs, up to 1000 s


@dataclass(frozen=True, slots=True, eq=False)
class ZoneFacts:
    """What a whole zone CSV is like.

    Attributes
    ----------
    rows : int
    rate_hz : float
        1 / the mean of the time steps within half of their median, to 6 digits.
    notes : tuple of str
        Sentences for the user: columns left out, irregular times, dead zones, empty cells.
    dead_left, dead_right : tuple of int
        Ids of zones without a single reading; they are read as 0.
    """

    rows: int
    rate_hz: float
    notes: tuple[str, ...]
    dead_left: tuple[int, ...]
    dead_right: tuple[int, ...]


class Tally:
    """What is learnt of a file while its blocks pass by, in memory that does not grow with it."""

    def __init__(self, n_zones: int) -> None:
        self._rows = 0
        self._there = np.zeros((2, n_zones), dtype=np.int64)
        self._last_s: FloatArray = np.empty(0)
        self._longest_s = 0.0
        self._steps: dict[int, tuple[int, float]] = {}  # by length in STEP_S: count, sum in s

    def add(self, piece: ZoneRows) -> ZoneRows:
        """Take the next rows in; give them back as they are."""
        self._rows += len(piece.t_s)
        for k, foot in enumerate((piece.left, piece.right)):
            self._there[k] += (~np.isnan(foot)).sum(axis=0)
        steps = np.diff(np.concatenate([self._last_s, piece.t_s]))
        self._last_s = piece.t_s[-1:].copy()
        if len(steps):
            self._longest_s = max(self._longest_s, float(steps.max()))
            bins = np.rint(np.minimum(steps, _LONG_S) / _STEP_S).astype(np.int64)
            keys, where = np.unique(bins, return_inverse=True)
            counts, sums = np.bincount(where), np.bincount(where, weights=steps)
            for key, count, total in zip(keys.tolist(), counts.tolist(), sums, strict=True):
                before = self._steps.get(key, (0, 0.0))
                self._steps[key] = (before[0] + count, before[1] + float(total))
        return piece

    def facts(self, source: str, columns: Columns) -> ZoneFacts:
        """Return what the rows were like.

        Raises
        ------
        InputError
            Fewer than two rows, or times that are no sample rate.
        """
        if self._rows < 2:
            raise InputError(
                f"{source}: {count(self._rows, 'row')} of readings, expected 2 or more"
            )
        rate_hz, odd = self._rate(source)
        notes = [*columns.notes]
        if odd:
            notes.append(
                f"times are irregular: {odd} of {self._rows - 1} steps differ from the usual "
                f"{1 / rate_hz:.4g} s by more than a quarter, the longest is "
                f"{self._longest_s:.6g} s"
            )
        dead = [tuple((np.flatnonzero(row == 0) + 1).tolist()) for row in self._there]
        for side, ids in zip(("left", "right"), dead, strict=True):
            if ids:
                shown = ", ".join(map(str, ids))
                notes.append(f"{side} zones without a single reading, taken as 0: {shown}")
        missing = int((self._rows - self._there[self._there > 0]).sum())
        if missing:
            notes.append(f"{missing} of {self._rows * self._there.size} cells are empty")
        return ZoneFacts(self._rows, rate_hz, tuple(notes), dead[0], dead[1])

    def _rate(self, source: str) -> tuple[float, int]:
        """Return the rate, and how many steps are not of its length."""
        keys = np.array(sorted(self._steps))
        counts = np.array([self._steps[key][0] for key in keys.tolist()])
        sums = np.array([self._steps[key][1] for key in keys.tolist()])
        middle = keys[np.searchsorted(np.cumsum(counts), counts.sum() / 2)]
        usual = np.abs(keys - middle) <= middle / 2
        step_s = float(sums[usual].sum() / counts[usual].sum())
        rate_hz = float(f"{1.0 / step_s:.6g}") if step_s > 0 else np.inf
        if not SLOWEST_HZ <= rate_hz <= FASTEST_HZ:
            raise InputError(
                f"{source}: times step by {step_s:.6g}, expected seconds at {SLOWEST_HZ:g} to "
                f"{FASTEST_HZ:g} samples per second"
            )
        return rate_hz, int(counts[np.abs(keys * _STEP_S - step_s) > step_s / 4].sum())
