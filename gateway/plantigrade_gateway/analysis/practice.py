"""A session's drills: which was chosen when, by its record, and what each came to.

Everything here is a function of the record: a re-analysis of a stored session comes to the same
scores. A drill is chosen, changed and ended by entries that hold the whole drill (older records:
marks), so that a drill file that is changed or lost later changes nothing.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from plantigrade.block import Foot, PairBlock
from plantigrade.events import Event, Phase, PhaseKind, Stand, Step, Swing
from plantigrade.foreign import read_json
from plantigrade_gateway import words
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.files import drill_of
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.drills.run import DrillOutput, DrillResult, DrillRun, Score, note_bearing
from plantigrade_gateway.errors import InputError, RecordError
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.record.tables import read_table, table_of
from plantigrade_gateway.sound.cues import CueMaker

MARK = "drill:"
"""What the mark begins with that tells of a choice; in older records it makes the choice."""
NO_DRILL = "none"
TICKS_AFTER_S = 90.0
"""Without a drill a heel's tick is heard so long after a swing: whoever has not swung lately may be
standing on one leg, which begins like a backswing (ours)."""


def said_of(choice: Choice) -> str:
    """Return the text of the mark that tells of a choice."""
    drill = choice.drill
    head = NO_DRILL if drill is None else f"{drill.name}, feedback {choice.feedback}"
    return f"{MARK} {head}"


def entry_of(choice: Choice) -> bytes:
    """Return the data of the DRILL entry that makes a choice: it holds the whole drill."""
    drill = choice.drill
    return table_of(
        {
            "drill": None if drill is None else drill.table(),
            "feedback": str(choice.feedback),
            **({"goes_on": True} if choice.goes_on else {}),
        }
    )


def read_entry(data: bytes) -> Choice:
    """Return the choice that a DRILL entry makes.

    Raises
    ------
    RecordError
        Not JSON of schema 1, or no choice.
    """
    try:
        return read_table(data, "drill", _choice_of)
    except InputError as error:
        raise RecordError(f"drill entry: {error}") from error


def read_mark(text: str) -> Choice | None:
    """Return the choice that a mark of an older record makes; None for any other mark.

    One line is for people, the next one is JSON.
    """
    if not text.startswith(MARK) or "\n" not in text:
        return None
    try:
        return _choice_of(read_json(text.split("\n", 1)[1], "mark"))
    except (ValueError, KeyError, TypeError, InputError):
        return None  # somebody's note, or another version's: it stays a note


def _choice_of(table: Mapping[str, Any]) -> Choice:
    drill = table["drill"]
    chosen = None if drill is None else drill_of(drill, "drill")
    return Choice(chosen, Feedback(table["feedback"]), table.get("goes_on") is True)


class Practice:
    """Follows a session's drills.

    Parameters
    ----------
    heard : bool
        Whether cues and tone are wanted: a stored session is analysed without.
    """

    def __init__(self, heard: bool = False) -> None:
        self._maker = CueMaker() if heard else None
        self._settings = SessionSettings()
        self._bears: dict[Foot, bool] = {}
        self._spans: list[tuple[float, DrillRun | None]] = [(-np.inf, None)]
        self._swing_s: float | None = None
        self._last_swing_s = -np.inf
        self._is_silent = False

    @property
    def is_silent(self) -> bool:
        """Whether nothing of what happens now is to be heard: the chosen feedback is silent."""
        return self._is_silent

    @property
    def run(self) -> DrillRun | None:
        """The drill under way."""
        return self._spans[-1][1]

    @property
    def score(self) -> Score | None:
        """The score of the drill under way."""
        return None if self.run is None else self.run.score

    def settle(self, settings: SessionSettings) -> None:
        """Take the settings in force from here on."""
        if settings is not self._settings:
            self._settings = settings
            if self.run is not None:
                self.run.settle(settings.lead, settings.body_weight_n, settings.limits)

    def choose(self, t_s: float, choice: Choice) -> None:
        """Begin a run, end the one under way, or let it go on with other feedback."""
        self._is_silent = choice.feedback is Feedback.SILENT
        if choice.goes_on and self.run is not None and self.run.drill == choice.drill:
            self.run.tell(choice.feedback)
            return
        run = None
        if choice.drill is not None:
            run = DrillRun(
                choice.drill,
                choice.feedback,
                t_s,
                self._settings.lead,
                self._settings.body_weight_n,
                self._maker,
                self._bears,
                self._settings.limits,
            )
        self._spans.append((t_s, run))

    def push(self, output: Output, rate_hz: float | None = None) -> DrillOutput:
        """Take what the pipeline gave; events and rows are taken in the order of time.

        What is said of swings has sampling errors where the rate of the rows, Hz, is known.
        """
        reply = DrillOutput()
        events, at = output.events, 0
        for block in output.net if self._needs_rows else ():
            start = 0
            while at < len(events) and events[at].confirmed_s <= block.t_s[-1]:
                stop = int(np.searchsorted(block.t_s, events[at].confirmed_s))
                if stop > start:
                    self._rows(block.slice(start, stop), reply)
                    start = stop
                self._event(events[at], reply, rate_hz)
                at += 1
            if start < len(block):
                self._rows(block.slice(start, len(block)), reply)
        for event in events[at:]:
            self._event(event, reply, rate_hz)
        return reply

    def ask(self, now_s: float) -> DrillOutput:
        """Return what is heard now of the last repetition."""
        return DrillOutput() if self.run is None else self.run.ask(now_s)

    def results(self, end_s: float) -> tuple[DrillResult, ...]:
        """Return every run so far, the one under way as if it ended at `end_s`."""
        ends = [start_s for start_s, _ in self._spans[1:]] + [end_s]
        return tuple(
            run.result(end)
            for (_, run), end in zip(self._spans, ends, strict=True)
            if run is not None
        )

    @property
    def _needs_rows(self) -> bool:
        return any(run is not None and run.needs_rows for _, run in self._spans[-2:])

    def _rows(self, block: PairBlock, reply: DrillOutput) -> None:
        """Give rows to the run in which they lie: they come some time after their own."""
        start_s, run = self._spans[-1]
        cut = int(np.searchsorted(block.t_s, start_s))
        before = self._spans[-2][1] if len(self._spans) > 1 else None
        if cut and before is not None:
            before.follow(block.slice(0, cut), reply)
        if cut < len(block) and run is not None:
            run.follow(block.slice(cut, len(block)), reply)

    def _event(self, event: Event, reply: DrillOutput, rate_hz: float | None) -> None:
        if isinstance(event, Stand):
            note_bearing(self._bears, event)
        run = self._run_at(self._began(event))
        if run is not None:
            run.take(event, reply, rate_hz)
        else:
            self._free(event, reply)
        if isinstance(event, Swing):
            self._last_swing_s = event.confirmed_s

    def _began(self, event: Event) -> float:
        """Return when a movement began: a swing belongs to the drill it was begun under."""
        if isinstance(event, Phase):
            begins = event.kind is PhaseKind.SHIFT and self._swing_s is None
            if begins or event.kind is PhaseKind.BACKSWING:
                self._swing_s = event.t_s
            began = event.t_s if self._swing_s is None else self._swing_s
            if event.kind in (PhaseKind.CANCELLED, PhaseKind.PUSH):
                self._swing_s = None
            return began
        if isinstance(event, Swing):
            return event.address_s if event.start_s is None else event.start_s
        if isinstance(event, Step):
            return event.confirmed_s if event.strike_s is None else event.strike_s
        return event.confirmed_s

    def _run_at(self, t_s: float) -> DrillRun | None:
        return next(run for start_s, run in reversed(self._spans) if start_s <= t_s)

    def _free(self, event: Event, reply: DrillOutput) -> None:
        """Without a drill every push is heard, and the heel where a swing is likely.

        Nothing is where the feedback is silent.
        """
        if self._is_silent:
            return
        if isinstance(event, Swing):
            reply.spoken.append(words.push(event.push))
        if self._maker is None or not isinstance(event, Phase):
            return
        if event.t_s - self._last_swing_s <= TICKS_AFTER_S or event.push is not None:
            reply.cues += self._maker.push([event])
