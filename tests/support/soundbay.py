"""A synthetic bay of sound at 48 kHz, in which it is known what made which sound, and when.

Every sound is built from what makes it, not from what the program listens for: a strike is the
modes of a clubhead driven by a contact of about 0.45 ms (contact time and that heads ring from some
2 to 10 kHz: from memory), a ball on a screen a broad slap, a clap a cavity's noise, a dropped club
the long ring of a shaft, speech pulses through formants with fricatives and plosives (levels and
formants: from memory). Levels are against the mean strike of the bay. All of it is invented.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from plantigrade.block import FloatArray

RATE = 48_000
STRIKE_PEAK = 0.3
"""Highest sample of the bay's mean strike, of full scale."""


@dataclass(frozen=True)
class Club:
    """A clubhead: its modes (Hz, amplitude, decay s), and how much of the mat is heard."""

    modes: tuple[tuple[float, float, float], ...]
    mat: float


CLUBS = {
    "driver": Club(
        ((2350, 0.4, 0.006), (3450, 1.0, 0.009), (4700, 0.8, 0.007), (6400, 0.5, 0.004)), 0.0
    ),
    "7 iron": Club(
        ((2800, 0.5, 0.004), (4300, 1.0, 0.005), (7300, 0.7, 0.003), (9600, 0.4, 0.002)), 0.3
    ),
    "sand wedge": Club(
        ((2450, 0.7, 0.005), (3900, 1.0, 0.004), (5600, 0.8, 0.003), (8800, 0.3, 0.002)), 0.4
    ),
}


@lru_cache(64)  # a filter takes longer to design than to use
def bandpass(low_hz: float, high_hz: float) -> FloatArray:
    """A Butterworth band-pass of second order, as sections."""
    sos: FloatArray = butter(2, (low_hz, high_hz), "bandpass", fs=RATE, output="sos")
    return sos


HIGHPASS = butter(2, 1200, "highpass", fs=RATE, output="sos")


def band(rng: np.random.Generator, n: int, low_hz: float, high_hz: float) -> FloatArray:
    """Noise of SD 1 between two frequencies."""
    noise: FloatArray = sosfilt(bandpass(low_hz, high_hz), rng.standard_normal(n + 2000))[2000:]
    even: FloatArray = noise / noise.std()
    return even


def db(level: float) -> float:
    return float(10.0 ** (level / 20.0))


def strike(rng: np.random.Generator, club: Club, level_db: float = 0.0) -> FloatArray:
    """Club on ball: the first sample is the first of the contact."""
    t = np.arange(round(0.08 * RATE)) / RATE
    contact = np.clip(t / 0.00045, 0.0, 1.0)
    sound = np.zeros(len(t))
    for hz, amplitude, decay_s in club.modes:
        amplitude *= db(rng.normal(0.0, 1.5))  # where on the face the ball was
        sound += amplitude * np.sin(2 * np.pi * hz * t) * np.exp(-t / decay_s) * contact
    crack = band(rng, len(t), 1500, 14_000) * np.sin(np.pi * contact)
    sound += 0.15 * sosfilt(HIGHPASS, crack)
    sound *= STRIKE_PEAK * db(level_db) / np.abs(sound).max()
    mat = np.sin(2 * np.pi * 190 * t) * np.exp(-t / 0.015) * np.minimum(t / 0.002, 1.0)
    return in_room(rng, sound + club.mat * STRIKE_PEAK * db(level_db) * 0.5 * mat)


def in_room(rng: np.random.Generator, sound: FloatArray) -> FloatArray:
    """The floor's reflection 3 to 6 ms later, and a tail of 0.3 s, 20 dB under the sound."""
    n = len(sound) + round(0.3 * RATE)
    out = np.zeros(n)
    out[: len(sound)] += sound
    at = round(rng.uniform(0.003, 0.006) * RATE)
    out[at : at + len(sound)] += 0.3 * sound
    tail_t = np.arange(round(0.25 * RATE)) / RATE
    tail = rng.standard_normal(len(tail_t)) * np.exp(-tail_t / 0.06) * (tail_t > 0.008)
    tail /= np.sqrt(np.square(tail).sum())
    echoes = 0.1 * fftconvolve(sound, tail)[:n]
    out[: len(echoes)] += echoes
    return out


def on_screen(rng: np.random.Generator, level_db: float) -> FloatArray:
    """A ball on a hanging screen: a broad slap, less of it the higher, within a millisecond."""
    t = np.arange(round(0.08 * RATE)) / RATE
    low, high = band(rng, len(t), 150, 1200), band(rng, len(t), 1200, 6000)
    sound = (low * np.exp(-t / 0.02) + 0.4 * high * np.exp(-t / 0.006)) * np.minimum(t / 0.0008, 1)
    made: FloatArray = STRIKE_PEAK * db(level_db) * sound / np.abs(sound).max()
    return made


def in_net(rng: np.random.Generator, level_db: float) -> FloatArray:
    """A ball in a net: a soft rush that takes 20 ms to rise."""
    t = np.arange(round(0.15 * RATE)) / RATE
    sound = band(rng, len(t), 100, 1500) * np.minimum(t / 0.02, 1) * np.exp(-t / 0.04)
    made: FloatArray = STRIKE_PEAK * db(level_db) * sound / np.abs(sound).max()
    return made


