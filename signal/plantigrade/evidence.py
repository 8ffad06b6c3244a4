"""What one foot showed in the poses of a calibration, and what follows: its fit, or its check."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import Calibration
from plantigrade.poses import Flaw, Pose, Trouble, View
from plantigrade.zones import REGIONS, ZoneLayout

REPEATS = 0.10
"""Two stands on one foot differ by no more than this, as a fraction. Ours. This and what follows
judge a calibration, which comes before any analysis: they do not stand in its table of limits."""
SEEN_KPA, ALIVE_KPA = 5.0, 20.0
"""A zone under the first, in a region where another went over the second, is dead. Ours: the second
is well over what a shoe presses by itself."""
TOE_END, HEEL_END = 0.85, 0.10
"""Zones beyond these fractions of the length are the insole's ends. Ours."""
CHECK_GAIN_PERCENT = 10.0
CHECK_AIR_N = 10.0
CHECK_ZERO_PERCENT = 3.0
"""Limits of the daily check, over which it warns: the load on one leg, the load a foot in the air
reads (half of the least contact load), and the worst zone's zero, % of full scale. Ours."""


@dataclass(frozen=True, slots=True, eq=False)
class FootFit:
    """What one insole's calibration, or its check, came to.

    Attributes
    ----------
    calibration : Calibration
        The new one; of a check the one that was checked.
    gain_percent : float or None
        Of a calibration: how far its two stands on this foot differ. Of a check: how much more the
        stand reads than body weight; None where no mass was given.
    zero_percent : float
        The worst zone's zero: greatest less least of the lifts; of a check the change. % of full
        scale.
    air_n : float
        What the foot reads in the air, N; of several lifts the one furthest from nothing.
    notes : tuple of str
        What to warn of.
    """

    calibration: Calibration
    gain_percent: float | None
    zero_percent: float
    air_n: float
    notes: tuple[str, ...]


