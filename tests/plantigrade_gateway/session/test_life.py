"""One life for every source: what it does when told to stop, refused, cancelled or left hanging."""

import asyncio
import io
import sys
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from datetime import UTC, datetime
from types import SimpleNamespace, TracebackType
from typing import Any, Self, cast
from unittest.mock import Mock

import pytest
from rich.console import Console
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway import words
from plantigrade_gateway.errors import BluetoothError, InputError, RecordingError, StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.record.tables import CueState
from plantigrade_gateway.session import runner
from plantigrade_gateway.session.checkpeople import CheckPeople
from plantigrade_gateway.session.commands import CommandHandler
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.insoles import opened_radio
from plantigrade_gateway.session.runner import live
from plantigrade_gateway.session.sessions import HAND_EVERY_NS, Sessions
from plantigrade_gateway.session.stage import RunOptions, Stage
from plantigrade_gateway.session.visit import SessionManager, WholeRecording
from plantigrade_gateway.sound.output import Silence, Sound
from plantigrade_gateway.sources.inbox import Inbox
from plantigrade_gateway.sources.reconnect import LinkInfo
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.status import ServiceStatus
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole


class Kept:
    """Stands for a page that stays."""

    url = "http://127.0.0.1:1/"
    viewers = sounding = 0
    dropped = 0

    def send(self, message: object) -> None:
        pass


class Given:
    """A source that gives what a test hands it."""

    def __init__(self, *, is_live: bool = True, hangs: bool = False) -> None:
        self.name = "test"
        self.is_live = is_live
        self.links: Mapping[Foot, LinkInfo] = {}
        self.inbox = Inbox()
        self.error: Exception | None = None
        self.opened = 0
        self._hangs = hangs

    async def __aenter__(self) -> Self:
        self.opened += 1
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.opened -= 1

    async def __aiter__(self) -> AsyncIterator[Batch]:
        while (entries := await self.inbox.take()) is not None:
            yield Batch.of(entries)
        if self.error is not None:
            raise self.error
        self.inbox = Inbox()

    async def stop(self) -> None:
        if not self._hangs:
            self.inbox.close()


class At:
    """A life at work on a source; what the insoles would send is taken from the demo."""

    def __init__(
        self,
        store: Store,
        source: Given,
        *,
        stays: bool = False,
        remake: Callable[[str, bool], None] | None = None,
        player_id: str | None = None,
        settings: SessionSettings | None = None,
    ) -> None:
        self.shown = io.StringIO()
        self.store, self.source = store, source
        self.stop = asyncio.Event()
        self.now_ns = 0
        self.stage = stage = Stage(
            Console(file=self.shown, width=200), store, RunOptions(player_id=player_id)
        )
        stage.sound, stage.voice, stage.page = Sound(Silence(), "Sound is off."), None, None
        stage.live_feed = LiveFeed(None, stage.sound, stage.drilling.shelf)
        stage.handler = CommandHandler(stage.live_feed, stage.sound, stage.drilling)
        settings = settings or SessionSettings()
        self.work = Sessions(
            stage,
            source,
            settings,
            (lambda begin, end: SessionManager(settings, begin, end))
            if source.is_live
            else WholeRecording,
            stays=stays,
            now_ns=lambda: self.now_ns,
            remake=remake,
        )
        self.task = asyncio.create_task(self._live(), name="life")
        self._entries = iter(
            [e for e in next(read_replay(demo_file())) if e.kind is Kind.NOTIFICATION]
        )

    @property
    def text(self) -> str:
        """What was shown, without line breaks."""
        return " ".join(self.shown.getvalue().split())

    async def _live(self) -> None:
        with self.work:
            await live(self.source, self.work, self.stop)

    async def hear(self, n: int = 50) -> None:
        for _ in range(n):
            entry = next(self._entries)
            self.now_ns = entry.arrival_ns
            self.source.inbox.put(entry)
        async with asyncio.timeout(HANG_S):
            while self.source.inbox._entries:
                await asyncio.sleep(0.01)

    async def order(self, kind: str, **fields: Any) -> None:
        self.stage.queue_command({"type": kind, **fields})
        await asyncio.sleep(0)  # one turn of the loop, in which it is obeyed

    async def end(self) -> None:
        self.stop.set()
        async with asyncio.timeout(HANG_S):
            await self.task

    def states(self) -> list[tuple[str, str | None]]:
        return [(s.state, s.end_reason) for s in self.store.sessions()]

    def entries(self) -> list[list[Entry]]:
        return [
            [e for batch in self.store.batches(s.session_id) for e in batch]
            for s in self.store.sessions()
        ]


