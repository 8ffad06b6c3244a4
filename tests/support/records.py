"""Records and events for tests of what keeps them: invented, of the right types."""

import dataclasses

import numpy as np

from plantigrade.block import Foot
from plantigrade.events import (
    Bearing,
    FootStand,
    HeelLift,
    HeelLiftState,
    Manner,
    Push,
    RegionTiming,
    Roll,
    Stand,
    Step,
    Swing,
    Timing,
)
from plantigrade_gateway.record.entries import Batch


def packets(n: int, first: int = 0, size: int = 88) -> Batch:
    """n notifications of two insoles in turn, 10 ms apart, from the first-th on."""
    rng = np.random.default_rng(first)
    return Batch(
        (first + np.arange(n)) * 10_000_000,
        ((first + np.arange(n)) % 2).astype(np.uint8),
        np.zeros(n, np.uint8),
        np.full(n, size, np.int64),
        rng.integers(0, 256, n * size).astype(np.uint8).tobytes(),
    )


_FOOT = FootStand(
    Bearing.SLIGHT, 0.5, 0.05, 0.35, 0.1, 0.01, 4, 412.25, 0.48, 0.45, 3, 9, 1, 2, 88, 8, 14.5
)
_REGION = RegionTiming(0.1, 62.3, 1 / 3, 0.25)


def step(first_index: int, foot: Foot = Foot.LEFT) -> Step:
    t = first_index / 100
    return Step(
        foot=foot,
        strike_s=t,
        off_s=t + 0.65,
        stance_s=0.65,
        roll=Roll.THROUGH,
        midfoot_impulse_share=0.1 + 0.2,
        heel=_REGION,
        midfoot=_REGION,
        forefoot=_REGION,
        toes=RegionTiming(None, None, None, None),
        heel_off_pct=61.7,
        peak1_n=801.5,
        valley_n=610.0,
        peak2_n=845.1,
        peak1_pct=22.0,
        valley_pct=48.0,
        peak2_pct=77.0,
        cop_y=(None, 0.1, 0.2 / 3, *[0.5] * 16),
        threshold_n=39.2,
        touches_gap=False,
        first_index=first_index,
        confirmed_s=t + 0.7,
    )


def stand(first_index: int) -> Stand:
    t = first_index / 100
    empty = dataclasses.replace(_FOOT, bearing=Bearing.UNCLEAR, midfoot_share=None)
    return Stand(t, t + 12.0, 0.52, _FOOT, empty, True, first_index, t + 12.1)


def swing(first_index: int, lead: Foot = Foot.LEFT) -> Swing:
    t = first_index / 100
    lift = HeelLift(HeelLiftState.LIFTED, t + 0.4, t + 0.9, 0.5, -0.03, 0.004, 20.0)
    push = Push(
        manner=Manner.ROLLED,
        timing=Timing.WITH_SHIFT,
        heel_leave_s=t + 0.81,
        fore_take_s=t + 0.93,
        transfer_s=0.12,
        transfer_of_shift=0.44,
        load_at_fore_take=0.61,
        travel_from=0.2,
        travel_to=0.8,
        midfoot_over_floor=True,
        toes_over_floor=None,
        medial_share_trail_peak=0.55,
        medial_share_fore_take=0.7,
        cop_x_trail_peak=0.45,
        cop_x_fore_take=0.3,
        path_t_s=(t, t + 0.01, t + 0.02),
        path_y=(0.1, 0.30000000000000004, 1e-300),
        end_s=t + 1.2,
        heel_share_address=0.45,
        heel_share_trail_peak=0.62,
        midfoot_impulse_share=0.08,
        is_good=True,
        from_heel=True,
        heel_loaded=True,
    )
    return Swing(
        lead=lead,
        address_s=t - 1.0,
        start_s=t,
        trail_peak_s=t + 0.7,
        trail_peak_width_s=0.1,
        shift_s=t + 0.75,
        lead_peak_s=t + 1.0,
        finish_s=None,
        finish_manner="settled",
        load_tempo=2.4,
        address_share=0.5,
        lowest_share=0.2,
        highest_share=0.9,
        share_range=0.7,
        lead_peak_bw=1.4,
        trail_return_share=None,
        heel_lift=lift,
        push=push,
        lead_cop_travel=0.2,
        trail_cop_travel=0.6,
        touches_gap=False,
        first_index=first_index,
        confirmed_s=t + 1.5,
        both_cop_travel=0.15,
        trail_peak_bw=0.8,
        lead_rise_bw_s=2.5,
        lead_heel_share_address=0.5,
    )
