"""A stop on pain, whatever goes on: it ends, no drill goes on, and its group alone is kept."""

from datetime import UTC, date, datetime
from typing import Any

import pytest
from tests.support.cases import calibrated
from tests.support.checkbay import GOOD, STOOD, CheckBay, Do, Told
from tests.support.fakelive import FakeLive
from tests.support.live_schema import live_messages

from plantigrade.block import Foot
from plantigrade.synth import Player, Stand
from plantigrade_gateway.check.speedblock import done_of
from plantigrade_gateway.check.steps import ADVICE, PAIN
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.checkpeople import CheckPeople
from plantigrade_gateway.session.livecalibration import LiveCalibration
from plantigrade_gateway.session.painstop import PainStop
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

PAIR = [KnownInsole(k, foot, "v", f"C0:00:00:00:00:0{k}", 270) for k, foot in enumerate(Foot, 1)]
BACK = ["take back", "end"]
DRILLS = ("push", "balance", "walk_through")  # judged by swings, rows and steps
SWUNG = (Stand(4.0), GOOD, Stand(3.0), GOOD, Stand(3.0))


def bay_of(store: Store, *script: Do) -> CheckBay:
    with Register(store) as register:
        who = register.add(name="Invented", handedness="right")
        register.decide(who, "speed", "go", date.today())
    said = calibrated(datetime.now(UTC))
    do = script or (Do("start"),)
    bay = CheckBay(store, Told(), Player(), do, player_id=who, calibrated=said)
    bay.live.flush()
    bay.handler.calibrating = lambda live: LiveCalibration(
        store, PAIR, SessionSettings(mass_kg=80.0), live, lambda _: None
    )
    return bay


def kept_of(bay: CheckBay) -> list[Any]:
    """Return all that people's log holds of the session."""
    with Register(bay.store) as register:
        return [change.value for change in Visits(register).changes(bay.live.session_id)]


def told(bay: CheckBay, kind: str) -> list[dict[str, Any]]:
    return [message for message in bay.page.messages if message["type"] == kind]


def assert_stopped(bay: CheckBay) -> None:
    message = told(bay, "check")[-1]
    live_messages().validate(message)
    assert (message["on"], message["phase"], message["may"]) == (True, "stopped", BACK)
    assert message["advice"] == ADVICE[PAIN] and "licensed clinician" in message["advice"]
    assert kept_of(bay)[-1] == {"hold": "pain", "by": "player"}
    assert bay.live.analysis.practice.run is None and bay.live.analysis.practice.is_silent


@pytest.mark.parametrize("is_under_way", [True, False])
def test_the_set_under_way_ends_and_no_other_and_the_stop_goes_by_its_end_alone(is_under_way):
    fake = FakeLive()
    for intent in ("smooth", "full", "fast"):
        fake.begin_set(intent, "driver")
        fake.pass_s(5.0)
        if intent != "fast":
            fake.end_set()
    if not is_under_way:
        fake.end_set()
    fake.taken()
    stop = PainStop(fake.live)
    wanted = ["drill None, silent", *(["end set"] if is_under_way else [])]
    assert fake.taken() == wanted == list(map(str, stop.moments))
    assert stop.obey("end", {}) is None
    said = "start is not possible now: it was stopped for pain"
    assert stop.obey("start", {}) == said
    stop.advance()
    assert stop.message()["phase"] == "stopped" and fake.taken() == []


def test_a_stop_without_a_set_ends_none():
    fake = FakeLive()
    PainStop(fake.live)
    assert fake.taken() == ["drill None, silent"]


@pytest.mark.parametrize("drill", [None, *DRILLS])
@pytest.mark.slow
def test_a_drill_and_its_set_stop_and_no_drill_goes_on(store, drill):
    bay = bay_of(store, Do("start", SWUNG))
    bay.handler.handle({"type": "drill", "name": drill, "feedback": None}, bay.live)
    bay.handler.handle({"type": "set", "intent": "full", "club": None}, bay.live)
    bay.push_until(12.0)
    bay.command(do="pain")
    assert_stopped(bay)
    assert kept_of(bay) == [{"hold": "pain", "by": "player"}]  # and nothing else
    assert told(bay, "set")[-1]["name"] is None
    at_s, heard = bay.live.analysis.now_s, len(told(bay, "cue"))
    bay.command(do="end")
    assert told(bay, "check")[-1]["on"] is False
    assert told(bay, "drill")[-1]["name"] is None
    bay.push_until(1e9)
    assert len(bay.live.analysis.swings) == 2 and len(told(bay, "cue")) == heard
    (span,) = bay.close().sets
    assert span.end_s == pytest.approx(at_s)


