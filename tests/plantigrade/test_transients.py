"""Transients of a sound: times, levels and rises that follow from how each sound was made."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import sosfreqz

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError
from plantigrade.transients import Transient, TransientDetector, TransientKind, _filters

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
@pytest.mark.slow
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


# ---- limits, each from both sides: tones whose periods fill the hops they are read in ----

T = np.arange(RATE) / RATE
TONE_HZ = {TransientKind.CLICK: 8000.0, TransientKind.THUMP: 250.0}


def stepped(kind: TransientKind, before: float, after: float) -> list[Transient]:
    """A tone whose mean square changes after half a second; what its own beginning made is left."""
    size = np.sqrt(2.0 * np.where(T < 0.5, before, after))
    found = hear(size * np.sin(2.0 * np.pi * TONE_HZ[kind] * T), kind)
    return [one for one in found if one.t_s > 0.4]


@pytest.mark.parametrize(("times", "found"), [(9.5, 0), (11.5, 1)])
@pytest.mark.parametrize("kind", list(TransientKind))
def test_what_begins_has_ten_times_the_energy_of_what_was_before(kind, times, found):
    told = stepped(kind, 1e-3, times * 1e-3)
    assert len(told) == found
    for one in told:
        assert one.t_s == pytest.approx(0.5, abs=0.001)
        assert one.level_db == pytest.approx(-30.0 + 10.0 * np.log10(times), abs=0.3)


@pytest.mark.parametrize(("level_db", "found"), [(-80.7, 0), (-79.3, 1)])
@pytest.mark.parametrize("kind", list(TransientKind))
def test_silence_counts_as_90_db_under_full_scale(kind, level_db, found):
    """What begins after it has ten times as much."""
    assert len(stepped(kind, 0.0, 10.0 ** (level_db / 10.0))) == found


def begun(hull: FloatArray, hz: float) -> FloatArray:
    sound = np.zeros(RATE)
    sound[RATE // 2 :] = 0.2 * (hull * np.sin(2.0 * np.pi * hz * T))[: RATE // 2]
    return sound


@pytest.mark.parametrize("decay_s", [0.005, 0.010])
def test_the_tail_is_that_of_an_exponential_decay(decay_s):
    """Energy goes by exp(−2t / decay): the second 5 ms against the first, exp(−10 ms / decay)."""
    (one,) = hear(begun(np.exp(-T / decay_s), 8000.0))
    assert one.tail_db == pytest.approx(10.0 * np.log10(np.exp(-0.010 / decay_s)), abs=0.1)


@pytest.mark.parametrize(
    ("hz", "band"), [(1500.0, 1), (2800.0, 2), (4500.0, 3), (8000.0, 4), (14_000.0, 5)]
)
def test_energy_is_told_in_its_band(hz, band):
    (one,) = hear(begun(np.exp(-T / 0.006), hz))
    assert one.bands_db[band] == pytest.approx(0.0, abs=0.15)
    assert all(-40.0 <= db < -19.0 for k, db in enumerate(one.bands_db) if k != band)
    assert (one.high_share > 0.98) is (hz > 2000.0)
    assert (one.high_share < 0.02) is (hz < 2000.0)


@pytest.mark.parametrize(
    ("kind", "hz", "ramp_s", "rise_s"),
    [
        # along a straight ramp energy passes 1 % after a tenth of it, half after .707: .607 of it
        (TransientKind.CLICK, 8000.0, 0.0014, 0.00085),
        (TransientKind.CLICK, 8000.0, 0.0022, None),
        (TransientKind.THUMP, 500.0, 0.020, 0.0121),
        (TransientKind.THUMP, 500.0, 0.026, None),
    ],
)
def test_a_rise_goes_from_a_hundredth_of_the_energy_to_half_of_it(kind, hz, ramp_s, rise_s):
    """A click rises within 1 ms, a thump within 15; read in hops of 0.25 and of 1 ms."""
    told = hear(begun(np.minimum(T / ramp_s, 1.0), hz), kind)
    hop_s = 0.00025 if kind is TransientKind.CLICK else 0.001
    assert [one.rise_s for one in told] == (
        [] if rise_s is None else [pytest.approx(rise_s, abs=hop_s)]
    )


@pytest.mark.parametrize(
    ("changed", "click", "top"),
    [
        ({}, True, True),
        ({"rise_s": 0.001}, True, True),
        ({"rise_s": 0.00101}, False, True),
        ({"top_rise_s": 0.001}, True, True),
        ({"top_rise_s": 0.00101}, True, False),
        ({"high_share": 0.5}, False, True),
        ({"high_share": 0.501}, True, True),
        ({"kind": TransientKind.THUMP}, False, False),
    ],
)
def test_a_click_rises_within_a_millisecond_and_is_mostly_over_2_khz(changed, click, top):
    one = Transient(TransientKind.CLICK, 1.0, -20.0, 0.0005, -22.0, 0.0005, 0.9, (0.0,) * 6, -8.0)
    made = replace(one, **changed)
    assert (made.is_click, made.is_top_click) == (click, top)


@pytest.mark.parametrize(("kind", "hop", "kept"), [("CLICK", 12, 172), ("THUMP", 48, 265)])
def test_what_is_kept_does_not_grow(kind, hop, kept):
    """In hops, before and after the one that is decided next.

    A click: the 80 before it and twice its span of 4; then the 40 in which its highest is looked
    for, a tail of 40, and a span. A thump: 150, 60, and the 43 of its spectrum.
    """
    detector, sound = TransientDetector(TransientKind[kind]), noise(3, 0.01, 1e-3)
    for _ in range(100):
        detector.push(sound)
    assert detector._hops.end - detector._hops.first == kept
    assert detector._samples.end - detector._samples.first == kept * hop
    assert detector._filtered.end == detector._filtered.first


def test_no_samples_tell_nothing():
    assert TransientDetector().push(np.empty(0)) == []


@pytest.mark.parametrize("hz", [30.0, 60.0, 400.0, 1000.0, 1700.0, 2300.0, 3000.0, 3900.0, 9000.0])
def test_bands_are_butterworth_s_of_the_edges_that_are_stated(hz):
    """Gain² = 1 / (1 + w²ⁿ), where w is warped by the bilinear transform (textbook formula).

    A click's over 2 and over 3.5 kHz, of order 4 and 8; a thump's from 40 to 800 Hz, of order 2.
    """

    def warped(f_hz: float) -> float:
        return float(np.tan(np.pi * f_hz / RATE))

    at, low, high = warped(hz), warped(40.0), warped(800.0)
    band = (at * at - low * high) / (at * (high - low))
    by_hand = {
        TransientKind.CLICK: [(warped(2000.0) / at) ** 8, (warped(3500.0) / at) ** 16],
        TransientKind.THUMP: [band**4],
    }
    for kind, powers in by_hand.items():
        found = [float(np.abs(sosfreqz(sos, [hz], fs=RATE)[1][0]) ** 2) for sos in _filters(kind)]
        assert found == pytest.approx([1.0 / (1.0 + power) for power in powers], rel=1e-6)


@pytest.mark.parametrize(("times", "begins"), [(3.3, False), (4.0, True)])
def test_a_band_has_begun_to_sound_where_half_its_highest_is_twice_what_was_heard(times, begins):
    """2.5 kHz begins under a tone of 8 kHz, which alone is over 3.5 kHz and grows less.

    What of the beginning comes through that filter is a tenth of the tone's more.
    """
    since = np.clip((T - 0.5) / 0.0005, 0.0, 1.0)
    low = np.sqrt(2.0 * 2e-3) * 0.5 * (1.0 - np.cos(np.pi * since))
    high = np.sqrt(2.0 * np.where(T < 0.5, 1e-4, times * 1e-4))
    sound = low * np.sin(2.0 * np.pi * 2500.0 * T) + high * np.sin(2.0 * np.pi * 8000.0 * T)
    (one,) = [one for one in hear(sound) if one.t_s > 0.4]
    assert one.rise_s <= 0.001
    assert one.is_top_click is begins


@pytest.mark.parametrize(("kind", "n"), [(TransientKind.CLICK, 256), (TransientKind.THUMP, 2048)])
def test_its_bands_are_the_power_of_what_follows_less_that_of_what_was_before(kind, n):
    """5 and 43 ms of each, by one sum over each band's lines of a plain transform."""
    sound = BUSY[: 2 * RATE]
    told = [one for one in hear(sound, kind) if one.t_s > 0.1]
    assert len(told) >= 3
    hz = np.arange(n // 2 + 1) * RATE / n

    def power(of: FloatArray) -> FloatArray:
        lines: FloatArray = np.abs(np.fft.fft(of)[: n // 2 + 1]) ** 2
        return lines

    for one in told:
        first = round(one.t_s * RATE)
        after, before = sound[first : first + n], sound[first - n : first]
        more = power(after) - power(before)
        bands = [
            max(float(more[(low <= hz) & (hz < high)].sum()), 0.0)
            for low, high in pairwise((60.0, 1000.0, 2000.0, 3500.0, 6000.0, 10_000.0, 20_000.0))
        ]
        assert one.high_share == pytest.approx(sum(bands[2:]) / sum(bands), rel=1e-6, abs=1e-9)
        in_db = [10.0 * np.log10(max(band / sum(bands), 1e-4)) for band in bands]
        assert one.bands_db == pytest.approx(in_db, abs=1e-6)
