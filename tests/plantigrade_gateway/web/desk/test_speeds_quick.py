"""A form's file of club speeds beside swings put together by hand; all are invented."""

import re
from types import SimpleNamespace
from typing import cast

import pytest
from tests.support.cases import VisitMaker, pushes
from tests.support.handmade import Made
from tests.support.pagetext import text_of

from plantigrade.stat import stat_of
from plantigrade_gateway.coach.speed import SetSpeed
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store import results
from plantigrade_gateway.web.desk.reads import Opened
from plantigrade_gateway.web.desk.speeds import has_speeds, match, set_speed_text

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


# ---- the page, on a store made by hand ----

BY_HAND = {"csv": CSV, "column": "speed", "unit": "m/s", "how": "order"}


def speeds_of(hand: Made) -> list[float | None]:
    swings = results.read(hand.store, hand.visits[0]).swings
    said = Visits(hand.register).said(hand.visits[0], swings).swings
    return [said[k].club_speed_m_s if k in said else None for k in range(3)]


def test_speeds_are_shown_joined_as_they_were_shown_and_undone(pages, hand):
    here = f"/sessions/{hand.visits[0]}/speeds"
    assert "No swing has a club speed yet" in text_of(pages.get(here))
    chosen = pages.post(here, data={"csv": CSV})
    assert chosen.status_code == 200 and "<option>when</option>" in chosen.text
    empty = pages.post(here, data={"csv": " "})
    assert "file: choose or paste one" in text_of(empty, 422)
    shown = pages.post(here, data=BY_HAND)
    (seal,) = re.findall(r'name="print" value="([0-9a-f]{64})"', shown.text)
    assert shown.status_code == 200 and speeds_of(hand) == [None] * 3
    other = pages.post(f"{here}/join", data=BY_HAND | {"print": seal[::-1]})
    assert "club speed: something changed since this was shown" in text_of(other, 422)
    assert speeds_of(hand) == [None] * 3
    done = pages.post(f"{here}/join", data=BY_HAND | {"print": seal})
    assert (done.status_code, done.headers["location"]) == (303, here)
    assert speeds_of(hand) == [40.0, 41.0, 42.0]
    page = pages.get(here)
    text = text_of(page)
    assert "full 40.5 ± 0.7 (2) 2 41.0" in text and "smooth 42.0 (1) 1 42.0" in text
    assert "3 speeds joined by order" in text
    (join,) = re.findall(r'name="join" value="([^"]+)"', page.text)
    gone = pages.post(f"{here}/undo", data={"join": join})
    assert (gone.status_code, gone.headers["location"]) == (303, here)
    assert speeds_of(hand) == [None] * 3


def test_speeds_by_time_keep_how_far_the_clocks_are_apart(pages, hand):
    """Rows at 1, 11 and 31 s beside swings at 10, 20 and 40 s."""
    here = f"/sessions/{hand.visits[0]}/speeds"
    rows = "when,speed\n1.0,40\n11.0,41\n31.0,42\n"
    form = BY_HAND | {"csv": rows, "how": "time", "time_column": "when"}
    shown = pages.post(here, data=form)
    (seal,) = re.findall(r'name="print" value="([0-9a-f]{64})"', shown.text)
    assert pages.post(f"{here}/join", data=form | {"print": seal}).status_code == 303
    assert "s apart" in text_of(pages.get(here)) and speeds_of(hand) == [40.0, 41.0, 42.0]


def test_what_cannot_be_read_comes_back_as_it_was_typed(pages, hand):
    here = f"/sessions/{hand.visits[0]}/speeds"
    for where in (here, f"{here}/join"):
        refused = pages.post(where, data=BY_HAND | {"how": "luck", "unit": "mph"})
        assert "match: 'luck', expected time or order" in text_of(refused, 422)
        assert "<option selected>mph</option>" in refused.text
    refused = pages.post(here, data={"csv": "a," * 200})
    assert "has 201 cells, expected 200 at most" in text_of(refused, 422)
    for where in ("speeds", "speeds/join", "speeds/undo"):
        assert pages.post(f"/sessions/{'0' * 32}/{where}", data=BY_HAND).status_code == 404
    assert pages.get(f"/sessions/{'0' * 32}/speeds").status_code == 404


def test_a_form_holds_a_megabyte_and_twelve_fields(pages, hand):
    here = f"/sessions/{hand.visits[0]}/speeds"
    for many, status in ((11, 422), (12, 409)):
        fields = {"csv": " ", **{f"f{k}": "" for k in range(many)}}
        assert pages.post(here, data=fields).status_code == status
    for n, status in ((999_996, 422), (999_997, 409)):  # csv= is four bytes
        assert pages.post(here, data={"csv": "x" * n}).status_code == status


def test_a_set_s_speeds_are_told_where_there_are_any():
    """40, 41 and 42 m/s: mean 41, SD 1."""
    told = SetSpeed("full", "full", 5, stat_of([40.0, 41.0, 42.0]), 42.0)
    assert set_speed_text(told) == "41.0 ± 1.0 (3) of 5, best 42.0 m/s"
    assert set_speed_text(SetSpeed("full", "full", 5, stat_of([]), None)) == ""
