"""Shares, rises and travel of load in a swing, against a plain reading of straight-line loads."""

from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest

from plantigrade.analyser import run_whole
from plantigrade.block import N_COLUMNS, Column, FloatArray, Foot, PairBlock
from plantigrade.events import HeelLiftState, Manner, Swing, Timing
from plantigrade.limits import Limits, Setup, setup_for
from plantigrade.swingmeasures import heel_share, impulse_share, steepest_rise, travel_of
from plantigrade.swings import SwingDetector
from plantigrade.zones import eighteen

RATE_HZ = 100.0
BW_N = 700.0
HEEL_Y, MID_Y, FORE_Y = 0.10, 0.40, 0.75
T = np.arange(700) / RATE_HZ
START_S, AT_TRAIL_S, LEAVES_TRAIL_S, AT_LEAD_S = 3.0, 3.6, 3.8, 4.1
"""The lead share: .5, a straight fall to .2, there for 0.2 s, a straight rise to .9; then slowly
back, so that the finish comes long after the lead peak."""
SHARE = np.interp(
    T,
    [START_S, AT_TRAIL_S, LEAVES_TRAIL_S, AT_LEAD_S, 4.2, 4.9],
    [0.5, 0.2, 0.2, 0.9, 0.9, 0.55],
)
LEAD_N, TRAIL_N = SHARE * BW_N, (1.0 - SHARE) * BW_N
# heel shares of each foot's own load; each foot goes on moving after the lead peak
TRAIL_HEEL = np.interp(T, [3.0, 3.5, 3.82, 4.05, 4.4, 4.6], [0.5, 0.7, 0.7, 0.1, 0.1, 0.0])
LEAD_HEEL = np.interp(T, [3.0, 3.5, 4.3, 4.6], [0.5, 0.4, 0.4, 0.9])
MID = 0.1


def setup(**limits: float) -> Setup:
    return setup_for(eighteen(), RATE_HZ, BW_N, Foot.LEFT, Limits(**limits))


def foot(load: FloatArray, heel: FloatArray, mid: float | FloatArray = MID) -> FloatArray:
    """Load columns of a foot whose regions bear at one place each."""
    values = np.zeros((len(load), N_COLUMNS))
    values[:, Column.HEEL], values[:, Column.MIDFOOT] = heel * load, mid * load
    values[:, Column.FOREFOOT] = (1.0 - heel - mid) * load
    values[:, Column.MOMENT_X] = 0.5 * load
    values[:, Column.MOMENT_Y] = y_of(heel, mid) * load
    return values


def y_of(heel: FloatArray, mid: float | FloatArray = MID) -> FloatArray:
    y: FloatArray = HEEL_Y * heel + MID_Y * mid + FORE_Y * (1.0 - heel - mid)
    return y


def swing_of(
    lead_heel: FloatArray = LEAD_HEEL,
    missing: dict[Foot, tuple[float, float]] | None = None,
) -> Swing:
    left, right = foot(LEAD_N, lead_heel), foot(TRAIL_N, TRAIL_HEEL)
    for gone, (begin, end) in (missing or {}).items():
        (left if gone is Foot.LEFT else right)[(begin <= T) & (end >= T)] = np.nan
    events = run_whole(SwingDetector(setup()), [PairBlock(0, T, left, right)])
    (swing,) = [event for event in events if isinstance(event, Swing)]
    return swing


def ranges(y: FloatArray, keep: np.ndarray) -> float:
    return float(np.ptp(y[keep]))


def test_what_a_swing_s_loads_say():
    swing = swing_of()
    assert swing.lead_peak_s is not None
    assert swing.lead_peak_s == pytest.approx(AT_LEAD_S, abs=0.03)
    assert swing.finish_s is not None and swing.finish_s > 4.6
    until_lead_peak = (START_S <= T) & (swing.lead_peak_s >= T)
    # at address each heel carries half; at the trail peak .7 of a foot that carries .8 of the body
    assert swing.push.heel_share_address == pytest.approx(0.5, abs=0.001)
    assert swing.lead_heel_share_address == pytest.approx(0.5, abs=0.001)
    assert swing.push.heel_share_trail_peak == pytest.approx(0.7, abs=0.001)
    assert swing.trail_peak_bw == pytest.approx(0.8, abs=0.001)
    # straight from .2 to .9 of body weight in .3 s
    assert swing.lead_rise_bw_s == pytest.approx(0.7 / 0.3, abs=0.01)
    lead_y, trail_y = y_of(LEAD_HEEL), y_of(TRAIL_HEEL)
    assert swing.lead_cop_travel == pytest.approx(ranges(lead_y, until_lead_peak), abs=0.003)
    assert swing.lead_cop_travel == pytest.approx(0.1 * (FORE_Y - HEEL_Y), abs=0.003)
    assert swing.trail_cop_travel == pytest.approx(0.6 * (FORE_Y - HEEL_Y), abs=0.003)
    both = (LEAD_N * lead_y + TRAIL_N * trail_y) / (LEAD_N + TRAIL_N)
    assert swing.both_cop_travel == pytest.approx(ranges(both, until_lead_peak), abs=0.004)
    # what comes after the lead peak is larger in each, and no part of it
    assert swing.lead_cop_travel is not None and swing.trail_cop_travel is not None
    assert ranges(lead_y, T >= START_S) > 4 * swing.lead_cop_travel
    assert ranges(trail_y, T >= START_S) > swing.trail_cop_travel + 0.05
    # a constant midfoot share is that share of any impulse
    assert swing.push.midfoot_impulse_share == pytest.approx(MID, abs=0.001)
    assert (swing.push.manner, swing.push.timing) == (Manner.ROLLED, Timing.WITH_SHIFT)
    assert (swing.push.is_good, swing.push.from_heel, swing.push.heel_loaded) == (True,) * 3


