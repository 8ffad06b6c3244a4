"""The rows a swing is looked for in: both feet's loads, smoothed share, stillness, gaps.

Takes consecutive rows of both feet, keeps the last of them by absolute index, and gives columns of
them. Smoothing looks `SMOOTH_S` ahead, so a smoothed row is there that much later than its loads.
"""

from enum import IntEnum

import numpy as np

from plantigrade.block import N_COLUMNS, Column, FloatArray, PairBlock
from plantigrade.limits import Setup
from plantigrade.load import share, total_load
from plantigrade.onset import hann_weights
from plantigrade.rolling import still_windows
from plantigrade.rows import RowBuffer
from plantigrade.swing import SMOOTH_S, Window, window_of
from plantigrade.swinglimits import HIDDEN_S, LOADED, STILL_MISSING, STILL_RANGE


class Col(IntEnum):
    """Column of a kept row. Loads are in N."""

    TIME = 0
    LEAD = 1
    """The first of the lead foot's load columns (`plantigrade.block.Column`)."""
    TRAIL = LEAD + N_COLUMNS
    LEAD_N = TRAIL + N_COLUMNS
    TRAIL_N = LEAD_N + 1
    SHARE = TRAIL_N + 1
    """Smoothed lead share s; NaN where a neighbour is missing or too little is loaded."""
    LEAD_EVEN = SHARE + 1
    """Smoothed load of the lead foot, N."""
    TRAIL_EVEN = LEAD_EVEN + 1
    STILL = TRAIL_EVEN + 1
    """Middle of s over the still window that ends here; NaN where it is not still."""


HEEL = Col.LEAD + Column.HEEL
_LEAD, _TRAIL = slice(Col.LEAD, Col.TRAIL), slice(Col.TRAIL, Col.LEAD_N)


