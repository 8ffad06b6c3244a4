"""A swing's page, chart and picture, of rows and moments written by hand.

The lead (left) foot carries 70, 35, 140 and 35 N on heel, midfoot, forefoot and toes, the trail
foot 140, 0, 70 and 0 N, of a body weight of 700 N: 0.40 and 0.30 × BW, a lead share of 280 / 490.
The CoP lies at (0.25, 0.5) and (0.75, 0.3). Every figure below is worked from these.
"""

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.records import swing

from plantigrade.block import Foot
from plantigrade.events import Swing
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.swingframes import SwingFrames
from plantigrade_gateway.web.desk.swing import (
    MARGIN_MM,
    aligned_at,
    frames_json,
    moments_of,
    picture,
    places,
    roles,
    swing_data,
    swing_page,
)

LEFT = (70.0, 35.0, 140.0, 35.0, 0.25 * 280, 0.5 * 280, 20.0, 2.0)
RIGHT = (140.0, 0.0, 70.0, 0.0, 0.75 * 210, 0.3 * 210, 0.0, 0.0)
ONE = swing(200)
"""Start 2.0, trail peak 2.7, shift 2.75, lead peak 3.0, heel leave 2.81, fore take 2.93 s."""


def frames(n: int = 401) -> SwingFrames:
    """Rows from 0 s on, 100 a second, all alike but that the fifth is missing."""
    left, right = np.tile(LEFT, (n, 1)), np.tile(RIGHT, (n, 1))
    left_zones, right_zones = np.full((n, 18), 1.26), np.full((n, 18), 3.0)
    right_zones[7, 3] = 41.2
    for table in (left, right, left_zones, right_zones):
        table[4] = np.nan
    settings = SessionSettings(bw_n=700.0)
    return SwingFrames(np.arange(n) / 100, left, right, left_zones, right_zones, settings)


# ---- moments ----


def test_pictures_count_from_the_first_known_of_shift_lead_peak_start_and_address():
    assert aligned_at(ONE) == (2.75, "shift")
    one = replace(ONE, shift_s=None)
    assert aligned_at(one) == (3.0, "lead peak")
    one = replace(one, lead_peak_s=None)
    assert aligned_at(one) == (2.0, "start")
    assert aligned_at(replace(one, start_s=None)) == (1.0, "address")


def test_moments_stand_in_order_of_time_and_absent_ones_nowhere():
    assert moments_of(ONE) == [
        ("start", 2.0),
        ("trail peak", 2.7),
        ("shift", 2.75),
        ("lead peak", 3.0),
    ]
    late = replace(ONE, trail_peak_s=2.9, finish_s=3.3, start_s=None)
    assert [name for name, _ in moments_of(late)] == ["shift", "trail peak", "lead peak", "finish"]


def test_the_lead_foot_stands_first():
    assert roles(Foot.LEFT) == (("lead", Foot.LEFT), ("trail", Foot.RIGHT))
    assert roles(Foot.RIGHT) == (("lead", Foot.RIGHT), ("trail", Foot.LEFT))


# ---- the chart ----


def test_the_chart_holds_loads_share_and_moments_from_the_shift():
    made = swing_data(ONE, frames())
    sources = made["sources"]
    assert sources["lead"]["t"][0] == -2.75 and sources["lead"]["t"][-1] == 1.25
    regions = ("heel", "midfoot", "forefoot", "toes")
    assert [sources["lead"][name][9] for name in regions] == [0.1, 0.05, 0.2, 0.05]
    assert [sources["trail"][name][9] for name in regions] == [0.2, 0.0, 0.1, 0.0]
    assert sources["lead"]["heel"][4] is None
    assert sources["share"]["y"][9] == pytest.approx(0.57143)
    assert sources["cursor"] == {"t": [0.0]}
    # a load of 0 to 0.20, 2 % of room below and 12 % above it
    low, high = -0.02 * 0.2, 1.12 * 0.2
    assert made["ranges"]["load"] == pytest.approx([low, high])
    assert made["ranges"]["time"] == [-2.75, 1.25]
    moments = sources["moments"]
    assert moments["name"] == ["start", "trail peak", "shift", "lead peak"]
    assert moments["t"] == [-0.75, -0.05, 0.0, 0.25]
    line = 0.13 * (high - low)  # each on a line of its own: on a phone these names are near
    assert moments["at"] == pytest.approx([high - k * line for k in range(4)])
    assert sources["push"]["name"] == ["heel leave", "fore take"]
    assert sources["push"]["t"] == [0.06, 0.18]
    assert (sources["lift"]["left"], sources["lift"]["right"]) == (
        [pytest.approx(-0.35)],
        [pytest.approx(0.15)],
    )


