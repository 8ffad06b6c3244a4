"""The gateway as a service: connect both insoles, record, analyse, cue and show, until stopped.

Read `_serve` from top to bottom: what is opened, what runs, and in which order it ends. Without
insoles of one's own the virtual ones are used through the same code.
"""

import asyncio
import contextlib
import importlib.util
import logging
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field, replace

from rich.console import Console

from plantigrade.poses import Pose
from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.drills.files import Drilling, shelf
from plantigrade_gateway.errors import BluetoothError, GatewayError, InputError, StoreError
from plantigrade_gateway.forward.launch import LinkSamples, LiveSummary, opened_forwarder
from plantigrade_gateway.record.entries import INSOLE_OF
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.console import paragraph
from plantigrade_gateway.report.screen import Screen
from plantigrade_gateway.session.commands import CommandHandler
from plantigrade_gateway.session.demo import RunOptions, drilling_lines, show_end
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.session.status import measure
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.sound.device import short_switch_interval
from plantigrade_gateway.sound.output import Sound, open_sound
from plantigrade_gateway.sound.speech import Announcer, opened_voice
from plantigrade_gateway.sources.bluetooth import Radio, scanning
from plantigrade_gateway.sources.live import Inbox, LiveSource, StreamConfig
from plantigrade_gateway.store import calibrations, forwardstate, results
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.insoles import known, size_notes
from plantigrade_gateway.store.status import Latency
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.process import EXTRA, Simulation, simulator_process
from plantigrade_gateway.web.live.page import Message, Page, opened_page
from plantigrade_gateway.wire.gatt import KnownInsole

STATUS_EVERY_S = 1.0
STOP_LIMIT_S = 8.0
"""For ending the links in good order; what takes longer is left (ours)."""
VIRTUAL = (
    "These insoles are virtual and the player is invented: a synthetic player behind a real "
    "Bluetooth stack. No person is measured."
)


@dataclass(frozen=True, slots=True)
class ServiceOptions:
    """What the service shall do.

    Attributes
    ----------
    run_options : RunOptions
        Store and sound.
    settings : SessionSettings
    stream : StreamConfig
        How the insoles shall stream.
    simulation : Simulation or None
        Virtual insoles, in a process started for this.
    radio : str or None
        A transport (`virtual/backend.py`) instead of the system's Bluetooth.
    for_s : float or None
        Stop by itself so long after Bluetooth was found well.
    now_ns : callable
        A monotonic clock, ns.
    """

    run_options: RunOptions = field(default_factory=RunOptions)
    settings: SessionSettings = field(default_factory=SessionSettings)
    stream: StreamConfig = field(default_factory=StreamConfig)
    simulation: Simulation | None = None
    radio: str | None = None
    for_s: float | None = None
    now_ns: Callable[[], int] = time.monotonic_ns


async def run(options: ServiceOptions, out: Console, stop: asyncio.Event) -> None:
    """Run the gateway until `stop` is set.

    Raises
    ------
    GatewayError
        Store, sound, Bluetooth or insoles cannot be used: one sentence with what to do. What was
        recorded before is kept.
    """
    try:
        await _serve(options, out, stop)
    except ExceptionGroup as group:
        ours, _ = group.split(GatewayError)
        if ours is None:
            raise
        first: Exception = ours
        while isinstance(first, ExceptionGroup):
            first = first.exceptions[0]
        raise first from group


async def _serve(options: ServiceOptions, out: Console, stop: asyncio.Event) -> None:
    async with contextlib.AsyncExitStack() as opened:
        # What arrives must not wait for another thread's turn, such as the recorder's.
        opened.enter_context(short_switch_interval())
        store = opened.enter_context(Store.open(options.run_options.store))
        _recover(store, out)
        pair, radio = await opened.enter_async_context(linked(options, store))
        async with scanning(radio, lambda _: None):
            pass  # Bluetooth that cannot be used is said now, not in the middle of a session
        service = _Service(options, store, out, pair)
        sound = opened.enter_context(_open_sound(options, service.lose_sound))
        voice = opened.enter_context(opened_voice(service.drilling.voice, service.say))
        page = opened.enter_context(
            opened_page(options.run_options.page, store.path, service.queue_command, service.say)
        )
        forwarder = opened.enter_context(
            opened_forwarder(options.run_options.config, store, service.say, service.queue_command)
        )
        far = LiveSummary.of(forwarder, options.run_options.config)
        service.attach(sound, voice, page, far)
        source = LiveSource(
            pair, radio, service.inbox.put, service.say, options.stream, options.now_ns
        )
        for insole in pair:
            source.links[insole.foot].calibration = calibrations.said(store, insole)
        service.greet(pair)
        if options.for_s is not None:
            asyncio.get_running_loop().call_later(options.for_s, stop.set)
        async with asyncio.TaskGroup() as group:
            listening = group.create_task(source.run(), name="insoles")
            working = group.create_task(service.work(), name="sessions")
            reporting = group.create_task(service.report(source), name="status")
            await _first(stop, working)
            listening.cancel()  # the links first: what is on its way still comes
            await asyncio.wait([listening], timeout=STOP_LIMIT_S)
            service.inbox.close()  # then what waits is worked off, and the session ends
            await asyncio.wait([working])
            reporting.cancel()


