"""What a walk and a set of swings come to: counts, means, spreads.

Takes finished events, gives frozen summaries. It judges nothing and compares nothing
(`plantigrade.change` does). Absent measures are left out of a mean and lower its count.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import TypeVar

from plantigrade.block import Foot
from plantigrade.events import HeelLiftState, Manner, RegionTiming, Roll, Step, Swing, Timing
from plantigrade.reliability import Proportion, proportion, proportion_of
from plantigrade.stat import Stat, less, median_of, stat_of

LONGEST_STEP_S = 1.5
"""A step follows another when its strike comes within this, s; else the walk was broken off. Ours:
the default of the longest contact that is a step, `contact_max_s`; a set one does not move it,
since a summary counts steps that were found already."""

_Class = TypeVar("_Class", bound=StrEnum)


@dataclass(frozen=True, slots=True)
class FootWalk:
    """One foot in a walk.

    Attributes
    ----------
    steps : int
    rolls : mapping of Roll to Proportion
        Of all the foot's steps.
    stance_s, stance_pct : Stat
        Stance time, s, and as % of the stride it begins.
    step_s : Stat
        From the other foot's strike to this foot's, s.
    midfoot_impulse_share : Stat
        0 to 1.
    heel_centre_pct, midfoot_centre_pct, forefoot_centre_pct, toes_centre_pct : Stat
        Load-weighted centre times of the regions, % of stance.
    heel_off_pct : Stat
        % of stance.
    """

    steps: int
    rolls: Mapping[Roll, Proportion]
    stance_s: Stat
    stance_pct: Stat
    step_s: Stat
    midfoot_impulse_share: Stat
    heel_centre_pct: Stat
    midfoot_centre_pct: Stat
    forefoot_centre_pct: Stat
    toes_centre_pct: Stat
    heel_off_pct: Stat


@dataclass(frozen=True, slots=True)
class Walk:
    """A walk, which may consist of several bouts.

    A stride is three steps in a row, left-right-left or right-left-right, each following the last.

    Attributes
    ----------
    steps, bouts : int
    cadence_per_min : Stat
        Steps per minute, 120 / stride time, over strides of either foot.
    stride_s : Stat
        From a foot's strike to its next, s.
    double_support_s, double_support_pct : Stat
        From a foot's strike to the other's toe-off, s and % of the stride that the other foot
        began; there are two in a stride. Negative where both feet are in the air.
    stance_asymmetry_pct, step_asymmetry_pct : Stat
        200 · (left − right) / (left + right) of the stance times and of the step times in a stride
        that begins left: 0 is even, positive is longer on the left. (The symmetry index of
        Robinson, Herzog & Nigg 1987, J Manipulative Physiol Ther 10:172–176: from memory.)
    left, right : FootWalk
    """

    steps: int
    bouts: int
    cadence_per_min: Stat
    stride_s: Stat
    double_support_s: Stat
    double_support_pct: Stat
    stance_asymmetry_pct: Stat
    step_asymmetry_pct: Stat
    left: FootWalk
    right: FootWalk


@dataclass(frozen=True, slots=True)
class SwingSet:
    """A set of swings.

    Attributes
    ----------
    swings : int
    with_gaps : int
        Swings that touch missing samples.
    manners, timings, heel_lifts : mapping to Proportion
        Of all swings; `unclear` is one of the classes.
    load_tempo : Stat
    start_to_trail_peak_s, trail_peak_to_lead_peak_s, shift_to_lead_peak_s : Stat
    transfer_s, transfer_of_shift : Stat
        Of the rolled pushes alone (`is_rolled`): a mean over rolled and skipped ones describes
        neither.
    load_at_fore_take : Stat
        Of the pushes that have one (see `plantigrade.events.Push`).
    push_travel : Stat
        How far the trail foot's CoP travelled in the push, fraction of length.
    heel_lift_s, heel_return_after_level_s, heel_lowest_load_bw : Stat
        Duration and return of the lifts seen, s; the lowest lead heel load of all, × BW (about).
    address_share, lowest_share, share_range : Stat
        Lead share.
    lead_peak_bw : Stat
        × BW (about).
    trail_return_share : Stat
        Of the swings whose load comes back to the trail foot (the reverse style): its count says
        how many.
    lead_cop_travel, trail_cop_travel : Stat
        Fraction of length.
    good_pushes, pushes_from_heel, trail_heels : Proportion
        Pushes that are good, that began at or behind the limit, and swings whose trail heel was
        loaded at the trail peak, by the limits of the analysis; of those that can be told.
    push_from : Stat
        Rearmost CoP of the push, fraction of length.
    midfoot_impulse_share : Stat
        The midfoot's share of the trail foot's impulse between heel leave and fore take.
    heel_share_address, heel_share_trail_peak, lead_heel_share_address : Stat
        The heel's share of its own foot's load: of the trail foot, and of the lead foot.
    both_cop_travel : Stat
        Of both feet's CoP together, lengths.
    trail_peak_bw : Stat
        × BW (about).
    lead_rise_bw_s : Stat
        BW/s (about).
    transfer_median_s : float or None
        Median of what `transfer_s` is the mean of.
    """

    swings: int
    with_gaps: int
    manners: Mapping[Manner, Proportion]
    timings: Mapping[Timing, Proportion]
    heel_lifts: Mapping[HeelLiftState, Proportion]
    load_tempo: Stat
    start_to_trail_peak_s: Stat
    trail_peak_to_lead_peak_s: Stat
    shift_to_lead_peak_s: Stat
    transfer_s: Stat
    transfer_of_shift: Stat
    load_at_fore_take: Stat
    push_travel: Stat
    heel_lift_s: Stat
    heel_return_after_level_s: Stat
    heel_lowest_load_bw: Stat
    address_share: Stat
    lowest_share: Stat
    share_range: Stat
    lead_peak_bw: Stat
    trail_return_share: Stat
    lead_cop_travel: Stat
    trail_cop_travel: Stat
    good_pushes: Proportion
    pushes_from_heel: Proportion
    trail_heels: Proportion
    push_from: Stat
    midfoot_impulse_share: Stat
    heel_share_address: Stat
    heel_share_trail_peak: Stat
    lead_heel_share_address: Stat
    both_cop_travel: Stat
    trail_peak_bw: Stat
    lead_rise_bw_s: Stat
    transfer_median_s: float | None


def is_rolled(swing: Swing) -> bool:
    """Whether a swing's push rolled: over such alone a transfer is averaged (design §5, Change)."""
    return swing.push.manner is Manner.ROLLED


