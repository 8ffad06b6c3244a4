"""What the detectors report: frozen results, never revised once given out.

Times are host times in seconds on the session's time line. Every event says when it was confirmed
(`confirmed_s`, the time of the last sample it was decided from) and which sample begins it
(`first_index`, on the paired time line): with the kind and the foot that is its identity.
A field with a default came later than the others: an event kept by an older version lacks it.
"""

from dataclasses import dataclass
from enum import StrEnum

from plantigrade.block import Foot


class Roll(StrEnum):
    """How load travels over a foot in one walking stance."""

    THROUGH = "through"
    SKIPPED = "skipped"
    UNCLEAR = "unclear"


class Bearing(StrEnum):
    """Whether the midfoot carries load when standing; a foot that moved has no bearing."""

    BROAD = "broad"
    BEARING = "bearing"
    SLIGHT = "slight"
    NONE = "none"
    UNCLEAR = "unclear"
    MOVED = "moved"


class HeelLiftState(StrEnum):
    """The lead heel in the backswing, as an insole sees it: unloading, not height."""

    LIFTED = "lifted"
    DOWN = "down"
    UNCLEAR = "unclear"


class Manner(StrEnum):
    """How load travels over the trail foot from transition on."""

    ROLLED = "rolled"
    SKIPPED = "skipped"
    HELD = "held"
    UNCLEAR = "unclear"


class Timing(StrEnum):
    """When the trail foot's forefoot takes the load, against the shift to the lead foot."""

    EARLY = "early"
    WITH_SHIFT = "with_shift"
    UNCLEAR = "unclear"


class PhaseKind(StrEnum):
    """Provisional phases: they drive sound and the live page, and are never stored as measures."""

    BACKSWING = "backswing"
    HEEL_LIFTED = "heel_lifted"
    HEEL_RETURNED = "heel_returned"
    SHIFT = "shift"
    PUSH = "push"
    CANCELLED = "cancelled"


@dataclass(frozen=True, slots=True)
class RegionTiming:
    """When one region of a foot is loaded in a stance, % of stance; None where it never is."""

    onset_pct: float | None
    end_pct: float | None
    centre_pct: float | None
    impulse_share: float | None


@dataclass(frozen=True, slots=True)
class Step:
    """One walking stance.

    Attributes
    ----------
    foot : Foot
    strike_s, off_s : float or None
        Interpolated crossings of the contact threshold; None where a gap hides the crossing.
    stance_s : float or None
    roll : Roll
    midfoot_impulse_share : float or None
        Midfoot impulse / whole foot's impulse over the stance.
    heel, midfoot, forefoot, toes : RegionTiming
    heel_off_pct : float or None
        When the heel's load falls under its floor for good, % stance.
    peak1_n, valley_n, peak2_n : float or None
        Loading peak, mid-stance valley and push-off peak, N; None where there is no double hump.
    peak1_pct, valley_pct, peak2_pct : float or None
    cop_y : tuple of float or None
        CoP y (fraction of length) at 5, 10, 15 … 95 % stance; None where undefined.
    threshold_n : float
        The contact threshold the times were read at, N.
    touches_gap : bool
        Missing samples lie inside the stance (bridged ones too).
    first_index : int
    confirmed_s : float
    """

    foot: Foot
    strike_s: float | None
    off_s: float | None
    stance_s: float | None
    roll: Roll
    midfoot_impulse_share: float | None
    heel: RegionTiming
    midfoot: RegionTiming
    forefoot: RegionTiming
    toes: RegionTiming
    heel_off_pct: float | None
    peak1_n: float | None
    valley_n: float | None
    peak2_n: float | None
    peak1_pct: float | None
    valley_pct: float | None
    peak2_pct: float | None
    cop_y: tuple[float | None, ...]
    threshold_n: float
    touches_gap: bool
    first_index: int
    confirmed_s: float


