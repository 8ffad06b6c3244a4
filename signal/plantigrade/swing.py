"""One swing, read from a window of rows that holds it whole: its moments, and what they bound."""

from dataclasses import dataclass, replace

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.events import HeelLift, Push, Swing
from plantigrade.heellift import measure_heel_lift
from plantigrade.limits import Setup
from plantigrade.load import share, total_load
from plantigrade.onset import onset, peak_at, smooth, upward_crossing
from plantigrade.predicates import is_from_heel, is_good_push, is_heel_loaded
from plantigrade.push import PushTimes, foot_y, measure_push, push_end
from plantigrade.swingmeasures import heel_share, steepest_rise, travel_of

SMOOTH_S = 0.030
"""Half width of the smoothing of shares and loads that moments are read from, s. Ours: it takes out
a sample's noise and keeps a drive's outline."""
REST_S = 0.30
"""Rows before a movement that show what it leaves from, s. Ours."""
PRESS = 0.012
"""A move of s to the lead side larger than this is a press before the start. Ours: it moves the
start's time; how large a press may be stands in `swinglimits`."""
SHIFTED = 0.05
"""The shift is where s has made this part of its rise to the lead foot. Ours: the definition of a
time, not of a class."""
TROUGH_BAND = 0.02
"""The trail peak is the middle of the time in which s is this close to its lowest. Ours: the
definition of a time, not of a class."""


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Rows from the stillness before a swing on.

    Attributes
    ----------
    first : int
        Absolute index of row 0.
    t_s : ndarray of float64, shape (n,)
    lead, trail : ndarray of float64, shape (n, 8)
        Load columns.
    s : ndarray of float64, shape (n,)
        Lead share, smoothed.
    lead_n, trail_n : ndarray of float64, shape (n,)
        Loads, smoothed, N.
    """

    first: int
    t_s: FloatArray
    lead: FloatArray
    trail: FloatArray
    s: FloatArray
    lead_n: FloatArray
    trail_n: FloatArray


@dataclass(frozen=True, slots=True)
class Address:
    """The stillness before a swing: rows of its window, the lead share's level and SD there."""

    start: int
    stop: int
    level: float
    sd: float
    ledge: float | None = None
    """The lead share at which the backswing first waited; None where it went on."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A swing's moments as fractional rows of its window."""

    address: Address
    start: float
    trail_peak: float
    trail_peak_rows: float
    lowest: float
    shift: float
    lead_peak: float
    lead_peak_n: float
    """The lead foot's load at the lead peak, N."""
    highest: float
    pace: float
    """How fast s rises over the middle of the drive, 1 / row."""
    press: float
    """How far s rose over its address level before the start."""
    loaded: float
    """The lead foot's load at the lead peak over its own load at address."""
    deeper: float
    """How far under its lowest s had been between the address and the trail peak."""
    forward: float
    """How far, in lengths, both feet's CoP had come forward by the lead peak, from address as well
    as from the trail peak: the least."""
    back: float
    """How far, in lengths, the trail foot's CoP had gone back behind its place at address before
    that; negative where it never came as far back."""


def window_of(
    first: int, t_s: FloatArray, lead: FloatArray, trail: FloatArray, setup: Setup
) -> Window:
    """Make a window from rows, smoothing what moments are read from."""
    half = setup.samples(SMOOTH_S)
    lead_n, trail_n = smooth(total_load(lead), half), smooth(total_load(trail), half)
    lead_n, trail_n = _filled(lead_n), _filled(trail_n)
    s = share(lead_n, trail_n, setup.cop_n)
    return Window(first, t_s, lead, trail, _filled(s), lead_n, trail_n)


def _filled(x: FloatArray) -> FloatArray:
    """Bridge missing rows on straight lines, so that moments beside a gap can still be placed."""
    gone = np.isnan(x)
    if not gone.any() or gone.all():
        return x
    rows = np.arange(len(x))
    filled: FloatArray = np.where(gone, np.interp(rows, rows[~gone], x[~gone]), x)
    return filled


