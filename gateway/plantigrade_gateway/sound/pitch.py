"""The continuous pitch: where the CoP is, as points, and the samples an output makes of them.

`Tone` computes the points once; the sound device (`Oscillator`) and the browser play the same ones.
`ToneClock` maps session time to the output's own samples.
"""

from collections import deque
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Column, Foot, PairBlock
from plantigrade.load import total_load
from plantigrade_gateway.sound.motifs import HEEL_HZ, PEAK, SAMPLE_RATE_HZ, pitch_hz, voice_period

EVERY_S = 0.0095
"""Points lie at least so far apart: 100 a second are smooth to the ear (ours)."""
TONE_PEAK = 0.1
"""Highest sample of the tone at gain 1, fraction of full scale: under the cues' (ours)."""
STALE_S = 0.3
"""An output that has had no new point for so long lets the tone fade: the link may be gone."""


class CopSource(StrEnum):
    """Whose CoP a tone follows, and which feet stand."""

    NONE = "none"
    LEAD = "lead"
    TRAIL = "trail"
    BOTH = "both"


class TonePoint(NamedTuple):
    """One point of a tone.

    Attributes
    ----------
    t_s : float
        Session time.
    hz : float
        `plantigrade_gateway.sound.motifs.pitch_hz` of the CoP.
    gain : float
        0 silent to 1; the outputs ramp to it.
    """

    t_s: float
    hz: float
    gain: float


class Tone:
    """Turns rows into tone points, while it is wanted.

    Parameters
    ----------
    of : CopSource
        Whose CoP.
    lead : Foot
    least_n : float
        A foot that carries less has no CoP, N.
    """

    def __init__(self, of: CopSource, lead: Foot, least_n: float) -> None:
        self.of = of
        self._feet = {
            CopSource.NONE: (),
            CopSource.LEAD: (lead,),
            CopSource.TRAIL: (lead.other,),
        }.get(of, (lead, lead.other))
        self._least_n = least_n
        self._hz = HEEL_HZ
        self._sounds = False
        self._last_s = -np.inf

    def push(self, block: PairBlock, wanted: bool, points: list[TonePoint]) -> None:
        """Take the next rows, net of the baseline; add their points.

        Between two points lie at least `EVERY_S`; a silence is told once, at once.
        """
        if not self._feet or (not wanted and not self._sounds):
            return
        load = np.zeros(len(block))
        moment = np.zeros(len(block))
        for foot in self._feet:  # the CoP of both is that of their loads together
            values = block.foot(foot)
            load = load + total_load(values)
            moment = moment + values[:, Column.MOMENT_Y]
        for t_s, n, m in zip(block.t_s.tolist(), load.tolist(), moment.tolist(), strict=True):
            sounds = wanted and n >= max(self._least_n, 1e-9)  # NaN is no load
            if sounds and t_s - self._last_s >= EVERY_S:
                self._hz = float(pitch_hz(m / n))
                points.append(TonePoint(t_s, self._hz, 1.0))
                self._sounds, self._last_s = True, t_s
            elif self._sounds and not sounds:
                points.append(TonePoint(t_s, self._hz, 0.0))
                self._sounds, self._last_s = False, t_s


RAMP_S = 0.015
"""From silence to full gain, or back: no step is larger than a sample's part of it (ours)."""
FOLLOW_S = 0.008
"""Time constant with which the pitch nears a point's: under a point's distance (ours)."""
MAX_POINTS = 512
"""A queue of more is five seconds behind: the oldest go."""

_RAMP = round(RAMP_S * SAMPLE_RATE_HZ)
_STALE = round(STALE_S * SAMPLE_RATE_HZ)
_NEAR = np.exp(-np.arange(1, 4097) / (FOLLOW_S * SAMPLE_RATE_HZ))


