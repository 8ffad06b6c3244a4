"""A speed block under way: its parts, its clock and counter, and what stops it.

It stands where a guided check stands, and its numbers are the rule file's (`check.speedblock`).
What is done is told in the record: the warm-up as a trial, all other parts as sets, and marks.
Feedback is silent from its beginning to its end.
"""

from typing import Any

from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import swing_time
from plantigrade_gateway.check import speedblock as rules
from plantigrade_gateway.check.speedblock import MARK, Made, Part
from plantigrade_gateway.check.steps import ADVICE, BY, PAIN, QUESTIONS, hold_of
from plantigrade_gateway.check.swings import was_push_lost
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.formats import plural
from plantigrade_gateway.record.tables import Intent
from plantigrade_gateway.session.check import PUSH_LOST, Phase
from plantigrade_gateway.session.checkpeople import CheckHooks, CheckPeople
from plantigrade_gateway.session.session import LiveSession, StepResult

LOOK = "block"
NOBODY = "No speed block: the session is nobody's who is registered. Choose the player first."
SOON = "Too soon: rest longer before a fast swing. It counts, and is marked."
_INTENTS = {Part.FAST: Intent.FAST, Part.FULL: Intent.FULL, Part.CLOSING: Intent.SMOOTH}
_LINES = {
    rules.SPEED_LOST: "Tired: the club has lost speed. No more fast swings today.",
    rules.PUSH_LOST: "The push was lost: back to full for one block.",
    rules.DOSE: "Those were all the blocks of today.",
}
_PUSH_STAYS_LOST = "The push is not back: no more fast swings today."
_MAY = {
    Phase.QUESTIONS: ("answer", "pain", "end"),
    Phase.STOPPED: ("take back", "end"),
    Phase.READY: ("start", "pain", "end"),
    Phase.RUNNING: ("enough", "pain", "end"),
    Phase.REST: ("start", "pain", "end"),
    Phase.DONE: ("pain", "end"),
}
Message = dict[str, Any]


