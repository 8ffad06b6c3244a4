"""The push, from a trail foot's loads drawn by hand: times, manner and timing at their limits."""

from dataclasses import fields, replace

import numpy as np
import pytest

from plantigrade.block import Column, FloatArray, Foot
from plantigrade.events import Manner, Push, Timing
from plantigrade.limits import Setup, setup_for
from plantigrade.push import UNCLEAR, PushTimes, measure_push, push_end, travel
from plantigrade.zones import eighteen

RATE_HZ = 100.0
BW_N = 700.0
HEEL_Y, FORE_Y = 0.10, 0.70
# Rows: start 0, trail peak 60, shift 80, lead peak 110.
MOMENTS = PushTimes(60.0, 80.0, 110.0)
SHIFT_TO_PEAK = 30
N = 160


def setup() -> Setup:
    return setup_for(eighteen(), RATE_HZ, BW_N, Foot.LEFT)


def trail(
    y: FloatArray,
    load_n: float | FloatArray = 500.0,
    x: float | FloatArray = 0.5,
    midfoot: float = 0.0,
    toes: float = 0.0,
) -> FloatArray:
    """Rows of a foot whose CoP is at (x, y): heel and ball share what the others leave."""
    load = np.broadcast_to(np.asarray(load_n, dtype=np.float64), y.shape)
    values = np.zeros((len(y), 8))
    fore = np.clip((y - HEEL_Y) / (FORE_Y - HEEL_Y), 0.0, 1.0)
    values[:, Column.HEEL] = (1.0 - fore) * (1.0 - midfoot - toes) * load
    values[:, Column.MIDFOOT] = midfoot * load
    values[:, Column.FOREFOOT] = fore * (1.0 - midfoot - toes) * load
    values[:, Column.TOES] = toes * load
    values[:, Column.MOMENT_X] = x * load
    values[:, Column.MOMENT_Y] = y * load
    return values


def ramp(begin: float, rows: float, low: float = 0.15, high: float = 0.65) -> FloatArray:
    """CoP y stays low, travels from row `begin` on in so many rows, and stays high."""
    part = np.clip((np.arange(N) - begin) / rows, 0.0, 1.0)
    y: FloatArray = low + (high - low) * part
    return y


def measured(values: FloatArray, moments: PushTimes = MOMENTS, end: int = N - 1) -> Push:
    return measure_push(np.arange(len(values)) / RATE_HZ, values, moments, end, setup())


def nothing_is_nan(push: Push) -> bool:
    told = [getattr(push, f.name) for f in fields(push)]
    return not any(isinstance(v, float) and np.isnan(v) for v in told)


# ---- where it ends (design: the limits are ours, no published source) ----

HEAVY = np.full(N, 500.0)


@pytest.mark.parametrize(
    ("y", "end"),
    [
        # 70 % passed at row 92, all of it at row 95: over when the lead peak comes
        (ramp(85, 10), 110),
        # all of it at row 110: 120 ms after the last growth
        (ramp(100, 10), 122),
        # no travel by one sample after the lead peak, or hardly any
        (ramp(150, 5), 111),
        (ramp(100, 160), 111),
        # on its way at the lead peak and not done 0.20 s after it
        (ramp(98, 70), 130),
        # back under its 70 % again: not settled
        (ramp(85, 10) - ramp(104, 4, 0.0, 0.3), 130),
    ],
)
def test_the_push_ends_at_the_first_row_that_shows_it_over(y, end):
    assert push_end(y, HEAVY, MOMENTS, setup()) == end
    # the rows after it change nothing, and without it the end is not known
    assert push_end(y[: end + 1], HEAVY[: end + 1], MOMENTS, setup()) == end
    assert push_end(y[:end], HEAVY[:end], MOMENTS, setup()) is None


@pytest.mark.parametrize(("row", "end"), [(70, 80), (90, 90), (115, 115), (140, 122)])
def test_the_push_ends_where_the_foot_lets_go_after_the_shift(row, end):
    load = np.where(np.arange(N) < row, 500.0, 0.099 * BW_N)
    assert push_end(ramp(100, 10), load, MOMENTS, setup()) == end


def test_a_load_under_the_limit_before_the_shift_does_not_end_it():
    load = np.where(np.arange(N) < 75, 0.05 * BW_N, 500.0)
    assert push_end(ramp(100, 10), load, MOMENTS, setup()) == 122


