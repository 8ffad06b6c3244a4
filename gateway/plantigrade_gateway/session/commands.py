"""What pages ask for, done: drill, sound, marks, sets, checks, a stop; not its owner's."""

import math
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress

from plantigrade_gateway.check.speedblock import MARK as BLOCK_MARK
from plantigrade_gateway.check.speedblock import TAKEN_BACK as BLOCK_TAKEN_BACK
from plantigrade_gateway.check.speedblock import done_of
from plantigrade_gateway.check.steps import BY, PAIN, STAND
from plantigrade_gateway.drills.files import Drilling
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.errors import GatewayError, InputError
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.tables import Intent
from plantigrade_gateway.session.check import LOOKS, NO_CHECK, GuidedCheck, Phase
from plantigrade_gateway.session.checkpeople import CheckHooks, CheckPeople
from plantigrade_gateway.session.ears import Ears
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.livecalibration import LOOK, LiveCalibration
from plantigrade_gateway.session.painstop import PainStop
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.session.speedblock import LOOK as BLOCK
from plantigrade_gateway.session.speedblock import SpeedBlock
from plantigrade_gateway.sound.output import Sound
from plantigrade_gateway.web.live.page import Message

STRIKE = "strike"
"""A mark that tells of a strike at this instant."""
HELD = (
    "No {} on this visit: it was stopped ({}). Where that was a mistake, take it back on the "
    "page Check."
)
TAKEN_BACK = "The stop is taken back as a mistake. No drill is chosen now."
ENDED = "The check ended with its session, which keeps what was taken."
UnderWay = GuidedCheck | LiveCalibration | SpeedBlock | PainStop
_END_FIRST = "{} is under way: end it first."
_TRY_S = 5.0  # between two tries to keep what came of the questions
_TWICE_S = 2.0  # a set begun again so soon was pressed twice


