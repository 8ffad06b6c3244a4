"""The heel lift, from a lead foot's loads drawn by hand: times and each limit."""

from dataclasses import replace

import numpy as np
import pytest

from plantigrade.block import Column, FloatArray, Foot
from plantigrade.events import HeelLift, HeelLiftState
from plantigrade.heellift import measure_heel_lift
from plantigrade.limits import Setup, setup_for
from plantigrade.zones import eighteen

RATE_HZ = 100.0
BW_N = 700.0
N, START, LEAD_PEAK = 200, 40, 130
LIFT, RETURN = 70, 115  # rows of the drawn lift


def setup(floor_n: float = 5.0) -> Setup:
    made = setup_for(eighteen(), RATE_HZ, BW_N, Foot.LEFT)
    return replace(made, floor_n=np.full(4, floor_n))


LIMIT_N = 21.0
"""3 % BW, over twice the floor."""


def lead(
    lift: int = LIFT,
    back: int = RETURN,
    heel_n: float = 160.0,
    lifted_n: float = 0.0,
    front_n: float = 120.0,
    midfoot_n: float = 20.0,
    ramp: int = 10,
) -> FloatArray:
    """Heel load falls over `ramp` rows to `lift`, rises over as many from `back` on."""
    values = np.zeros((N, 8))
    values[:, Column.HEEL] = np.interp(
        np.arange(N), [lift - ramp, lift, back, back + ramp], [heel_n, lifted_n, lifted_n, heel_n]
    )
    values[:, Column.MIDFOOT] = np.where(values[:, Column.HEEL] < LIMIT_N, 0.0, midfoot_n)
    values[:, Column.FOREFOOT] = 0.8 * front_n
    values[:, Column.TOES] = 0.2 * front_n
    return values


def measured(
    values: FloatArray,
    start: int = START,
    lead_peak: int = LEAD_PEAK,
    level_s: float | None = 1.0,
    made: Setup | None = None,
) -> HeelLift:
    t_s = np.arange(len(values)) / RATE_HZ
    return measure_heel_lift(t_s, values, start, lead_peak, level_s, made or setup())


def test_a_lift_is_timed_where_the_load_passes_its_limit():
    """The ramp of 160 N in ten rows passes 21 N at 1.3 rows from its foot."""
    lift = measured(lead())
    assert lift.state is HeelLiftState.LIFTED
    assert lift.limit_n == LIMIT_N
    assert lift.lift_s == pytest.approx((LIFT - 1.31) / RATE_HZ, abs=0.004)
    assert lift.return_s == pytest.approx((RETURN + 1.31) / RATE_HZ, abs=0.004)
    assert lift.duration_s == pytest.approx((RETURN - LIFT + 2.62) / RATE_HZ, abs=0.006)
    assert lift.return_after_level_s == pytest.approx((RETURN + 1.31) / RATE_HZ - 1.0, abs=0.004)
    assert lift.lowest_load_bw == pytest.approx(0.0, abs=1e-9)


def test_the_lowest_load_is_that_up_to_the_lead_peak():
    """160 N fall to nothing in 60 rows from row 110 on: in row 130 they are 106.7 N."""
    lift = measured(lead(lift=170, back=190, ramp=60))
    assert lift.state is HeelLiftState.DOWN
    assert lift.lowest_load_bw == pytest.approx(160.0 * 40.0 / 60.0 / BW_N, abs=1e-6)


def test_a_heel_that_stays_down_is_down_and_tells_its_lowest_load():
    lift = measured(lead(lifted_n=70.0))
    assert lift.state is HeelLiftState.DOWN
    assert lift.lowest_load_bw == pytest.approx(0.1)
    assert lift.lift_s is lift.return_s is lift.duration_s is lift.return_after_level_s is None


@pytest.mark.parametrize(
    ("lifted_n", "state"), [(20.0, HeelLiftState.LIFTED), (22.0, HeelLiftState.DOWN)]
)
def test_the_limit_is_3_percent_of_body_weight(lifted_n, state):
    assert measured(lead(lifted_n=lifted_n)).state is state


@pytest.mark.parametrize(
    ("lifted_n", "state"), [(39.0, HeelLiftState.LIFTED), (41.0, HeelLiftState.DOWN)]
)
def test_the_limit_is_never_under_twice_the_heel_s_floor(lifted_n, state):
    lift = measured(lead(lifted_n=lifted_n, front_n=300.0), made=setup(floor_n=20.0))
    assert lift.limit_n == 40.0
    assert lift.state is state


@pytest.mark.parametrize(("rows", "state"), [(3, "down"), (9, "lifted")])
def test_a_lift_lasts_60_ms(rows, state):
    """Ramps of one row and smoothing leave a lift of 9 rows over six of them unloaded."""
    assert measured(lead(lift=80, back=80 + rows, ramp=1)).state == state


@pytest.mark.parametrize(("lead_peak", "state"), [(73, "down"), (74, "lifted")])
def test_of_which_60_ms_lie_before_the_lead_peak_is_over(lead_peak, state):
    """The heel is under its limit from row 69 on: the rows to the peak, with it, are counted."""
    assert measured(lead(), lead_peak=lead_peak).state == state


def test_a_touch_of_under_30_ms_does_not_end_it():
    values = lead()
    values[90, Column.HEEL] = 160.0  # one row
    lift = measured(values)
    assert lift.state is HeelLiftState.LIFTED
    assert lift.return_s == pytest.approx((RETURN + 1.31) / RATE_HZ, abs=0.004)
    values[86:94, Column.HEEL] = 160.0
    second = measured(values)  # of the two lifts the longer is told
    assert second.lift_s is not None and second.lift_s > 0.93