def test_the_chart_holds_what_push_and_heel_were_decided_by():
    """The limits of the definitions (design §5): .40 and .15 of the length, .20 of the shift."""
    sources = swing_data(ONE, frames())["sources"]
    assert sources["place"]["y"][9] == pytest.approx(0.3)  # the trail foot's, along the foot
    assert sources["place"]["t"][0] == -2.75
    assert (sources["way"]["t"], sources["way"]["y"]) == ([-0.75, -0.74, -0.73], [0.1, 0.3, 0.0])
    levels = sources["levels"]
    assert levels["name"] == ["begins at or behind", "held up to here"]
    assert levels["y"] == pytest.approx([0.40, 0.35])
    assert levels["at"] == pytest.approx([0.41, 0.25])  # a name above the upper, under the lower
    assert levels["t"] == [-2.75, -2.75]
    assert sources["least"]["left"] == [pytest.approx(0.06)]
    assert sources["least"]["right"] == [pytest.approx(0.06 + 0.20 * 0.25)]
    assert sources["heel_limit"]["y"] == [pytest.approx(20.0 / 700.0)]


def test_what_is_not_known_is_not_drawn():
    push = replace(ONE.push, travel_from=None, heel_leave_s=None)
    lift = replace(ONE.heel_lift, return_s=None)
    sources = swing_data(replace(ONE, push=push, heel_lift=lift), frames())["sources"]
    assert sources["lift"] == {"left": [], "right": []}
    assert sources["least"] == {"left": [], "right": []}
    assert sources["levels"]["name"] == ["begins at or behind"]
    no_shift = swing_data(replace(ONE, shift_s=None), frames())["sources"]
    assert no_shift["least"] == {"left": [], "right": []}
    down = replace(ONE, heel_lift=replace(ONE.heel_lift, lift_s=None))
    assert swing_data(down, frames())["sources"]["lift"] == {"left": [], "right": []}


# ---- the picture ----


def test_places_of_both_feet_are_mirrored_and_the_heel_is_below():
    layout = frames().layout  # 270 x 95 mm (hardware notes); a margin of 6 mm
    assert (layout.length_mm, layout.width_mm, MARGIN_MM) == (270.0, 95.0, 6.0)
    points = np.array([[0.0, 0.0], [0.2, 1.0]])
    np.testing.assert_allclose(places(layout, Foot.RIGHT, points), [[6.0, 276.0], [25.0, 6.0]])
    np.testing.assert_allclose(places(layout, Foot.LEFT, points), [[101.0, 276.0], [82.0, 6.0]])


def test_a_path_lifts_its_pen_at_a_gap():
    points = np.array([[0.0, 0.0], [0.0, 1.0], [np.nan, 0.5], [0.2, np.nan], [0.2, 1.0]])
    made = picture(frames().layout, Foot.RIGHT, Foot.LEFT, points)
    assert made.path == "M6.0 276.0L6.0 6.0M25.0 6.0"
    assert (made.foot, made.role, made.width, made.height) == ("right", "trail", 107.0, 282.0)
    assert picture(frames().layout, Foot.LEFT, Foot.LEFT, points).role == "lead"


