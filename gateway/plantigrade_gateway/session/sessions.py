"""What comes from a source as sessions: recorded, analysed, heard and shown; the work of a run."""

import asyncio
import contextlib
import shlex
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from types import TracebackType
from typing import Self

from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.errors import GatewayError, RecordingError, StoreError
from plantigrade_gateway.forward.launch import LinkSamples
from plantigrade_gateway.forward.roster import PairSoFar
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import Profile
from plantigrade_gateway.people.visits import said_of_session, with_said
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report import session
from plantigrade_gateway.report.console import heading, item, item_whole
from plantigrade_gateway.report.screen import Screen
from plantigrade_gateway.session.livecalibration import Calibrations, LiveCalibration
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.session.stage import Stage
from plantigrade_gateway.session.status import measure
from plantigrade_gateway.session.visit import Manager
from plantigrade_gateway.sources.live import LiveSource
from plantigrade_gateway.sources.reconnect import ConnectionState
from plantigrade_gateway.sources.source import Source
from plantigrade_gateway.store import calibrations, forwardstate, results
from plantigrade_gateway.store.status import Latency, StatusFile
from plantigrade_gateway.web.live.page import Message

HAND_EVERY_NS = 5_000_000_000
"""How often is looked whether the player's hand was put right since the session began (ours)."""
Begin = Callable[[], LiveSession]
End = Callable[[LiveSession, Analysis], None]


