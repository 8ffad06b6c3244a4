"""What is typed of a swing and an instant, read; `test_remarks.py` has the pages."""

import html
import re
from types import SimpleNamespace
from typing import Any, cast

import pytest
from httpx2 import Response
from starlette.requests import Request
from starlette.testclient import TestClient
from tests.support.handmade import Made
from tests.support.pagetext import text_of
from tests.support.records import swing

from plantigrade_gateway.coach.case import Tap
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.said import Conditions, Said, anchor_ns
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store import results
from plantigrade_gateway.web.desk.reads import NotThere, Opened
from plantigrade_gateway.web.desk.remarks import ACTS, _number_now, seconds_of, speed_units


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("12:03.4", 723.4),
        (" 1:02:03 ", 3723.0),
        ("75", 75.0),
        ("75,5", 75.5),
        ("0:59.9", 59.9),
        ("90:00", 5400.0),
    ],
)
def test_a_time_is_minutes_and_seconds(text, seconds):
    assert seconds_of(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["", "soon", "1:2:3:4", "1:", ":5"])
def test_what_is_no_time_is_refused(text):
    with pytest.raises(InputError, match="expected minutes and seconds as 12:03"):
        seconds_of(text)


@pytest.mark.parametrize("text", ["1:60", "1:60:00", "1:-1", "2:nan"])
def test_after_a_colon_there_are_fewer_than_60(text):
    with pytest.raises(InputError, match="expected under 60 after a colon, as in 12:03"):
        seconds_of(text)


class Noted:
    """Stands for what is kept of a visit: notes what it is told."""

    def __init__(self) -> None:
        self.told: list[tuple[Any, ...]] = []

    def __getattr__(self, name: str) -> Any:
        return lambda *what, **more: self.told.append((name, *what[2:], *more.items()))


def done(do: str, **form: str) -> tuple[Any, ...]:
    noted = Noted()
    ACTS[do](cast(Visits, noted), "s1", swing(100), form)
    (one,) = noted.told
    return one


def test_each_act_says_what_its_form_does():
    """A mile an hour is 0.44704 m/s by definition."""
    assert done("leave out", reason="slipped") == ("exclude", "slipped")
    assert done("count again") == ("include",)
    assert done("tap", what="push", answer="yes") == ("tap", "push", "yes", ("is_blind", False))
    assert done("tap", eye="1") == ("tap", "", "", ("is_blind", True))
    assert done("show") == ("show_answer",)
    assert done("speed", speed=" 40,5 ", unit="m/s") == ("set_speed", 40.5)
    assert done("speed", speed="90", unit="mph") == ("set_speed", pytest.approx(90 * 0.44704))
    assert done("speed", speed="  ") == ("set_speed", None)
    with pytest.raises(InputError) as caught:
        done("speed", speed="fast", unit="m/s")
    assert str(caught.value) == "club speed: 'fast', expected a number"
    with pytest.raises(InputError, match="unit: 'knots', expected "):
        done("speed", speed="40", unit="knots")


def test_a_form_is_of_the_swing_that_its_page_showed():
    """Whatever its number is by now."""
    swings = (swing(1000), swing(3000), swing(5000))
    opened = cast(Opened, SimpleNamespace(found=SimpleNamespace(swings=swings)))
    assert _number_now(opened, 7, "") == 7  # of a program, which names none
    for number, one in enumerate(swings, 1):
        assert _number_now(opened, 1, str(anchor_ns(one))) == number
    for of in ("1", "x", "-5", "1" * 19, "²"):
        with pytest.raises(NotThere) as caught:
            _number_now(opened, 2, of)
        assert str(caught.value) == (
            "swing 2: the session's results were made again, and it is none any more"
        )


def test_the_unit_that_was_typed_last_is_shown():
    def shown(cookie: str) -> dict[str, Any]:
        scope = {"type": "http", "headers": [(b"cookie", cookie.encode())]}
        return speed_units(Request(scope))

    assert shown("speed-unit=mph")["speed_unit"] == "mph"
    assert shown("other=1")["speed_unit"] == ""


# ---- the pages, on a store made by hand ----


def form_of(pages: TestClient, hand: Made, rest: str, **form: str) -> Response:
    return pages.post(f"/sessions/{hand.visits[0]}{rest}", data=form)


def said(hand: Made) -> Said:
    swings = results.read(hand.store, hand.visits[0]).swings
    return Visits(hand.register).said(hand.visits[0], swings)


def test_a_remark_leads_back_to_its_swing_or_is_refused_on_its_page(pages, hand):
    done_ = form_of(pages, hand, "/swings/2", do="leave out", reason="slipped")
    here = f"/sessions/{hand.visits[0]}/swings/2"
    assert (done_.status_code, done_.headers["location"]) == (303, here)
    assert said(hand).exclusions[1].reason == "slipped" and list(said(hand).exclusions) == [1]
    assert "set-cookie" not in done_.headers
    form_of(pages, hand, "/swings/2", do="count again")
    assert not said(hand).exclusions
    refused = form_of(pages, hand, "/swings/2", do="leave out", reason="")
    assert refused.status_code == 422 and here in refused.text
    refused = form_of(pages, hand, "/swings/2", do="dance")
    assert "do: expected leave out or count again or tap or show or speed" in text_of(refused, 422)
    assert not said(hand).exclusions
    assert form_of(pages, hand, "/swings/4", do="show").status_code == 404