def refuse(self: Recorder, *given: Any, **named: Any) -> None:
    CLOSE(self, *given, **named)
    raise StoreError("the disk is full; the last 5 entries are lost")


CLOSE = Recorder.close


class Sounding:
    """Stands for an open page that can sound."""

    viewers, sounding, dropped = 1, 0, 0

    def send(self, message: object) -> None:
        pass


class Telling(Sounding):
    """Stands for an open page, and keeps what it is told."""

    def __init__(self, told: list[dict[str, Any]]) -> None:
        self._told = told

    def send(self, message: dict[str, Any]) -> None:  # type: ignore[override]
        self._told.append(message)


@pytest.mark.parametrize("is_live", [True, False])
async def test_the_record_says_when_cues_could_be_heard(store, is_live):
    """Of insoles; a recording keeps what it says itself."""
    at, page = At(store, Given(is_live=is_live)), Sounding()
    at.stage.live_feed._page = page  # type: ignore[assignment]
    await at.hear()
    page.sounding = 2
    await at.hear()
    page.sounding = 1  # another page still sounds
    await at.hear()
    page.sounding = 0
    for wanted in ({"type": "set", "intent": "full", "club": None}, {"type": "set_end"}):
        at.stage.queue_command(wanted)  # before anything else comes
        await at.hear()
    page.sounding = 1
    at.stage.queue_command({"type": "drill", "name": None, "feedback": "silent"})
    await at.hear()
    at.stage.queue_command({"type": "drill", "name": "push", "feedback": None})
    await at.hear()
    await at.end()
    (entries,) = at.entries()
    cues = [CueState.from_json(e.data) for e in entries if e.kind is Kind.CUES]
    loud, none = CueState(True, None), CueState(False, None)
    expected = [none, loud, none, loud, none, CueState(True, "push")]
    assert cues == (expected if is_live else [])
    (session,) = store.sessions()
    (run,) = results.read(store, session.session_id).sets
    assert run.is_silent is (True if is_live else None)


async def test_a_stop_that_the_store_refuses_is_said_and_holds(store, monkeypatch):
    at = At(store, Given())
    await at.hear()
    monkeypatch.setattr(Recorder, "close", refuse)
    await at.order("stop")
    assert "the last 5 entries are lost" in at.shown.getvalue()
    monkeypatch.setattr(Recorder, "close", CLOSE)
    await at.hear()
    assert not at.task.done() and len(store.sessions()) == 1
    await at.order("record")
    await at.end()
    assert at.states() == [("ended", "stop")] * 2


async def test_record_tells_the_page_what_the_seconds_before_it_came_to(store):
    """The invented player stands, and Record is pressed; no entry comes after it."""
    at = At(store, Given())
    told: list[dict[str, Any]] = []
    at.stage.live_feed._page = Telling(told)  # type: ignore[assignment]
    await at.order("stop")
    await at.order("drill", name="push", feedback=None)
    await at.hear(400)
    assert not [one for one in told if one["type"] == "drill" and one["name"]]
    await at.order("record")
    drills = [one["name"] for one in told if one["type"] == "drill"]
    assert drills[-1] == "push"
    await at.end()


@pytest.mark.parametrize("feedback", ["every", "other", "ask", "silent"])
async def test_without_a_drill_every_push_is_told_or_none_and_the_page_says_which(store, feedback):
    at = At(store, Given())
    told: list[dict[str, Any]] = []
    at.stage.live_feed._page = Telling(told)  # type: ignore[assignment]
    await at.hear()
    await at.order("drill", name=None, feedback=feedback)
    shown = [one["feedback"] for one in told if one["type"] == "drill"][-1]
    assert shown == ("silent" if feedback == "silent" else "every")
    await at.end()


async def test_what_came_late_is_worked_on_behind_the_next_session_and_at_once_at_the_end(
    store, monkeypatch
):
    """Analysing a long session takes seconds, in which the insoles go on."""
    behind: list[tuple[str, bool]] = []
    at_once: list[str] = []
    reanalyse = results.reanalyse

    def spied(store: Store, session_id: str, *given: Any) -> Any:
        at_once.append(session_id)
        return reanalyse(store, session_id, *given)

    monkeypatch.setattr(results, "reanalyse", spied)
    at = At(store, Given(), remake=lambda *one: behind.append(one))

    def page() -> Entry:
        return Entry(at.now_ns, 0, Kind.LOG, b"what came late")

    for _ in range(2):
        await at.hear()
        at.source.inbox.put(page())
        await at.hear()
        await at.order("stop")
        await at.order("record")
    await at.hear()
    await at.order("stop")
    assert not at_once
    await at.order("record")
    await at.hear()
    at.source.inbox.put(page())
    await at.hear()
    await at.end()
    last, untouched, second, first = (session.session_id for session in store.sessions())
    assert behind == [(first, True), (second, True)]
    assert at_once == [last]
    assert untouched not in at_once