@pytest.mark.parametrize("look", ["first", "speed", "block"])
@pytest.mark.parametrize("at", ["questions", "ready", "running"])
@pytest.mark.slow
def test_every_check_stops_in_whatever_step_it_is(store, look, at):
    bay = bay_of(store, Do("start", STOOD))
    bay.command(do="begin", look=look, club=None)
    if at != "questions":
        bay.command(do="answer", group="", by="player")
    if at == "running":
        bay.push_until(bay.presses_s[0])
        bay.command(do="start")
        bay.push_until(bay.live.analysis.now_s + 6.0)
        assert bay.check["phase"] == "running"
    assert "pain" in bay.check["may"]
    bay.command(do="pain")
    assert_stopped(bay)
    bay.close()


def test_a_calibration_stops_and_leaves_the_old_one(store):
    bay = bay_of(store)
    bay.command(do="begin", look="calibrate")
    assert bay.check["may"] == ["pain", "end"]
    bay.command(do="pain")
    assert_stopped(bay)
    bay.close()


@pytest.mark.dear
def test_a_check_that_is_over_stops_too(store):
    bay = bay_of(store)
    bay.command(do="begin", look="first")
    bay.command(do="answer", group="", by="player")
    while bay.check["phase"] != "done":
        bay.command(do="skip")
    bay.command(do="pain")
    assert_stopped(bay)
    bay.close()


@pytest.mark.dear
def test_a_stop_takes_nothing_else_meanwhile(store):
    bay = bay_of(store)
    bay.command(do="pain")
    for message in ({"type": "drill", "name": "push"}, {"type": "set", "intent": "full"}):
        bay.handler.handle({"feedback": None, "club": None, **message}, bay.live)
    bay.command(do="start")
    assert_stopped(bay)
    assert bay.live.analysis.spans.sets() == ()
    bay.close()


@pytest.mark.parametrize("is_ended", [True, False])
@pytest.mark.parametrize("how", ["pain", "yes to a question", "neither"])
@pytest.mark.dear
def test_a_drill_chosen_before_a_stop_does_not_come_back_in_the_next_session(store, how, is_ended):
    bay = bay_of(store)
    bay.handler.handle({"type": "drill", "name": "push", "feedback": None}, bay.live)
    if how == "pain":
        bay.command(do="pain")
    else:
        bay.command(do="begin", look="first")
        group = "pain" if how != "neither" else ""
        bay.command(do="answer", group=group, by="player")
    if is_ended:
        bay.command(do="end")
    bay.close()
    again = LiveSession(store, "virtual insoles", Silence(), print)
    bay.handler.begin(again)
    again.push(bay._batch.slice(0, 400))
    practice = again.analysis.practice
    name = None if practice.run is None else practice.run.drill.name
    assert name == ("push" if how == "neither" else None)
    assert not practice.is_silent
    again.close()


def hold_of(bay: CheckBay) -> str | None:
    with Register(bay.store) as register:
        return Visits(register).hold(bay.live.session_id)


@pytest.mark.parametrize("ends", [True, False])
@pytest.mark.parametrize("look", ["first", "speed", "block"])
@pytest.mark.dear
def test_a_stop_stands_for_the_visit_whatever_is_asked_afterwards(store, look, ends):
    bay = bay_of(store)
    if ends:
        bay.command(do="pain")
        bay.command(do="end")
        off = {"type": "check", "on": False, "hold": "pain"}
        assert told(bay, "check")[-1] == off
        live_messages().validate(off)
    else:  # said elsewhere, of this session
        with Register(store) as register:
            Visits(register).answer(bay.live.session_id, "guardian", "pain")
    bay.handler.handle({"type": "drill", "name": "push", "feedback": None}, bay.live)
    assert bay.live.analysis.practice.run is None
    assert "it was stopped (pain)" in told(bay, "said")[-1]["text"]
    bay.command(do="begin", look=look, club=None)
    assert (bay.check["phase"], bay.check["may"]) == ("stopped", BACK)
    for do in ("answer", "start", "skip"):
        bay.command(do=do, group="", by="player")
        assert bay.check["phase"] == "stopped"
    assert hold_of(bay) == "pain"
    bay.close()


