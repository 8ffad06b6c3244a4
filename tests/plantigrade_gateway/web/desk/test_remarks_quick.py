"""What is typed of a swing and an instant, read; `test_remarks.py` has the pages."""

from types import SimpleNamespace
from typing import Any, cast

import pytest
from starlette.requests import Request
from tests.support.records import swing

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.said import anchor_ns
from plantigrade_gateway.people.visits import Visits
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
