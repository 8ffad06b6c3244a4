"""A form's file of club speeds beside swings put together by hand; all are invented."""

from types import SimpleNamespace
from typing import cast

import pytest
from tests.support.cases import VisitMaker, pushes

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.desk.reads import Opened
from plantigrade_gateway.web.desk.speeds import has_speeds, match

MADE = VisitMaker().swung("full", pushes(3, 0)).swung("smooth", pushes(2, 0)).visit().analysis
OPENED = cast(Opened, SimpleNamespace(found=MADE))
CSV = "when,speed\n1.0,40\n21.0,41\n41.0,42\n"
FORM = {"csv": CSV, "column": "speed", "unit": "m/s", "how": "order"}


def places(**more: str) -> list[tuple[int, float]]:
    return [(one.place, one.row.m_s) for one in match(OPENED, FORM | more).preview.pairs]


def test_by_order_the_first_row_is_of_the_first_swing_of_all_or_of_a_set():
    assert places() == [(0, 40.0), (1, 41.0), (2, 42.0)]
    assert places(set="0") == places(set="1") == places()
    assert places(set="2") == [(3, 40.0), (4, 41.0)]


def test_by_time_rows_are_of_the_swings_at_their_times():
    """The swings of a set lie 20 s apart, as the rows do."""
    found = match(OPENED, FORM | {"how": "time", "time_column": "when"})
    assert [(one.place, one.row.m_s) for one in found.preview.pairs] == places()
    assert found.preview.offset_s is not None


def test_what_was_shown_is_told_from_anything_else():
    one = match(OPENED, FORM).print
    assert one == match(OPENED, FORM).print and len(one) == 64
    assert one != match(OPENED, FORM | {"unit": "mph", "csv": CSV.replace("4", "9")}).print
    assert one != match(OPENED, FORM | {"set": "2"}).print
    assert one != match(OPENED, FORM | {"how": "time", "time_column": "when"}).print


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"how": "luck"}, "match: 'luck', expected time or order"),
        ({"how": "time"}, "match: by time needs the column of the time; or choose the order"),
        ({"set": "two"}, "set: 'two', expected a number"),
        ({"set": "-1"}, "set: '-1', expected a number"),
        ({"set": "1000000"}, "set: '1000000', expected a number"),
        ({"set": "3"}, "set 3: this session has 2 sets"),
        ({"set": "999999"}, "set 999999: this session has 2 sets"),
    ],
)
def test_what_cannot_be_matched_is_refused_in_a_sentence(more, said):
    with pytest.raises(InputError) as caught:
        match(OPENED, FORM | more)
    assert str(caught.value) == said


def test_any_swing_with_a_speed_is_one():
    assert not has_speeds(VisitMaker().visit())
