"""The microphone of a run: what it hears goes into the record of the session under way.

Guides the stamps, too: said in words and, where there is a voice, aloud.
"""

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from plantigrade_gateway.record.heard import Listening, Purpose
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.listening import Heard
from plantigrade_gateway.sound.microphone import Microphone

STAMPS_S = 45.0
"""How long stamps are waited for (ours): ten, one every two seconds, and to find the place."""
STAMPS_EVERY_S = 600.0
"""When stamps are asked for again: every ten minutes."""

ASKED = (
    "Stand beside the microphone. Stamp your left heel five times, about every two seconds, then "
    "your right heel five times."
)
DONE = "Thank you. The stamps are over; swing when you like."

STAMPS, STAMPS_END, STRUCK = "stamps", "stamps end", "struck"
"""Marks that mean something here: stamp again; no more; the last swing struck a ball (five of each
club teach its sound)."""


@dataclass(frozen=True, slots=True)
class Ear:
    """Where the microphone stands: from the ball, and how far that may be off, m."""

    distance_m: float
    distance_error_m: float = 0.5


class Ears:
    """Takes what the microphone hears into a session.

    Parameters
    ----------
    ear : Ear
    say : callable
        Says a sentence to people.
    """

    def __init__(self, ear: Ear, say: Callable[[str], object]) -> None:
        self._ear, self._say = ear, say
        self._heard: deque[Heard] = deque()  # filled by the microphone's thread
        self._live: LiveSession | None = None
        self._until_s: float | None = None  # of the stamps under way
        self._next_s = 0.0
        self.microphone: Microphone | None = None

    def hear(self, heard: Heard) -> None:
        """Take a transient, from any thread."""
        self._heard.append(heard)

    def follow(self, live: LiveSession) -> None:
        """Write down what was heard since the last call, and guide the stamps."""
        if live is not self._live:
            self._live, self._until_s, self._next_s = live, None, 0.0
            self._heard.clear()
            live.listen(Listening(Purpose.ON, self._ear.distance_m, self._ear.distance_error_m))
        while self._heard:
            heard = self._heard.popleft()
            live.heard(heard.host_ns, heard.transient)
        now_s = live.analysis.now_s
        if self._until_s is not None and now_s >= self._until_s:
            self.end_stamps(live)
        elif self._until_s is None and now_s >= self._next_s:
            self.begin_stamps(live)

    def begin_stamps(self, live: LiveSession) -> None:
        """Ask for stamps from now on."""
        now_s = live.analysis.now_s
        self._until_s, self._next_s = now_s + STAMPS_S, now_s + STAMPS_EVERY_S
        self._listen_for_stamps(on=True)
        self._say(ASKED)
        live.announce(ASKED)
        live.listen(Listening(Purpose.STAMPS))

    def end_stamps(self, live: LiveSession) -> None:
        """Wait for no more stamps."""
        if self._until_s is None:
            return
        self._until_s = None
        self._listen_for_stamps(on=False)
        live.listen(Listening(Purpose.STAMPS_END))
        self._say(DONE)
        live.announce(DONE)

    def marked(self, text: str, live: LiveSession) -> None:
        """Do what a mark's text asks for, if it asks for anything."""
        word = text.strip().lower()
        if word == STAMPS:
            self.begin_stamps(live)
        elif word == STAMPS_END:
            self.end_stamps(live)
        elif word == STRUCK:
            live.listen(Listening(Purpose.CONFIRMED))

    def _listen_for_stamps(self, *, on: bool) -> None:
        if self.microphone is not None:
            self.microphone.stamp(on=on)


@contextmanager
def opened_ears(ear: Ear | None, say: Callable[[str], object]) -> Iterator[Ears | None]:
    """Open the microphone, where one is wanted.

    Raises
    ------
    SoundError
        There is none.
    """
    if ear is None:
        yield None
        return
    ears = Ears(ear, say)
    with Microphone(ears.hear, say) as microphone:
        ears.microphone = microphone
        say(
            f"The microphone ({microphone.backend}) listens for strikes, {ear.distance_m:g} m from "
            "the ball. Times, levels and shapes of clicks are kept, and no sound."
        )
        yield ears
