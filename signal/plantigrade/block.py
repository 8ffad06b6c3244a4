"""The samples that travel through the program: one foot's zones, one foot's loads, both feet."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

import numpy as np
from numpy.typing import NDArray

from plantigrade.errors import SampleError

FloatArray = NDArray[np.float64]


class Foot(StrEnum):
    """Which foot."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def other(self) -> "Foot":
        """The other foot."""
        return Foot.RIGHT if self is Foot.LEFT else Foot.LEFT


_LEFT = Foot.LEFT  # looking a member up on its class costs a call each time


class Column(IntEnum):
    """Columns of a load array, shape (n, 8): what one foot's zones are reduced to.

    All are linear in the zone readings (MIDFOOT_ZONES apart), so that a baseline may be taken off
    afterwards and samples may be interpolated.
    """

    HEEL = 0
    """Load on the heel zones, N."""
    MIDFOOT = 1
    """Load on the midfoot zones, N."""
    FOREFOOT = 2
    """Load on the forefoot zones, N."""
    TOES = 3
    """Load on the toe zones, N."""
    MOMENT_X = 4
    """Σ force × x, N (x a fraction of the width, 0 medial)."""
    MOMENT_Y = 5
    """Σ force × y, N (y a fraction of the length, 0 heel)."""
    MIDFOOT_MEDIAL = 6
    """Load on the midfoot zones medial of the middle (x < 0.5), N."""
    MIDFOOT_ZONES = 7
    """How many midfoot zones carry load."""


N_COLUMNS = len(Column)


@dataclass(frozen=True, slots=True, eq=False)
class PressureBlock:
    """Consecutive samples of one foot's zones.

    Attributes
    ----------
    foot : Foot
    t_s : ndarray of float64, shape (n,)
        Host time of each sample, s, strictly increasing from block to block.
    pressure : ndarray of float64, shape (n, n_zones)
        Zone readings in the layout's unit (kPa or N); NaN where a reading is missing.
    """

    foot: Foot
    t_s: FloatArray
    pressure: FloatArray

    def __post_init__(self) -> None:
        if self.pressure.ndim != 2 or len(self.pressure) != len(self.t_s):
            raise SampleError(
                f"{self.foot} foot: {self.pressure.shape} readings for {len(self.t_s)} times, "
                "expected one row of zones per time"
            )


@dataclass(frozen=True, slots=True, eq=False)
class LoadBlock:
    """Consecutive samples of one foot, reduced to loads.

    Attributes
    ----------
    foot : Foot
    t_s : ndarray of float64, shape (n,)
        Host time, s, strictly increasing from block to block.
    values : ndarray of float64, shape (n, 8)
        The `Column` values; a whole row is NaN where the sample is missing.
    """

    foot: Foot
    t_s: FloatArray
    values: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class PairBlock:
    """Both feet on one regular time line; its arrays are not changed once it is given on.

    Attributes
    ----------
    first : int
        Absolute index of the first row; row k lies at index ``first + k``. Blocks follow on
        without holes: a gap is rows of NaN, never an absent row.
    t_s : ndarray of float64, shape (n,)
        Host time, s, spaced 1 / rate.
    left, right : ndarray of float64, shape (n, 8)
        The `Column` values of each foot, NaN rows where that foot has a gap longer than the bridged
        one (`plantigrade.pairing`).
    """

    first: int
    t_s: FloatArray
    left: FloatArray
    right: FloatArray

    def __len__(self) -> int:
        return len(self.t_s)

    def foot(self, foot: Foot) -> FloatArray:
        """Return the `Column` values of one foot, shape (n, 8)."""
        return self.left if foot is _LEFT else self.right

    @classmethod
    def join(cls, blocks: Sequence["PairBlock"]) -> "PairBlock":
        """Return blocks that follow on as one."""
        if len(blocks) == 1:
            return blocks[0]
        return cls(
            blocks[0].first,
            np.concatenate([block.t_s for block in blocks]),
            np.concatenate([block.left for block in blocks]),
            np.concatenate([block.right for block in blocks]),
        )

    def slice(self, start: int, stop: int) -> "PairBlock":
        """Return rows start…stop−1 (relative) as a block of their own, without copying."""
        return PairBlock(
            self.first + start,
            self.t_s[start:stop],
            self.left[start:stop],
            self.right[start:stop],
        )
