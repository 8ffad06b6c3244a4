"""A session without insoles: its time and its swings are set by hand, and it notes all."""

import math
from dataclasses import dataclass, field, replace
from typing import Any, cast

from tests.support.records import swing

from plantigrade.events import Step, Swing
from plantigrade_gateway.analysis.result import Analysis, Mark, SetSpan, Trial
from plantigrade_gateway.check.verdict import AGAIN_MARK
from plantigrade_gateway.session.session import LiveSession


class Spans(list[SetSpan]):
    """Its sets."""

    def sets(self) -> list[SetSpan]:
        return self


@dataclass
class FakeAnalysis:
    """What is known of it by now."""

    now_s: float = 0.0
    swings: list[Swing] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    trials: list[Trial] = field(default_factory=list)
    spans: Spans = field(default_factory=Spans)
    pipeline: str = "pipeline"
    marks: list[Mark] = field(default_factory=list)

    def result(self) -> Analysis:
        return Analysis(
            "by hand",
            100.0,
            self.now_s,
            (),
            tuple(self.steps),
            tuple(self.swings),
            tuple(self.marks),
            None,
            trials=tuple(self.trials),
            spans=tuple(self.spans),
        )


@dataclass
class FakeLive:
    """A session as guided checks and speed blocks see it.

    Attributes
    ----------
    log : list of str
        What was begun, ended, marked and said, in this order.
    """

    analysis: FakeAnalysis = field(default_factory=FakeAnalysis)
    log: list[str] = field(default_factory=list)
    player_id: str | None = "player"
    session_id: str = "session"

    @property
    def live(self) -> LiveSession:
        return cast(LiveSession, self)

    def _did(self, what: str) -> Any:
        self.log.append(what)
        return what

    def taken(self) -> list[str]:
        """Return what was done since last asked."""
        log, self.log[:] = list(self.log), []
        return log

    def pass_s(self, seconds: float) -> None:
        self.analysis.now_s += seconds

    def swing(self, **more: Any) -> Swing:
        """Have a swing begin now; `more` of its push."""
        made = swing(round(100 * self.analysis.now_s))
        made = replace(made, push=replace(made.push, **more))
        self.analysis.swings.append(made)
        return made

    # ---- what is asked of it ----

    def set_drill(self, drill: object, feedback: str) -> Any:
        return self._did(f"drill {getattr(drill, 'name', drill)}, {feedback}")

    def mark(self, text: str) -> Any:
        self.analysis.marks.append(Mark(self.analysis.now_s, text))
        assert text != AGAIN_MARK or self.analysis.trials
        return self._did(f"mark {text}")

    def begin_set(self, intent: str, club: str | None) -> Any:
        self.analysis.spans.append(
            SetSpan(name=intent, start_s=self.analysis.now_s, intent=intent, club=club or "")
        )
        return self._did(f"set {intent} {club}")

    def end_set(self) -> Any:
        last = self.analysis.spans[-1]
        self.analysis.spans[-1] = replace(last, end_s=self.analysis.now_s)
        return self._did("end set")

    def begin_trial(self, step: str) -> None:
        number = 1 + sum(trial.step == step for trial in self.analysis.trials)
        self.analysis.trials.append(Trial(step, number, self.analysis.now_s, math.inf))
        self._did(f"trial {step}")

    def end_trial(self) -> None:
        """End the trial under way; nothing where none is, as the session has it."""
        trials = self.analysis.trials
        if trials and math.isinf(trials[-1].end_s):
            trials[-1] = replace(trials[-1], end_s=self.analysis.now_s)
            self._did("end trial")

    def strike(self) -> None:
        self._did("strike")

    def ask(self) -> Any:
        return self._did("ask")

    def announce(self, text: str) -> None:
        self._did(f"say {text}")