@dataclass(slots=True, eq=False)
class Evidence:
    """What one foot showed so far.

    Attributes
    ----------
    layout : ZoneLayout
    calibration : Calibration
        As fitted so far, with gain 1; or the one that is checked.
    zeros : list of ndarray, shape (n_zones,)
        Each lift's counts.
    stands_n : list of float
        Mean load of each stand on this foot, N.
    notes : list of str
    """

    layout: ZoneLayout
    calibration: Calibration
    zeros: list[FloatArray] = field(default_factory=list)
    stands_n: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    _peak: NDArray[np.float64] | None = None

    @property
    def foot(self) -> Foot:
        """Which foot."""
        return self.calibration.foot

    def note_peak(self, view: View) -> None:
        """Note the most that each zone carried, in counts over its zero."""
        above = view.counts.max(axis=0) - self.calibration.zero
        self._peak = above if self._peak is None else np.maximum(self._peak, above)

    def take(self, pose: Pose, view: View) -> None:
        """Keep what a pose showed that was held well."""
        if pose.foot is None:
            return
        if pose.is_lift is (pose.foot is self.foot):  # it is in the air
            self.zeros.append(np.median(view.counts, axis=0))
        elif pose.is_one_leg:
            self.stands_n.append(view.load_n)

    def differs(self, view: View) -> Trouble | None:
        """Hold a stand on this foot against the one before."""
        for before_n in self.stands_n:
            ratio = view.load_n / before_n
            if abs(ratio - 1.0) > REPEATS:
                return Trouble(
                    Flaw.WEIGHT,
                    f"{self.foot} foot: this stand reads {100.0 * ratio:.0f} % of the one before, "
                    "expected within 10 %: stand upright and still, holding on to nothing",
                    self.foot,
                )
        return None

    # ---- zones that carry nothing ----

    def dead(self) -> Trouble | None:
        """Say which zones never carried load though others of their region did."""
        dead = [str(zone + 1) for zone in self._silent()[0]]
        if not dead:
            return None
        zones = f"zone{'' if len(dead) == 1 else 's'} {', '.join(dead)}"
        return Trouble(
            Flaw.DEAD,
            f"{self.foot} insole: {zones} never carried load, though others of the region did: "
            "press there with a thumb; what stays silent is dead",
            self.foot,
        )

    def _silent(self) -> tuple[list[int], list[int]]:
        """Return the zones (index) that are dead, and those of an end that nothing reaches.

        A region that carries little says nothing of its zones: a foot may not bear there.
        """
        kpa, y, region = self._peak_kpa(), self.layout.y, self.layout.region
        ends = [
            zones
            for zones in (np.flatnonzero(y >= TOE_END), np.flatnonzero(y <= HEEL_END))
            if len(zones) > 1 and (kpa[zones] < SEEN_KPA).all()
        ]
        unreached = [int(zone) for zones in ends for zone in zones]
        dead = [
            int(zone)
            for k in range(len(REGIONS))
            for zone in np.flatnonzero((region == k) & (kpa < SEEN_KPA))
            if zone not in unreached and kpa[region == k].max() >= ALIVE_KPA
        ]
        return dead, unreached

    def _peak_kpa(self) -> FloatArray:
        peak = np.zeros(self.layout.n_zones) if self._peak is None else self._peak
        curves = zip(peak, self.calibration.pressure, strict=True)
        pressure = np.array([np.interp(p, self.calibration.knots, curve) for p, curve in curves])
        kpa: FloatArray = 1000.0 * pressure * self.layout.newtons_per_unit / self.layout.area_mm2
        return kpa

    def _end_notes(self) -> list[str]:
        """Say which end of the insole carries nothing: a shorter foot, or a wrong size."""
        if self._peak is None:
            return []
        y = self.layout.y[self._silent()[1]]
        ends = (("toe", (y >= TOE_END).any()), ("heel", (y <= HEEL_END).any()))
        return [
            f"{self.foot} insole: its {name} end never carries load; too long for this foot, "
            "slipped, or dead there"
            for name, silent in ends
            if silent
        ]

    # ---- what it came to ----

    def fit(self, bw_n: float | None) -> FootFit:
        """Return the new calibration, with the gain of the stands where there are any."""
        calibration, gain_percent = self.calibration, None
        if self.stands_n and bw_n is not None:
            mean_n = float(np.mean(self.stands_n))
            calibration = replace(calibration, gain=bw_n / mean_n)
            gain_percent = 100.0 * (max(self.stands_n) - min(self.stands_n)) / mean_n
        zeros = np.array([calibration.zero, *self.zeros])
        moved = float((zeros.max(axis=0) - zeros.min(axis=0)).max())
        spread = 100.0 * moved / calibration.full_scale
        notes = (*self.notes, *self._end_notes())
        return FootFit(calibration, gain_percent, spread, self._air_n(calibration), notes)

    def check(self, bw_n: float | None, other: "Evidence") -> FootFit:
        """Hold the calibration against what the foot showed; `other` is the other foot's."""
        notes = [*self.notes, *self._end_notes()]
        zeros = np.array(self.zeros or [self.calibration.zero])
        moved = float(np.abs(zeros - self.calibration.zero).max())
        change = 100.0 * moved / self.calibration.full_scale
        air_n = self._air_n(self.calibration)
        stand_n = self.stands_n[0] if self.stands_n else None
        gain_percent = None
        if stand_n is not None and bw_n is not None:
            gain_percent = 100.0 * (stand_n / bw_n - 1.0)
            if abs(gain_percent) > CHECK_GAIN_PERCENT:
                notes.append(
                    f"{self.foot} foot: on one leg it reads {stand_n:.0f} N for {bw_n:.0f} N body "
                    "weight"
                )
        elif stand_n is not None and other.stands_n:
            more = 100.0 * (stand_n / other.stands_n[0] - 1.0)
            if more > CHECK_GAIN_PERCENT:
                notes.append(
                    f"{self.foot} foot: on one leg it reads {more:.0f} % more than the "
                    f"{other.foot} foot"
                )
        if abs(air_n) > CHECK_AIR_N:
            notes.append(f"{self.foot} foot: it reads {air_n:.0f} N in the air")
        elif change > CHECK_ZERO_PERCENT:
            notes.append(
                f"{self.foot} insole: a zone's zero has moved by {change:.1f} % of full scale"
            )
        return FootFit(self.calibration, gain_percent, change, air_n, tuple(notes))

    def _air_n(self, calibration: Calibration) -> float:
        rows = [np.rint(zero).astype(np.uint16)[None] for zero in self.zeros]
        loads = [View.of(row, calibration, self.layout).load_n for row in rows]
        return max(loads, key=abs, default=0.0)
