"""The rules of a speed block; numbers of the built-in rule file, written here by hand.

Common practice, no published source.
"""

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from tests.support.records import swing

from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import Analysis, Mark, SetSpan, swing_time
from plantigrade_gateway.check.speedblock import (
    Done,
    Made,
    Part,
    Plan,
    done_of,
    ended_by,
    is_rest_short,
    is_speed_lost,
    last_time,
    next_part,
    no_dose,
    plan_of,
    stop_of,
)
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.files import built_in

STOPS = frozenset({"pain", "push-lost", "speed-lost", "rest-not-kept", "dose"})
PLAN = Plan(10, 5, 6, 3, 20, 120, 3, 2, STOPS)
DAY = date(2026, 3, 12)
DONE = Done(3, 15, 12, 15, 0, "dose")
LEFT = Done(1, 5, 5, 5, 0, "left")


def pushes(yes: str) -> tuple[Swing, ...]:
    """Good, bad and unclear pushes, ``"yn?"``."""
    known = {"y": True, "n": False, "?": None}
    made = [swing(3000 * k) for k in range(len(yes))]
    return tuple(
        replace(s, push=replace(s.push, is_good=known[c])) for s, c in zip(made, yes, strict=True)
    )


def test_the_built_in_rules_are_the_plan():
    rules = built_in()
    assert plan_of(rules.speed, [stop.id for stop in rules.stops]) == PLAN


@pytest.mark.parametrize("value", [None, 0, 2.5, "five"])
def test_a_rule_file_without_a_number_is_no_plan(value):
    table = {**built_in().speed, "block_swings": value}
    with pytest.raises(InputError, match=r"block_swings is .*, expected a whole number"):
        plan_of(table, STOPS)


WARM, FAST = Made(Part.WARM_UP), Made(Part.FAST)


@pytest.mark.parametrize(
    ("made", "before", "then"),
    [
        ([], 0, Part.WARM_UP),
        ([WARM], 0, Part.FAST),
        ([WARM, FAST, FAST], 0, Part.FAST),
        ([WARM, FAST, FAST, FAST], 0, Part.CLOSING),
        ([WARM, FAST], 2, Part.CLOSING),
        ([WARM, Made(Part.FAST, stopped="speed-lost")], 0, Part.CLOSING),
        ([WARM, Made(Part.FAST, stopped="push-lost")], 0, Part.FULL),
        ([WARM, FAST, Made(Part.FULL, pushes("yynyy"))], 0, Part.FAST),
        ([WARM, FAST, Made(Part.FULL, pushes("yyny?"))], 0, Part.CLOSING),
        ([WARM, FAST, Made(Part.CLOSING)], 0, None),
    ],
)
def test_what_is_swung_next(made, before, then):
    assert next_part(made, PLAN, before) is then
    if not before:
        assert next_part(made, PLAN) is then


@pytest.mark.parametrize(
    ("yes", "stopped"), [("yynn", ""), ("ynynn", "push-lost"), ("nnyyyyn", ""), ("nn?", "")]
)
def test_three_of_the_last_five_pushes_lost_stop_a_block(yes, stopped):
    assert stop_of([WARM, Made(Part.FAST, pushes(yes))], {}, PLAN) == stopped


def test_a_full_block_begins_the_count_of_lost_pushes_anew():
    made = [
        Made(Part.FAST, pushes("nnn"), "push-lost"),
        Made(Part.FULL, pushes("yyyyy")),
        Made(Part.FAST, pushes("n")),
    ]
    assert stop_of(made, {}, PLAN) == ""


def test_a_stop_rule_that_the_file_leaves_out_does_not_act():
    made = [WARM, Made(Part.FAST, pushes("nnn"))]
    assert stop_of(made, {}, replace(PLAN, stops=frozenset({"pain"}))) == ""


@pytest.mark.parametrize(
    ("later", "lost"),
    [
        ([48.4, 48.4, 48.4], True),  # 3 % under 50 are 48.5
        ([48.5, 48.4, 48.4], False),
        ([48.4, 48.4], False),
        ([48.4, 49.0, 48.4, 48.4], False),
    ],
)
def test_speed_is_lost_in_three_slow_swings_in_a_row(later, lost):
    assert is_speed_lost([50.0, 49.0, 51.0], later) is lost
    assert not is_speed_lost([50.0, 50.0], later)  # no median of two


def test_a_lost_speed_stops_a_block_where_the_rules_say_so():
    """Club speeds of swings by their first sample; 3 % under 50 m/s are 48.5."""
    first, later = pushes("yyy"), pushes("yyyyyy")[3:]
    made = [Made(Part.FAST, first), Made(Part.FAST, later)]
    speeds = {s.first_index: 50.0 for s in first} | {s.first_index: 48.4 for s in later}
    assert stop_of(made, speeds, PLAN) == "speed-lost"
    assert stop_of(made, {}, PLAN) == ""
    assert stop_of(made[:1], speeds, PLAN) == ""
    assert stop_of(made, speeds, replace(PLAN, stops=frozenset({"push-lost"}))) == ""
    unknown = {index: m_s for index, m_s in speeds.items() if index != later[0].first_index}
    assert stop_of(made, unknown, PLAN) == ""