async def test_what_a_session_came_to_says_that_it_was_stopped_for_pain(store):
    """Who sits at the terminal saw only that the drill ended."""
    at = At(store, Given())
    at.stage.handler._people = CheckPeople(store)
    await at.hear()
    await at.order("check", do="pain")
    await at.end()
    assert "  stopped         pain, by the player\n" in at.shown.getvalue()
    again = At(store, Given())
    await again.hear()
    await again.end()
    assert "  stopped " not in again.shown.getvalue()


async def test_an_end_that_the_store_refuses_is_an_error(store, monkeypatch):
    at = At(store, Given())
    await at.hear()
    monkeypatch.setattr(Recorder, "close", refuse)
    with pytest.raises(RecordingError, match="the last 5 entries are lost"):
        await at.end()
    assert at.source.opened == 0


async def test_work_that_is_cancelled_ends_its_session(store):
    at = At(store, Given())
    await at.hear()
    at.task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await at.task
    assert at.states() == [("ended", "stop")] and at.source.opened == 0


async def test_what_a_page_asks_for_after_the_end_begins_nothing(store):
    at = At(store, Given())
    await at.hear()
    await at.order("stop")
    await at.hear()
    await at.end()
    await at.order("record")
    assert at.states() == [("ended", "stop")]


async def test_a_source_that_fails_ends_the_session_as_an_error_and_is_told(store):
    at = At(store, Given())
    await at.hear()
    at.source.error = ConnectionError("the radio is gone")
    at.source.inbox.close()
    with pytest.raises(ConnectionError, match="the radio is gone"):
        await at.task
    assert at.states() == [("ended", "error")] and at.source.opened == 0


async def test_a_source_that_hangs_when_it_is_stopped_is_left_in_time(store, monkeypatch):
    monkeypatch.setattr(runner, "STOP_LIMIT_S", 0.05)
    at = At(store, Given(hangs=True))
    await at.hear()
    await at.end()
    assert at.states() == [("ended", "stop")]
    assert len(at.entries()[0]) == 53  # settings, whether cues are heard, what came, the end


async def test_what_is_on_its_way_when_it_is_stopped_still_comes(store):
    at = At(store, Given())
    await at.hear()
    at.stop.set()
    for entry in list(at._entries)[:7]:
        at.source.inbox.put(entry)
    await at.end()
    assert len(at.entries()[0]) == 60  # and whether cues are heard


async def test_a_tick_that_fails_ends_it_and_is_told(store, monkeypatch):
    async def fail(self: Sessions) -> None:
        raise ValueError("a fault of the program")

    monkeypatch.setattr(Sessions, "tick", fail)
    at = At(store, Given())
    with pytest.raises(ValueError, match="a fault of the program"):
        await at.task
    assert at.source.opened == 0


@pytest.mark.parametrize("is_live", [True, False])
async def test_a_recording_leaves_the_status_of_a_running_gateway_alone(store, is_live):
    path = linkstatus.path_for(store.path)
    gateway = ServiceStatus(datetime.now(UTC), True, "of the insoles", {}, None)
    linkstatus.write(path, gateway)
    at = At(store, Given(is_live=is_live))
    await at.hear()
    await at.work.tick()
    assert (linkstatus.read(path) == gateway) is not is_live
    await at.end()


async def test_without_a_transport_the_radio_is_the_systems():
    async with opened_radio(None) as radio:
        assert (radio.scanner, radio.client) == (None, None)


async def test_what_arrives_waits_for_no_other_thread_s_turn_while_a_source_is_open(tmp_path):
    """Half a millisecond in place of Python's five (its documentation); as before afterwards."""
    seen: list[float] = []

    class Refused:
        @asynccontextmanager
        async def opened(self, store: Store, say: Callable[[str], None]) -> AsyncIterator[Inbox]:
            seen.append(sys.getswitchinterval())
            raise InputError("no insole is remembered")
            yield

    before = sys.getswitchinterval()
    options = RunOptions(sound=None, store=tmp_path / "store.sqlite3")
    out = Console(file=io.StringIO())
    with pytest.raises(InputError, match="no insole is remembered"):
        await runner.run(cast(Any, Refused()), options, out, asyncio.Event())
    assert seen == pytest.approx([0.0005])
    assert sys.getswitchinterval() == before


