"""The lead heel in the backswing: unloaded or not, when, and how long.

It is unloading that is seen, not height. Nothing published says what is normal.
"""

from dataclasses import replace

import numpy as np

from plantigrade.block import Column, FloatArray
from plantigrade.events import HeelLift, HeelLiftState
from plantigrade.limits import Setup
from plantigrade.load import total_load
from plantigrade.onset import smooth

SMOOTH_S = 0.020
"""Half width of the smoothing of the heel's load, s. Ours: it takes out a sample's noise and moves
a crossing by less than a sample; no class hangs on it."""


def measure_heel_lift(
    t_s: FloatArray,
    lead: FloatArray,
    address_rows: int,
    lead_peak: int,
    level_s: float | None,
    setup: Setup,
) -> HeelLift:
    """Read the heel lift from a window of the lead foot's rows.

    Parameters
    ----------
    t_s : ndarray of float64, shape (n,)
        From the address to the finish.
    lead : ndarray of float64, shape (n, 8)
        Load columns of the same rows.
    address_rows : int
        Row of the swing's start.
    lead_peak : int
        Row of the lead peak: a lift begins before it; its return may come after.
    level_s : float or None
        When the lead share regains its address level.
    setup : Setup
    """
    limit = setup.heel_lift_n
    seen = setup.limits.heel_lift_seen * limit
    result = HeelLift(HeelLiftState.UNCLEAR, None, None, None, None, None, limit)
    if np.any(np.isnan(lead[address_rows : lead_peak + 1, 0])) or lead_peak <= address_rows:
        return result
    missing = np.flatnonzero(np.isnan(lead[:, 0]))
    if len(missing):
        # What lies before a gap in the stillness, or behind one after the peak, is done without.
        first = int(missing[missing < address_rows].max(initial=-1)) + 1
        after = missing[missing > lead_peak]
        last = int(after[0]) if len(after) else len(lead)
        t_s, lead = t_s[first:last], lead[first:last]
        address_rows, lead_peak = address_rows - first, lead_peak - first
    even = smooth(lead[:, :4], setup.samples(SMOOTH_S))
    heel, load = even[:, Column.HEEL], total_load(even)
    lowest = float(heel[address_rows : lead_peak + 1].min())
    result = replace(result, lowest_load_bw=max(lowest, 0.0) / setup.bw_n)
    run = _longest_under(heel, limit, address_rows, lead_peak, setup)
    if run is None:
        return replace(result, state=HeelLiftState.DOWN)
    start, stop = run
    if heel[: max(address_rows, 1)].mean() < seen or start <= address_rows:
        return result
    inside = slice(start, min(stop, lead_peak + 1))
    carried = load[inside] >= setup.limits.heel_lift_foot_bw * setup.bw_n
    front = (even[inside, Column.FOREFOOT] + even[inside, Column.TOES])[carried].sum()
    if carried.mean() < setup.limits.heel_lift_carried:
        return result
    if front < setup.limits.heel_lift_front * load[inside][carried].sum():
        return result
    lift = _time_at(t_s, heel, start, limit)
    back = _time_at(t_s, heel, stop, limit) if stop < len(heel) else None
    return replace(
        result,
        state=HeelLiftState.LIFTED,
        lift_s=lift,
        return_s=back,
        duration_s=None if back is None else back - lift,
        return_after_level_s=None if back is None or level_s is None else back - level_s,
    )


def _longest_under(
    heel: FloatArray, limit: float, first: int, lead_peak: int, setup: Setup
) -> tuple[int, int] | None:
    """Return the longest stretch under the limit that begins by the lead peak, or None.

    Rows start…stop−1; short touches are bridged; `stop` is len(heel) where it never returns.
    """
    under = heel < limit
    edges = np.flatnonzero(np.diff(np.concatenate(([0], under[first:].astype(np.int8), [0]))))
    runs: list[list[int]] = []
    bridge = setup.samples(setup.limits.heel_lift_bridge_s)
    for start, stop in zip(
        (edges[::2] + first).tolist(), (edges[1::2] + first).tolist(), strict=True
    ):
        if runs and start - runs[-1][1] < bridge:
            runs[-1][1] = stop
        elif start <= lead_peak:
            runs.append([start, stop])
    least = setup.limits.heel_lift_s * setup.rate_hz
    runs = [r for r in runs if min(r[1], lead_peak + 1) - r[0] >= least]
    if not runs:
        return None
    longest = max(runs, key=lambda r: r[1] - r[0])
    return longest[0], longest[1]


def _time_at(t_s: FloatArray, heel: FloatArray, row: int, limit: float) -> float:
    """Interpolate where the heel passes the limit between rows row − 1 and row."""
    before, after = float(heel[row - 1]), float(heel[row])
    part = 1.0 if before == after else (limit - before) / (after - before)
    return float(t_s[row - 1] + part * (t_s[row] - t_s[row - 1]))