# ---- what a lift is not ----


def test_a_foot_that_carries_too_little_is_unclear():
    """Under 8 % BW: a foot that is off altogether is no lifted heel."""
    assert measured(lead(front_n=60.0)).state is HeelLiftState.LIFTED
    assert measured(lead(front_n=52.0)).state is HeelLiftState.UNCLEAR
    assert measured(lead(front_n=0.0)).state is HeelLiftState.UNCLEAR


def test_a_foot_that_carries_on_its_midfoot_is_unclear():
    """80 % of the load lies on forefoot and toes while a heel is lifted."""
    values = lead()
    under = values[:, Column.HEEL] < LIMIT_N
    values[under, Column.MIDFOOT] = 20.0  # 120 of 140 N in front
    assert measured(values).state is HeelLiftState.LIFTED
    values[under, Column.MIDFOOT] = 40.0
    assert measured(values).state is HeelLiftState.UNCLEAR


def test_a_heel_that_bore_nothing_at_address_is_unclear():
    """Its unloading cannot be seen."""
    assert measured(lead(heel_n=41.0)).state is HeelLiftState.UNCLEAR
    assert measured(lead(heel_n=45.0)).state is HeelLiftState.LIFTED


def test_a_heel_unloaded_before_the_start_is_unclear():
    assert measured(lead(lift=20)).state is HeelLiftState.UNCLEAR


def test_a_lift_after_the_lead_peak_is_none():
    assert measured(lead(lift=150, back=180)).state is HeelLiftState.DOWN


def test_a_heel_that_does_not_come_back_is_lifted_without_a_return():
    lift = measured(lead(back=N + 50))
    assert lift.state is HeelLiftState.LIFTED
    assert lift.lift_s is not None
    assert lift.return_s is lift.duration_s is lift.return_after_level_s is None


def test_a_return_after_the_lead_peak_is_told():
    lift = measured(lead(back=150))
    assert lift.state is HeelLiftState.LIFTED
    assert lift.return_s == pytest.approx(1.513, abs=0.004)


def test_without_the_level_there_is_nothing_to_hold_the_return_against():
    assert measured(lead(), level_s=None).return_after_level_s is None


# ---- the limits that may be set (the project's own, no published source) ----


def changed(**limits: float) -> Setup:
    made = setup()
    return replace(made, limits=replace(made.limits, **limits))


@pytest.mark.parametrize(
    ("seen", "state"), [(7.5, HeelLiftState.LIFTED), (7.7, HeelLiftState.UNCLEAR)]
)
def test_how_loaded_the_heel_must_be_may_be_set(seen, state):
    """160 N at address are 7.62 times the limit of 21 N."""
    assert measured(lead(), made=changed(heel_lift_seen=seen)).state is state


@pytest.mark.parametrize(("bridge_s", "bridged"), [(0.10, False), (0.14, True)])
def test_how_short_a_touch_is_bridged_may_be_set(bridge_s, bridged):
    """Eight rows touch; with the smoothing on either side they are ten to twelve over the limit."""
    values = lead()
    values[86:94, Column.HEEL] = 160.0
    lift = measured(values, made=changed(heel_lift_bridge_s=bridge_s))
    assert lift.lift_s is not None
    assert (lift.lift_s < 0.70) is bridged


@pytest.mark.parametrize(
    ("carried", "state"), [(0.6, HeelLiftState.LIFTED), (0.7, HeelLiftState.UNCLEAR)]
)
def test_for_how_much_of_the_lift_the_foot_carries_may_be_set(carried, state):
    """The foot is off in 16 rows of about 47: it carries in 65 % of them."""
    values = lead()
    values[80:96, :] = 0.0
    assert measured(values, made=changed(heel_lift_carried=carried)).state is state


# ---- gaps and rows without sense ----


@pytest.mark.parametrize("row", [START, 60, 90, LEAD_PEAK])
def test_missing_rows_up_to_the_lead_peak_make_it_unclear(row):
    values = lead()
    values[row] = np.nan
    lift = measured(values)
    assert lift.state is HeelLiftState.UNCLEAR
    assert lift.lift_s is lift.lowest_load_bw is None
    assert lift.limit_n == LIMIT_N


@pytest.mark.parametrize("rows", [slice(0, 1), slice(10, 18)])
def test_missing_rows_in_the_stillness_before_the_start_hide_nothing(rows):
    whole, values = measured(lead()), lead()
    values[rows] = np.nan
    assert measured(values) == whole
    # nor move the rows that are looked at: here the heel comes off after the lead peak
    falling = lead(lift=170, back=190, ramp=60)
    whole = measured(falling)
    falling[rows] = np.nan
    assert measured(falling) == whole


def test_missing_rows_after_the_lead_peak_hide_only_what_follows():
    values = lead(back=150)
    values[140:145] = np.nan
    lift = measured(values)
    assert lift.state is HeelLiftState.LIFTED
    assert lift.return_s is lift.duration_s is None


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("value", [0.0, -20.0])
def test_a_foot_without_load_is_unclear(value):
    assert measured(np.full((N, 8), value)).state is HeelLiftState.UNCLEAR


@pytest.mark.parametrize("lead_peak", [START, START - 10, 0])
def test_no_rows_between_start_and_lead_peak_are_unclear(lead_peak):
    assert measured(lead(), lead_peak=lead_peak).state is HeelLiftState.UNCLEAR


def test_rows_are_not_changed():
    values = lead()
    values.setflags(write=False)
    measured(values)