def clap(rng: np.random.Generator, level_db: float) -> FloatArray:
    """Two hands: noise about a cavity's pitch between 0.6 and 2 kHz."""
    t = np.arange(round(0.06 * RATE)) / RATE
    hz = rng.uniform(600, 2000)
    sound = band(rng, len(t), hz / 1.5, hz * 1.8) + 0.25 * band(rng, len(t), 2000, 8000)
    sound *= np.exp(-t / rng.uniform(0.004, 0.010)) * np.minimum(t / 0.0005, 1)
    return in_room(rng, STRIKE_PEAK * db(level_db) * sound / np.abs(sound).max())


def dropped_club(rng: np.random.Generator, level_db: float) -> FloatArray:
    """A club falls flat: grip, shaft and head within 0.15 s, the shaft ringing for long."""
    t = np.arange(round(0.5 * RATE)) / RATE
    out = np.zeros(len(t))
    first = rng.uniform(300, 500)
    for at_s in np.sort(rng.uniform(0.0, 0.2, 4)):
        since = np.maximum(t - at_s, 0.0)
        ring = sum(
            rng.uniform(0.3, 1.0)
            * np.sin(2 * np.pi * first * k**1.7 * since)
            * np.exp(-since / rng.uniform(0.04, 0.15))
            for k in range(1, 6)
        )
        thud = band(rng, len(t), 80, 600) * np.exp(-since / 0.02)
        out += rng.uniform(0.4, 1.0) * (t >= at_s) * (ring + 2 * thud)
    made: FloatArray = STRIKE_PEAK * db(level_db) * out / np.abs(out).max()
    return made


def speech(rng: np.random.Generator, duration_s: float, level_db: float) -> FloatArray:
    """Syllables of voice, fricatives and plosives, some four of them a second."""
    n = round(duration_s * RATE)
    out = np.zeros(n)
    at_s = 0.0
    while at_s < duration_s - 0.3:
        t = np.arange(round(rng.uniform(0.12, 0.25) * RATE)) / RATE
        pulses = np.zeros(len(t))
        pulses[:: round(RATE / rng.uniform(90, 230))] = 1.0
        voice = np.zeros(len(t))
        for hz, width in ((rng.uniform(300, 800), 80), (rng.uniform(900, 2200), 120), (2700, 200)):
            ring_t = np.arange(round(0.03 * RATE)) / RATE
            ring = np.sin(2 * np.pi * hz * ring_t) * np.exp(-np.pi * width * ring_t)
            voice += np.convolve(pulses, ring)[: len(t)]
        hull = np.sin(np.pi * np.arange(len(t)) / len(t)) ** 0.5
        syllable = hull * voice / np.abs(voice).max()
        head = rng.random()
        if head < 0.35:  # p, t, k: a burst that rises at once
            burst_t = np.arange(round(0.03 * RATE)) / RATE
            burst = band(rng, len(burst_t), 1500, rng.uniform(4000, 9000))
            burst *= 0.35 * np.exp(-burst_t / 0.008) / 3.0
            syllable[: len(burst)] += burst
        elif head < 0.6:  # s, sh
            hiss = band(rng, len(t), 3000, 9000) * np.sin(np.pi * np.arange(len(t)) / len(t))
            syllable = 0.5 * syllable + 0.1 * hiss
        place = round(at_s * RATE)
        out[place : place + len(t)] += syllable[: n - place]
        at_s += len(t) / RATE + rng.uniform(0.0, 0.15)
    made: FloatArray = STRIKE_PEAK * db(level_db) * out / max(np.abs(out).max(), 1e-9)
    return made


def heel(rng: np.random.Generator, level_db: float) -> FloatArray:
    """A heel in a shoe put down hard: a thud that a floor lets ring at 70 to 250 Hz."""
    t = np.arange(round(0.2 * RATE)) / RATE
    blow = band(rng, len(t), 60, 900) * np.exp(-t / 0.008)
    floor = 3.0 * np.sin(2 * np.pi * rng.uniform(70, 250) * t) * np.exp(-t / 0.04)
    sound = (blow + floor) * np.minimum(t / rng.uniform(0.001, 0.004), 1)
    made: FloatArray = STRIKE_PEAK * db(level_db) * sound / np.abs(sound).max()
    return made


class Tape:
    """A stretch of the bay's sound, laid together.

    Parameters
    ----------
    start_s : float
        On the sound's clock.
    duration_s : float
    room_db : float
        The room's own noise, its SD against the peak of a strike.
    """

    def __init__(
        self, rng: np.random.Generator, start_s: float, duration_s: float, room_db: float = -55.0
    ) -> None:
        self.first = round(start_s * RATE)
        n = round(duration_s * RATE)
        self.samples = STRIKE_PEAK * db(room_db) * band(rng, n, 80, 12_000)

    @property
    def start_s(self) -> float:
        return self.first / RATE

    def add(self, at_s: float, sound: FloatArray) -> None:
        """Lay a sound so that it begins at a moment of the sound's clock; the rest is cut."""
        at = round(at_s * RATE) - self.first
        lo, hi = max(at, 0), min(at + len(sound), len(self.samples))
        if hi > lo:
            self.samples[lo:hi] += sound[lo - at : hi - at]
