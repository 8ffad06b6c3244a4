"""The load colours' scale: where it ends by hand, and that nothing that comes later moves it."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from plantigrade.zones import ZoneLayout, eighteen
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.loadscale import STEPS, top_of
from plantigrade_gateway.session.session import StepResult


def layout(unit: str, area_mm2: float) -> ZoneLayout:
    return replace(eighteen(), unit=unit, area_mm2=np.full(18, area_mm2))


@pytest.mark.parametrize(
    ("unit", "area_mm2", "body_weight_n", "top"),
    [
        ("kPa", 500.0, 700.0, 400),  # a quarter, 175 N, on 500 mm² is 350 kPa
        ("kPa", 500.0, 800.0, 400),  # 400 kPa to the point
        ("kPa", 500.0, 801.0, 600),
        ("kPa", 2000.0, 700.0, 100),
        ("N", 500.0, 700.0, 200),
        ("kPa", 1.0, 3000.0, 4000),  # off the steps: the last one
    ],
)
def test_it_ends_where_a_zone_carries_a_quarter_of_body_weight(unit, area_mm2, body_weight_n, top):
    assert top_of(layout(unit, area_mm2), body_weight_n) == top
    assert top in STEPS


class Told:
    """A page that notes what it is told."""

    viewers = 1

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []

    def send(self, message: dict[str, Any]) -> None:
        self.messages.append(message)

    def tops(self) -> list[int]:
        return [m["scale_top"] for m in self.messages if m["type"] == "hello"]


class Quiet:
    said, device, lost = "", False, False


class Session:
    session_id = "one"


def pipeline(mass_kg: float) -> Pipeline:
    made = Pipeline()
    made.settings = SessionSettings(mass_kg=mass_kg)
    return made


def test_it_stays_all_session_and_is_found_again_for_the_next():
    page = Told()
    feed = LiveFeed(page, Quiet(), shelf(None))  # type: ignore[arg-type]
    feed.begin(Session(), "x")  # type: ignore[arg-type]
    feed.show(StepResult(), pipeline(40.0))  # the record's own settings come with its first entries
    light = page.tops()[-1]
    assert light == top_of(eighteen(), 40.0 * 9.80665)
    feed.show(StepResult(), pipeline(120.0))  # weighed in the middle of it
    assert page.messages[-1]["body_weight_n"] == pytest.approx(120.0 * 9.80665)
    assert page.tops()[-1] == light
    feed.end()
    feed.begin(Session(), "x")  # type: ignore[arg-type]
    feed.show(StepResult(), pipeline(120.0))
    assert page.tops()[-1] == top_of(eighteen(), 120.0 * 9.80665) > light
