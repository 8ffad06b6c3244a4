"""Whether a trial of a guided check is taken; a refusal says why, and what to do, in one line.

One that was to be done again stands no more: a mark says so.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from plantigrade_gateway.analysis.result import CHECK, Analysis, Trial


class Why(StrEnum):
    """Why a trial is not taken."""

    SHORT = "short"
    """It ended too soon."""
    GAP = "gap"
    """Samples are missing."""
    SATURATED = "saturated"
    """A zone reads full scale."""
    EMPTY = "empty"
    """Nobody stood, walked or swung, or not with the whole weight."""
    ONE_SIDED = "one sided"
    """One foot carried too much."""
    MOVED = "moved"
    """A foot was not still."""
    NOT_LIFTED = "not lifted"
    """A foot was not in the air for long enough."""
    FEW_STEPS = "few steps"
    """Too few straight steps."""
    PACE = "pace"
    """The straights were not walked at one pace."""
    FEW_SWINGS = "few swings"
    """Too few swings that count."""
    AGAIN = "again"
    """It was to be done again."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a trial.

    Attributes
    ----------
    why : Why or None
        None: it is taken.
    line : str
        For people: why not, and what to do; of one that is taken, what was seen.
    count : int
        Steps of the foot with fewer, or swings, that count; 0 of other trials.
    """

    why: Why | None
    line: str
    count: int = 0

    @property
    def is_taken(self) -> bool:
        """Whether the trial counts."""
        return self.why is None


AGAIN_MARK = f"{CHECK} again"
"""Noted where the trial begun last is not to count."""


def withdrawn(analysis: Analysis) -> frozenset[int]:
    """Return the places in `analysis.trials` of those that were to be done again."""
    trials, found = analysis.trials, set[int]()
    for mark in analysis.marks:
        if mark.text == AGAIN_MARK:
            begun = (k for k, t in enumerate(trials) if t.start_s <= mark.t_s and k not in found)
            found.add(max(begun, default=-1))
    return frozenset(found)


def standing(analysis: Analysis, step: str) -> Iterator[Trial]:
    """Yield the trials of a step that still stand, taken or not, in order of time."""
    out = withdrawn(analysis)
    for k, trial in enumerate(analysis.trials):
        if trial.step == step and k not in out:
            yield trial
