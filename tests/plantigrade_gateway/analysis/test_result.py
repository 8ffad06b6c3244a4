"""What is read off results: whether a push was a good one, and which set a swing belongs to."""

import math
from dataclasses import replace

import pytest
from tests.support.records import swing

from plantigrade.baseline import BaselineState
from plantigrade.events import Manner, Timing
from plantigrade_gateway.analysis.result import SetSpan, age_s, check_mass, is_good, sets_of
from plantigrade_gateway.errors import InputError

ROLLED = replace(
    swing(0).push, manner=Manner.ROLLED, timing=Timing.WITH_SHIFT, travel_from=0.15, travel_to=0.8
)


@pytest.mark.parametrize("kept", [True, False])
def test_a_push_is_as_good_as_it_was_kept(kept):
    """By the limits of its analysis, whatever those of today would say of it."""
    skipped = replace(ROLLED, manner=Manner.SKIPPED)
    for push in (ROLLED, skipped):
        assert is_good(replace(swing(0), push=replace(push, is_good=kept))) is kept


@pytest.mark.parametrize(
    ("changes", "good"),
    [
        ({}, True),
        ({"manner": Manner.SKIPPED}, False),
        ({"timing": Timing.EARLY}, False),
        ({"travel_from": 0.45}, False),  # its rearmost place lies over .4 of the length
        ({"manner": Manner.UNCLEAR}, False),  # not known to be good
    ],
)
def test_a_push_of_an_older_version_goes_by_the_usual_limits(changes, good):
    push = replace(ROLLED, is_good=None, **changes)
    assert is_good(replace(swing(0), push=push)) is good


def test_swings_belong_to_the_set_in_which_they_begin():
    """From a set's start, this included, to its end, this left out."""
    swings = [swing(100 * t) for t in (9, 10, 15, 20, 30)]
    unknown = replace(swing(2500), start_s=None)  # its address, 24 s, stands for it
    spans = (SetSpan("full", 10.0, 20.0), SetSpan("open", 24.0))
    first, second = sets_of([*swings, unknown], spans)
    assert [s.start_s for s in first.swings] == [10.0, 15.0]
    assert [s.start_s for s in second.swings] == [30.0, None]
    assert (second.name, second.start_s, second.end_s) == ("open", 24.0, math.inf)


@pytest.mark.parametrize("mass_kg", [10.0, 75.0, 300.0, None])
def test_a_mass_of_10_to_300_kg_is_taken(mass_kg):
    check_mass(mass_kg)


@pytest.mark.parametrize("mass_kg", [9.9, 300.1, math.nan, math.inf, -75.0])
def test_another_mass_is_refused(mass_kg):
    with pytest.raises(InputError, match="expected 10 to 300"):
        check_mass(mass_kg)


def test_the_age_of_a_baseline():
    state = BaselineState(0.0, None, 30.0)
    assert age_s(state, 100.0) == 70.0
    assert age_s(state, 20.0) == 0.0
    assert age_s(replace(state, set_s=None), 100.0) is None
