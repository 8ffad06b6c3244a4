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


@pytest.mark.parametrize("y", [ROLL_Y, ROLL_Y[::-1], JUMP_Y, np.full(len(T_S), 0.3)])
def test_pitch_follows_the_path(y):
    """Each period of the sound, found by zero crossings, holds one turn of the path's pitch."""
    crossings_s = rising_crossings_s(glide(T_S, y))
    assert len(crossings_s) > 60
    fine_s = np.arange(0.0, 1.0, 1e-5)
    turns = np.cumsum(220.0 * 4.0 ** np.interp(fine_s, T_S, y)) * 1e-5
    per_period = np.diff(np.interp(crossings_s, fine_s, turns))
    assert per_period == pytest.approx(1.0, abs=0.01)


def test_glide_lasts_as_long_as_its_path_and_a_fading_hold():
    assert len(glide(T_S, ROLL_Y)) == round((0.39 + 0.06) * SAMPLE_RATE_HZ)
    assert len(glide(2.0 * T_S + 1e4, ROLL_Y)) == round((0.78 + 0.06) * SAMPLE_RATE_HZ)


@pytest.mark.parametrize(
    ("t_s", "y"),
    [
        ([], []),
        ([0.0], [0.5]),
        ([0.0, 0.1], [0.5]),
        ([0.0, 0.0], [0.5, 0.6]),
        ([0.1, 0.0], [0.5, 0.6]),
        ([0.0, np.nan], [0.5, 0.6]),
        ([0.0, 0.1], [0.5, np.inf]),
        ([0.0, 4.1], [0.5, 0.6]),
        ([[0.0, 0.1]], [[0.5, 0.6]]),
    ],
)
def test_glide_refuses_what_is_not_a_path(t_s, y):
    with pytest.raises(SoundError, match=r"glide: .*expected"):
        glide(t_s, y)


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


# ---- the score: each motif written out once more, and rendered by closed formulas ----

BELL = {1.0: 1.0, 2.0: 0.45, 3.01: 0.25, 4.23: 0.15}
HOLLOW = {1.0: 1.0, 3.0: 0.45, 5.0: 0.25, 7.0: 0.12}
REED = {float(k): 1.0 / k for k in range(1, 9)}
D4, C4, B3, F4, A4, F5, D5, E5, G5, B5 = (
    440.0 * 2.0 ** (k / 12.0) for k in (-7, -9, -10, -4, 0, 8, 5, 7, 10, 14)
)
"""Equal temperament at A4 = 440 Hz (ISO 16), by semitones from it."""

SCORE: dict[Motif, tuple[float, dict[float, float], float | None, list[tuple[float, ...]]]] = {
    Motif.ROLLED: (
        *(1.0, BELL, 0.13),
        [(0.0, 0.3, D5, D5, 5, 80), (0.1, 0.3, G5, G5, 5, 80), (0.2, 0.45, B5, B5, 5, 120)],
    ),
    Motif.SKIPPED: (
        *(0.8, HOLLOW, None),
        [(0.0, 0.08, F5, F5, 5, 15), (0.2, 0.16, F4, F4, 5, 15)],
    ),
    Motif.EARLY: (
        *(0.8, REED, None),
        [(0.0, 0.07, A4, A4, 5, 15), (0.13, 0.06, A4, A4, 5, 15), (0.22, 0.05, A4, A4, 5, 15)],
    ),
    Motif.SKIPPED_EARLY: (
        *(0.8, REED, None),
        [
            (0.0, 0.04, 660, 660, 5, 15),
            (0.07, 0.04, 660, 660, 5, 15),
            (0.24, 0.18, 330, 220, 5, 15),
        ],
    ),
    Motif.HELD: (0.8, {1.0: 1.0, 2.0: 0.1}, None, [(0.0, 0.6, B3, B3, 60, 120)]),
    Motif.GOOD: (
        *(0.8, BELL, 0.13),
        [(0.0, 0.12, E5, E5, 5, 50), (0.07, 0.18, B5, B5, 5, 80)],
    ),
    Motif.MISSED: (0.6, HOLLOW, None, [(0.0, 0.12, D4, C4, 5, 40)]),
    Motif.HEEL_LIFTED: (0.9, {1.0: 1.0, 2.76: 0.4}, 0.012, [(0.0, 0.05, 950, 1500, 4, 10)]),
    Motif.HEEL_RETURNED: (
        *(0.9, {1.0: 1.0, 1.51: 0.5}, 0.016),
        [(0.0, 0.06, 560, 380, 4, 10), (0.065, 0.06, 480, 320, 4, 10)],
    ),
}
"""Level of the peak, partials, decay in s, and notes: start and length in s, pitches in Hz, attack
and release in ms."""