def bouts_of(steps: Iterable[Step]) -> tuple[tuple[Step, ...], ...]:
    """Split steps where walking was broken off.

    Parameters
    ----------
    steps : iterable of Step
        In any order. A step whose strike a gap hides is placed by its toe-off less a usual stance.

    Returns
    -------
    tuple of tuples of Step
        Bouts in order of time; in a bout each strike comes within `LONGEST_STEP_S` of the last.
    """
    bouts: list[list[Step]] = []
    last = -float("inf")
    for step in sorted(steps, key=lambda s: (_when(s), s.first_index, s.foot)):
        if _when(step) - last > LONGEST_STEP_S:
            bouts.append([])
        bouts[-1].append(step)
        last = _when(step)
    return tuple(tuple(bout) for bout in bouts)


def summarise_walk(steps: Iterable[Step]) -> Walk:
    """Summarise the steps of a walk.

    Parameters
    ----------
    steps : iterable of Step
        Of both feet, in any order; may be empty.

    Returns
    -------
    Walk
    """
    bouts = bouts_of(steps)
    pairs = [(a, b) for bout in bouts for a, b in pairwise(bout) if _on(a, b)]
    strides = [
        (a, b, c)
        for bout in bouts
        for a, b, c in zip(bout, bout[1:], bout[2:], strict=False)
        if _on(a, b) and _on(b, c)
    ]
    stride_s = [less(c.strike_s, a.strike_s) for a, _, c in strides]
    double_s = [less(a.off_s, b.strike_s) for a, b, _ in strides]
    lefts = [stride for stride in strides if stride[0].foot is Foot.LEFT]
    return Walk(
        steps=sum(len(bout) for bout in bouts),
        bouts=len(bouts),
        cadence_per_min=stat_of(_over(120.0, s) for s in stride_s),
        stride_s=stat_of(stride_s),
        double_support_s=stat_of(less(a.off_s, b.strike_s) for a, b in pairs),
        double_support_pct=stat_of(_percent(d, s) for d, s in zip(double_s, stride_s, strict=True)),
        stance_asymmetry_pct=stat_of(_asymmetry(a.stance_s, b.stance_s) for a, b, _ in lefts),
        step_asymmetry_pct=stat_of(
            _asymmetry(less(c.strike_s, b.strike_s), less(b.strike_s, a.strike_s))
            for a, b, c in lefts
        ),
        left=_foot_walk(Foot.LEFT, bouts, pairs, strides),
        right=_foot_walk(Foot.RIGHT, bouts, pairs, strides),
    )


