"""Movements that come near a golf swing, drawn by hand, and the swing that differs in one fact.

What tells them apart is this project's own (design of the measures; no published values exist).
Loads are in parts of the body's weight; each movement begins from three seconds of stillness.
"""

import numpy as np
import pytest
from tests.plantigrade.test_swings import PEAK_S, RATE_HZ, Knots, phases, rows, setup, swings, told

from plantigrade.block import FloatArray, Foot
from plantigrade.events import Phase, PhaseKind
from plantigrade.swing import Address, outline, window_of

STILL: Knots = ((0.0, 0.5), (3.0, 0.5))
REST: Knots = ((0.0, 0.68), (3.0, 0.68))
STANDS: Knots = ((0.0, 1.0), (1.0, 1.0))
STAMPS: Knots = ((0.0, 1.0), (3.5, 1.0), (4.0, 1.3), (4.4, 1.0))
"""The drive presses the ground with 1.3 times the body's weight."""


@pytest.mark.parametrize(
    ("share", "load", "found"),
    [
        # bending to a ball: a lean to the trail side by .06, then the body goes over the lead foot
        ((*STILL, (3.5, 0.44), (4.1, 0.8), (6.0, 0.8), (6.8, 0.5)), STANDS, 0),
        ((*STILL, (3.5, 0.44), (4.1, 0.9), (6.0, 0.9), (6.8, 0.5)), STAMPS, 1),
        ((*STILL, (3.5, 0.40), (4.1, 0.8), (6.0, 0.8), (6.8, 0.5)), STANDS, 1),
        # a slide of the lead foot: it hardly carries, and then takes some of the body again
        ((*STILL, (3.3, 0.07), (3.7, 0.07), (4.0, 0.66), (7.0, 0.66)), STANDS, 0),
        ((*STILL, (3.3, 0.13), (3.7, 0.13), (4.0, 0.66), (7.0, 0.66)), STANDS, 1),
        ((*STILL, (3.3, 0.07), (3.7, 0.07), (4.0, 0.90), (7.0, 0.90)), STAMPS, 1),
        # a slow turn that leaves the lead foot as light: and one after which it takes little
        ((*STILL, (3.8, 0.07), (4.0, 0.07), (4.3, 0.70), (7.0, 0.70)), STANDS, 1),
        ((*STILL, (3.8, 0.07), (4.0, 0.07), (4.3, 0.63), (7.0, 0.63)), STANDS, 0),
        ((*STILL, (3.4, 0.07), (3.8, 0.07), (4.1, 0.70), (7.0, 0.70)), STANDS, 0),
        # a slide of the lead foot, then one of the trail foot: not from where it came
        (
            (*STILL, (3.2, 0.15), (3.4, 0.15), (3.7, 0.42), (4.4, 0.36), (4.7, 0.85), (7.0, 0.85)),
            STANDS,
            0,
        ),
        (
            (*STILL, (3.2, 0.30), (3.4, 0.30), (3.7, 0.42), (4.4, 0.36), (4.7, 0.85), (7.0, 0.85)),
            STANDS,
            1,
        ),
        # shifted from foot to foot without a press: from the middle of the trough to the lead peak
        # 0.87 s, and 0.7 s; and 0.88 s with 1.08 times the body's weight on the lead foot
        ((*STILL, (4.2, 0.2), (4.7, 0.2), (5.35, 0.75), (7.0, 0.75)), STANDS, 0),
        ((*STILL, (4.2, 0.2), (4.6, 0.2), (5.1, 0.75), (7.0, 0.75)), STANDS, 1),
        (
            (*STILL, (4.2, 0.2), (4.7, 0.2), (5.35, 0.75), (7.0, 0.75)),
            ((0.0, 1.0), (4.7, 1.0), (5.35, 1.44), (5.9, 1.0)),
            1,
        ),
        # from a rest on the lead foot to the middle and back; and a swing from as far
        ((*REST, (4.0, 0.48), (4.4, 0.85), (7.0, 0.85)), STANDS, 0),
        ((*REST, (4.0, 0.38), (4.4, 0.85), (7.0, 0.85)), STANDS, 1),
        # a drive to a level that it keeps, and the rest of the body later; and without a level
        ((*STILL, (3.8, 0.2), (4.1, 0.78), (4.5, 0.78), (4.9, 0.92), (7.0, 0.92)), STANDS, 1),
        ((*STILL, (3.8, 0.2), (4.9, 0.92), (7.0, 0.92)), STANDS, 0),
        # swayed from foot to foot, quickly or slowly; and a swing's turn, time and press
        ((*STILL, (3.4, 0.36), (3.7, 0.66), (4.1, 0.36), (7.0, 0.5)), STANDS, 0),
        ((*STILL, (3.7, 0.36), (4.15, 0.66), (4.6, 0.36), (7.0, 0.5)), STANDS, 0),
        ((*STILL, (3.7, 0.36), (4.0, 0.66), (4.4, 0.36), (7.0, 0.5)), STANDS, 1),
        (
            (*STILL, (3.4, 0.36), (3.8, 0.61), (4.2, 0.36), (7.0, 0.5)),
            ((0.0, 1.0), (3.4, 1.0), (3.8, 1.12), (4.2, 1.0)),
            1,
        ),
        ((*STILL, (3.4, 0.36), (3.8, 0.74), (4.2, 0.36), (7.0, 0.5)), STANDS, 1),
        # from a range of .18, a lead foot driven to 1.3 times its own load, and a lively waggle
        (
            (*STILL, (3.7, 0.38), (4.0, 0.56), (4.4, 0.45), (7.0, 0.45)),
            ((0.0, 1.0), (3.7, 1.0), (4.0, 1.2), (4.3, 1.0)),
            1,
        ),
        ((*STILL, (3.7, 0.38), (4.0, 0.56), (4.4, 0.45), (7.0, 0.45)), STANDS, 0),
    ],
)
def test_what_comes_near_a_swing_is_told_from_it(share, load, found):
    assert len(swings(rows(share, load=load))) == found


