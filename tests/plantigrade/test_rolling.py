"""Moving extremes against the plain loops they stand for."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade.rolling import (
    longest,
    still_windows,
    trailing_max,
    trailing_min,
)

SIGNALS = st.lists(st.one_of(st.floats(-9.0, 9.0), st.just(float("nan"))), min_size=1, max_size=40)


@pytest.mark.dear
@settings(max_examples=200, deadline=None)
@given(values=SIGNALS, width=st.integers(1, 12))
def test_trailing_extremes_are_those_of_each_window(values, width):
    x = np.array(values)
    least, greatest = trailing_min(x, width), trailing_max(x, width)
    for k in range(len(x)):
        window = [v for v in values[max(k - width + 1, 0) : k + 1] if v == v]
        assert least[k] == min(window, default=np.inf)
        assert greatest[k] == max(window, default=-np.inf)


@pytest.mark.dear
@settings(max_examples=200, deadline=None)
@given(values=SIGNALS, width=st.integers(1, 12), within=st.floats(0.0, 10.0))
def test_still_windows_stay_within_their_range(values, width, within):
    still = still_windows(np.array(values), width, within)
    windows = [values[k : k + width] for k in range(len(values) - width + 1)]
    assert still.tolist() == [all(v == v for v in w) and max(w) - min(w) <= within for w in windows]


@settings(max_examples=200, deadline=None)
@given(text=st.text(".#?", max_size=30))
def test_the_longest_stretch(text):
    x = np.array([{".": 1.0, "#": -1.0, "?": np.nan}[c] for c in text])
    expected = max(len(part) for part in text.replace("?", ".").split("."))
    assert longest(x < 0.0) == expected


@pytest.mark.parametrize("width", [2, 5])
def test_inputs_are_not_changed(width):
    x = np.array([3.0, np.nan, 1.0, 2.0])
    x.setflags(write=False)
    trailing_min(x, width), trailing_max(x, width), still_windows(x, width, 1.0)
