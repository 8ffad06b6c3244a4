"""What a page asks for: done in the session, written into its record, told to all who look."""

import asyncio
import json
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from tests.support.live_schema import live_messages
from tests.support.records import step, swing
from tests.support.waiting import HANG_S

from plantigrade.block import Foot, PressureBlock
from plantigrade.events import Event, Phase, PhaseKind
from plantigrade_gateway.analysis.practice import read_entry
from plantigrade_gateway.analysis.result import Mark
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.files import Drilling, shelf
from plantigrade_gateway.forward.launch import LiveSummary
from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.record.heard import ToldStrike
from plantigrade_gateway.record.tables import SetStart
from plantigrade_gateway.session.commands import CommandHandler
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.sound.output import Silence, Sound
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.status import ServiceStatus
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door.access import Rights
from plantigrade_gateway.web.live.audience import Audience
from plantigrade_gateway.wire.stream import StreamEvent, StreamEventKind


class Told:
    """Stands for the pages: keeps what they are told."""

    viewers = 1
    sounding = 0
    dropped = 0

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []

    def send(self, message):
        self.messages.append(message)

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [m for m in self.messages if m["type"] == kind]


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def handler(told) -> CommandHandler:
    drilling, sound = Drilling(shelf(None)), Sound(Silence(), "Sound is off.")
    return CommandHandler(LiveFeed(told, sound, drilling.shelf), sound, drilling)


@pytest.fixture
def live(store, handler) -> LiveSession:
    live = LiveSession(store, "test", Silence(), print, tap=handler.live_feed.tap)
    live.push(next(read_replay(demo_file())).slice(0, 400))
    return live


def marks(store: Store, live: LiveSession) -> list[str]:
    live.close()
    entries = [entry for batch in store.batches(live.session_id) for entry in batch]
    return [entry.data.decode() for entry in entries if entry.kind is Kind.MARK][2:]


def drills(store: Store, live: LiveSession) -> list[str | None]:
    live.close()
    entries = [entry for batch in store.batches(live.session_id) for entry in batch]
    chosen = [read_entry(entry.data).drill for entry in entries if entry.kind is Kind.DRILL]
    return [None if drill is None else drill.name for drill in chosen]


def until(holds: Callable[[], object]) -> None:
    end_s = time.monotonic() + HANG_S
    while not holds():
        assert time.monotonic() < end_s, "it does not come to hold"
        time.sleep(0.01)


def test_the_pages_are_told_which_drills_there_are(handler, told):
    (hello,) = told.of("hello")
    assert [d["name"] for d in hello["drills"]] == list(shelf(None).drills)
    assert all(d["title"] and d["goal"] for d in hello["drills"])


def test_a_mark_is_in_the_record_at_this_instant(handler, live, store, told):
    now_s = live.analysis.now_s
    handler.handle({"type": "mark", "text": "  new grip "}, live)
    assert live.analysis.marks[-1].text == "new grip"
    assert live.analysis.marks[-1].t_s == now_s
    last = told.of("said")[-1]
    assert (last["text"], last["to"]) == ("Marked: new grip", "coach")
    assert marks(store, live) == ["new grip"]


def test_a_mark_strike_tells_of_a_strike_a_reaction_before_it(handler, live, store):
    """Some 0.2 s of reaction and the way here: 0.25 s, known to 0.2 s (common practice)."""
    handler.handle({"type": "mark", "text": "strikes well"}, live)
    handler.handle({"type": "mark", "text": " Strike "}, live)
    assert marks(store, live) == ["strikes well", "Strike"]
    entries = [entry for batch in store.batches(live.session_id) for entry in batch]
    told = [ToldStrike.from_json(entry.data) for entry in entries if entry.kind is Kind.STRIKE]
    assert told == [ToldStrike(250_000_000, 0.2, "mark")]


def test_a_set_is_begun_and_ended_in_the_record_and_told(handler, live, store, told):
    now_s = live.analysis.now_s
    handler.handle({"type": "set", "intent": "full", "club": "7 iron"}, live)
    handler.handle({"type": "set", "intent": "fast", "club": None}, live)
    handler.handle({"type": "set_end"}, live)
    assert told.of("set")[-3:] == [
        {"type": "set", "name": "full, 7 iron", "n": 1, "t_s": now_s},
        {"type": "set", "name": "fast", "n": 2, "t_s": now_s},
        {"type": "set", "name": None},
    ]
    for message in told.of("set"):
        live_messages().validate(message)
    live.close()
    entries = [entry for batch in store.batches(live.session_id) for entry in batch]
    begun = [SetStart.from_json(e.data) for e in entries if e.kind is Kind.SET]
    assert [(one.intent, one.club) for one in begun] == [("full", "7 iron"), ("fast", None)]
    assert sum(entry.kind is Kind.SET_END for entry in entries) == 1