def test_a_push_that_begins_at_the_ball_is_rolled_but_not_good():
    """From .62 to .80 of the length on a foot whose heel never carries anything."""
    moved = np.interp(T, [3.82, 4.05], [0.0, 1.0])
    mid, toes = 0.13 / 0.35 * (1.0 - moved), 0.25 * moved
    values = foot(TRAIL_N, np.zeros(len(T)), mid)
    values[:, Column.TOES] = toes * TRAIL_N
    values[:, Column.FOREFOOT] -= values[:, Column.TOES]
    values[:, Column.MOMENT_Y] += 0.20 * values[:, Column.TOES]  # toes at .95, not .75
    y = values[:, Column.MOMENT_Y] / TRAIL_N
    assert (y[0], y[-1]) == pytest.approx((0.62, 0.80))
    events = run_whole(SwingDetector(setup()), [PairBlock(0, T, foot(LEAD_N, LEAD_HEEL), values)])
    (push,) = [event.push for event in events if isinstance(event, Swing)]
    assert (push.manner, push.timing) == (Manner.ROLLED, Timing.WITH_SHIFT)
    assert (push.travel_from, push.travel_to) == pytest.approx((0.62, 0.80), abs=0.002)
    assert (push.heel_share_address, push.heel_share_trail_peak) == (0.0, 0.0)
    assert (push.is_good, push.from_heel, push.heel_loaded) == (False,) * 3


def test_the_lifted_interval_of_the_lead_foot_is_apart():
    heel = np.interp(T, [3.0, 3.3, 3.9, 4.05, 4.3, 4.6], [0.5, 0.0, 0.0, 0.3, 0.3, 0.9])
    swing = swing_of(lead_heel=heel)
    lift = swing.heel_lift
    assert lift.state is HeelLiftState.LIFTED and swing.lead_peak_s is not None
    counted = (START_S <= T) & (swing.lead_peak_s >= T) & (heel * LEAD_N >= lift.limit_n)
    there = y_of(heel)
    assert swing.lead_cop_travel == pytest.approx(ranges(there, counted), abs=0.01)
    # of both feet together no row is left out
    until = (START_S <= T) & (swing.lead_peak_s >= T)
    assert swing.lead_cop_travel is not None
    assert ranges(there, until) > swing.lead_cop_travel + 0.03
    both = SHARE * there + (1.0 - SHARE) * y_of(TRAIL_HEEL)
    assert swing.both_cop_travel == pytest.approx(ranges(both, until), abs=0.004)


@pytest.mark.parametrize(
    ("gone", "when", "absent"),
    [
        (Foot.LEFT, (3.30, 3.35), {"lead_cop_travel", "both_cop_travel", "lead_rise_bw_s"}),
        (Foot.RIGHT, (3.30, 3.35), {"trail_cop_travel", "both_cop_travel"}),
        (
            Foot.RIGHT,
            (3.68, 3.74),
            {"trail_cop_travel", "both_cop_travel", "trail_peak_bw", "heel_share_trail_peak"},
        ),
    ],
)
def test_what_touches_missing_rows_is_absent_and_nothing_else(gone, when, absent):
    swing = swing_of(missing={gone: when})
    added = [
        *("lead_cop_travel", "trail_cop_travel", "both_cop_travel", "trail_peak_bw"),
        *("lead_rise_bw_s", "lead_heel_share_address"),
    ]
    of_push = ["heel_share_address", "heel_share_trail_peak"]
    values = {name: getattr(swing, name) for name in added}
    values |= {name: getattr(swing.push, name) for name in of_push}
    assert {name for name, value in values.items() if value is None} == absent
    for part in (swing, swing.push):
        told = [getattr(part, f.name) for f in fields(part)]
        assert not any(isinstance(v, float) and np.isnan(v) for v in told)


# ---- the functions themselves, at answers worked by hand ----


