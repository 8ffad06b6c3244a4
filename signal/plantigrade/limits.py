"""The adjustable limits of every measure, in one place; each is shown where its result is shown.

`Limits` is the one table: what a limit means, its default, unit, range and source. A constant
elsewhere in this package whose line names no source is this project's own choice.
"""

from dataclasses import dataclass, field, fields
from itertools import pairwise

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.errors import SignalError
from plantigrade.zones import REGIONS, ZoneLayout

G_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3)."""


def _limit(default: float, unit: str, low: float, high: float, doc: str) -> float:
    info = {"default": default, "unit": unit, "low": low, "high": high, "doc": doc}
    made: float = field(default=default, metadata=info)
    return made


@dataclass(frozen=True, slots=True)
class LimitInfo:
    """What is said of one limit.

    Attributes
    ----------
    name : str
    default : float
    unit : str
    low, high : float
        What may be set, ends included.
    doc : str
        What it decides, for people.
    """

    name: str
    default: float
    unit: str
    low: float
    high: float
    doc: str

    @property
    def span(self) -> tuple[float, float]:
        """What may be set, from and to."""
        return self.low, self.high


@dataclass(frozen=True, slots=True)
class Limits:
    """What the detectors decide by. Times in s, loads as × BW, shares and lengths as fractions.

    What each decides and may be set to stands beside it below and in `LIMITS`. *Ours*: chosen by
    this project, no published source.

    ==================  =======  ==========  =======================================================
    name                default  unit        source
    ==================  =======  ==========  =======================================================
    contact_n           20       N           ours, within the usual 10–20 N of walks (from memory)
    contact_bw          0.05     BW          ours
    contact_gap_s       0.05     s           ours
    contact_min_s       0.15     s           ours
    contact_max_s       1.5      s           ours
    air_bw              0.15     BW          ours
    cop_bw              0.05     BW          ours
    bridge_s            0.04     s           ours
    restart_s           0.5      s           ours
    stand_min_s         10       s           ours
    stand_max_s         120      s           ours
    bearing_none        0.03     foot load   ours, per layout
    bearing_full        0.06     foot load   ours, per layout; standing mean near .08 (from memory)
    roll_skipped        0.025    impulse     ours, per layout
    roll_through        0.05     impulse     ours, per layout
    swing_range         0.15     lead share  ours
    swing_range_sd      4        SD          ours
    address_s           0.5      s           ours
    lead_peak_s         0.6      s           ours
    finish_s            2        s           ours
    heel_lift_bw        0.03     BW          ours
    heel_lift_s         0.06     s           ours
    heel_lift_foot_bw   0.08     BW          ours
    heel_lift_front     0.8      foot load   ours
    push_end_bw         0.1      BW          ours
    push_leave          0.3      travel      ours
    push_take           0.7      travel      ours
    push_rolled         0.2      shift time  ours; shift time runs from the shift to the lead peak
    push_travel         0.15     length      ours
    stand_quiet_mm      10       mm          ours
    bearing_broad       0.18     foot load   ours, per layout
    push_begins_by      0.4      length      ours
    trail_heel_from     0.5      foot load   common practice (more than half), no published source
    trail_heel_gain     0.1      foot load   ours
    heel_back_by_s      0.05     s           ours
    stand_quiet_share   0.1      load        ours; quiet standing moves it by a few hundredths
    stand_quiet_bw      0.2      BW          ours
    stand_least_bw      0.5      BW          ours
    heel_lift_seen      2        limits      ours; a light heel shows no unloading
    heel_lift_bridge_s  0.03     s           ours; three samples at 100 Hz
    heel_lift_carried   0.8      lift time   ours
    push_begun          0.045    length      ours
    trail_return        0.05     lead share  ours; a quiet stand's sway moves it by about .02
    ==================  =======  ==========  =======================================================

    Raises
    ------
    SignalError
        A value outside its range, or two limits of one measure in the wrong order.
    """

    contact_n: float = _limit(20.0, "N", 1, 200, "A foot is in contact above this and contact_bw.")
    contact_bw: float = _limit(0.05, "BW", 0, 0.5, "A foot is in contact above this and contact_n.")
    contact_gap_s: float = _limit(0.050, "s", 0, 0.5, "Shorter gaps in a contact are bridged.")
    contact_min_s: float = _limit(0.150, "s", 0.02, 1, "Shorter contacts are no steps.")
    contact_max_s: float = _limit(1.5, "s", 0.3, 10, "Longer contacts are no steps.")
    air_bw: float = _limit(
        0.15,
        "BW",
        0,
        0.5,
        "A walker's foot may be in the air below this: so the baseline is learnt, and steps in "
        "tight shoes are found.",
    )
    cop_bw: float = _limit(0.05, "BW", 0.005, 0.5, "A foot that carries less has no CoP.")
    bridge_s: float = _limit(0.040, "s", 0, 0.2, "Missing samples up to this long are bridged.")
    restart_s: float = _limit(0.500, "s", 0.1, 5, "A longer gap makes a detector start afresh.")
    stand_min_s: float = _limit(10.0, "s", 1, 600, "Shortest quiet stand.")
    stand_max_s: float = _limit(120.0, "s", 2, 3600, "A longer stand is reported in pieces.")
    bearing_none: float = _limit(
        0.03, "foot load", 0, 1, "Bearing is none when the midfoot carries less."
    )
    bearing_full: float = _limit(
        0.06, "foot load", 0, 1, "Bearing is slight when the midfoot carries less, else bearing."
    )
    roll_skipped: float = _limit(
        0.025, "impulse", 0, 1, "A roll is skipped when the midfoot takes less."
    )
    roll_through: float = _limit(
        0.05, "impulse", 0, 1, "A roll goes through when the midfoot takes this or more."
    )
    swing_range: float = _limit(
        0.15, "lead share", 0.02, 1, "The lead share ranges over so much in a swing."
    )
    swing_range_sd: float = _limit(
        4.0, "SD", 0, 100, "It also ranges over so many times its spread at address."
    )
    address_s: float = _limit(0.5, "s", 0.1, 5, "Stillness before a swing's start.")
    lead_peak_s: float = _limit(0.6, "s", 0.1, 2, "The lead peak lies within this of the shift.")
    finish_s: float = _limit(
        2.0, "s", 0.2, 5, "A finish is looked for so long after the lead peak."
    )
    heel_lift_bw: float = _limit(
        0.03, "BW", 0, 0.5, "The lead heel is unloaded below this (never below twice its floor)."
    )
    heel_lift_s: float = _limit(0.060, "s", 0.01, 2, "The lead heel is unloaded for so long.")
    heel_lift_foot_bw: float = _limit(
        0.08, "BW", 0, 1, "The lead foot carries this while its heel is unloaded."
    )
    heel_lift_front: float = _limit(
        0.80, "foot load", 0, 1, "Forefoot and toes carry this while the lead heel is unloaded."
    )
    push_end_bw: float = _limit(0.10, "BW", 0, 1, "A push ends when the trail foot carries less.")
    push_leave: float = _limit(
        0.30, "travel", 0.01, 0.99, "The heel is left at this part of the CoP's way."
    )
    push_take: float = _limit(
        0.70, "travel", 0.01, 0.99, "The forefoot takes over at this part of the CoP's way."
    )
    push_rolled: float = _limit(
        0.20,
        "shift time",
        0,
        2,
        "A push is rolled when its transfer takes this or more, else skipped.",
    )
    push_travel: float = _limit(
        0.15, "length", 0.01, 1, "A push is held when its CoP travels less."
    )
    stand_quiet_mm: float = _limit(
        10.0, "mm", 0.5, 100, "A standing foot moved when its CoP sways by more (RMS, either way)."
    )
    bearing_broad: float = _limit(
        0.18, "foot load", 0, 1, "Bearing is broad when the midfoot carries this or more."
    )
    push_begins_by: float = _limit(
        0.40, "length", 0, 1, "A good push begins at or behind this: its CoP's rearmost place."
    )
    trail_heel_from: float = _limit(
        0.50, "foot load", 0, 1, "The trail heel is loaded when it carries this at the trail peak."
    )
    trail_heel_gain: float = _limit(
        0.10,
        "foot load",
        0,
        1,
        "It also carries so much more than at address.",
    )
    heel_back_by_s: float = _limit(
        0.05,
        "s",
        -1,
        2,
        "The lead heel is back in time so long after the lead share regains its address level.",
    )
    stand_quiet_share: float = _limit(
        0.10, "load", 0.01, 0.5, "The left foot's share of the load stays within this in a stand."
    )
    stand_quiet_bw: float = _limit(
        0.20, "BW", 0.02, 1, "The load of both feet stays within this in a stand."
    )
    stand_least_bw: float = _limit(
        0.5, "BW", 0.1, 1, "Both feet together carry at least this in a stand."
    )
    heel_lift_seen: float = _limit(
        2.0, "limits", 1, 10, "At address the lead heel carries so many times its load limit."
    )
    heel_lift_bridge_s: float = _limit(
        0.030, "s", 0, 0.5, "A lead heel that touches for less does not end its unloading."
    )
    heel_lift_carried: float = _limit(
        0.80, "lift time", 0, 1, "The lead foot carries its load for this part of a heel lift."
    )
    push_begun: float = _limit(
        0.045,
        "length",
        0,
        1,
        "A CoP within this of its rearmost just after the lead peak has not begun to travel.",
    )
    trail_return: float = _limit(
        0.05,
        "lead share",
        0,
        1,
        "A return of the load towards the trail foot is reported from this on.",
    )

    def __post_init__(self) -> None:
        for info in LIMITS:
            value = getattr(self, info.name)
            if not info.low <= value <= info.high:  # NaN is outside too
                raise SignalError(
                    f"limit {info.name}: is {value:g}, expected {info.low:g} to {info.high:g} "
                    f"{info.unit}"
                )
        for names in _IN_ORDER:
            for low, high in pairwise(names):
                if not getattr(self, low) < getattr(self, high):
                    raise SignalError(
                        f"limit {low}: is {getattr(self, low):g}, expected less than {high}, "
                        f"which is {getattr(self, high):g}"
                    )

    def changed(self) -> dict[str, float]:
        """Return the limits that differ from their defaults."""
        return {
            info.name: value
            for info in LIMITS
            if (value := float(getattr(self, info.name))) != info.default
        }


_IN_ORDER = (
    ("contact_min_s", "contact_max_s"),
    ("stand_min_s", "stand_max_s"),
    ("bearing_none", "bearing_full", "bearing_broad"),
    ("roll_skipped", "roll_through"),
    ("push_leave", "push_take"),
)
"""Limits of one measure that stand in this order."""

LIMITS = tuple(LimitInfo(f.name, **f.metadata) for f in fields(Limits))
"""What is said of every limit, in the order of `Limits`."""


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
        What one zone cannot tell from nothing, kPa (dead zone and noise of a resistive cell
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