async def _first(stop: asyncio.Event, working: asyncio.Task[None]) -> None:
    """Wait until told to stop, or until the work has failed."""
    stopped = asyncio.create_task(stop.wait(), name="stop")
    try:
        await asyncio.wait([stopped, working], return_when=asyncio.FIRST_COMPLETED)
    finally:
        stopped.cancel()


@contextlib.asynccontextmanager
async def linked(
    options: ServiceOptions, store: Store, asked: "asyncio.Queue[Pose] | None" = None
) -> AsyncIterator[tuple[list[KnownInsole], Radio]]:
    """Give the insoles to connect and the radio to do it with; virtual ones do what is `asked`."""
    if options.simulation is not None:
        if importlib.util.find_spec("bumble") is None:
            raise BluetoothError(EXTRA)
        async with (
            simulator_process(options.simulation, asked) as transport,
            opened_radio(transport) as air,
        ):
            from plantigrade_gateway.virtual.player import LENGTH_MM, usual_pair

            yield (
                [
                    KnownInsole(k.serial, k.foot, "virtual", k.address, LENGTH_MM)
                    for k in usual_pair()
                ],
                air,
            )
        return
    pair = known(store)
    if not pair:
        raise InputError(
            "no insole is remembered: put the insoles near and run plantigrade pair, or use "
            "virtual ones with plantigrade run --virtual"
        )
    async with opened_radio(options.radio) as radio:
        yield pair, radio


@contextlib.asynccontextmanager
async def opened_radio(transport: str | None) -> AsyncIterator[Radio]:
    """Give the system's Bluetooth, or that of a transport.

    Raises
    ------
    BluetoothError
        The transport needs the extra, or nothing answers on it.
    """
    if transport is None:
        yield Radio()
        return
    try:
        from plantigrade_gateway.virtual.backend import open_radio
    except ImportError as error:
        raise BluetoothError(EXTRA) from error
    # What it logs are its own tracebacks of answers that come too late; errors are told by us.
    logging.getLogger("bumble").setLevel(logging.CRITICAL)
    async with contextlib.AsyncExitStack() as opened:
        try:
            air = await opened.enter_async_context(open_radio(transport))
        except Exception as error:  # whatever the transport's library raises
            raise BluetoothError(
                f"radio {transport}: cannot be used ({error or 'no answer'}); is the simulation "
                "running, or the dongle plugged in?"
            ) from error
        yield Radio(air.scanner, air.client)


def _recover(store: Store, out: Console) -> None:
    for session_id in store.recover():
        results.reanalyse(store, session_id)
        paragraph(out, f"Session {session_id[:8]} was cut off; what was recorded is kept.")


def _open_sound(options: ServiceOptions, lost: Callable[[str], object]) -> Sound:
    if not options.run_options.sound:
        return open_sound("none")
    if options.run_options.wav is not None:
        return open_sound("wav", options.run_options.wav, on_lost=lost)
    return open_sound("device", on_lost=lost)


