"""Bearing by hand: the classes, what the floor leaves open, and what repeats leave open.

The classes are the project's own (no published source). The expected values follow from their
definitions and from the built-in layout: six midfoot zones of 480 mm² whose readings under 1 kPa
mean nothing are a floor of 2.88 N, so a midfoot is known to within 5.76 N.
"""

from dataclasses import replace

import numpy as np
import pytest
from tests.plantigrade.test_stand import foot_rows

from plantigrade.block import Foot
from plantigrade.change import RepeatError
from plantigrade.events import Bearing, FootStand
from plantigrade.limits import Limits, Setup, setup_for
from plantigrade.stand import bearing_class, bearing_of, bearing_over_stands, foot_stand
from plantigrade.zones import eighteen

BROAD, BEARING, SLIGHT = Bearing.BROAD, Bearing.BEARING, Bearing.SLIGHT
NONE, UNCLEAR, MOVED = Bearing.NONE, Bearing.UNCLEAR, Bearing.MOVED


def setup(**limits: float) -> Setup:
    return setup_for(eighteen(), 100.0, 700.0, Foot.LEFT, Limits(**limits))


def stood(share: float | None, bearing: Bearing = BEARING, load_n: float = 350.0) -> FootStand:
    """A foot's stand of which only share, bearing and load count."""
    made = foot_stand(foot_rows(np.full(1200, 350.0)), setup())
    return replace(made, midfoot_share=share, bearing=bearing, load_n=load_n)


@pytest.mark.parametrize(
    ("share", "expected"),
    [
        (-0.01, NONE),
        (0.0, NONE),
        (0.0299, NONE),
        (0.03, SLIGHT),
        (0.0599, SLIGHT),
        (0.06, BEARING),
        (0.1799, BEARING),
        (0.18, BROAD),
        (0.6, BROAD),
    ],
)
def test_the_classes_are_closed_below(share, expected):
    assert bearing_class(share, Limits()) is expected


@pytest.mark.parametrize(
    ("midfoot_n", "expected"),
    [
        (0.0, NONE),
        (2.8, NONE),  # under its floor of 2.88 N; with 5.76 N more it is 2.4 % of 350 N
        (4.72, NONE),  # 10.48 N are 2.99 %
        (4.76, UNCLEAR),  # 10.52 N are 3.01 %
        (10.48, UNCLEAR),  # 2.99 %, and 4.6 % at most
        (10.52, SLIGHT),  # 3.01 to 4.7 %
        (15.20, SLIGHT),  # 20.96 N are 5.99 %
        (15.28, UNCLEAR),  # 21.04 N are 6.01 %
        (21.04, BEARING),
        (57.20, BEARING),  # 62.96 N are 17.99 %
        (57.28, UNCLEAR),  # 63.04 N are 18.01 %
        (63.04, BROAD),
    ],
)
def test_a_midfoot_is_known_to_within_twice_its_floor(midfoot_n, expected):
    assert bearing_of(midfoot_n, 350.0, setup()) is expected


def test_a_midfoot_under_its_floor_is_none_only_while_the_floor_is_small():
    """2.0 + 5.76 N are 2.2 % of 350 N and 7.8 % of 100 N."""
    assert bearing_of(2.0, 350.0, setup()) is NONE
    assert bearing_of(2.0, 100.0, setup()) is UNCLEAR


@pytest.mark.parametrize(
    ("name", "value", "midfoot_n", "before", "after"),
    [
        ("bearing_none", 0.05, 12.0, SLIGHT, UNCLEAR),  # 3.4 to 5.1 %
        ("bearing_none", 0.055, 12.0, SLIGHT, NONE),
        ("bearing_full", 0.10, 25.0, BEARING, SLIGHT),  # 7.1 to 8.8 %
        ("bearing_broad", 0.12, 45.0, BEARING, BROAD),  # 12.9 to 14.5 %
    ],
)
def test_a_limit_moves_the_class_it_names(name, value, midfoot_n, before, after):
    assert bearing_of(midfoot_n, 350.0, setup()) is before
    assert bearing_of(midfoot_n, 350.0, setup(**{name: value})) is after


@pytest.mark.parametrize("name", ["bearing_none", "bearing_full", "bearing_broad"])
def test_a_limit_moves_no_class_but_those_beside_it(name):
    """Between the old limit and the new one, and nowhere else, the class is another."""
    before, now = Limits(), replace(Limits(), **{name: getattr(Limits(), name) + 0.01})
    for share in np.arange(0.0, 0.3, 0.0005):
        moved = getattr(before, name) <= share < getattr(now, name)
        assert (bearing_class(share, before) is not bearing_class(share, now)) == moved


# ---- over repeats: t(.975) is 12.706, 4.303 and 3.182 for 1, 2 and 3 degrees of freedom ----


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        # mean .10, SD .01, half width 4.303 × .01 / √3 = .0248: .075 to .125
        ((0.09, 0.10, 0.11), BEARING),
        # mean .08: .055 to .105 holds .06
        ((0.07, 0.08, 0.09), UNCLEAR),
        # mean .16: .135 to .185 holds .18
        ((0.15, 0.16, 0.17), UNCLEAR),
        # mean .10, SD .00707, half width 12.706 × .00707 / √2 = .0635: .036 to .164 holds .06
        ((0.095, 0.105), UNCLEAR),
        # mean .10, SD .001414, half width .0127
        ((0.099, 0.101), BEARING),
        # mean .0495, half width 12.706 × .0007071 / √2 = .0064 ends at .0559; twice the floor more
        # is .066 of 350 N
        ((0.049, 0.050), UNCLEAR),
        # mean .0395: .033 to .046, with twice the floor .056
        ((0.039, 0.040), SLIGHT),
        ((0.0, 0.0, 0.0), NONE),
        # mean .25, SD .02, half width 3.182 × .02 / 2 = .032
        ((0.23, 0.23, 0.27, 0.27), BROAD),
    ],
)
def test_over_repeats_it_is_unclear_when_the_mean_s_interval_holds_a_limit(shares, expected):
    assert bearing_over_stands([stood(share) for share in shares], setup()) is expected


def test_one_stand_has_no_interval():
    assert bearing_over_stands([stood(0.065, UNCLEAR)], setup()) is UNCLEAR
    assert bearing_over_stands([stood(0.061, BEARING)], setup()) is BEARING


def test_stands_in_which_the_foot_moved_or_has_no_share_do_not_count():
    stands = [stood(0.099), stood(0.30, MOVED), stood(None, UNCLEAR), stood(0.101)]
    assert bearing_over_stands(stands, setup()) is BEARING
    assert bearing_over_stands([stood(0.3, MOVED), stood(None, UNCLEAR)], setup()) is MOVED
    assert bearing_over_stands([stood(None, UNCLEAR)], setup()) is UNCLEAR
    assert bearing_over_stands([], setup()) is UNCLEAR


def test_a_spread_known_from_more_stands_stands_for_their_own():
    # mean .068; own SD .006, df 2: half 4.303 (t, table) · .006 / √3 = .0149, which holds .06
    stands = [stood(0.062), stood(0.068), stood(0.074)]
    assert bearing_over_stands(stands, setup()) is UNCLEAR
    # SD .00424, df 4: half 2.776 · .00424 / √3 = .0068: from .0612
    assert bearing_over_stands(stands, setup(), RepeatError(0.00424, 4, False)) is BEARING
