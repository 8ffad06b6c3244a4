"""How load rolls over a foot in one walking stance."""

from dataclasses import replace

import numpy as np

from plantigrade.block import Column, FloatArray, Foot
from plantigrade.events import RegionTiming, Roll, Step
from plantigrade.limits import Setup
from plantigrade.load import centre_of_pressure, total_load

COP_AT_PCT = tuple(range(5, 100, 5))
"""Where in the stance CoP y is given, %."""
HUMP_DEPTH = 0.02
"""Least depth of the mid-stance valley under the lower of its peaks, for a double hump."""


def unmeasured_step(
    *,
    foot: Foot,
    strike_s: float | None,
    off_s: float | None,
    threshold_n: float,
    touches_gap: bool,
    first_index: int,
    confirmed_s: float,
) -> Step:
    """Return a step of which only the times are known."""
    empty = RegionTiming(None, None, None, None)
    return Step(
        foot=foot,
        strike_s=strike_s,
        off_s=off_s,
        stance_s=None if strike_s is None or off_s is None else off_s - strike_s,
        roll=Roll.UNCLEAR,
        midfoot_impulse_share=None,
        heel=empty,
        midfoot=empty,
        forefoot=empty,
        toes=empty,
        heel_off_pct=None,
        peak1_n=None,
        valley_n=None,
        peak2_n=None,
        peak1_pct=None,
        valley_pct=None,
        peak2_pct=None,
        cop_y=(None,) * len(COP_AT_PCT),
        threshold_n=threshold_n,
        touches_gap=touches_gap,
        first_index=first_index,
        confirmed_s=confirmed_s,
    )


def measured_step(step: Step, t_s: FloatArray, values: FloatArray, setup: Setup) -> Step:
    """Return the step with everything that its samples say.

    Parameters
    ----------
    step : Step
        With both its times.
    t_s : ndarray of float64, shape (n,)
    values : ndarray of float64, shape (n, 8)
        The foot's load columns from strike to toe-off, net of the baseline, none missing.
    setup : Setup
    """
    if step.strike_s is None or step.stance_s is None or len(t_s) < 4:
        return step
    pct = 100.0 * (t_s - step.strike_s) / step.stance_s
    load = total_load(values)
    regions = [_region(pct, values[:, k], load, float(setup.floor_n[k])) for k in range(4)]
    share = regions[Column.MIDFOOT].impulse_share
    peaks = _peaks(pct, load)
    return replace(
        step,
        roll=classify_roll(share, regions, setup),
        midfoot_impulse_share=share,
        heel=regions[0],
        midfoot=regions[1],
        forefoot=regions[2],
        toes=regions[3],
        heel_off_pct=regions[0].end_pct,
        peak1_n=peaks[0],
        valley_n=peaks[1],
        peak2_n=peaks[2],
        peak1_pct=peaks[3],
        valley_pct=peaks[4],
        peak2_pct=peaks[5],
        cop_y=_cop_y(pct, values, setup.cop_n),
    )


def classify_roll(share: float | None, regions: list[RegionTiming], setup: Setup) -> Roll:
    """Name the roll (design §5): by the midfoot's impulse share and the order of centre times."""
    if share is None:
        return Roll.UNCLEAR
    if share < setup.limits.roll_skipped:
        return Roll.SKIPPED
    heel, midfoot, forefoot = (r.centre_pct for r in regions[:3])
    if share < setup.limits.roll_through or None in (heel, midfoot, forefoot):
        return Roll.UNCLEAR
    assert heel is not None and midfoot is not None and forefoot is not None
    return Roll.THROUGH if heel < midfoot < forefoot else Roll.UNCLEAR


def _region(pct: FloatArray, force: FloatArray, load: FloatArray, floor_n: float) -> RegionTiming:
    """Time one region: on and off at twice its floor, centre weighted by load."""
    carried = np.maximum(force, 0.0)
    whole, impulse = float(np.maximum(load, 0.0).sum()), float(carried.sum())
    share = impulse / whole if whole > 0.0 else None
    up = np.flatnonzero(force >= max(2.0 * floor_n, 1e-9))
    if len(up) == 0:
        return RegionTiming(None, None, None, share)
    centre = float((carried * pct).sum() / impulse)
    return RegionTiming(float(pct[up[0]]), float(pct[up[-1]]), centre, share)


def _peaks(pct: FloatArray, load: FloatArray) -> tuple[float | None, ...]:
    """Find loading peak, valley and push-off peak: N, then % stance; None without a valley."""
    early, late = np.flatnonzero(pct < 50.0), np.flatnonzero(pct >= 50.0)
    if len(early) == 0 or len(late) == 0:
        return (None,) * 6
    first, second = early[np.argmax(load[early])], late[np.argmax(load[late])]
    valley = first + int(np.argmin(load[first : second + 1]))
    if load[valley] > (1.0 - HUMP_DEPTH) * min(load[first], load[second]):
        return (None,) * 6
    at = (first, valley, second)
    return (*(float(load[i]) for i in at), *(float(pct[i]) for i in at))


def _cop_y(pct: FloatArray, values: FloatArray, least_n: float) -> tuple[float | None, ...]:
    y = centre_of_pressure(values, least_n)[:, 1]
    known = ~np.isnan(y)
    if not np.any(known):
        return (None,) * len(COP_AT_PCT)
    at = np.interp(COP_AT_PCT, pct[known], y[known], left=np.nan, right=np.nan)
    return tuple(None if np.isnan(v) else float(v) for v in at)
