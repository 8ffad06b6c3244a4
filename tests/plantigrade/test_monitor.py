"""Zones that have stopped answering, from pressures drawn by hand (limits: the project's own)."""

from itertools import pairwise

import numpy as np
import pytest

from plantigrade.block import FloatArray
from plantigrade.monitor import ZoneMonitor
from plantigrade.zones import eighteen

RATE_HZ = 100.0
WINDOW = round(2.0 * RATE_HZ)
ZONE = 4
"""The zone (index) that keeps one value."""


def walking(n: int, kept_kpa: float = 40.0, stuck: slice = slice(None)) -> FloatArray:
    """Return a foot whose load comes and goes once a second, and a zone that does not."""
    load = np.maximum(0.0, np.sin(2.0 * np.pi * np.arange(n) / RATE_HZ))
    values: FloatArray = (60.0 + np.arange(18.0)) * load[:, None]
    values[stuck, ZONE] = kept_kpa
    return values


Change = tuple[int, tuple[int, ...]]


def watched(values: FloatArray, cuts: list[int] | None = None) -> list[Change]:
    """Return from which sample on which zones are stuck."""
    monitor = ZoneMonitor(eighteen(), RATE_HZ)
    found: list[Change] = []
    for start, stop in pairwise([0, *(cuts or []), len(values)]):
        found += [(start + at, zones) for at, zones in monitor.push(values[start:stop])]
    assert monitor.stuck == (found[-1][1] if found else ())
    return found


def test_a_zone_that_keeps_its_value_under_a_moving_foot_is_stuck_after_three_windows():
    assert watched(walking(10 * WINDOW)) == [(3 * WINDOW, (ZONE,))]


def test_a_zone_that_answers_again_is_stuck_no_longer():
    values = walking(8 * WINDOW, stuck=slice(0, 5 * WINDOW))
    assert watched(values) == [(3 * WINDOW, (ZONE,)), (6 * WINDOW, ())]


@pytest.mark.parametrize("size", [1, 7, WINDOW - 1, WINDOW, WINDOW + 1, 3 * WINDOW + 5])
def test_how_samples_are_cut_changes_nothing(size):
    values = walking(8 * WINDOW, stuck=slice(0, 5 * WINDOW))
    assert watched(values, list(range(size, len(values), size))) == watched(values)


def test_quiet_standing_and_an_idle_zone_tell_nothing():
    """Under half of the greatest load the foot hardly moves; 2 kPa on this zone are under 3 N."""
    assert watched(np.full((10 * WINDOW, 18), 40.0)) == []
    idle_n = 2.0 * eighteen().newtons_per_unit[ZONE]
    assert idle_n < 3.0 and watched(walking(10 * WINDOW, kept_kpa=2.0)) == []
