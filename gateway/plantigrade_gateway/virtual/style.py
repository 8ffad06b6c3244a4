"""How a virtual player pushes: the names to choose from. No more in here, so that it is quick."""

from enum import StrEnum


class PlayerStyle(StrEnum):
    """What a virtual player's pushes are like."""

    MIXED = "mixed"
    """Every second one rolls with the shift, the others fail in every way there is."""
    ROLLS = "rolls"
    """All roll with the shift."""
    SKIPS = "skips"
    """All skip, with the shift."""
    HOLDS = "holds"
    """No push from heel to toe."""
    EARLY = "early"
    """All come before the shift: two of three roll, one skips."""
