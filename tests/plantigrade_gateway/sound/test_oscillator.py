"""Rendered samples of the tone: pitch, ramps, no step, no click, no hanging note."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, hilbert, sosfilt
from tests.support.hearing import strongest_hz

from plantigrade_gateway.sound.motifs import (
    MIN_RAMP_S,
    PEAK,
    SAMPLE_RATE_HZ,
    pitch_hz,
    voice_period,
)
from plantigrade_gateway.sound.pitch import RAMP_S, STALE_S, TONE_PEAK, Oscillator, ToneClock

Samples = NDArray[np.float32]
Point = tuple[int, float, float]
LEAST_HZ, MOST_HZ = 220.0, 880.0


def render(points: list[Point], n: int, cuts: set[int] = frozenset()) -> Samples:  # type: ignore[assignment]
    """Render n samples; each point is told at the block that it lies in."""
    tone = Oscillator()
    for point in points:
        tone.point(*point)
    out = np.zeros(n, dtype=np.float32)
    for start, stop in pairwise(sorted({0, n} | cuts)):
        block = np.zeros(stop - start, dtype=np.float32)
        tone.add_to(block)
        out[start:stop] = block
    return out


def held(hz: float, seconds: float, start: int = 0) -> list[Point]:
    """Points every 10 ms at one pitch."""
    return [(start + 480 * k, hz, 1.0) for k in range(round(seconds * 100))]


@pytest.mark.parametrize("y", [0.0, 0.15, 0.5, 0.85, 1.0])
def test_the_spectrum_is_that_of_the_cop(y):
    hz = float(pitch_hz(y))
    assert strongest_hz(render(held(hz, 0.5), 24000)[4800:]) == pytest.approx(hz, abs=0.5)


def test_a_glide_is_at_each_moment_where_the_points_are():
    y = np.linspace(0.1, 0.9, 100)
    points = [(480 * k, float(pitch_hz(v)), 1.0) for k, v in enumerate(y)]
    samples = render(points, 48000)
    for at in (0.2, 0.5, 0.8):
        piece = samples[round((at - 0.02) * SAMPLE_RATE_HZ) : round((at + 0.02) * SAMPLE_RATE_HZ)]
        # it runs some ms behind: the follower's time constant, a point's distance
        late = 0.1 + 0.8 * (at - 0.012)
        assert strongest_hz(piece) == pytest.approx(float(pitch_hz(late)), rel=0.02)


def test_the_level_is_the_tones_and_no_more():
    samples = render(held(330.0, 0.5), 24000)
    assert np.abs(samples).max() == pytest.approx(TONE_PEAK, rel=0.01)
    half = render([(at, hz, 0.5) for at, hz, _ in held(330.0, 0.5)], 24000)
    assert np.abs(half).max() == pytest.approx(TONE_PEAK / 2, rel=0.01)


def test_it_ramps_in_and_out_over_more_than_three_milliseconds():
    points = [*held(440.0, 0.3), (14400, 440.0, 0.0)]
    envelope = np.abs(hilbert(render(points, 24000)))
    level = np.median(envelope[7200:12000])
    rise = np.flatnonzero(envelope > 0.9 * level)[0] - np.flatnonzero(envelope > 0.1 * level)[0]
    loud = np.flatnonzero(envelope > 0.9 * level)[-1]
    fall = np.flatnonzero(envelope > 0.1 * level)[-1] - loud
    assert min(rise, fall) / SAMPLE_RATE_HZ >= MIN_RAMP_S
    assert max(rise, fall) / SAMPLE_RATE_HZ <= 2 * RAMP_S
    assert np.abs(render(points, 24000)[14400 + round(RAMP_S * SAMPLE_RATE_HZ) + 1 :]).max() == 0.0


def largest_step(points: list[Point], n: int) -> float:
    return float(np.abs(np.diff(render(points, n), prepend=0.0)).max())


wild = st.lists(
    st.tuples(
        st.integers(0, 20000),
        st.floats(LEAST_HZ, MOST_HZ),
        st.sampled_from([0.0, 0.3, 1.0]),
    ),
    max_size=40,
)


@settings(deadline=None, max_examples=40)
@given(wild)
def test_no_step_whatever_the_points(points):
    """The steepest part of the highest pitch's wave, and a sample's part of a ramp."""
    wave = voice_period() / PEAK
    slope = float(np.abs(np.diff(wave)).max()) * len(wave)  # per turn
    steepest = slope * MOST_HZ / SAMPLE_RATE_HZ * TONE_PEAK
    ramp = TONE_PEAK / (RAMP_S * SAMPLE_RATE_HZ)
    assert largest_step(sorted(points), 24000) <= 1.001 * (steepest + ramp)


def test_jumps_of_pitch_leave_no_click():
    """Above 8 kHz there is nothing but clicks."""
    points = [(480 * k, (220.0, 880.0)[k // 5 % 2], 1.0) for k in range(100)]
    sos = butter(8, 8000.0, "highpass", fs=SAMPLE_RATE_HZ, output="sos")
    assert np.abs(sosfilt(sos, render(points, 48000))).max() < 0.002 * TONE_PEAK


@pytest.mark.dear
@settings(deadline=None, max_examples=25)
@given(wild, st.sets(st.integers(1, 23999), max_size=20))
@pytest.mark.slow
def test_blocks_of_any_size_give_the_same_tone(points, cuts):
    ordered = sorted(points)
    whole = render(ordered, 24000)
    assert render(ordered, 24000, cuts) == pytest.approx(whole, abs=2e-5)


def test_a_tone_nobody_tells_of_any_more_fades():
    samples = render(held(440.0, 0.2), 48000)
    last = np.flatnonzero(samples)[-1] / SAMPLE_RATE_HZ
    assert last == pytest.approx(0.19 + STALE_S + RAMP_S, abs=0.002)


def test_it_begins_where_the_cop_is_not_where_it_was():
    points = [*held(220.0, 0.2), (9600, 220.0, 0.0), *held(880.0, 0.2, 19200)]
    samples = render(points, 48000)[19200 : 19200 + 2400]
    assert strongest_hz(samples) == pytest.approx(880.0, rel=0.01)


def test_what_is_left_is_what_sounds():
    tone = Oscillator()
    assert tone.silent and tone.left == 0
    tone.point(100, 440.0, 1.0)
    left = tone.left
    block = np.zeros(left, dtype=np.float32)
    tone.add_to(block)
    assert tone.silent and tone.left == 0
    assert left - np.flatnonzero(block)[-1] <= 5


def test_a_point_told_while_a_block_is_made_counts_from_the_next_sample(monkeypatch):
    """Points come from another thread than the device's: this one of a frame that has passed."""
    tone, told = Oscillator(), iter([(10, 440.0, 1.0)])
    tone.skip(1000)
    take_due = tone._take_due

    def and_one_more_comes() -> None:
        take_due()
        for point in told:
            tone.point(*point)

    monkeypatch.setattr(tone, "_take_due", and_one_more_comes)
    block = np.zeros(960, dtype=np.float32)
    tone.add_to(block)
    assert tone.frame == 1960
    np.testing.assert_allclose(block, plain([(1, 440.0, 1.0)], 960), atol=0.001 * TONE_PEAK)