class Sessions:
    """Turns what a source gives into sessions, and shows them (a `Work`).

    While it is entered it obeys what pages ask for, and keeps the status in the store's file.

    Parameters
    ----------
    stage : Stage
    source : Source
    settings : SessionSettings
        By which the terminal shows a session.
    managed : callable
        Makes the manager, which says when a session begins and ends, from what begins and what ends
        one.
    duration_s : float or None
        How long the recording is, s.
    stays : bool
        Keep the page up when the source has ended, until a stop or a page's wish for another run.
    now_ns : callable
        A monotonic clock, ns.
    remake : callable, optional
        Makes a session's results again behind what goes on, given its id and whether anything came
        late (`OwedPages.remake`); else it is done at its end.
    """

    def __init__(
        self,
        stage: Stage,
        source: Source,
        settings: SessionSettings,
        managed: Callable[[Begin, End], Manager],
        duration_s: float | None = None,
        stays: bool = False,
        now_ns: Callable[[], int] = time.monotonic_ns,
        remake: Callable[[str, bool], None] | None = None,
    ) -> None:
        self._remake = remake
        self._is_closing = False
        self._stage = stage
        self._source = source
        self._settings = settings
        self._duration_s = duration_s
        self._stays = stays
        self._now_ns = now_ns
        self._live_feed = stage.live_feed
        self._latency = Latency()
        self._samples = LinkSamples(stage.store, stage.options.config)
        self._so_far = PairSoFar(stage.teller, source.name, stage.options.pair or None)
        self._status = StatusFile(
            stage.store.path, yields=not source.is_live, pair=stage.options.pair
        )
        self._screen: Screen | None = None
        self._player_id = stage.options.player_id
        self._live_feed.set_player(self._player_id)
        self._registered = self._profile() if source.is_live else None
        self._hand_said = ""
        self._hand_due_ns = 0
        self._is_over = False
        self._again = asyncio.Event()
        self._manager = managed(self._begin, self._end)

    def __enter__(self) -> Self:
        self._stage.obey = self.obey
        if self._source.links:
            self._stage.handler.calibrating = self._calibration
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._is_over = True
        self._leave_screen()
        self._status.end()

    @property
    def is_done(self) -> bool:
        """Whether no more is wanted of this run of the source."""
        return self._manager.is_done

    def push(self, batch: Batch) -> None:
        """Record, analyse and show what came."""
        self._tell_heard(self._manager.live)
        self._stage.handler.take(batch)
        step = self._manager.push(batch)
        if self._source.is_live:
            self._latency.note(batch.arrival_ns.tolist(), self._now_ns())
        self._show_step(step)
        live = self._manager.live
        if live is not None:
            self._stage.handler.advance(live)
            if self._stage.ears is not None:
                self._stage.ears.follow(live)
        self._end_idle()

    def _show_step(self, step: StepResult) -> None:
        """Show what entries came to, here, on pages and to the roster."""
        live, pipeline = self._manager.live, self._manager.pipeline
        if self._screen is not None and live is not None:
            self._screen.show(step.output, live.analysis.now_s)
        if pipeline is not None:
            self._live_feed.show(step, pipeline)
            self._so_far.take(step.output.events, pipeline.rate_hz)

    async def tick(self) -> None:
        """End a session without load, and keep the status up to date."""
        self._end_idle()
        live = self._manager.live
        pipeline, session_id = (live.analysis.pipeline, live.session_id) if live else (None, None)
        now_ns = self._now_ns()
        page = self._stage.page
        status = replace(
            measure(self._source.links, pipeline, session_id, self._latency, now_ns),
            pair=self._stage.options.pair,
            page=None if page is None else page.url,
        )
        self._status.put(status)
        forward = forwardstate.latest(self._stage.store.path)
        self._live_feed.link(status, live.store_problem if live else None, forward)
        self._so_far.tell(status, self._player_id, forward)
        if self._source.is_live:
            await self._samples.take(status, now_ns)
            await self._look_at_hand(now_ns)

    def close(self, reason: str) -> None:
        """End the session under way.

        Raises
        ------
        RecordingError
            The store refuses the last of it.
        """
        self._is_closing = True
        try:
            self._manager.close(reason)
        except StoreError as error:
            raise RecordingError(str(error)) from error
        finally:
            self._is_closing = False

    async def wants_more(self, stop: asyncio.Event) -> bool:
        """Do what pages ask for until one wants another run, at most until a stop."""
        page = self._stage.page
        if not self._stays or page is None:
            return False
        self._stage.say(f"The page stays at {page.url} until Ctrl-C.")
        self._again.clear()
        waiting = [asyncio.create_task(event.wait()) for event in (stop, self._again)]
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in waiting:
                task.cancel()
        return not stop.is_set()

    def obey(self, message: Message) -> None:
        """Do what a page asks for, until it is over."""
        if self._is_over:
            return
        self._tell_heard(self._manager.live)
        if message["type"] not in ("stop", "record", "player"):
            self._stage.handler.handle(message, self._manager.live)
            return
        with self._refusals():
            if message["type"] == "player":
                self._change_player(message.get("id"))
                return
            if message["type"] == "stop":
                self._manager.stop(self._now_ns())
            else:
                self._again.set()
                self._show_step(self._manager.record())

    def _tell_heard(self, live: LiveSession | None) -> None:
        """Have the record say when cues could be heard; a recording keeps its own."""
        if live is not None and self._source.is_live:
            live.hear(self._live_feed.is_heard)

    def _change_player(self, player_id: str | None) -> None:
        """Let the next session be another player's; none: nobody's who is registered."""
        if not self._source.is_live:
            text = "player: a recording is one session; give it to a player on the session's page"
            self._live_feed.say(text, "warn")
            return
        if player_id == self._player_id:
            return
        chosen = None
        try:
            if player_id is not None:
                with Register(self._stage.store) as register:
                    chosen = register.profile(player_id)
                    register.anchor(player_id)
        except StoreError as error:  # of a page that is older than the register: nothing ends
            self._live_feed.say(str(error), "warn")
            return
        self._player_id = player_id
        self._settings = replace(
            self._settings,
            mass_kg=None if chosen is None else chosen.mass_kg,
            handed=self._settings.handed if chosen is None else chosen.handedness,
            bw_n=None,
        )
        try:
            self._manager.change(self._settings, self._now_ns())
        finally:
            self._live_feed.set_player(player_id)
        self._live_feed.say("Another player from now on; the session before is kept.")

    def _profile(self) -> Profile | None:
        """Return what is registered of the player now; None where that cannot be read."""
        if self._player_id is None:
            return None
        try:
            with Register(self._stage.store) as register:
                return register.profile(self._player_id)
        except StoreError:
            return None  # the session begins by what was known

    def _follow_register(self) -> None:
        """Take the player's hand and mass as they were put right since; what a command gave stands.

        Which foot leads follows from the hand: a session of the other hand says nothing of anybody.
        """
        was, now = self._registered, self._profile()
        if now is None:
            return
        self._registered = now
        if was is None or was.player_id != now.player_id:
            return
        if now.handedness != was.handedness:
            self._settings = replace(self._settings, handed=now.handedness)
        if now.mass_kg != was.mass_kg:
            self._settings = replace(self._settings, mass_kg=now.mass_kg, bw_n=None)
        self._manager.settle(self._settings)

    async def _look_at_hand(self, now_ns: int) -> None:
        """Say where the hand was put right since the session began: it goes on by the old one."""
        live, was = self._manager.live, self._registered
        if live is None or was is None or now_ns < self._hand_due_ns:
            return
        self._hand_due_ns = now_ns + HAND_EVERY_NS
        now = await asyncio.to_thread(self._profile)  # off the loop: the store may be slow
        if now is None or now.player_id != was.player_id or live is not self._manager.live:
            return
        recorded = live.analysis.pipeline.settings.handed
        said = ""
        if now.handedness not in (was.handedness, recorded):
            said = words.hand_changed(recorded, now.handedness)
        if said == self._hand_said:
            return
        self._hand_said = said
        self._live_feed.tell_hand(said or None)
        if said:
            self._stage.say(said)

    def _calibration(self, live: LiveSession) -> LiveCalibration:
        """Begin a calibration of the insoles in the session under way."""
        store, links = self._stage.store, self._source.links

        def made(new: Calibrations) -> None:
            self._manager.recalibrate(new)
            for link in links.values():
                link.calibration = calibrations.describe(store, link.insole)

        pair = [link.insole for link in links.values()]
        return LiveCalibration(store, pair, live.analysis.pipeline.settings, live, made)

    def _end_idle(self) -> None:
        with self._refusals():
            self._manager.tick(self._now_ns())

    @contextlib.contextmanager
    def _refusals(self) -> Iterator[None]:
        """Where the store refuses a session's end or beginning, say so and go on."""
        try:
            yield
        except StoreError as error:
            self._leave_screen()
            self._live_feed.end()
            self._stage.say(str(error))
            self._live_feed.say(str(error), "warn")

    def _begin(self) -> LiveSession:
        if self._source.is_live:
            self._follow_register()
        stage, settings = self._stage, self._settings
        live = LiveSession(
            stage.store,
            self._source.name,
            stage.sound,
            on_problem=lambda error: stage.say(str(error)),
            tap=self._live_feed.tap,
            voice=stage.voice,
            player_id=self._player_id,
            pair=stage.options.pair,
        )
        self._hand_said = ""
        self._live_feed.begin(live, self._source.name)
        self._so_far.begin()
        stage.handler.begin(live)
        stage.handler.ask_player(f"{settings.handed}-handed")
        self._tell_heard(live)
        self._screen = Screen(
            stage.out, live.analysis, settings.lead, settings.body_weight_n, self._duration_s
        )
        self._screen.__enter__()
        return live

    def _end(self, live: LiveSession, found: Analysis) -> None:
        if live.is_patched or self._is_owed():
            found = self._with_late(live, found)
        if isinstance(self._source, LiveSource):
            self._source.hand_over(live.session_id)
        self._stage.handler.end()
        self._live_feed.end(found)
        if self._screen is not None:
            self._screen.show_set_before(float("inf"))
        self._leave_screen()
        if live.end_reason == "stop":
            self._stage.say("Stopped. Everything up to here is kept.")
        self._show(live.session_id, found)

    def _is_owed(self) -> bool:
        """Whether an insole's log may hold what the session lacks."""
        links = self._source.links.values()
        return any(
            link.has_log and (link.catching_up_s > 0 or link.state is not ConnectionState.STREAMING)
            for link in links
        )

    def _with_late(self, live: LiveSession, found: Analysis) -> Analysis:
        """Make a session's results again with what came late, as a new revision.

        It takes seconds of a long session: where the insoles are listened to on, nothing waits.
        """
        if self._remake is not None and not self._is_closing:
            self._remake(live.session_id, live.is_patched)
            return found
        try:
            whole, _ = results.reanalyse(self._stage.store, live.session_id, with_said)
        except GatewayError as error:
            self._stage.say(f"what came late is kept, and not in the results yet: {error}")
            return found
        if live.is_patched and whole != found:
            self._stage.say("The results hold what came late from the insoles' logs, too.")
        return whole

    def _show(self, session_id: str, found: Analysis) -> None:
        """Print what a session came to, where it is kept and what can be done with it."""
        out, named = self._stage.out, self._stage.options.store
        session.show_summary(found, out)
        heading(out, "Kept")
        with contextlib.suppress(StoreError):  # what was recorded is shown all the same
            session.show_stop(said_of_session(self._stage.store, session_id, found.swings), out)
        item(out, "session", f"{session_id[:8]}, in {self._stage.store.path}")
        item(out, "sound", self._stage.sound.said)
        which = session_id[:8] if self._stage.options.pair else "last"  # another pair's may be that
        option = "" if named is None else f" --store {shlex.quote(str(named))}"
        for name, command in (
            ("all of it", f"show {which}"),
            ("as tables", f"export {which} --to FOLDER"),
            ("sessions", "sessions"),
        ):
            item_whole(out, name, f"plantigrade {command}{option}")

    def _leave_screen(self) -> None:
        if self._screen is not None:
            self._screen.__exit__(None, None, None)
            self._screen = None
