"""Events in, cues out: what the player hears, and when.

Takes events of the signal package and gives `Cue` objects; plays nothing. A cue is a function of
its event and the settings alone.

A downswing lasts 0.2 to 0.35 s, and an answer to a sound takes about as long: no sound can
correct the downswing it belongs to. The push is therefore played back once it is decided, as an
echo of this swing for the next one. The two heel ticks sound in the backswing itself.

A sound cannot be taken back: a phase that is cancelled later has been heard. `CANCELLED` itself
is silent.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from plantigrade.events import (
    Event,
    Manner,
    Phase,
    PhaseKind,
    Push,
    Timing,
)
from plantigrade_gateway.sound.motifs import MAX_GLIDE_S, SAMPLE_RATE_HZ, Motif, glide, motif

_PAUSE_S = 0.08  # between the glide and what is said of it
_AFTER_S = 0.15  # of the path heard after the forefoot took the load
_SHORTEST_S = 0.3
_UNTAKEN_S = 1.0  # of a path whose forefoot never took it


class CueKind(StrEnum):
    """What a cue tells."""

    GLIDE = "glide"
    """The trail foot's CoP, heel to toe, as pitch."""
    ROLLED = "rolled"
    """Rolled, with the shift, from near the heel: the one success."""
    SKIPPED = "skipped"
    EARLY = "early"
    """Rolled, before the shift."""
    SKIPPED_EARLY = "skipped_early"
    """Skipped, before the shift."""
    HELD = "held"
    UNCLEAR = "unclear"
    HEEL_LIFTED = "heel_lifted"
    HEEL_RETURNED = "heel_returned"
    GOOD = "good"
    """A repetition of a drill that counts."""
    MISSED = "missed"
    """One that does not."""
    SPOKEN = "spoken"
    """An announcement; it gives way to every other cue."""


@dataclass(frozen=True, slots=True, eq=False)
class Cue:
    """One sound to play.

    Attributes
    ----------
    kind : CueKind
    t_s : float
        When what it tells of happened, session time.
    decided_s : float
        When that was decided; the sound is asked for then.
    delay_s : float
        How long after that it starts: an outcome waits for its glide to end.
    samples : ndarray of float32, shape (n_samples,)
        Mono at `plantigrade_gateway.sound.motifs.SAMPLE_RATE_HZ`.
    """

    kind: CueKind
    t_s: float
    decided_s: float
    delay_s: float
    samples: NDArray[np.float32]


def outcome(push: Push) -> CueKind:
    """Return the one sound for a push's two facts, manner and timing.

    One push, one sound (ours): no two outcomes share one. Success needs both facts; a skipped push
    is said even where its timing is not known. What held has not travelled, so its timing says
    nothing more; of a push whose manner is not known no manner is claimed.
    """
    early = push.timing is Timing.EARLY
    if push.manner is Manner.SKIPPED:
        return CueKind.SKIPPED_EARLY if early else CueKind.SKIPPED
    if push.manner is Manner.HELD:
        return CueKind.HELD
    if push.manner is Manner.ROLLED and push.timing is not Timing.UNCLEAR:
        if early:
            return CueKind.EARLY
        # a roll over the forefoot alone is not what the sound of success stands for
        return CueKind.MISSED if push.is_good is False else CueKind.ROLLED
    return CueKind.UNCLEAR


class CueMaker:
    """Turns events into cues."""

    def __init__(self) -> None:
        self._has_lifted = False  # the lead heel, in this backswing
        for kind in Motif:
            motif(kind)  # made now, not when the first swing waits for it

    def push(self, events: Iterable[Event]) -> list[Cue]:
        """Return the cues of `events`, in their order; most events have none."""
        cues: list[Cue] = []
        for event in events:
            if isinstance(event, Phase):
                cues += self.tick(event)
                if event.push is not None:
                    cues += self.echo(event, outcome(event.push))
        return cues

    def tick(self, phase: Phase) -> list[Cue]:
        """Return the tick of a lead heel that unloads or returns; nothing for another phase.

        Takes every phase, in order: a heel that grazes the ground and unloads again in one
        backswing ticks once, as its swing counts one lift.
        """
        if phase.kind is PhaseKind.BACKSWING:
            self._has_lifted = False
        kind = _TICKS.get(phase.kind)
        if kind is None or (kind is CueKind.HEEL_LIFTED and self._has_lifted):
            return []
        self._has_lifted |= kind is CueKind.HEEL_LIFTED
        return [_cue_of(kind, phase.t_s, phase.confirmed_s)]

    def echo(self, phase: Phase, kind: CueKind | None, path: bool = True) -> list[Cue]:
        """Return a push played back, and its outcome.

        Parameters
        ----------
        phase : Phase
            With a push.
        kind : CueKind or None
            The outcome's sound.
        path : bool
            Whether the glide is wanted.
        """
        cues: list[Cue] = []
        after_s = 0.0
        samples = self._glide(phase.push) if path and phase.push is not None else None
        if samples is not None:
            cues.append(Cue(CueKind.GLIDE, phase.t_s, phase.confirmed_s, 0.0, samples))
            after_s = len(samples) / SAMPLE_RATE_HZ + _PAUSE_S
        if kind is not None:
            cues.append(_cue_of(kind, phase.t_s, phase.confirmed_s, after_s))
        return cues

    def cue_of(self, kind: CueKind, t_s: float) -> Cue:
        """Return the short sound of what was decided at `t_s`."""
        return _cue_of(kind, t_s, t_s)

    def _glide(self, push: Push) -> NDArray[np.float32] | None:
        """Return the path as sound; None where too little of it is known."""
        t_s = np.asarray(push.path_t_s, dtype=np.float64)
        y = np.asarray(push.path_y, dtype=np.float64)
        known = np.isfinite(t_s) & np.isfinite(y)
        if np.count_nonzero(known) < 2:
            return None
        t_s, y = t_s[known], y[known]
        # What the foot does long after its push, standing on, is not the push.
        until_s = t_s[0] + _UNTAKEN_S
        if push.fore_take_s is not None:
            until_s = max(push.fore_take_s + _AFTER_S, t_s[0] + _SHORTEST_S)
        keep = (t_s <= until_s) & (t_s - t_s[0] <= MAX_GLIDE_S)
        return glide(t_s[keep], y[keep]) if np.count_nonzero(keep) > 1 else None


_TICKS = {
    PhaseKind.HEEL_LIFTED: CueKind.HEEL_LIFTED,
    PhaseKind.HEEL_RETURNED: CueKind.HEEL_RETURNED,
}


def _cue_of(kind: CueKind, t_s: float, decided_s: float, delay_s: float = 0.0) -> Cue:
    return Cue(kind, t_s, decided_s, delay_s, motif(Motif(kind.value)))
