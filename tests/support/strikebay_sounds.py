"""What else may be heard while a strike is looked for."""

from collections.abc import Sequence

import numpy as np
from tests.support import soundbay
from tests.support.soundbay import RATE, STRIKE_PEAK, Tape

from plantigrade.block import FloatArray
from plantigrade.strike import Span
from plantigrade_gateway.sound.motifs import Motif, glide, motif


def speech(rng: np.random.Generator, tape: Tape, window: Span) -> Sequence[Span]:
    """Somebody speaks beside the microphone, all the time: 15 to 30 dB under a strike."""
    duration_s = len(tape.samples) / RATE
    tape.add(tape.start_s, soundbay.speech(rng, duration_s, rng.uniform(-30.0, -15.0)))
    return ()


def claps(rng: np.random.Generator, tape: Tape, window: Span) -> Sequence[Span]:
    """Three claps from far away to beside the microphone."""
    for at_s in rng.uniform(window.start_s, window.end_s, 3):
        tape.add(at_s, soundbay.clap(rng, rng.uniform(-15.0, 3.0)))
    return ()


def dropped_clubs(rng: np.random.Generator, tape: Tape, window: Span) -> Sequence[Span]:
    """A club falls."""
    at_s = rng.uniform(window.start_s - 0.2, window.end_s)
    tape.add(at_s, soundbay.dropped_club(rng, rng.uniform(-12.0, 3.0)))
    return ()


def cue(rng: np.random.Generator) -> FloatArray:
    """One of the program's motifs, or the glide of a push."""
    kinds = list(Motif)
    k = int(rng.integers(len(kinds) + 2))
    if k < len(kinds):
        return motif(kinds[k]).astype(np.float64)
    path_s = np.linspace(0.0, 0.6, 8)
    return glide(path_s, np.sort(rng.uniform(0.1, 0.9, 8))).astype(np.float64)


def cues(rng: np.random.Generator, tape: Tape, window: Span) -> Sequence[Span]:
    """The program's own sounds, one after the other over the whole window.

    From a loudspeaker near the microphone: its peaks up to those of the bay's mean strike.
    """
    at_s, spans = window.start_s - 0.3, []
    while at_s < window.end_s:
        sound = cue(rng)
        level = STRIKE_PEAK * soundbay.db(rng.uniform(-20.0, 0.0))
        tape.add(at_s, level * sound / np.abs(sound).max())
        spans.append(Span(at_s - 0.02, at_s + len(sound) / RATE + 0.25))
        at_s += len(sound) / RATE + float(rng.uniform(0.0, 0.4))
    return spans
