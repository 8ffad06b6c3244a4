"""The continuous pitch: where the CoP is, as points that any output follows.

Computed here once; the sound device (`oscillator.py`) and the browser play the same points.
"""

from enum import StrEnum
from typing import NamedTuple

import numpy as np

from plantigrade.block import Column, Foot, PairBlock
from plantigrade.load import total_load
from plantigrade_gateway.sound.motifs import HEEL_HZ, pitch_hz

EVERY_S = 0.0095
"""Points lie at least so far apart: 100 a second are smooth to the ear (ours)."""
TONE_PEAK = 0.1
"""Highest sample of the tone at gain 1, fraction of full scale: under the cues' (ours)."""
STALE_S = 0.3
"""An output that has had no new point for so long lets the tone fade: the link may be gone."""


class Of(StrEnum):
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
    of : Of
        Whose CoP.
    lead : Foot
    least_n : float
        A foot that carries less has no CoP, N.
    """

    def __init__(self, of: Of, lead: Foot, least_n: float) -> None:
        self.of = of
        self._feet = {Of.NONE: (), Of.LEAD: (lead,), Of.TRAIL: (lead.other,)}.get(
            of, (lead, lead.other)
        )
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
