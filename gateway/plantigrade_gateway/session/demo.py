"""Running a recording as if the insoles were live: store, analysis, sound and screen together."""

import shlex
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from threading import Event
from types import FrameType
from typing import Any

from rich.console import Console

from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.config import Config
from plantigrade_gateway.drills.files import Drilling, shelf
from plantigrade_gateway.errors import RecordingError, StoreError
from plantigrade_gateway.forward.launch import LiveSummary, opened_forwarder
from plantigrade_gateway.report import session
from plantigrade_gateway.report.console import heading, item, item_whole, paragraph
from plantigrade_gateway.report.measures import chosen_lines
from plantigrade_gateway.report.screen import Screen
from plantigrade_gateway.session.commands import CommandHandler
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.session.status import replayed
from plantigrade_gateway.sound.output import Sound, open_sound
from plantigrade_gateway.sound.speech import Announcer, opened_voice
from plantigrade_gateway.sources.replay import Overview, as_live, at_once, overview, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.status import Latency, Posted
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.live.page import Message, WebOptions, opened_page

INVENTED = (
    "The player and the place in this recording are invented: a synthetic player on a practice "
    "ground that does not exist. No person was measured."
)
_LOOK_S = 0.1
_TOLD_EVERY_S = 1.0


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the user asked for.

    Attributes
    ----------
    fast : bool
        Do not wait for the recording's times.
    sound : bool
    wav : Path or None
        Write the sound to this file instead of playing it.
    store : Path or None
        The store that was named; None for the installation's own.
    page : WebOptions or None
        How the live page is served; None: not at all.
    drilling : Drilling or None
        What is practised.
    stay : bool
        Keep the page up when the recording has ended, until Ctrl-C or another run of it.
    config : Config or None
        The installation's settings: where what is measured is sent on.
    """

    fast: bool = False
    sound: bool = True
    wav: Path | None = None
    store: Path | None = None
    page: WebOptions | None = None
    stay: bool = False
    drilling: Drilling | None = None
    config: Config | None = None


def run(path: Path, source: str, intro: str, run_options: RunOptions, out: Console) -> Analysis:
    """Run a recording to its end or to Ctrl-C, and say what it came to and where it is kept.

    Parameters
    ----------
    path : Path
        A replay file.
    source : str
        What the session is called.
    intro : str
        Said first.
    run_options : RunOptions
    out : Console

    Raises
    ------
    GatewayError
        The recording, the store or the sound file cannot be used; no session is begun then.
    RecordingError
        The store refuses the last of the session.
    """
    about = overview(path)
    with Store.open(run_options.store) as store:
        paragraph(out, intro)
        for text in words.CAUTIONS:
            paragraph(out, text)
        out.print()
        for session_id in store.recover():
            results.reanalyse(store, session_id)
            paragraph(out, f"Session {session_id[:8]} was cut off; what was recorded is kept.")
        stage = _Console(out, Posted(store.path))
        sound = _open_sound(path, run_options, store.path, stage.lose_sound)
        drilling = run_options.drilling or Drilling(shelf(None))
        for text in (sound.said, *drilling_lines(drilling)):
            paragraph(out, text)
        with (
            sound,
            opened_voice(drilling.voice, stage.say) as voice,
            opened_forwarder(run_options.config, store, stage.say, stage.asked.put) as forwarder,
            opened_page(run_options.page, store.path, stage.asked.put, stage.say) as page,
            stage.status,
            stop_on_interrupt() as stop,
        ):
            stage.voice = voice
            far = LiveSummary.of(forwarder, run_options.config)
            stage.live_feed = live_feed = LiveFeed(page, sound, drilling.shelf, far)
            handler = CommandHandler(live_feed, sound, drilling)
            while True:
                found = _play(path, source, about, run_options, store, sound, handler, stage, stop)
                if stop.is_set() or not (run_options.stay and page):
                    return found
                paragraph(out, f"The page stays at {page.url} until Ctrl-C.")
                if not stage.wait_for_record(handler, stop):
                    return found


class _Console:
    """What a replay's pages ask for, and where and how it says something."""

    def __init__(self, out: Console, status: Posted) -> None:
        self.voice: Announcer | None = None
        self.live_feed: LiveFeed | None = None
        self.asked: SimpleQueue[Message] = SimpleQueue()
        self.out = out
        self.status = status

    def say(self, text: str) -> None:
        """Print a sentence."""
        paragraph(self.out, text)

    def lose_sound(self, text: str) -> None:
        """Say that the sound has stopped, to all who could choose another."""
        self.say(text)
        if self.live_feed is not None:
            self.live_feed.say(text, "warn")
            self.live_feed.sound()

    def wait_for_record(self, handler: CommandHandler, stop: Event) -> bool:
        """Do what pages ask for until one wants another run, at most until a stop."""
        told_s = 0.0
        while not stop.wait(_LOOK_S):
            if time.monotonic() >= told_s + _TOLD_EVERY_S:
                told_s = time.monotonic()
                self.status.wait()
            while not self.asked.empty():
                message = self.asked.get()
                if message["type"] == "record":
                    return True
                if message["type"] != "stop":
                    handler.handle(message, None)
        return False


