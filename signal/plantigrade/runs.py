"""Runs of a signal above a threshold: the one segmenter behind contacts and unloaded heels."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from plantigrade.block import FloatArray


@dataclass(frozen=True, slots=True)
class RunSegment:
    """A stretch in which the signal was up, short dips bridged.

    Attributes
    ----------
    start, stop : int
        First sample up and first sample down after it, absolute indices.
    start_at, stop_at : float or None
        The interpolated crossings, in samples; None where a missing sample hides the crossing, or
        the signal was up when it was first seen.
    missing : bool
        Missing samples lie inside or at an edge.
    closed : int
        Index of the sample that confirmed the end.
    """

    start: int
    stop: int
    start_at: float | None
    stop_at: float | None
    missing: bool
    closed: int


class RunSegmenter:
    """Cut a signal into runs with two thresholds.

    A run begins when the signal reaches `on` and ends when it falls under `off`; dips of fewer than
    `bridge` samples belong to the run. NaN samples leave the state as it is; `restart` of them in
    a row end it without a result.

    Parameters
    ----------
    on, off : float
        off ≤ on.
    bridge : int
        Samples, at least 1: a dip of so many closes the run.
    restart : int
        Samples.
    """

    def __init__(self, on: float, off: float, bridge: int, restart: int) -> None:
        if not off <= on:
            raise ValueError(f"off is {off}, expected at most on ({on})")
        if not 1 <= bridge <= restart:
            raise ValueError(f"bridge {bridge}, restart {restart}: expected 1 ≤ bridge ≤ restart")
        self.on, self.off, self.bridge, self.restart = on, off, bridge, restart
        self.reset()

    def reset(self) -> None:
        """Forget everything but the thresholds."""
        self._next: int | None = None
        self._last = np.nan
        self._nan_run = 0
        self._seen_down = False
        self._start: int | None = None
        self._start_at: float | None = None
        self._down: int | None = None
        self._down_at: float | None = None
        self._missing = False

    def push(self, signal: FloatArray, first: int) -> list[RunSegment]:
        """Take consecutive samples, shape (n,), the first at absolute index `first`.

        Returns the runs that ended.
        """
        n = len(signal)
        if n == 0:
            return []
        if self._next is not None and first != self._next:
            self.reset()
        self._next = first + n
        done: list[RunSegment] = []
        if self._stays(signal):
            self._last = float(signal[-1])
            return done
        with np.errstate(invalid="ignore"):
            code = (signal >= self.on).view(np.int8) - (signal < self.off)  # 1, 0 between, −1
        code[np.isnan(signal)] = 2
        marks = [0, *((code[1:] != code[:-1]).nonzero()[0] + 1).tolist()]
        # Only samples where something may change are looked at one by one.
        for at, to in pairwise([*marks, n]):
            previous = float(signal[at - 1]) if at else self._last
            self._segment(int(code[at]), at + first, to + first, previous, float(signal[at]), done)
        self._last = float(signal[-1])
        return done

    def _stays(self, signal: FloatArray) -> bool:
        """Whether samples change nothing: up and none falls, or down and none reaches `on`."""
        if self._nan_run or self._down is not None:
            return False
        if self._start is not None:
            return bool(signal.min() >= self.off)  # NaN where one is
        return self._seen_down and bool(signal.max() < self.on)

    def _crossing(self, index: int, before: float, after: float, level: float) -> float | None:
        """Interpolate where the line between samples index − 1 and index passes the level."""
        if np.isnan(before) or before == after:
            return None
        return index - 1 + (level - before) / (after - before)

    def _segment(
        self, code: int, start: int, stop: int, before: float, value: float, done: list[RunSegment]
    ) -> None:
        """Take samples start…stop−1, all of one code, the first of them being `value`."""
        if code == 2:
            self._nan_run += stop - start
            self._missing = self._missing or self._start is not None
        else:
            after_gap = self._nan_run > 0
            self._nan_run = 0
            if code == 1:
                self._up(start, before, value, after_gap)
            elif code == -1:
                self._fall(start, before, value)
        if self._start is not None and self._down is not None and stop - self._down >= self.bridge:
            done.append(
                RunSegment(
                    self._start,
                    self._down,
                    self._start_at,
                    self._down_at,
                    self._missing,
                    self._down + self.bridge - 1,
                )
            )
            self._start = self._down = self._start_at = self._down_at = None
        if self._nan_run >= self.restart:
            # a fall before the gap has closed its run by now: bridge is the shorter
            nan_run, following = self._nan_run, self._next
            self.reset()
            self._nan_run, self._next = nan_run, following

    def _up(self, start: int, before: float, value: float, after_gap: bool) -> None:
        if self._start is None:
            self._start = start
            known = self._seen_down and before < self.on
            self._start_at = self._crossing(start, before, value, self.on) if known else None
            self._missing = after_gap
        self._down = self._down_at = None

    def _fall(self, start: int, before: float, value: float) -> None:
        self._seen_down = True
        if self._start is not None and self._down is None:
            self._down = start
            falls = before >= self.off
            self._down_at = self._crossing(start, before, value, self.off) if falls else None
