"""Which drives from the trail to the lead foot are a swing's, and where it ends (design §5).

Functions of an outline and of the rows from its lead peak on; the limits stand in `swinglimits.py`.
"""

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.limits import Setup
from plantigrade.rolling import longest, longest_span, still_windows
from plantigrade.swing import Outline
from plantigrade.swinglimits import (
    AFTER_PEAK_S,
    AGAIN_BW,
    BACK,
    CLEAR_FALL,
    DEEPER,
    DRIVE_S,
    DRIVEN_BW,
    DRIVEN_FALL,
    FAR_BACK,
    FORWARD,
    GAIT_S,
    HIDDEN_S,
    LEAD_SIDE,
    LEAN_S,
    LEAST_BACK,
    LEAST_FALL,
    LEAST_LOADED,
    LEAST_OVER,
    LEAST_PACE,
    LEAST_RISE,
    LEAST_TEMPO,
    LEAST_UNDER,
    LEDGE,
    LEFT_S,
    LEVEL_OF_RISE,
    LEVEL_S,
    LIFT_S,
    LOADING_S,
    NEVER_BACK,
    OFF_S,
    PRESS_MOST,
    PRESS_OF_RANGE,
    PRESSED_BW,
    REST_AT_TRAIL_S,
    SET_DOWN,
    SETTLED_RANGE,
    SETTLED_S,
    SLIDE,
    STEP_FALL,
    STEPPED_S,
    STILL_RANGE,
    STRIDE_BW,
    SURE_FALL,
    SWAY_BOTH,
    SWAY_LEAD,
    SWAY_PACE,
    SWAY_S,
    TO_LEAD_SIDE,
    TRAIL_SIDE,
    TURN_S,
    UNLOADED_S,
)
from plantigrade.swingrows import Col, SwingRows


def stillness_of(
    s: FloatArray, middle: FloatArray, width: int, reach: int, rest: int
) -> tuple[int, int, float | None] | None:
    """Return the last stillness before a trough: its first and last window, and a ledge's level.

    Parameters
    ----------
    s : ndarray of float64, shape (n + width − 1,)
        Lead share up to the trough.
    middle : ndarray of float64, shape (n,)
        Middle of s over each window of `width` rows; NaN where it is not still.
    width, reach : int
        The last window ends at most `reach` rows before the trough.
    rest : int
        A stillness of so many rows is no ledge.
    """
    with np.errstate(invalid="ignore"):
        still = middle >= s[-1] + LEAST_FALL
    found = np.flatnonzero(still[-reach - 1 :])
    if len(found) == 0:
        return None
    begin = len(still) - min(reach + 1, len(still))
    last, ledge = begin + int(found[-1]), None
    with np.errstate(invalid="ignore"):
        level = float(np.nanmedian(s[last : last + width]))
        higher = np.flatnonzero(middle[begin:last] >= level + LEDGE)
        if len(higher):
            before = begin + int(higher[-1])
            is_short = np.count_nonzero(still[before + 1 : last + 1]) + width <= rest
            if is_short and not (s[before + width : last] > s[before] + STILL_RANGE).any():
                last, ledge = before, level
    earlier = ~still[max(last - 2 * width, 0) : last]
    broken = np.flatnonzero(earlier)
    return last - len(earlier) + (int(broken[-1]) + 1 if len(broken) else 0), last, ledge


