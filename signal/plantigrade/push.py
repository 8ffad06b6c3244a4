"""The trail foot's push: how its load travels from heel to toe, and when.

It is load, not propulsion: no shear and no hip is seen. Nothing published says what is normal.
"""

from dataclasses import dataclass, replace

import numpy as np

from plantigrade.block import Column, FloatArray
from plantigrade.events import Manner, Push, Timing
from plantigrade.limits import Setup
from plantigrade.load import centre_of_pressure, total_load
from plantigrade.onset import smooth, upward_crossing
from plantigrade.swingmeasures import impulse_share

SMOOTH_S = 0.020
"""Half width of the smoothing of load and moments, s. Ours: it takes out a sample's noise and no
class hangs on it."""
LEAD_IN_S = 0.10
"""The path begins this long before heel leave, or at the trail peak if that is sooner, s. Ours: it
is what is drawn and heard of a push, not what the push is called."""
LEAST_ROWS = 4
"""Fewer rows show no travel: two for each end. Ours."""
SETTLED_S, SETTLED_GROWTH = 0.12, 0.02
"""A travel is over when its last part was passed so long ago, s, and has grown by less since, as a
fraction of the length. Ours: they set when a push is told of, so that its cue is not late."""
LATEST_S = 0.20
"""The push ends at most so long after the lead peak, s. Ours: no later row is waited for."""
UNCLEAR = Push(
    manner=Manner.UNCLEAR,
    timing=Timing.UNCLEAR,
    heel_leave_s=None,
    fore_take_s=None,
    transfer_s=None,
    transfer_of_shift=None,
    load_at_fore_take=None,
    travel_from=None,
    travel_to=None,
    midfoot_over_floor=None,
    toes_over_floor=None,
    medial_share_trail_peak=None,
    medial_share_fore_take=None,
    cop_x_trail_peak=None,
    cop_x_fore_take=None,
    path_t_s=(),
    path_y=(),
    end_s=None,
)
"""A push that the samples do not show: too little load, or missing samples."""


@dataclass(frozen=True, slots=True)
class PushTimes:
    """The swing's moments that a push is read against, as fractional rows of its window."""

    trail_peak: float
    shift: float
    lead_peak: float


def measure_push(
    t_s: FloatArray, trail: FloatArray, moments: PushTimes, end: int, setup: Setup
) -> Push:
    """Read the push from a window of the trail foot's rows.

    Parameters
    ----------
    t_s : ndarray of float64, shape (n,)
    trail : ndarray of float64, shape (n, 8)
        Load columns from the swing's start on.
    moments : PushTimes
    end : int
        Row at which the push ends; see `push_end`.
    setup : Setup

    Returns
    -------
    Push
        `UNCLEAR` where samples are missing inside the window or the foot has no CoP in it.
    """
    trail, t_s = trail[: end + 1], t_s[: end + 1]
    if len(trail) < LEAST_ROWS or np.any(np.isnan(trail[:, 0])):
        return UNCLEAR
    even = smooth(trail[:, :6], setup.samples(SMOOTH_S))
    load = total_load(even)
    defined = load >= setup.cop_n
    if not defined.all():
        stop = int(np.argmin(defined))
        if stop < LEAST_ROWS:
            return UNCLEAR
        even, load, t_s = even[:stop], load[:stop], t_s[:stop]
    x = np.clip(even[:, Column.MOMENT_X] / load, 0.0, 1.0)
    y = np.clip(even[:, Column.MOMENT_Y] / load, 0.0, 1.0)
    rear, front = travel(y)
    peak = min(max(round(moments.trail_peak), 0), len(y) - 1)
    push = replace(
        UNCLEAR,
        travel_from=float(y[rear]),
        travel_to=float(y[front]),
        medial_share_trail_peak=float(1.0 - x[peak]),
        cop_x_trail_peak=float(x[peak]),
        path_t_s=tuple(t_s[peak:].tolist()),
        path_y=tuple(y[peak:].tolist()),
        end_s=float(t_s[-1]),
    )
    if y[front] - y[rear] < setup.limits.push_travel:
        return replace(push, manner=Manner.HELD)
    return _transfer(push, even, x, y, load, t_s, (rear, front), peak, moments, setup)


def foot_y(columns: FloatArray, setup: Setup) -> FloatArray:
    """Return the smoothed CoP y of one foot's load columns; NaN where it has none."""
    even = smooth(columns[:, :6], setup.samples(SMOOTH_S))
    y: FloatArray = centre_of_pressure(even, setup.cop_n)[:, 1]
    return y


