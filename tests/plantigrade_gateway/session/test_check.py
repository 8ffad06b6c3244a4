"""A guided check under way: what is begun and ended in the record, taken, refused, stopped."""

import re
from datetime import UTC, date, datetime
from typing import Any

import pytest
from tests.support.checkbay import (
    FIRST_LOOK,
    GOOD,
    LEAD_IN_S,
    LIFTS,
    STOOD,
    CheckBay,
    Do,
    Told,
    swung,
)
from tests.support.live_schema import live_messages

from plantigrade.block import Foot
from plantigrade.events import Manner, Timing
from plantigrade.synth import Player, SensorModel, Stand, StuckZone, Swing, Walk
from plantigrade_gateway.check.judge import judge_set, judged
from plantigrade_gateway.check.stand import taken_stands
from plantigrade_gateway.check.verdict import Why
from plantigrade_gateway.check.walk import straight_steps
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.facts import facts
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear


def begun(store: Store, script: tuple[Do, ...], look: str = "first", **more: Any) -> CheckBay:
    bay = CheckBay(store, Told(), more.pop("player", Player()), script, **more)
    bay.command(do="begin", look=look, club="7 iron")
    return bay


def answered(store: Store, script: tuple[Do, ...], look: str = "first", **more: Any) -> CheckBay:
    bay = begun(store, script, look, **more)
    bay.command(do="answer", group="", by="player")
    return bay


def skipped_to(bay: CheckBay, step: str) -> None:
    while bay.check["step"] != step:
        bay.command(do="skip")


@pytest.mark.slow
def test_a_whole_first_look(store):
    """Every trial is taken at once, and the stored session says the same as the live one."""
    bay = answered(store, FIRST_LOOK)
    lines = []
    for press in bay.through():
        lines.append((bay.check["step"], bay.check["taken"], bay.check["line"]))
        assert not bay.check["refused"], lines
        if bay.check["phase"] == "offer":
            bay.command(do="skip")
        bay.command(do=press)
    if bay.check["phase"] == "offer":
        bay.command(do="skip")
    assert bay.check["phase"] == "done"
    states = [(step["name"], step["state"]) for step in bay.check["steps"]]
    assert [name for name, state in states if state == "skipped"] == ["lift", "flat", "lift"]
    assert {state for _, state in states} == {"done", "skipped"}
    for message in bay.page.messages:
        if message["type"] == "check":
            live_messages().validate(message)
    session_id = bay.live.session_id
    live = bay.close()
    assert all(each.verdict.is_taken for each in judged(live))
    assert [t.step for t in live.trials] == ["lift", "stand", "stand", "stand", "walk", "practice"]
    stored = results.read(store, session_id)
    assert stored.trials == live.trials
    assert len(list(taken_stands(stored))) == 3
    assert len(straight_steps(stored)) >= 40
    assert [(s.intent, s.club, len(s.swings), s.is_silent) for s in stored.sets] == [
        ("smooth", "7 iron", 8, True),
        ("full", "7 iron", 8, True),
    ]
    again, changed = results.reanalyse(store, session_id)
    assert (again.trials, changed) == (live.trials, 0)


def test_a_virtual_player_is_told_which_step_is_on(store):
    """And to stand between two, so that nothing is done before it is asked for."""
    bay = CheckBay(store, Told(), Player(), FIRST_LOOK[:1])
    asked: list[str] = []
    bay.handler.ask_player = asked.append
    bay.command(do="begin", look="first", club=None)
    bay.command(do="answer", group="", by="player")
    assert asked == ["stand"]
    for press in bay.through():
        bay.command(do=press)
    assert asked == ["stand", "lift", "stand"]
    skipped_to(bay, "walk")
    bay.command(do="start")
    assert asked[3:] == ["walk"]
    bay.command(do="pain")
    bay.command(do="end")
    assert asked[4:] == ["stand", ""]
    bay.close()


