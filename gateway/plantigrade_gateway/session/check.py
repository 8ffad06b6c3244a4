"""A guided check under way: which step it is at, what is said, and what became of each trial.

It begins and ends trials and sets in the session's record, by the session's own time, and asks the
pure judges of `check` what became of them. Feedback is silent from its beginning to its end.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import SET_AGAIN, Trial, swing_time
from plantigrade_gateway.check.judge import judge
from plantigrade_gateway.check.steps import (
    ADVICE,
    BY,
    FAST,
    FIRST_LOOK,
    FLAT,
    LIFT,
    MOST_SWINGS,
    PAIN,
    PRACTICE,
    QUESTIONS,
    SPEED_LOOK,
    STAND,
    STEPS_A_FOOT,
    SWINGS,
    WALK,
    CheckStep,
    hold_of,
    usual_s,
)
from plantigrade_gateway.check.swings import SetCount, count_set, is_push_lost, mixed, was_push_lost
from plantigrade_gateway.check.verdict import AGAIN_MARK, Verdict
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.record.tables import Intent
from plantigrade_gateway.session.checkpeople import CheckHooks
from plantigrade_gateway.session.session import LiveSession, StepResult

LOOKS = {"first": FIRST_LOOK, "speed": SPEED_LOOK}
"""The lengths of a check."""
SETTLE_S = 3.0
"""Results of a trial come so long after its end at most, session time (ours)."""
STEPS_S = 2.0
"""The last steps of a walk are confirmed within this, s (ours)."""
LONGEST_WALK_S = 180.0
"""A walk ends by itself, s (ours)."""
PUSH_LOST = "The push was lost: no more fast swings today. Back to full ones."
OFFER = "Cannot tell yet: {}. Eight more may tell; skip goes on with these."
WITHDRAWN = "The set before is withdrawn: it stays in the record and does not count."
Message = dict[str, Any]


class Phase(StrEnum):
    """Where a check stands."""

    QUESTIONS = "questions"
    STOPPED = "stopped"
    """There is a hold."""
    READY = "ready"
    LEAD_IN = "lead in"
    """It was said what to do; the trial begins in a moment."""
    RUNNING = "running"
    SETTLING = "settling"
    """The trial has ended; its last results are on their way."""
    OFFER = "offer"
    """More swings are offered."""
    REST = "rest"
    """Of a speed block: a part has ended, and the next waits."""
    DONE = "done"


_MAY = {
    Phase.QUESTIONS: ("answer", "skip", "pain", "end"),
    Phase.STOPPED: ("take back", "end"),
    Phase.READY: ("start", "again", "skip", "pain", "end"),
    Phase.LEAD_IN: ("again", "skip", "pain", "end"),
    Phase.RUNNING: ("enough", "again", "skip", "pain", "end"),
    Phase.SETTLING: ("pain", "end"),
    Phase.OFFER: ("more", "skip", "pain", "end"),
    Phase.DONE: ("again", "pain", "end"),
}
"""What a page may ask for."""


@dataclass(slots=True)
class _Set:
    """The set under way."""

    begun_s: float
    before: tuple[Swing, ...]
    is_more: bool = False
    counted_before: tuple[Swing, ...] = ()

    def count(self, swings: list[Swing], step: CheckStep) -> SetCount:
        mine = [s for s in swings if swing_time(s) >= self.begun_s]
        most = SWINGS if self.is_more else MOST_SWINGS
        return count_set(mine, step.apart_s, self.before, SWINGS, most)


@dataclass(slots=True)
class _Place:
    """Where a check stands within its steps."""

    at: int = 0
    taken: int = 0
    counted: tuple[Swing, ...] = ()
    is_offered: bool = False
    sets: dict[int, int] = field(default_factory=dict)
    """Sets in the record by step, the one under way too."""
    done: dict[int, str] = field(default_factory=dict)


class GuidedCheck:
    """Leads through a check.

    Parameters
    ----------
    look : str
        One of `LOOKS`.
    live : LiveSession
        Recorded into from now on; its feedback is silenced.
    club : str or None
        Named with each set.
    hooks : CheckHooks
    held : str
        The group of the hold that stands at this visit; empty: none.

    Attributes
    ----------
    phase : Phase
    moments : list of StepResult
        What it came to in the session, to be shown; the taker clears it.
    left : str
        The title of the step at which it was ended, or stopped, midway; empty: it was not.
    """

    def __init__(
        self, look: str, live: LiveSession, club: str | None, hooks: CheckHooks, held: str = ""
    ) -> None:
        self.phase, self.left = Phase.STOPPED if held else Phase.QUESTIONS, ""
        self.moments: list[StepResult] = [live.set_drill(None, Feedback.SILENT)]
        self._look, self._live, self._club, self._hooks = look, live, club, hooks
        self._steps = LOOKS[look]
        self._place = _Place()
        self._group, self._hold = held, held or None
        self._line, self._is_refused = "", False
        self._since_s = live.analysis.now_s
        self._trial: Trial | None = None
        self._set: _Set | None = None
        self._seen = (-1, -1)
        self._progress = 0
        self._spoken: Message = {"n": 0, "text": ""}

    # ---- what pages ask for ----

    def obey(self, do: str, message: Message) -> str | None:
        """Do what a page asks for; return why not, in a sentence."""
        if do not in _MAY[self.phase]:
            return f"check: {do} is not possible now"
        match do:
            case "answer":
                return self._answer(message)
            case "start":
                return self._start()
            case "enough":
                self._end_trial()
            case "again":
                self._again()
            case "skip":
                self._skip()
            case "more":
                self._place.is_offered = True
                self._lead_in(SWINGS)
            case "pain":
                self._stop(PAIN)
            case "end":
                self.close()
        return None

    def close(self) -> None:
        """End the check where it stands; what of it was not taken yet may be taken up later."""
        if self.phase in (Phase.LEAD_IN, Phase.RUNNING) and self._step.intent:
            self._leave_and_withdraw()  # a part of a set is none
        self._leave_trial()
        if self.phase not in (Phase.QUESTIONS, Phase.STOPPED, Phase.DONE):
            self.left = self._step.title
        if self.phase is not Phase.STOPPED:
            self.phase = Phase.DONE

    def take_up(self) -> None:
        """Go on where it was ended midway: what was taken counts, and nothing is asked again."""
        self.left, self._group, self._hold = "", "", None
        self.phase, self._line, self._is_refused = Phase.READY, "", False
        self.moments.append(self._live.set_drill(None, Feedback.SILENT))

    def _answer(self, message: Message) -> str | None:
        group, by = message.get("group") or "", message.get("by")
        if by not in BY or (group and group not in ADVICE):
            return f"check: expected an answer by {' or '.join(BY)}"
        self._hold = hold_of(group)
        self._hooks.answered(by, self._hold)
        if group:
            self._group, self.phase = group, Phase.STOPPED
        else:
            self._next(0)
        return None

    def _start(self) -> str | None:
        if self._step.name == FAST:
            refused = self._hooks.no_speed(self._hold)
            if refused is None and was_push_lost(self._live.analysis.result()):
                refused = PUSH_LOST
            if refused is not None:
                self._refuse(refused)
                return None
        self._lead_in(0)
        return None

    def _lead_in(self, more: int) -> None:
        self.phase, self._since_s = Phase.LEAD_IN, self._now_s
        self._line, self._is_refused, self._progress = "", False, 0
        self._set = _Set(0.0, (), bool(more), self._place.counted) if self._step.intent else None
        self._say(self._step.said)

    def _again(self) -> None:
        """Do the trial under way, or else the last one that was taken, once more.

        Of a set all that was swung for its step is withdrawn.
        """
        if self.phase in (Phase.LEAD_IN, Phase.RUNNING):
            self._leave_and_withdraw()
            self.phase = Phase.READY
            return
        place = self._place
        if self._is_refused:  # nothing of it counts anyway
            self._line, self._is_refused = "", False
            return
        if self.phase is Phase.DONE or place.taken == 0:
            if place.at == 0:
                return
            place.at -= 1
            was_done = place.done.pop(place.at, "") == "done"
            place.taken = self._step.times if was_done else 0
        line = ""
        if place.taken:
            place.taken -= 1
            if self._step.intent:
                sets = place.sets.get(place.at, 0)
                for _ in range(sets):
                    self._withdraw()
                line = WITHDRAWN if sets else ""
            else:
                self._withdraw()
        place.counted, place.is_offered = (), False
        self.phase, self._line, self._is_refused = Phase.READY, line, False

    def _leave_and_withdraw(self) -> None:
        """End what is under way, and have it not count."""
        was_running = self.phase is Phase.RUNNING
        self._leave_trial()
        if was_running:
            self._withdraw()

    def _withdraw(self) -> None:
        """Have the last trial, or the last set, not count, in the record."""
        place = self._place
        if self._step.intent:
            place.sets[place.at] -= 1
            self.moments.append(self._live.mark(SET_AGAIN))
        else:
            self.moments.append(self._live.mark(AGAIN_MARK))

    def _skip(self) -> None:
        if self.phase is Phase.QUESTIONS:
            self._next(0)
            return
        place, step = self._place, self._step
        if step.intent:
            self._leave_and_withdraw()
        self._leave_trial()
        was_taken = place.taken >= step.times or place.sets.get(place.at, 0) > 0
        place.done[place.at] = "done" if was_taken else "skipped"
        at = place.at + 1
        if step.skipped_with and not self._was_begun(step.skipped_with):
            while self._steps[at].skipped_with == step.skipped_with:
                place.done[at] = "skipped"
                at += 1
        self._next(at)

    def _was_begun(self, together: str) -> bool:
        """Whether one of the steps that are skipped together was done: then a shoe was off."""
        steps = enumerate(self._steps)
        return any(
            step.skipped_with == together and self._place.done.get(k) == "done" for k, step in steps
        )

    def _stop(self, group: str) -> None:
        self._leave_trial()
        if self.phase not in (Phase.QUESTIONS, Phase.DONE):
            self.left = self._step.title
        self._group, self._hold, self.phase = group, hold_of(group), Phase.STOPPED
        self._hooks.answered(BY[0], self._hold)

    # ---- as time passes ----

    def advance(self) -> None:
        """Go on to the session's present."""
        if self.phase is Phase.LEAD_IN:
            if self._now_s - self._since_s >= self._step.lead_in_s:
                self._begin_trial()
        elif self.phase is Phase.RUNNING:
            if self._is_enough():
                self._end_trial()
        elif self.phase is Phase.SETTLING and self._is_settled():
            self._judge()

    def _begin_trial(self) -> None:
        self.phase, self._since_s, self._seen = Phase.RUNNING, self._now_s, (-1, -1)
        step, live = self._step, self._live
        if self._set is not None:
            self._set.begun_s, self._set.before = self._now_s, tuple(live.analysis.swings)
            self.moments.append(live.begin_set(Intent(step.intent), self._club))
            self._place.sets[self._place.at] = self._place.sets.get(self._place.at, 0) + 1
        else:
            live.begin_trial(step.name)

    def _is_enough(self) -> bool:
        step, lasted_s = self._step, self._now_s - self._since_s
        if step.prompt_s is not None and lasted_s >= step.prompt_s:
            return True
        if step.name == LIFT:
            lift = self._trial_now().lift
            return lift is not None and lift.left.air_n is not None and lift.right.air_n is not None
        analysis = self._live.analysis
        seen = len(analysis.steps), len(analysis.swings)
        if step.name in (STAND, FLAT) or seen == self._seen:
            return False
        self._seen = seen
        if self._set is not None:
            count = self._set.count(analysis.swings, step)
            self._progress = len(count.counted)
            return count.is_over or (step.name == FAST and is_push_lost(count.counted))
        self._progress = judge(self._trial_now(), analysis.result()).count
        if step.name == PRACTICE:
            return self._progress >= step.swings
        return self._progress >= STEPS_A_FOOT or lasted_s >= LONGEST_WALK_S

    def _end_trial(self) -> None:
        self.phase, self._since_s = Phase.SETTLING, self._now_s
        if self._set is not None:
            self.moments.append(self._live.end_set())
        else:
            self._live.end_trial()
        self._say(self._step.ended)

    def _leave_trial(self) -> None:
        """End what is under way in the record, without a result."""
        if self.phase is Phase.RUNNING:
            if self._set is not None:
                self.moments.append(self._live.end_set())
            else:
                self._live.end_trial()
        self._set = None

    def _is_settled(self) -> bool:
        waited_s, step = self._now_s - self._since_s, self._step
        if self._set is not None:
            return waited_s >= SETTLE_S or self._set.count(self._swings, step).is_over
        if step.name == WALK:
            return waited_s >= STEPS_S
        if step.name in (STAND, FLAT):
            return self._trial_now().stand is not None or waited_s >= SETTLE_S
        return step.name == PRACTICE or waited_s >= 1.0

    def _judge(self) -> None:
        place, step = self._place, self._step
        if self._set is None:
            verdict = judge(self._trial_now(), self._live.analysis.result())
            self._take(verdict)
            return
        count = self._set.count(self._swings, step)
        place.counted = (*self._set.counted_before, *count.counted)
        is_lost = step.name == FAST and is_push_lost(count.counted)
        self._set = None
        counted = place.counted
        verdict = SetCount(counted, len(counted), count.left_out, apart_s=step.apart_s).verdict
        if not place.counted:
            verdict = count.verdict
        if not (verdict.is_taken or is_lost):
            self._withdraw()
            place.counted = ()
        if is_lost:
            self._done(PUSH_LOST)
        elif verdict.is_taken and not place.is_offered and (unclear := mixed(place.counted)):
            self.phase, place.is_offered = Phase.OFFER, True
            self._line, self._is_refused = OFFER.format(", ".join(unclear)), False
        else:
            self._take(verdict)

    def _take(self, verdict: Verdict) -> None:
        if not verdict.is_taken:
            self._refuse(verdict.line)
            return
        self._place.taken += 1
        if self._place.taken >= self._step.times:
            self._done(f"{self._step.title} – done. {verdict.line}")
            return
        self.phase, self._line, self._is_refused = Phase.READY, verdict.line, False

    def _refuse(self, line: str) -> None:
        self.phase, self._line, self._is_refused = Phase.READY, line, True

    def _done(self, line: str) -> None:
        self._place.done[self._place.at] = "done"
        self._next(self._place.at + 1)
        self._line = line

    def _next(self, at: int) -> None:
        done = self._place.done
        is_over = at >= len(self._steps)
        sets = self._place.sets
        self._place = _Place(min(at, len(self._steps) - (not is_over)), sets=sets, done=done)
        self.phase = Phase.DONE if is_over else Phase.READY
        self._line, self._is_refused = "", False

    # ---- what is known ----

    @property
    def _now_s(self) -> float:
        return self._live.analysis.now_s

    @property
    def _swings(self) -> list[Swing]:
        return self._live.analysis.swings

    @property
    def _step(self) -> CheckStep:
        return self._steps[min(self._place.at, len(self._steps) - 1)]

    def _trial_now(self) -> Trial:
        """Return the trial under way, or that which ended last."""
        return self._live.analysis.trials[-1]

    def _say(self, text: str) -> None:
        self._spoken = {"n": self._spoken["n"] + 1, "text": text}
        self._live.announce(text)

    def message(self) -> Message:
        """Return what pages are told (`hardware_notes/live_messages.md`)."""
        step, place = self._step, self._place
        left_s = None
        if self.phase is Phase.LEAD_IN:
            left_s = step.lead_in_s - (self._now_s - self._since_s)
        elif self.phase is Phase.RUNNING and step.prompt_s is not None:
            left_s = step.prompt_s - (self._now_s - self._since_s)
        is_between = self.phase is Phase.READY and (place.taken > 0 or self._is_refused)
        wanted = STEPS_A_FOOT if step.name == WALK else step.swings
        return {
            "type": "check",
            "on": True,
            "look": self._look,
            "phase": str(self.phase),
            "step": step.name,
            "title": step.title,
            "said": step.said,
            "then": (step.between if is_between else "") or step.then,
            "taken": place.taken,
            "times": step.times,
            "count": self._progress if self.phase is Phase.RUNNING else 0,
            "wanted": wanted,
            "left_s": None if left_s is None else max(0, round(left_s)),
            "line": self._line,
            "refused": self._is_refused,
            "advice": ADVICE.get(self._group, ""),
            "spoken": self._spoken,
            "may": list(_MAY[self.phase]),
            "steps": [self._state_of(k, each) for k, each in enumerate(self._steps)],
            "questions": [{"text": q.text, "group": q.group} for q in QUESTIONS],
            "by": list(self._hooks.by),
            "minutes": round(usual_s(self._steps) / 60),
        }

    def _state_of(self, k: int, step: CheckStep) -> Message:
        state = self._place.done.get(k, "to come")
        if k == self._place.at and self.phase is not Phase.DONE:
            state = "now"
        return {"name": step.name, "title": step.title, "state": state}


NO_CHECK: Message = {"type": "check", "on": False}
BLANK: Message = NO_CHECK | {"on": True, "left_s": None, "refused": False}
BLANK |= dict.fromkeys(("said", "then", "line", "advice"), "")
BLANK |= dict.fromkeys(("taken", "times", "count", "wanted", "minutes"), 0)
BLANK |= {"spoken": {"n": 0, "text": ""}, "steps": [], "questions": [], "by": []}
"""What pages are told of that which stands where a check stands, and has nothing of its own."""
