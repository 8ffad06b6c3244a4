"""A stop on pain where no check is under way: in a drill, in a set, or while somebody only stands.

It stands where a check stands, as one that was stopped, until the coach ends it or takes it back.
"""

import math
from typing import Any

from plantigrade_gateway.check.steps import ADVICE, PAIN
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.session.check import BLANK, Phase
from plantigrade_gateway.session.session import LiveSession, StepResult

Message = dict[str, Any]
LOOK = "pain"


class PainStop:
    """A stop that the player or the coach pressed.

    Parameters
    ----------
    live : LiveSession
        Its set and its drill end, and its feedback is silenced.

    Attributes
    ----------
    phase : Phase
    moments : list of StepResult
        As of a `GuidedCheck`.
    """

    def __init__(self, live: LiveSession) -> None:
        self.phase = Phase.STOPPED
        self.moments: list[StepResult] = [live.set_drill(None, Feedback.SILENT)]
        sets = live.analysis.spans.sets()
        if sets and math.isinf(sets[-1].end_s):
            self.moments.append(live.end_set())

    def obey(self, do: str, message: Message) -> str | None:
        """Do what a page asks for; return why not, in a sentence."""
        return None if do == "end" else f"{do} is not possible now: it was stopped for pain"

    def advance(self) -> None:
        """Do nothing: a stop stands."""

    def message(self) -> Message:
        """Return what pages are told, as of a guided check."""
        return {
            **BLANK,
            "look": LOOK,
            "phase": str(self.phase),
            "step": LOOK,
            "title": "Stop",
            "advice": ADVICE[PAIN],
            "may": ["take back", "end"],
        }
