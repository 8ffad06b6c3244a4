"""When a curve begins, crosses and peaks: against curves whose answer is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade.onset import hann_weights, onset, peak_at, smooth, upward_crossing

# ---- smoothing ----


@pytest.mark.parametrize("half", [0, 1, 3, 6])
def test_weights_sum_to_one_and_are_symmetric(half):
    weights = hann_weights(half)
    assert len(weights) == 2 * half + 1
    assert weights.sum() == pytest.approx(1.0, abs=1e-15)
    assert weights == pytest.approx(weights[::-1], abs=1e-16)
    assert (weights > 0.0).all()


@pytest.mark.parametrize("half", [0, 1, 3, 6])
def test_smoothing_leaves_straight_lines_and_their_crossings(half):
    line = np.linspace(3.0, 12.75, 40)
    even = smooth(line, half)
    inner = slice(half, 40 - half)
    assert even[inner] == pytest.approx(line[inner])
    assert even.shape == line.shape


def test_weights_are_those_of_hann():
    """By hand: 1/2 + 1/2·cos(π·k/2) is 1/2, 1, 1/2; of cos(π·k/4), the sum is 4."""
    assert hann_weights(1) == pytest.approx([0.25, 0.5, 0.25])
    side = [(2.0 - 2.0**0.5) / 16.0, 0.125, (2.0 + 2.0**0.5) / 16.0]
    assert hann_weights(3) == pytest.approx([*side, 0.25, *side[::-1]])


def test_smoothing_goes_on_past_its_ends_with_the_first_and_the_last():
    assert smooth(np.array([0.0, 0.0, 4.0]), 1) == pytest.approx([0.0, 1.0, 3.0])
    assert smooth(np.array([4.0, 0.0, 0.0]), 1) == pytest.approx([3.0, 1.0, 0.0])


def test_smoothing_keeps_a_level_to_its_ends_and_spreads_nan_by_half():
    level = np.full((20, 3), 7.0)
    assert smooth(level, 4) == pytest.approx(level)
    level[10, 1] = np.nan
    gone = np.isnan(smooth(level, 4))
    assert np.flatnonzero(gone[:, 1]).tolist() == list(range(6, 15))
    assert not gone[:, [0, 2]].any()


def test_smoothing_returns_a_copy_and_leaves_its_input():
    x = np.arange(10.0)
    x.setflags(write=False)
    for half in (0, 2):
        smooth(x, half)[0] = 99.0
    assert smooth(np.empty((0, 2)), 3).shape == (0, 2)
    assert smooth(np.array([4.0]), 3) == pytest.approx([4.0])


# ---- onset ----


def movement(start: float, power: float, length: float = 60.0, n: int = 120) -> np.ndarray:
    """Rest, then a beginning of that power, up to 1 and staying there."""
    k = np.arange(n, dtype=np.float64)
    return np.clip((np.maximum(k - start, 0.0) / length) ** power, 0.0, 1.0)


@pytest.mark.parametrize("power", [1.0, 1.5, 2.0])
@pytest.mark.parametrize("start", [30.0, 37.5, 44.0])
def test_a_clean_beginning_is_found_to_half_a_sample(power, start):
    assert onset(movement(start, power), 20, 1.0, 20) == pytest.approx(start, abs=0.5)


@pytest.mark.parametrize("level", [-0.05, 0.0, 0.04])
def test_the_resting_level_does_not_matter(level):
    assert onset(level + movement(40.0, 2.0), 20, 1.0, 20) == pytest.approx(40.0, abs=1.0)


@pytest.mark.parametrize("factor", [0.02, 0.25, 40.0])
def test_the_size_of_a_movement_does_not_move_its_beginning(factor):
    """Of a slow ramp too, whose first quarter and first half lie far apart."""
    y = movement(40.0, 1.0, 70.0)
    assert onset(factor * y, 20, factor, 20) == pytest.approx(onset(y, 20, 1.0, 20))


@pytest.mark.parametrize("factor", [1e-6, 1e-3])
def test_nor_does_that_of_a_fall_before_it_or_of_a_tiny_one(factor):
    fallen = np.array([0.3] * 10 + [0.0] * 10 + [0.1, 0.2, 0.3, 0.4])
    for y in (fallen, movement(40.0, 1.5)):
        assert onset(factor * y, 10, factor, 10) == onset(y, 10, 1.0, 10)


@pytest.mark.parametrize("start", [8, 9, 10, 11])
def test_it_is_read_up_to_the_first_sample_at_two_fifths_of_the_height(start):
    """A ramp to exactly there; what comes after, level or leap, is not looked at."""
    ramp = [0.0] * (start + 1) + [0.1, 0.2, 0.3, 0.4]
    for after in (0.4, 5.0):
        assert onset(np.array([*ramp, *[after] * 5]), 5, 1.0, 5) == start


def test_it_is_no_later_than_the_first_sample_at_a_fifth_of_the_height():
    late = [0.0] * 10 + [0.2] + [0.0] * 10 + [0.1, 0.2, 0.3, 0.4]
    assert onset(np.array(late), 5, 1.0, 5) == 10.0


def test_noise_moves_it_by_a_few_samples():
    rng = np.random.default_rng(9)
    found = [
        onset(movement(40.0, 1.5) + rng.normal(0.0, 0.01, 120), 20, 1.0, 20) for _ in range(200)
    ]
    assert np.median(found) == pytest.approx(40.0, abs=2.0)
    assert np.quantile(np.abs(np.array(found) - 40.0), 0.95) < 6.0


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("y", [np.zeros(50), np.full(50, 0.1), -np.arange(50.0)])
def test_a_curve_that_never_rises_begins_at_the_first(y):
    assert onset(y, 10, 1.0, 20) == 10.0


@pytest.mark.filterwarnings("error")
def test_a_curve_that_is_up_at_once_begins_at_the_first():
    assert onset(np.ones(50), 10, 1.0, 20) == 10.0
    assert onset(np.ones(1), 0, 1.0, 20) == 0.0


@pytest.mark.dear
@settings(max_examples=200, deadline=None)
@given(
    values=st.lists(st.floats(-2.0, 2.0), min_size=2, max_size=60),
    part=st.floats(0.0, 1.0),
    rest=st.integers(1, 40),
)
def test_it_lies_between_the_first_and_the_sample_at_a_fifth_of_the_height(values, part, rest):
    y = np.array(values)
    first = min(int(part * len(y)), len(y) - 1)
    found = onset(y, first, 1.0, rest)
    assert found >= first
    tall = np.flatnonzero(y[first:] >= 0.2)
    if len(tall) and (y[first:] >= 0.4).any():
        assert found <= first + tall[0] + 0.25


# ---- crossings and peaks ----


@pytest.mark.parametrize(
    ("y", "level", "last", "expected"),
    [
        ([0.0, 1.0], 0.5, 1, 0.5),
        ([0.0, 1.0, 0.0, 1.0], 0.25, 3, 2.25),  # for good: the last one
        ([0.0, 1.0, 0.0, 1.0], 0.25, 2, 0.25),
        ([0.0, 0.5, 1.0], 0.5, 2, 1.0),  # a sample on the level
        ([0.0, 0.5, 0.5, 0.4], 0.5, 3, 1.0),  # and more of them
        ([0.5, 1.0], 0.5, 1, None),
        ([1.0, 0.0], 0.5, 1, None),
        ([0.0, 0.2], 0.5, 1, None),
        ([0.6, 0.7], 0.5, 1, None),
        ([0.0], 0.5, 0, None),
    ],
)
def test_the_last_upward_crossing(y, level, last, expected):
    assert upward_crossing(np.array(y), level, last) == expected


@pytest.mark.parametrize("at", [7.0, 7.25, 7.5, 6.6])
def test_a_parabola_s_peak_is_exact(at):
    y = 5.0 - (np.arange(15) - at) ** 2
    assert peak_at(y, int(np.argmax(y))) == pytest.approx(at)


@pytest.mark.parametrize(
    ("y", "k", "expected"),
    [
        ([1.0, 2.0], 1, 1.0),
        ([2.0, 1.0], 0, 0.0),
        ([2.0, 1.0, 0.0], 0, 0.0),
        ([1.0, 1.0, 1.0], 1, 1.0),
        ([1.0, 2.0, 2.0], 1, 1.5),
        ([0.0, 1.0, 5.0], 1, 1.0),  # no maximum there
        ([0.0, 2.0, 3.0], 1, 1.5),  # nor here: the parabola's lies at 2.5
        ([3.0, 2.0, 0.0], 1, 0.5),
    ],
)
def test_a_peak_without_two_lower_neighbours_is_not_refined_beyond_half(y, k, expected):
    assert peak_at(np.array(y), k) == expected
