"""What is read off results: whether a push was a good one."""

from dataclasses import replace

import pytest
from tests.support.records import swing

from plantigrade.events import Manner, Timing
from plantigrade_gateway.analysis.result import is_good

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