def is_drive(shape: Outline, setup: Setup) -> bool:
    """Whether a drive's outline is that of a swing (design §5)."""
    limits, rate_hz = setup.limits, setup.rate_hz
    address = shape.address
    loading = (shape.trail_peak - shape.start) / rate_hz
    drive = (shape.lead_peak - shape.shift) / rate_hz
    turn = (shape.lead_peak - shape.trail_peak) / rate_hz
    return (
        shape.highest - shape.lowest >= max(limits.swing_range, limits.swing_range_sd * address.sd)
        and _falls(shape, setup)
        and shape.press <= max(PRESS_MOST, PRESS_OF_RANGE * (shape.highest - shape.lowest))
        and not _returns_from_rest(shape)
        and not (address.level > LEAD_SIDE and shape.lowest > NEVER_BACK)
        and _is_over(shape)
        and LOADING_S[0] <= loading <= LOADING_S[1]
        and (shape.highest - shape.lowest >= LEAST_RISE or shape.loaded >= LEAST_LOADED)
        and shape.pace * rate_hz >= LEAST_PACE
        and shape.trail_peak_rows < REST_AT_TRAIL_S * rate_hz
        and DRIVE_S[0] <= drive <= DRIVE_S[1]
        and (turn < TURN_S or shape.lead_peak_n >= PRESSED_BW * setup.bw_n)
        and shape.trail_peak - shape.start >= LEAST_TEMPO * (shape.lead_peak - shape.trail_peak)
        and not _sways(shape, loading, rate_hz)
        and not (shape.forward >= FORWARD and shape.back < BACK)
    )


def _falls(shape: Outline, setup: Setup) -> bool:
    """Whether s went to the trail side first, and never lower than at the trail peak."""
    fall = shape.address.level - shape.lowest
    loading = (shape.trail_peak - shape.start) / setup.rate_hz
    is_clear = shape.lead_peak_n >= DRIVEN_BW * setup.bw_n or loading >= LEAN_S
    least = LEAST_FALL if is_clear else CLEAR_FALL
    return fall >= max(least, 2.0 * shape.address.sd) and shape.deeper <= DEEPER


def _returns_from_rest(shape: Outline) -> bool:
    """Whether a drive may only come back to the middle from a rest on the trail side."""
    level = shape.address.level
    fall = level - shape.lowest
    return level < TRAIL_SIDE and fall < FAR_BACK and shape.highest < TO_LEAD_SIDE


def _sways(shape: Outline, loading: float, rate_hz: float) -> bool:
    """Whether the body only swayed from foot to foot, pressing with no more than its weight."""
    both = shape.loaded * shape.address.level / shape.highest
    is_light = shape.loaded < SWAY_LEAD and both < SWAY_BOTH
    return is_light and (loading < SWAY_S or shape.pace * rate_hz < SWAY_PACE)


def _is_over(shape: Outline) -> bool:
    """Whether a drive went over to the lead foot, by its share or else by its load."""
    over = shape.highest - shape.address.level
    return over >= LEAST_OVER or (
        over >= LEAST_UNDER
        and shape.loaded >= LEAST_LOADED
        and shape.address.level - shape.lowest >= LEAST_BACK
    )


def top_of(lead: FloatArray, setup: Setup) -> int:
    """Return the row of a rise's top: its maximum, or where it comes to a level that it keeps."""
    level = level_of(lead, setup)
    return int(np.nanargmax(lead)) if level is None else level


def level_of(lead: FloatArray, setup: Setup) -> int | None:
    """Return the row at which a rise comes to a level that it keeps; None where it keeps none."""
    top = int(np.nanargmax(lead))
    with np.errstate(invalid="ignore"):
        level = lead >= lead[top] - LEVEL_OF_RISE * (lead[top] - lead[0])
    first = int(np.argmax(level))
    return first if level[first:].sum() >= setup.samples(LEVEL_S) else None


def down_by(rows: SwingRows, shape: Outline, peak: int, stop: int, setup: Setup) -> int | None:
    """Return the row by which the trail foot has shown whether it was lifted; None: not yet.

    After a small fall of s, which a gait's first step has too, one that has just left the
    ground, or is hidden, is waited for.
    """
    samples = setup.samples
    first = peak + samples(AFTER_PEAK_S)
    if first >= stop or shape.address.level - shape.lowest >= STEP_FALL:
        return None if first >= stop else first
    for at in range(first, stop):
        off = rows.may_be_off(False, peak, at + 1)
        begun = len(off) - int(np.argmin(off[::-1])) if not off.all() else 0
        known = rows.may_step(False, peak + begun, at + 1).any()
        if begun >= samples(LIFT_S) and known:
            return at
        if not 0 < len(off) - begun < samples(LIFT_S if known else HIDDEN_S):
            return at
    return None


