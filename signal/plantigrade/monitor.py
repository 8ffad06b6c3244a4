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
"""Length of a window (ours)."""
WINDOWS = 3
"""A zone is stuck after so many windows in a row of a moving foot (ours)."""
LEAST_N = 3.0
"""A zone that keeps less than this is idle, not stuck (ours)."""
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
        at = 0
        while at < len(pressure):
            take = pressure[at : at + self._window - self._held]
            self._blocks.append(take)
            self._held += len(take)
            at += len(take)
            if self._held == self._window:
                whole = np.concatenate(self._blocks)
                self._blocks.clear()
                self._held = 0
                if self._judge(whole):
                    changes.append((at, self.stuck))
        return changes

    def _judge(self, window: FloatArray) -> bool:
        """Judge a whole window; return whether another set of zones is stuck after it."""
        if np.isnan(window).any():
            return False
        low, high = window.min(axis=0), window.max(axis=0)
        varies = high > low
        others = np.where(varies, self._newtons, 0.0)
        load = np.einsum("ij,j->i", window, others)
        top = float(load.max())
        if top < MOVING_N or top - float(load.min()) < MOVING_SHARE * top:
            return False
        self._count[varies | (low * self._newtons < LEAST_N)] = 0
        self._count[~varies & (low * self._newtons >= LEAST_N)] += 1
        stuck = tuple(np.flatnonzero(self._count >= WINDOWS).tolist())
        changed, self.stuck = stuck != self.stuck, stuck
        return changed


def find_stuck(pressure: FloatArray, layout: ZoneLayout, rate_hz: float) -> tuple[int, ...]:
    """Return the zones that were stuck at some time of a recording.

    Parameters
    ----------
    pressure : ndarray of float64, shape (n, n_zones)
    layout : ZoneLayout
    rate_hz : float

    Returns
    -------
    tuple of int
        Indices (id − 1), rising.
    """
    changes = ZoneMonitor(layout, rate_hz).push(pressure)
    return tuple(sorted({zone for _, zones in changes for zone in zones}))