@dataclass(frozen=True, slots=True)
class FootStand:
    """One foot in a stand.

    Attributes
    ----------
    bearing : Bearing
    heel_share, midfoot_share, forefoot_share, toes_share : float or None
        Shares of the foot's own load, means over the stand; None under 5 % BW.
    midfoot_share_sd : float or None
        Spread of the midfoot share between the stand's 1 s pieces.
    midfoot_zones : int or None
        Midfoot zones in contact for more than half of the stand.
    load_n : float
        Mean load, N, net of the baseline.
    cop_x, cop_y : float or None
        Mean CoP, fractions of width and length.
    sway_* : float or None
        Of the foot's CoP low-passed at 10 Hz: `plantigrade.sway.Sway` in mm; None where undefined.
    midfoot_medial_share : float or None
        Part of the midfoot's load on its medial zones; None where the midfoot is under its floor.
    """

    bearing: Bearing
    heel_share: float | None
    midfoot_share: float | None
    forefoot_share: float | None
    toes_share: float | None
    midfoot_share_sd: float | None
    midfoot_zones: int | None
    load_n: float
    cop_x: float | None
    cop_y: float | None
    sway_range_x_mm: float | None
    sway_range_y_mm: float | None
    sway_rms_x_mm: float | None
    sway_rms_y_mm: float | None
    sway_path_mm: float | None
    sway_speed_mm_s: float | None
    sway_ellipse_mm2: float | None
    midfoot_medial_share: float | None = None


@dataclass(frozen=True, slots=True)
class Stand:
    """A stand of at least 10 s in which no load moved between the feet.

    Each foot says by itself whether it was quiet: `Bearing.MOVED` where its CoP was not.
    """

    start_s: float
    end_s: float
    left_share: float | None
    left: FootStand
    right: FootStand
    touches_gap: bool
    first_index: int
    confirmed_s: float


@dataclass(frozen=True, slots=True)
class HeelLift:
    """The lead heel between start and lead peak.

    Attributes
    ----------
    state : HeelLiftState
    lift_s, return_s : float or None
        When the heel's load goes under the limit, and comes back.
    duration_s : float or None
    return_after_level_s : float or None
        Return against the moment s regains its address level: negative is before it.
    lowest_load_bw : float or None
        Lowest lead heel load between start and lead peak, × BW (about).
    limit_n : float
        The limit it was read at, N.
    """

    state: HeelLiftState
    lift_s: float | None
    return_s: float | None
    duration_s: float | None
    return_after_level_s: float | None
    lowest_load_bw: float | None
    limit_n: float


@dataclass(frozen=True, slots=True)
class Push:
    """How load travels over the trail foot, from the start until it is over.

    Attributes
    ----------
    manner : Manner
    timing : Timing
    heel_leave_s, fore_take_s : float or None
        CoP y passes 30 %, and for good 70 %, of its own travel.
    transfer_s : float or None
        ``fore_take_s − heel_leave_s``.
    transfer_of_shift : float or None
        Transfer as a fraction of shift → lead peak.
    load_at_fore_take : float or None
        Trail load at fore take over its load at trail peak.
    travel_from, travel_to : float or None
        Where in the foot's length the travel ran.
    midfoot_over_floor, toes_over_floor : bool or None
        Whether those regions' peak load between heel leave and the end of the travel is over
        their floor.
    medial_share_trail_peak, medial_share_fore_take : float or None
        1 − CoP x: 1 is all medial.
    cop_x_trail_peak, cop_x_fore_take : float or None
    path_t_s, path_y : tuple of float
        The trail foot's smoothed CoP y from trail peak (or shortly before heel leave, if that is
        sooner) to the end of the push, for sound and pictures; y is a fraction of length.
    end_s : float or None
        When the push ends.
    heel_share_address, heel_share_trail_peak : float or None
        The heel's share of the trail foot's own load, in the stillness before the start and at the
        trail peak.
    midfoot_impulse_share : float or None
        Midfoot impulse / whole foot's impulse between heel leave and fore take.
    is_good : bool or None
        `plantigrade.predicates.is_good_push` by the limits of the analysis; None where it cannot
        be told.
    from_heel, heel_loaded : bool or None
        `plantigrade.predicates.is_from_heel` and `is_heel_loaded`, likewise.
    """

    manner: Manner
    timing: Timing
    heel_leave_s: float | None
    fore_take_s: float | None
    transfer_s: float | None
    transfer_of_shift: float | None
    load_at_fore_take: float | None
    travel_from: float | None
    travel_to: float | None
    midfoot_over_floor: bool | None
    toes_over_floor: bool | None
    medial_share_trail_peak: float | None
    medial_share_fore_take: float | None
    cop_x_trail_peak: float | None
    cop_x_fore_take: float | None
    path_t_s: tuple[float, ...]
    path_y: tuple[float, ...]
    end_s: float | None
    heel_share_address: float | None = None
    heel_share_trail_peak: float | None = None
    midfoot_impulse_share: float | None = None
    is_good: bool | None = None
    from_heel: bool | None = None
    heel_loaded: bool | None = None