def test_a_refused_stand_says_why_and_is_done_again(store):
    bay = answered(store, (Do("start", STOOD), Do("start", (Stand(1.0), *STOOD))))
    skipped_to(bay, "stand")
    presses = bay.through()
    bay.command(do=next(presses))
    bay.push_until(bay.live.analysis.now_s + LEAD_IN_S + 6.0)
    assert bay.check["phase"] == "running" and 10 <= bay.check["left_s"] <= 18
    bay.command(do="enough")
    bay.push_until(bay.live.analysis.now_s + 4.0)
    assert bay.check["refused"] and bay.check["line"].startswith("It ended after")
    assert (bay.check["phase"], bay.check["taken"]) == ("ready", 0)
    bay.command(do=next(presses))
    assert list(presses) == []
    assert (bay.check["phase"], bay.check["taken"], bay.check["refused"]) == ("ready", 1, False)


def test_a_zone_at_full_scale_is_seen_in_the_bytes(store):
    """Zone 5 of the right insole is short-circuited: it reads the top of its range all the time."""
    sensor = SensorModel(stuck=(StuckZone(Foot.RIGHT, 4, 1e6),), saturation_kpa=1e6)
    bay = answered(store, (Do("start", STOOD),), sensor=sensor)
    skipped_to(bay, "stand")
    bay.command(do=next(bay.through()))
    bay.push_until(1e9)
    assert bay.check["refused"]
    assert bay.check["line"].startswith("Zone 5 of the right insole reads full scale.")
    bay.close()


@pytest.mark.slow
def test_again_takes_back_what_was_taken(store):
    bay = answered(store, (Do("start", STOOD), Do("again"), Do("start", (*STOOD, *STOOD))))
    skipped_to(bay, "stand")
    presses = bay.through()
    bay.command(do=next(presses))
    next(presses)
    assert bay.check["taken"] == 1
    bay.command(do="again")
    assert bay.check["taken"] == 0
    bay.command(do=next(presses))
    assert list(presses) == []
    found = bay.close()
    assert [each.verdict.is_taken for each in judged(found)] == [False, True]


@pytest.mark.slow
def test_again_withdraws_a_set_and_says_so(store):
    """Good pushes are swung, then held ones in their place: only these speak for the player."""
    held = Swing(Manner.HELD, Timing.WITH_SHIFT)
    bay = answered(
        store,
        (Do("start", swung(8)), Do("start", swung(3)), Do("again"), Do("start", swung(8, held))),
    )
    skipped_to(bay, "smooth")
    presses = bay.through()
    bay.command(do=next(presses))
    next(presses)
    if bay.check["phase"] == "offer":
        bay.command(do="skip")
    assert bay.check["step"] == "full"
    bay.command(do="start")
    next(presses)
    assert bay.check["phase"] == "running"
    bay.command(do="skip")  # three of a full set: they do not count either
    assert bay.check["phase"] == "done"
    bay.command(do="again")
    assert (bay.check["step"], bay.check["line"]) == ("full", "")
    bay.command(do="again")
    assert bay.check["step"] == "smooth"
    assert bay.check["line"].startswith("The set before is withdrawn: it stays in the record")
    bay.command(do=next(presses))
    assert list(presses) == []
    session_id = bay.live.session_id
    live = bay.close()
    stored = results.read(store, session_id)
    told = [(s.intent, len(s.swings), s.is_withdrawn) for s in stored.sets]
    assert told == [("smooth", 8, True), ("full", 3, True), ("smooth", 8, False)]
    assert stored.sets == live.sets
    assert [judge_set(run, stored).why for run in stored.sets] == [Why.AGAIN, Why.AGAIN, None]
    visit = Visit("one", datetime(2026, 3, 2, tzinfo=UTC), stored)
    said = facts(Case("who", "Invented", "right", visits=(visit,)), built_in())["smooth.push_good"]
    assert (said.count, said.n) == (0, 8)


