"""The sounds themselves, as arrays: pitch that follows a path, and short motifs.

Takes numbers and gives mono float32 samples at `SAMPLE_RATE_HZ`. Plays nothing, opens nothing.

All motifs, pitches and levels are ours; no published source says which sounds serve best. Every
sound starts with a smooth ramp of at least `MIN_RAMP_S` and ends with one, so that none begins
with a click, and peaks at `PEAK` of full scale or less. That is a digital level: what reaches the
ear depends on the device, and no program can know it.
"""

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from plantigrade_gateway.errors import SoundError

F = TypeVar("F", np.float32, np.float64)

SAMPLE_RATE_HZ = 48_000

PEAK = 0.2
"""Highest sample of one sound, as a fraction of full scale: low by default (ours)."""

KNEE = 0.375
CEILING = 0.5
"""`soft_limit` leaves samples up to `KNEE` alone and lets none pass `CEILING` of full scale."""

MIN_RAMP_S = 0.003

QUIET_S, QUIET_PEAK = 6.0, 0.0015
"""Length, and highest sample, of `quiet`: shorter files are taken for a passing sound (ours)."""

HEEL_HZ = 220.0
TOE_HZ = 880.0
"""Pitch of a CoP at the heel end (y = 0) and at the toe end (y = 1): two octaves apart (ours)."""

MAX_GLIDE_S = 4.0

_ATTACK_S = 0.010
_HOLD_S = 0.060  # the last pitch rings on so that the ear catches where the path ended
_BREATH_SEED = 7


class Motif(StrEnum):
    """A short sound with one meaning."""

    ROLLED = "rolled"
    """The push rolled through with the shift: three rising bell notes that ring on."""
    SKIPPED = "skipped"
    """Two dry hollow notes with a hole between them, an octave down."""
    EARLY = "early"
    """Rolled, but before the shift: one reedy note three times, hurrying."""
    SKIPPED_EARLY = "skipped_early"
    """Skipped, and before the shift: two hurried reedy notes, a hole, and one that falls low."""
    HELD = "held"
    """One long low plain note that swells and never moves."""
    UNCLEAR = "unclear"
    """A quiet breath without pitch."""
    HEEL_LIFTED = "heel_lifted"
    """A single wooden tick that flicks upward."""
    HEEL_RETURNED = "heel_returned"
    """A lower, duller double tick that drops."""
    GOOD = "good"
    """A repetition that counts, of any drill: two short rising bell notes."""
    MISSED = "missed"
    """A repetition that does not: one short low hollow note."""


@dataclass(frozen=True, slots=True)
class _Timbre:
    """Partials as (multiple of the pitch, amplitude), and how fast all of them die away."""

    partials: tuple[tuple[float, float], ...]
    decay_s: float | None = None


_VOICE = ((1, 1.0), (2, 0.35), (3, 0.12))  # partials of the glide
_PERIOD_STEPS = 1 << 16  # a power of two: the phase wraps by a bit mask
_BELL = _Timbre(((1.0, 1.0), (2.0, 0.45), (3.01, 0.25), (4.23, 0.15)), decay_s=0.13)
_HOLLOW = _Timbre(((1.0, 1.0), (3.0, 0.45), (5.0, 0.25), (7.0, 0.12)))
_REED = _Timbre(tuple((float(k), 1.0 / k) for k in range(1, 9)))
_PLAIN = _Timbre(((1.0, 1.0), (2.0, 0.10)))
_WOOD = _Timbre(((1.0, 1.0), (2.76, 0.40)), decay_s=0.012)
_DULL = _Timbre(((1.0, 1.0), (1.51, 0.50)), decay_s=0.016)


@dataclass(frozen=True, slots=True)
class _Note:
    start_s: float
    length_s: float
    from_hz: float
    to_hz: float
    attack_s: float = 0.005
    release_s: float = 0.015


@dataclass(frozen=True, slots=True)
class _Score:
    timbre: _Timbre
    level: float  # of PEAK
    notes: tuple[_Note, ...]
    tremolo_hz: float = 0.0