class SwingRows:
    """Rows of both feet by absolute index.

    Parameters
    ----------
    setup : Setup
    first : int
        Index of the first row that will come.

    Attributes
    ----------
    half : int
        Rows that smoothing looks ahead and back.
    gaps : list of int
        Rows at which samples have been missing for `limits.restart_s`; the reader takes them out.
    """

    def __init__(self, setup: Setup, first: int) -> None:
        self._setup = setup
        self.half = setup.samples(SMOOTH_S)
        self._weights = hann_weights(self.half)[:, None, None]
        self._rows = RowBuffer(len(Col) - 2 + 2 * N_COLUMNS, first)
        self.gaps: list[int] = []
        self._gap_run = 0
        self._still_to = first

    @property
    def end(self) -> int:
        """Index after the last row."""
        return self._rows.end

    def push(self, block: PairBlock) -> None:
        """Append rows, and smooth those that now have their neighbours on both sides."""
        rows, setup, half = self._rows, self._setup, self.half
        lead, trail = block.foot(setup.lead), block.foot(setup.lead.other)
        new = rows.append(len(block))
        new[:, Col.TIME] = block.t_s
        new[:, _LEAD], new[:, _TRAIL] = lead, trail
        new[:, Col.LEAD_N], new[:, Col.TRAIL_N] = total_load(lead), total_load(trail)
        new[:, Col.SHARE :] = np.nan
        start, stop = max(block.first - half, rows.first + half), rows.end - half
        if stop <= start:
            return
        raw = np.ascontiguousarray(
            rows.rows(start - half, stop + half)[:, Col.LEAD_N : Col.TRAIL_N + 1]
        )
        target = rows.rows(start, stop)
        down, across = raw.strides
        shape, strides = (2 * half + 1, stop - start, 2), (down, down, across)
        near: FloatArray = np.ndarray(shape, raw.dtype, raw, strides=strides)
        # over its first axis numpy adds row by row, in order: never cut-dependent
        even = np.add.reduce(self._weights * near, axis=0)
        target[:, Col.LEAD_EVEN : Col.TRAIL_EVEN + 1] = even
        target[:, Col.SHARE] = share(even[:, 0], even[:, 1], setup.cop_n)
        self._note_gaps(target[:, Col.SHARE], start)

    def trim(self, first: int) -> None:
        """Forget the rows before `first`."""
        self._rows.trim(first)

    def rows(self, start: int, stop: int) -> FloatArray:
        """Return rows start…stop−1, with the columns of `Col`, a view."""
        return self._rows.rows(start, stop)

    def column(self, column: int, start: int, stop: int) -> FloatArray:
        """Return one column of rows start…stop−1, a view."""
        return self._rows.rows(start, stop)[:, column]

    def time(self, index: int) -> float:
        """Return a row's time, s."""
        return float(self.column(Col.TIME, index, index + 1)[0])

    def confirmed(self, index: int) -> float:
        """Return the time of the last row that smoothed row `index` was made from, s."""
        return self.time(index + self.half)

    def window(self, start: int, last: int) -> Window:
        """Return the rows from `start` to the last that smoothed row `last` was made from."""
        rows = self._rows.rows(start, last + self.half + 1)
        return window_of(start, rows[:, Col.TIME], rows[:, _LEAD], rows[:, _TRAIL], self._setup)

    def still(self, stop: int, width: int) -> None:
        """Fill the column of stillness up to row stop−1 by windows of `width` rows."""
        start = max(self._still_to, self._rows.first + width - 1)
        if start >= stop:
            return
        s = self.column(Col.SHARE, start - width + 1, stop)
        middle = (s[: len(s) - width + 1] + s[width - 1 :]) / 2.0
        with np.errstate(invalid="ignore"):
            still = (
                still_windows(s, width, STILL_RANGE, int(STILL_MISSING * width))
                & (middle >= LOADED)
                & (middle <= 1.0 - LOADED)
            )
        self.column(Col.STILL, start, stop)[:] = np.where(still, middle, np.nan)
        self._still_to = stop

    def may_be_off(self, is_lead: bool, start: int, stop: int) -> np.ndarray:
        """Return which rows do not show a foot on the ground: a missing load may hide a step.

        Beside missing rows the smoothed load is missing too, and the load itself is taken.
        """
        rows = self._rows.rows(start, stop)
        smoothed, load = (Col.LEAD_EVEN, Col.LEAD_N) if is_lead else (Col.TRAIL_EVEN, Col.TRAIL_N)
        even, raw = rows[:, smoothed], rows[:, load]
        with np.errstate(invalid="ignore"):
            off: np.ndarray = ~(np.where(np.isnan(even), raw, even) >= self._setup.contact_n)
        return off

    def may_step(self, is_lead: bool, start: int, stop: int) -> np.ndarray:
        """Return the rows of `may_be_off` that may belong to a step.

        Missing rows alone, fewer than `HIDDEN_S`, have no room for one.
        """
        least = self._setup.samples(HIDDEN_S)
        first = max(start - least, self._rows.first)  # a hole may have begun before
        off = self.may_be_off(is_lead, first, stop)
        if off.any():
            load = self.column(Col.LEAD_N if is_lead else Col.TRAIL_N, first, stop)
            seen = ~np.isnan(load)
            changes = np.diff(np.concatenate(([0], off.astype(np.int8), [0])))
            edges = np.flatnonzero(changes).tolist()
            for begin, end in zip(edges[::2], edges[1::2], strict=True):
                if end - begin < least and not seen[begin:end].any():
                    off[begin:end] = False
        return off[start - first :]

    def _note_gaps(self, s: FloatArray, first: int) -> None:
        missing = np.isnan(s)
        if not missing.any():
            self._gap_run = 0
            return
        least = self._setup.samples(self._setup.limits.restart_s)
        for k, gone in enumerate(missing.tolist()):
            self._gap_run = self._gap_run + 1 if gone else 0
            if self._gap_run == least:
                self.gaps.append(first + k)