class Silent:
    """A job whose source gives nothing until it is told to stop."""

    def __init__(self) -> None:
        self.inbox = Inbox()
        self.closed: list[str] = []
        self.is_done = False

    @asynccontextmanager
    async def opened(self, store: Store, say: Callable[[str], None]) -> AsyncIterator["Silent"]:
        say("opened")
        yield self

    @contextmanager
    def work(self, stage: Stage) -> Iterator["Silent"]:
        stage.say("at work")
        yield self

    def intro(self) -> list[str]:
        return ["who is measured"]

    def greeting(self) -> list[str]:
        return ["how it is stopped"]

    async def __aenter__(self) -> "Silent":
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def stop(self) -> None:
        self.closed.append("asked")
        self.stopped.set()

    async def __aiter__(self) -> AsyncIterator[Batch]:
        self.stopped = asyncio.Event()
        await self.stopped.wait()
        return
        yield

    async def tick(self) -> None:
        pass

    def close(self, reason: str) -> None:
        self.closed.append(reason)


async def test_a_run_says_who_is_measured_the_cautions_and_how_it_is_stopped(tmp_path):
    """It stops by itself after so long; where the stop came before, nothing is begun."""
    job, out = Silent(), io.StringIO()
    options = RunOptions(sound=None, store=tmp_path / "store.sqlite3")
    stop = asyncio.Event()
    await runner.run(cast(Any, job), options, Console(file=out, width=1000), stop, 0.05)
    said = out.getvalue().split("\n")
    assert said[:2] == ["opened", "who is measured"]
    assert said[2:-4] == [*words.CAUTIONS, ""]
    assert said[-4:] == ["at work", "how it is stopped", "", ""]
    assert stop.is_set() and job.closed == ["asked", "stop"]


async def test_an_adapter_is_chosen_on_linux_alone(monkeypatch):
    monkeypatch.setattr(sys, "platform", "linux")
    async with opened_radio("hci1") as radio:
        assert (radio.scanner, radio.client, radio.adapter) == (None, None, "hci1")
    monkeypatch.setattr(sys, "platform", "darwin")
    with pytest.raises(BluetoothError, match="radio hci1: adapters can be chosen on Linux only"):
        async with opened_radio("hci1"):
            pass


async def test_a_recording_runs_again_when_a_page_asks_and_its_drill_stays(store):
    at = At(store, Given(is_live=False), stays=True)
    at.stage.page = Kept()  # type: ignore[assignment]
    await at.hear()
    at.source.inbox.close()
    async with asyncio.timeout(HANG_S):
        while "The page stays at" not in at.shown.getvalue():
            await asyncio.sleep(0.01)
    for kind in ("stop", "mark"):
        at.stage.queue_command({"type": kind, "text": "x"})
    at.stage.queue_command({"type": "drill", "name": "stay", "feedback": None})
    await at.order("record")
    async with asyncio.timeout(HANG_S):
        while len(store.sessions()) < 2:
            await at.hear(10)
            await asyncio.sleep(0.01)
    assert at.work._manager.live is not None
    score = at.work._manager.live.score
    assert score is not None and score.name == "stay"
    await at.end()
    assert sorted(at.states()) == [("ended", "end"), ("ended", "stop")]


async def test_a_stop_on_the_page_ends_a_recording(store):
    at = At(store, Given(is_live=False))
    await at.hear()
    await at.order("stop")
    await at.hear(1)
    async with asyncio.timeout(HANG_S):
        await at.task
    assert at.states() == [("ended", "stop")]
    assert "Stopped. Everything up to here is kept." in at.shown.getvalue()


async def test_the_status_says_that_it_runs_and_that_it_has_ended(store):
    at = At(store, Given())
    await at.hear(80)
    await at.work.tick()
    status = linkstatus.read(linkstatus.path_for(store.path))
    assert status is not None and status.is_live
    assert {f: (link.packets, link.lost_packets) for f, link in status.feet.items()} == {
        "left": (40, 0),
        "right": (40, 0),
    }
    await at.end()
    status = linkstatus.read(linkstatus.path_for(store.path))
    assert status is not None and not status.running


