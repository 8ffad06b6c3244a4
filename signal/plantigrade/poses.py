"""The poses of a calibration: what a player is asked for, and whether the data of it are good.

Judges samples of one pose as they lie there; when it begins and ends is `plantigrade.fitting`'s.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import Calibration, Calibrator, with_gain, zeroed
from plantigrade.errors import CalibrationError
from plantigrade.load import LoadReducer, centre_of_pressure, total_load
from plantigrade.zones import ZoneLayout

AIR_N, AIR_BW = 30.0, 0.06
"""A foot in the air reads no more than the larger of the two, net of its zero."""
LACED_N, LACED_BW = 60.0, 0.12
"""… and no more than the larger of these before its zero is known: what laces may press."""
UNKNOWN_BW_N = 500.0
"""Taken for those limits where nobody gave a mass."""
LEAST_SHARE = 0.2
"""Standing on both feet, each carries at least this part."""
STEADY = 0.10
"""The load of a stand spreads (SD) by no more than this part of its mean (as `with_gain`)."""
SATURATED_SHARE = 0.02
"""A zone at full scale in more samples than this is saturated."""
ROCK_Y = (0.30, 0.60)
"""Rocking heel to toe, the CoP passes both, fractions of length."""
ROCK_X = 0.08
"""Rocking edge to edge, the CoP moves by this part of the width (a synthetic foot's by 0.12
to 0.14)."""
ROCK_QUANTILES = (0.02, 0.98)
"""Ends of a range, so that single samples do not make it."""


class Pose(StrEnum):
    """What a player is asked for."""

    LIFT_LEFT = "lift_left"
    LIFT_RIGHT = "lift_right"
    BOTH = "both"
    ON_LEFT = "on_left"
    ON_RIGHT = "on_right"
    ROCK_LENGTH = "rock_length"
    ROCK_WIDTH = "rock_width"

    @property
    def foot(self) -> Foot | None:
        """The foot that is lifted or stood on, where it is one."""
        return _FEET.get(self)

    @property
    def is_lift(self) -> bool:
        """Whether a foot is held in the air."""
        return self in (Pose.LIFT_LEFT, Pose.LIFT_RIGHT)

    @property
    def is_one_leg(self) -> bool:
        """Whether one foot carries the whole body."""
        return self in (Pose.ON_LEFT, Pose.ON_RIGHT)

    @property
    def is_rock(self) -> bool:
        """Whether the player moves on the spot."""
        return self in (Pose.ROCK_LENGTH, Pose.ROCK_WIDTH)


_FEET = {
    Pose.LIFT_LEFT: Foot.LEFT,
    Pose.LIFT_RIGHT: Foot.RIGHT,
    Pose.ON_LEFT: Foot.LEFT,
    Pose.ON_RIGHT: Foot.RIGHT,
}


class Flaw(StrEnum):
    """Why data are not good enough."""

    GAP = "gap"
    """Samples are missing, or nothing came at all."""
    SATURATED = "saturated"
    """A zone reads full scale."""
    MOVED = "moved"
    """The foot or the body was not still."""
    PRESSED = "pressed"
    """A foot that should be in the air is not, or one that should stand does not."""
    SWAPPED = "swapped"
    """The other foot does what this one was asked for."""
    WEIGHT = "weight"
    """The load does not fit the body weight, or the stand before."""
    RANGE = "range"
    """Rocking did not go far enough."""
    DEAD = "dead"
    """A zone never carried load."""
    SHORT = "short"
    """It was good, but not for long enough."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with some data, in a sentence without its full stop, and with which foot's."""

    flaw: Flaw
    text: str
    foot: Foot | None = None


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One foot's samples, as counts and as loads.

    Attributes
    ----------
    foot : Foot
    counts : ndarray of uint16, shape (n, n_zones)
    values : ndarray of float64, shape (n, 8)
        Load columns, by the calibration that is being fitted or checked.
    full_scale : int
        The converter's largest count.
    """

    foot: Foot
    counts: NDArray[np.uint16]
    values: FloatArray
    full_scale: int

    @classmethod
    def of(cls, counts: NDArray[np.uint16], calibration: Calibration, layout: ZoneLayout) -> "View":
        """Look at counts through a calibration."""
        calibrator, reducer = _reader(calibration, layout)
        block = calibrator.block(np.arange(len(counts), dtype=np.float64), counts)
        values = reducer.reduce(block).values
        return cls(calibration.foot, counts, values, calibration.full_scale)

    @property
    def load_n(self) -> float:
        """Mean load, N."""
        return float(total_load(self.values).mean())


Views = dict[Foot, View]


@lru_cache(maxsize=4)
def _reader(calibration: Calibration, layout: ZoneLayout) -> tuple[Calibrator, LoadReducer]:
    """Return the way from counts to loads; making it costs more than a piece's samples do."""
    return Calibrator(calibration), LoadReducer(layout, calibration.gain)