_SCORES = {
    Motif.ROLLED: _Score(
        _BELL,
        1.0,
        (
            _Note(0.00, 0.30, 587.33, 587.33, release_s=0.08),
            _Note(0.10, 0.30, 783.99, 783.99, release_s=0.08),
            _Note(0.20, 0.45, 987.77, 987.77, release_s=0.12),
        ),
    ),
    Motif.SKIPPED: _Score(
        _HOLLOW, 0.8, (_Note(0.0, 0.08, 698.46, 698.46), _Note(0.20, 0.16, 349.23, 349.23))
    ),
    Motif.EARLY: _Score(
        _REED,
        0.8,
        (
            _Note(0.00, 0.07, 440.0, 440.0),
            _Note(0.13, 0.06, 440.0, 440.0),
            _Note(0.22, 0.05, 440.0, 440.0),
        ),
    ),
    Motif.SKIPPED_EARLY: _Score(
        _REED,
        0.8,
        (
            _Note(0.00, 0.04, 660.0, 660.0),
            _Note(0.07, 0.04, 660.0, 660.0),
            _Note(0.24, 0.18, 330.0, 220.0),
        ),
    ),
    Motif.HELD: _Score(
        _PLAIN,
        0.8,
        (_Note(0.0, 0.60, 246.94, 246.94, attack_s=0.06, release_s=0.12),),
        tremolo_hz=5.0,
    ),
    Motif.GOOD: _Score(
        _BELL,
        0.8,
        (
            _Note(0.00, 0.12, 659.26, 659.26, release_s=0.05),
            _Note(0.07, 0.18, 987.77, 987.77, release_s=0.08),
        ),
    ),
    Motif.MISSED: _Score(_HOLLOW, 0.6, (_Note(0.0, 0.12, 293.66, 261.63, release_s=0.04),)),
    Motif.HEEL_LIFTED: _Score(
        _WOOD, 0.9, (_Note(0.0, 0.050, 950.0, 1500.0, attack_s=0.004, release_s=0.010),)
    ),
    Motif.HEEL_RETURNED: _Score(
        _DULL,
        0.9,
        (
            _Note(0.0, 0.060, 560.0, 380.0, attack_s=0.004, release_s=0.010),
            _Note(0.065, 0.060, 480.0, 320.0, attack_s=0.004, release_s=0.010),
        ),
    ),
}


def pitch_hz(y: ArrayLike) -> NDArray[np.float64]:
    """Return the pitch of a CoP position: equal travel along the foot is an equal interval.

    Parameters
    ----------
    y : array_like
        Fraction of the foot's length, 0 at the heel end; values outside 0…1 are held at the ends.
        NaN stays NaN.

    Returns
    -------
    ndarray of float64, the shape of `y`
        ``HEEL_HZ · (TOE_HZ / HEEL_HZ) ** y``, Hz.
    """
    held = np.clip(np.asarray(y, dtype=np.float64), 0.0, 1.0)
    return np.asarray(HEEL_HZ * np.exp2(np.log2(TOE_HZ / HEEL_HZ) * held))


def glide(t_s: ArrayLike, y: ArrayLike) -> NDArray[np.float32]:
    """Return one voice whose pitch follows a path along the foot, without a break of phase.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Times of the path, s, rising; n ≥ 2. Only differences count.
    y : array_like, shape (n,)
        CoP y at those times, fraction of the foot's length (`pitch_hz`); linear between them.

    Returns
    -------
    ndarray of float32, shape (n_samples,)
        The length of the path, then the last pitch held for 60 ms while it fades. Peaks at `PEAK`.

    Raises
    ------
    SoundError
        Fewer than two points, unequal lengths, times that do not rise, values that are not finite,
        or a sound longer than `MAX_GLIDE_S`.
    """
    at = np.asarray(t_s, dtype=np.float64)
    where = np.asarray(y, dtype=np.float64)
    if at.ndim != 1 or at.shape != where.shape or len(at) < 2:
        raise SoundError(
            f"glide: times of shape {at.shape} and positions of shape {where.shape}, "
            "expected two equal runs of at least 2"
        )
    if not (np.isfinite(at).all() and np.isfinite(where).all() and (np.diff(at) > 0).all()):
        raise SoundError("glide: expected finite positions at finite, rising times")
    length_s = float(at[-1] - at[0])
    if not 0.0 < length_s <= MAX_GLIDE_S:
        raise SoundError(f"glide: {length_s:g} s long, expected more than 0 to {MAX_GLIDE_S:g} s")
    n = round((length_s + _HOLD_S) * SAMPLE_RATE_HZ)
    path_s = at[0] + np.arange(n) / SAMPLE_RATE_HZ
    hz = pitch_hz(np.interp(path_s, at, where))
    step = np.cumsum(hz * (_PERIOD_STEPS / SAMPLE_RATE_HZ))
    voice = voice_period()[step.astype(np.int64) & (_PERIOD_STEPS - 1)]
    return _ramped(voice, _ATTACK_S, _HOLD_S)


