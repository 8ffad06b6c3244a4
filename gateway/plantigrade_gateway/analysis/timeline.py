"""Both feet's loads → rows, events and tallies: the one time line of every source.

The live work, a stored record and a zone CSV all come through here. A source makes calibrated loads
of what it has and says when a foot is away; everything after that is the same for all of them.
Pure: no I/O, no time but that of the samples.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.analyser import Analyser
from plantigrade.baseline import BaselineState
from plantigrade.block import N_COLUMNS, FloatArray, Foot, LoadBlock, PairBlock
from plantigrade.edges import EdgeTally
from plantigrade.events import Event, Step
from plantigrade.limits import Setup
from plantigrade.pairing import Pairing
from plantigrade.prompted import LiftPrompt, StandPrompt, prompt_for
from plantigrade_gateway.analysis.quality import EXCHANGED, SampleTally, WeightTally
from plantigrade_gateway.analysis.result import EventCollector, Trial, age_s
from plantigrade_gateway.wire.stream import StreamEvent

AWAY_S = 1.0
"""A foot this far behind is away: the other's rows wait no longer (design §9)."""
_NOTED_ROWS = 256
"""Rows are tallied once there are so many: a few at a time cost much more, and nothing waits."""


@dataclass(frozen=True, slots=True)
class Output:
    """What a push decided.

    Attributes
    ----------
    events : list of Event
        Confirmed by it, in order of confirmation.
    facts : list of StreamEvent
        What happened in the insoles' streams, by insole; none of a zone CSV.
    rows : list of PairBlock
        The rows of the time line it completed, not net of the baseline.
    net : list of PairBlock
        The same rows, net of the baseline: what the events were decided from.
    """

    events: list[Event] = field(default_factory=list)
    facts: list[StreamEvent] = field(default_factory=list)
    rows: list[PairBlock] = field(default_factory=list)
    net: list[PairBlock] = field(default_factory=list)


class Tallies:
    """What is kept of a time line for its results: events, samples, weight, exchanged insoles.

    Events are there at once, the rest when a stretch has ended.

    Attributes
    ----------
    found : EventCollector
        The events so far.
    samples : dict of Foot to SampleTally
    rate_hz : float or None
        Rows per second to 6 digits, of the first stretch; None before the first row.
    prompts : list of StandPrompt, LiftPrompt or None
        Of each trial of a guided check, in order; None for one that events tell all of.
    """

    def __init__(self) -> None:
        self.found = EventCollector()
        self.samples = {foot: SampleTally() for foot in Foot}
        self.rate_hz: float | None = None
        self.prompts: list[StandPrompt | LiftPrompt | None] = []
        self._baselines: dict[Foot, BaselineState] = {}
        self._end_s = 0.0
        self._begin_s: float | None = None
        self._loads: list[LoadBlock] = []
        self._edges = EdgeTally()
        self._weights: WeightTally | None = None
        self._cop_n = 0.0
        self._rows: list[PairBlock] = []
        self._steps: list[Step] = []
        self._n_rows = self._n_stretches = 0

    def begin(self, setup: Setup) -> None:
        """Begin a stretch; what comes belongs to it."""
        self._cop_n = setup.cop_n
        self._begin_s = None
        for tally in self.samples.values():
            tally.begin(setup.rate_hz, setup.limits.bridge_s)

    def take_samples(self, loads: LoadBlock) -> None:
        """Take one foot's next samples, of which the time line may make rows."""
        self._loads.append(loads)

    def is_back(self, foot: Foot) -> None:
        """Leave out a foot's samples that are older than the rows given out without it."""
        self._note_samples()
        if self._begin_s is not None:
            self.samples[foot].not_before(self._end_s)

    def take(self, block: PairBlock, events: list[Event], rate_hz: float) -> None:
        """Take the next rows of the stretch, possibly none, and the events they decided."""
        self.found.take(events)
        self._steps.extend(event for event in events if isinstance(event, Step))
        if not len(block):
            return
        if self._weights is None:
            self.rate_hz = float(f"{rate_hz:.6g}")
            self._weights = WeightTally(self.rate_hz)
        if self._begin_s is None:
            self._begin_s = float(block.t_s[0])
            if self._n_stretches:
                for tally in self.samples.values():
                    tally.leave_out(self._end_s, self._begin_s)
            self._n_stretches += 1
        self._rows.append(block)
        self._n_rows += len(block)
        self._end_s = float(block.t_s[-1])
        if self._n_rows >= _NOTED_ROWS:
            self._note()

    def end(self, baselines: dict[Foot, BaselineState]) -> None:
        """End the stretch with its baselines; then everything is counted."""
        self._note()
        self._baselines = baselines
        if self._begin_s is not None:
            for tally in self.samples.values():
                tally.end(self._begin_s, self._end_s)

    def weight_n(self) -> float | None:
        """Return body weight by the rows' own load, N; None where they are loaded for too short."""
        return None if self._weights is None else self._weights.weight_n()

    def baseline(self, foot: Foot) -> tuple[BaselineState, float | None]:
        """Return a foot's baseline at the end, and how long ago it last moved, s."""
        baseline = self._baselines.get(foot, BaselineState(0.0, None, None))
        return baseline, age_s(baseline, self._end_s)

    def missing_share(self, start_s: float, end_s: float) -> float | None:
        """Return the part of the samples due between two times that is missing.

        The foot's that lacks more, 0 to 1; None where the time line has no row between them.
        """
        end_s = min(end_s, self._end_s)
        if self.rate_hz is None or end_s <= start_s:
            return None
        return max(tally.missing_share(start_s, end_s) for tally in self.samples.values())

    def notes(self) -> Iterator[str]:
        """Yield what is to be said of the rows, a sentence each."""
        if self._edges.is_mirrored:
            yield EXCHANGED

    def _note(self) -> None:
        if self._rows:
            assert self._weights is not None
            rows = PairBlock.join(self._rows)
            self._weights.push(rows.left, rows.right)
        if self._rows or self._steps:
            self._edges.push([rows] if self._rows else [], self._steps, self._cop_n)
        self._rows, self._steps, self._n_rows = [], [], 0
        self._note_samples()

    def _note_samples(self) -> None:
        for foot, tally in self.samples.items():
            times = [b.t_s[~np.isnan(b.values[:, 0])] for b in self._loads if b.foot is foot]
            if times:
                tally.push(np.concatenate(times))
        self._loads = []


