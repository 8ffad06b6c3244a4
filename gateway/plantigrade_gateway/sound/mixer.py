"""Sounds from one thread, blocks of samples for another.

Takes sounds to play (`schedule`, `speak`) and tone points (`follow`), from any one thread, and
gives mixed blocks (`render`, from the sound device's thread or a file writer). Opens nothing and
never waits: the two sides meet in a `collections.deque`, whose ends are safe to use from two
threads at once.

Speech gives way: it waits until no other sound plays or is due, and ends when one comes.

What is rendered depends on the frames at which sounds were taken up, not on the block sizes (but
speech, which begins with a block).
"""

import time
from collections import deque
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.motifs import MIN_RAMP_S, SAMPLE_RATE_HZ, soft_limit
from plantigrade_gateway.sound.pitch import Oscillator, ToneClock, TonePoint

MAX_VOICES = 16
"""A sound that finds this many playing or waiting is dropped and counted: a burst of stale cues
must not turn into noise."""

TONE_LEAD = round(0.010 * SAMPLE_RATE_HZ)
"""Frames a tone's first point is held, so that those after it sound without jitter (ours)."""

CUT = round(MIN_RAMP_S * SAMPLE_RATE_HZ)
"""Samples in which speech fades out for another sound, which waits for that."""

MAX_GAIN = 1.5
"""Highest gain over the low level that sounds are made at."""


class Voice:
    """One sound on its way through the mixer.

    Attributes
    ----------
    started_ns : int or None
        `time.perf_counter_ns` when the block with its first sample was rendered; None before.
    """

    __slots__ = ("_at", "_samples", "_wait", "started_ns")

    def __init__(self, samples: NDArray[np.float32], wait: int) -> None:
        self._samples = samples
        self._wait = wait  # frames of silence still to come
        self._at = 0
        self.started_ns: int | None = None

    @property
    def left(self) -> int:
        """Samples until it ends, the silence before it included."""
        return self._wait + len(self._samples) - self._at

    def wait(self, n: int) -> None:
        """Begin at least `n` frames from now."""
        self._wait = max(self._wait, n)

    def cut(self) -> "Voice":
        """Return what is left of it as a voice that fades out within `CUT` samples."""
        rest = self._samples[self._at : self._at + CUT]
        fade = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, len(rest) + 1) / max(len(rest), 1))
        voice = Voice(rest * fade.astype(np.float32), 0)
        voice.started_ns = self.started_ns
        return voice

    def add_to(self, block: NDArray[np.float32]) -> bool:
        """Add the next samples to `block`; return whether some are left."""
        if self._wait >= len(block):
            self._wait -= len(block)
            return True
        if self.started_ns is None:
            self.started_ns = time.perf_counter_ns()
        n = min(len(block) - self._wait, len(self._samples) - self._at)
        block[self._wait : self._wait + n] += self._samples[self._at : self._at + n]
        self._at += n
        self._wait = 0
        return self._at < len(self._samples)


class Mixer:
    """Mixes sounds into one limited mono stream of float32 at `SAMPLE_RATE_HZ`.

    Parameters
    ----------
    gain : float
        0 to `MAX_GAIN`; 1 is the low level that sounds are made at.

    Attributes
    ----------
    dropped : int
        Sounds refused because `MAX_VOICES` were playing or waiting.

    Raises
    ------
    SoundError
        `gain` out of range.
    """

    def __init__(self, gain: float = 1.0) -> None:
        if not 0.0 <= gain <= MAX_GAIN:
            raise SoundError(f"sound gain is {gain:g}, expected 0 to {MAX_GAIN:g}")
        self.dropped = 0
        self._gain = np.float32(gain)
        self._waiting: deque[Voice] = deque()
        self._playing: list[Voice] = []
        self._speech: deque[Voice] = deque()
        self._tone = Oscillator()
        self._clock = ToneClock(TONE_LEAD)
        self._block = np.zeros(4096, dtype=np.float32)

    @property
    def idle(self) -> bool:
        """Whether nothing plays or waits."""
        return not self._waiting and not self._playing and not self._speech and self._tone.silent

    @property
    def frame(self) -> int:
        """How many samples were rendered so far: the frame of the next."""
        return self._tone.frame

    @property
    def left(self) -> int:
        """Samples until nothing plays or waits (for a caller that renders in the same thread)."""
        sounds = max((voice.left for voice in (*self._waiting, *self._playing)), default=0)
        spoken = sum(voice.left for voice in self._speech)
        return max(sounds + spoken, self._tone.left)

    def schedule(self, samples: NDArray[np.float32], delay_s: float = 0.0) -> Voice | None:
        """Play `samples` from the next rendered block on, or `delay_s` after its beginning.

        Parameters
        ----------
        samples : ndarray of float32, shape (n,)
            Finite, full scale ±1; must not be changed afterwards.
        delay_s : float
            ≥ 0, s.

        Returns
        -------
        Voice or None
            None when the sound was dropped.

        Raises
        ------
        SoundError
            Samples of another kind, or a negative delay.
        """
        _check(samples)
        if not delay_s >= 0.0:
            raise SoundError(f"sound delayed by {delay_s:g} s, expected 0 or more")
        if len(self._waiting) + len(self._playing) >= MAX_VOICES:
            self.dropped += 1
            return None
        voice = Voice(samples, round(delay_s * SAMPLE_RATE_HZ))
        self._waiting.append(voice)
        return voice

    def speak(self, samples: NDArray[np.float32]) -> None:
        """Say `samples` once no other sound plays or is due; what waits unsaid is replaced.

        Raises
        ------
        SoundError
            As for `schedule`.
        """
        _check(samples)
        if len(self._speech) > 1:
            self._speech.pop()  # old news
        self._speech.append(Voice(samples, 0))

    def follow(self, points: Iterable[TonePoint], frame: int | None = None) -> None:
        """Let the tone follow points.

        Parameters
        ----------
        points : iterable of TonePoint
            In order of time.
        frame : int, optional
            Where they lie in what is rendered; by default as they come, their distances kept.
        """
        for point in points:
            at = self._clock.place(point.t_s, self.frame) if frame is None else frame
            self._tone.point(at, point.hz, point.gain)

    def render(self, n: int) -> NDArray[np.float32]:
        """Return the next `n` samples, shape (n,): a view that the next call writes over.

        No sample passes `plantigrade_gateway.sound.motifs.CEILING`, whatever is mixed.
        """
        if n > len(self._block):
            self._block = np.zeros(n, dtype=np.float32)
        block = self._block[:n]
        block.fill(0.0)
        while self._waiting:
            self._take(self._waiting.popleft())
        sounds = bool(self._playing)
        if sounds:
            self._playing = [voice for voice in self._playing if voice.add_to(block)]
        elif self._speech:
            sounds = True
            if not self._speech[0].add_to(block):
                self._speech.popleft()
        if self._tone.silent:
            self._tone.skip(n)
        else:
            sounds = True
            self._tone.add_to(block)
        if sounds:
            block *= self._gain
            soft_limit(block)
        return block

    def _take(self, voice: Voice) -> None:
        """Take up a sound; speech under way ends for it."""
        speech = self._speech[0] if self._speech else None
        if speech is not None and speech.started_ns is not None:
            self._speech.popleft()
            voice.wait(CUT)
            self._playing.append(speech.cut())
        self._playing.append(voice)


def _check(samples: NDArray[np.float32]) -> None:
    if samples.dtype != np.float32 or samples.ndim != 1 or not np.isfinite(samples).all():
        raise SoundError(
            f"sound of {samples.dtype} in shape {samples.shape}, expected a run of finite "
            "float32 samples"
        )
