"""A detector's memory: consecutive rows, addressed by their absolute index."""

import numpy as np

from plantigrade.block import FloatArray


class RowBuffer:
    """Rows kept from `first` to `end`, appended at one side and trimmed at the other.

    Parameters
    ----------
    columns : int
    first : int
        Absolute index of the row that is appended first.
    """

    def __init__(self, columns: int, first: int = 0) -> None:
        self._data = np.empty((256, columns))
        self._at = 0
        self._n = 0
        self.first = first

    @property
    def end(self) -> int:
        """Absolute index after the last row."""
        return self.first + self._n

    def append(self, n: int) -> FloatArray:
        """Make room for `n` rows and return the view to fill, shape (n, columns)."""
        stop = self._at + self._n + n
        if stop > len(self._data):
            size = max(256, 2 * (self._n + n))
            data = np.empty((size, self._data.shape[1]))
            data[: self._n] = self._data[self._at : self._at + self._n]
            self._data, self._at = data, 0
            stop = self._n + n
        view = self._data[stop - n : stop]
        self._n += n
        return view

    def rows(self, start: int, stop: int) -> FloatArray:
        """Return rows start…stop−1 by absolute index, a view; both are cut to what is kept."""
        lo = max(start, self.first) - self.first + self._at
        hi = max(min(stop, self.end) - self.first + self._at, lo)
        return self._data[lo:hi]

    def trim(self, start: int) -> None:
        """Forget the rows before absolute index `start`."""
        drop = min(max(start - self.first, 0), self._n)
        self._at += drop
        self._n -= drop
        self.first += drop