def test_a_refused_set_does_not_count(store):
    bay = answered(store, (Do("start", swung(4)), Do("start", (Stand(1.0),))))
    skipped_to(bay, "smooth")
    presses = bay.through()
    bay.command(do=next(presses))
    next(presses)
    bay.command(do="enough")
    assert list(presses) == []
    assert bay.check["refused"] and bay.check["line"].startswith("4 of 6 swings count")
    (run,) = bay.close().sets
    assert run.is_withdrawn


@pytest.mark.slow
def test_again_withdraws_the_swings_that_were_added_too(store):
    held = Swing(Manner.HELD, Timing.WITH_SHIFT)
    half = (Stand(LEAD_IN_S), *[p for s in [GOOD, held] * 4 for p in (Stand(5.0), s)], Stand(4.0))
    bay = answered(store, (Do("start", half), Do("more", half), Do("again")))
    skipped_to(bay, "smooth")
    presses = bay.through()
    bay.command(do=next(presses))
    next(presses)
    bay.command(do="more")
    next(presses)
    assert bay.check["step"] == "full"
    bay.command(do="again")
    assert [run.is_withdrawn for run in bay.close().sets] == [True, True]


def test_again_goes_back_to_a_skipped_step_and_takes_nothing_back(store):
    bay = answered(store, (Do("start", STOOD), Do("start", (Stand(1.0),))))
    skipped_to(bay, "stand")
    presses = bay.through()
    bay.command(do=next(presses))
    next(presses)
    skipped_to(bay, "walk")
    bay.command(do="again")
    assert (bay.check["step"], bay.check["taken"]) == ("lift", 0)
    assert bay.check["title"] == "Lift each foot, shoes on again"
    assert [each.verdict.is_taken for each in judged(bay.close())] == [True]


def test_a_foot_is_lifted_again_once_a_shoe_was_off(store):
    bay = answered(store, (Do("start", LIFTS), Do("skip")))
    skipped_to(bay, "stand")
    bay.command(do="skip")
    presses = bay.through()
    assert bay.check["title"] == "Lift each foot, without shoes"
    bay.command(do=next(presses))
    next(presses)
    assert bay.check["step"] == "flat"
    bay.command(do="skip")
    assert bay.check["title"] == "Lift each foot, shoes on again"
    bay.close()


def test_again_after_a_refusal_keeps_what_was_taken(store):
    bay = answered(store, (Do("start", STOOD), Do("start", (Stand(LEAD_IN_S + 9.0),))))
    skipped_to(bay, "stand")
    presses = bay.through()
    bay.command(do=next(presses))
    bay.command(do=next(presses))
    bay.push_until(bay.live.analysis.now_s + LEAD_IN_S + 2.0)
    bay.command(do="enough")
    bay.push_until(bay.live.analysis.now_s + 4.0)
    assert bay.check["refused"]
    bay.command(do="again")
    assert (bay.check["refused"], bay.check["taken"]) == (False, 1)
    assert [each.verdict.is_taken for each in judged(bay.close())] == [True, False]


@pytest.mark.parametrize(
    ("group", "hold", "advice"),
    [
        ("emergency", "red flag", "emergency services"),
        ("red flag", "red flag", "licensed clinician"),
        ("pain", "pain", "no training on pain"),
    ],
)
def test_a_yes_stops_the_check_and_only_its_group_is_kept(store, group, hold, advice):
    bay = begun(store, (Do("start"),))
    bay.live.flush()
    bay.command(do="answer", group=group, by="guardian")
    assert bay.check["phase"] == "stopped" and advice in bay.check["advice"]
    assert bay.check["may"] == ["take back", "end"]
    bay.command(do="start")
    assert "not possible" in bay.page.messages[-1]["text"]
    with Register(store) as register:
        kept = Visits(register).said(bay.live.session_id, ()).questions
        values = [change.value for change in Visits(register).changes(bay.live.session_id)]
    assert kept is not None and (kept.hold, kept.by) == (hold, "guardian")
    assert values == [{"hold": hold, "by": "guardian"}]
    bay.close()


