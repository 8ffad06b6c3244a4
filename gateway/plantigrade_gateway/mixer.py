"""Sounds from one thread, blocks of samples for another.

Takes sounds to play (`schedule`, from any one thread) and gives mixed blocks (`render`, from the
sound device's thread or a file writer). Opens nothing and never waits: the two sides meet in a
`collections.deque`, whose ends are safe to use from two threads at once.

What is rendered depends on the frames at which sounds were taken up, not on the block sizes.
"""

import time
from collections import deque

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.tones import SAMPLE_RATE_HZ, soft_limit

MAX_VOICES = 16
"""A sound that finds this many playing or waiting is dropped and counted: a burst of stale cues
must not turn into noise."""

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
        self._block = np.zeros(4096, dtype=np.float32)

    @property
    def idle(self) -> bool:
        """Whether nothing plays or waits."""
        return not self._waiting and not self._playing

    @property
    def left(self) -> int:
        """Samples until nothing plays or waits (for a caller that renders in the same thread)."""
        return max((voice.left for voice in (*self._waiting, *self._playing)), default=0)

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
        if samples.dtype != np.float32 or samples.ndim != 1 or not np.isfinite(samples).all():
            raise SoundError(
                f"sound of {samples.dtype} in shape {samples.shape}, expected a run of finite "
                "float32 samples"
            )
        if not delay_s >= 0.0:
            raise SoundError(f"sound delayed by {delay_s:g} s, expected 0 or more")
        if len(self._waiting) + len(self._playing) >= MAX_VOICES:
            self.dropped += 1
            return None
        voice = Voice(samples, round(delay_s * SAMPLE_RATE_HZ))
        self._waiting.append(voice)
        return voice

    def render(self, n: int) -> NDArray[np.float32]:
        """Return the next `n` samples, shape (n,): a view that the next call writes over.

        No sample passes `plantigrade_gateway.tones.CEILING`, whatever is mixed.
        """
        if n > len(self._block):
            self._block = np.zeros(n, dtype=np.float32)
        block = self._block[:n]
        block.fill(0.0)
        while self._waiting:
            self._playing.append(self._waiting.popleft())
        if self._playing:
            self._playing = [voice for voice in self._playing if voice.add_to(block)]
            block *= self._gain
            soft_limit(block)
        return block