@dataclass(frozen=True, slots=True)
class PoseChecker:
    """Judges the samples of a pose.

    Attributes
    ----------
    bw_n : float or None
        Body weight, N; None: loads are not held against it.
    fitted : dict of Foot to Calibration
        What the views were made with.
    is_check : bool
        The calibration is being checked, so it has a zero already.
    """

    bw_n: float | None
    fitted: dict[Foot, Calibration]
    is_check: bool = False

    def trouble(self, pose: Pose, views: Views) -> Trouble | None:
        """Return what is wrong with the samples of a pose that is held; None: they are good.

        For rocking only what would spoil any pose is judged; `rock_trouble` does the rest.
        """
        if found := _saturated(views.values()):
            return found
        if pose.foot is None:
            return None if pose.is_rock else self._both(views)
        if pose.is_lift:
            return self._lifted(views[pose.foot])
        return self._one_leg(views[pose.foot], views[pose.foot.other])

    def foot_in_pose(self, pose: Pose, views: Views) -> Foot | None:
        """Return the foot that plainly is in the air, or stands alone, as one foot was asked to."""
        if pose.foot is None:
            return None
        limit = self._limit_n(LACED_N, LACED_BW)
        for foot, view in views.items():
            stands, hangs = views[foot.other].load_n, view.load_n
            if hangs < limit and stands > max(3.0 * hangs, 2.0 * limit):
                return foot if pose.is_lift else foot.other
        return None

    def _limit_n(self, least_n: float, of_bw: float) -> float:
        return max(least_n, of_bw * (UNKNOWN_BW_N if self.bw_n is None else self.bw_n))

    def _lifted(self, view: View) -> Trouble | None:
        foot, limit = view.foot, self._limit_n(LACED_N, LACED_BW)
        if view.load_n > limit:
            return Trouble(
                Flaw.PRESSED,
                f"the {foot} foot is not in the air: it reads {view.load_n:.0f} N, expected less "
                f"than {limit:.0f} N; lift it, and loosen laces that press",
            )
        try:
            zeroed(self.fitted[foot], view.counts)
        except CalibrationError as error:
            flaw = Flaw.MOVED if "moved" in str(error) else Flaw.PRESSED
            return Trouble(flaw, str(error))
        return None

    def _both(self, views: Views) -> Trouble | None:
        loads = {foot: view.load_n for foot, view in views.items()}
        total = sum(loads.values())
        if total < LEAST_SHARE * (UNKNOWN_BW_N if self.bw_n is None else self.bw_n):
            return Trouble(Flaw.PRESSED, f"both feet together carry {total:.0f} N: stand on them")
        for foot, load in loads.items():
            if load < LEAST_SHARE * total:
                return Trouble(
                    Flaw.PRESSED,
                    f"the {foot} foot carries {load:.0f} N of {total:.0f} N: stand on both feet "
                    "alike (if you do, its zero was taken while it carried load: begin again)",
                )
        n = min(len(view.counts) for view in views.values())
        both = sum(total_load(view.values[:n]) for view in views.values())
        if float(np.std(both)) > STEADY * total:
            return Trouble(
                Flaw.MOVED, "the load on both feet is not steady within 10 %: stand still"
            )
        return None

    def _one_leg(self, view: View, other: View) -> Trouble | None:
        limit = self._limit_n(AIR_N, AIR_BW)
        if other.load_n > limit:
            return Trouble(
                Flaw.PRESSED,
                f"the {other.foot} foot still carries {other.load_n:.0f} N, expected less than "
                f"{limit:.0f} N: lift it",
            )
        if other.load_n < -limit and not self.is_check:
            return Trouble(
                Flaw.PRESSED,
                f"the {other.foot} foot reads {other.load_n:.0f} N in the air: its zero was taken "
                "while it carried load, begin again",
            )
        load = total_load(view.values)
        if view.load_n <= limit:
            return Trouble(
                Flaw.PRESSED, f"the {view.foot} foot carries {view.load_n:.0f} N: stand on it"
            )
        if float(load.std()) > STEADY * view.load_n:
            return Trouble(
                Flaw.MOVED,
                f"the load on the {view.foot} foot is not steady within 10 %: stand still",
            )
        if self.bw_n is not None and not self.is_check and len(load) >= 20:
            try:
                with_gain(self.fitted[view.foot], view.values, self.bw_n)
            except CalibrationError as error:
                return Trouble(Flaw.WEIGHT, str(error))
        return None

    def rock_trouble(self, pose: Pose, views: Views) -> Trouble | None:
        """Return how far rocking is from having covered its range; None: it has."""
        for foot, view in views.items():
            low, high = _cop_range(view, axis=1 if pose is Pose.ROCK_LENGTH else 0)
            text = f"the {foot} foot's CoP went from {low:.2f} to {high:.2f}"
            if not np.isfinite(low):
                return Trouble(Flaw.RANGE, f"the {foot} foot carries too little to have a CoP")
            if pose is Pose.ROCK_LENGTH and (low > ROCK_Y[0] or high < ROCK_Y[1]):
                way = "back onto the heels" if low > ROCK_Y[0] else "forward onto the toes"
                return Trouble(
                    Flaw.RANGE,
                    f"{text} of its length, expected from {ROCK_Y[0]:.2f} to {ROCK_Y[1]:.2f}: rock "
                    f"further {way}",
                )
            if pose is Pose.ROCK_WIDTH and high - low < ROCK_X:
                return Trouble(
                    Flaw.RANGE,
                    f"{text} of its width, expected a way of {ROCK_X:.2f}: rock further onto the "
                    "edges",
                )
        return None


def _saturated(views: Iterable[View]) -> Trouble | None:
    for view in views:
        share = (view.counts >= view.full_scale).mean(axis=0)
        zone = int(np.argmax(share))
        if share[zone] > SATURATED_SHARE:
            return Trouble(
                Flaw.SATURATED,
                f"{view.foot} insole: zone {zone + 1} reads full scale; something presses it hard, "
                "or it is short-circuited",
                view.foot,
            )
    return None


def _cop_range(view: View, axis: int) -> tuple[float, float]:
    """Return the ends of the CoP's way while the foot carries a good part of its greatest load."""
    load = total_load(view.values)
    least_n = max(AIR_N, 0.25 * float(np.quantile(load, 0.95)))
    way = centre_of_pressure(view.values, least_n)[:, axis]
    way = way[np.isfinite(way)]
    if len(way) < 20:
        return np.nan, np.nan
    low, high = np.quantile(way, ROCK_QUANTILES)
    return float(low), float(high)
