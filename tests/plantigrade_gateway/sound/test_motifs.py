"""Rendered samples are looked at: pitch, onset, clicks, level, and how unlike the motifs are."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, periodogram, sosfilt
from tests.support.hearing import Samples, unlikeness

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.motifs import (
    CEILING,
    HEEL_HZ,
    KNEE,
    PEAK,
    SAMPLE_RATE_HZ,
    TOE_HZ,
    Motif,
    glide,
    motif,
    pitch_hz,
    quiet,
    soft_limit,
)

T_S = np.arange(0.0, 0.4, 0.01)
ROLL_Y = np.linspace(0.12, 0.85, len(T_S))
JUMP_Y = np.where(T_S < 0.2, 0.12, 0.85)

SOUNDS: dict[str, Samples] = {kind.value: motif(kind) for kind in Motif} | {
    "glide": glide(T_S, ROLL_Y),
    "jump": glide(T_S, JUMP_Y),
}


def rising_crossings_s(samples: Samples) -> NDArray[np.float64]:
    """Return the interpolated times at which the samples cross zero upward, s."""
    x = samples[:-1].astype(np.float64)  # the last sample is 0, faded, and no crossing
    k = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    return (k + x[k] / (x[k] - x[k + 1])) / SAMPLE_RATE_HZ


def highest_above_8_khz(samples: Samples) -> float:
    """Return the largest sample left above 8 kHz, where only clicks live: no partial is higher."""
    padded = np.concatenate([samples, np.zeros(500)])
    sos = butter(8, 8000.0, "highpass", fs=SAMPLE_RATE_HZ, output="sos")
    return float(np.abs(sosfilt(sos, padded)).max())


def test_pitch_is_two_octaves_of_equal_intervals():
    assert pitch_hz(0.0) == HEEL_HZ == 220.0
    assert pitch_hz(1.0) == pytest.approx(TOE_HZ)
    assert pitch_hz(0.5) == pytest.approx(440.0)  # half-way along the foot is half the interval
    assert pitch_hz([-0.3, 1.7]) == pytest.approx([HEEL_HZ, TOE_HZ])
    assert np.isnan(pitch_hz(np.nan))


@pytest.mark.parametrize("y", [0.0, 0.12, 0.5, 0.85, 1.0])
def test_still_cop_gives_its_pitch_in_the_spectrum(y):
    samples = glide([0.0, 1.0], [y, y])[:SAMPLE_RATE_HZ]
    hz, power = periodogram(samples, SAMPLE_RATE_HZ, window="hann", nfft=1 << 18)
    assert hz[np.argmax(power)] == pytest.approx(220.0 * 4.0**y, rel=0.01)


@pytest.mark.parametrize("stretch", [1.0, 2.0])
@pytest.mark.parametrize("y", [ROLL_Y, ROLL_Y[::-1], JUMP_Y, np.full(len(T_S), 0.3)])
def test_pitch_follows_the_path(y, stretch):
    """Each period of the sound, found by zero crossings, holds one turn of the path's pitch."""
    crossings_s = rising_crossings_s(glide(T_S, y, stretch))
    assert len(crossings_s) > 60
    fine_s = np.arange(0.0, 1.0, 1e-5)
    turns = np.cumsum(220.0 * 4.0 ** np.interp(fine_s / stretch, T_S, y)) * 1e-5
    per_period = np.diff(np.interp(crossings_s, fine_s, turns))
    assert per_period == pytest.approx(1.0, abs=0.01)


def test_glide_lasts_as_long_as_its_path_and_a_fading_hold():
    assert len(glide(T_S, ROLL_Y)) == round((0.39 + 0.06) * SAMPLE_RATE_HZ)
    assert len(glide(T_S + 1e4, ROLL_Y, 2.0)) == round((0.78 + 0.06) * SAMPLE_RATE_HZ)


@pytest.mark.parametrize(
    ("t_s", "y", "stretch"),
    [
        ([], [], 1.0),
        ([0.0], [0.5], 1.0),
        ([0.0, 0.1], [0.5], 1.0),
        ([0.0, 0.0], [0.5, 0.6], 1.0),
        ([0.1, 0.0], [0.5, 0.6], 1.0),
        ([0.0, np.nan], [0.5, 0.6], 1.0),
        ([0.0, 0.1], [0.5, np.inf], 1.0),
        ([0.0, 0.1], [0.5, 0.6], 0.0),
        ([0.0, 4.1], [0.5, 0.6], 1.0),
        ([[0.0, 0.1]], [[0.5, 0.6]], 1.0),
    ],
)
def test_glide_refuses_what_is_not_a_path(t_s, y, stretch):
    with pytest.raises(SoundError, match=r"glide: .*expected"):
        glide(t_s, y, stretch)