@pytest.mark.parametrize(("off_s", "found"), [(0.35, 0), (0.65, 1)])
def test_a_body_that_pushes_off_to_go_over_the_lead_foot_does_not_swing(off_s, found):
    """It goes over in .7 s; to push off takes a shorter time, and a turn about as long."""
    turn_s = 3.0 + off_s
    share = (*STILL, (turn_s, 0.33), (turn_s + 0.7, 0.85), (7.0, 0.85))
    assert len(swings(rows(share))) == found


@pytest.mark.parametrize(
    ("lead_heel", "trail_y", "found"),
    [
        # parts of the lead foot's load on its heel: .2 less is its CoP .13 further forward
        ((0.5, 0.5, 0.3), (0.35, 0.35, 0.48), 0),
        ((0.5, 0.5, 0.5), (0.35, 0.35, 0.48), 1),
        ((0.5, 0.5, 0.3), (0.35, 0.35, 0.35), 1),
        # the trail heel is loaded first; the lead foot came forward in the turn, not in the drive
        ((0.5, 0.5, 0.3), (0.35, 0.31, 0.48), 1),
        ((0.5, 0.3, 0.3), (0.35, 0.35, 0.48), 1),
        # they began to come forward in the turn already
        ((0.5, 0.45, 0.3), (0.35, 0.38, 0.48), 0),
    ],
)
def test_a_body_that_bends_over_the_lead_foot_comes_forward_on_both(lead_heel, trail_y, found):
    """At address, the trail peak at 3.6 s and the lead peak at 4.1 s; all else is a slow swing."""
    share = (*STILL, (3.6, 0.33), (4.1, 0.85), (6.0, 0.85), (6.8, 0.5))
    times = (3.0, 3.6, 4.1)
    heel, y = (tuple(zip(times, along, strict=True)) for along in (lead_heel, trail_y))
    assert len(swings(rows(share, lead_heel=heel, trail_y=y))) == found


@pytest.mark.parametrize("foot", list(Foot))
def test_a_foot_whose_load_is_missing_does_not_show_a_bend(foot):
    """Both come forward by .13, but where one was at address is not known."""
    share = (*STILL, (3.6, 0.33), (4.1, 0.85), (6.0, 0.85), (6.8, 0.5))
    heel, y = ((3.6, 0.5), (4.1, 0.3)), ((3.6, 0.35), (4.1, 0.48))
    block = rows(share, lead_heel=heel, trail_y=y)
    window = window_of(250, block.t_s[250:460], block.left[250:460], block.right[250:460], setup())
    address = Address(0, 50, 0.5, 0.01)
    seen = outline(window, address, 110, 160, setup())
    assert (seen.forward, seen.back) == pytest.approx((0.13, 0.0), abs=0.01)
    (window.lead if foot is Foot.LEFT else window.trail)[:60] = np.nan
    hidden = outline(window, address, 110, 160, setup())
    assert (hidden.forward, hidden.back) == (0.0, 0.0)


@pytest.mark.parametrize(("off_s", "found"), [(4.85, 0), (5.4, 1)])
def test_a_gait_in_a_tight_shoe_is_no_swing_though_the_first_step_settles(off_s, found):
    """Both shoes press by .07 BW in the air; the trail foot steps, then the lead foot leaves.

    It has settled half a second after the lead peak at 3.8 s; a walker's lead foot is off the
    ground by 1.2 s after it.
    """
    on = ((4.5, 0.93), (off_s, 0.07), (off_s + 0.3, 0.07), (off_s + 0.5, 0.93), (8.0, 0.93))
    share = (*STILL, (3.4, 0.40), (3.8, 0.93), *on)
    assert len(swings(rows(share))) == found


