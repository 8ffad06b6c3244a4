"""The connection interval, told from when packets and answers came."""

import numpy as np
import pytest
from numpy.typing import NDArray

from plantigrade_gateway.sources.flow import STEP_MS, STEPS, IntervalMeter
from plantigrade_gateway.store.status import interval_said


def arrivals(interval_ms: float, jitter_ms: float, seed: int) -> IntervalMeter:
    """What came of four seconds at 100 Hz, two frames a packet, and ten answers."""
    rng = np.random.default_rng(seed)
    meter = IntervalMeter()
    late_ms = rng.exponential(jitter_ms, 300)
    made_ms = 20.0 * np.arange(200) + 3.7
    asked_ms = rng.uniform(0.0, 4000.0, 10)
    for kind, at_ms in ((meter.data, made_ms), (meter.answer, asked_ms)):
        events = np.ceil(at_ms / interval_ms) * interval_ms
        for when, late in zip(events, late_ms, strict=False):
            kind(10**12 + round(1e6 * (when + late)))
    return meter


@pytest.mark.parametrize("interval_ms", [7.5, 11.25, 15.0, 20.0, 30.0, 48.75, 50.0, 100.0, 200.0])
def test_the_interval_is_found_from_when_packets_came(interval_ms):
    """Though 7.5 ms would fit all of its multiples, and packets come every 20 ms."""
    for seed in range(5):
        assert arrivals(interval_ms, 0.3, seed).interval_ms() == interval_ms


def test_an_interval_that_cannot_be_told_is_not_made_up():
    assert IntervalMeter().interval_ms() is None
    rng = np.random.default_rng(1)
    meter = IntervalMeter()
    for at in rng.uniform(0.0, 4e9, 200):
        meter.data(int(at))
    for at in rng.uniform(0.0, 4e9, 20):
        meter.answer(int(at))
    assert meter.interval_ms() is None
    assert STEPS[0] * STEP_MS == 7.5


def meter_of(data_ms: NDArray[np.float64], answers_ms: NDArray[np.float64]) -> IntervalMeter:
    meter = IntervalMeter()
    for kind, times_ms in ((meter.data, data_ms), (meter.answer, answers_ms)):
        for at_ms in times_ms:
            kind(10**12 + round(1e6 * at_ms))
    return meter


def spread(n: int, width: float) -> NDArray[np.float64]:
    """Moments whole intervals of 30 ms apart, each late by up to a part of one, evenly."""
    intervals = np.cumsum(np.resize([2, 1, 4, 1, 3, 3, 1], n))
    late = width * ((np.arange(n) * 0.618034) % 1.0)
    return np.asarray(30.0 * (intervals + late), dtype=np.float64)


@pytest.mark.parametrize(
    ("data", "answers", "found_ms"),
    [
        (0.30, 0.0, 30.0),
        (0.34, 0.0, 30.0),
        (0.41, 0.0, None),
        (0.0, 0.50, 30.0),
        (0.0, 0.60, None),
    ],
)
def test_how_late_packets_and_answers_may_be(data, answers, found_ms):
    """Late by anything up to w of an interval, phases are alike by sin(πw)/πw (integral by hand).

    Of data that is 0.86, 0.82 and 0.75 where 0.8 is asked for, of answers 0.64 and 0.50 where 0.6
    is.
    """
    assert meter_of(spread(200, data), spread(24, answers)).interval_ms() == found_ms


def test_fifty_packets_and_eight_answers_are_enough():
    moments = 30.0 * np.array([0, 2, 3, 7, 8, 11, 14, 15, 19, 22, 26, 27, 31] * 4)
    moments += 30.0 * 37 * np.repeat(np.arange(4), 13)
    assert meter_of(moments[:50], moments[:8]).interval_ms() == 30.0
    assert meter_of(moments[:49], moments[:8]).interval_ms() is None
    assert meter_of(moments[:50], moments[:7]).interval_ms() is None


def test_a_link_that_takes_another_interval_is_measured_anew():
    """The last 200 packets and 24 answers count."""
    steps = np.cumsum(np.resize([2, 1, 4, 1, 3, 3, 1], 200))
    meter = meter_of(15.0 * steps, 15.0 * steps[:24])
    assert meter.interval_ms() == 15.0
    later = 15.0 * (steps[-1] + 1) + 7.0
    for at_ms in 50.0 * steps:
        meter.data(10**12 + round(1e6 * (later + at_ms)))
    for at_ms in 50.0 * steps[:24]:
        meter.answer(10**12 + round(1e6 * (later + at_ms)))
    assert meter.interval_ms() == 50.0


def test_what_an_interval_does_to_the_delay_is_said():
    assert interval_said(15.0) == (
        "connection interval 15.00 ms: a packet waits 8 ms on average and up to 15 ms for the radio"
    )
    assert interval_said(50.0).endswith("50 ms for the radio, 18 ms more on average than at 15 ms")
