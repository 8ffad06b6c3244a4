"""The table of limits: documented, in range, in order; what is set and what follows the program."""

import re
from dataclasses import asdict, fields, replace

import pytest

from plantigrade.errors import SignalError
from plantigrade.limits import LIMITS, Limits


def documented() -> dict[str, tuple[str, str, str]]:
    """Return default, unit and source of each limit, as the docstring's table has them."""
    assert Limits.__doc__ is not None
    rows = re.findall(
        r"^    (\w+) {2,}([\d.]+) {2,}(\w+(?: \w+)*) {2,}(\S.*)$", Limits.__doc__, re.M
    )
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


def test_what_is_changed_is_what_differs():
    assert Limits().changed() == {}
    now = Limits(push_rolled=0.25, stand_min_s=20)
    assert now.changed() == {"stand_min_s": 20.0, "push_rolled": 0.25}
    assert Limits(**now.changed()) == now
    assert asdict(Limits(**now.changed())) == asdict(now)