@dataclass(frozen=True, slots=True)
class Swing:
    """One golf swing, read from load alone.

    Attributes
    ----------
    lead : Foot
    address_s : float
        Beginning of the stillness before the start.
    start_s, trail_peak_s, shift_s, lead_peak_s, finish_s : float or None
    trail_peak_width_s : float
        How long s is within .02 of its lowest: a wide trough has an ill-defined middle.
    load_tempo : float or None
        (start → trail peak) : (trail peak → lead peak). Not backswing : downswing.
    address_share, lowest_share, highest_share, share_range : float
        Lead share s = lead / (lead + trail).
    lead_peak_bw : float
        Lead load at the lead peak, × BW (about).
    trail_return_share : float or None
        How far s comes back towards the trail foot after its first maximum following the shift
        (the reverse style), as a difference of s; None where it does not.
    finish_manner : str
        ``"settled"``, ``"stepped"`` or ``"time"``; where a gap hides the finish, `finish_s` is None
        and the manner ``"time"``.
    heel_lift : HeelLift
    push : Push
    lead_cop_travel, trail_cop_travel : float or None
        Front-to-back travel of each foot's CoP from start to lead peak, fraction of length; the
        lead foot's unloaded interval apart. None where samples are missing in it.
    touches_gap : bool
    first_index : int
    confirmed_s : float
    both_cop_travel : float or None
        Front-to-back travel of both feet's CoP together (load-weighted y), from start to lead
        peak, in lengths; turned-out feet blur it.
    trail_peak_bw : float or None
        Trail load at the trail peak, × BW (about).
    lead_rise_bw_s : float or None
        The lead foot's steepest rise of load over 50 ms between start and lead peak, BW/s (about).
    lead_heel_share_address : float or None
        The heel's share of the lead foot's own load in the stillness before the start.
    """

    lead: Foot
    address_s: float
    start_s: float | None
    trail_peak_s: float | None
    trail_peak_width_s: float | None
    shift_s: float | None
    lead_peak_s: float | None
    finish_s: float | None
    finish_manner: str
    load_tempo: float | None
    address_share: float
    lowest_share: float
    highest_share: float
    share_range: float
    lead_peak_bw: float | None
    trail_return_share: float | None
    heel_lift: HeelLift
    push: Push
    lead_cop_travel: float | None
    trail_cop_travel: float | None
    touches_gap: bool
    first_index: int
    confirmed_s: float
    both_cop_travel: float | None = None
    trail_peak_bw: float | None = None
    lead_rise_bw_s: float | None = None
    lead_heel_share_address: float | None = None


@dataclass(frozen=True, slots=True)
class Phase:
    """A provisional phase of a swing; it may be followed by `CANCELLED`.

    Attributes
    ----------
    kind : PhaseKind
    t_s : float
        When it happened.
    confirmed_s : float
    push : Push or None
        The decided push, for `PhaseKind.PUSH`.
    """

    kind: PhaseKind
    t_s: float
    confirmed_s: float
    push: Push | None = None


Event = Step | Stand | Swing | Phase
