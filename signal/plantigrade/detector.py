"""What every detector is: blocks in, finished events out, the same however the blocks are cut."""

from collections.abc import Iterable
from typing import Protocol

from plantigrade.block import PairBlock
from plantigrade.events import Event


class Detector(Protocol):
    """A causal detector over both feet's rows.

    `push` returns the events that its rows decided; it never changes its input. Events are a
    function of the rows alone: how they are cut into blocks never changes a bit of them.
    """

    def push(self, block: PairBlock) -> list[Event]:
        """Take consecutive rows; return the events they decided."""
        ...

    def flush(self) -> list[Event]:
        """End the stream: return what can still be decided from the rows seen."""
        ...

    def reset(self) -> None:
        """Become as new."""
        ...


def run_whole(detector: Detector, blocks: Iterable[PairBlock]) -> list[Event]:
    """Push every block through a detector and flush it."""
    events: list[Event] = []
    for block in blocks:
        events += detector.push(block)
    return events + detector.flush()