def push_end(y: FloatArray, load_n: FloatArray, moments: PushTimes, setup: Setup) -> int | None:
    """Return the first row that ends the push (design §5), or None where none did yet.

    Each row is judged by itself and those before it, so that the end is never revised.

    Parameters
    ----------
    y : ndarray of float64, shape (n,)
        Smoothed CoP y from the swing's start on; where it is NaN only load and time end the push.
    load_n : ndarray of float64, shape (n,)
        Smoothed load of the same rows, N.
    moments : PushTimes
    setup : Setup
    """
    shift, peak = int(moments.shift), moments.lead_peak
    latest = int(np.ceil(peak + LATEST_S * setup.rate_hz))
    with np.errstate(invalid="ignore"):
        let_go = np.flatnonzero(load_n[shift:] < setup.limits.push_end_bw * setup.bw_n)
    last = min(latest, shift + int(let_go[0]) if len(let_go) else latest)
    after = int(np.ceil(peak + 1.0))
    for row in range(int(np.ceil(peak)), min(last, len(y))):
        so_far = y[: row + 1]
        rear, front = travel(so_far)
        span = so_far[front] - so_far[rear]
        if span >= setup.limits.push_travel:
            if _has_settled(so_far, float(so_far[rear] + setup.limits.push_take * span), setup):
                return row
        elif row == after and so_far[row] < so_far.min() + setup.limits.push_begun:
            return row
    return last if last < len(y) else None


def _has_settled(y: FloatArray, level: float, setup: Setup) -> bool:
    """Whether a travel passed a level for good a while ago, and hardly grew since."""
    row, wait = len(y) - 1, setup.samples(SETTLED_S)
    take = upward_crossing(y, level, row)
    if take is None or row - take < wait or y[int(np.ceil(take)) :].min() < level:
        return False
    return bool(y.max() - y[: row + 1 - wait].max() < SETTLED_GROWTH)


def travel(y: FloatArray) -> tuple[int, int]:
    """Return the rows of the largest rise: a rearmost point and the foremost point after it."""
    lowest = np.minimum.accumulate(y)
    front = int(np.argmax(y - lowest))
    return int(np.argmin(y[: front + 1])), front


def _transfer(
    push: Push,
    even: FloatArray,
    x: FloatArray,
    y: FloatArray,
    load: FloatArray,
    t_s: FloatArray,
    ends: tuple[int, int],
    peak: int,
    moments: PushTimes,
    setup: Setup,
) -> Push:
    """Add when the travel passes its limits, and name manner and timing."""
    rear, front = ends
    limits = setup.limits
    span = y[front] - y[rear]
    take = upward_crossing(y, float(y[rear] + limits.push_take * span), front)
    leave = upward_crossing(
        y,
        float(y[rear] + limits.push_leave * span),
        front if take is None else int(np.ceil(take)),
    )
    if take is None or leave is None:
        return push
    rows = np.arange(len(t_s), dtype=np.float64)
    shift_to_peak = moments.lead_peak - moments.shift
    share = (take - leave) / shift_to_peak
    later = slice(int(leave), front + 1)
    floor = setup.floor_n
    x_take = float(np.interp(take, rows, x))
    # an early push is told from before it, for else only its end would be heard
    begin = max(min(peak, int(leave) - setup.samples(LEAD_IN_S)), 0)
    return replace(
        push,
        path_t_s=tuple(t_s[begin:].tolist()),
        path_y=tuple(y[begin:].tolist()),
        manner=_manner(leave, take, moments, limits.push_rolled),
        timing=_timing(take, moments.shift),
        heel_leave_s=float(np.interp(leave, rows, t_s)),
        fore_take_s=float(np.interp(take, rows, t_s)),
        transfer_s=(take - leave) / setup.rate_hz,
        transfer_of_shift=share,
        load_at_fore_take=float(np.interp(take, rows, load)) / float(load[peak]),
        midfoot_over_floor=bool(even[later, Column.MIDFOOT].max() > floor[Column.MIDFOOT]),
        toes_over_floor=bool(even[later, Column.TOES].max() > floor[Column.TOES])
        if setup.has_toes
        else None,
        medial_share_fore_take=1.0 - x_take,
        cop_x_fore_take=x_take,
        midfoot_impulse_share=impulse_share(even, Column.MIDFOOT, leave, take),
    )


def _manner(leave: float, take: float, moments: PushTimes, rolled: float) -> Manner:
    """Name the manner; within one sample of a limit it is unclear (design §5)."""
    if abs(leave - moments.lead_peak) <= 1.0:
        return Manner.UNCLEAR
    if leave > moments.lead_peak:
        return Manner.HELD
    beyond = (take - leave) - rolled * (moments.lead_peak - moments.shift)
    if abs(beyond) <= 1.0:
        return Manner.UNCLEAR
    return Manner.ROLLED if beyond > 0.0 else Manner.SKIPPED


def _timing(take: float, shift: float) -> Timing:
    if abs(take - shift) <= 1.0:
        return Timing.UNCLEAR
    return Timing.EARLY if take < shift else Timing.WITH_SHIFT