def faded(n: int, attack_ms: float, release_ms: float) -> NDArray[np.float64]:
    """Half a cosine up, and half of one down."""
    up, down = (round(48 * ms) for ms in (attack_ms, release_ms))
    out = np.ones(n)
    out[:up] *= np.sin(0.5 * np.pi * np.arange(up) / up) ** 2
    out[n - down :] *= np.sin(0.5 * np.pi * np.arange(down - 1, -1, -1) / down) ** 2
    return out


@pytest.mark.parametrize("kind", SCORE)
def test_a_motif_is_its_score(kind):
    """Pitches go in equal intervals, whose sum is a geometric series."""
    level, partials, decay_s, notes = SCORE[kind]
    expected = np.zeros(round(48_000 * max(start + length for start, length, *_ in notes)) + 1)
    for start_s, length_s, from_hz, to_hz, attack_ms, release_ms in notes:
        n = round(48_000 * length_s)
        k = np.arange(n)
        q = (to_hz / from_hz) ** (1.0 / (n - 1))
        turns = from_hz / 48_000 * (k if q == 1.0 else q * (q**k - 1.0) / (q - 1.0))
        note = sum(a * np.sin(2.0 * np.pi * multiple * turns) for multiple, a in partials.items())
        if decay_s is not None:
            note *= np.exp(-k / 48_000 / decay_s)
        at = round(48_000 * start_s)
        expected[at : at + n] += note * faded(n, attack_ms, release_ms)
    if kind is Motif.HELD:  # swells from two fifths to the whole, five times a second
        expected *= 0.4 + 0.6 * np.sin(np.pi * 5.0 * np.arange(len(expected)) / 48_000) ** 2
    expected *= 0.2 * level / np.abs(expected).max()
    # pitches are written to a hundredth of a Hz: a thousandth of a turn in the longest note
    np.testing.assert_allclose(motif(kind), expected, atol=0.02 * 0.2)


def test_the_breath_is_noise_around_750_hz_that_swells_for_a_tenth_of_a_second():
    """A bell over the octaves whose deviation is .45; noise of one seed, a quarter of a second."""
    white = np.fft.fft(np.random.default_rng(7).standard_normal(12_000))
    hz = np.abs(np.fft.fftfreq(12_000, 1.0 / 48_000)).clip(1.0)
    bell = np.exp(-((np.log(hz / 750.0) / np.log(2.0) / 0.45) ** 2) / 2.0)
    expected = np.fft.ifft(white * bell).real * faded(12_000, 100, 140)
    expected *= 0.4 * 0.2 / np.abs(expected).max()
    np.testing.assert_allclose(motif(Motif.UNCLEAR), expected, atol=1e-6)


@pytest.mark.parametrize("length_s", [0.1, 0.2])
def test_a_glide_is_one_voice_of_three_partials(length_s):
    """It fades in over 10 ms, and out over the 60 ms in which it holds its last pitch."""
    samples = glide([0.0, length_s], [0.5, 0.5])
    n = round(48_000 * (length_s + 0.06))
    turns = np.arange(1, n + 1) * 440.0 / 48_000
    parts = {1: 1.0, 2: 0.35, 3: 0.12}
    fine = np.linspace(0.0, 1.0, 100_001)
    voice, whole = (
        sum(a * np.sin(2.0 * np.pi * k * at) for k, a in parts.items()) for at in (turns, fine)
    )
    expected = 0.2 * voice / np.abs(whole).max() * faded(n, 10, 60)
    np.testing.assert_allclose(samples, expected, atol=0.001 * 0.2)


def test_what_keeps_a_page_sounding_lasts_6_seconds_and_fades_over_a_tenth():
    samples = quiet()
    noise = np.random.default_rng(7).standard_normal(288_000) * faded(288_000, 100, 100)
    np.testing.assert_allclose(samples, 0.0015 * noise / np.abs(noise).max(), atol=1e-9)
    with pytest.raises(ValueError, match="read-only"):
        samples[0] = 1.0
