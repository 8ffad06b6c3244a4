"""Whether a trial of a guided check is taken; a refusal says why, and what to do, in one line."""

from dataclasses import dataclass
from enum import StrEnum


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
