"""The table of limits: documented, in range, in order; what is set and what follows the program."""

import inspect
import re
from dataclasses import asdict, fields, replace

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.errors import SignalError
from plantigrade.limits import G_M_S2, LIMITS, Limits, Setup, setup_for
from plantigrade.zones import eighteen, parse_layout

RANGES = {
    "contact_n": (1, 200),
    "contact_bw": (0, 0.5),
    "contact_gap_s": (0, 0.5),
    "contact_min_s": (0.02, 1),
    "contact_max_s": (0.3, 10),
    "air_bw": (0, 0.5),
    "cop_bw": (0.005, 0.5),
    "bridge_s": (0, 0.2),
    "restart_s": (0.1, 5),
    "stand_min_s": (1, 600),
    "stand_max_s": (2, 3600),
    "bearing_none": (0, 1),
    "bearing_full": (0, 1),
    "roll_skipped": (0, 1),
    "roll_through": (0, 1),
    "swing_range": (0.02, 1),
    "swing_range_sd": (0, 100),
    "address_s": (0.1, 5),
    "lead_peak_s": (0.1, 2),
    "finish_s": (0.2, 5),
    "heel_lift_bw": (0, 0.5),
    "heel_lift_s": (0.01, 2),
    "heel_lift_foot_bw": (0, 1),
    "heel_lift_front": (0, 1),
    "push_end_bw": (0, 1),
    "push_leave": (0.01, 0.99),
    "push_take": (0.01, 0.99),
    "push_rolled": (0, 2),
    "push_travel": (0.01, 1),
    "stand_quiet_mm": (0.5, 100),
    "bearing_broad": (0, 1),
    "push_begins_by": (0, 1),
    "trail_heel_from": (0, 1),
    "trail_heel_gain": (0, 1),
    "heel_back_by_s": (-1, 2),
    "stand_quiet_share": (0.01, 0.5),
    "stand_quiet_bw": (0.02, 1),
    "stand_least_bw": (0.1, 1),
    "heel_lift_seen": (1, 10),
    "heel_lift_bridge_s": (0, 0.5),
    "heel_lift_carried": (0, 1),
    "push_begun": (0, 1),
    "trail_return": (0, 1),
}
"""What may be set: shares from nothing to all, others as far as they mean something (ours)."""


def documented() -> dict[str, tuple[str, str, str]]:
    """Return default, unit and source of each limit, as the docstring's table has them."""
    text = inspect.getdoc(Limits)  # from 3.13 on Python takes the indentation off by itself
    assert text is not None
    rows = re.findall(r"^(\w+) {2,}([\d.]+) {2,}(\w+(?: \w+)*) {2,}(\S.*)$", text, re.M)
    return {name: (default, unit, source) for name, default, unit, source in rows}


def test_the_docstring_s_table_is_that_of_the_fields():
    found = documented()
    assert list(found) == [f.name for f in fields(Limits)] == [info.name for info in LIMITS]
    for info in LIMITS:
        assert found[info.name][:2] == (f"{info.default:g}", info.unit)
        assert info.low <= info.default <= info.high
        assert info.doc[0].isupper() and info.doc.endswith(".")


def test_the_defaults_are_those_of_the_definitions():
    """Contact, bearing, roll, heel and push: the project's own definitions."""
    now = Limits()
    assert (now.contact_n, now.contact_bw) == (20.0, 0.05)
    assert (now.stand_min_s, now.stand_quiet_mm) == (10.0, 10.0)
    assert (now.bearing_none, now.bearing_full, now.bearing_broad) == (0.03, 0.06, 0.18)
    assert (now.roll_skipped, now.roll_through) == (0.025, 0.05)
    assert (now.heel_lift_bw, now.heel_lift_s) == (0.03, 0.06)
    assert (now.heel_lift_foot_bw, now.heel_lift_front) == (0.08, 0.8)
    assert (now.push_leave, now.push_take) == (0.3, 0.7)
    assert (now.push_rolled, now.push_travel, now.push_end_bw) == (0.2, 0.15, 0.1)


@pytest.mark.parametrize("info", LIMITS, ids=lambda info: info.name)
def test_a_value_outside_its_range_is_refused_in_one_sentence(info):
    for value in (info.low - 0.001, info.high + 0.001, float("nan")):
        with pytest.raises(SignalError) as caught:
            replace(Limits(), **{info.name: value})
        text = str(caught.value)
        assert text.startswith(f"limit {info.name}: is ") and "\n" not in text
        assert f"expected {info.low:g} to {info.high:g} {info.unit}" in text