def outline(window: Window, address: Address, trough: int, peak: int, setup: Setup) -> Outline:
    """Place a swing's moments.

    Parameters
    ----------
    window : Window
    address : Address
    trough : int
        Row of the lowest lead share.
    peak : int
        Row of the lead peak.
    """
    s = window.s
    lowest = float(s[trough])
    in_band = s <= lowest + TROUGH_BAND
    left = trough
    while left > address.stop - 1 and in_band[left - 1]:
        left -= 1
    right = trough
    while right < peak and in_band[right + 1]:
        right += 1
    fall = address.level - s[: trough + 1]
    rest = setup.samples(REST_S)
    # a press to the lead side may come first; the start is after it, and it is no part of the rest
    pressed = np.flatnonzero(fall[address.stop :] < -PRESS)
    first = address.stop + int(pressed[-1]) + 1 if len(pressed) else max(address.stop - 1, 0)
    height = address.level - (lowest if address.ledge is None else address.ledge)
    start = onset(np.maximum(fall, -PRESS), first, height, rest)
    rise = np.maximum(s[trough : peak + 1] - lowest, 0.0)
    highest = float(s[trough : peak + 1].max())
    begun = lowest + SHIFTED * (highest - lowest)
    shift = upward_crossing(s, begun, peak)
    turn = round((left + right) / 2.0)
    forward, back = _along(window, address, int(start), turn, peak, setup)
    return Outline(
        address=address,
        start=start,
        trail_peak=(left + right) / 2.0,
        trail_peak_rows=float(right - left + 1),
        lowest=lowest,
        shift=float(trough) if shift is None else shift,
        lead_peak=peak_at(window.lead_n, peak),
        lead_peak_n=float(window.lead_n[peak]),
        highest=highest,
        pace=_pace(rise, highest - lowest),
        press=float(-fall[address.stop : first + 1].min(initial=0.0)),
        loaded=float(window.lead_n[peak] / np.median(window.lead_n[: address.stop])),
        deeper=lowest - float(s[min(address.stop, trough) : trough + 1].min()),
        forward=forward,
        back=back,
    )


def _along(
    window: Window, address: Address, start: int, turn: int, peak: int, setup: Setup
) -> tuple[float, float]:
    """Return how far both feet's CoP came forward by the lead peak, and the trail foot's went back.

    A foot that carries too little at a moment has its last CoP before; 0, 0 where none is known.
    """
    still = slice(address.start, min(address.stop, start + 1))
    forward, back = np.inf, 0.0
    for columns in (window.lead, window.trail):
        y = foot_y(columns, setup)
        quiet, first, path = (
            _known(y[rows]) for rows in (still, slice(start, turn + 1), slice(start, peak + 1))
        )
        if min(len(quiet), len(first)) == 0:
            return 0.0, 0.0
        home = float(quiet.mean())
        forward = min(forward, float(path[-1]) - max(home, float(first[-1])))
        back = home - float(path.min())
    return forward, back


def _known(y: FloatArray) -> FloatArray:
    known: FloatArray = y[~np.isnan(y)]
    return known


def _pace(rise: FloatArray, height: float) -> float:
    """Return the mean slope of a rise between a fifth and four fifths of its height."""
    if height <= 0.0:
        return 0.0
    high = int(np.argmax(rise >= 0.8 * height))
    low = int(np.flatnonzero(rise[: high + 1] <= 0.2 * height)[-1])
    return 0.6 * height / max(high - low, 1)


def push_of(window: Window, shape: Outline, end: int, setup: Setup) -> Push:
    """Read the trail foot's push, from the start to row `end`."""
    begin = int(shape.start)
    push = measure_push(
        window.t_s[begin:], window.trail[begin:], _moments(shape), end - begin, setup
    )
    still, peak = _still(shape), round(shape.trail_peak)
    half = setup.samples(SMOOTH_S)
    beside = smooth(window.trail[max(peak - half, 0) : peak + half + 1, :4], half)
    push = replace(
        push,
        heel_share_address=heel_share(window.trail[still], setup.cop_n),
        heel_share_trail_peak=heel_share(beside[min(peak, half)][None], setup.cop_n),
    )
    return replace(
        push,
        is_good=is_good_push(push, setup.limits),
        from_heel=is_from_heel(push, setup.limits),
        heel_loaded=is_heel_loaded(push, setup.limits),
    )


def _still(shape: Outline) -> slice:
    """Return the rows of the stillness before the start."""
    return slice(shape.address.start, min(shape.address.stop, int(shape.start) + 1))


def push_end_of(window: Window, shape: Outline, stop: int, setup: Setup) -> int | None:
    """Return the row of the window, before `stop`, that ends the push; None where none does."""
    begin = int(shape.start)
    y = foot_y(window.trail[begin:], setup)[: stop - begin]
    end = push_end(y, window.trail_n[begin:stop], _moments(shape), setup)
    return None if end is None else begin + end


def _moments(shape: Outline) -> PushTimes:
    """Return the moments in rows from the swing's start on."""
    begin = int(shape.start)
    return PushTimes(shape.trail_peak - begin, shape.shift - begin, shape.lead_peak - begin)