def test_every_row_goes_to_the_picture():
    made = frames_json(ONE, frames())
    assert (made["t"][0], len(made["t"]), made["unit"]) == (-2.75, 401, "kPa")
    assert made["share"][9] == 0.571 and made["share"][4] is None
    assert made["top"] == 42.0  # the highest reading, 41.2, in whole units
    left, right = made["feet"]["left"], made["feet"]["right"]
    assert left["zones"][9] == [1.3] * 18 and right["zones"][7][3] == 41.2
    assert left["regions"][9] == [0.1, 0.05, 0.2, 0.05]
    assert (left["load"][9], right["load"][9]) == (0.4, 0.3)
    assert left["cop"][9] == [pytest.approx(6 + 0.75 * 95, abs=0.05), 141.0]
    assert right["cop"][9] == [pytest.approx(6 + 0.75 * 95, abs=0.05), 195.0]
    assert left["cop"][4] == [None, None]
    assert made["moments"] == {
        **{"start": 200, "trail peak": 270, "shift": 275, "lead peak": 300},
        **{"heel leave": 281, "fore take": 293},
    }


def test_the_scale_of_loads_is_never_under_one():
    faint = frames()
    faint.left_zones[:], faint.right_zones[:] = 0.2, 0.1
    assert frames_json(ONE, faint)["top"] == 1.0
    faint.left_zones[:] = faint.right_zones[:] = np.nan
    assert frames_json(ONE, faint)["top"] == 1.0


# ---- the page ----


def page(one: Swing, together: tuple[Swing, ...] = (), rows: SwingFrames | None = None) -> Any:
    """What the page of the second of these swings shows."""
    runs = [SimpleNamespace(swings=()), SimpleNamespace(swings=together)] if together else []
    opened: Any = SimpleNamespace(
        swing=lambda number: {2: one}[number],
        found=SimpleNamespace(whole_sets=runs, rate_hz=100.0, strikes=()),
        left_out={one.first_index: "stepped"},
        set_names={one.first_index: "full"},
    )
    reads: Any = SimpleNamespace(rows_of=lambda opened, swing: rows or frames())
    return swing_page(reads, opened, 2)


def test_a_page_counts_a_swing_in_its_set():
    shown = page(ONE, (swing(20), ONE, swing(900)))
    assert (shown["in_set"], shown["set_number"], shown["set_name"]) == ("2 of 3", 2, "full")
    assert (shown["left_out"], shown["lead"], shown["last_frame"]) == ("stepped", "left", 400)
    alone = page(ONE)
    assert (alone["in_set"], alone["set_number"]) == ("", 0)


def test_a_page_lists_the_moments_with_share_and_loads():
    found = {row.name: row for row in page(ONE)["moments"]}
    assert list(found) == [
        *("start", "trail peak", "shift", "heel leave", "fore take", "lead peak"),
    ]
    assert [row.after for row in found.values()] == [
        *("-0.75", "-0.05", "+0.00", "+0.06", "+0.18", "+0.25"),
    ]
    assert {row.share for row in found.values()} == {"57"}
    assert found["start"].feet == (
        ("0.40", "0.10", "0.05", "0.20", "0.05"),
        ("0.30", "0.20", "0.00", "0.10", "0.00"),
    )
    gap = replace(ONE, start_s=0.04)
    (start, *_) = page(gap)["moments"]
    assert start.share == "–" and start.feet[0] == ("–",) * 5


def test_a_page_says_what_is_known_of_the_heel():
    """Its limit is 20 N (`tests.support.records`); load and limit are said once, in one unit."""
    assert page(ONE)["lift"] == "unloaded 0.5 s"
    (heel,) = [said for said in page(ONE)["why"] if said.startswith("The lead heel")]
    assert re.search(r"about \d+ N, the limit is 20 N", heel)


def test_a_path_is_drawn_from_a_little_before_the_start_to_the_finish():
    """From 0.3 s before the start: 2.0 − 0.3 s to the finish at 3.3 s makes 161 rows."""
    rows = frames()
    shown = page(replace(ONE, finish_s=3.3), rows=rows)
    assert [one.foot for one in shown["feet"]] == ["left", "right"]
    assert [one.path.count("L") + 1 for one in shown["feet"]] == [161, 161]
    to_the_end = page(ONE)["feet"][0].path
    assert to_the_end.count("L") + 1 == 231
    from_address = page(replace(ONE, start_s=None, finish_s=3.3))["feet"][0].path
    assert from_address.count("L") + 1 == 261