@cache
def voice_period() -> NDArray[np.float32]:
    """Return one period of the gliding voice at `PEAK`; its length is a power of two.

    A glide is wanted within milliseconds of its push: reading a table at the running phase takes a
    fifth of the time of summing sines. At this length the nearest entry is exact to −80 dB.
    """
    turn = np.arange(_PERIOD_STEPS) / _PERIOD_STEPS
    period = sum(a * np.sin(2.0 * np.pi * k * turn) for k, a in _VOICE)
    return np.asarray(period * (PEAK / np.abs(period).max()), dtype=np.float32)


@cache
def motif(kind: Motif) -> NDArray[np.float32]:
    """Return a motif's samples, shape (n_samples,); made once, read-only."""
    samples = _breath() if kind is Motif.UNCLEAR else _play(_SCORES[kind])
    samples.flags.writeable = False
    return samples


@cache
def quiet() -> NDArray[np.float32]:
    """Return what a media element plays along to keep a page sounding: `QUIET_S` of faint noise.

    Browsers count what is fainter than about −72 dB as silence (from memory), and a silent element
    as not playing. This is −70 dB, its peaks 42 dB under those of a motif. Read-only.
    """
    n = round(QUIET_S * SAMPLE_RATE_HZ)
    noise = np.random.default_rng(_BREATH_SEED).standard_normal(n)
    samples = _levelled(_ramped(noise, 0.1, 0.1), QUIET_PEAK / PEAK)
    samples.flags.writeable = False
    return samples


def soft_limit(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Bend a mix in place so that it never passes `CEILING`; up to `KNEE` it is left as it is.

    Each sample is bent by itself (a hyperbolic tangent above the knee), so the result does not
    depend on how the mix is cut into blocks.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        Finite samples; changed in place.

    Returns
    -------
    ndarray of float32
        The same array.
    """
    size = np.abs(samples)
    over = size > KNEE
    if over.any():
        room = CEILING - KNEE
        bent = KNEE + room * np.tanh((size[over] - KNEE) / room)
        samples[over] = np.copysign(np.minimum(bent, CEILING), samples[over])
    return samples


def _sing(hz: NDArray[np.float64], timbre: _Timbre) -> NDArray[np.float64]:
    """Sum the partials over one phase that is the running sum of the pitch."""
    turns = (np.cumsum(hz) - hz[0]) / SAMPLE_RATE_HZ
    voice = np.zeros(len(hz))
    for multiple, amplitude in timbre.partials:
        voice += amplitude * np.sin(2.0 * np.pi * multiple * turns)
    if timbre.decay_s is not None:
        voice *= np.exp(-np.arange(len(hz)) / (SAMPLE_RATE_HZ * timbre.decay_s))
    return voice


def _ramped(voice: NDArray[F], attack_s: float, release_s: float) -> NDArray[F]:
    """Fade in and out, in place, along half a cosine wave, starting and ending at 0."""
    for ramp_s, end in ((attack_s, voice), (release_s, voice[::-1])):
        n = min(round(max(ramp_s, MIN_RAMP_S) * SAMPLE_RATE_HZ), len(voice))
        end[:n] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)).astype(voice.dtype)
    return voice


def _levelled(voice: NDArray[np.float64], level: float) -> NDArray[np.float32]:
    """Scale so that the highest sample is `level` × `PEAK`."""
    return np.asarray(voice * (level * PEAK / np.abs(voice).max()), dtype=np.float32)


def _play(score: _Score) -> NDArray[np.float32]:
    end_s = max(note.start_s + note.length_s for note in score.notes)
    out = np.zeros(round(end_s * SAMPLE_RATE_HZ) + 1)
    for note in score.notes:
        n = round(note.length_s * SAMPLE_RATE_HZ)
        hz = np.geomspace(note.from_hz, note.to_hz, n)
        at = round(note.start_s * SAMPLE_RATE_HZ)
        out[at : at + n] += _ramped(_sing(hz, score.timbre), note.attack_s, note.release_s)
    if score.tremolo_hz:
        beat = np.cos(2.0 * np.pi * score.tremolo_hz / SAMPLE_RATE_HZ * np.arange(len(out)))
        out *= 0.7 - 0.3 * beat
    return _levelled(out, score.level)


def _breath() -> NDArray[np.float32]:
    """Noise between about 400 and 1400 Hz that swells and goes: it says nothing, quietly."""
    n = round(0.25 * SAMPLE_RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(_BREATH_SEED).standard_normal(n))
    octaves = np.log2(np.maximum(np.fft.rfftfreq(n, 1.0 / SAMPLE_RATE_HZ), 1.0) / 750.0)
    noise = np.fft.irfft(spectrum * np.exp(-0.5 * (octaves / 0.45) ** 2), n)
    return _levelled(_ramped(noise, 0.10, 0.14), 0.4)
