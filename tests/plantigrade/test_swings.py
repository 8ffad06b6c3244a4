"""Swings from loads drawn by hand: their moments, their limits, and what is no swing."""

from collections.abc import Sequence
from dataclasses import astuple, fields, replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from plantigrade.analyser import run_whole
from plantigrade.block import Column, FloatArray, Foot, PairBlock
from plantigrade.events import Event, HeelLiftState, Manner, Phase, PhaseKind, Swing
from plantigrade.limits import Limits, Setup, setup_for
from plantigrade.swing import Address, _pace
from plantigrade.swingrules import down_by, finish_of, is_lifted
from plantigrade.swings import SwingDetector
from plantigrade.zones import eighteen

RATE_HZ = 100.0
BW_N = 700.0
Knots = Sequence[tuple[float, float]]
"""Moments and values of a curve that stays at each value up to its moment, then goes on smoothly
to the next in the time between."""

START_S, TROUGH_S, PEAK_S = 3.0, 3.8, 4.1
SWING: Knots = ((0.0, 0.5), (START_S, 0.5), (TROUGH_S, 0.25), (PEAK_S, 0.85), (5.5, 0.85))
"""Lead share: address at .5 for 3 s, to the trail side in 0.8 s, to the lead side in 0.3 s."""


def curve(knots: Knots, n: int, rate_hz: float = RATE_HZ) -> FloatArray:
    """Half cosines between the knots."""
    t = np.arange(n) / rate_hz
    out = np.full(n, knots[0][1])
    for (t0, a), (t1, b) in pairwise(knots):
        part = np.clip((t - t0) / (t1 - t0), 0.0, 1.0)
        out += (b - a) * 0.5 * (1.0 - np.cos(np.pi * part))
    return out


def rows(
    share: Knots = SWING,
    *,
    load: Knots = ((0.0, 1.0), (1.0, 1.0)),
    trail_y: Knots = ((0.0, 0.35), (3.75, 0.15), (4.1, 0.7)),
    lead_heel: Knots = ((0.0, 0.5), (1.0, 0.5)),
    seconds: float = 8.0,
    rate_hz: float = RATE_HZ,
    lead: Foot = Foot.LEFT,
) -> PairBlock:
    """Rows of a golfer whose lead share, load (× BW), trail CoP and lead heel follow curves."""
    n = round(seconds * rate_hz)
    s = np.clip(curve(share, n, rate_hz), 0.0, 1.0)
    total = BW_N * curve(load, n, rate_hz)
    y = curve(trail_y, n, rate_hz)
    heel_lead = curve(lead_heel, n, rate_hz)
    heel_trail = np.clip((0.75 - y) / 0.65, 0.0, 1.0)
    feet: dict[Foot, FloatArray] = {}
    for foot, load_n, heel, cop in (
        (lead, s * total, heel_lead, 0.75 - 0.65 * heel_lead),
        (lead.other, (1.0 - s) * total, heel_trail, y),
    ):
        values = np.zeros((n, 8))
        values[:, Column.HEEL] = 0.95 * heel * load_n
        values[:, Column.MIDFOOT] = 0.05 * heel * load_n
        values[:, Column.FOREFOOT] = 0.85 * (1.0 - heel) * load_n
        values[:, Column.TOES] = 0.15 * (1.0 - heel) * load_n
        values[:, Column.MOMENT_X], values[:, Column.MOMENT_Y] = 0.5 * load_n, cop * load_n
        feet[foot] = values
    return PairBlock(0, np.arange(n) / rate_hz, feet[Foot.LEFT], feet[Foot.RIGHT])


def setup(lead: Foot = Foot.LEFT, rate_hz: float = RATE_HZ, **limits) -> Setup:
    return setup_for(eighteen(), rate_hz, BW_N, lead, Limits(**limits))


def told(block: PairBlock, made: Setup | None = None) -> list[Event]:
    return run_whole(SwingDetector(made or setup()), [block])


def swings(block: PairBlock, made: Setup | None = None) -> list[Swing]:
    return [e for e in told(block, made) if isinstance(e, Swing)]


def phases(block: PairBlock, made: Setup | None = None) -> list[str]:
    return [e.kind.value for e in told(block, made) if isinstance(e, Phase)]


# ---- one swing ----


def test_a_swing_with_a_shallow_backswing_is_not_taken_back_in_its_drive():
    """It comes over its address level, .5, before it has risen by .12 from its trough, .42."""
    share = ((0.0, 0.5), (START_S, 0.5), (TROUGH_S, 0.42), (PEAK_S, 0.85), (5.5, 0.85))
    heel = ((0.0, 0.5), (3.2, 0.5), (3.3, 0.0), (3.95, 0.0), (4.0, 0.5))
    block = rows(share, lead_heel=heel)
    assert len(swings(block)) == 1
    assert phases(block) == ["backswing", "heel_lifted", "shift", "heel_returned", "push"]


def test_a_backswing_that_comes_back_is_taken_back():
    share = ((0.0, 0.5), (START_S, 0.5), (TROUGH_S, 0.42), (4.3, 0.5), (4.4, 0.5))
    assert phases(rows(share)) == ["backswing", "cancelled"]