@pytest.mark.parametrize(
    ("made", "before", "said"),
    [
        ([], 0, "left"),
        ([WARM, FAST], 0, "left"),
        ([WARM, FAST, FAST], 0, "left"),
        ([WARM, FAST, FAST, FAST], 0, "dose"),
        ([WARM, FAST, FAST, FAST, Made(Part.CLOSING)], 0, "dose"),
        ([WARM, FAST], 2, "dose"),
        ([WARM, FAST], 1, "left"),
        ([WARM, Made(Part.FAST, stopped="speed-lost")], 0, "speed-lost"),
        ([WARM, FAST, Made(Part.FULL, pushes("yyny?"))], 0, "push-lost"),
        ([WARM, FAST, Made(Part.FULL, pushes("yynyy")), Made(Part.CLOSING)], 0, "left"),
    ],
)
def test_what_left_only_closing_swings(made, before, said):
    assert ended_by(made, PLAN, before) == said
    if not before:
        assert ended_by(made, PLAN) == said


def test_without_a_dose_in_the_rules_none_ends_it():
    free = replace(PLAN, stops=frozenset({"pain", "push-lost"}))
    assert next_part([WARM, FAST, FAST, FAST], free) is Part.FAST
    assert ended_by([WARM, FAST, FAST, FAST], free) == "left"
    assert next_part([WARM, FAST], PLAN) is Part.FAST
    full = Made(Part.FULL, pushes("yyny?"))
    assert ended_by([WARM, FAST, FAST, FAST, full], free) == "push-lost"


def test_each_part_has_its_swings():
    assert [PLAN.swings(part) for part in Part] == [10, 5, 5, 6]
    table = {**built_in().speed, "block_swings": 1}
    assert plan_of(table, STOPS).block_swings == 1


def told(*marks: tuple[float, str], swings: str = "", spans: tuple[SetSpan, ...] = ()) -> Any:
    found = tuple(Mark(at_s, text) for at_s, text in marks)
    return done_of(
        Analysis("by hand", 100.0, 150.0, (), (), pushes(swings), found, None, spans=spans)
    )


def test_what_a_record_tells_of_speed_work():
    """By hand: two fast blocks are begun, one has a set of its own; three of four are known.

    Swings are 30 s apart from 0 s on; the set that is not marked as a block's is none of it.
    """
    spans = (SetSpan("fast", 0.0, 100.0, intent="fast"), SetSpan("full", 105.0, 130.0))
    assert told((1.0, "set: full"), (2.0, "hello")) is None
    assert told(
        (0.0, "speed block: fast"),
        (15.0, "speed block: rest-not-kept"),
        (102.0, "speed block: full"),
        (105.0, "speed block: fast"),
        (140.0, "speed block: ended, left"),
        (145.0, "speed block: ended, pain"),
        swings="yn?yy",
        spans=spans,
    ) == Done(2, 4, 2, 3, 1, "pain")
    assert told((10.0, "speed block: warm_up")) == Done(0, 0, 0, 0, 0, "")
    alone = (SetSpan("fast", 0.5, 100.0, intent="fast"),)
    assert told((0.0, "speed block: fast"), swings="yn", spans=alone) == Done(1, 0, 0, 0, 0, "")


@pytest.mark.parametrize(
    ("ended", "is_over"),
    [("", False), ("left", False), ("stop taken back", False), ("pain", True), ("dose", True)],
)
def test_a_stop_rule_ends_the_day(ended, is_over):
    assert replace(DONE, ended=ended).is_over is is_over


def test_the_last_swing_before_an_instant():
    made = pushes("yyy")
    times = [swing_time(one) for one in made]
    assert last_time(made, times[2]) == times[1]
    assert last_time(made, times[2] + 0.1) == times[2]
    assert last_time(made, times[0]) is None


def test_half_the_rest_is_enough():
    assert is_rest_short(9.9, 20) and not is_rest_short(10.0, 20)


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ({}, None),
        ({date(2026, 3, 10): [DONE]}, None),
        ({date(2026, 3, 11): [DONE]}, "the next is from 2026-03-13 on"),
        ({DAY: [LEFT]}, None),
        ({DAY: [LEFT, LEFT, LEFT]}, "3 blocks were swung"),
        ({DAY: [replace(LEFT, ended="pain")]}, "was ended (pain)"),
        ({date(2026, 3, d): [DONE] for d in (6, 8, 10)}, "the next is from 2026-03-13 on"),
        ({date(2026, 3, d): [DONE] for d in (5, 8, 10)}, None),
    ],
)
def test_the_dose_of_a_week(days, said):
    found = no_dose(days, DAY, PLAN)
    assert found is None if said is None else found is not None and said in found