def test_a_set_that_is_pressed_twice_is_one_and_one_begun_again_later_another(handler, store, told):
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    zero_ns = entries[0].arrival_ns
    live = LiveSession(store, "test", Silence(), print, tap=handler.live_feed.tap)
    smooth = {"type": "set", "intent": "smooth", "club": "7 iron"}
    last_ns = -1
    for upto_s, messages in (
        (3.0, [smooth, smooth]),  # a double press comes as two messages
        (3.5, [smooth, {**smooth, "club": None}]),  # another club is another set
        (5.7, [{**smooth, "club": None}]),
        (6.2, [{"type": "set_end"}, {**smooth, "club": None}]),
    ):
        upto_ns = zero_ns + round(1e9 * upto_s)
        live.push(Batch.of([e for e in entries if last_ns < e.arrival_ns <= upto_ns]))
        last_ns = upto_ns
        for message in messages:
            handler.handle(message, live)
    live.close()
    kept = [entry for batch in store.batches(live.session_id) for entry in batch]
    begun = [SetStart.from_json(e.data).club for e in kept if e.kind is Kind.SET]
    assert begun == ["7 iron", None, None, None]
    assert [m["n"] for m in told.of("set") if m["name"]] == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("intent", "club", "said"),
    [("hard", None, "expected one of smooth, full, fast"), ("full", "x" * 41, "at most 40")],
)
def test_a_set_that_is_none_is_refused_in_a_sentence(
    handler, live, store, told, intent, club, said
):
    handler.handle({"type": "set", "intent": intent, "club": club}, live)
    assert said in told.of("said")[-1]["text"]
    live.close()
    kinds = {entry.kind for batch in store.batches(live.session_id) for entry in batch}
    assert Kind.SET not in kinds


def test_a_drill_is_chosen_changed_and_ended(handler, live, store, told):
    handler.handle({"type": "drill", "name": "push", "feedback": "other"}, live)
    assert told.of("drill")[-1]["name"] == "push"
    assert told.of("drill")[-1]["feedback"] == "other"
    handler.handle({"type": "drill", "name": "stay", "feedback": None}, live)
    handler.handle({"type": "drill", "name": None, "feedback": "every"}, live)
    assert told.of("drill")[-1]["name"] is None
    assert drills(store, live) == ["push", "stay", None]


def test_the_chosen_drill_goes_on_in_the_next_session(handler, live, store):
    handler.handle({"type": "drill", "name": "balance", "feedback": "silent"}, live)
    live.close()
    following = LiveSession(store, "test", Silence(), print)
    handler.begin(following)
    following.push(next(read_replay(demo_file())).slice(0, 10))
    assert following.score is not None
    assert (following.score.name, following.score.feedback) == ("balance", "silent")
    following.close()


@pytest.mark.parametrize(
    ("message", "said"),
    [
        ({"type": "drill", "name": "psuh", "feedback": None}, "perhaps push"),
        ({"type": "drill", "name": "push", "feedback": "never"}, "expected one of every, other"),
    ],
)
def test_what_cannot_be_chosen_is_said_and_changes_nothing(
    handler, live, store, told, message, said
):
    handler.handle(message, live)
    assert said in told.of("said")[-1]["text"]
    assert drills(store, live) == []


def test_without_a_session_a_mark_is_refused_and_a_drill_waits_for_one(handler, store, told):
    handler.handle({"type": "mark", "text": "x"}, None)
    assert told.of("said")[-1]["text"] == "mark: no session is under way."
    handler.handle({"type": "drill", "name": "push", "feedback": None}, None)
    live = LiveSession(store, "test", Silence(), print)
    handler.begin(live)
    live.push(Batch.of(list(next(read_replay(demo_file())).slice(0, 10))))
    assert live.score is not None and live.score.name == "push"
    live.close()


def test_choosing_the_sound_says_where_it_goes(handler, live, told):
    handler.handle({"type": "sound", "device": False}, live)
    until(lambda: told.of("sound"))
    assert told.of("sound")[-1]["device"] is False
    assert told.of("said")
    live.close()


class SlowSound(Sound):
    """A sound whose device takes a while to open; nothing is heard."""

    def __init__(self) -> None:
        super().__init__(Silence(), "Sound is off.")
        self.chosen: list[bool] = []
        self.go_on = threading.Event()

    def choose(self, device: bool) -> str:
        self.go_on.wait(HANG_S)
        self.chosen.append(device)
        return f"device {device}"


def test_of_several_presses_the_last_one_holds(told):
    drilling, sound = Drilling(shelf(None)), SlowSound()
    handler = CommandHandler(LiveFeed(told, sound, drilling.shelf), sound, drilling)
    for device in (True, False, True, False, False, True):
        handler.handle({"type": "sound", "device": device}, None)
    sound.go_on.set()
    until(lambda: len(told.of("sound")) == 6)
    assert sound.chosen[1:] == [True] * 5


def test_a_closed_sound_opens_no_device(monkeypatch):
    def opened(*_: object) -> None:
        raise AssertionError("a device was opened")

    monkeypatch.setattr("plantigrade_gateway.sound.device._open", opened)
    sound = Sound(Silence(), "Sound is off.")
    sound.close()
    assert sound.choose(True) == "Sound is off."