def test_missing_rows_leave_the_time_to_end_it():
    y = ramp(85, 10)
    y[100] = np.nan
    assert push_end(y, HEAVY, MOMENTS, setup()) == 130


@pytest.mark.parametrize(("growth", "end"), [(0.019, 110), (0.021, 130)])
def test_a_travel_that_still_grows_has_not_settled(growth, end):
    """By .02 of the length in 120 ms: after row 95 it creeps on by so much in 12 rows."""
    creep = np.maximum(np.arange(N) - 95.0, 0.0) * growth / 12.0
    assert push_end(ramp(85, 10) + creep, HEAVY, MOMENTS, setup()) == end


@pytest.mark.parametrize(("begun", "end"), [(0.09, 130), (0.10, 111)])
def test_when_a_travel_has_begun_may_be_set(begun, end):
    """One sample after the lead peak, 13 of 70 rows have made .093 of a way of .5."""
    made = replace(setup(), limits=replace(setup().limits, push_begun=begun))
    assert push_end(ramp(98, 70), HEAVY, MOMENTS, made) == end


def test_a_travel_that_reaches_what_makes_it_begun_has_begun():
    """One sample after the lead peak it is an eighth of the length from its rearmost place."""
    made = replace(setup(), limits=replace(setup().limits, push_begun=0.125))
    row = push_end(ramp(98, 70), HEAVY, MOMENTS, made)
    assert row == 111  # .093 of the length: not begun
    y = np.where(np.arange(N) < row, 0.25, 0.375)
    assert push_end(y, HEAVY, MOMENTS, made) == 130
    assert push_end(y - np.where(y > 0.3, 0.001, 0.0), HEAVY, MOMENTS, made) == 111


# ---- times ----


def test_heel_leave_and_fore_take_are_30_and_70_percent_of_the_foot_s_own_travel():
    """A straight ramp of 40 rows passes them at 12 and 28: 16 rows of transfer."""
    push = measured(trail(ramp(75.0, 40.0)))
    assert push.heel_leave_s == pytest.approx(0.87, abs=1e-9)
    assert push.fore_take_s == pytest.approx(1.03, abs=1e-9)
    assert push.transfer_s == pytest.approx(0.16, abs=1e-9)
    assert push.transfer_of_shift == pytest.approx(16.0 / SHIFT_TO_PEAK)
    assert (push.travel_from, push.travel_to) == pytest.approx((0.15, 0.65))
    assert push.end_s == pytest.approx((N - 1) / RATE_HZ)
    assert nothing_is_nan(push)


@pytest.mark.parametrize(("low", "high"), [(0.02, 0.95), (0.30, 0.60), (0.55, 0.80)])
def test_times_do_not_hang_on_where_in_the_foot_the_travel_runs(low, high):
    push = measured(trail(ramp(75.0, 40.0, low, high)))
    assert push.transfer_s == pytest.approx(0.16, abs=1e-9)
    assert (push.travel_from, push.travel_to) == pytest.approx((low, high))


def test_fore_take_is_for_good():
    """A first touch of the forefoot that goes back does not count; heel leave is the last too."""
    y = ramp(75.0, 40.0)
    y[62:70] = 0.60
    push = measured(trail(y))
    assert push.heel_leave_s == pytest.approx(0.87, abs=0.01)
    assert push.fore_take_s == pytest.approx(1.03, abs=1e-9)


def test_load_does_not_move_the_times_and_is_told_at_fore_take():
    load = np.interp(np.arange(N), [0, 60, 140, N], [350.0, 600.0, 120.0, 100.0])
    push = measured(trail(ramp(75.0, 40.0), load))
    assert push.heel_leave_s == pytest.approx(0.87, abs=0.002)
    assert push.fore_take_s == pytest.approx(1.03, abs=0.002)
    assert push.load_at_fore_take == pytest.approx((600.0 - 43 * 6.0) / 600.0, abs=0.01)


def test_the_medial_side_is_told_at_trail_peak_and_at_fore_take():
    x = np.interp(np.arange(N), [60.0, 103.0], [0.65, 0.30])
    push = measured(trail(ramp(75.0, 40.0), x=x))
    assert push.cop_x_trail_peak == pytest.approx(0.65, abs=0.01)
    assert push.medial_share_trail_peak == pytest.approx(0.35, abs=0.01)
    assert push.cop_x_fore_take == pytest.approx(0.30, abs=0.01)
    assert push.medial_share_fore_take == pytest.approx(0.70, abs=0.01)