@pytest.mark.parametrize("name", SOUNDS)
def test_onset_and_end_are_ramps_of_at_least_3_ms(name):
    samples = SOUNDS[name].astype(np.float64)
    n = round(0.003 * SAMPLE_RATE_HZ)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)
    for end in (samples, samples[::-1]):
        # Half as much again: a sound that dies away is a little above its peak under the ramp.
        assert np.all(np.abs(end[:n]) <= 1.5 * PEAK * ramp + 1e-9)


@pytest.mark.parametrize("name", SOUNDS)
def test_nothing_clicks(name):
    samples = SOUNDS[name]
    assert np.abs(np.diff(samples)).max() < 0.4 * PEAK
    assert highest_above_8_khz(samples) < 5e-4


@pytest.mark.parametrize("name", SOUNDS)
def test_the_click_measure_hears_a_cut(name):
    """The bound above would fail for a sound that begins at its loudest sample."""
    samples = SOUNDS[name]
    cut = samples[int(np.argmax(np.abs(samples))) :]
    assert highest_above_8_khz(cut) > 5e-4


@pytest.mark.parametrize("name", SOUNDS)
def test_sounds_are_finite_single_precision_and_low(name):
    samples = SOUNDS[name]
    assert samples.dtype == np.float32
    assert samples.ndim == 1
    assert np.isfinite(samples).all()
    assert 0.0 < np.abs(samples).max() <= np.float32(PEAK)


def test_what_keeps_a_page_sounding_is_faint_but_not_silent():
    """Over −72 dB of full scale (a browser's silence, from memory), 34 dB under any motif."""
    samples = quiet()
    assert len(samples) > 5 * SAMPLE_RATE_HZ
    level_db = 10.0 * np.log10(np.mean(samples.astype(np.float64) ** 2))
    assert -72.0 < level_db < -66.0
    faintest = min(float(np.abs(motif(kind)).max()) for kind in Motif)
    assert np.abs(samples).max() < 0.02 * faintest
    assert samples[0] == samples[-1] == 0.0 and highest_above_8_khz(samples[:2000]) < 5e-4


def test_unclear_is_the_quietest():
    power = {kind: float(np.mean(motif(kind) ** 2)) for kind in Motif if "heel" not in kind.value}
    assert min(power, key=lambda kind: power[kind]) is Motif.UNCLEAR


def test_ticks_are_short():
    assert len(motif(Motif.HEEL_LIFTED)) < 0.06 * SAMPLE_RATE_HZ
    assert len(motif(Motif.HEEL_RETURNED)) < 0.15 * SAMPLE_RATE_HZ


def test_motifs_are_made_once_and_cannot_be_changed():
    samples = motif(Motif.ROLLED)
    assert motif(Motif.ROLLED) is samples
    with pytest.raises(ValueError, match="read-only"):
        samples[0] = 1.0


@pytest.mark.parametrize(("one", "two"), list(combinations(Motif, 2)))
def test_motifs_differ_in_contour_and_timbre_not_only_pitch(one, two):
    assert unlikeness(motif(one), motif(two)) > 0.4


def test_the_unlikeness_measure_does_not_count_transposition():
    """A melody played a fourth higher would fail the bound above."""
    low, high = glide(T_S, ROLL_Y * 0.5), glide(T_S, ROLL_Y * 0.5 + 5.0 / 24.0)
    assert unlikeness(low, low) == pytest.approx(0.0, abs=1e-9)
    assert unlikeness(low, high) < 0.2


@pytest.mark.parametrize("part", [0.1, 0.5, 1.0, 2.0])
def test_limiter_bends_by_a_hyperbolic_tangent_above_its_knee(part):
    """The knee is at .375, the ceiling .125 above it: as far over as `part` of that."""
    over = np.array([0.375 + 0.125 * part, -0.375 - 0.125 * part, 0.375], dtype=np.float32)
    bent = 0.375 + 0.125 * np.tanh(part)
    assert soft_limit(over) == pytest.approx([bent, -bent, 0.375], rel=1e-5)


@given(st.lists(st.floats(-1e6, 1e6, width=32), min_size=1, max_size=50))
def test_limiter_keeps_sign_order_and_ceiling(values):
    given_samples = np.array(values, dtype=np.float32)
    limited = soft_limit(given_samples.copy())
    assert limited.dtype == np.float32
    assert np.all(np.abs(limited) <= CEILING)
    untouched = np.abs(given_samples) <= KNEE
    assert np.array_equal(limited[untouched], given_samples[untouched])
    assert np.array_equal(np.sign(limited), np.sign(given_samples))
    assert np.all(np.diff(limited[np.argsort(given_samples)]) >= 0)
