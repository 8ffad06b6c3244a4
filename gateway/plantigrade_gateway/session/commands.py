"""What pages ask for, done: drill, sound, marks and sets; not stop and record."""

import threading

from plantigrade_gateway.drills.files import Drilling
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.errors import GatewayError, InputError
from plantigrade_gateway.record.sets import Intent
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.sound.output import Sound
from plantigrade_gateway.web.live.page import Message


class CommandHandler:
    """Does what pages ask for, but for stop and record, which are the session's owner's.

    Parameters
    ----------
    live_feed : LiveFeed
        Told what comes of it.
    sound : Sound
    drilling : Drilling
        Its choice holds until a page chooses another drill.
    """

    def __init__(self, live_feed: LiveFeed, sound: Sound, drilling: Drilling) -> None:
        self.live_feed = live_feed
        self._sound = sound
        self._shelf = drilling.shelf
        self._choice = drilling.choice
        self._device = sound.device
        self._choosing = threading.Lock()

    def begin(self, live: LiveSession) -> None:
        """Begin the sound and the chosen drill of a new session."""
        self._sound.begin()
        if self._choice is not None:
            live.set_drill(self._choice.drill, self._choice.feedback)
            if self._choice.drill is None:
                self.live_feed.no_drill(self._choice.feedback)

    def handle(self, message: Message, live: LiveSession | None) -> None:
        """Do what a page asks for."""
        kind = message["type"]
        moment: StepResult | None = None
        if kind == "sound":
            self._choose_sound(bool(message.get("device")))
        elif kind == "drill":
            moment = self._choose_drill(message, live)
        elif live is None:
            self.live_feed.say(f"{kind}: no session is under way.", "warn")
        elif kind == "mark":
            text = message["text"].strip()
            moment = live.mark(text)
            self.live_feed.say(f"Marked: {text}")
        elif kind == "set":
            moment = self._begin_set(message, live)
        elif kind == "set_end":
            moment = live.end_set()
        elif kind == "ask":
            moment = live.ask()
        if moment is not None and live is not None:
            self.live_feed.show(moment, live.analysis.pipeline)

    def _begin_set(self, message: Message, live: LiveSession) -> StepResult | None:
        intent, club = message.get("intent"), message.get("club")
        try:
            return live.begin_set(Intent(str(intent)), None if club is None else str(club))
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