# ---- placing points that come in bunches ----


def placed(arrivals: list[tuple[float, int]], lead: int = 480) -> list[int]:
    clock = ToneClock(lead)
    return [clock.place(t_s, now) for t_s, now in arrivals]


def test_bunches_are_spread_again():
    """Two rows to a packet, packets 0 to 8 ms late: evenly 10 ms apart all the same."""
    late = [0, 8, 3, 0, 6, 1, 8, 2]
    arrivals = [(0.01 * (2 * k + j), 960 * k + 48 * late[k]) for k in range(8) for j in range(2)]
    frames = placed(arrivals)
    assert np.diff(frames[1:]).tolist() == [480] * 14
    assert all(frame >= now for frame, (_, now) in zip(frames, arrivals, strict=True))


def test_a_late_bunch_moves_what_follows():
    frames = placed([(0.0, 0), (0.01, 480), (0.02, 4800), (0.03, 5000)])
    assert frames == [0, 960, 4800, 5280]


def test_a_new_tone_begins_at_once_and_its_second_point_waits():
    """Only those after the first can jitter: what is waited for them does not delay a beginning."""
    frames = placed([(0.0, 0), (0.01, 9600), (5.0, 96000), (5.01, 96480)])
    assert frames[2:] == [96000, 96960]


def plain(points: list[Point], n: int) -> NDArray[np.float64]:
    """Each sample by itself: a pitch that nears its point's, and a gain that steps towards it.

    The pitch is followed with 8 ms, the gain in 720 steps (15 ms); after `STALE_S` without a point
    the gain goes back; out of silence a tone begins at its point's pitch, with its phase at 0.
    """
    waits = sorted(points, key=lambda point: point[0])
    near = np.exp(-1.0 / (0.008 * 48_000))
    fine = 2.0 * np.pi * np.linspace(0.0, 1.0, 200_001)
    loudest = np.abs(np.sin(fine) + 0.35 * np.sin(2 * fine) + 0.12 * np.sin(3 * fine)).max()
    octave = wanted = turn = 0.0
    gain = to = until = 0
    out = np.zeros(n)
    for k in range(n):
        if to > 0 and k >= until:
            to = 0
        while waits and waits[0][0] <= k:
            _, hz, level = waits.pop(0)
            to, until = round(720 * min(max(level, 0.0), 1.0)), k + round(STALE_S * 48_000)
            if to > 0:
                wanted = np.log2(hz)
                if gain == 0:
                    octave, turn = wanted, 0.0
        if gain == to == 0:
            continue
        octave = wanted + (octave - wanted) * near
        turn += 2.0**octave / 48_000
        gain += (to > gain) - (to < gain)
        a = 2.0 * np.pi * turn
        voice = np.sin(a) + 0.35 * np.sin(2 * a) + 0.12 * np.sin(3 * a)
        out[k] = TONE_PEAK * voice / loudest * gain / 720
    return out


