"""The adjustable limits of every measure, in one place; each is shown where its result is shown.

Defaults marked *ours* were chosen by this project and have no published source.
"""

from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.errors import SignalError
from plantigrade.zones import REGIONS, ZoneLayout

G_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the detectors decide by.

    Attributes
    ----------
    contact_n, contact_bw : float
        A foot is in contact above max(contact_n, contact_bw × BW): 20 N and 5 % BW (ours, within
        the usual 10–20 N for walking, from memory).
    contact_gap_s, contact_min_s, contact_max_s : float
        Gaps under it are bridged, contacts outside the two are dropped (ours).
    air_bw : float
        A walker's foot may be in the air below this load, × BW: only the baseline is learnt so,
        since a tightly laced shoe can press by more than the contact load (ours).
    cop_bw : float
        Below this load, × BW, there is no CoP (ours).
    bridge_s : float
        Missing samples up to this long are bridged for detection and reported (ours).
    restart_s : float
        Missing samples over this long make a detector start afresh (ours).
    stand_min_s, stand_max_s : float
        Shortest stand; a longer one than the second is reported in pieces (ours).
    bearing_none, bearing_full : float
        Midfoot share of the foot's load: none below, bearing from (ours, per layout).
    roll_skipped, roll_through : float
        Midfoot impulse share: skipped below, through from (ours, per layout).
    swing_range, swing_range_sd : float
        The lead share must range over max(swing_range, swing_range_sd × its SD at address) (ours).
    address_s : float
        Stillness needed before a swing's start (ours).
    lead_peak_s : float
        The lead peak lies within this of the shift (ours).
    finish_s : float
        A finish is looked for this long after the lead peak (ours).
    heel_lift_bw, heel_lift_s : float
        The lead heel is unloaded below this (never below twice its floor) for so long (ours).
    heel_lift_foot_bw, heel_lift_front : float
        … while the foot carries this much, with this share of it on forefoot and toes (ours).
    push_end_bw : float
        The push ends when the trail foot carries less (ours).
    push_leave, push_take : float
        Heel leave and fore take, as fractions of the CoP's own travel (ours).
    push_rolled : float
        Transfer as a fraction of shift → lead peak: rolled from here on (ours).
    push_travel : float
        Less travel than this fraction of the foot's length is `held` (ours).
    """

    contact_n: float = 20.0
    contact_bw: float = 0.05
    contact_gap_s: float = 0.050
    contact_min_s: float = 0.150
    contact_max_s: float = 1.5
    air_bw: float = 0.15
    cop_bw: float = 0.05
    bridge_s: float = 0.040
    restart_s: float = 0.500
    stand_min_s: float = 10.0
    stand_max_s: float = 120.0
    bearing_none: float = 0.03
    bearing_full: float = 0.06
    roll_skipped: float = 0.025
    roll_through: float = 0.05
    swing_range: float = 0.15
    swing_range_sd: float = 4.0
    address_s: float = 0.5
    lead_peak_s: float = 0.6
    finish_s: float = 2.0
    heel_lift_bw: float = 0.03
    heel_lift_s: float = 0.060
    heel_lift_foot_bw: float = 0.08
    heel_lift_front: float = 0.80
    push_end_bw: float = 0.10
    push_leave: float = 0.30
    push_take: float = 0.70
    push_rolled: float = 0.20
    push_travel: float = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """All that an analysis depends on beside the samples.

    Attributes
    ----------
    rate_hz : float
        Rows per second of the paired time line.
    bw_n : float
        Body weight as the insoles see it, N: the yardstick of every × BW.
    lead : Foot
        The foot nearer the target: left for a right-handed golfer.
    length_mm, width_mm : float
        Size of the insole.
    floor_n : ndarray of float64, shape (4,)
        Each region's floor, N: the load it cannot tell from nothing.
    has_toes : bool
        Whether the layout has toe zones.
    limits : Limits
    """

    rate_hz: float
    bw_n: float
    lead: Foot
    length_mm: float
    width_mm: float
    floor_n: FloatArray
    has_toes: bool = True
    limits: Limits = Limits()

    def __post_init__(self) -> None:
        if not 20.0 <= self.rate_hz <= 1000.0:
            raise SignalError(f"sample rate is {self.rate_hz:g} Hz, expected 20 to 1000")
        if not 50.0 <= self.bw_n <= 3000.0:
            raise SignalError(f"body weight is {self.bw_n:.1f} N, expected 50 to 3000")

    @property
    def contact_n(self) -> float:
        """The load above which a foot is in contact, N."""
        return max(self.limits.contact_n, self.limits.contact_bw * self.bw_n)

    @property
    def air_n(self) -> float:
        """The load below which a walker's foot may be in the air, N."""
        return max(self.contact_n, self.limits.air_bw * self.bw_n)

    @property
    def cop_n(self) -> float:
        """The load below which a foot has no CoP, N."""
        return self.limits.cop_bw * self.bw_n

    @property
    def heel_lift_n(self) -> float:
        """The lead heel's load limit, N: never below twice its floor."""
        return max(self.limits.heel_lift_bw * self.bw_n, 2.0 * float(self.floor_n[0]))

    def samples(self, seconds: float) -> int:
        """Return the number of rows in a duration, at least 1."""
        return max(1, round(seconds * self.rate_hz))


def setup_for(
    layout: ZoneLayout,
    rate_hz: float,
    bw_n: float,
    lead: Foot,
    limits: Limits | None = None,
    zone_floor_kpa: float = 1.0,
) -> Setup:
    """Make the set-up of an analysis with a layout.

    Parameters
    ----------
    layout : ZoneLayout
    rate_hz, bw_n : float
    lead : Foot
    limits : Limits, optional
    zone_floor_kpa : float
        What one zone cannot tell from nothing, kPa (ours: dead zone and noise of a resistive cell
        at the bottom of its range); layouts in N take 1 N per zone. A region's floor is the sum
        over its zones.
    """
    per_zone = layout.newtons_per_unit * (zone_floor_kpa if layout.unit == "kPa" else 1.0)
    floor_n = np.array([per_zone[layout.region == k].sum() for k in range(len(REGIONS))])
    return Setup(
        rate_hz=rate_hz,
        bw_n=bw_n,
        lead=lead,
        length_mm=layout.length_mm,
        width_mm=layout.width_mm,
        floor_n=floor_n,
        has_toes=bool(np.any(layout.region == 3)),
        limits=limits or Limits(),
    )
