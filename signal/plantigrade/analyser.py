"""Both feet's rows through the baseline and every detector: the one analysis, live or stored.

A detector takes blocks and gives finished events, the same however the blocks are cut.
"""

from collections.abc import Iterable
from typing import Protocol

from plantigrade.baseline import Baseline, BaselineState
from plantigrade.block import Foot, PairBlock
from plantigrade.events import Event
from plantigrade.limits import Setup
from plantigrade.prompted import LiftPrompt, StandPrompt, airs_of
from plantigrade.stand import StandDetector
from plantigrade.steps import StepDetector, air_levels
from plantigrade.swings import SwingDetector


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


ANALYSIS_VERSION = 8
"""Kept with every result; raised by a release that changes a number."""


class Analyser:
    """Everything that is made of both feet's rows.

    Events come in the order in which the rows confirmed them, whatever the blocks.

    Parameters
    ----------
    setup : Setup

    Attributes
    ----------
    net : list of PairBlock
        The rows of the last `push`, net of the baseline.
    prompts : list of StandPrompt or LiftPrompt
        What the player is asked for just now; the owner puts them here and takes them away. What
        a lift finds in the air moves the baseline.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.net: list[PairBlock] = []
        self.prompts: list[StandPrompt | LiftPrompt] = []
        self.reset()

    def reset(self) -> None:
        """Become as new."""
        self._baseline = Baseline(self.setup.rate_hz, air_levels(self.setup)[-1])
        self._steps = StepDetector(self.setup)
        self._stands = StandDetector(self.setup)
        self._swings = SwingDetector(self.setup)

    def push(self, block: PairBlock) -> list[Event]:
        """Take consecutive rows; return the events they decided."""
        events: list[Event] = []
        self.net = []
        for piece in self._baseline.pieces(block):
            net = self._baseline.net(piece)
            self.net.append(net)
            if self._baseline.moved is not None:
                self._steps.rebase(self._baseline.moved)
            found = self._steps.push(net) + self._stands.push(net) + self._swings.push(net)
            if found:
                events += sorted(found, key=lambda event: event.confirmed_s)
            if self._steps.airs:
                self._baseline.learn(self._steps.airs)
                self._steps.airs.clear()
            if self.prompts:
                for prompt in self.prompts:
                    prompt.push(piece, net, self.setup)
                self._baseline.learn_held(airs_of(self.prompts))
        return events

    def flush(self) -> list[Event]:
        """End the stream; return what can still be decided."""
        return self._steps.flush() + self._stands.flush() + self._swings.flush()

    def baseline(self, foot: Foot) -> BaselineState:
        """Return what is shown of a foot's baseline."""
        return self._baseline.state(foot)
