"""What counts, at the limits: defaults are the coach's rules (ours unless they name a source)."""

from dataclasses import replace

import pytest
from tests.support.records import swing

from plantigrade.events import HeelLift, HeelLiftState, Manner, Push, Timing
from plantigrade.limits import Limits
from plantigrade.predicates import is_good_push, is_heel_back, is_heel_loaded

LIMITS = Limits()
SWING = swing(100)
PUSH = replace(SWING.push, heel_share_address=0.45, heel_share_trail_peak=0.60)


def test_the_defaults_are_those_of_the_rule_set():
    """The coach's first rule set: .40, .50, .10 and .05 s (its limits say where each is from)."""
    assert LIMITS.push_begins_by == 0.40
    assert (LIMITS.trail_heel_from, LIMITS.trail_heel_gain) == (0.50, 0.10)
    assert LIMITS.heel_back_by_s == 0.05


@pytest.mark.parametrize(
    ("push", "good"),
    [
        (PUSH, True),
        (replace(PUSH, travel_from=0.40), True),
        (replace(PUSH, travel_from=0.401), False),
        (replace(PUSH, travel_from=0.62, travel_to=0.80), False),
        (replace(PUSH, travel_from=None), None),
        (replace(PUSH, manner=Manner.SKIPPED), False),
        (replace(PUSH, manner=Manner.HELD, timing=Timing.UNCLEAR), False),
        (replace(PUSH, manner=Manner.UNCLEAR), None),
        (replace(PUSH, timing=Timing.EARLY), False),
        (replace(PUSH, timing=Timing.UNCLEAR), None),
        # what is known to fail decides, whatever else is not known
        (replace(PUSH, manner=Manner.UNCLEAR, travel_from=0.62), False),
        # it never needs the heel's or the midfoot's load
        (replace(PUSH, heel_share_trail_peak=None, midfoot_over_floor=False), True),
    ],
)
def test_a_good_push(push: Push, good: bool | None):
    assert is_good_push(push, LIMITS) is good


def test_where_a_good_push_begins_is_adjustable():
    push = replace(PUSH, travel_from=0.35)
    assert is_good_push(push, replace(LIMITS, push_begins_by=0.34)) is False
    assert is_good_push(push, replace(LIMITS, push_begins_by=0.35)) is True


@pytest.mark.parametrize(
    ("address", "peak", "loaded"),
    [
        (0.45, 0.60, True),
        (0.40, 0.50, True),
        (0.30, 0.499, False),  # far more than at address, and not half
        (0.50, 0.60, True),
        (0.51, 0.60, False),  # more than half, as at address nearly
        (None, 0.60, None),
        (None, 0.40, False),
        (0.40, None, None),
    ],
)
def test_a_loaded_trail_heel(address, peak, loaded):
    push = replace(PUSH, heel_share_address=address, heel_share_trail_peak=peak)
    assert is_heel_loaded(push, LIMITS) is loaded
    lower = replace(LIMITS, trail_heel_from=0.40, trail_heel_gain=0.0)
    if (address, peak) == (0.51, 0.60):
        assert is_heel_loaded(push, lower) is True


@pytest.mark.parametrize(
    ("after_s", "gap", "back"),
    [
        (-0.2, False, True),
        (0.05, True, True),
        (0.051, False, False),
        (None, False, False),
        (None, True, None),
    ],
)
def test_a_heel_back_in_time(after_s, gap, back):
    lift: HeelLift = replace(SWING.heel_lift, return_after_level_s=after_s)
    assert is_heel_back(lift, LIMITS, touches_gap=gap) is back
    for state in (HeelLiftState.DOWN, HeelLiftState.UNCLEAR):
        assert is_heel_back(replace(lift, state=state), LIMITS, touches_gap=gap) is None
