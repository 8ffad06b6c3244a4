"""Whatever is mixed, however it is cut: the same samples, under the ceiling."""

import threading
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import periodogram
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.mixer import CUT, MAX_VOICES, Mixer
from plantigrade_gateway.sound.motifs import CEILING, KNEE, SAMPLE_RATE_HZ, Motif, motif
from plantigrade_gateway.sound.pitch import TonePoint

Samples = NDArray[np.float32]
LENGTH = 3000


def noise(seed: int, n: int, peak: float) -> Samples:
    return np.random.default_rng(seed).uniform(-peak, peak, n).astype(np.float32)


def mixed(sounds: list[tuple[int, int, Samples]], cuts: set[int]) -> Samples:
    """Render LENGTH samples in blocks that end at `cuts`; sounds are (frame, delay, samples)."""
    mixer, out = Mixer(), []
    edges = sorted({0, LENGTH} | cuts | {frame for frame, _, _ in sounds})
    for start, stop in pairwise(edges):
        for frame, delay, samples in sounds:
            if frame == start:
                mixer.schedule(samples, delay / SAMPLE_RATE_HZ)
        out.append(mixer.render(stop - start).copy())
    return np.concatenate(out)


sound = st.builds(
    lambda frame, delay, seed, n, peak: (frame, delay, noise(seed, n, peak)),
    st.integers(0, LENGTH - 1),
    st.integers(0, 1500),
    st.integers(0, 99),
    st.integers(0, 2000),
    st.sampled_from([0.01, 0.2, 1.0, 1e3]),
)


@pytest.mark.dear
@given(
    st.lists(sound, max_size=MAX_VOICES),
    st.sets(st.integers(1, LENGTH - 1), max_size=40),
)
@pytest.mark.slow
def test_blocks_of_any_size_give_the_same_limited_mix(sounds, cuts):
    sounds.sort(key=lambda s: s[0])
    out = mixed(sounds, cuts)
    assert np.array_equal(out, mixed(sounds, set()))
    assert np.abs(out).max() <= CEILING
    plain = np.zeros(LENGTH + 6000)
    for frame, delay, samples in sounds:
        plain[frame + delay : frame + delay + len(samples)] += samples
    plain = plain[:LENGTH]
    low = np.abs(plain) < KNEE - 1e-3  # where the limiter leaves alone, the mix is the sum
    assert out[low] == pytest.approx(plain[low], abs=1e-3 if np.abs(plain).max() > 2 else 1e-6)


def test_the_loudest_pile_of_cues_stays_under_the_ceiling():
    mixer = Mixer(gain=1.5)
    for _ in range(2):
        for kind in Motif:
            mixer.schedule(motif(kind))
    peak = max(float(np.abs(mixer.render(240)).max()) for _ in range(200))
    assert KNEE < peak <= CEILING


def test_a_cue_alone_passes_unchanged_and_gain_scales_it():
    samples = motif(Motif.ROLLED)
    for gain in (1.0, 0.5, 0.0):
        mixer = Mixer(gain)
        mixer.schedule(samples)
        assert np.array_equal(mixer.render(len(samples)), samples * np.float32(gain))
        assert mixer.idle


def test_a_voice_says_when_its_first_sample_was_rendered():
    mixer = Mixer()
    voice = mixer.schedule(noise(1, 100, 0.1), delay_s=480 / SAMPLE_RATE_HZ)
    assert voice is not None
    mixer.render(480)
    assert voice.started_ns is None
    mixer.render(1)
    assert voice.started_ns is not None
    started_ns = voice.started_ns
    mixer.render(480)
    assert voice.started_ns == started_ns
    assert mixer.idle


def test_more_than_fit_are_dropped_and_counted():
    mixer = Mixer()
    voices = [mixer.schedule(noise(k, 10, 0.1)) for k in range(MAX_VOICES + 3)]
    assert sum(voice is None for voice in voices) == mixer.dropped == 3
    mixer.render(10)
    assert mixer.schedule(noise(0, 10, 0.1)) is not None


def test_a_sound_of_no_samples_ends_at_once():
    mixer = Mixer()
    mixer.schedule(np.zeros(0, dtype=np.float32))
    assert not mixer.idle
    mixer.render(1)
    assert mixer.idle


@pytest.mark.parametrize(
    ("samples", "delay_s"),
    [
        (np.zeros(3), 0.0),
        (np.zeros((3, 1), dtype=np.float32), 0.0),
        (np.array([0.0, np.nan], dtype=np.float32), 0.0),
        (np.zeros(3, dtype=np.float32), -0.1),
        (np.zeros(3, dtype=np.float32), float("nan")),
    ],
)
def test_what_is_no_sound_is_refused(samples, delay_s):
    mixer = Mixer()
    with pytest.raises(SoundError, match="expected"):
        mixer.schedule(samples, delay_s)
    assert mixer.idle


