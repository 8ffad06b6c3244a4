"""The threshold of a print, on a print of which each threshold's area is known by arithmetic."""

import numpy as np
import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints.ink import LEVEL, Ink

LONG = 200
"""Cells of 1 mm."""
HALF = 40
"""From the middle line to where the darkness is a half, mm."""
SOFT = 20
"""Over which the darkness falls from 1 to 0, mm."""


@pytest.fixture(scope="module")
def ink() -> Ink:
    """A bar with the straight slope of a soft edge on both sides."""
    aside = np.abs(np.arange(120) - 59.5)
    darkness = np.zeros((LONG + 20, 120))
    darkness[10:-10] = np.clip(0.5 + (HALF - aside) / SOFT, 0.0, 1.0)
    return Ink(darkness, 1.0, 0.4)


def area(level: float) -> float:
    """Return the cells darker than a level: 1 mm further in for each 0.05 of it, on both sides."""
    return LONG * 2 * (HALF + SOFT * (0.5 - level))


def test_the_print_ends_where_the_edge_is_half_as_dark(ink):
    print_, _ = ink.print_and_plausible(LEVEL)
    assert print_.sum() == LONG * 2 * HALF


@pytest.mark.parametrize(
    ("level", "low", "high"),
    [(0.5, 0.3, 0.7), (0.4, 0.2, 0.6), (0.2, 0.1, 0.4), (0.8, 0.6, 0.9)],
)
def test_a_fifth_lighter_and_darker_is_plausible_too_within_a_tenth_to_nine(ink, level, low, high):
    """The page of the format says so: `hardware_notes/footprint.md`."""
    print_, ends = ink.print_and_plausible(level)
    found = [int(mask.sum()) for mask in (ends[0], print_, ends[1])]
    step = LONG * 2  # a level may fall just on a cell
    assert found == pytest.approx([area(low), area(level), area(high)], abs=step / 2)


@pytest.mark.parametrize("level", [0.1, 0.9, float("nan")])
def test_a_threshold_outside_what_may_be_set_is_refused(ink, level):
    with pytest.raises(InputError, match="threshold"):
        ink.print_and_plausible(level)
