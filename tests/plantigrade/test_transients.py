"""Transients of a sound: times, levels and rises that follow from how each sound was made."""

import numpy as np
import pytest

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError
from plantigrade.transients import Transient, TransientDetector, TransientKind

RATE = 48_000


def noise(seed: int, duration_s: float, sd: float) -> FloatArray:
    samples: FloatArray = np.random.default_rng(seed).normal(0.0, sd, round(duration_s * RATE))
    return samples


def ring(hz: float, rise_s: float, decay_s: float = 0.006) -> FloatArray:
    """A tone that rises along a straight line and dies away from there."""
    t = np.arange(round(0.08 * RATE)) / RATE
    since = np.maximum(t - rise_s, 0.0)
    hull = np.minimum(t / rise_s, 1.0) * np.exp(-since / decay_s)
    sound: FloatArray = hull * np.sin(2.0 * np.pi * hz * t)
    return sound


def with_sounds(sound: FloatArray, *places: tuple[float, FloatArray]) -> FloatArray:
    out = sound.copy()
    for at_s, added in places:
        at = round(at_s * RATE)
        out[at : at + len(added)] += added
    return out


def hear(sound: FloatArray, kind: TransientKind = TransientKind.CLICK) -> list[Transient]:
    return TransientDetector(kind).push(sound)


BUSY = with_sounds(
    noise(1, 4.0, 2e-3),
    *(
        (0.3 + 0.21 * k, 0.2 * ring(900.0 * (1 + k % 6), (0.0004, 0.002, 0.008)[k % 3]))
        for k in range(16)
    ),
)


def test_a_click_is_told_with_its_time_level_and_shape():
    sound = with_sounds(noise(2, 1.0, 1e-4), (0.5, 0.2 * ring(4000.0, 0.0005)))
    (one,) = hear(sound)
    assert one.t_s == pytest.approx(0.5, abs=0.0005)
    assert one.is_click
    assert one.is_top_click
    assert one.high_share > 0.95
    # its loudest millisecond, by its own formula: nearly all of 4 kHz passes the filter
    t = np.arange(round(0.0015 * RATE)) / RATE
    hull = 0.2 * np.minimum(t / 0.0005, 1.0) * np.exp(-np.maximum(t - 0.0005, 0.0) / 0.006)
    loudest = max(float(np.square(hull[k : k + 48]).mean()) / 2.0 for k in range(24))
    assert one.level_db == pytest.approx(10.0 * np.log10(loudest), abs=0.5)
    # energy of an exponential decay: the second 5 ms against the first is exp(−2 · 5 / 6)
    assert one.tail_db == pytest.approx(10.0 * np.log10(np.exp(-10.0 / 6.0)), abs=1.5)
    assert max(one.bands_db) == one.bands_db[3], "3.5 to 6 kHz"


@pytest.mark.parametrize("rise_s", [0.004, 0.008, 0.02])
def test_what_rises_slowly_is_no_click(rise_s):
    sound = with_sounds(noise(3, 1.0, 1e-4), (0.5, 0.2 * ring(4000.0, rise_s, decay_s=0.05)))
    assert not [one for one in hear(sound) if one.is_click or one.is_top_click]


def test_a_click_mostly_under_2_khz_is_none():
    (one,) = hear(with_sounds(noise(4, 1.0, 1e-4), (0.5, 0.2 * ring(1500.0, 0.0005))))
    assert not one.is_click


def test_a_steady_sound_has_no_transients():
    t = np.arange(RATE) / RATE
    assert hear(noise(5, 1.0, 0.05)) == []
    steady = np.minimum(t / 0.2, 1.0) * 0.2 * np.sin(2.0 * np.pi * 3000.0 * t)
    assert hear(steady + noise(6, 1.0, 1e-4)) == []


def test_a_click_under_a_low_tone_is_found_over_3_5_khz():
    t = np.arange(RATE) / RATE
    tone = np.minimum(t / 0.2, 1.0) * 0.2 * np.sin(2.0 * np.pi * 2300.0 * t)
    sound = with_sounds(tone + noise(7, 1.0, 1e-4), (0.5, 0.05 * ring(5000.0, 0.0005)))
    (one,) = hear(sound)
    assert one.t_s == pytest.approx(0.5, abs=0.0005)
    assert one.is_top_click
    assert not one.is_click, "most of what is heard there is the tone"