class CommandHandler:
    """Does what pages ask for, but for stop and record, which are the session's owner's.

    Parameters
    ----------
    live_feed : LiveFeed
        Told what comes of it.
    sound : Sound
    drilling : Drilling
        Its choice holds until a page chooses another drill.
    people : CheckPeople or None
        Where what came of a check's questions is kept; None: nowhere.
    """

    def __init__(
        self,
        live_feed: LiveFeed,
        sound: Sound,
        drilling: Drilling,
        people: CheckPeople | None = None,
    ) -> None:
        self.live_feed = live_feed
        self._sound = sound
        self._shelf = drilling.shelf
        self._choice = drilling.choice
        self._device = sound.device
        self._choosing = threading.Lock()
        self._people = people
        self._check: UnderWay | None = None
        self._left: GuidedCheck | None = None  # one that was ended midway in this session
        self.ears: Ears | None = None  # a microphone that listens for strikes
        self.calibrating: Callable[[LiveSession], LiveCalibration] | None = None
        self.ask_player: Callable[[str], None] = lambda _: None  # a virtual one, what to do now
        self._asked = ""
        self._told: Message = NO_CHECK
        self._unkept: tuple[str, str, str] | None = None
        self._hold = ""  # of the session, as far as it was said here
        self._tried_s = 0.0

    def begin(self, live: LiveSession) -> None:
        """Begin the sound and the chosen drill of a new session."""
        self._sound.begin()
        if self._choice is not None:
            live.set_drill(self._choice.drill, self._choice.feedback)
            if self._choice.drill is None:
                self.live_feed.no_drill(self._choice.feedback)

    def end(self) -> None:
        """End with the session what goes on in it."""
        self._keep_answer()
        if self._check is not None and not isinstance(self._check, PainStop):
            self.live_feed.say(ENDED, "warn")
        self._check = self._left = None
        self._hold = ""
        self._tell_check()

    def take(self, batch: Batch) -> None:
        """Take what came, for a calibration under way."""
        if isinstance(self._check, LiveCalibration):
            self._check.push(batch)

    @property
    def check(self) -> UnderWay | None:
        """The guided check, the calibration or the speed block under way, or a stop."""
        return self._check

    def advance(self, live: LiveSession) -> None:
        """Go on to the session's present."""
        now_s = live.analysis.now_s
        if self._unkept is not None and now_s - self._tried_s >= _TRY_S:
            self._tried_s = now_s
            self._keep_answer()
        if self._check is not None:
            self._check.advance()
            self._show_check(live)

    def handle(self, message: Message, live: LiveSession | None) -> None:
        """Do what a page asks for."""
        kind = message["type"]
        moment: StepResult | None = None
        if kind == "sound":
            self._choose_sound(bool(message.get("device")))
        elif kind == "drill" and self._check is not None:
            self._refuse(kind, _END_FIRST.format(_called(self._check)))
        elif kind == "drill" and message.get("name") is not None and self._held(live):
            self._refuse(kind, HELD.format("drill", self._hold))
        elif kind == "drill":
            moment = self._choose_drill(message, live)
        elif live is None:
            self._refuse(kind, f"{kind}: no session is under way.")
        elif kind == "check":
            self._obey_check(message, live)
        elif self._check is not None and kind in ("set", "set_end", "ask"):
            self._refuse(kind, _END_FIRST.format(_called(self._check)))
        elif kind == "set" and message.get("intent") == Intent.FAST and self._held(live):
            self._refuse(kind, HELD.format("fast swings", self._hold))
        elif kind == "mark":
            text = message["text"].strip()
            moment = live.mark(text)
            self.live_feed.say(f"Marked: {text}", coach_only=True)
            if text.lower() == STRIKE:
                live.strike()
            if self.ears is not None:
                self.ears.marked(text, live)
        elif kind == "set":
            moment = self._begin_set(message, live)
        elif kind == "set_end":
            moment = live.end_set()
        elif kind == "ask":
            moment = live.ask()
        if moment is not None and live is not None:
            self.live_feed.show(moment, live.analysis.pipeline)

    def _refuse(self, kind: str, why: str) -> None:
        """Say why not, to who may have asked: a player's page asks for outcomes alone, or stops."""
        self.live_feed.say(why, "warn", coach_only=kind != "ask")

    def _obey_check(self, message: Message, live: LiveSession) -> None:
        """Begin a guided check, or do what a page asks of the one under way."""
        do, check, problem = str(message.get("do")), self._check, None
        if check is None and do == "begin":
            problem = self._begin_check(message, live)
        elif do == "pain" and (check is None or isinstance(check, LiveCalibration)):
            self._stop_on_pain(live)
        elif do == "take back":
            problem = self._take_back(live)
        elif check is None and do == "take up" and self._left is not None and not self._hold:
            self._check, self._left = self._left, None
            self._check.take_up()
            self.live_feed.no_drill(Feedback.SILENT)
        elif check is None:
            problem = "check: none is under way"
        else:
            try:
                problem = check.obey(do, message)
            except GatewayError as error:
                problem = str(error)
        if problem is not None:
            self._refuse("ask" if do == "pain" else "check", problem)
        if self._check is not None and do == "end":
            self._end_check(live)
        self._show_check(live)

    def _begin_check(self, message: Message, live: LiveSession) -> str | None:
        look, club = message.get("look"), message.get("club")
        if look == LOOK:
            return self._begin_calibration(live)
        if look not in (*LOOKS, BLOCK):
            return f"check: look {look!r}: expected one of {', '.join((*LOOKS, BLOCK))}"
        people = self._people or CheckPeople(None)

        def answered(by: str, hold: str) -> None:
            self._answered(live, by, hold)

        held = self._held(live)
        is_block, named = look == BLOCK, None if club is None else str(club)

        def no_speed(hold: str | None) -> str | None:
            if hold is None:  # not asked by this check: perhaps by one before it
                hold = people.hold(live.session_id)
            return people.no_speed(live.player_id, hold, is_block=is_block)

        by: Sequence[str] = BY
        with suppress(GatewayError):  # then in the usual order
            by = people.answerers(live.player_id)
        hooks = CheckHooks(answered, no_speed, by)
        if is_block:
            try:
                self._check = SpeedBlock(live, named, hooks, people, held)
            except GatewayError as error:
                return str(error)
        else:
            self._check, self._left = GuidedCheck(str(look), live, named, hooks, held), None
        self.live_feed.no_drill(Feedback.SILENT)
        return None

    def _begin_calibration(self, live: LiveSession) -> str | None:
        if self.calibrating is None:
            return "calibrate: there are no insoles here"
        try:
            self._check = self.calibrating(live)
        except GatewayError as error:
            return str(error)
        self.live_feed.no_drill(Feedback.SILENT)
        return None

    def _stop_on_pain(self, live: LiveSession) -> None:
        """Stop what goes on without a check, or a calibration, as a check is stopped."""
        self._answered(live, BY[0], PAIN)
        if self._check is not None:
            self._end_check(live)
        self._check = PainStop(live)
        self.live_feed.no_drill(Feedback.SILENT)

    def _answered(self, live: LiveSession, by: str, hold: str) -> None:
        """Keep what came of the questions, or of a stop: no drill outlives a hold."""
        if hold:
            self._choice, self._hold = None, hold
        self._unkept, self._tried_s = (live.session_id, by, hold), live.analysis.now_s
        self._keep_answer()

    def _held(self, live: LiveSession | None) -> str:
        """Return the group of the hold that stands at a session; empty: none that is known."""
        if live is not None and not self._hold and self._people is not None:
            with suppress(GatewayError):
                self._hold = self._people.hold(live.session_id) or ""
        return self._hold

    def _take_back(self, live: LiveSession) -> str | None:
        """Take back a stop that was a mistake; return why not, in a sentence."""
        if not self._held(live):
            return "check: there is no stop to take back"
        self._keep_answer()
        if self._unkept is not None:
            return "The stop is not kept yet, and can be taken back once it is."
        try:
            if self._people is not None:
                self._people.take_back_hold(live.session_id)
        except GatewayError as error:
            return str(error)
        self._hold = ""
        if done_of(live.analysis.result()) is not None:
            self._show(live, live.mark(f"{BLOCK_MARK} ended, {BLOCK_TAKEN_BACK}"))
        if self._check is not None and self._check.message()["phase"] == "stopped":
            self._end_check(live)
        self.live_feed.say(TAKEN_BACK, "warn")
        return None

    def _keep_answer(self) -> None:
        """Keep what came of the questions; tried again while the store does not take it."""
        if self._unkept is None:
            return
        try:
            if self._people is not None:
                self._people.answered(*self._unkept)
        except GatewayError as error:
            self.live_feed.say(f"What came of the questions is not kept yet: {error}", "warn")
        else:
            self._unkept = None

    def _end_check(self, live: LiveSession) -> None:
        """End the check; the drill that was chosen before it goes on, but not after a stop."""
        check, self._check = self._check, None
        assert check is not None
        if isinstance(check, GuidedCheck) and check.left:
            self._left = check
        for moment in check.moments:
            self._show(live, moment)
        check.moments.clear()
        choice = self._choice or Choice(None, Feedback.EVERY)
        if self._hold:
            choice = Choice(None, Feedback.SILENT)
            self.live_feed.say("No drill goes on after a stop.", "warn")
        moment = live.set_drill(choice.drill, choice.feedback)
        if choice.drill is None:
            self.live_feed.no_drill(choice.feedback)
        self._show(live, moment)

    def _show(self, live: LiveSession, moment: StepResult) -> None:
        self.live_feed.show(moment, live.analysis.pipeline)

    def _show_check(self, live: LiveSession) -> None:
        """Show what the check came to in the session, and where it stands if that has changed."""
        if self._check is not None:
            for moment in self._check.moments:
                self._show(live, moment)
            self._check.moments.clear()
        self._tell_check()

    def _tell_check(self) -> None:
        if self._check is not None:
            message = self._check.message()
        else:
            left = {} if self._left is None or self._hold else {"left": self._left.left}
            message = {**NO_CHECK, **left, **({"hold": self._hold} if self._hold else {})}
        if message != self._told:
            self._told = message
            self.live_feed.check(message)
        if (asked := _asked_of(message)) != self._asked:
            self._asked = asked
            self.ask_player(asked)

    def _begin_set(self, message: Message, live: LiveSession) -> StepResult | None:
        intent, club = message.get("intent"), message.get("club")
        try:
            wanted, named = Intent(str(intent)), None if club is None else str(club)
            if _is_pressed_twice(live, wanted, named):
                return None
            return live.begin_set(wanted, named)
        except ValueError:
            expected = ", ".join(Intent)
            self.live_feed.say(f"set: intent {intent!r}: expected one of {expected}", "warn")
        except GatewayError as error:
            self.live_feed.say(str(error), "warn")
        return None

    def _choose_drill(self, message: Message, live: LiveSession | None) -> StepResult | None:
        name, feedback = message.get("name"), message.get("feedback")
        try:
            drill = None if name is None else self._shelf.find(str(name))
            how = None if feedback is None else Feedback(feedback)
        except InputError as error:
            self.live_feed.say(str(error), "warn")
            return None
        except ValueError:
            expected = ", ".join(Feedback)
            self.live_feed.say(f"feedback {feedback!r}: expected one of {expected}", "warn")
            return None
        own = Feedback.EVERY if drill is None else drill.feedback
        if drill is None and how is not Feedback.SILENT:
            how = own  # without a drill each push is told, or none
        self._choice = Choice(drill, how or own)
        if drill is None:
            self.live_feed.no_drill(self._choice.feedback)
        return None if live is None else live.set_drill(drill, self._choice.feedback)

    def _choose_sound(self, device: bool) -> None:
        """Open or leave the sound device beside the work: it may take seconds.

        Whichever press is done last, it does what was asked for last.
        """
        self._device = device

        def choose() -> None:
            with self._choosing:
                said = self._sound.choose(self._device)
            self.live_feed.say(said)
            self.live_feed.sound()

        threading.Thread(target=choose, name="sound", daemon=True).start()


def _called(check: UnderWay) -> str:
    if isinstance(check, PainStop):
        return "A stop on pain"
    return "A calibration" if isinstance(check, LiveCalibration) else "A check"


def _is_pressed_twice(live: LiveSession, intent: Intent, club: str | None) -> bool:
    """Whether just such a set was begun a moment ago and goes on."""
    sets = live.analysis.spans.sets()
    if not sets or not math.isinf(sets[-1].end_s):
        return False
    last = sets[-1]
    is_alike = (last.intent, last.club) == (intent, club or "")
    return is_alike and live.analysis.now_s - last.start_s <= _TWICE_S


def _asked_of(message: Message) -> str:
    """Return the step that a player is to do now, by what pages are told: `STAND` between steps.

    Empty: no check is under way.
    """
    if not message["on"]:
        return ""
    is_step = message["phase"] in (Phase.LEAD_IN, Phase.RUNNING)
    return str(message["step"]) if is_step else STAND