@pytest.mark.parametrize("rate_hz", [100.0, 200.0])
@pytest.mark.parametrize("lead", list(Foot))
def test_the_moments_of_a_plain_swing(rate_hz, lead):
    load = ((0.0, 1.0), (3.85, 1.0), (PEAK_S, 1.2), (4.4, 1.0))
    (swing,) = swings(rows(load=load, rate_hz=rate_hz, lead=lead), setup(lead, rate_hz))
    assert swing.lead is lead
    # a half cosine shows 1 % of its way after 6 % of its time
    assert swing.start_s == pytest.approx(START_S, abs=0.08)
    # half a cosine has made 5 % of its way after acos(.9) / pi = 14.4 % of its time, here 0.3 s
    assert swing.shift_s == pytest.approx(TROUGH_S + 0.0431, abs=0.01)
    # within .02 of the lowest from 81.7 % of the fall to 11.7 % of the rise: 3.654 to 3.835 s
    assert swing.trail_peak_s == pytest.approx(3.745, abs=0.015)
    assert swing.trail_peak_width_s == pytest.approx(0.181, abs=0.03)
    assert swing.lead_peak_s == pytest.approx(PEAK_S, abs=0.02)
    assert swing.address_share == pytest.approx(0.5, abs=0.005)
    assert swing.lowest_share == pytest.approx(0.25, abs=0.01)
    assert swing.highest_share == pytest.approx(0.85, abs=0.01)
    assert swing.share_range == pytest.approx(0.60, abs=0.015)
    assert swing.lead_peak_bw == pytest.approx(1.02, abs=0.01)
    assert swing.finish_manner == "settled"
    assert swing.finish_s == pytest.approx(4.07, abs=0.05)
    assert swing.trail_return_share is None
    assert not swing.touches_gap


def test_load_tempo_is_loading_over_driving():
    (swing,) = swings(rows())
    assert swing.start_s and swing.trail_peak_s and swing.lead_peak_s
    assert swing.load_tempo == pytest.approx(
        (swing.trail_peak_s - swing.start_s) / (swing.lead_peak_s - swing.trail_peak_s)
    )


def test_a_swing_s_phases_come_in_order():
    assert phases(rows()) == ["backswing", "shift", "push"]
    events = told(rows())
    assert isinstance(events[-1], Swing)
    times = [e.t_s for e in events if isinstance(e, Phase)]
    assert times == sorted(times)


def mirrored(block: PairBlock) -> PairBlock:
    return PairBlock(block.first, block.t_s, block.right, block.left)


def test_a_left_handed_golfer_is_the_mirror_of_a_right_handed_one():
    block = rows()
    one, two = swings(block), swings(mirrored(block), setup(Foot.RIGHT))
    assert len(one) == 1
    assert [replace(s, lead=Foot.LEFT) for s in two] == one


def test_a_golfer_seen_from_the_wrong_side_swings_not():
    """The load goes to the lead foot and comes back: feet swapped, or the wrong hand set."""
    assert swings(rows(), setup(Foot.RIGHT)) == []


@pytest.mark.parametrize("factor", [0.4, 1.5])
def test_a_heavier_golfer_swings_the_same(factor):
    block = rows()
    heavy = PairBlock(0, block.t_s, block.left * factor, block.right * factor)
    made = replace(setup(), bw_n=factor * BW_N)
    (one,), (two,) = swings(block), swings(heavy, made)
    for name in ("start_s", "trail_peak_s", "shift_s", "lead_peak_s", "share_range", "load_tempo"):
        assert getattr(two, name) == pytest.approx(getattr(one, name))
    assert two.push.manner is one.push.manner


def test_when_it_happens_moves_times_and_index_alone():
    block = rows()
    later = PairBlock(5000, block.t_s + 50.0, block.left, block.right)
    (one,), (two,) = swings(block), swings(later)
    assert two.first_index == one.first_index + 5000
    for f in fields(Swing):
        a, b = getattr(one, f.name), getattr(two, f.name)
        if f.name.endswith("_s") and f.name not in ("trail_peak_width_s", "lead_rise_bw_s"):
            assert b == pytest.approx(a + 50.0)
        elif isinstance(a, float):
            assert b == pytest.approx(a)


def test_swings_one_after_the_other_are_all_found():
    knots = [(0.0, 0.5)]
    for k in range(4):
        knots += [(t + 7.0 * k, s) for t, s in SWING[1:]] + [(7.0 * k + 6.6, 0.5)]
    found = swings(rows(knots, seconds=30.0))
    starts = [s.start_s for s in found]
    assert starts == pytest.approx([START_S + 7.0 * k for k in range(4)], abs=0.08)
    assert len({s.first_index for s in found}) == 4


def test_two_swings_three_seconds_apart_are_both_found():
    """The second begins a second and a half after the first is told to be over."""
    first = (*SWING[:4], (4.7, 0.85), (5.2, 0.5))
    second = ((6.1, 0.5), (6.9, 0.25), (7.2, 0.85), (9.0, 0.85))
    one, two = swings(rows((*first, *second), seconds=11.0))
    assert (one.start_s, two.start_s) == pytest.approx((START_S, 6.1), abs=0.08)
    assert two.shift_s == pytest.approx(6.9, abs=0.08)


# ---- styles and finishes ----


def test_the_reverse_style_is_a_swing_and_its_return_is_told_by_itself():
    knots = (*SWING[:4], (4.12, 0.85), (4.5, 0.45), (6.0, 0.45))
    (swing,) = swings(rows(knots))
    assert swing.lead_peak_s == pytest.approx(PEAK_S, abs=0.05)
    # read up to where the finish begins, which is within .06 of where s settles
    assert swing.trail_return_share is not None
    assert 0.33 < swing.trail_return_share <= 0.40
    (same,) = swings(rows(knots), setup(trail_return=0.32))
    assert same.trail_return_share == swing.trail_return_share
    (untold,) = swings(rows(knots), setup(trail_return=0.41))
    assert untold.trail_return_share is None


def test_a_press_to_the_lead_side_first_is_allowed():
    knots = ((0.0, 0.5), (2.7, 0.5), (2.85, 0.54), (3.0, 0.5), *SWING[2:])
    (swing,) = swings(rows(knots))
    assert swing.start_s is not None
    assert 2.8 < swing.start_s < 3.15  # from the press on, not before it