def test_a_heel_is_a_thump_and_no_click():
    t = np.arange(round(0.15 * RATE)) / RATE
    thud = 0.1 * np.sin(2.0 * np.pi * 120.0 * t) * np.exp(-t / 0.03) * np.minimum(t / 0.003, 1.0)
    sound = with_sounds(noise(8, 1.0, 1e-4), (0.5, thud))
    (one,) = hear(sound, TransientKind.THUMP)
    assert one.t_s == pytest.approx(0.5, abs=0.003)
    assert not one.is_click
    assert hear(sound) == []


@pytest.mark.dear
@pytest.mark.parametrize("kind", list(TransientKind))
def test_cutting_changes_nothing(kind):
    whole = hear(BUSY, kind)
    assert len(whole) >= 5
    rng = np.random.default_rng(9)
    for most in (7, 100, 3000, 50_000):
        detector, found, at = TransientDetector(kind), [], 0
        stop = len(BUSY) if most > 7 else RATE
        while at < stop:
            n = int(rng.integers(0, most + 1))
            found += detector.push(BUSY[at : min(at + n, stop)])
            at += n
        assert found == hear(BUSY[:stop], kind)


@pytest.mark.parametrize(("kind", "within_s"), [("CLICK", 0.025), ("THUMP", 0.125)])
def test_it_is_told_soon_after_it_began(kind, within_s):
    """What is heard live comes while the swing is still the last thing that happened."""
    slow = np.sin(2.0 * np.pi * 120.0 * np.arange(4800) / RATE) * np.exp(-np.arange(4800) / 1440)
    made = {"CLICK": 0.2 * ring(4000.0, 0.0005), "THUMP": 0.1 * slow}[kind]
    sound = with_sounds(noise(2, 1.0, 1e-4), (0.5, made))
    detector, ms = TransientDetector(TransientKind[kind]), RATE // 1000
    told_s = [k / 1000 for k in range(1, 1000) if detector.push(sound[(k - 1) * ms : k * ms])]
    assert len(told_s) == 1
    assert 0.5 < told_s[0] < 0.5 + within_s


@pytest.mark.dear
@pytest.mark.parametrize("kind", list(TransientKind))
def test_what_comes_later_changes_nothing(kind):
    for stop in range(RATE, len(BUSY), 7919):
        early = hear(BUSY[:stop], kind)
        other = BUSY.copy()
        other[stop:] = noise(10, (len(BUSY) - stop) / RATE, 0.3)[: len(other) - stop]
        assert hear(other, kind)[: len(early)] == early


def test_a_reset_detector_is_as_new():
    detector = TransientDetector()
    first = detector.push(BUSY)
    detector.reset()
    assert detector.push(BUSY) == first


@pytest.mark.parametrize("sound", [np.array([0.0, np.nan]), np.array([np.inf]), np.zeros((3, 2))])
def test_samples_that_are_none_are_refused(sound):
    with pytest.raises(SampleError, match="sound"):
        TransientDetector().push(sound)


def test_what_is_quieter_than_silence_is_no_transient():
    """A click of -98 dB re full scale and one of -78, each after digital silence."""
    faint, heard = 1e-5 * 3.0 * ring(4000.0, 0.0005), 1e-4 * 3.0 * ring(4000.0, 0.0005)
    silence = np.zeros(2 * RATE)
    (one,) = hear(with_sounds(silence, (0.5, faint), (1.0, heard)))
    assert one.t_s == pytest.approx(1.0, abs=0.001)


def test_what_rises_slowly_is_no_thump():
    """A heel is down within 15 ms; a low tone that takes 60 swells."""
    slow = with_sounds(noise(5, 1.0, 1e-4), (0.5, 0.2 * ring(120.0, 0.060, 0.02)))
    assert hear(slow, TransientKind.THUMP) == []