def test_pain_stops_in_the_middle_and_is_kept(store):
    bay = answered(store, (Do("start", STOOD),))
    skipped_to(bay, "stand")
    bay.command(do=next(bay.through()))
    bay.push_until(bay.live.analysis.now_s + LEAD_IN_S + 2.0)
    bay.live.flush()
    bay.command(do="pain")
    assert bay.check["phase"] == "stopped" and "pain" in bay.check["advice"]
    with Register(store) as register:
        kept = Visits(register).said(bay.live.session_id, ()).questions
    assert kept is not None and kept.hold == "pain"
    assert len(bay.close().trials) == 1


def test_without_answers_no_fast_swings_are_made(store):
    bay = begun(store, (Do("start"),), "speed")
    bay.command(do="skip")
    skipped_to(bay, "fast")
    bay.command(do="start")
    assert bay.check["refused"] and "not answered" in bay.check["line"]
    assert bay.check["phase"] == "ready"
    bay.close()


@pytest.mark.parametrize("group", ["", "pain"])
def test_a_check_goes_by_the_answers_of_its_visit(store, group):
    bay = begun(store, (Do("start"),), "first")
    bay.command(do="answer", group=group, by="player")
    bay.command(do="end")
    bay.command(do="begin", look="speed", club=None)
    if group:
        assert bay.check["phase"] == "stopped" and "no training on pain" in bay.check["advice"]
    else:
        bay.command(do="skip")  # the questions
        skipped_to(bay, "fast")
        bay.command(do="start")
        assert bay.check["phase"] == "lead in"
    bay.close()


@pytest.mark.slow
def test_a_check_that_was_ended_midway_is_taken_up_where_it_was(store):
    """Two stands, a calibration's page and a part of a set between: nothing is done twice."""
    script = (*[Do("start", STOOD)] * 2, Do("end"), Do("start", STOOD), Do("start", swung(3)))
    bay = answered(store, (*script, Do("take up"), Do("start", swung(8))))
    skipped_to(bay, "stand")
    presses = bay.through()
    for press in ("start", "start", "end"):
        assert next(presses) == press
        bay.command(do=press)
    assert bay.page.messages[-1] == {"type": "check", "on": False, "left": "Stand in your shoes"}
    live_messages().validate(bay.page.messages[-1])
    bay.command(do="take up")
    where = [bay.check[key] for key in ("phase", "step", "taken", "refused")]
    assert where == ["ready", "stand", 2, False]
    next(presses)
    bay.command(do="start")
    next(presses)
    assert bay.check["step"] != "stand"
    skipped_to(bay, "full")
    bay.command(do="start")
    next(presses)  # three swings are made
    bay.command(do="end")
    bay.command(do="take up")
    next(presses)
    bay.command(do="start")
    assert list(presses) == []
    found = bay.close()
    assert len(list(taken_stands(found))) == 3
    assert [len(run.swings) for run in found.standing_sets] == [8]
    assert all(run.is_silent for run in found.standing_sets)


def test_a_check_is_taken_up_in_its_own_session_and_until_another_begins(store):
    bay = answered(store, (Do("start"),))
    bay.command(do="end")
    bay.command(do="begin", look="speed", club=None)
    bay.command(do="end")  # at the questions: nothing of it is left
    bay.command(do="take up")
    assert bay.page.messages[-1]["text"] == "check: none is under way"
    bay.command(do="begin", look="first", club=None)
    bay.command(do="answer", group="", by="player")
    bay.command(do="end")
    bay.close()
    assert bay.page.messages[-1] == {"type": "check", "on": False}


def test_a_check_that_ends_with_its_session_says_so(store):
    bay = begun(store, (Do("start"),))
    bay.close()
    told = [m["text"] for m in bay.page.messages if m["type"] == "said" and m["level"] == "warn"]
    assert told == ["The check ended with its session, which keeps what was taken."]
    over = begun(store, (Do("start"),))
    over.command(do="end")
    over.close()
    assert all(m.get("level") != "warn" for m in over.page.messages)