@pytest.mark.parametrize(
    ("kind", "value", "said"),
    [
        (StreamEventKind.RESTART, 0, ["left: the insole started again"]),
        (StreamEventKind.BATTERY, 1, ["left: battery low"]),
        (StreamEventKind.BATTERY, 0, []),
        (StreamEventKind.GAP, 0, []),  # counted, and not said each time
    ],
)
def test_what_happens_in_a_stream_is_said_with_its_foot(handler, live, told, kind, value, said):
    before = len(told.of("said"))
    fact = StreamEvent(kind, 0, 0, 0, value=value)
    handler.live_feed.show(StepResult(Output(facts=[fact])), live.analysis.pipeline)
    warned = told.of("said")[before:]
    assert [m["text"] for m in warned] == said
    assert all(m["level"] == "warn" for m in warned)
    live.close()


def test_a_phase_is_told_in_words(handler, live, told):
    phases: list[Event] = [
        Phase(PhaseKind.BACKSWING, 1.5, 1.6),
        Phase(PhaseKind.CANCELLED, 1.5, 1.9),
    ]
    handler.live_feed.show(StepResult(Output(events=phases)), live.analysis.pipeline)
    assert [(m["kind"], m["t_s"], m["words"]) for m in told.of("phase")] == [
        ("backswing", 1.5, "backswing"),
        ("cancelled", 1.5, "no swing after all"),
    ]
    live.close()


class Far(LiveSummary):
    """Stands for the live summary: keeps of which session it was told."""

    def __init__(self) -> None:
        self.sessions: list[str] = []

    def show(self, net, settings, session):
        self.sessions.append(session)


def test_both_feet_are_told_of_before_either_was_heard(told):
    """A page that opens in the first second is greeted with the link, and draws two feet."""
    live_feed = LiveFeed(told, Sound(Silence(), "off"), shelf(None))
    live_feed.link(ServiceStatus(datetime.now(UTC), True, "ab", {}, None), None)
    (link,) = told.of("link")
    validator = live_messages()
    validator.validate(link)
    assert {foot: facts["state"] for foot, facts in link["feet"].items()} == {
        "left": "no insole",
        "right": "no insole",
    }
    audience = Audience()
    for message in told.messages:
        audience.take(json.dumps(message))
    greeting = asyncio.run(audience.join(Rights.COACH).next())
    assert greeting is not None
    validator.validate(json.loads(greeting))


def test_what_comes_after_a_session_is_not_told_as_of_it(store, told):
    far = Far()
    live_feed = LiveFeed(told, Sound(Silence(), "off"), shelf(None), far)
    live = LiveSession(store, "test", Silence(), print)
    live_feed.begin(live, "test")
    moment = live.push(next(read_replay(demo_file())).slice(0, 400))
    live_feed.show(moment, live.analysis.pipeline)
    assert far.sessions == [live.session_id]
    live.close()
    live_feed.end()
    live_feed.show(moment, live.analysis.pipeline)
    assert far.sessions == [live.session_id]


def test_a_session_counts_from_its_own_first_swing_step_and_set(store, told):
    live_feed = LiveFeed(told, Sound(Silence(), "off"), shelf(None))
    full = Mark(0.5, "set: full")
    moment = StepResult(Output(events=[swing(100), swing(900), step(1500)]), marks=[full])
    for _ in range(2):
        live = LiveSession(store, "test", Silence(), print)
        live_feed.begin(live, "test")
        live_feed.show(moment, live.analysis.pipeline)
        live.close()
        live_feed.end()
    assert [m["n"] for m in told.of("swing")] == [1, 2, 1, 2]
    assert [m["counts"]["swings"] for m in told.of("swing")] == [1, 2, 1, 2]
    assert [m["n"] for m in told.of("step")] == [1, 1]
    assert [m["n"] for m in told.of("set") if m["name"]] == [1, 1]


def test_of_a_foot_s_zones_the_latest_are_told_by_its_gain(told):
    """A page shows where the load is now; the gain makes it newtons of the player's."""
    live_feed = LiveFeed(told, Sound(Silence(), "off"), shelf(None))
    for k, foot in enumerate(Foot):
        pressure = np.arange(4 * 18, dtype=np.float64).reshape(4, 18) + k
        live_feed._moments.tap(PressureBlock(foot, 0.01 * np.arange(4.0), pressure), 1.5)
    for k, foot in enumerate(Foot):
        assert live_feed._moments._zones[foot].tolist() == [1.5 * (54 + z + k) for z in range(18)]


def test_a_session_that_is_closed_again_only_gives_its_results(store, told):
    live = LiveSession(store, "test", Silence(), print)
    live.push(next(read_replay(demo_file())).slice(0, 400))
    found = live.close("idle")
    assert found is not None and live.close() is found
    assert (store.session(live.session_id).end_reason, live.end_reason) == ("idle", "idle")
