"""What a run is opened with: the store, the sound, the voice, the forwarder and the live page."""

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rich.console import Console

from plantigrade.errors import shown
from plantigrade_gateway.child import ask_all_to_stop
from plantigrade_gateway.config import Config
from plantigrade_gateway.drills.files import Drilling, shelf
from plantigrade_gateway.forward.commands import is_for
from plantigrade_gateway.forward.launch import Forwarder, LiveSummary, opened_forwarder
from plantigrade_gateway.forward.roster import Teller
from plantigrade_gateway.report.console import paragraph
from plantigrade_gateway.report.drills import chosen_lines
from plantigrade_gateway.session.checkpeople import CheckPeople
from plantigrade_gateway.session.commands import CommandHandler
from plantigrade_gateway.session.ears import Ear, Ears, opened_ears
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.part import Part
from plantigrade_gateway.sound.output import Sound, open_sound
from plantigrade_gateway.sound.speech import Announcer, opened_voice
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.launch import opened_sync
from plantigrade_gateway.web.live.page import Message, Page, WebOptions, opened_page

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the user asked for.

    Attributes
    ----------
    sound : bool or None
        None: there is nothing to hear, and nothing is said of it.
    wav : Path or None
        Write the sound to this file instead of playing it.
    wav_instead : str or None
        Where there is no sound device, write the sound to a file of this name beside the store.
    fast : bool
        Nobody listens: the sound goes to the file at once.
    store : Path or None
        The store that was named; None for the installation's own.
    page : WebOptions or None
        How the live page is served; None: not at all.
    drilling : Drilling or None
        What is practised.
    config : Config or None
        The installation's settings: where what is measured is sent on.
    player_id : str or None
        Whose the sessions are.
    ear : Ear or None
        Where a microphone stands that listens for strikes; None: none does.
    pair : str
        Which of several pairs of insoles it is; empty: the usual one.
    sound_device : str or None
        The device's name, or a part of it; None: the system's usual one.
    part : Part or None
        This program is one of several pairs'. The one above it sends on what is measured.
    """

    sound: bool | None = True
    wav: Path | None = None
    wav_instead: str | None = None
    fast: bool = False
    store: Path | None = None
    page: WebOptions | None = None
    drilling: Drilling | None = None
    config: Config | None = None
    player_id: str | None = None
    ear: Ear | None = None
    pair: str = ""
    sound_device: str | None = None
    part: Part | None = None


class Stage:
    """What is open while a source is worked on.

    Attributes
    ----------
    out : Console
    store : Store
    options : RunOptions
    drilling : Drilling
    sound : Sound
    voice : Announcer or None
    page : Page or None
    live_feed : LiveFeed
    handler : CommandHandler
    ears : Ears or None
        The microphone that listens for strikes.
    teller : Teller or None
        Tells the roster of the site how this gateway is; None where nobody is told.
    obey : callable
        Given each command of a page, in the event loop; the work sets it.
    """

    sound: Sound
    voice: Announcer | None
    page: Page | None
    live_feed: LiveFeed
    handler: CommandHandler

    def __init__(self, out: Console, store: Store, options: RunOptions) -> None:
        self.out = out
        self.store = store
        self.options = options
        self.drilling = options.drilling or Drilling(shelf(None))
        self.obey: Callable[[Message], None] = lambda _: None
        self.ears: Ears | None = None
        self.teller: Teller | None = None
        self._loop = asyncio.get_running_loop()

    def say(self, text: str) -> None:
        """Print a sentence."""
        paragraph(self.out, text)

    def queue_command(self, message: Message) -> None:
        """Have a page's command obeyed in the event loop (from any thread)."""
        self._loop.call_soon_threadsafe(lambda: self.obey(message))

    def queue_far_command(self, message: Message) -> None:
        """Have a broker's command obeyed, unless it is for another pair (from any thread)."""
        if is_for(message, self.options.pair):
            self.queue_command(message)
        else:
            _log.warning("command: is for pair %s, which is not here", shown(message["pair"]))

    def lose_sound(self, text: str) -> None:
        """Say that the sound has stopped, to all who could choose another (from any thread)."""
        self.say(text)
        self._loop.call_soon_threadsafe(self._tell_lost, text)

    def _tell_lost(self, text: str) -> None:
        self.live_feed.say(text, "warn")
        self.live_feed.sound()


@contextmanager
def opened_stage(out: Console, store: Store, options: RunOptions) -> Iterator[Stage]:
    """Open what a run is heard and seen by, and say so; it is closed in the opposite order.

    Raises
    ------
    GatewayError
        Sound file, settings or page cannot be used: one sentence with what to do.
    """
    stage = Stage(out, store, options)
    with ExitStack() as opened:
        sound = stage.sound = opened.enter_context(_open_sound(options, store, stage.lose_sound))
        for text in (sound.said, *_drilling_lines(stage.drilling)):
            if options.sound is not None:
                stage.say(text)
        stage.voice = opened.enter_context(opened_voice(stage.drilling.voice, stage.say))
        forwarder: Forwarder | Part | None = None
        if options.part is not None:
            options.part.obey = stage.queue_command
            forwarder = options.part if options.part.order.live_fd is not None else None
        elif options.config is not None:
            forwarder = opened.enter_context(
                opened_forwarder(options.config, store, stage.say, stage.queue_far_command)
            )
            handing = opened.enter_context(opened_sync(options.config, store, stage.say))
            opened.callback(ask_all_to_stop, (forwarder, handing))
        page = stage.page = opened.enter_context(
            opened_page(options.page, store.path, stage.queue_command, stage.say)
        )
        stage.teller = Teller.of(forwarder, options.config)
        far = LiveSummary.of(forwarder, options.config)
        stage.live_feed = LiveFeed(page, sound, stage.drilling.shelf, far)
        people = CheckPeople(store)
        stage.handler = CommandHandler(stage.live_feed, sound, stage.drilling, people)
        stage.ears = stage.handler.ears = opened.enter_context(opened_ears(options.ear, stage.say))
        yield stage


def _open_sound(options: RunOptions, store: Store, lost: Callable[[str], object]) -> Sound:
    if not options.sound:
        return open_sound("none")
    if options.wav is not None:
        return open_sound("wav", options.wav, on_lost=lost)
    if options.part is not None and options.part.order.silent is not None:
        return open_sound("none", barred=options.part.order.silent)
    name = options.wav_instead
    wav = None if name is None else store.path.parent / name
    prefer: Literal["wav", "device"] = "wav" if options.fast else "device"
    return open_sound(prefer, wav, on_lost=lost, device=options.sound_device)


def _drilling_lines(drilling: Drilling) -> list[str]:
    """Return what is said of the drill that a session begins with, and of files left out."""
    lines = [f"Left out: {text}" for text in drilling.shelf.problems]
    choice = drilling.choice
    if choice is not None and choice.drill is not None:
        lines += chosen_lines(choice.drill, choice.feedback)
    return lines