def measured(trial: Trial, prompt: StandPrompt | LiftPrompt | None) -> Trial:
    """Return a trial with what was measured of it."""
    if isinstance(prompt, StandPrompt):
        return replace(trial, stand=prompt.result)
    return trial if prompt is None else replace(trial, lift=prompt.result)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A part of the time line with one rate and one set of settings."""

    setup: Setup
    pairing: Pairing
    analyser: Analyser


_NO_ROWS = PairBlock(0, np.empty(0), np.empty((0, N_COLUMNS)), np.empty((0, N_COLUMNS)))


class TimeLine:
    """Put both feet's loads on one time line and find the events in it.

    Rows are numbered through, however often a stretch ends and another begins.

    Parameters
    ----------
    tallies : Tallies or None
        Kept of it where given; a watch that goes on for days keeps none.

    Attributes
    ----------
    out : Output
        What is decided is added to it; the owner takes it and puts a new one in its place.
    gone : set of Foot
        The feet that are away.
    """

    def __init__(self, tallies: Tallies | None = None) -> None:
        self.out = Output()
        self.gone: set[Foot] = set()
        self._tallies = tallies
        self._stretch: _Stretch | None = None
        self._next_row = 0
        self._prompts: list[StandPrompt | LiftPrompt] = []

    @property
    def rate_hz(self) -> float | None:
        """Rows per second of the stretch under way; None between stretches."""
        return None if self._stretch is None else self._stretch.setup.rate_hz

    def baselines(self) -> dict[Foot, BaselineState]:
        """Return each foot's baseline; none between stretches."""
        if self._stretch is None:
            return {}
        return {foot: self._stretch.analyser.baseline(foot) for foot in Foot}

    def begin(self, setup: Setup) -> None:
        """End the stretch under way and begin another; no foot is away in it yet."""
        self.end()
        self.gone.clear()
        pairing = Pairing(setup.rate_hz, setup.limits, self._next_row)
        self._stretch = _Stretch(setup, pairing, Analyser(setup))
        self._stretch.analyser.prompts = self._prompts
        if self._tallies is not None:
            self._tallies.begin(setup)

    def begin_trial(self, step: str, t_s: float) -> None:
        """Begin a trial of a guided check; the one before ends."""
        self.end_trial(t_s)
        prompt = prompt_for(step, t_s)
        if self._tallies is not None:
            self._tallies.prompts.append(prompt)
        if prompt is not None:
            self._prompts.append(prompt)

    def end_trial(self, t_s: float) -> None:
        """End the trial under way, if there is one."""
        for prompt in self._prompts:
            prompt.end(t_s)
        self._settle_prompts()

    def note_full_scale(self, foot: Foot, t_s: FloatArray, full: NDArray[np.bool_]) -> None:
        """Take which zones of a foot's next samples, shape (n, n_zones), read full scale."""
        for prompt in self._prompts:
            if isinstance(prompt, StandPrompt):
                prompt.note_full_scale(foot, t_s, full)

    @property
    def is_prompted(self) -> bool:
        """Whether something that is measured by samples is asked for."""
        return bool(self._prompts)

    def _settle_prompts(self) -> None:
        if any(prompt.is_done for prompt in self._prompts):
            self._prompts[:] = [prompt for prompt in self._prompts if not prompt.is_done]

    def push(self, loads: LoadBlock) -> None:
        """Take one foot's next samples; a stretch is under way."""
        assert self._stretch is not None
        if self._tallies is not None:
            self._tallies.take_samples(loads)
        self._rows(self._stretch, self._stretch.pairing.push(loads))

    def away(self, foot: Foot) -> None:
        """Let the rows go on without a foot."""
        if self._stretch is not None:
            self.gone.add(foot)
            self._rows(self._stretch, self._stretch.pairing.away(foot))

    def back(self, foot: Foot) -> None:
        """Wait for a foot again."""
        if self._stretch is not None:
            self.gone.discard(foot)
            self._stretch.pairing.back(foot)
            if self._tallies is not None:
                self._tallies.is_back(foot)

    def end(self) -> None:
        """End the stretch under way: what can still be decided is."""
        stretch = self._stretch
        if stretch is None:
            return
        self._rows(stretch, stretch.pairing.flush())
        self._next_row = stretch.pairing.next_index
        self._take(stretch, _NO_ROWS, stretch.analyser.flush())
        for prompt in self._prompts:
            prompt.flush()
        self._settle_prompts()
        if self._tallies is not None:
            self._tallies.end(self.baselines())
        self._stretch = None

    def _rows(self, stretch: _Stretch, block: PairBlock) -> None:
        if len(block):
            self.out.rows.append(block)
            self._take(stretch, block, stretch.analyser.push(block))
            self.out.net.extend(stretch.analyser.net)
            self._settle_prompts()

    def _take(self, stretch: _Stretch, block: PairBlock, events: list[Event]) -> None:
        self.out.events.extend(events)
        if self._tallies is not None:
            self._tallies.take(block, events, stretch.setup.rate_hz)