def test_a_rest_at_the_top_is_a_wide_trough():
    knots = ((0.0, 0.5), (3.0, 0.5), (3.6, 0.25), (4.0, 0.25), (4.3, 0.85), (5.5, 0.85))
    (swing,) = swings(rows(knots))
    assert swing.trail_peak_s == pytest.approx(3.8, abs=0.04)
    assert swing.trail_peak_width_s == pytest.approx(0.55, abs=0.08)
    assert swing.shift_s == pytest.approx(4.0, abs=0.04)


def test_the_trail_foot_steps_through():
    knots = (*SWING[:4], (4.35, 0.85), (4.6, 1.0), (4.9, 1.0), (5.1, 0.6), (6.0, 0.6))
    load = ((0.0, 1.0), (3.9, 1.0), (4.1, 1.25), (4.3, 0.9), (4.6, 1.0))
    (swing,) = swings(rows(knots, load=load))
    assert swing.finish_manner == "stepped"
    assert swing.finish_s == pytest.approx(4.5, abs=0.1)


def test_a_finish_that_never_settles_ends_after_two_seconds():
    restless = [(PEAK_S + 0.2 * k, 0.85 - 0.12 * (k % 2)) for k in range(1, 14)]
    (swing,) = swings(rows((*SWING[:4], *restless), seconds=9.0))
    assert swing.finish_manner == "time"
    assert swing.finish_s is not None and swing.lead_peak_s is not None
    assert swing.finish_s - swing.lead_peak_s == pytest.approx(2.0, abs=0.02)


def of_share(s: NDArray[np.floating[Any]]) -> PairBlock:
    """Both feet carry the body on their balls, the lead foot this part of it."""
    values = np.zeros((2, len(s), 8))
    values[:, :, Column.FOREFOOT] = BW_N * np.stack((s, 1.0 - s))
    return PairBlock(0, np.arange(len(s)) / RATE_HZ, values[0], values[1])


@pytest.mark.parametrize("later", [0, 600])
@pytest.mark.parametrize(("moved", "begins"), [(0.0, 155), (0.4, 203)])
def test_an_address_is_the_stillness_without_the_end_that_a_movement_may_begin_in(
    moved, begins, later
):
    """By hand: from row 300 on s falls by .011 a row, and half a second is 50 rows.

    The last of them within .05 are rows 255 to 304. A quarter of them, 12, are surely before the
    movement; two times 50 rows before them belong to the stillness, or those after what moved:
    rows 190 to 200 here, and the 2 smoothed with them that are over .05 (.4 times .38 and .16).
    """
    k = np.arange(320 + later) - later
    s = 0.5 - 0.011 * np.maximum(k - 300, 0) + moved * ((k >= 190) & (k <= 200))
    detector = SwingDetector(setup())
    detector.push(of_share(s))
    found = detector._address(316 + later)
    assert found is not None
    assert (found.start, found.stop) == (begins + later, 255 + 12 + 1 + later)
    assert (found.level, found.sd) == pytest.approx((0.5, 0.0), abs=0.002)
    assert found.ledge is None