def swing_of(
    window: Window,
    shape: Outline,
    push: Push,
    finish: int,
    manner: str,
    setup: Setup,
) -> Swing:
    """Put a swing together from its window, decided at the window's last row."""
    peak = round(shape.lead_peak)
    inside = slice(int(shape.start), finish + 1)
    missing = bool(
        np.any(np.isnan(window.lead[inside, 0])) or np.any(np.isnan(window.trail[inside, 0]))
    )
    heel = measure_heel_lift(
        window.t_s, window.lead, int(shape.start), peak, _level_s(window, shape), setup
    )
    tempo = (shape.trail_peak - shape.start) / (shape.lead_peak - shape.trail_peak)
    rows = slice(int(shape.start), peak + 1)
    lead, trail, t_s = window.lead[rows], window.trail[rows], window.t_s[rows]
    half, least_n = setup.samples(SMOOTH_S), setup.cop_n
    rise = steepest_rise(t_s, total_load(lead))
    lead_peak_s, finish_s = _time(window, shape.lead_peak), float(window.t_s[finish])
    if lead_peak_s is not None:  # it lies between rows, and s may settle from its row on
        finish_s = max(finish_s, lead_peak_s)
    return Swing(
        lead=setup.lead,
        address_s=float(window.t_s[shape.address.start]),
        start_s=_time(window, shape.start),
        trail_peak_s=_time(window, shape.trail_peak),
        trail_peak_width_s=shape.trail_peak_rows / setup.rate_hz,
        shift_s=_time(window, shape.shift),
        lead_peak_s=lead_peak_s,
        finish_s=finish_s,
        finish_manner=manner,
        load_tempo=tempo,
        address_share=shape.address.level,
        lowest_share=shape.lowest,
        highest_share=_highest(window, shape, finish),
        share_range=_highest(window, shape, finish) - shape.lowest,
        lead_peak_bw=float(window.lead_n[peak]) / setup.bw_n,
        trail_return_share=_trail_return(window, shape, finish, setup.limits.trail_return),
        heel_lift=heel,
        push=push,
        lead_cop_travel=travel_of((lead,), half, least_n, _loaded(t_s, heel)),
        trail_cop_travel=travel_of((trail,), half, least_n),
        touches_gap=missing,
        first_index=window.first + int(shape.start),
        confirmed_s=float(window.t_s[-1]),
        both_cop_travel=travel_of((lead, trail), half, least_n),
        trail_peak_bw=_trail_peak_bw(window, shape, setup),
        lead_rise_bw_s=None if rise is None else rise / setup.bw_n,
        lead_heel_share_address=heel_share(window.lead[_still(shape)], least_n),
    )


def _time(window: Window, row: float) -> float | None:
    """Time of a fractional row; None where missing samples lie beside it."""
    below = min(int(row), len(window.t_s) - 2)
    beside = slice(max(below - 1, 0), below + 3)
    if np.isnan(window.lead[beside, 0]).any() or np.isnan(window.trail[beside, 0]).any():
        return None
    return float(window.t_s[below] + (row - below) * (window.t_s[below + 1] - window.t_s[below]))


def _level_s(window: Window, shape: Outline) -> float | None:
    """When s regains its address level after the shift."""
    first = int(shape.shift)
    back = np.flatnonzero(window.s[first:] >= shape.address.level)
    return float(window.t_s[first + back[0]]) if len(back) else None


def _highest(window: Window, shape: Outline, finish: int) -> float:
    """Return the highest share from the shift to the finish."""
    return float(np.nanmax(window.s[int(shape.shift) : max(finish, round(shape.lead_peak)) + 1]))


def _trail_return(window: Window, shape: Outline, finish: int, least: float) -> float | None:
    """How far s falls back after its first maximum (the reverse style); None under `least`."""
    s = window.s[int(shape.shift) : finish + 1]
    s = s[~np.isnan(s)]
    if len(s) < 2:
        return None
    fall = float((np.maximum.accumulate(s) - s).max())
    return fall if fall >= least else None


def _loaded(t_s: FloatArray, heel: HeelLift) -> np.ndarray | None:
    """Return the rows outside the lead foot's unloaded interval; None where it has none."""
    if heel.lift_s is None:
        return None
    until = np.inf if heel.return_s is None else heel.return_s
    apart: np.ndarray = (t_s < heel.lift_s) | (t_s > until)
    return apart


def _trail_peak_bw(window: Window, shape: Outline, setup: Setup) -> float | None:
    """Return the trail load at the trail peak, × BW; None where missing samples lie beside it."""
    if _time(window, shape.trail_peak) is None:
        return None
    return float(window.trail_n[round(shape.trail_peak)]) / setup.bw_n