@pytest.mark.parametrize(
    ("changes", "first", "second"),
    [
        ({"bearing_none": 0.06}, "bearing_none", "bearing_full"),
        ({"bearing_full": 0.2}, "bearing_full", "bearing_broad"),
        ({"roll_through": 0.02}, "roll_skipped", "roll_through"),
        ({"push_leave": 0.7}, "push_leave", "push_take"),
        ({"stand_max_s": 9.0}, "stand_min_s", "stand_max_s"),
        ({"contact_max_s": 0.3, "contact_min_s": 0.5}, "contact_min_s", "contact_max_s"),
    ],
)
def test_limits_of_one_measure_keep_their_order(changes, first, second):
    with pytest.raises(SignalError, match=f"limit {first}: is .*, expected less than {second}"):
        Limits(**changes)


def test_each_limit_may_be_set_within_its_range():
    assert {info.name: info.span for info in LIMITS} == RANGES


def setup(bw_n: float = 700.0, rate_hz: float = 100.0, heel_floor_n: float = 5.0) -> Setup:
    floor_n = np.array([heel_floor_n, 1.0, 1.0, 1.0])
    return Setup(rate_hz, bw_n, Foot.LEFT, 270.0, 95.0, floor_n)


def test_loads_that_decide_are_a_part_of_the_body_s_weight_or_the_least_that_is_known():
    """Contact above max(20 N, 5 % BW), a heel under max(3 % BW, 2 x floor): the definitions."""
    assert [setup(bw_n).contact_n for bw_n in (700.0, 300.0)] == pytest.approx([35.0, 20.0])
    assert [setup(bw_n).air_n for bw_n in (700.0, 100.0)] == pytest.approx([105.0, 20.0])
    assert setup().cop_n == pytest.approx(35.0)
    assert setup().heel_lift_n == pytest.approx(21.0)
    assert setup(heel_floor_n=20.0).heel_lift_n == 40.0


def test_a_duration_has_one_row_at_the_least():
    assert [setup().samples(s) for s in (0.0, 0.004, 0.026, 0.5)] == [1, 1, 3, 50]
    assert setup(rate_hz=200.0).samples(0.5) == 100


@pytest.mark.parametrize(
    ("rate_hz", "bw_n", "said"),
    [
        (19.9, 700.0, "sample rate is 19.9 Hz, expected 20 to 1000"),
        (1000.5, 700.0, "sample rate is 1000.5 Hz"),
        (100.0, 49.9, "body weight is 49.9 N, expected 50 to 3000"),
        (100.0, 3000.1, "body weight is 3000.1 N"),
    ],
)
def test_a_rate_or_weight_that_no_insole_or_body_has_is_refused(rate_hz, bw_n, said):
    with pytest.raises(SignalError, match=said):
        setup(bw_n, rate_hz)
    assert setup(50.0, 20.0).samples(1.0) == 20
    assert setup(3000.0, 1000.0).samples(1.0) == 1000


def test_a_region_s_floor_is_the_sum_over_its_zones():
    """1 kPa on each: 620 + 620 + 700 + 700 mm² of heel are 2.64 N; a layout in N takes 1 N each."""
    made = setup_for(eighteen(), 100.0, 700.0, Foot.RIGHT)
    assert made.floor_n == pytest.approx([2.64, 2.88, 3.04, 1.64])
    assert made.has_toes and made.lead is Foot.RIGHT
    assert (made.length_mm, made.width_mm) == (270.0, 95.0)
    twice = setup_for(eighteen(), 100.0, 700.0, Foot.LEFT, zone_floor_kpa=2.0)
    assert twice.floor_n[0] == pytest.approx(5.28)
    zone = '[[zone]]\nid = {}\nregion = "{}"\nx = 0.5\ny = {}\narea_mm2 = 900\n'
    head = 'name = "four"\nunit = "N"\nlength_mm = 260\nwidth_mm = 90\n'
    regions = ("heel", "heel", "midfoot", "forefoot")
    zones = (zone.format(k + 1, name, 0.1 + 0.2 * k) for k, name in enumerate(regions))
    newtons = setup_for(parse_layout(head + "".join(zones)), 100.0, 700.0, Foot.LEFT)
    assert newtons.floor_n.tolist() == [2.0, 1.0, 1.0, 0.0]
    assert not newtons.has_toes


def test_what_is_changed_is_what_differs():
    assert Limits().changed() == {}
    now = Limits(push_rolled=0.25, stand_min_s=20)
    assert now.changed() == {"stand_min_s": 20.0, "push_rolled": 0.25}
    assert Limits(**now.changed()) == now
    assert asdict(Limits(**now.changed())) == asdict(now)


def test_a_body_s_weight_is_by_standard_gravity():
    """Resolution 2 of the 3rd CGPM, 1901."""
    assert G_M_S2 == 9.80665