@pytest.mark.parametrize("gain", [-0.1, 1.6, float("nan")])
def test_gain_out_of_range_is_refused(gain):
    with pytest.raises(SoundError, match=r"expected 0 to 1\.5"):
        Mixer(gain)


@pytest.mark.dear
def test_two_threads_lose_and_double_nothing():
    mixer, rendered, done = Mixer(), [], threading.Event()

    def device() -> None:
        while not (done.is_set() and mixer.idle):
            rendered.append(float(mixer.render(64).sum()))

    thread = threading.Thread(target=device)
    thread.start()
    pulse = np.full(16, 2.0**-10, dtype=np.float32)
    for _ in range(2000):
        while mixer.schedule(pulse) is None:
            pass
    done.set()
    thread.join(timeout=HANG_S)
    assert sum(rendered) == 2000 * 16 * 2.0**-10  # powers of two: exact


# ---- the tone and speech beside the cues ----


def tone(hz: float, seconds: float) -> list[TonePoint]:
    return [TonePoint(k / 100.0, hz, 1.0) for k in range(round(100 * seconds))]


def strongest_hz(samples: Samples) -> float:
    hz, power = periodogram(samples, SAMPLE_RATE_HZ, window="hann", nfft=1 << 16)
    return float(hz[np.argmax(power)])


def rendered(mixer: Mixer, n: int, block: int = 240) -> Samples:
    return np.concatenate([mixer.render(block).copy() for _ in range(n // block)])


def test_the_tone_sounds_at_its_pitch_beside_a_cue():
    mixer = Mixer()
    mixer.follow(tone(300.0, 1.0))
    alone = rendered(mixer, 24000)
    assert strongest_hz(alone[4800:]) == pytest.approx(300.0, abs=1.0)
    mixer.schedule(motif(Motif.ROLLED))
    both = rendered(mixer, 12000)
    assert np.abs(both).max() > 1.5 * np.abs(alone).max()
    assert not mixer.idle
    rendered(mixer, 48000)
    assert mixer.idle


def test_a_tone_after_silence_begins_at_the_frame_it_is_told():
    mixer = Mixer()
    rendered(mixer, 24000)
    mixer.follow(tone(300.0, 1.0)[:1], frame=24000 + 4800)
    sound = rendered(mixer, 12000)
    assert not sound[:4800].any()
    assert np.abs(sound[4800:5280]).max() > 0.0


def test_everything_at_once_stays_under_the_ceiling():
    mixer = Mixer(gain=1.5)
    mixer.follow(tone(440.0, 1.0))
    mixer.speak(noise(3, 24000, 1.0))
    for _ in range(2):
        for kind in Motif:
            mixer.schedule(motif(kind), 0.1)
    peak = float(np.abs(rendered(mixer, 48000)).max())
    assert KNEE < peak <= CEILING


def test_speech_waits_for_the_cues_and_what_waits_too_long_is_replaced():
    mixer = Mixer()
    mixer.schedule(np.full(4800, 0.1, dtype=np.float32))
    mixer.schedule(np.full(4800, 0.1, dtype=np.float32), delay_s=0.2)
    for level in (0.01, 0.02, 0.03):  # the second was old news when the third came
        mixer.speak(np.full(2400, level, dtype=np.float32))
    out = rendered(mixer, 24000)
    assert np.all(out[:4800] == np.float32(0.1))
    assert np.all(out[4800:9600] == 0.0)  # a cue is due: no word is begun
    assert np.all(out[9600:14400] == np.float32(0.1))
    assert np.unique(out[14400:19200]).tolist() == [np.float32(0.01), np.float32(0.03)]


def test_a_cue_cuts_speech_off_before_it_begins():
    mixer = Mixer()
    mixer.speak(np.full(24000, 0.2, dtype=np.float32))
    rendered(mixer, 2400)
    mixer.schedule(np.full(480, -0.1, dtype=np.float32))
    out = rendered(mixer, 24000)
    begins = int(np.argmax(out < 0.0))
    assert begins == CUT  # three milliseconds later than it might have
    assert np.all(out[begins : begins + 480] == np.float32(-0.1))  # not one word under it
    assert np.all(out[begins + 480 :] == 0.0)
    fade = np.concatenate([[0.2], out[:begins], [0.0]])  # from full to nothing
    assert np.abs(np.diff(fade)).max() < 0.2 * 1.6 / CUT  # half a cosine, no click


def test_speech_that_is_no_sound_is_refused():
    with pytest.raises(SoundError, match="expected a run of finite"):
        Mixer().speak(np.full(3, np.nan, dtype=np.float32))
