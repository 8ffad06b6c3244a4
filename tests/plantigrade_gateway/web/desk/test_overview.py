"""What a session's page begins with says what the events say, by plain arithmetic."""

import re
from dataclasses import replace
from importlib.resources import files
from statistics import mean, stdev

import pytest
from tests.support.records import step

from plantigrade.block import Foot
from plantigrade.events import Roll, Step
from plantigrade_gateway.web.desk.overview import HIGH_PX, WIDE_PX, roll_over

COP = tuple(0.1 + 0.04 * k for k in range(19))


def steps(*offsets: float | None) -> list[Step]:
    made = []
    for k, offset in enumerate(offsets):
        cop = tuple(None if offset is None else y + offset for y in COP)
        made.append(replace(step(60 * k), foot=Foot.LEFT, cop_y=cop, roll=Roll.THROUGH))
    return made


def points(text: str) -> list[tuple[float, float]]:
    pairs = (pair.split(",") for pair in text.split())
    return [(float(x), float(y)) for x, y in pairs]


def test_the_line_is_the_mean_and_the_band_one_sd_to_either_side():
    offsets = (0.0, 0.02, 0.07)
    found = roll_over(Foot.LEFT, steps(*offsets))
    assert found is not None and found.steps == 3
    line, band = points(found.line), points(found.band)
    assert len(line) == 19 and len(band) == 38
    assert (line[0][0], line[-1][0]) == (0.0, WIDE_PX)
    for k in (0, 9, 18):
        values = [COP[k] + offset for offset in offsets]
        high = [HIGH_PX * (1 - y) for y in (mean(values), mean(values) + stdev(values))]
        assert line[k][1] == pytest.approx(high[0], abs=0.06)
        assert band[k][1] == pytest.approx(high[1], abs=0.06)
        below = HIGH_PX * (1 - (mean(values) - stdev(values)))
        assert band[37 - k][1] == pytest.approx(below, abs=0.06)


def test_the_band_of_even_steps_is_wider_than_the_line_and_said_in_numbers():
    """SD of .4 % of the length, as of the demo: 0.96 px from edge to edge."""
    found = roll_over(Foot.LEFT, steps(0.0, 0.004, 0.008))
    assert found is not None and found.sd == "0.4 to 0.4 % of the length"
    band = points(found.band)
    css = (files("plantigrade_gateway") / "web/static/desk.css").read_text("utf-8")
    (width,) = re.findall(r"\.roll-over polyline {[^}]*stroke-width: ([0-9.]+);", css)
    assert min(band[37 - k][1] - band[k][1] for k in range(19)) > float(width)


def test_stances_of_the_other_foot_or_with_gaps_do_not_count():
    assert roll_over(Foot.RIGHT, steps(0.0, 0.0, 0.0)) is None
    assert roll_over(Foot.LEFT, steps(0.0, 0.0, None)) is None
    found = roll_over(Foot.LEFT, steps(0.0, 0.0, None, 0.0))
    assert found is not None and found.steps == 3