def _play(
    path: Path,
    source: str,
    about: Overview,
    run_options: RunOptions,
    store: Store,
    sound: Sound,
    handler: CommandHandler,
    stage: _Console,
    stop: Event,
) -> Analysis:
    """Push the recording through a session and say what it came to.

    However it ends, the session is closed: what came before is kept.
    """
    live_feed = handler.live_feed
    live = LiveSession(
        store,
        source,
        sound,
        on_problem=lambda error: stage.say(str(error)),
        tap=live_feed.tap,
        voice=stage.voice,
    )
    handler.begin(live)
    ended = Event()  # by a stop on the page
    told_s = 0.0
    with (
        live,
        Screen(
            stage.out, live.analysis, about.lead, about.settings.body_weight_n, about.duration_s
        ) as screen,
    ):
        screen.say("Ctrl-C stops; everything up to then is kept.")
        stage.out.print()
        live_feed.begin(live, source)
        for batch in (at_once if run_options.fast else as_live)(read_replay(path), stop):
            moment = live.push(batch)
            screen.show(moment.output, live.analysis.now_s)
            live_feed.show(moment, live.analysis.pipeline)
            if time.monotonic() >= told_s + _TOLD_EVERY_S:
                told_s = time.monotonic()
                status = replayed(live.analysis.pipeline, live.session_id, Latency())
                stage.status.put(status)
                live_feed.link(status, live.store_problem)
            while not stage.asked.empty():
                message = stage.asked.get()
                if message["type"] == "stop":
                    ended.set()
                elif message["type"] != "record":
                    handler.handle(message, live)
            if ended.is_set():
                break
        stopped = stop.is_set() or ended.is_set()
        try:
            found = live.close("stop" if stopped else "end")
        except StoreError as error:
            raise RecordingError(str(error)) from error
        live_feed.end(found)
        screen.show_set_before(float("inf"))
    if stopped:
        stage.say("Stopped. Everything up to here is kept.")
    show_end(found, live.session_id, run_options, store.path, sound, stage.out)
    return found


def drilling_lines(drilling: Drilling) -> list[str]:
    """Return what is said of the drill that a session begins with, and of files left out."""
    lines = [f"Left out: {text}" for text in drilling.shelf.problems]
    choice = drilling.choice
    if choice is not None and choice.drill is not None:
        lines += chosen_lines(choice.drill, choice.feedback)
    return lines


@contextmanager
def stop_on_interrupt() -> Iterator[Event]:
    """Give an event that Ctrl-C, or being told to end, sets; a second Ctrl-C ends at once."""
    stop = Event()
    before: dict[int, Any] = {}

    def set_stop(number: int, frame: FrameType | None) -> None:
        stop.set()
        signal.signal(number, before[number])

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            before[number] = signal.signal(number, set_stop)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _open_sound(
    path: Path, run_options: RunOptions, store: Path, lost: Callable[[str], object]
) -> Sound:
    """Open the sound: a file where one is asked for, where there is no device, or with --fast."""
    if not run_options.sound:
        return open_sound("none")
    if run_options.wav is not None:
        return open_sound("wav", run_options.wav, on_lost=lost)
    wav = store.parent / f"{path.stem}.wav"
    return open_sound("wav" if run_options.fast else "device", wav, on_lost=lost)


def show_end(
    found: Analysis,
    session_id: str,
    run_options: RunOptions,
    store: Path,
    sound: Sound,
    out: Console,
) -> None:
    """Print what a session came to, where it is kept and what can be done with it."""
    session.show_summary(found, out)
    heading(out, "Kept")
    item(out, "session", f"{session_id[:8]}, in {store}")
    item(out, "sound", sound.said)
    named = "" if run_options.store is None else f" --store {shlex.quote(str(run_options.store))}"
    for name, command in (
        ("all of it", "show last"),
        ("as tables", "export last --to FOLDER"),
        ("sessions", "sessions"),
    ):
        item_whole(out, name, f"plantigrade {command}{named}")
