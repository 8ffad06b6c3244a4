"""Why a swing is called so: sentences of invented pushes, and the limits that its curves show.

Limits are those of the definitions' table (design §5): .15 of the length, .20 of the shift, one
sample, begun at or behind .40, the heel's 3 % of body weight for 60 ms.
"""

from dataclasses import replace

import pytest
from tests.support.records import swing

from plantigrade.events import HeelLift, HeelLiftState, Manner, Push, Swing, Timing
from plantigrade.limits import Limits
from plantigrade.push import UNCLEAR
from plantigrade_gateway.web.desk.why import why_heel, why_push

SHIFT_S, LEAD_PEAK_S = 10.0, 10.3


def swung(push: Push) -> Swing:
    return replace(swing(0), shift_s=SHIFT_S, lead_peak_s=LEAD_PEAK_S, push=push)


def push(manner: Manner, timing: Timing, leave_s: float, take_s: float, begin: float = 0.3) -> Push:
    """A push that travels half the foot's length."""
    return replace(
        UNCLEAR,
        manner=manner,
        timing=timing,
        travel_from=begin,
        travel_to=begin + 0.5,
        heel_leave_s=leave_s,
        fore_take_s=take_s,
        transfer_s=take_s - leave_s,
        transfer_of_shift=(take_s - leave_s) / (LEAD_PEAK_S - SHIFT_S),
    )


def said(push: Push) -> str:
    return " ".join(why_push(swung(push), Limits(), 100.0))


@pytest.mark.parametrize(
    ("manner", "timing", "leave_s", "take_s", "parts"),
    [
        (
            *(Manner.ROLLED, Timing.WITH_SHIFT, 10.05, 10.17),
            ("0.12 s", "0.40 of the 0.30 s", "0.2 or more is rolled", "0.17 s after the shift"),
        ),
        (
            *(Manner.SKIPPED, Timing.EARLY, 9.88, 9.91),
            ("0.03 s", "0.10 of the 0.30 s", "0.2 would be rolled", "Early", "0.09 s before"),
        ),
        (
            *(Manner.UNCLEAR, Timing.WITH_SHIFT, 10.05, 10.117),
            ("manner is unclear", "0.22 of the 0.30 s", "within one sample, 0.010 s"),
        ),
        (
            *(Manner.ROLLED, Timing.UNCLEAR, 9.9, 10.004),
            ("timing is unclear", "0.004 s after the shift, within one sample, 0.010 s"),
        ),
        (
            *(Manner.UNCLEAR, Timing.WITH_SHIFT, 10.295, 10.4),
            ("manner is unclear", "0.005 s from the lead peak", "it would be held"),
        ),
        (*(Manner.HELD, Timing.WITH_SHIFT, 10.35, 10.45), ("Held", "0.05 s after the lead peak")),
    ],
)
def test_a_push_says_the_numbers_and_the_limit_that_decided(manner, timing, leave_s, take_s, parts):
    text = said(push(manner, timing, leave_s, take_s))
    for part in parts:
        assert part in text, text


def test_a_push_that_hardly_travels_is_held_by_its_way():
    held = replace(UNCLEAR, manner=Manner.HELD, travel_from=0.52, travel_to=0.61)
    assert said(held) == (
        "Held: the CoP of the trail foot travelled 0.09 of the foot’s length (0.52 to 0.61), under "
        "the limit of 0.15."
    )


def test_a_number_is_told_from_its_limit():
    held = replace(UNCLEAR, manner=Manner.HELD, travel_from=0.5, travel_to=0.649)
    assert "travelled 0.149 of" in said(held)


def test_a_push_that_begins_in_front_says_that_it_cannot_be_good():
    behind = said(push(Manner.ROLLED, Timing.WITH_SHIFT, 10.05, 10.17))
    before = said(push(Manner.ROLLED, Timing.WITH_SHIFT, 10.05, 10.17, begin=0.43))
    assert "began at 0.43" in before and "at or behind 0.4, so this one cannot be good" in before
    assert "cannot be good" not in behind


def test_without_samples_that_is_what_is_said():
    assert "unclear: samples are missing" in said(UNCLEAR)


@pytest.mark.parametrize(
    ("state", "lowest_bw", "parts"),
    [
        (
            HeelLiftState.LIFTED,
            0.01,
            ("unloaded for 0.50 s", "about 7 N", "limit is 21 N", "60 ms"),
        ),
        (HeelLiftState.DOWN, 0.10, ("stayed loaded", "about 70 N", "limit is 21 N")),
        (HeelLiftState.UNCLEAR, 0.01, ("unclear", "8 % of body weight for 80 %", "80 % of that")),
        (HeelLiftState.UNCLEAR, None, ("unclear", "samples are missing")),
    ],
)
def test_the_lead_heel_says_its_load_beside_the_limit(state, lowest_bw, parts):
    lifted = state is HeelLiftState.LIFTED
    lift = HeelLift(state, None, None, 0.5 if lifted else None, None, lowest_bw, 21.0)
    text = why_heel(replace(swing(0), heel_lift=lift), Limits(), 700.0)
    for part in parts:
        assert part in text, text