@pytest.mark.parametrize("is_ended", [True, False])
def test_a_stop_that_was_a_mistake_is_taken_back_and_that_is_kept(store, is_ended):
    bay = bay_of(store)
    bay.handler.handle({"type": "drill", "name": "push", "feedback": None}, bay.live)
    bay.command(do="pain")
    if is_ended:
        bay.command(do="end")
    bay.command(do="take back")
    assert told(bay, "check")[-1] == {"type": "check", "on": False}
    assert kept_of(bay) == [{"hold": "pain", "by": "player"}, {"hold": "pain"}]
    with Register(store) as register:
        said = Visits(register).said(bay.live.session_id, ())
        change = Visits(register).changes(bay.live.session_id)[-1]
    assert said.questions is None  # they were never asked
    back = said.hold_taken_back
    assert back is not None and (back.hold, back.by) == ("pain", change.author)
    assert change.author and change.field == "hold_taken_back"
    assert bay.live.analysis.practice.run is None  # no drill comes back by itself
    bay.handler.handle({"type": "drill", "name": "push", "feedback": None}, bay.live)
    assert bay.live.analysis.practice.run is not None
    bay.command(do="take back")
    assert "no stop to take back" in told(bay, "said")[-1]["text"]
    bay.command(do="begin", look="first")
    assert bay.check["phase"] == "questions"
    bay.close()


@pytest.mark.dear
def test_a_check_that_was_stopped_by_mistake_goes_on_where_it_was(store):
    bay = bay_of(store, Do("start", STOOD), Do("pain"))
    bay.command(do="begin", look="speed", club=None)
    bay.command(do="answer", group="", by="player")
    bay.command(do="skip")
    presses = bay.through()
    next(presses)
    bay.command(do="start")
    next(presses)
    assert (bay.check["step"], bay.check["taken"]) == ("stand", 1)
    bay.command(do="pain")
    bay.command(do="end")
    assert "left" not in told(bay, "check")[-1]
    bay.command(do="take up")
    assert bay.handler.check is None  # not under a hold
    bay.command(do="take back")
    bay.command(do="take up")
    where = [bay.check[key] for key in ("phase", "step", "taken", "advice")]
    assert where == ["ready", "stand", 1, ""]
    assert hold_of(bay) == ""  # what was answered before stands again
    while bay.check["step"] != "fast":
        bay.command(do="skip")
    bay.command(do="start")
    assert bay.check["phase"] == "lead in"
    bay.close()


@pytest.mark.dear
def test_a_speed_block_that_was_stopped_by_mistake_may_be_begun_again(store):
    bay = bay_of(store)
    bay.command(do="begin", look="block", club=None)
    bay.command(do="answer", group="", by="player")
    bay.command(do="pain")
    bay.command(do="take back")
    done = done_of(bay.live.analysis.result())
    assert done is not None and (done.ended, done.is_over) == ("stop taken back", False)
    bay.command(do="begin", look="block", club=None)
    assert bay.check["phase"] == "questions"
    bay.close()


def test_a_stop_that_the_store_does_not_take_yet_is_taken_back_once_it_is(store, monkeypatch):
    def refuse(*_: object) -> None:
        raise StoreError("the disk is full")

    bay = bay_of(store)
    with monkeypatch.context() as patched:
        patched.setattr(CheckPeople, "answered", refuse)
        bay.command(do="pain")
        bay.command(do="take back")
        assert "not kept yet" in told(bay, "said")[-1]["text"]
        assert bay.check["phase"] == "stopped"
    bay.command(do="take back")
    assert bay.handler.check is None and len(kept_of(bay)) == 2
    bay.close()


@pytest.mark.dear
def test_a_stopped_visit_has_no_fast_set_and_says_why(store):
    """The page says of it: no drill and no fast swings on this visit."""
    bay = bay_of(store)

    def begun(intent: str) -> list[str]:
        bay.handler.handle({"type": "set", "intent": intent, "club": None}, bay.live)
        return [one.intent for one in bay.live.analysis.spans.sets()]

    bay.command(do="pain")
    assert begun("smooth") == []
    assert told(bay, "said")[-1]["text"] == "A stop on pain is under way: end it first."
    bay.command(do="end")
    assert begun("fast") == []
    assert told(bay, "said")[-1]["text"] == (
        "No fast swings on this visit: it was stopped (pain). Where that was a mistake, take it "
        "back on the page Check."
    )
    assert begun("smooth") == ["smooth"]  # looking goes on
    bay.command(do="take back")
    assert begun("fast") == ["smooth", "fast"]
    bay.close()