def test_the_path_runs_from_the_trail_peak_to_the_end():
    push = measured(trail(ramp(75.0, 40.0)))
    assert len(push.path_t_s) == len(push.path_y)
    assert push.path_t_s[0] == 0.60 and push.path_t_s[-1] == push.end_s
    assert min(push.path_y) == pytest.approx(0.15) and max(push.path_y) == pytest.approx(0.65)
    early = measured(trail(ramp(20.0, 30.0)))
    assert early.heel_leave_s == pytest.approx(0.29)
    assert early.path_t_s[0] == pytest.approx(0.29 - 0.10, abs=0.01)


# ---- manner ----


@pytest.mark.parametrize(
    ("transfer_rows", "expected"),
    [
        (10.0, Manner.SKIPPED),
        (28.9, Manner.SKIPPED),
        (29.1, Manner.UNCLEAR),
        (30.9, Manner.UNCLEAR),
        (31.1, Manner.ROLLED),
        (60.0, Manner.ROLLED),
    ],
)
def test_manner_by_the_transfer_s_part_of_the_shift(transfer_rows, expected):
    """Rolled from .20 of shift → lead peak on, here 30 of 150 rows; within one row unclear."""
    y = 0.15 + 0.5 * np.clip((np.arange(260) - 60.0) / (transfer_rows / 0.4), 0.0, 1.0)
    push = measured(trail(y), PushTimes(20.0, 40.0, 190.0), 259)
    assert push.transfer_s == pytest.approx(transfer_rows / RATE_HZ, abs=1e-9)
    assert push.manner is expected


@pytest.mark.parametrize(
    ("transfer_rows", "expected"), [(2.0, Manner.SKIPPED), (16.0, Manner.ROLLED)]
)
def test_manner_in_a_usual_downswing(transfer_rows, expected):
    """0.3 s: a sudden travel is smoothed to a few rows, and still skips."""
    push = measured(trail(ramp(85.0, transfer_rows / 0.4)))
    assert push.transfer_s is not None
    assert push.transfer_s * RATE_HZ == pytest.approx(transfer_rows, abs=0.6)
    assert push.manner is expected


@pytest.mark.parametrize(
    ("way", "held"), [(0.0, True), (0.149, True), (0.151, False), (0.5, False)]
)
def test_held_when_the_travel_is_under_15_percent_of_the_foot(way, held):
    push = measured(trail(ramp(75.0, 40.0, 0.2, 0.2 + way)))
    assert (push.manner is Manner.HELD) is held
    if held:
        assert push.timing is Timing.UNCLEAR
        assert push.transfer_s is None and push.heel_leave_s is None
        assert push.travel_to is not None and push.path_y


def test_the_path_of_a_push_at_once_begins_with_the_first_row():
    """Heel leave is in row 8, and a tenth of a second before it there was no swing."""
    push = measured(trail(ramp(2.0, 20.0)))
    assert push.heel_leave_s == pytest.approx(0.08, abs=0.002)
    assert push.path_t_s[0] == 0.0


def test_a_travel_of_just_the_least_is_one():
    values = trail(ramp(75.0, 40.0, 0.2, 0.35))
    found = measured(values)
    assert found.travel_from is not None and found.travel_to is not None
    way = found.travel_to - found.travel_from
    for least, held in ((way, False), (np.nextafter(way, 1.0), True)):
        made = replace(setup(), limits=replace(setup().limits, push_travel=float(least)))
        push = measure_push(np.arange(N) / RATE_HZ, values, MOMENTS, N - 1, made)
        assert (push.manner is Manner.HELD) is held


@pytest.mark.parametrize(
    ("leave_row", "expected"),
    [(108.5, None), (109.5, Manner.UNCLEAR), (110.5, Manner.UNCLEAR), (111.5, Manner.HELD)],
)
def test_held_when_the_travel_has_not_begun_by_the_lead_peak(leave_row, expected):
    """Heel leave within a row of the lead peak is unclear."""
    push = measured(trail(ramp(leave_row - 12.0, 40.0)))
    assert push.heel_leave_s == pytest.approx(leave_row / RATE_HZ, abs=1e-9)
    assert push.manner is (expected or Manner.ROLLED)