class _Service:
    """What a running service works with: the inbox, the visit, the screen, the status.

    What it needs to be furnished with tells it things, so it is there first.
    """

    def __init__(
        self, options: ServiceOptions, store: Store, out: Console, pair: list[KnownInsole]
    ) -> None:
        self.inbox = Inbox()
        self.drilling = options.run_options.drilling or Drilling(shelf(None))
        self._options = options
        self._store = store
        self._out = out
        self._latency = Latency()
        self._samples = LinkSamples(store, options.run_options.config)
        self._screen: Screen | None = None
        self._over = False
        self._loop = asyncio.get_running_loop()
        known_by_foot = calibrations.noted(store, pair)
        self._calibrations = {
            INSOLE_OF[foot]: made.to_json().encode() for foot, made in known_by_foot.items()
        }
        self._source = "virtual insoles (invented)" if options.simulation else "insoles"

    def attach(
        self,
        sound: Sound,
        voice: Announcer | None,
        page: Page | None,
        far: LiveSummary | None = None,
    ) -> None:
        """Take over what sessions are heard and seen by; nothing is done before."""
        self._sound, self._voice = sound, voice
        self._live_feed = LiveFeed(page, sound, self.drilling.shelf, far)
        self._handler = CommandHandler(self._live_feed, sound, self.drilling)
        self._manager = SessionManager(
            self._options.settings, self._begin, self._end, self._live_feed.tap, self._calibrations
        )

    def greet(self, pair: list[KnownInsole]) -> None:
        """Say what is about to happen."""
        if self._options.simulation is not None:
            self.say(VIRTUAL)
        for text in words.CAUTIONS:
            self.say(text)
        self.say(self._sound.said)
        for text in drilling_lines(self.drilling):
            self.say(text)
        for insole in pair:
            self.say(f"{insole.label}: {calibrations.said(self._store, insole)}.")
        for text in size_notes(pair):
            self.say(text)
        self.say("Looking for " + " and ".join(k.label for k in pair) + ".")
        self.say("Ctrl-C stops; everything up to then is kept.")

    def say(self, text: str) -> None:
        """Print a sentence."""
        paragraph(self._out, text)

    async def work(self) -> None:
        """Record and analyse what comes, until the inbox is closed; then end the session."""
        now_ns = self._options.now_ns
        try:
            while (entries := await self.inbox.take(STATUS_EVERY_S)) is not None:
                if entries:
                    moment = self._manager.push(entries)
                    self._latency.note([e.arrival_ns for e in entries], now_ns())
                    if self._screen is not None and self._manager.live is not None:
                        self._screen.show(moment.output, self._manager.live.analysis.now_s)
                    if self._manager.pipeline is not None:
                        self._live_feed.show(moment, self._manager.pipeline)
                with self._refusals():
                    self._manager.tick(now_ns())
            self._manager.close("stop")
        except BaseException as error:  # a cancelled task's session is closed as well
            self._manager.close("error" if isinstance(error, Exception) else "stop")
            raise
        finally:
            self._over = True
            self._leave_screen()

    @contextlib.contextmanager
    def _refusals(self) -> Iterator[None]:
        """Where the store refuses a session's end or beginning, say so and go on."""
        try:
            yield
        except StoreError as error:
            self._leave_screen()
            self._live_feed.end()
            self.say(str(error))
            self._live_feed.say(str(error), "warn")

    def queue_command(self, message: Message) -> None:
        """Have `handle` called in the event loop (from any thread)."""
        self._loop.call_soon_threadsafe(self.handle, message)

    def handle(self, message: Message) -> None:
        """Do what a page asks for, until the service ends."""
        if self._over:
            return
        if message["type"] not in ("stop", "record"):
            self._handler.handle(message, self._manager.live)
            return
        with self._refusals():
            if message["type"] == "stop":
                self._manager.stop(self._options.now_ns())
            else:
                self._manager.record()

    def lose_sound(self, text: str) -> None:
        """Say that the sound has stopped, to all who could choose another (from any thread)."""
        self.say(text)
        self._loop.call_soon_threadsafe(self._tell_lost, text)

    def _tell_lost(self, text: str) -> None:
        self._live_feed.say(text, "warn")
        self._live_feed.sound()

    async def report(self, source: LiveSource) -> None:
        """Keep the status up to date."""
        path = linkstatus.path_for(self._store.path)
        status = None
        try:
            while True:
                live = self._manager.live
                pipeline, session_id = (
                    (live.analysis.pipeline, live.session_id) if live else (None, None)
                )
                now_ns = self._options.now_ns()
                status = measure(source, pipeline, session_id, self._latency, now_ns)
                linkstatus.write(path, status)
                forward = forwardstate.latest(self._store.path)
                self._live_feed.link(status, live.store_problem if live else None, forward)
                await self._samples.take(status, now_ns)
                await asyncio.sleep(STATUS_EVERY_S)
        finally:
            if status is not None:
                linkstatus.write(path, replace(status, running=False))

    def _begin(self) -> LiveSession:
        live = LiveSession(
            self._store,
            self._source,
            self._sound,
            on_problem=lambda error: self.say(str(error)),
            tap=self._live_feed.tap,
            voice=self._voice,
        )
        self._handler.begin(live)
        self._live_feed.begin(live, self._source)
        settings = self._options.settings
        self._screen = Screen(self._out, live.analysis, settings.lead, settings.body_weight_n, None)
        self._screen.__enter__()
        return live

    def _end(self, live: LiveSession, found: Analysis) -> None:
        self._live_feed.end(found)
        if self._screen is not None:
            self._screen.show_set_before(float("inf"))
        self._leave_screen()
        show_end(
            found,
            live.session_id,
            self._options.run_options,
            self._store.path,
            self._sound,
            self._out,
        )

    def _leave_screen(self) -> None:
        if self._screen is not None:
            self._screen.__exit__(None, None, None)
            self._screen = None