async def test_each_session_ends_what_goes_on_in_it(store, monkeypatch):
    """A check or a block is of its session: the next one begins without it."""
    at = At(store, Given())
    ended: list[int] = []
    end = at.stage.handler.end

    def noted() -> None:
        ended.append(len(store.sessions()))
        end()

    monkeypatch.setattr(at.stage.handler, "end", noted)
    with Register(store) as register:
        ada = register.add(name="Ada", handedness="right", mass_kg=60.0)
    await at.hear()
    assert ended == []
    await at.order("player", id=ada)
    await at.hear()
    assert ended == [1]
    await at.end()
    assert ended == [1, 2]


async def test_a_press_ends_the_session_and_begins_the_next_players(store):
    with Register(store) as register:
        ada = register.add(name="Ada", handedness="right", mass_kg=60.0)
        bo = register.add(name="Bo", handedness="left", mass_kg=90.0)
    at = At(store, Given())
    asked: list[str] = []
    at.stage.handler.ask_player = asked.append  # a virtual player, who swings as it is read
    await at.hear()
    await at.order("player", id=ada)
    await at.order("player", id=ada)  # pressed twice: nothing ends
    await at.hear()
    await at.order("player", id=bo)
    await at.hear()
    await at.order("player", id=None)
    await at.hear()
    await at.end()
    sessions = store.sessions()[::-1]
    assert [one.player_id for one in sessions] == [None, ada, bo, None]
    records = at.entries()[::-1]
    heads = [SessionSettings.from_json(entries[0].data) for entries in records]
    assert [(one.handed, one.mass_kg) for one in heads] == [
        ("right", None),
        ("right", 60.0),
        ("left", 90.0),
        ("left", None),  # of nobody's hand nothing is known: as it was
    ]
    assert asked == [f"{one.handed}-handed" for one in heads]
    heard = [[e for e in one if e.kind is Kind.NOTIFICATION] for one in records]
    # A packet that was sampled before a press, all or in part, is of neither session.
    assert {len(one) for one in heard} <= {49, 50}
    seen = [(e.insole, e.data) for one in heard for e in one]
    assert len(seen) == len(set(seen)), "each entry is in one session"
    assert "Ada" not in at.shown.getvalue() and "Bo" not in at.shown.getvalue()


async def test_a_hand_and_a_mass_put_right_count_from_the_next_session(store):
    """The coach corrects the register while a session is recorded, stops it and records again."""
    with Register(store) as register:
        who = register.add(name="Invented", handedness="left", mass_kg=70.0)
        settings = SessionSettings(mass_kg=70.0, handed="left")
        at = At(store, Given(), player_id=who, settings=settings)
        await at.hear()
        register.edit(who, handedness="right", mass_kg=82.0)
        await at.hear()
        await at.order("stop")
        await at.order("record")
        await at.hear()
        await at.end()
    of_each = [
        [SessionSettings.from_json(e.data) for e in entries if e.kind is Kind.SETTINGS]
        for entries in reversed(at.entries())  # they come the latest first
    ]
    told = [(one.handed, one.mass_kg) for said in of_each for one in said]
    assert told == [("left", 70.0), ("right", 82.0)]


class Heard(Kept):
    """Stands for a page: keeps what it is told."""

    def __init__(self) -> None:
        self.told: list[dict[str, Any]] = []

    def send(self, message: Any) -> None:
        self.told.append(message)

    @property
    def hand(self) -> str | None:
        hand: str | None = [one["hand"] for one in self.told if one["type"] == "hello"][-1]
        return hand


async def looked(at: At, page: Heard) -> str | None:
    """Look once more whether the hand was put right; return what the page says of it then."""
    at.now_ns += HAND_EVERY_NS
    await at.work.tick()
    return page.hand


async def test_a_hand_put_right_in_a_session_is_said_until_it_ends(store):
    """The session goes on by the hand it began with: who looks must know what to do."""
    said = words.hand_changed("left", "right")
    with Register(store) as register:
        who = register.add(name="Invented", handedness="left")
        at = At(store, Given(), player_id=who, settings=SessionSettings(handed="left"))
        page = at.stage.live_feed._page = Heard()  # type: ignore[assignment]
        await at.hear()
        assert await looked(at, page) is None
        register.edit(who, shoe="another one")
        assert await looked(at, page) is None
        register.edit(who, handedness="right")
        await at.work.tick()
        assert page.hand is None  # every 5 s is often enough
        assert await looked(at, page) == said
        await looked(at, page)
        assert at.text.count(said) == 1
        register.edit(who, handedness="left")  # it was no slip after all
        assert await looked(at, page) is None
        register.edit(who, handedness="right")
        assert await looked(at, page) == said
        await at.order("stop")
        assert page.hand is None
        assert await looked(at, page) is None  # there is nothing to look at
        await at.order("record")
        await at.hear()
        assert await looked(at, page) is None  # of the new session it is the right one
        await at.end()
    assert at.text.count(said) == 2


