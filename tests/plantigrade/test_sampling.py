"""What sampling lets be known of one swing."""

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import pytest
from tests.support.records import swing

from plantigrade.sampling import (
    least_transfer_s,
    tempo_error,
    time_error_s,
    transfer_of_shift_error,
)

RATE_HZ = 100.0
HALF_S = 0.005
"""A moment between two samples is known to half their spacing."""


def worst(ratio_of: Callable[..., float], n: int) -> float:
    """Return how far a function of `n` moments is off where each is by half a spacing."""
    true = ratio_of(*[0.0] * n)
    return max(abs(ratio_of(*off) - true) for off in product((-HALF_S, HALF_S), repeat=n))


def test_the_error_of_a_tempo_is_what_moments_half_a_sample_off_make_of_it():
    """Start, trail peak and lead peak at 0, 0.70 and 1.00 s; tried in all eight ways."""
    one = swing(0)
    found = tempo_error(one, RATE_HZ)
    off = worst(lambda a, b, c: (0.70 + b - a) / (0.30 + c - b), 3)
    assert found == pytest.approx(off, rel=0.05)
    assert tempo_error(one, 2 * RATE_HZ) == pytest.approx(0.5 * (found or 0.0))


def test_the_error_of_a_transfer_of_the_shift():
    """Transfer 0.12 s (0.44, rounded) of 0.25 s from shift to lead peak, four moments."""
    off = worst(lambda a, b, c, d: (0.44 * 0.25 + b - a) / (0.25 + d - c), 4)
    assert transfer_of_shift_error(swing(0), RATE_HZ) == pytest.approx(off, rel=0.05)


def test_a_transfer_within_two_samples_is_only_known_to_be_short():
    """The design says ≤ 0.02 s of an instant jump; slower sampling says less."""
    assert time_error_s(RATE_HZ) == 0.01
    assert [least_transfer_s(hz) for hz in (50.0, 100.0, 200.0)] == [0.04, 0.02, 0.02]


def test_without_moments_there_is_no_error():
    one = swing(0)
    assert tempo_error(replace(one, load_tempo=None), RATE_HZ) is None
    assert tempo_error(replace(one, lead_peak_s=None), RATE_HZ) is None
    assert transfer_of_shift_error(replace(one, shift_s=None), RATE_HZ) is None
    assert transfer_of_shift_error(replace(one, shift_s=one.lead_peak_s), RATE_HZ) is None