def summarise_swings(swings: Sequence[Swing]) -> SwingSet:
    """Summarise a set of swings.

    Parameters
    ----------
    swings : sequence of Swing
        May be empty.

    Returns
    -------
    SwingSet
    """

    def stat(measure: Callable[[Swing], float | None]) -> Stat:
        return stat_of(measure(swing) for swing in swings)

    rolled = [swing for swing in swings if is_rolled(swing)]
    return SwingSet(
        swings=len(swings),
        with_gaps=sum(s.touches_gap for s in swings),
        manners=_shares(Manner, [s.push.manner for s in swings]),
        timings=_shares(Timing, [s.push.timing for s in swings]),
        heel_lifts=_shares(HeelLiftState, [s.heel_lift.state for s in swings]),
        load_tempo=stat(lambda s: s.load_tempo),
        start_to_trail_peak_s=stat(lambda s: less(s.trail_peak_s, s.start_s)),
        trail_peak_to_lead_peak_s=stat(lambda s: less(s.lead_peak_s, s.trail_peak_s)),
        shift_to_lead_peak_s=stat(lambda s: less(s.lead_peak_s, s.shift_s)),
        transfer_s=stat_of(s.push.transfer_s for s in rolled),
        transfer_of_shift=stat_of(s.push.transfer_of_shift for s in rolled),
        load_at_fore_take=stat(lambda s: s.push.load_at_fore_take),
        push_travel=stat(lambda s: less(s.push.travel_to, s.push.travel_from)),
        heel_lift_s=stat(lambda s: s.heel_lift.duration_s),
        heel_return_after_level_s=stat(lambda s: s.heel_lift.return_after_level_s),
        heel_lowest_load_bw=stat(lambda s: s.heel_lift.lowest_load_bw),
        address_share=stat(lambda s: s.address_share),
        lowest_share=stat(lambda s: s.lowest_share),
        share_range=stat(lambda s: s.share_range),
        lead_peak_bw=stat(lambda s: s.lead_peak_bw),
        trail_return_share=stat(lambda s: s.trail_return_share),
        lead_cop_travel=stat(lambda s: s.lead_cop_travel),
        trail_cop_travel=stat(lambda s: s.trail_cop_travel),
        good_pushes=proportion_of(s.push.is_good for s in swings),
        pushes_from_heel=proportion_of(s.push.from_heel for s in swings),
        trail_heels=proportion_of(s.push.heel_loaded for s in swings),
        push_from=stat(lambda s: s.push.travel_from),
        midfoot_impulse_share=stat(lambda s: s.push.midfoot_impulse_share),
        heel_share_address=stat(lambda s: s.push.heel_share_address),
        heel_share_trail_peak=stat(lambda s: s.push.heel_share_trail_peak),
        lead_heel_share_address=stat(lambda s: s.lead_heel_share_address),
        both_cop_travel=stat(lambda s: s.both_cop_travel),
        trail_peak_bw=stat(lambda s: s.trail_peak_bw),
        lead_rise_bw_s=stat(lambda s: s.lead_rise_bw_s),
        transfer_median_s=median_of(s.push.transfer_s for s in rolled),
    )


def _foot_walk(
    foot: Foot,
    bouts: Sequence[Sequence[Step]],
    pairs: Sequence[tuple[Step, Step]],
    strides: Sequence[tuple[Step, Step, Step]],
) -> FootWalk:
    steps = [step for bout in bouts for step in bout if step.foot is foot]

    def centre(region: Callable[[Step], RegionTiming]) -> Stat:
        return stat_of(region(step).centre_pct for step in steps)

    return FootWalk(
        steps=len(steps),
        rolls=_shares(Roll, [step.roll for step in steps]),
        stance_s=stat_of(step.stance_s for step in steps),
        stance_pct=stat_of(
            _percent(a.stance_s, less(c.strike_s, a.strike_s))
            for a, _, c in strides
            if a.foot is foot
        ),
        step_s=stat_of(less(b.strike_s, a.strike_s) for a, b in pairs if b.foot is foot),
        midfoot_impulse_share=stat_of(step.midfoot_impulse_share for step in steps),
        heel_centre_pct=centre(lambda s: s.heel),
        midfoot_centre_pct=centre(lambda s: s.midfoot),
        forefoot_centre_pct=centre(lambda s: s.forefoot),
        toes_centre_pct=centre(lambda s: s.toes),
        heel_off_pct=stat_of(step.heel_off_pct for step in steps),
    )


_USUAL_STANCE_S = 0.65  # adults at their own pace, 0.60–0.70 s: from memory; only places a step


def _when(step: Step) -> float:
    if step.strike_s is not None:
        return step.strike_s
    return (step.confirmed_s if step.off_s is None else step.off_s) - _USUAL_STANCE_S


def _on(a: Step, b: Step) -> bool:
    """Whether b is the other foot's step after a, both strikes known (in one bout)."""
    return a.foot is not b.foot and a.strike_s is not None and b.strike_s is not None


def _shares(kind: type[_Class], found: Sequence[_Class]) -> dict[_Class, Proportion]:
    return {name: proportion(found.count(name), len(found)) for name in kind}


def _over(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None or b <= 0 else a / b


def _percent(a: float | None, b: float | None) -> float | None:
    share = _over(a, b)
    return None if share is None else 100.0 * share


def _asymmetry(left: float | None, right: float | None) -> float | None:
    if left is None or right is None or left + right <= 0:
        return None
    return 200.0 * (left - right) / (left + right)