@pytest.mark.parametrize("foot", list(Foot))
def test_a_swing_that_was_said_is_kept_when_its_finish_is_hidden(foot):
    """Nothing of one foot comes from .4 s after the lead peak on, for a second."""
    share = ((0.0, 0.5), (3.0, 0.5), (3.8, 0.25), (PEAK_S, 0.85), (4.5, 0.7), (8.0, 0.9))
    block = rows(share, seconds=9.0)
    gone = round((PEAK_S + 0.4) * RATE_HZ)
    block.foot(foot)[gone : gone + 100] = np.nan
    events = told(block)
    (swing,) = swings(block)
    said = [e.push for e in events if isinstance(e, Phase) and e.kind is PhaseKind.PUSH]
    assert said == [swing.push]
    assert "cancelled" not in phases(block)
    assert swing.finish_s is None and swing.touches_gap
    assert swing.lead_peak_s == pytest.approx(PEAK_S, abs=0.02)


def test_a_swing_whose_push_is_hidden_by_a_long_gap_is_none():
    block = rows(seconds=9.0)
    gone = round((PEAK_S - 0.1) * RATE_HZ)
    block.right[gone : gone + 100] = np.nan
    assert swings(block) == []


def test_a_rise_hardly_over_the_trough_has_a_pace():
    """By hand: .018 over the trough before it, .02 after it, as beside missing samples."""
    s: FloatArray = np.concatenate((np.full(60, 0.5), np.full(10, 0.418), [0.40], np.full(5, 0.42)))
    loads = np.zeros((2, len(s), 8))
    loads[0, :, 0], loads[1, :, 0] = 700.0 * s, 700.0 * (1.0 - s)
    window = window_of(0, np.arange(len(s)) / RATE_HZ, loads[0], loads[1], setup(rate_hz=20.0))
    shape = outline(window, Address(0, 58, 0.5, 0.01), 70, 73, setup(rate_hz=20.0))
    assert shape.pace >= 0.0


def on_a_ledge(depth: float, for_s: float, low: float) -> Knots:
    """A backswing that loads the trail foot by `depth` in .2 s and waits there before its turn."""
    last = 3.2 + for_s
    level = 0.5 - depth
    return (*STILL, (3.2, level), (last, level), (last + 0.3, low), (last + 0.6, 0.85), (8.0, 0.85))


@pytest.mark.parametrize("depth", [0.07, 0.10, 0.15, 0.20])
@pytest.mark.parametrize("for_s", [0.4, 0.5])
def test_a_backswing_that_waits_on_a_ledge_begins_at_the_address_before_it(depth, for_s):
    """The trough lies .3 s after the ledge, under it by .08 or more: two movements, one backswing.

    The onset is read from two fifths of the way, the ledge among them: it may be early.
    """
    (swing,) = swings(rows(on_a_ledge(depth, for_s, 0.22)))
    assert swing.start_s == pytest.approx(3.0, abs=0.04)
    assert swing.address_share == pytest.approx(0.5, abs=0.005)
    assert swing.trail_peak_s == pytest.approx(3.5 + for_s, abs=0.04)


@pytest.mark.parametrize(("depth", "level"), [(0.055, 0.445), (0.065, 0.5)])
def test_a_small_settling_to_the_trail_side_is_the_address(depth, level):
    (swing,) = swings(rows(on_a_ledge(depth, 0.4, 0.25)))
    assert swing.address_share == pytest.approx(level, abs=0.006)


@pytest.mark.parametrize(("for_s", "found"), [(0.98, 1), (1.08, 0)])
def test_a_rest_on_the_trail_side_is_no_ledge(for_s, found):
    """Still for so long, and within .05 of it for .15 s before and .16 s after."""
    last = 3.5 + for_s
    share = (*STILL, (3.5, 0.33), (last, 0.33), (last + 0.2, 0.2), (last + 0.5, 0.85), (8.0, 0.85))
    assert len(swings(rows(share))) == found


@pytest.mark.parametrize(("up", "level"), [(0.545, 0.5), (0.56, 0.38)])
def test_a_stillness_after_a_move_to_the_lead_side_is_no_ledge(up, level):
    share = (*STILL, (3.2, up), (3.3, up), (3.6, 0.38), (4.2, 0.38), (4.5, 0.2), (4.8, 0.85))
    (swing,) = swings(rows((*share, (8.0, 0.85))))
    assert swing.address_share == pytest.approx(level, abs=0.01)