class Oscillator:
    """Follows tone points."""

    def __init__(self) -> None:
        self._points: deque[tuple[int, float, float]] = deque(maxlen=MAX_POINTS)
        self._frame = 0  # of the next sample
        self._gain = self._to_gain = 0  # in parts of _RAMP: whole numbers add up without rounding
        self._octave = self._to_octave = 0.0  # log2 of the pitch in Hz
        self._turn = 0.0  # phase, in turns
        self._fresh_until = 0

    @property
    def frame(self) -> int:
        """The frame of the next sample."""
        return self._frame

    @property
    def silent(self) -> bool:
        """Whether nothing sounds and no point waits."""
        return not self._points and self._gain == self._to_gain == 0

    @property
    def left(self) -> int:
        """Samples until it is silent, if no more points come."""
        if self.silent:
            return 0
        last = max(self._points[-1][0] if self._points else 0, self._fresh_until - _STALE)
        return max(last + _STALE - self._frame, 0) + _RAMP + 1

    def point(self, frame: int, hz: float, gain: float) -> None:
        """Go to a pitch and a gain from a frame on; one that has passed counts from now."""
        self._points.append((frame, hz, gain))

    def skip(self, n: int) -> None:
        """Let `n` frames pass in silence; only while it is `silent`."""
        self._frame += n

    def add_to(self, block: NDArray[np.float32]) -> None:
        """Add the next samples to a block."""
        at, n = 0, len(block)
        while at < n:
            self._take_due()
            until = n
            if self._points:  # another thread may have told one by now, of a frame that has passed
                until = min(until, at + max(self._points[0][0] - self._frame, 1))
            if self._to_gain > 0:
                until = min(until, at + self._fresh_until - self._frame)
            until = min(until, at + len(_NEAR))
            self._sound(block[at:until])
            self._frame += until - at
            at = until

    def _take_due(self) -> None:
        if self._to_gain > 0 and self._frame >= self._fresh_until:
            self._to_gain = 0  # nobody tells where the CoP is any more
        while self._points and self._points[0][0] <= self._frame:
            _, hz, gain = self._points.popleft()
            self._to_gain = round(min(max(gain, 0.0), 1.0) * _RAMP)
            self._fresh_until = self._frame + _STALE
            if self._to_gain > 0:
                self._to_octave = float(np.log2(hz))
                if self._gain == 0:  # out of silence it begins where the CoP is
                    self._octave, self._turn = self._to_octave, 0.0

    def _sound(self, block: NDArray[np.float32]) -> None:
        """Add samples that near one pitch and one gain."""
        n = len(block)
        if self._gain == self._to_gain == 0:
            return
        octave = self._to_octave + (self._octave - self._to_octave) * _NEAR[:n]
        turns = self._turn + np.cumsum(np.exp2(octave)) / SAMPLE_RATE_HZ
        way = self._to_gain - self._gain
        gain = self._gain + np.sign(way) * np.minimum(np.arange(1, n + 1), abs(way))
        table = voice_period()
        place = (turns * len(table)).astype(np.int64) & (len(table) - 1)
        block += table[place] * (gain * (TONE_PEAK / PEAK / _RAMP)).astype(np.float32)
        self._octave, self._turn = float(octave[-1]), float(turns[-1] % 1.0)
        self._gain = int(gain[-1])


class ToneClock:
    """Places points that come in bunches back at their own distances.

    The first point of a tone sounds at once: it is held for the `lead` frames that the points
    after it wait. Those keep the distances of their times, so that the jitter of the link is not
    heard, until one comes too late.

    Parameters
    ----------
    lead : int
        Frames that jitter may take (at 0 every late point moves all after it).
    """

    def __init__(self, lead: int) -> None:
        self._lead = lead
        self._ahead: int | None = None
        self._last_s = -np.inf

    def place(self, t_s: float, now: int) -> int:
        """Return the frame of a point that came at frame `now`."""
        at = round(t_s * SAMPLE_RATE_HZ)
        new = not 0.0 <= t_s - self._last_s < STALE_S
        self._last_s = t_s
        if self._ahead is None or new:
            self._ahead = now + self._lead - at
            return now
        if at + self._ahead < now:
            self._ahead = now - at
        return at + self._ahead
