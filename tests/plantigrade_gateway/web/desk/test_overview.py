"""What a session's page begins with says what the events say, by plain arithmetic."""

import re
from dataclasses import replace
from importlib.resources import files
from statistics import mean, stdev

import pytest
from tests.support.cases import VisitMaker
from tests.support.records import stand, step

from plantigrade.block import Foot
from plantigrade.events import Roll, Step
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.web.desk.overview import HIGH_PX, WIDE_PX, overview, roll_over

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


def analysis(**parts) -> Analysis:
    whole = {"stands": (), "steps": (), "swings": ()} | parts
    return Analysis("x", 100.0, 60.0, marks=(), quality=None, **whole)


def test_both_feet_in_numbers():
    """Steps 0.75 s apart, foot by foot, each 0.65 s: 43 % of a stride of 1.5 s, 80 a minute."""
    made = [step(75 * k, Foot.LEFT if k % 2 else Foot.RIGHT) for k in range(1, 5)]
    made[0] = replace(made[0], roll=Roll.SKIPPED, midfoot_impulse_share=0.1)
    found = overview(analysis(stands=(stand(100), stand(3000)), steps=tuple(made)))
    assert [(row.title, row.left, row.right, row.both) for row in found.rows] == [
        ("standing: midfoot’s share, %", "slight, 5.0 ± 0.0 (2)", "–", ""),
        ("walking: rolls through (95 %)", "1 of 2 (9–91)", "2 of 2 (34–100)", ""),
        # 10 and 30 %: SD 14.1
        ("midfoot’s share of the impulse, %", "20.0 ± 14.1 (2)", "30.0 ± 0.0 (2)", ""),
        ("stance, s", "0.65 ± 0.00 (2)", "0.65 ± 0.00 (2)", ""),
        ("stance, % of the stride", "43 (1)", "43 (1)", ""),
        ("cadence, steps/min", "", "", "80 ± 0 (2)"),
        ("double support, % of the stride", "", "", "-7 ± 0 (2)"),
        ("stance left against right, % (0: even)", "", "", "0 (1)"),
    ]
    assert (found.rolls, found.source) == ((), "")
    assert overview(analysis()).rows == ()


def test_a_guided_check_comes_before_the_rest_of_its_session():
    made = VisitMaker().stood([0.1, 0.1], [0.2, 0.2])
    found = overview(made.visit().analysis)
    assert found.source == "stands of the guided check"
    standing = found.rows[0]
    assert standing.left.endswith("10.0 ± 0.0 (2)") and standing.right.endswith("20.0 ± 0.0 (2)")
    walked = VisitMaker().walked([Roll.THROUGH] * 12, [Roll.SKIPPED] * 12)
    found = overview(walked.visit().analysis)
    assert found.source == "steps of the guided check"
    assert found.rows[0].left.startswith("12 of 12") and found.rows[0].right.startswith("0 of 12")
    both = overview(walked.stood([0.1] * 3, [0.2] * 3).visit().analysis)
    assert both.source == "stands and steps of the guided check"