class SpeedBlock:
    """Leads through the speed work of a visit.

    Parameters
    ----------
    live : LiveSession
        Recorded into from now on; its feedback is silenced.
    club : str or None
        Named with each set.
    hooks : CheckHooks
        ``no_speed`` is asked before the warm-up and before each fast block.
    people : CheckPeople
        Knows the rules, what was done before, and keeps club speeds.
    held : str
        As of a `GuidedCheck`.

    Attributes
    ----------
    phase : Phase
    moments : list of StepResult
        As of a `GuidedCheck`.

    Raises
    ------
    GatewayError
        The rules do not say what a speed block is, or nothing is kept here.
    """

    def __init__(
        self,
        live: LiveSession,
        club: str | None,
        hooks: CheckHooks,
        people: CheckPeople,
        held: str = "",
    ) -> None:
        self._plan = people.plan()
        self.phase = Phase.QUESTIONS
        self.moments: list[StepResult] = [live.set_drill(None, Feedback.SILENT)]
        self._live, self._club, self._hooks, self._people = live, club, hooks, people
        self._hold: str | None = None
        self._group = ""
        self._made: list[Made] = []
        self._part: Part | None = Part.WARM_UP
        self._blocks_before = 0
        self._begun_s = 0.0
        self._swings: tuple[Swing, ...] = ()
        self._speeds: dict[int, float] = {}
        self._line, self._is_refused = "", False
        self._spoken: Message = {"n": 0, "text": ""}
        self._is_rested = True
        if held:
            self._group, self.phase = held, Phase.STOPPED

    # ---- what pages ask for ----

    def obey(self, do: str, message: Message) -> str | None:
        """Do what a page asks for; return why not, in a sentence."""
        if do not in self._may:
            return f"speed block: {do} is not possible now"
        match do:
            case "answer":
                return self._answer(message)
            case "start":
                self._start()
            case "enough":
                self._end_part("")
            case "pain":
                self._stop(PAIN)
            case "club_speed":
                return self._take_speed(message.get("m_s"))
            case "end":
                self.close()
        return None

    def close(self) -> None:
        """End it where it stands; its record says that it was left, or what had ended it."""
        if self.phase in (Phase.STOPPED, Phase.DONE):
            return
        self._leave_part()
        if self._made:
            self._mark(f"ended, {rules.ended_by(self._made, self._plan, self._blocks_before)}")
        self.phase = Phase.DONE

    def _answer(self, message: Message) -> str | None:
        group, by = message.get("group") or "", message.get("by")
        if by not in BY or (group and group not in ADVICE):
            return f"speed block: expected an answer by {' or '.join(BY)}"
        self._hold = hold_of(group)
        self._hooks.answered(by, self._hold)
        self._group = group
        self.phase = Phase.STOPPED if group else Phase.READY
        return None

    def _start(self) -> None:
        refused = self._refusal()
        if refused is not None:
            self._line, self._is_refused = refused, True
            return
        part = self._part
        assert part is not None
        live = self._live
        self._line, self._is_refused = "", False
        self.phase, self._begun_s, self._swings, self._is_rested = (
            Phase.RUNNING,
            self._now_s,
            (),
            True,
        )
        self._mark(part)
        if part is Part.WARM_UP:
            live.begin_trial(part)
        else:
            self.moments.append(live.begin_set(_INTENTS[part], self._club))
        self._made.append(Made(part))
        self._say(self._said)

    def _refusal(self) -> str | None:
        """Return why the part that is next is not begun; None: it may be."""
        player_id = self._live.player_id
        if player_id is None:
            return NOBODY
        if self._part not in (Part.WARM_UP, Part.FAST):
            return None
        refused = self._hooks.no_speed(self._hold)
        if refused is not None or self._made:
            return refused
        found = self._live.analysis.result()
        if was_push_lost(found):  # in a look at fast swings, earlier in this visit
            return PUSH_LOST
        today = self._people.today(player_id, self._live.session_id, found)
        self._blocks_before = today.blocks
        return today.refused

    def _take_speed(self, m_s: object) -> str | None:
        """Take the club speed of the last fast swing, m/s."""
        swing = self._last_fast
        if isinstance(m_s, bool) or not isinstance(m_s, int | float) or swing is None:
            return "speed block: expected the club speed of the last fast swing, m/s"
        self._people.set_speed(self._live.session_id, swing, float(m_s))
        self._speeds[swing.first_index] = float(m_s)
        if self._made[-1].part is Part.FAST and not self._made[-1].stopped:
            self._judge()
        return None

    def _stop(self, group: str) -> None:
        self._leave_part()
        self._mark(f"ended, {rules.PAIN}")
        self._group, self._hold, self.phase = group, hold_of(group), Phase.STOPPED
        self._hooks.answered(BY[0], self._hold)

    # ---- as time passes ----

    def advance(self) -> None:
        """Go on to the session's present."""
        if self.phase is Phase.RUNNING:
            self._see_swings()
        if not self._is_rested and self._rest_left_s() <= 0.0:
            self._is_rested = True
            self._say("You have rested." if self.phase is Phase.REST else "Next.")
        if self.phase is Phase.REST and self._is_rested:
            self.phase = Phase.READY

    def _see_swings(self) -> None:
        part = self._made[-1].part
        found = tuple(s for s in self._live.analysis.swings if swing_time(s) >= self._begun_s)
        new, self._swings = found[len(self._swings) :], found
        if not new:
            return
        if self._line == SOON:
            self._line, self._is_refused = "", False
        for swing in new:
            if part is Part.FAST and self._came_soon(swing):
                self._mark(rules.REST_NOT_KEPT)
                self._line, self._is_refused = SOON, True
                self._say(SOON)
        self._made[-1] = Made(part, found)
        self._is_rested = part is not Part.FAST
        if part is Part.FAST:
            self._judge()
        if self.phase is Phase.RUNNING and len(found) >= self._plan.swings(part):
            self._end_part("")

    def _came_soon(self, swing: Swing) -> bool:
        if rules.REST_NOT_KEPT not in self._plan.stops:
            return False
        at_s = swing_time(swing)
        last_s = rules.last_time(self._live.analysis.swings, at_s)
        return last_s is not None and rules.is_rest_short(at_s - last_s, self._rest_before(at_s))

    def _rest_before(self, at_s: float) -> float:
        """Return the rest before a fast swing at an instant, s; longer before another block."""
        is_first = not any(swing_time(s) < at_s for s in self._swings)
        is_after_block = self._made[-2].part is not Part.WARM_UP  # the warm-up is always first
        if is_first and is_after_block:
            return float(self._plan.rest_between_blocks_s)
        return float(self._plan.rest_between_swings_s)

    def _judge(self) -> None:
        """Apply the stop rules to the fast block under way, or the one that ended last."""
        stopped = rules.stop_of(self._made, self._speeds, self._plan)
        if not stopped:
            return
        if self.phase is Phase.RUNNING:
            self._end_part(stopped)
            return
        self._made[-1] = Made(Part.FAST, self._made[-1].swings, stopped)
        self._go_on()

    def _end_part(self, stopped: str) -> None:
        last = self._made[-1]
        self._made[-1] = Made(last.part, last.swings, stopped)
        self._leave_part()
        self._go_on()

    def _leave_part(self) -> None:
        """End what is under way in the record."""
        if self.phase is not Phase.RUNNING:
            return
        self.phase = Phase.READY
        if self._made[-1].part is Part.WARM_UP:
            self._live.end_trial()
        else:
            self.moments.append(self._live.end_set())

    def _go_on(self) -> None:
        """Go on to the next part, or end."""
        last, before = self._made[-1], self._blocks_before
        self._part = rules.next_part(self._made, self._plan, before)
        if self._part is None:
            self._mark(f"ended, {rules.ended_by(self._made, self._plan, before)}")
            good = sum(s.push.is_good is True for s in last.swings)
            known = sum(s.push.is_good is not None for s in last.swings)
            line = f"{good} of {plural(known, 'closing swing')} were good pushes."
            self.phase, self._line, self._is_refused = Phase.DONE, line, False
            self._say("Thank you. That was all.")
            return
        why = rules.ended_by(self._made, self._plan, before) if self._part is Part.CLOSING else ""
        line = _LINES.get(why or last.stopped, "")
        if last.part is Part.FULL and why == rules.PUSH_LOST:
            line = _PUSH_STAYS_LOST
        self._line, self._is_refused = line or self._line, bool(line) and why != rules.DOSE
        self._is_rested = last.part is Part.WARM_UP
        self.phase = Phase.READY if self._is_rested else Phase.REST
        self._say(
            f"{line} Rest.".strip() if self.phase is Phase.REST else "Thank you. That was it."
        )

    # ---- what is known ----

    @property
    def _may(self) -> tuple[str, ...]:
        may = _MAY[self.phase]
        if self.phase is Phase.RUNNING and self._made[-1].part is Part.WARM_UP:
            may = tuple(one for one in may if one != "enough")
        if self.phase in (Phase.RUNNING, Phase.REST, Phase.READY) and self._last_fast is not None:
            may = (*may, "club_speed")
        return may

    @property
    def _last_fast(self) -> Swing | None:
        fast = [s for one in self._made if one.part is Part.FAST for s in one.swings]
        return fast[-1] if fast else None

    @property
    def _now_s(self) -> float:
        return self._live.analysis.now_s

    def _rest_left_s(self) -> float:
        """Return how long is still rested, s, from the beginning of the last swing."""
        last_s = rules.last_time(self._live.analysis.swings, self._now_s)
        is_between = self.phase is Phase.RUNNING
        plan = self._plan
        rest_s = plan.rest_between_swings_s if is_between else plan.rest_between_blocks_s
        return 0.0 if last_s is None else rest_s - (self._now_s - last_s)

    def _mark(self, what: str) -> None:
        self.moments.append(self._live.mark(f"{MARK} {what}"))

    def _say(self, text: str) -> None:
        self._spoken = {"n": self._spoken["n"] + 1, "text": text}
        self._live.announce(text)

    @property
    def _blocks(self) -> int:
        """Fast blocks begun today."""
        return self._blocks_before + sum(one.part is Part.FAST for one in self._made)

    @property
    def _said(self) -> str:
        """What is said of the part that is swung, or is next."""
        plan, part = self._plan, self._part
        n = 0 if part is None else plan.swings(part)
        return {
            Part.WARM_UP: f"Warm up: {n} swings, from smooth to full.",
            Part.FAST: f"{n} fast swings. Rest {plan.rest_between_swings_s} seconds between them.",
            Part.FULL: f"{n} full swings, none of them fast.",
            Part.CLOSING: f"{n} smooth swings to close.",
            None: "Thank you. That was all.",
        }[part]

    @property
    def _title(self) -> str:
        part, plan = self._part, self._plan
        if part is Part.FAST:
            number = self._blocks + (self.phase is not Phase.RUNNING)
            return f"Fast block {number} of {plan.blocks_a_visit}"
        return "Done" if part is None else _NAMES[part]

    def message(self) -> Message:
        """Return what pages are told, as of a guided check."""
        is_running, plan = self.phase is Phase.RUNNING, self._plan
        left_s = None if self._is_rested or self.phase is Phase.DONE else self._rest_left_s()
        return {
            "type": "check",
            "on": True,
            "look": LOOK,
            "phase": str(self.phase),
            "step": str(self._part or Part.CLOSING),
            "title": self._title,
            "said": self._said,
            "then": "Rest." if self.phase is Phase.REST else "",
            "taken": min(self._blocks, plan.blocks_a_visit),
            "times": plan.blocks_a_visit,
            "count": len(self._swings) if is_running else 0,
            "wanted": 0 if self._part is None else plan.swings(self._part),
            "left_s": None if left_s is None else max(0, round(left_s)),
            "line": self._line,
            "refused": self._is_refused,
            "advice": ADVICE.get(self._group, ""),
            "spoken": self._spoken,
            "may": list(self._may),
            "steps": self._steps(),
            "questions": [{"text": q.text, "group": q.group} for q in QUESTIONS],
            "by": list(self._hooks.by),
            "minutes": self._minutes(),
        }

    def _steps(self) -> list[Message]:
        """Return the parts that were swung, the one that is now, and the closing swings."""
        is_running = self.phase is Phase.RUNNING
        done = self._made[:-1] if is_running else self._made
        rows = [{"name": str(one.part), "title": _NAMES[one.part], "state": "done"} for one in done]
        part = self._part
        if part is None or self.phase is Phase.DONE:
            return rows
        rows.append({"name": str(part), "title": _NAMES[part], "state": "now"})
        if part is not Part.CLOSING:
            closing = Part.CLOSING
            rows.append({"name": str(closing), "title": _NAMES[closing], "state": "to come"})
        return rows

    def _minutes(self) -> int:
        """Return how long the whole takes, min: its rests, and 12 s a swing that is not fast."""
        plan = self._plan
        fast_s = plan.blocks_a_visit * plan.block_swings * plan.rest_between_swings_s
        usual_s = 12 * (plan.warm_up_swings + plan.closing_swings)
        return round((fast_s + usual_s + plan.blocks_a_visit * plan.rest_between_blocks_s) / 60)


_NAMES = {
    Part.WARM_UP: "Warm-up",
    Part.FAST: "Fast block",
    Part.FULL: "Full block",
    Part.CLOSING: "Closing swings",
}