@pytest.mark.parametrize(("trough", "begins"), [(304 + 350, 155), (304 + 351, None)])
def test_an_address_ends_within_3_5_s_of_the_trough(trough, begins):
    """As above; then s goes to and fro by .06, each fifth of a second, and is never still."""
    k = np.arange(trough + 4)
    fallen = 0.011 * np.clip(k - 300, 0, 16) + 0.06 * ((k >= 320) & (k // 20 % 2 == 0))
    detector = SwingDetector(setup())
    detector.push(of_share(0.5 - fallen))
    detector._since = 0  # whatever else was announced meanwhile
    found = detector._address(trough)
    assert (None if found is None else found.start) == begins


def test_the_first_row_after_a_gap_may_begin_an_address():
    """The share is missing for 50 rows, 100 to 149, and still for the next 50 and not one more."""
    k = np.arange(220)
    block = of_share(0.5 - 0.011 * np.maximum(k - 195, 0))
    block.left[103:147] = np.nan
    detector = SwingDetector(setup())
    assert detector.push(block.slice(0, 0)) == []
    detector.push(block)
    found = detector._address(216)
    assert found is not None and found.start == 150
    block.left[147] = np.nan
    detector.reset()
    detector.push(block)
    assert detector._address(216) is None


def unseen(
    foot: Foot, start: int, stop: int, lead_n: float | FloatArray = 350.0, *, is_off: bool = True
) -> SwingDetector:
    """A lead foot with a load and a trail foot with half the body, one unknown in these rows.

    Where it is off the ground, one of the rows in the middle shows it.
    """
    s = np.full(240, 0.5)
    block = of_share(s)
    block.left[:, Column.FOREFOOT] = lead_n
    block.foot(foot)[start:stop] = np.nan
    if is_off:
        block.foot(foot)[(start + stop) // 2] = 0.0
    detector = SwingDetector(setup())
    detector.push(block)
    return detector


@pytest.mark.parametrize("foot", list(Foot))
@pytest.mark.parametrize(
    ("start", "stop", "stepped"),
    [
        *((150, 160, False), (151, 161, True)),  # 151 is the first row of the half second
        *((170, 179, False), (170, 180, True)),  # a tenth of a second
        *((191, 201, True), (192, 202, False)),  # 200 is the last
    ],
)
def test_a_foot_steps_that_is_off_for_a_tenth_of_the_last_half_second(foot, start, stop, stepped):
    assert unseen(foot, start, stop)._stepped_lately(200) is stepped


@pytest.mark.parametrize("foot", list(Foot))
@pytest.mark.parametrize(
    ("start", "stop", "stepped"),
    [
        *((170, 189, False), (170, 190, True)),  # two tenths of a second
        *((140, 160, False), (141, 161, True)),  # a tenth of them in the last half second
        *((142, 160, False), (142, 161, False)),
    ],
)
def test_a_foot_may_step_that_is_hidden_for_two_tenths_of_a_second(foot, start, stop, stepped):
    assert unseen(foot, start, stop, is_off=False)._stepped_lately(200) is stepped


@pytest.mark.parametrize(
    ("foot", "start", "stop", "stepping"),
    [
        *((Foot.LEFT, 149, 159, False), (Foot.LEFT, 150, 160, True)),
        *((Foot.LEFT, 211, 221, True), (Foot.LEFT, 212, 222, False)),  # up to now
        *((Foot.RIGHT, 149, 159, False), (Foot.RIGHT, 150, 160, True)),
        *((Foot.RIGHT, 191, 201, True), (Foot.RIGHT, 192, 202, False)),  # up to the trough
    ],
)
def test_the_drive_may_free_the_trail_foot_and_not_the_lead_foot(foot, start, stop, stepping):
    address = Address(100, 150, 0.5, 0.0)
    found = unseen(foot, start, stop)._stepping(address, trough=200, now=220)
    assert found is stepping


@pytest.mark.parametrize(
    ("start", "stop", "lead_n", "fall", "lifted"),
    [
        *((149, 157, 700.0, 0.2, False), (150, 158, 700.0, 0.2, True)),  # from the shift on
        *((170, 177, 700.0, 0.2, False), (170, 178, 700.0, 0.2, True)),
        *((203, 211, 700.0, 0.2, True), (204, 212, 700.0, 0.2, False)),  # a tenth after the peak
        *((170, 178, 769.0, 0.2, True), (170, 178, 771.0, 0.2, False)),  # driven with 1.1 BW …
        *((170, 178, 771.0, 0.12, False), (170, 178, 771.0, 0.119, True)),  # … after a fall
        *((170, 178, 350.0, 0.249, True), (170, 178, 350.0, 0.25, False)),  # too deep for a step
    ],
)
def test_a_trail_foot_is_lifted_that_no_drive_has_left(start, stop, lead_n, fall, lifted):
    """A shift at row 150, and a lead peak at 200."""
    assert lifted_of(unseen(Foot.RIGHT, start, stop, lead_n), fall) is lifted


def lifted_of(detector: SwingDetector, fall: float) -> bool:
    shape: Any = SimpleNamespace(lowest=0.0, address=SimpleNamespace(level=fall))
    return is_lifted(detector._rows, shape, 150, 200, 210, detector.setup)


@pytest.mark.parametrize(
    ("row", "fall", "lifted"),
    [(175, 0.169, False), (176, 0.169, True), (176, 0.17, False), (199, 0.17, False)],
)
def test_after_a_small_fall_the_lead_foot_is_driven_soon_after_the_trail_foot_left(
    row, fall, lifted
):
    """From one row on the lead foot carries 900 N; the trail foot leaves at row 170.

    By hand: smoothed over seven rows (weights .037, .125, .213, .25 and back) it goes over 1.1 BW,
    770 N, one row later, with .838 of the rise from 350 N: 811 N. .06 s after row 170 is 176.
    """
    lead_n = np.where(np.arange(240) < row, 350.0, 900.0)
    assert lifted_of(unseen(Foot.RIGHT, 170, 178, lead_n), fall) is lifted


@pytest.mark.parametrize(
    ("start", "stop", "is_off", "at"),
    [
        *((206, 240, True, 213), (207, 240, True, 214)),  # off for .08 s
        (208, 240, True, 210),  # it left .08 s after the lead peak: at a tenth as ever
        (206, 211, True, 211),  # on the ground again
        *((206, 240, False, 225), (206, 216, False, 216)),  # hidden for .2 s, and for less
    ],
)
def test_after_a_small_fall_a_trail_foot_that_leaves_is_waited_for(start, stop, is_off, at):
    """The lead peak is at row 200."""
    block = of_share(np.full(260, 0.5))
    block.right[start:stop] = np.nan
    if is_off:
        block.right[start + 1] = 0.0
    detector = SwingDetector(setup())
    detector.push(block)
    shape: Any = SimpleNamespace(lowest=0.0, address=SimpleNamespace(level=0.1))
    assert down_by(detector._rows, shape, 200, 240, detector.setup) == at
    assert down_by(detector._rows, shape, 200, at, detector.setup) is None


def test_a_finish_settles_from_the_first_row_of_the_first_half_second():
    """By hand: s rises by .011 a row up to .85 at row 410, and is within .06 of it from 405 on."""
    k = np.arange(520)
    detector = SwingDetector(setup())
    detector.push(of_share(0.85 - 0.011 * np.clip(410 - k, 0, 40)))
    rows, limits = detector._rows, detector.setup
    assert finish_of(rows, 380, 454, limits) == (None, 0, "")
    assert finish_of(rows, 380, 455, limits) == (454, 405, "settled")
    assert finish_of(rows, 380, 460, limits) == (454, 405, "settled")


@pytest.mark.parametrize("after_s", [0.0, 0.0025, 0.005, 0.0075])
def test_a_finish_is_never_before_the_lead_peak(after_s):
    """The share has settled by then, and the load is highest between two rows, or on one."""
    share = ((0.0, 0.5), (START_S, 0.5), (TROUGH_S, 0.25), (3.95, 0.85))
    load = ((0.0, 1.0), (3.85, 1.0), (PEAK_S + after_s, 1.2), (4.4, 1.0))
    (swing,) = swings(rows(share, load=load))
    assert swing.lead_peak_s is not None and swing.finish_s is not None
    assert swing.lead_peak_s <= swing.finish_s < swing.lead_peak_s + 0.02


@pytest.mark.parametrize(
    ("back", "gone"),
    [
        # smoothed over seven rows, .84 of the way back are seen one row after it: over .48
        (330, 331 + 20),
        (700, 306 + 301),  # three seconds after it was seen
    ],
)
def test_a_backswing_is_given_up_once_it_came_back_or_takes_too_long(back, gone):
    """By hand: s falls by .011 a row from row 300 on, so by .06 at row 306, and comes back."""
    k = np.arange(800)
    s = np.where(k < back, 0.5 - 0.011 * np.clip(k - 300.0, 0.0, 10.0), 0.5)
    found = [(e.kind, e.t_s) for e in told(of_share(s)) if isinstance(e, Phase)]
    lift = (PhaseKind.HEEL_LIFTED, pytest.approx(3.07))  # all stand on their balls
    assert found == [(PhaseKind.BACKSWING, 3.06), lift, (PhaseKind.CANCELLED, gone / 100)]


@pytest.mark.parametrize(("a_row", "found"), [(0.00152, True), (0.00148, False)])
def test_a_rise_of_12_hundredths_within_80_rows_is_looked_at(a_row, found):
    """Of .1216 or .1184 in 0.8 s, for as long as it lasts, after a fall of .22 in 0.2 s."""
    k = np.arange(480)
    s = 0.5 - 0.011 * np.clip(k - 300, 0, 20) + a_row * np.clip(k - 320, 0, 150)
    kinds = [e.kind for e in told(of_share(s)) if isinstance(e, Phase)]
    assert (PhaseKind.SHIFT in kinds) is found


def test_a_backswing_in_which_a_foot_may_have_left_the_ground_is_given_up_at_the_rise():
    """By hand: the trail foot is unknown for 20 rows; from row 360 on s rises by .035 a row.

    That is .105 at row 363 and .14 at row 364, over .12.
    """
    k = np.arange(400)
    s = 0.5 - 0.011 * np.clip(k - 300, 0, 20) + 0.035 * np.clip(k - 360, 0, 8)
    block = of_share(s)
    block.right[330:350] = np.nan
    found = [(e.kind, e.t_s) for e in told(block) if isinstance(e, Phase)]
    assert found[0] == (PhaseKind.BACKSWING, 3.06)
    assert found[-1] == (PhaseKind.CANCELLED, 3.64)


def test_what_came_before_a_long_block_is_kept_for_the_next():
    knots = [(0.0, 0.5), *((8.0 + t_s, share) for t_s, share in SWING[1:])]
    block = rows(knots, seconds=16.0)
    detector = SwingDetector(setup())
    cut = [block.slice(0, 1190), block.slice(1190, 1200), block.slice(1200, 1600)]
    assert [e for part in cut for e in detector.push(part)] == told(block)


# ---- what is no swing ----

NO_SWINGS: dict[str, Knots] = {
    "nothing": ((0.0, 0.5), (5.0, 0.5)),
    "a backswing that only comes back": ((0.0, 0.5), (3.0, 0.5), (3.8, 0.25), (4.4, 0.5)),
    "a backswing that comes back fast": ((0.0, 0.5), (3.0, 0.5), (3.8, 0.25), (4.1, 0.52)),
    "waggles": ((0.0, 0.5), *((2.0 + 0.4 * k, 0.5 + 0.06 * (-1) ** k) for k in range(8)), (6, 0.5)),
    "a slow shift of weight": ((0.0, 0.5), (2.0, 0.5), (3.5, 0.3), (5.5, 0.8)),
    "a move to the lead side alone": ((0.0, 0.5), (3.0, 0.5), (3.3, 0.85), (6.0, 0.85)),
    "a move to the trail side alone": ((0.0, 0.5), (3.0, 0.5), (3.8, 0.25), (7.0, 0.25)),
    "hardly a move": ((0.0, 0.5), (3.0, 0.5), (3.8, 0.44), (4.1, 0.57), (5.0, 0.57)),
    "a start from one leg": ((0.0, 0.9), (3.0, 0.9), (3.8, 0.5), (4.1, 1.0), (5.0, 1.0)),
    "a long stay on the trail side": (
        (0.0, 0.5),
        (2.0, 0.5),
        (2.6, 0.25),
        (4.0, 0.25),
        (4.3, 0.85),
    ),
    "a rest on the trail side, and back to the middle": (
        *((0.0, 0.5), (1.0, 0.5), (1.8, 0.33), (3.0, 0.33)),
        *((3.4, 0.25), (3.7, 0.52), (6.0, 0.52)),
    ),
    "a wide waggle over both sides": (
        *((0.0, 0.5), (2.5, 0.5), (2.8, 0.68), (3.2, 0.4), (3.6, 0.66), (4.0, 0.5)),
    ),
    "no stillness before": (
        *((0.3 * k, 0.5 + 0.1 * (-1) ** k) for k in range(11)),
        (3.8, 0.25),
        (4.1, 0.85),
    ),
}


@pytest.mark.parametrize("what", NO_SWINGS)
def test_what_is_no_swing(what):
    assert swings(rows(NO_SWINGS[what])) == []


@pytest.mark.parametrize("what", NO_SWINGS)
def test_what_was_announced_of_it_is_taken_back(what):
    events = [p for p in phases(rows(NO_SWINGS[what])) if p in ("backswing", "shift", "cancelled")]
    assert "push" not in phases(rows(NO_SWINGS[what]))
    if events:
        assert events[-1] == "cancelled"


@pytest.mark.parametrize("foot", list(Foot))
def test_a_foot_off_the_ground_before_the_drive_is_a_step(foot):
    """The trail foot in the backswing or the lead foot: stepping, not swinging."""
    block = rows()
    block.foot(foot)[330:350, :6] = 0.0
    assert swings(block) == []


LIFTED: Knots = ((0.0, 0.5), (3.0, 0.5), (3.4, 0.42), (3.7, 1.0), (6.0, 1.0))


def test_a_trail_foot_lifted_as_the_body_goes_over_is_no_swing():
    assert swings(rows(LIFTED)) == []


FIRST_STEP: Knots = (
    *((0.0, 0.5), (3.0, 0.5), (3.3, 0.4), (3.6, 1.0), (4.1, 1.0), (4.2, 0.0), (4.7, 0.0)),
    *((4.8, 1.0), (5.4, 1.0)),
)


def test_a_walk_s_first_step_is_no_swing():
    assert swings(rows(FIRST_STEP)) == []


@pytest.mark.parametrize("what", [*NO_SWINGS, "a lifted trail foot", "a first step"])
def test_a_swing_that_follows_in_the_same_rows_is_found(what):
    """Three seconds of stillness lie between."""
    before = NO_SWINGS.get(what, LIFTED if what == "a lifted trail foot" else FIRST_STEP)
    again_s = before[-1][0] + 1.0
    knots = (*before, (again_s, 0.5), *((again_s + t_s, share) for t_s, share in SWING[1:]))
    (swing,) = swings(rows(knots, seconds=again_s + 8.0))
    assert swing.start_s == pytest.approx(again_s + START_S, abs=0.08)


@pytest.mark.parametrize("at", [250, 330, 378, 392, 405, 415, 425, 440])
@pytest.mark.parametrize("foot", list(Foot))
def test_a_swing_that_follows_a_hole_in_the_same_rows_is_found(foot, at):
    """A second of the swing before it is missing, wherever in it."""
    again_s = 8.0
    knots = (*SWING, (again_s, 0.5), *((again_s + t_s, share) for t_s, share in SWING[1:]))
    block = rows(knots, seconds=again_s + 8.0)
    block.foot(foot)[at : at + 100] = np.nan
    found = swings(block)
    assert found[-1].start_s == pytest.approx(again_s + START_S, abs=0.08)
    assert found[-1] == swings(rows(knots, seconds=again_s + 8.0))[-1]


def test_no_load_at_all_is_no_swing():
    block = rows()
    empty = PairBlock(0, block.t_s, 0.0 * block.left, 0.0 * block.right)
    assert told(empty) == []


MOVEMENTS = {
    "swing": SWING,
    "two": (*SWING, (5.6, 0.5), (9.0, 0.5), (9.8, 0.25), (10.1, 0.85), (12.0, 0.85)),
    "never still after": (*SWING[:4], *((4.3 + 0.2 * k, 0.85 - 0.1 * (k % 2)) for k in range(19))),
    **NO_SWINGS,
}


def spoilt(share: Knots, how: str) -> PairBlock:
    """A movement with a heel that lifts and returns, and with a foot off the ground or a hole."""
    heel = ((0.0, 0.5), (3.2, 0.5), (3.3, 0.0), (3.95, 0.0), (4.0, 0.5))
    block = rows(
        share, seconds=share[-1][0] + 3.0, lead_heel=heel if how == "lead heel lifts" else heel[:2]
    )
    if how == "trail foot off after the peak":
        block.right[430:460, :6] = 0.0
    elif how.startswith("hole"):
        at = round(float(how.removeprefix("hole at ")) * RATE_HZ)
        block.left[at : at + 60] = np.nan
    return block


@pytest.mark.dear
@pytest.mark.parametrize(
    "how",
    [
        *("whole", "lead heel lifts", "trail foot off after the peak"),
        *(f"hole at {t_s}" for t_s in (0.2, 3.5, 3.97, 4.05, 4.2)),
    ],
)
@pytest.mark.parametrize("what", MOVEMENTS)
def test_rows_that_come_one_by_one_tell_the_same(what, how):
    """Each event comes with the row that confirms it (design §9), and with the ones it looks at."""
    block = spoilt(MOVEMENTS[what], how)
    detector, found, late = SwingDetector(setup()), [], 0.0
    for k in range(len(block)):
        for event in detector.push(block.slice(k, k + 1)):
            found.append(event)
            late = max(late, abs(event.confirmed_s - float(block.t_s[k])))
    assert found == told(block)
    assert late == pytest.approx(0.0, abs=1e-9)


# ---- limits ----


@pytest.mark.parametrize(("over", "found"), [(0.07, 0), (0.12, 1)])
def test_the_drive_goes_over_the_address_level(over, found):
    knots = ((0.0, 0.5), (3.0, 0.5), (3.8, 0.25), (4.1, 0.5 + over), (6.0, 0.5 + over))
    assert len(swings(rows(knots))) == found


@pytest.mark.parametrize(
    ("over", "bump", "found"), [(0.06, 1.05, 0), (0.0, 1.4, 1), (0.06, 1.4, 1)]
)
def test_a_drive_that_comes_over_little_is_told_by_the_lead_foot_s_own_load(over, bump, found):
    """The reverse style: the share hardly comes over its level while the body pushes up."""
    knots = (*SWING[:3], (PEAK_S, 0.5 + over), (4.3, 0.45), (6.0, 0.45))
    load = ((0.0, 1.0), (3.9, 1.0), (PEAK_S, bump), (4.4, 1.0))
    assert len(swings(rows(knots, load=load))) == found


@pytest.mark.parametrize(("press", "found"), [(0.06, 1), (0.12, 1), (0.26, 0)])
def test_a_press_before_the_start_is_small_beside_what_follows(press, found):
    knots = ((0.0, 0.5), (2.5, 0.5), (2.75, 0.5 + press), (3.0, 0.5), *SWING[2:])
    assert len(swings(rows(knots))) == found


@pytest.mark.parametrize(("drive_s", "found"), [(0.2, 1), (0.5, 1), (0.85, 0)])
def test_the_lead_peak_comes_within_0_6_s_of_the_shift(drive_s, found):
    knots = (*SWING[:3], (TROUGH_S + drive_s, 0.85), (6.0, 0.85))
    assert len(swings(rows(knots))) == found


@pytest.mark.parametrize(("loading_s", "found"), [(0.15, 0), (0.4, 1), (1.6, 1), (4.5, 0)])
def test_loading_the_trail_foot_takes_a_human_time(loading_s, found):
    t = 3.0 + loading_s
    knots = ((0.0, 0.5), (3.0, 0.5), (t, 0.25), (t + 0.3, 0.85), (t + 1.5, 0.85))
    assert len(swings(rows(knots, seconds=11.0))) == found


@pytest.mark.parametrize("still_s", [0.05, 0.8])
def test_half_a_second_of_stillness_comes_before(still_s):
    before = [(0.3 * k, 0.5 + 0.1 * (-1) ** k) for k in range(9)]
    t = 2.4 + 0.2
    knots = (
        *before,
        (t, 0.5),
        (t + still_s, 0.5),
        (t + still_s + 0.8, 0.25),
        (t + still_s + 1.1, 0.85),
    )
    assert len(swings(rows(knots))) == (still_s > 0.5)


def test_the_share_s_range_is_a_setting():
    assert len(swings(rows(), setup(swing_range=0.55))) == 1
    assert swings(rows(), setup(swing_range=0.65)) == []


# ---- heel lift and push in place ----


def test_a_heel_lift_is_announced_and_told():
    block = rows(lead_heel=((0.0, 0.5), (3.2, 0.5), (3.4, 0.0), (3.85, 0.0), (4.0, 0.6)))
    (swing,) = swings(block)
    assert swing.heel_lift.state is HeelLiftState.LIFTED
    assert swing.heel_lift.lift_s == pytest.approx(3.34, abs=0.04)
    assert swing.heel_lift.return_s == pytest.approx(3.89, abs=0.04)
    assert phases(block) == ["backswing", "heel_lifted", "shift", "heel_returned", "push"]
    kinds = {e.kind: e for e in told(block) if isinstance(e, Phase)}
    lifted, returned = kinds[PhaseKind.HEEL_LIFTED], kinds[PhaseKind.HEEL_RETURNED]
    assert lifted.t_s == pytest.approx(3.36, abs=0.03)
    assert lifted.confirmed_s - lifted.t_s <= 0.060 + 0.030 + 0.001
    assert returned.confirmed_s - returned.t_s <= 0.040


@pytest.mark.parametrize(("start", "is_told"), [(320, False), (334, False), (200, True)])
def test_a_heel_that_lifted_where_samples_are_missing_is_not_announced(start, is_told):
    """As it is unclear in what is stored: the stillness ends at row 300, the heel lifts at 336."""
    block = rows(lead_heel=((0.0, 0.5), (3.2, 0.5), (3.4, 0.0), (3.85, 0.0), (4.0, 0.6)))
    block.left[start : start + 8] = np.nan
    (swing,) = swings(block)
    assert (swing.heel_lift.state is HeelLiftState.LIFTED) is is_told
    assert [kind in phases(block) for kind in ("heel_lifted", "heel_returned")] == [is_told] * 2


def test_a_push_told_early_is_the_swing_s_own():
    knots = (*SWING[:4], (4.2, 0.85), (4.4, 0.97), (4.7, 0.97), (4.8, 0.97), (7.0, 0.97))
    block = rows(knots, load=((0.0, 1.0), (4.0, 1.0), (4.12, 1.25), (4.3, 0.9), (4.6, 1.0)))
    events = told(block)
    push = next(e for e in events if isinstance(e, Phase) and e.kind is PhaseKind.PUSH)
    (swing,) = [e for e in events if isinstance(e, Swing)]
    assert push.push == swing.push
    assert push.confirmed_s < swing.confirmed_s
    assert swing.push.manner in (Manner.ROLLED, Manner.SKIPPED)


@pytest.mark.parametrize(
    ("trail_y", "manner"),
    [
        (((0.0, 0.35), (3.75, 0.15), (4.12, 0.7)), Manner.ROLLED),
        (((0.0, 0.15), (3.90, 0.15), (3.96, 0.7)), Manner.SKIPPED),
        (((0.0, 0.35), (3.75, 0.30), (4.1, 0.35)), Manner.HELD),
        (((0.0, 0.20), (4.15, 0.20), (4.5, 0.7)), Manner.HELD),
    ],
)
def test_manners_in_place(trail_y, manner):
    (swing,) = swings(rows(trail_y=trail_y))
    assert swing.push.manner is manner


# ---- gaps ----


def with_hole(start: int, n: int, foot: Foot = Foot.RIGHT) -> PairBlock:
    block = rows()
    block.foot(foot)[start : start + n] = np.nan
    return block


@pytest.mark.parametrize("foot", list(Foot))
@pytest.mark.parametrize("at", [330, 378, 392, 405])
def test_a_hole_inside_a_swing_takes_what_it_touches(foot, at):
    """Longer than the bridged 40 ms: the rows are missing (design §9)."""
    found = swings(with_hole(at, 6, foot))
    assert len(found) <= 1
    for swing in found:
        assert swing.touches_gap
        assert not any(isinstance(v, float) and np.isnan(v) for v in astuple(swing))
        if foot is Foot.RIGHT:
            assert swing.push.manner is Manner.UNCLEAR
            assert swing.push.transfer_s is None
        else:
            assert swing.heel_lift.state is HeelLiftState.UNCLEAR


def test_a_hole_before_the_address_does_no_harm():
    (swing,), (whole,) = swings(with_hole(100, 30)), swings(rows())
    assert replace(swing, address_s=whole.address_s) == whole


@pytest.mark.parametrize("foot", list(Foot))
@pytest.mark.parametrize(("n", "found"), [(12, 1), (19, 1), (21, 0), (30, 0)])
def test_a_hole_that_may_hide_a_step_shows_no_swing(foot, n, found):
    """Two tenths of a second in which the foot may have been lifted; a shorter one has no room."""
    assert len(swings(with_hole(330, n, foot))) == found


@pytest.mark.parametrize("foot", list(Foot))
def test_a_hole_in_a_short_stillness_leaves_it_one(foot):
    """It stands still from 2.4 s to the start at 3.0 s, and 80 ms of it are missing."""
    share = ((0.0, 0.5), (1.0, 0.5), (1.7, 0.7), (2.4, 0.5), *SWING[1:])
    block, whole = rows(share), rows(share)
    block.foot(foot)[262:270] = np.nan
    (swing,), (expected,) = swings(block), swings(whole)
    assert swing.address_share == pytest.approx(expected.address_share, abs=0.01)
    assert (swing.push.manner, swing.push.timing) == (expected.push.manner, expected.push.timing)
    assert swing.heel_lift.state is HeelLiftState.DOWN


@pytest.mark.parametrize(("low", "found"), [(0.36, 0), (0.20, 1)])
def test_a_gait_s_first_step_by_the_trail_foot_is_no_swing(low, found):
    """The trail foot leaves just after the lead peak; the body is pushed on much later.

    After a fall of .3 it is no step's beginning: the same is a swing.
    """
    share = ((0.0, 0.5), (2.8, 0.5), (3.3, low), (3.7, 1.0), (4.2, 1.0), (4.4, 0.5), (8.0, 0.5))
    block = rows(share, load=((0.0, 1.0), (3.7, 1.0), (3.9, 1.15), (4.2, 1.0)))
    assert len(swings(block)) == found
    assert (phases(block)[-1] == "cancelled") is not bool(found)


@pytest.mark.parametrize(("n", "found"), [(6, 1), (14, 0)])
def test_a_lead_foot_that_is_in_the_air_again_before_the_finish_walks(n, found):
    """A tight shoe presses by .06 BW: over the contact load, .05 BW, in the air as well."""
    again_s = 4.5 + n / RATE_HZ
    driven = ((0.0, 1.0), (3.7, 1.0), (4.0, 1.25), (4.3, 1.0))
    drive = ((0.0, 0.5), (3.0, 0.5), (3.5, 0.06), (3.7, 0.06), (4.0, 0.94), (4.25, 0.94))
    on = ((4.5, 0.06), (again_s, 0.06), (again_s + 0.2, 0.7), (8.0, 0.7))
    block = rows((*drive, *on), load=driven)
    assert len(swings(block)) == found
    assert (phases(block)[-1] == "cancelled") is not bool(found)  # what was announced of it
    # and a swing that follows it in the same rows is found
    later = ((9.0, 0.5), *((9.0 + t_s, share) for t_s, share in SWING[1:]))
    assert len(swings(rows((*drive, *on, *later), load=driven, seconds=17.0))) == found + 1


def test_a_hole_and_a_foot_seen_off_the_ground_beside_it_are_one_step():
    block = rows()
    block.right[330:336, :6], block.right[336:342] = 0.0, np.nan
    assert swings(block) == []


def test_a_hole_over_half_a_second_begins_afresh():
    """The stillness before it does not count any more."""
    assert swings(with_hole(250, 50)) == []
    block = with_hole(360, 60)
    assert swings(block) == []
    assert phases(block)[-1:] in ([], ["cancelled"])


def test_a_record_that_ends_before_the_finish_tells_no_swing():
    block = rows()
    for end in (300, 380, 395, 410, 430):
        assert swings(block.slice(0, end)) == []


def test_noise_does_not_hide_a_swing_and_makes_none():
    rng = np.random.default_rng(12)
    for share, expected in ((SWING, 1), (NO_SWINGS["nothing"], 0), (NO_SWINGS["waggles"], 0)):
        for _ in range(10):
            block = rows(share)
            noisy = [v + rng.normal(0.0, 2.0, v.shape) for v in (block.left, block.right)]
            assert len(swings(PairBlock(0, block.t_s, *noisy))) == expected


def test_what_the_trail_foot_did_before_it_left_is_no_part_of_its_leaving():
    """Off from row 190 to 199, on the ground again, then hidden: it may be hidden for .2 s.

    The lead peak is at row 200.
    """
    block = of_share(np.full(260, 0.5))
    block.right[190:200, :6] = 0.0
    block.right[206:240] = np.nan
    detector = SwingDetector(setup())
    detector.push(block)
    shape: Any = SimpleNamespace(lowest=0.0, address=SimpleNamespace(level=0.1))
    assert down_by(detector._rows, shape, 200, 240, detector.setup) == 225


@pytest.mark.parametrize(
    ("rise", "pace"),
    [
        ([0.0, 1.0], 0.6),  # at once: .6 of it in a row
        ([0.0, 0.0, 0.0, 1.0, 1.0], 0.6),
        (np.arange(11) / 10.0, 0.1),  # a tenth a row
        (np.arange(11) / 2.0, 0.5),
        ([0.0, 0.3, 0.1, 0.5, 0.9, 0.1, 1.0], 0.3),  # from the last row under a fifth before
        ([0.0, 0.2, 0.5, 0.8, 1.0], 0.3),  # a fifth and four fifths themselves count
        ([0.0, 0.0], 0.0),
    ],
)
def test_the_pace_is_that_of_the_rise_from_a_fifth_to_four_fifths(rise, pace):
    rise = np.asarray(rise)
    assert _pace(rise, float(rise.max())) == pytest.approx(pace)


def test_a_push_that_goes_on_ends_a_fifth_of_a_second_after_the_lead_peak_and_is_told_then():
    """The trail foot's load travels from 3.75 to 4.6 s; the row that ends it, and three more."""
    load = ((0.0, 1.0), (3.85, 1.0), (PEAK_S, 1.4), (4.3, 0.9), (5.0, 1.0))
    block = rows(trail_y=((0.0, 0.35), (3.75, 0.15), (4.6, 0.7)), load=load)
    detector = SwingDetector(setup())
    for k in range(len(block)):
        now = detector.push(block.slice(k, k + 1))
        if any(isinstance(e, Phase) and e.kind is PhaseKind.PUSH for e in now):
            break
    (swing,) = swings(block)
    assert swing.lead_peak_s is not None and swing.push.end_s is not None
    assert 0.20 <= swing.push.end_s - swing.lead_peak_s + 1e-9 < 0.21
    assert float(block.t_s[k]) == pytest.approx(swing.push.end_s + 0.03)