async def test_what_was_said_of_a_hand_stands_while_the_register_cannot_be_read(store, monkeypatch):
    with Register(store) as register:
        who = register.add(name="Invented", handedness="left")
        at = At(store, Given(), player_id=who, settings=SessionSettings(handed="left"))
        page = at.stage.live_feed._page = Heard()  # type: ignore[assignment]
        await at.hear()
        register.edit(who, handedness="right")
        said = await looked(at, page)
        assert said is not None
        with monkeypatch.context() as patch:
            patch.setattr(Register, "profile", Mock(side_effect=StoreError("away")))
            assert await looked(at, page) == said
        register.edit(who, handedness="left")
        assert await looked(at, page) is None
        await at.end()


async def test_a_hand_that_a_command_gave_already_is_not_said_to_be_the_old_one(store):
    with Register(store) as register:
        who = register.add(name="Invented", handedness="left")
        at = At(store, Given(), player_id=who, settings=SessionSettings(handed="right"))
        page = at.stage.live_feed._page = Heard()  # type: ignore[assignment]
        await at.hear()
        register.edit(who, handedness="right")
        assert await looked(at, page) is None
        await at.end()


async def test_what_a_command_gave_in_place_of_the_register_stands(store):
    with Register(store) as register:
        who = register.add(name="Invented", handedness="left", mass_kg=70.0)
        at = At(store, Given(), player_id=who, settings=SessionSettings(mass_kg=75.0))
        await at.hear()
        register.edit(who, shoe="another one")
        await at.order("stop")
        await at.order("record")
        await at.hear()
        await at.end()
    said = [e for entries in at.entries() for e in entries if e.kind is Kind.SETTINGS]
    told = [SessionSettings.from_json(e.data) for e in said]
    assert [(one.handed, one.mass_kg) for one in told] == [("right", 75.0)] * 2


async def test_a_player_who_is_not_there_ends_nothing(store):
    at = At(store, Given())
    await at.hear()
    await at.order("player", id="00ff")
    await at.hear()
    await at.end()
    (session,) = store.sessions()
    heard = [e for e in at.entries()[0] if e.kind is Kind.NOTIFICATION]
    assert session.player_id is None and len(heard) == 100


async def test_a_recording_stays_one_session_whoever_is_chosen(store):
    with Register(store) as register:
        ada = register.add(name="Ada", handedness="right")
    at = At(store, Given(is_live=False))
    await at.hear()
    await at.order("player", id=ada)
    await at.hear()
    at.source.inbox.close()
    await at.end()
    assert [one.player_id for one in store.sessions()] == [None]


async def test_the_insoles_of_a_live_source_can_be_calibrated_in_a_session(store):
    """Those of a recording cannot; and without a mass it is said what is missing."""
    source = Given()
    pair = [KnownInsole(k, foot, "v", f"C0:00:00:00:00:0{k}", 270) for k, foot in enumerate(Foot)]
    source.links = {insole.foot: LinkInfo(insole) for insole in pair}
    life, other = At(store, source), At(store, Given(is_live=False))
    await life.hear()
    live = life.work._manager.live
    calibrating = life.stage.handler.calibrating
    assert live is not None and calibrating is not None
    with pytest.raises(InputError, match="player's mass"):
        calibrating(live)
    assert other.stage.handler.calibrating is None
    await life.end()
    await other.end()


async def test_a_page_that_stays_waits_until_it_wants_more_or_all_is_to_stop():
    said: list[str] = []
    page = SimpleNamespace(url="http://127.0.0.1:9/")
    stage = SimpleNamespace(page=page, say=said.append)
    for wants in (True, False):
        work = cast(Any, object.__new__(Sessions))
        work._stays, work._stage, work._again = True, stage, asyncio.Event()
        stop = asyncio.Event()
        work._again.set()  # of before: it does not count
        waits = asyncio.create_task(work.wants_more(stop))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert not waits.done()
        (work._again if wants else stop).set()
        assert await waits is wants
    assert said == ["The page stays at http://127.0.0.1:9/ until Ctrl-C."] * 2