# ---- timing ----


@pytest.mark.parametrize(
    ("take_row", "expected"),
    [
        (40.0, Timing.EARLY),
        (78.9, Timing.EARLY),
        (79.1, Timing.UNCLEAR),
        (80.9, Timing.UNCLEAR),
        (81.1, Timing.WITH_SHIFT),
        (103.0, Timing.WITH_SHIFT),
    ],
)
def test_early_when_fore_take_comes_before_the_shift(take_row, expected):
    push = measured(trail(ramp(take_row - 28.0, 40.0)))
    assert push.fore_take_s == pytest.approx(take_row / RATE_HZ, abs=1e-9)
    assert push.timing is expected


# ---- midfoot and toes ----


def test_midfoot_and_toes_are_told_over_their_floors():
    floor = setup().floor_n
    over = trail(ramp(75.0, 40.0), 500.0, midfoot=1.05 * floor[1] / 500.0, toes=0.0)
    assert measured(over).midfoot_over_floor is True
    assert measured(over).toes_over_floor is False
    under = trail(ramp(75.0, 40.0), 500.0, midfoot=0.95 * floor[1] / 500.0, toes=0.02)
    assert measured(under).midfoot_over_floor is False
    assert measured(under).toes_over_floor is True


def test_a_layout_without_toes_tells_nothing_of_toes():
    made = replace(setup(), has_toes=False)
    push = measure_push(np.arange(N) / RATE_HZ, trail(ramp(75.0, 40.0)), MOMENTS, N - 1, made)
    assert push.toes_over_floor is None


def test_a_foot_without_midfoot_can_roll():
    """Judged by how the CoP travels, never by midfoot load that it does not have."""
    push = measured(trail(ramp(75.0, 40.0), midfoot=0.0))
    assert push.manner is Manner.ROLLED and push.midfoot_over_floor is False


# ---- where it ends, and what it cannot see ----


def test_nothing_after_its_end_counts():
    y = ramp(75.0, 40.0)
    y[130:] = 0.95
    push = measured(trail(y), end=125)
    assert push.travel_to == pytest.approx(0.65)
    assert push.end_s == pytest.approx(1.25)


def test_it_ends_where_the_foot_has_no_cop_any_more():
    load = np.full(N, 500.0)
    load[120:] = 10.0
    push = measured(trail(ramp(75.0, 40.0), load))
    assert push.end_s is not None and 1.15 < push.end_s < 1.23
    assert push.transfer_s == pytest.approx(0.16, abs=0.01)
    assert nothing_is_nan(push)


@pytest.mark.parametrize("row", [0, 50, 90, 124])
def test_missing_rows_make_it_unclear(row):
    values = trail(ramp(75.0, 40.0))
    values[row] = np.nan
    assert measured(values, end=125) == UNCLEAR


def test_missing_rows_after_its_end_do_no_harm():
    values = trail(ramp(75.0, 40.0))
    values[130] = np.nan
    assert measured(values, end=125).manner is Manner.ROLLED


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("load", [0.0, 20.0, -10.0])
def test_a_foot_without_load_is_unclear(load):
    assert measured(trail(ramp(75.0, 40.0), load)) == UNCLEAR


@pytest.mark.parametrize("n", [0, 1, 3])
def test_too_few_rows_are_unclear(n):
    assert measured(trail(ramp(75.0, 40.0))[:n], end=n) == UNCLEAR


def test_four_rows_are_enough():
    assert measured(trail(ramp(75.0, 40.0))[:4], end=4).manner is Manner.HELD


def test_rows_are_not_changed():
    values = trail(ramp(75.0, 40.0))
    values.setflags(write=False)
    measured(values)


@pytest.mark.parametrize(
    ("y", "ends"),
    [
        ([0.1, 0.9], (0, 1)),
        ([0.5, 0.1, 0.9, 0.2], (1, 2)),
        ([0.2, 0.6, 0.1, 0.9], (2, 3)),
        ([0.3, 0.9, 0.1, 0.5], (0, 1)),
        ([0.9, 0.5, 0.1], (0, 0)),
        ([0.4, 0.4], (0, 0)),
    ],
)
def test_travel_is_the_largest_rise(y, ends):
    """From a rearmost point to the foremost point after it."""
    assert travel(np.array(y)) == ends
