"""Both feet's counts in pieces of equal time, so that they can be judged as they come.

A piece is cut when both feet have samples after it, or one is away: where the cuts lie does not
depend on how the samples come.
"""

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.poses import Flaw, Trouble

Counts = NDArray[np.uint16]
Piece = dict[Foot, Counts]

PIECE_S = 0.5
"""Length of a piece."""
AWAY_S = 1.0
"""A foot this far behind the other is not waited for (as the pipeline's)."""
WHOLE = 0.6
"""A piece with fewer of its samples than this has a gap: means bear a few lost packets."""


class Pieces:
    """Cut both feet's samples into pieces.

    Parameters
    ----------
    n_zones : int

    Attributes
    ----------
    edge_s : float or None
        Host time at which the piece under way began; None before both feet were heard.
    """

    def __init__(self, n_zones: int) -> None:
        self.edge_s: float | None = None
        self._t_s = {foot: np.empty(0) for foot in Foot}
        self._counts = {foot: np.empty((0, n_zones), np.uint16) for foot in Foot}
        self._last_s = dict.fromkeys(Foot, -np.inf)

    def push(self, foot: Foot, t_s: FloatArray, counts: Counts) -> None:
        """Take consecutive samples of one foot, at least one."""
        self._t_s[foot] = np.concatenate((self._t_s[foot], t_s))
        self._counts[foot] = np.concatenate((self._counts[foot], counts))
        self._last_s[foot] = float(t_s[-1])

    def begin(self) -> bool:
        """Begin the first piece where both feet are heard; False where one is not heard yet."""
        firsts = [float(t_s[0]) for t_s in self._t_s.values() if len(t_s)]
        if len(firsts) == len(self._t_s):
            self.edge_s = max(firsts)
        return self.edge_s is not None

    def next(self) -> Piece | Trouble | None:
        """Return the next piece that is complete, or what is missing of it; None: it must wait."""
        assert self.edge_s is not None
        end_s, lasts = self.edge_s + PIECE_S, self._last_s.values()
        if min(lasts) <= end_s and max(lasts) <= end_s + AWAY_S:
            return None
        piece: Piece = {}
        trouble: Trouble | None = None
        for foot, t_s in self._t_s.items():
            first, last = np.searchsorted(t_s, (self.edge_s, end_s), side="right").tolist()
            piece[foot] = self._counts[foot][first:last]
            trouble = trouble or _gap(foot, t_s[first:last])
            self._t_s[foot], self._counts[foot] = t_s[last:], self._counts[foot][last:]
        self.edge_s = end_s
        return trouble or piece


def _gap(foot: Foot, t_s: FloatArray) -> Trouble | None:
    """Say what is missing of a piece's samples."""
    n = len(t_s)
    if n < 2:
        return Trouble(
            Flaw.GAP, f"no data came from the {foot} insole: is it on, charged and near?", foot
        )
    if n < WHOLE * PIECE_S / float(np.median(np.diff(t_s))):
        return Trouble(Flaw.GAP, f"samples of the {foot} insole are missing: bring it nearer", foot)
    return None
