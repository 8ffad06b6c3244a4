"""What a page asks for, done in the session under way: the same for a replay and for insoles."""

import threading

from plantigrade_gateway.drills.files import Drilling
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.session.feed import Onlookers
from plantigrade_gateway.session.session import LiveSession, Moment
from plantigrade_gateway.sound.output import Sound
from plantigrade_gateway.web.live.page import Message


class Orders:
    """Does what pages ask for, but for stop and record, which are the session's owner's.

    Parameters
    ----------
    onlookers : Onlookers
        Told what comes of it.
    sound : Sound
    drilling : Drilling
        Its choice holds until a page chooses another drill.
    """

    def __init__(self, onlookers: Onlookers, sound: Sound, drilling: Drilling) -> None:
        self.onlookers = onlookers
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

    def obey(self, message: Message, live: LiveSession | None) -> None:
        """Do what a page asks for."""
        kind = message["type"]
        moment: Moment | None = None
        if kind == "sound":
            self._choose_sound(bool(message.get("device")))
        elif kind == "drill":
            moment = self._choose_drill(message, live)
        elif live is None:
            self.onlookers.say(f"{kind}: no session is under way.", "warn")
        elif kind == "mark":
            text = message["text"].strip()
            moment = live.mark(text)
            self.onlookers.say(f"Marked: {text}")
        elif kind == "ask":
            moment = live.ask()
        if moment is not None and live is not None:
            self.onlookers.show(moment, live.analysis.pipeline)

    def _choose_drill(self, message: Message, live: LiveSession | None) -> Moment | None:
        name, feedback = message.get("name"), message.get("feedback")
        try:
            drill = None if name is None else self._shelf.find(str(name))
            how = None if feedback is None else Feedback(feedback)
        except InputError as error:
            self.onlookers.say(str(error), "warn")
            return None
        except ValueError:
            expected = ", ".join(Feedback)
            self.onlookers.say(f"feedback {feedback!r}: expected one of {expected}", "warn")
            return None
        if drill is None:
            self.onlookers.no_drill()
        own = Feedback.EVERY if drill is None else drill.feedback
        self._choice = Choice(drill, how or own)
        return None if live is None else live.set_drill(drill, self._choice.feedback)

    def _choose_sound(self, device: bool) -> None:
        """Open or leave the sound device beside the work: it may take seconds.

        Whichever press is done last, it does what was asked for last.
        """
        self._device = device

        def choose() -> None:
            with self._choosing:
                said = self._sound.choose(self._device)
            self.onlookers.say(said)
            self.onlookers.sound()

        threading.Thread(target=choose, name="sound", daemon=True).start()