def test_a_minor_makes_fast_swings_after_the_decision_and_the_consent_only(store):
    with Register(store) as register:
        who = register.add(
            name="Invented minor", handedness="right", is_minor=True, guardian="Invented guardian"
        )
        bay = answered(store, (Do("start"),), "speed", player_id=who)
        assert bay.check["by"] == ["guardian", "player"]  # the likelier first
        skipped_to(bay, "fast")
        bay.command(do="start")
        assert "the coach decides first" in bay.check["line"]
        register.decide(who, "speed", "go", date.today())
        bay.command(do="start")
        assert "guardian has not agreed" in bay.check["line"]
        register.grant(who, "speed", "guardian")
    bay.command(do="start")
    assert bay.check["phase"] == "lead in"
    bay.close()


@pytest.mark.slow
def test_more_swings_are_offered_once_while_an_answer_is_mixed(store):
    held = Swing(Manner.HELD, Timing.WITH_SHIFT)
    half = (Stand(LEAD_IN_S), *[p for s in [GOOD, held] * 4 for p in (Stand(5.0), s)], Stand(4.0))
    bay = answered(store, (Do("start", half), Do("more", half), Do("start")))
    skipped_to(bay, "smooth")
    presses = bay.through()
    bay.command(do=next(presses))
    next(presses)
    assert bay.check["phase"] == "offer" and "push" in bay.check["line"]
    assert bay.check["line"].endswith("Eight more may tell; skip goes on with these.")
    bay.command(do="more")
    next(presses)
    assert (bay.check["step"], bay.check["phase"]) == ("full", "ready")
    # 16, or one or two fewer that were unclear
    assert re.match("Smooth swings – done. 1[4-6] swings count", bay.check["line"])
    bay.close()


@pytest.mark.slow
def test_fast_swings_end_when_the_push_is_lost(store):
    held = swung(6, Swing(Manner.HELD, Timing.WITH_SHIFT), 16.0)
    bay = answered(store, (Do("start", held), Do("start")), "speed")
    skipped_to(bay, "fast")
    presses = bay.through()
    bay.command(do=next(presses))
    next(presses)
    assert bay.check["step"] == "again" and "push was lost" in bay.check["line"]
    bay.command(do="again")  # back to the fast ones: they stay refused today
    bay.command(do="start")
    assert (bay.check["step"], bay.check["phase"]) == ("fast", "ready")
    assert bay.check["refused"] and "no more fast swings today" in bay.check["line"]
    assert 3 <= len(bay.close().sets[-1].swings) <= 4


def test_feedback_is_silent_in_a_check_and_as_before_after_it(store):
    bay = begun(store, (Do("start", swung(1)), Do("start", swung(1))))
    bay.push_until(20.0)
    assert bay.live.analysis.swings
    assert [m for m in bay.page.messages if m["type"] == "cue"] == []
    bay.command(do="end")
    assert bay.handler.check is None
    bay.push_until(1e9)
    assert [m for m in bay.page.messages if m["type"] == "cue"] != []
    bay.close()


def test_drills_and_sets_wait_until_the_check_has_ended(store):
    bay = answered(store, (Do("start", (Walk(4),)),))
    for kind in ({"type": "set", "intent": "full"}, {"type": "drill", "name": "push"}):
        bay.handler.handle(kind, bay.live)
        assert "check is under way" in bay.page.messages[-1]["text"]
    assert bay.close().sets == ()


class Voice:
    """Stands for a speech engine: keeps what it is told to say."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)

    def done(self) -> list[Any]:
        return []


def test_what_is_said_is_said_once(store):
    voice = Voice()
    bay = answered(store, (Do("start", STOOD),), voice=voice)
    skipped_to(bay, "stand")
    bay.command(do=next(bay.through()))
    bay.push_until(1e9)
    spoken = {
        (m["spoken"]["n"], m["spoken"]["text"])
        for m in bay.page.messages
        if m["type"] == "check" and m["on"]
    }
    assert spoken == {
        (0, ""),
        (1, "Stand as you would wait for a bus. Look ahead. Stay."),
        (2, "Thank you. Step off."),
    }
    assert voice.said == [text for _, text in sorted(spoken) if text]
    bay.close()
