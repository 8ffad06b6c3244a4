"""Who may do what on the pages."""

from enum import StrEnum


class Rights(StrEnum):
    """What a visitor of the pages may do."""

    COACH = "coach"
    """Everything."""
    PLAYER = "player"
    """See the live page of one session, and ask for the last outcome."""