@pytest.mark.parametrize(
    "points",
    [
        [(0, 440.0, 1.0)],  # goes stale
        [(100, 220.0, 1.0), (580, 880.0, 1.0), (1060, 330.0, 0.4), (1540, 330.0, 0.0)],
        [(50, 300.0, 1.0), (200, 500.0, 0.0), (300, 700.0, 1.0)],  # turns round on its way
        [(0, 300.0, 2.0), (2000, 300.0, -1.0), (9000, 600.0, 0.5)],
        [(0, 300.0, 0.001), (480, 300.0, 0.0)],  # one step of 720
    ],
)
def test_a_tone_is_that_of_a_plain_loop_over_its_samples(points):
    n = round(STALE_S * 48_000) + 11_000
    expected = plain(points, n)
    assert np.abs(expected).max() > 1e-4
    np.testing.assert_allclose(render(points, n, {1, 700, 5000}), expected, atol=0.001 * TONE_PEAK)


def test_samples_are_added_to_what_is_there_and_a_silent_tone_adds_none():
    tone = Oscillator()
    block = np.full(1000, 0.25, dtype=np.float32)
    tone.add_to(block)
    assert set(block) == {np.float32(0.25)} and tone.silent and tone.left == 0
    tone.skip(500)
    assert tone.frame == 1500
    tone.point(1600, 440.0, 1.0)
    assert not tone.silent
    # its point, until it is stale, and then the ramp
    assert tone.left == 100 + round(STALE_S * 48_000) + 720 + 1
    tone.add_to(block)
    np.testing.assert_allclose(block - 0.25, plain([(100, 440.0, 1.0)], 1000), atol=1e-4)
    assert tone.left == 1600 + round(STALE_S * 48_000) - 2500 + 720 + 1
    rest = np.zeros(tone.left, dtype=np.float32)
    tone.add_to(rest)
    assert tone.silent and rest[-1] == 0.0 and tone.left == 0