def test_a_form_of_a_swing_finds_it_by_its_moment(pages, hand):
    swings = results.read(hand.store, hand.visits[0]).swings
    of = str(anchor_ns(swings[2]))
    told = form_of(pages, hand, "/swings/1", do="leave out", reason="x", of=of)
    assert told.headers["location"].endswith("/swings/3") and list(said(hand).exclusions) == [2]
    # a moment in ns has at most 18 digits: within 31 years
    gone = form_of(pages, hand, "/swings/1", do="show", of="9" * 18)
    assert "it is none any more" in text_of(gone, 404)
    long = SimpleNamespace(lead_peak_s=9e8, start_s=8.9e8, confirmed_s=9.1e8, address_s=0.0)
    opened = cast(Opened, SimpleNamespace(found=SimpleNamespace(swings=(long,))))
    assert len("900000000" + "0" * 9) == 18 and _number_now(opened, 5, "9" + "0" * 17) == 1


def test_a_speed_s_unit_is_kept_for_a_year_on_this_device(pages, hand):
    told = form_of(pages, hand, "/swings/1", do="speed", speed="90", unit="mph")
    kept = told.headers["set-cookie"]
    assert kept.startswith("speed-unit=mph;") and "SameSite=strict" in kept
    assert "Max-Age=31536000" in kept  # 365 days
    assert said(hand).swings[0].club_speed_m_s == pytest.approx(40.2336)
    page = form_of(pages, hand, "/swings/1", do="speed", speed="fast", unit="mph")
    assert "club speed: 'fast', expected a number" in text_of(page, 422)
    assert 'value="fast"' in page.text and "set-cookie" not in page.headers


def test_a_tap_is_blind_while_the_answer_was_not_shown(pages, hand):
    where, tap = "/swings/1", {"do": "tap", "what": "push", "answer": "good", "eye": "1"}
    told = form_of(pages, hand, where, **tap)
    assert told.headers["location"].endswith("/swings/1?eye=1")
    form_of(pages, hand, where, do="show", eye="1")
    refused = form_of(pages, hand, where, **tap | {"what": "heel", "answer": "up"})
    assert "eye: the program's answer was shown meanwhile" in text_of(refused, 422).replace(
        "’", "'"
    )
    form_of(pages, hand, where, do="tap", what="heel", answer="up")
    note = said(hand).swings[0]
    assert (note.eye_push, note.eye_heel) == (Tap("good", True), Tap("up", False))
    assert form_of(pages, hand, "/swings/2", **tap).status_code == 303  # another one is not shown
    assert said(hand).swings[1].eye_push == Tap("good", True)


def test_a_note_is_kept_refused_and_removed(pages, hand):
    told = form_of(pages, hand, "/notes", at="1:02.5", text="windy")
    here = f"/sessions/{hand.visits[0]}"
    assert (told.status_code, told.headers["location"]) == (303, f"{here}#notes")
    (note,) = said(hand).notes
    assert (note.t_s, note.text) == (62.5, "windy")
    refused = form_of(pages, hand, "/notes", at="soon", text="<calm>")
    assert "Not kept. time: 'soon', expected minutes and seconds" in text_of(refused, 422)
    assert 'value="&lt;calm&gt;"' in refused.text
    told = form_of(pages, hand, f"/notes/{note.note_id}/remove", pressed="yes")
    assert (told.status_code, told.headers["location"]) == (303, f"{here}#notes")
    assert said(hand).notes == ()
    for where in (f"/sessions/{'0' * 32}/notes", f"/sessions/{'0' * 32}/notes/1/remove"):
        assert pages.post(where, data={"at": "1", "text": "x"}).status_code == 404


def test_what_was_worn_is_kept_or_shown_again_as_it_was_typed(pages, hand):
    worn = {"shoe": "spiked", "footbed": "own", "sole": "stiff", "unchanged": "yes"}
    told = form_of(pages, hand, "/worn", **worn)
    here = f"/sessions/{hand.visits[0]}"
    assert (told.status_code, told.headers["location"]) == (303, f"{here}#worn")
    assert said(hand).conditions == Conditions("spiked", "own", True) and said(hand).is_unchanged
    form_of(pages, hand, "/worn", shoe="flat", sole="soft")
    assert said(hand).conditions == Conditions("flat", "", False) and not said(hand).is_unchanged
    form_of(pages, hand, "/worn", shoe="flat")
    assert said(hand).conditions == Conditions("flat", "", None)
    refused = form_of(pages, hand, "/worn", shoe="red", sole="wet", unchanged="yes")
    assert "sole: 'wet', expected soft, stiff or nothing" in text_of(refused, 422)
    assert 'value="red"' in refused.text and 'value="yes" checked' in refused.text
    assert said(hand).conditions == Conditions("flat", "", None)
    refused = form_of(pages, hand, "/worn", sole="wet")
    assert 'value="yes" checked' not in refused.text


def test_what_another_device_noted_of_the_wear_meanwhile_is_told_before_it_is_taken_back(
    pages, hand
):
    """Two tablets show the same empty form: what the second sends would empty the first one's."""

    def shown(answer) -> str:
        (seen,) = re.findall(r'name="seen" value="(\[[^"]*)"', answer.text)
        return html.unescape(seen)

    seen = shown(pages.get(f"/sessions/{hand.visits[0]}"))
    assert form_of(pages, hand, "/worn", shoe="spiked", seen=seen).status_code == 303
    refused = form_of(pages, hand, "/worn", footbed="cork", unchanged="yes", seen=seen)
    words = "Not kept. Meanwhile was noted: spiked. Press again to put this in its place."
    assert words in text_of(refused, 422) and 'value="cork"' in refused.text
    assert said(hand).conditions == Conditions("spiked", "", None)
    again = shown(refused)
    assert form_of(pages, hand, "/worn", footbed="cork", unchanged="yes", seen=again).is_redirect
    assert said(hand).conditions == Conditions("", "cork", None)
    refused = form_of(pages, hand, "/worn", shoe="flat", seen=again)
    assert "Meanwhile was noted: cork, player unchanged." in text_of(refused, 422)
