"""The desk's tables, cell by cell, of events whose numbers were written by hand.

The texts are worked by hand from `tests.support.records`: 0.3 of an impulse is 30.0 %, a strike
at sample 100 of 100 Hz stands at 0:01.0.
"""

from dataclasses import replace

from tests.support.records import stand, step, swing

from plantigrade.block import Foot
from plantigrade_gateway.analysis.measures import SWING_MEASURES
from plantigrade_gateway.web.desk.tables import (
    ROWS_PER_PAGE,
    STAND_MEASURES,
    STEP_MEASURES,
    make_table,
    swing_columns,
)


def texts(made) -> dict[str, str]:
    """One row's cells by the key of their column."""
    (row,) = made.rows
    return {head.key: cell.text for head, cell in zip(made.heads, row.cells, strict=True)}


def test_a_step_s_cells():
    assert texts(make_table([step(100, Foot.RIGHT)], STEP_MEASURES)) == {
        "foot": "right",
        "strike": "0:01.0",
        "stance": "0.650",
        "roll": "through",
        "midfoot": "30.0",
        "heel_centre": "0",
        "midfoot_centre": "0",
        "forefoot_centre": "0",
        "toes_centre": "–",
        "heel_off": "62",
        "peak1": "802",
        "valley": "610",
        "peak2": "845",
    }


def test_each_region_s_centre_is_its_own():
    made = step(100)
    parts = ("heel", "midfoot", "forefoot", "toes")
    heel, midfoot, forefoot, toes = (
        replace(made.heel, centre_pct=10.0 * k) for k in range(2, 2 + len(parts))
    )
    one = replace(made, heel=heel, midfoot=midfoot, forefoot=forefoot, toes=toes)
    found = texts(make_table([one], STEP_MEASURES))
    assert [found[f"{name}_centre"] for name in parts] == ["20", "30", "40", "50"]


def test_a_stand_s_cells():
    one = stand(900)
    left = replace(
        one.left,
        midfoot_share=0.0512,
        midfoot_medial_share=0.48,
        midfoot_zones=3,
        sway_rms_y_mm=3.14,
        sway_rms_x_mm=1.26,
    )
    right = replace(
        one.right,
        midfoot_share=0.1234,
        midfoot_medial_share=0.61,
        midfoot_zones=5,
        sway_rms_y_mm=4.55,
        sway_rms_x_mm=2.04,
    )
    made = make_table([replace(one, left=left, right=right)], STAND_MEASURES)
    assert texts(made) == {
        "start": "0:09.0",
        "length": "12.0",
        "left_share": "52",
        "left_bearing": "slight",
        "left_midfoot": "5.1",
        "left_medial": "48",
        "left_zones": "3",
        "left_rms": "3.1",
        "left_rms_x": "1.3",
        "right_bearing": "unclear",
        "right_midfoot": "12.3",
        "right_medial": "61",
        "right_zones": "5",
        "right_rms": "4.5",
        "right_rms_x": "2.0",
    }


SWING = {
    "to_trail_peak": "0.70",
    "to_shift": "0.05",
    "to_lead_peak": "0.25",
    "load_tempo": "2.4",
    "transfer": "0.12",
    "transfer_of_shift": "44",
    "load_at_fore_take": "61",
    "heel_lift": "0.50",
    "heel_return": "-0.03",
    "share_range": "70",
    "lead_peak": "1.40",
    "trail_return": "–",
    "push_from": "20",
    "midfoot_of_push": "8.0",
    "trail_heel_address": "45",
    "trail_heel": "62",
    "lead_heel_address": "50",
    "address_share": "50",
    "trail_peak": "0.80",
    "lead_rise": "2.5",
    "travel_both": "15",
    "travel_lead": "20",
    "travel_trail": "60",
}
"""Of `records.swing`, without its sampling error."""


def test_a_swing_s_cells():
    found = texts(make_table([swing(100)], swing_columns({100: "full"}, {100: 3}, {})))
    assert found == {
        "start": "0:01.0",
        "set": "full",
        "in_set": "3",
        "push": "rolled, with shift",
        "heel": "unloaded",
        **SWING,
    }
    back = replace(swing(100), trail_return_share=0.31, heel_lift=swing(200).heel_lift)
    assert texts(make_table([back], SWING_MEASURES))["trail_return"] == "31"


def test_a_swing_s_cells_say_what_sampling_lets_be_known():
    """± one sample is 0.01 s at 100 Hz; under that, what rounding takes is the larger error."""
    found = texts(make_table([swing(100)], SWING_MEASURES, rate_hz=100.0))
    with_error = {key for key, text in found.items() if "±" in text}
    assert with_error == {
        *("to_trail_peak", "to_shift", "to_lead_peak", "load_tempo", "transfer"),
        *("transfer_of_shift", "heel_lift", "heel_return"),
    }
    assert (found["to_trail_peak"], found["transfer"]) == ("0.70 ± 0.01", "0.12 ± 0.01")
    # 0.44 of a shift of 0.25 s: two times of ± 0.01 s, (1 + 0.44) · 0.01 / 0.25 = 0.058
    assert found["transfer_of_shift"] == "44 ± 6"
    short = replace(swing(100), push=replace(swing(100).push, transfer_s=0.004))
    assert texts(make_table([short], SWING_MEASURES, rate_hz=100.0))["transfer"] == "≤ 0.02"


def test_titles_name_what_no_other_column_does():
    """A reader tells the columns apart by title and unit."""
    for measures in (STEP_MEASURES, STAND_MEASURES, SWING_MEASURES):
        heads = [(one.title, one.unit) for one in measures]
        assert len(set(heads)) == len(heads)


def test_heads_say_how_it_is_sorted_and_what_pressing_them_asks_for():
    steps = [step(300), step(100), step(200)]
    up = make_table(steps, STEP_MEASURES, sort="strike", order="up")
    down = make_table(steps, STEP_MEASURES, sort="strike", order="down")
    heads = {head.key: head for head in up.heads}
    assert (heads["strike"].sorted, heads["strike"].next_order) == ("ascending", "down")
    assert (heads["stance"].sorted, heads["stance"].next_order) == ("none", "up")
    heads = {head.key: head for head in down.heads}
    assert (heads["strike"].sorted, heads["strike"].next_order) == ("descending", "up")
    assert [row.number for row in up.rows] == [2, 3, 1]
    assert [row.number for row in down.rows] == [1, 3, 2]
    assert [head.is_number for head in up.heads][:4] == [False, True, True, False]
    (cell, *_), *_ = (row.cells for row in up.rows)
    assert not cell.is_number and up.rows[0].cells[1].is_number


def test_pages_of_two_hundred_rows():
    """200 rows a page (the desk's own); the last page holds what is left."""
    assert ROWS_PER_PAGE == 200
    steps = [step(100 * k) for k in range(401)]

    def page(n: int, number: int) -> tuple[int, int, int, int, int]:
        made = make_table(steps[:n], STEP_MEASURES, page=number)
        last = made.rows[-1].number if made.rows else 0
        return made.page, made.pages, made.total, len(made.rows), last

    assert page(401, 1) == (1, 3, 401, 200, 200)
    assert page(401, 2) == (2, 3, 401, 200, 400)
    assert page(401, 3) == (3, 3, 401, 1, 401)
    assert page(401, 9) == (3, 3, 401, 1, 401)
    assert page(401, -2) == (1, 3, 401, 200, 200)
    assert page(400, 2) == (2, 2, 400, 200, 400)
    assert page(0, 1) == (1, 1, 0, 0, 0)
