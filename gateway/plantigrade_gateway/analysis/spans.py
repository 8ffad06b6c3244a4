"""The stretches of a record: sets, whether they were silent, and trials of guided checks."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from plantigrade_gateway.analysis.result import SET_AGAIN, Mark, SetSpan, Trial, ends_set, set_name
from plantigrade_gateway.record.entries import is_lost
from plantigrade_gateway.record.tables import Intent, SetStart, TrialName


@dataclass(slots=True)
class _OpenSet:
    """The set under way, and which states of the cues lasted a while in it."""

    name: str
    start_s: float
    begun: SetStart | None
    states: set[bool | None] = field(default_factory=set)


class SpanLog:
    """Follows what begins and ends sets and trials, in the order of the record.

    A set goes on until it ends, the next one begins, or a trial or a check does; a trial until it
    ends, or the next trial or set begins. A set is silent if cues were known to be off all the
    time; a state that lasted no time was never heard.
    """

    def __init__(self) -> None:
        self._sets: list[SetSpan] = []
        self._trials: list[Trial] = []
        self._set: _OpenSet | None = None
        self._trial: tuple[TrialName, float] | None = None
        self._on: bool | None = None
        self._since_s = -math.inf

    @property
    def is_silent(self) -> bool:
        """Whether the set under way is a silent one so far."""
        return self._set is not None and self._span(self._set, math.inf).is_silent is True

    def begin_set(self, name: str, t_s: float, begun: SetStart | None = None) -> None:
        """Begin a set; what its entry says of it is None where a mark began it."""
        self._end_both(t_s)
        self._set = _OpenSet(name, t_s, begun)

    def end_set(self, t_s: float) -> None:
        """End the set under way, if there is one."""
        if self._set is not None:
            self._sets.append(self._span(self._set, t_s))
            self._set = None

    def begin_trial(self, trial: TrialName | None, t_s: float) -> None:
        """Begin a trial; None: one that is not understood, which only ends what was before."""
        self._end_both(t_s)
        self._trial = None if trial is None else (trial, t_s)

    def end_trial(self, t_s: float) -> None:
        """End the trial under way, if there is one."""
        if self._trial is not None:
            self._trials.append(_trial(self._trial, t_s))
            self._trial = None

    def cues(self, on: bool | None, t_s: float) -> None:
        """Take whether cues are on from here; None: not known."""
        if self._set is not None and t_s > max(self._since_s, self._set.start_s):
            self._set.states.add(self._on)
        self._on, self._since_s = on, t_s

    def mark(self, mark: Mark) -> None:
        """Take a mark: older records begin and end their sets by marks; one may withdraw a set."""
        name = set_name(mark)
        if mark.text == SET_AGAIN:
            self.end_set(mark.t_s)
            self._withdraw_set()
        elif name is not None:
            self.begin_set(name, mark.t_s)
        elif ends_set(mark):
            self.end_set(mark.t_s)
        elif is_lost(mark.text):  # who knows what these entries said of the cues
            if self._set is not None:
                self._set.states.add(None)
            self.cues(None, mark.t_s)

    def sets(self) -> tuple[SetSpan, ...]:
        """Return the sets so far, the one under way without an end."""
        under_way = () if self._set is None else (self._span(self._set, math.inf),)
        return (*self._sets, *under_way)

    def trials(self, now_s: float) -> tuple[Trial, ...]:
        """Return the trials so far, the one under way as if it ended now."""
        under_way = () if self._trial is None else (_trial(self._trial, now_s),)
        return (*self._trials, *under_way)

    def number_of(self, step: str) -> int:
        """Return the highest number of a step's trials so far; 0 without one."""
        return max((t.number for t in self.trials(math.inf) if t.step == step), default=0)

    def _withdraw_set(self) -> None:
        for place, span in reversed(list(enumerate(self._sets))):
            if not span.is_withdrawn:
                self._sets[place] = replace(span, is_withdrawn=True)
                return

    def _end_both(self, t_s: float) -> None:
        self.end_set(t_s)
        self.end_trial(t_s)

    def _span(self, run: _OpenSet, end_s: float) -> SetSpan:
        states = set(run.states)
        if end_s > max(self._since_s, run.start_s):
            states.add(self._on)
        is_silent = None if not states or None in states else True
        if True in states:
            is_silent = False
        begun = run.begun
        if begun is None:
            intent = run.name if run.name in list(Intent) else ""
            return SetSpan(run.name, run.start_s, end_s, intent=intent, is_silent=is_silent)
        club = begun.club or ""
        return SetSpan(
            run.name, run.start_s, end_s, begun.set_id, str(begun.intent), club, is_silent
        )


def spans_of(marks: Iterable[Mark]) -> tuple[SetSpan, ...]:
    """Return the sets that marks begin, in order of time: all that is kept of older records."""
    log = SpanLog()
    for mark in marks:
        log.mark(mark)
    return log.sets()


def _trial(trial: tuple[TrialName, float], end_s: float) -> Trial:
    name, start_s = trial
    return Trial(name.step, name.number, start_s, end_s)
