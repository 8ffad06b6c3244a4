"""Zones that have stopped answering: seen, said, and stood in for by their region.

A zone that keeps one value, to the last digit, while the foot's load comes and goes is stuck. It is
told by windows at fixed samples, so that it does not depend on how the samples are cut. Quiet
standing tells nothing: there a coarse sensor may well repeat itself.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray
from plantigrade.zones import ZoneLayout

WINDOW_S = 2.0
"""Length of a window."""
WINDOWS = 3
"""A zone is stuck after so many windows in a row of a moving foot."""
LEAST_N = 3.0
"""A zone that keeps less than this is idle, not stuck."""
MOVING_SHARE, MOVING_N = 0.5, 50.0
"""A foot moves when its load ranges over this part of its greatest, which is at least so much."""


class ZoneMonitor:
    """Watch one foot's zones.

    Parameters
    ----------
    layout : ZoneLayout
    rate_hz : float

    Attributes
    ----------
    stuck : tuple of int
        Indices (id − 1) of the zones that are stuck now.
    """

    def __init__(self, layout: ZoneLayout, rate_hz: float) -> None:
        self._newtons = layout.newtons_per_unit
        self._window = max(2, round(WINDOW_S * rate_hz))
        self._blocks: deque[FloatArray] = deque()
        self._held = 0
        self._count: NDArray[np.int64] = np.zeros(layout.n_zones, dtype=np.int64)
        self.stuck: tuple[int, ...] = ()

    def push(self, pressure: FloatArray) -> list[tuple[int, tuple[int, ...]]]:
        """Take consecutive samples, shape (n, n_zones).

        Returns
        -------
        list of (int, tuple of int)
            Where in these samples another set of zones is stuck from, and which; usually empty.
        """
        changes: list[tuple[int, tuple[int, ...]]] = []
        at = min(self._window - self._held, len(pressure)) if self._held else 0
        if at:
            self._hold(pressure[:at])
            if self._held == self._window:
                held = np.concatenate(self._blocks)
                self._blocks.clear()
                self._held = 0
                changes += self._judge(held[None], at)
        n = (len(pressure) - at) // self._window
        if n:
            whole = pressure[at : at + n * self._window]
            changes += self._judge(whole.reshape(n, self._window, -1), at + self._window)
            at += n * self._window
        if at < len(pressure):
            self._hold(pressure[at:])
        return changes

    def _hold(self, pressure: FloatArray) -> None:
        self._blocks.append(pressure)
        self._held += len(pressure)

    def _judge(self, windows: FloatArray, first_stop: int) -> list[tuple[int, tuple[int, ...]]]:
        """Judge whole windows, shape (k, window, n_zones), the first ending at `first_stop`."""
        low, high = windows.min(axis=1), windows.max(axis=1)
        varies = high > low
        others = np.where(varies, self._newtons, 0.0)
        load = np.einsum("ijk,ik->ij", windows, others)
        top, least = load.max(axis=1), load.min(axis=1)
        with np.errstate(invalid="ignore"):
            moving = (top >= MOVING_N) & (top - least >= MOVING_SHARE * top)
            keeps = ~varies & (low * self._newtons >= LEAST_N)
        changes: list[tuple[int, tuple[int, ...]]] = []
        for k in np.flatnonzero(moving).tolist():
            self._count = np.where(keeps[k], self._count + 1, 0)
            stuck = tuple(np.flatnonzero(self._count >= WINDOWS).tolist())
            if stuck != self.stuck:
                self.stuck = stuck
                changes.append((first_stop + k * self._window, stuck))
        return changes