def is_lifted(
    rows: SwingRows, shape: Outline, first: int, peak: int, by: int, setup: Setup
) -> bool:
    """Whether the trail foot was lifted off rather than left by a drive."""
    fall = shape.address.level - shape.lowest
    if fall >= SURE_FALL:
        return False
    begun, ended = longest_span(rows.may_step(False, first, by + 1))
    if ended - begun < setup.samples(LIFT_S):
        return False
    until = peak
    if fall < STEP_FALL:
        until = min(first + begun + setup.samples(LEFT_S), peak)
    lead = np.fmax.reduce(rows.column(Col.LEAD_EVEN, first, until + 1))
    return not (lead >= DRIVEN_BW * setup.bw_n and fall >= DRIVEN_FALL)


def slides(rows: SwingRows, shape: Outline, start: int, peak: int, setup: Setup) -> bool:
    """Whether the lead foot was hardly on the ground after the address and not driven down then."""
    if shape.lead_peak_n >= DRIVEN_BW * setup.bw_n:
        return False
    at_address = shape.lead_peak_n / shape.loaded
    with np.errstate(invalid="ignore"):
        light = rows.column(Col.LEAD_EVEN, start, peak) < SLIDE * at_address
    if longest(light) < setup.samples(OFF_S):
        return False
    return int(np.argmax(light)) < setup.samples(UNLOADED_S) or shape.loaded < SET_DOWN


def finish_of(rows: SwingRows, peak: int, stop: int, setup: Setup) -> tuple[int | None, int, str]:
    """Return the row that decides the finish (None if not yet), the finish, and its manner."""
    s = rows.column(Col.SHARE, peak, stop)
    trail = rows.column(Col.TRAIL_EVEN, peak, stop)
    choices: list[tuple[int, int, str]] = []
    width = setup.samples(SETTLED_S)
    settled = np.flatnonzero(still_windows(s, width, SETTLED_RANGE))
    if len(settled):
        choices.append((int(settled[0]) + width - 1, int(settled[0]), "settled"))
    with np.errstate(invalid="ignore"):
        off = trail < setup.contact_n
        on = trail >= 1.5 * setup.contact_n
    leaves = np.flatnonzero(off)
    while len(leaves):
        left = int(leaves[0])
        lands = np.flatnonzero(on[left:])
        if len(lands) == 0:
            break
        if lands[0] >= setup.samples(STEPPED_S):
            choices.append((left + int(lands[0]), left, "stepped"))
            break
        leaves = leaves[leaves > left + lands[0]]
    latest = setup.samples(setup.limits.finish_s)
    if len(s) > latest:
        choices.append((latest, latest, "time"))
    if not choices:
        return None, 0, ""
    decided, finish, manner = min(choices)
    return peak + decided, peak + finish, manner


def gait_by(
    rows: SwingRows, shape: Outline, trough: int, peak: int, decided: int, setup: Setup
) -> int:
    """Return the row by which a gait's first step has shown itself; `decided` where it can be none.

    It can be one where s fell little (the trail foot steps) or the lead foot may have been in the
    air at the trough, and the trail foot may be in the air after the lead peak.
    """
    fall = shape.address.level - shape.lowest
    lead = rows.column(Col.LEAD_EVEN, trough, trough + 1)[0]
    if (fall >= SURE_FALL and not lead < setup.air_n) or (
        shape.lead_peak_n >= STRIDE_BW * setup.bw_n
    ):
        return decided
    trail = rows.column(Col.TRAIL_EVEN, peak, decided + 1)
    if np.fmin.reduce(trail) >= setup.air_n:
        return decided
    return max(decided, peak + setup.samples(GAIT_S))


def walks_on(rows: SwingRows, trough: int, peak: int, decided: int, setup: Setup) -> bool:
    """Whether the lead foot goes back into the air before the finish: gait, not a swing.

    In a tight shoe a foot in the air is over the contact load, and reads alike each time.
    """
    lead = rows.column(Col.LEAD_EVEN, trough, decided + 1)
    least = min(setup.air_n, lead[0] + AGAIN_BW * setup.bw_n)
    with np.errstate(invalid="ignore"):
        again = lead[peak - trough :] < least
    return longest(again) >= setup.samples(OFF_S)
