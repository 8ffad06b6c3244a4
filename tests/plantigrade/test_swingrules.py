"""Which outlines are a swing's: each limit from both sides of it, all else a plain swing.

The limits are the project's own (design of the measures; no published values exist).
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.plantigrade.test_swings import BW_N, rows, setup

from plantigrade.swing import Address, Outline
from plantigrade.swingrows import SwingRows
from plantigrade.swingrules import is_drive, slides, top_of

RATE_HZ = 100.0
PLAIN = Outline(
    address=Address(0, 60, 0.5, 0.01),
    start=100.0,
    trail_peak=180.0,
    trail_peak_rows=10.0,
    lowest=0.25,
    shift=185.0,
    lead_peak=210.0,
    lead_peak_n=1.05 * BW_N,
    highest=0.85,
    pace=0.02,
    press=0.0,
    loaded=1.6,
    deeper=0.0,
    forward=0.0,
    back=0.05,
)
"""A second to the trail foot, a quarter to the lead foot, 2 / s in between."""


def changed(level: float = 0.5, sd: float = 0.01, **moments: Any) -> Outline:
    return replace(PLAIN, address=Address(0, 60, level, sd), **moments)


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        # s ranges over .20, or over .15 where the lead load is 1.2 times its own at address; and
        # over four SD of its address
        (
            {"lowest": 0.42, "highest": 0.621, "loaded": 1.19},
            {"lowest": 0.42, "highest": 0.619, "loaded": 1.19},
        ),
        (
            {"lowest": 0.39, "highest": 0.541, "loaded": 1.21},
            {"lowest": 0.39, "highest": 0.539, "loaded": 1.21},
        ),
        ({"sd": 0.12}, {"sd": 0.155}),  # 4 × .155 is over the range of .60
        # it falls .075 under its address level, .05 in .6 s or before a drive with 1.1 times the
        # body's weight, and two SD; it was not lower by over .10 before
        ({"lowest": 0.424, "start": 125.0}, {"lowest": 0.426, "start": 125.0}),
        ({"lowest": 0.449, "start": 119.0}, {"lowest": 0.449, "start": 121.0}),
        ({"lowest": 0.426, "lead_peak_n": 1.11 * BW_N, "start": 125.0}, {}),
        (
            {"lowest": 0.449, "lead_peak_n": 1.11 * BW_N},
            {"lowest": 0.451, "lead_peak_n": 1.11 * BW_N},
        ),
        (
            {"lowest": 0.449, "lead_peak_n": 1.11 * BW_N},
            {"lead_peak_n": 1.09 * BW_N, "lowest": 0.449, "start": 125.0},
        ),
        ({"deeper": 0.099}, {"deeper": 0.101}),
        ({"sd": 0.049, "lowest": 0.40}, {"sd": 0.051, "lowest": 0.40}),
        # a press before is .10 or a third of the range at the most: here .33 × .60, then .25
        ({"press": 0.197}, {"press": 0.199}),
        ({"press": 0.099, "lowest": 0.40, "highest": 0.65}, {"press": 0.101, "highest": 0.54}),
        # a stillness under .42 that falls by under .15 goes over .56, else it was a rest there
        ({"level": 0.43, "lowest": 0.29, "highest": 0.55}, {}),
        (
            {"level": 0.421, "lowest": 0.29, "highest": 0.55},
            {"level": 0.419, "lowest": 0.29, "highest": 0.55},
        ),
        (
            {"level": 0.41, "lowest": 0.259, "highest": 0.55},
            {"level": 0.41, "lowest": 0.261, "highest": 0.55},
        ),
        (
            {"level": 0.41, "lowest": 0.30, "highest": 0.561},
            {"level": 0.41, "lowest": 0.30, "highest": 0.559},
        ),
        # it comes over by .09, or nearly to its level with 1.2 times the load after a fall of .10
        ({"highest": 0.591, "loaded": 1.0}, {"highest": 0.589, "loaded": 1.0}),
        ({"highest": 0.461}, {"highest": 0.459}),
        ({"highest": 0.5, "loaded": 1.21}, {"highest": 0.5, "loaded": 1.19}),
        ({"highest": 0.589, "lowest": 0.399}, {"highest": 0.589, "lowest": 0.401}),
        # loading takes .22 to 3 s, the drive .05 to .6 s; the turn is no rest of .8 s
        ({"start": 157.9}, {"start": 158.1}),
        ({"start": -119.0}, {"start": -121.0}),
        ({"lead_peak": 190.1}, {"lead_peak": 189.9}),
        ({"lead_peak": 244.9}, {"lead_peak": 245.1}),
        ({"trail_peak_rows": 79.9}, {"trail_peak_rows": 80.1}),
        # the way to the trail foot takes .65 of the way from there to the lead foot: here of .5 s
        ({"start": 147.4, "lead_peak": 230.0}, {"start": 147.6, "lead_peak": 230.0}),
        # both feet's CoP do not come forward by .05, unless the trail foot's went back by .02
        ({"forward": 0.049, "back": 0.0}, {"forward": 0.051, "back": 0.0}),
        ({"forward": 0.2, "back": 0.021}, {"forward": 0.2, "back": 0.019}),
        # and the drive rises by .6 / s at the least
        ({"pace": 0.0061}, {"pace": 0.0059}),
    ],
)
def test_a_drive_within_its_limits_is_a_swing_and_one_outside_is_not(inside, outside):
    assert is_drive(changed(**inside), setup())
    if outside:
        assert not is_drive(changed(**outside), setup())


@pytest.mark.parametrize(
    "moments",
    [
        {"start": 158.0},
        {"start": -120.0},
        {"lead_peak": 190.0},
        {"lead_peak": 245.0},
        {"loaded": 1.2, "highest": 0.5},
        {"press": 0.1, "lowest": 0.40, "highest": 0.65},
        {"pace": 0.006},
        {"start": 147.5, "lead_peak": 230.0},
        {"forward": 0.2, "back": 0.02},
        {"level": 0.42, "lowest": 0.29, "highest": 0.55},
        {"level": 0.41, "lowest": 0.30, "highest": 0.56},
    ],
)
def test_a_drive_at_a_limit_is_a_swing(moments):
    assert is_drive(changed(**moments), setup())


def test_a_turn_of_just_the_length_of_a_rest_is_one():
    assert not is_drive(changed(trail_peak_rows=80.0), setup())


def test_seconds_are_seconds_at_any_rate():
    """Twice the rows in a second: 0.6 s are 120 rows, and a rise by 1 / s is half as much a row."""
    twice = replace(PLAIN, start=0.0, trail_peak=100.0, shift=110.0, lead_peak=225.0, pace=0.0031)
    assert is_drive(twice, setup(rate_hz=200.0))
    assert not is_drive(twice, setup(rate_hz=100.0))
    assert not is_drive(replace(twice, pace=0.0029), setup(rate_hz=200.0))
    assert not is_drive(replace(twice, trail_peak_rows=161.0), setup(rate_hz=200.0))
    assert is_drive(replace(twice, trail_peak_rows=159.0), setup(rate_hz=200.0))


def test_the_range_is_a_setting():
    assert is_drive(PLAIN, setup(swing_range=0.59))
    assert not is_drive(PLAIN, setup(swing_range=0.61))
    assert is_drive(changed(sd=0.1), setup(swing_range_sd=5.9))
    assert not is_drive(changed(sd=0.1), setup(swing_range_sd=6.1))


@pytest.mark.parametrize(
    ("flat_rows", "within", "expected"),
    [
        (19, 0.05, 10),  # with the top itself 20 rows: 0.2 s of a level, reached at its first row
        (18, 0.05, 28),  # a row less: the top
        (19, 0.06, 10),
        (19, 0.07, 29),  # within 6 % of the rise is a level, 7 % under it is not
    ],
)
def test_a_flat_top_is_reached_at_its_first_row(flat_rows, within, expected):
    """A rise from 200 to 300 N in ten rows, a flat part, and the highest row at its end."""
    rise = np.linspace(200.0, 290.0, 10)
    flat = np.full(flat_rows, 300.0 - 100.0 * within)
    lead = np.concatenate((rise, flat, [300.0, 250.0, 200.0]))
    assert top_of(lead, setup()) == expected


@pytest.mark.parametrize(
    ("light", "lead_n", "loaded", "sliding"),
    [
        (slice(110, 124), 600.0, 1.6, True),  # smoothed by three rows on each side, 8 are light
        (slice(110, 119), 600.0, 1.6, False),
        (slice(110, 124), 771.0, 1.6, False),  # driven down: over 1.1 of the body's 700 N
        (slice(110, 124), 769.0, 1.6, True),
    ],
)
def test_a_lead_foot_hardly_on_the_ground_slides_unless_it_is_driven_down(
    light, lead_n, loaded, sliding
):
    found = SwingRows(setup(), 0)
    block = rows(((0.0, 0.5), (3.0, 0.5)), seconds=3.0)
    block.left[light, :6] = 0.0
    found.push(block)
    shape = changed(lead_peak_n=lead_n, loaded=loaded)
    assert slides(found, shape, 100, 210, setup()) is sliding