def test_the_heel_s_share_is_of_the_mean_loads():
    values = np.array([[100.0, 0, 300.0, 0], [300.0, 0, 100.0, 0], [200.0, 0, 0, 200.0]])
    assert heel_share(values, 20.0) == pytest.approx(0.5)
    assert heel_share(values[:1], 20.0) == pytest.approx(0.25)
    assert heel_share(values, 401.0) is None
    assert heel_share(values[:0], 20.0) is None
    assert heel_share(np.vstack((values, [[np.nan] * 4])), 20.0) is None
    assert heel_share(np.array([[-3.0, 0.0, 300.0, 3.0]]), 20.0) == 0.0  # noise about nothing


@pytest.mark.parametrize("rate_hz", [64.0, 100.0, 130.0])
def test_the_steepest_rise_is_that_of_50_ms(rate_hz):
    """A trapezoid: 1000 N up in 0.25 s, and a spike of one sample, which 50 ms halve or more."""
    t = np.arange(0.0, 2.0, 1.0 / rate_hz)
    load = np.interp(t, [0.5, 0.75, 1.2, 1.3], [100.0, 1100.0, 1100.0, 200.0])
    assert steepest_rise(t, load) == pytest.approx(4000.0)
    # the rise is given over 50 ms even where it took 25 ms
    quick = np.interp(t, [0.5, 0.525], [0.0, 100.0])
    assert steepest_rise(t, quick) == pytest.approx(100.0 / 0.05)
    falling = np.interp(t, [0.0, 2.0], [500.0, 100.0])
    assert steepest_rise(t, falling) == pytest.approx(-200.0)
    assert steepest_rise(t[:3], load[:3]) is None
    load[10] = np.nan
    assert steepest_rise(t, load) is None


def test_the_midfoot_s_impulse_between_two_places_of_a_ramp():
    """Midfoot k of 10 in row k: from 2.5 to 6.5 its mean is 4.5 of 10."""
    values = np.zeros((10, 4))
    values[:, Column.MIDFOOT] = np.arange(10.0)
    values[:, Column.FOREFOOT] = 10.0 - np.arange(10.0)
    assert impulse_share(values, Column.MIDFOOT, 2.5, 6.5) == pytest.approx(0.45)
    assert impulse_share(values, Column.MIDFOOT, 3.0, 5.0) == pytest.approx(0.40)
    assert impulse_share(values, Column.MIDFOOT, 3.2, 3.4) == pytest.approx(0.33)
    assert impulse_share(values, Column.MIDFOOT, 3.0, 3.0) is None


def test_the_travel_of_two_feet_is_that_of_their_load():
    """Lead at .2 and trail at .8: with loads 300:100 and 100:300 the CoP is at .35 and .65."""
    n = 40
    heavy = np.where(np.arange(n) < 20, 300.0, 100.0)
    lead, trail = np.zeros((n, 6)), np.zeros((n, 6))
    lead[:, 0], trail[:, 2] = heavy, 400.0 - heavy
    lead[:, Column.MOMENT_Y], trail[:, Column.MOMENT_Y] = 0.2 * heavy, 0.8 * (400.0 - heavy)
    assert travel_of((lead, trail), 3, 35.0) == pytest.approx(0.30)
    assert travel_of((lead,), 3, 35.0) == pytest.approx(0.0, abs=1e-12)
    early = np.arange(n) < 10
    assert travel_of((lead, trail), 3, 35.0, early) == pytest.approx(0.0, abs=1e-12)
    assert travel_of((lead, trail), 3, 401.0) is None
    trail[5] = np.nan
    assert travel_of((lead, trail), 3, 35.0) is None
    assert travel_of((lead,), 3, 35.0) is not None


def test_a_cop_beyond_an_end_of_the_insole_lies_at_that_end():
    """Net of a baseline a moment may be less than nothing, or more than the load."""
    values = np.zeros((40, 6))
    values[:, 2] = 300.0
    values[:, Column.MOMENT_Y] = np.where(np.arange(40) < 20, -0.1, 1.1) * 300.0
    assert travel_of((values,), 3, 35.0) == pytest.approx(1.0)
    values[:20, Column.MOMENT_Y] = 0.3 * 300.0
    assert travel_of((values,), 3, 35.0) == pytest.approx(0.7)


def test_results_do_not_hang_on_how_the_rows_are_cut():
    whole = PairBlock(0, T, foot(LEAD_N, LEAD_HEEL), foot(TRAIL_N, TRAIL_HEEL))
    edges = [0, *range(13, len(T), 37), len(T)]
    parts = [whole.slice(a, b) for a, b in pairwise(edges)]
    assert run_whole(SwingDetector(setup()), parts) == run_whole(SwingDetector(setup()), [whole])


def test_no_region_has_more_than_all_of_the_impulse_nor_less_than_none():
    """Net of a baseline a region may read under nothing: the others then sum to over the whole."""
    values = np.zeros((10, 4))
    values[:, Column.FOREFOOT], values[:, Column.HEEL] = 110.0, -10.0
    assert impulse_share(values, Column.FOREFOOT, 2.0, 6.0) == 1.0
    assert impulse_share(values, Column.HEEL, 2.0, 6.0) == 0.0
