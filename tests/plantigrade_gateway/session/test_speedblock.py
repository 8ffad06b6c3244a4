"""A speed block through the page's commands: players who are fine, tire, hurt, or do not rest.

Expected numbers are those of the built-in rule file's ``[speed]`` and ``[[stop]]`` tables (common
practice, no published source), written here by hand.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from tests.support.cases import calibrated
from tests.support.checkbay import GOOD, CheckBay, Do, Told, swung
from tests.support.live_schema import live_messages
from tests.support.rules import versioned

from plantigrade.events import Manner, Timing
from plantigrade.synth import Player, Segment, Stand, Swing
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.check.speedblock import Done, done_of
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.facts import LOOKED_AT, facts
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.rules.files import built_in, built_in_text
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

HELD = Swing(Manner.HELD, Timing.WITH_SHIFT)
WARM_UP = Do("start", swung(10))
CLOSING = Do("start", swung(6))
RESTED: tuple[Segment, ...] = (Stand(115.0),)


def fast(n: int = 5, swing: Swing = GOOD, rest_s: float = 16.0) -> Do:
    """A fast block, and the rest after it."""
    return Do("start", (*swung(n, swing, rest_s), *RESTED))


def known(store: Store, *, is_decided: bool = True, **more: Any) -> str:
    """Return a registered player, of whom the coach has decided on speed: go."""
    with Register(store) as register:
        who = register.add(name="Invented", handedness="right", **more)
        if is_decided:
            register.decide(who, "speed", "go", datetime.now().astimezone().date())
    return who


def begun(store: Store, script: Sequence[Do], who: str | None, age_days: int = 0) -> CheckBay:
    """Begin a speed block with insoles calibrated so many days ago."""
    said = calibrated(datetime.now(UTC) - timedelta(days=age_days))
    bay = CheckBay(store, Told(), Player(), tuple(script), player_id=who, calibrated=said)
    bay.live.flush()
    bay.command(do="begin", look="block", club="driver")
    return bay


def answered(store: Store, script: Sequence[Do], who: str | None, age_days: int = 0) -> CheckBay:
    bay = begun(store, script, who, age_days)
    bay.command(do="answer", group="", by="player")
    return bay


def done_after(bay: CheckBay, speeds: Sequence[float] = ()) -> list[tuple[str, str]]:
    """Press what the script presses; return where each press found the block.

    A club speed is noted after each fast swing, as long as there are some.
    """
    left = list(speeds)
    found = []
    ends_s = [*bay.presses_s[1:], bay.presses_s[-1] + 250.0]
    for do, at_s, end_s in zip(bay.script, bay.presses_s, ends_s, strict=True):
        bay.push_until(at_s + 0.2)
        found.append((bay.check["phase"], bay.check["title"]))
        bay.command(do=do.press)
        t_s, seen = at_s, 0
        while t_s < end_s - 1.0:
            t_s += 1.0
            bay.push_until(t_s)
            is_new = bay.check["count"] > seen or bay.check["phase"] == "rest"
            if left and bay.check["step"] == "fast" and is_new:
                if bay.check["phase"] == "running" or seen == 4:
                    bay.command(do="club_speed", m_s=left.pop(0))
                seen = bay.check["count"]
    return found


def ended(bay: CheckBay, store: Store) -> tuple[Analysis, Done]:
    """End the session; return its stored results, and the speed work they tell of."""
    for message in bay.page.messages:
        if message["type"] == "check":
            live_messages().validate(message)
    session_id = bay.live.session_id
    live = bay.close()
    stored = results.read(store, session_id)
    done = done_of(stored)
    assert done is not None and done == done_of(live)
    return stored, done


@pytest.mark.slow
def test_a_player_who_is_fine_does_the_dose_and_no_more(store):
    who = known(store)
    bay = answered(store, [WARM_UP, fast(), fast(), fast(), CLOSING], who)
    assert done_after(bay) == [
        ("ready", "Warm-up"),
        ("ready", "Fast block 1 of 3"),
        ("ready", "Fast block 2 of 3"),
        ("ready", "Fast block 3 of 3"),
        ("ready", "Closing swings"),
    ]
    assert bay.check["phase"] == "done" and bay.check["may"] == ["pain", "end"]
    assert "closing swings were good pushes" in bay.check["line"]
    stored, done = ended(bay, store)
    assert (done.blocks, done.fast, done.rests_not_kept, done.ended) == (3, 15, 0, "dose")
    assert [(run.intent, len(run.swings), run.is_silent) for run in stored.sets] == [
        *[("fast", 5, True)] * 3,
        ("smooth", 6, True),
    ]
    assert [trial.step for trial in stored.trials] == ["warm_up"]
    visit = Visit("one", datetime(2026, 3, 2, tzinfo=UTC), stored)
    said = facts(Case(who, "Invented", "right", visits=(visit,)), built_in())["fast.push_good"]
    assert (said.n or 0) + said.left_out == 15  # what is judged afterwards: these silent sets
    again = answered(store, [Do("start")], who)
    again.command(do="start")
    assert again.check["refused"] and "was ended (dose)" in again.check["line"]
    again.close()


@pytest.mark.slow
def test_a_player_who_tires_swings_no_more_fast_ones(store):
    """The first block's median is 45.0 m/s; 43.6 is 3.1 % less, three times in a row."""
    bay = answered(store, [WARM_UP, fast(), fast(3), CLOSING], known(store))
    found = done_after(bay, [45.0, 44.0, 46.0, 45.5, 44.5, 43.6, 43.6, 43.6])
    assert found[-2:] == [("ready", "Fast block 2 of 3"), ("ready", "Closing swings")]
    assert any("Tired" in m["line"] for m in bay.page.messages if m.get("on"))
    assert bay.check["phase"] == "done"
    session_id = bay.live.session_id
    _, done = ended(bay, store)
    assert (done.blocks, done.fast, done.ended) == (2, 8, "speed-lost")
    with Register(store) as register:
        notes = Visits(register).visit(session_id).notes
    noted = [note.club_speed_m_s for _, note in sorted(notes.items())]
    assert noted == [45.0, 44.0, 46.0, 45.5, 44.5, 43.6, 43.6, 43.6]


@pytest.mark.slow
def test_a_player_who_hurts_stops_for_this_visit(store):
    who = known(store)
    bay = answered(store, [WARM_UP, fast(2), Do("pain")], who)
    done_after(bay)
    assert bay.check["phase"] == "stopped" and "no training on pain" in bay.check["advice"]
    assert bay.check["may"] == ["take back", "end"]
    with Register(store) as register:
        kept = Visits(register).said(bay.live.session_id, ()).questions
    assert kept is not None and kept.hold == "pain"
    bay.command(do="end")
    bay.command(do="begin", look="block")
    assert bay.check["phase"] == "stopped" and "no training on pain" in bay.check["advice"]
    stored, done = ended(bay, store)
    assert (done.blocks, done.fast, done.ended) == (1, 2, "pain")
    assert [run.intent for run in stored.sets] == ["fast"]
    again = answered(store, [Do("start")], who)  # another session of that day
    again.command(do="start")
    assert "was ended (pain)" in again.check["line"]
    again.close()


@pytest.mark.parametrize("drill", ["push", None])
@pytest.mark.parametrize("hurts", [True, False])
def test_after_a_stop_no_drill_goes_on_and_after_any_other_end_it_does(store, drill, hurts):
    bay = begun(store, [Do("pain")], known(store))
    bay.command(do="end")
    bay.handler.handle({"type": "drill", "name": drill, "feedback": None}, bay.live)
    bay.command(do="begin", look="block", club="driver")
    bay.command(do="answer", group="", by="player")
    if hurts:
        bay.command(do="pain")
    bay.command(do="end")
    practice = bay.live.analysis.practice
    told = [m for m in bay.page.messages if m["type"] == "drill"][-1]
    said = [m["text"] for m in bay.page.messages if m["type"] == "said"]
    goes_on = None if hurts else drill
    assert (None if practice.run is None else practice.run.drill.name) == goes_on
    assert practice.is_silent is hurts
    assert (told["name"], told["feedback"]) == (goes_on, "silent" if hurts else "every")
    assert ("No drill goes on after a stop." in said) is hurts
    bay.close()


@pytest.mark.slow
def test_a_player_who_does_not_rest_is_told_and_the_swings_count(store):
    """By the coach's own file: 30 s between swings. The player takes 9 to 13, less than half.

    After the warm-up some 19 s were rested; the second block begins well within half of 120.
    """
    with Register(store) as register:
        text = built_in_text().replace("rest_between_swings_s = 20", "rest_between_swings_s = 30")
        RuleBook(register).keep(versioned(text, "mine"))
    hasty = Do("start", (*swung(5, GOOD, 1.0), Stand(5.0)))
    bay = answered(store, [WARM_UP, hasty, Do("start", swung(1, GOOD, 3.0))], known(store))
    found = done_after(bay)
    assert found[-1] == ("rest", "Fast block 2 of 3")
    said = [m["line"] for m in bay.page.messages if m.get("on") and m["refused"]]
    assert any(line.startswith("Too soon") for line in said)
    bay.command(do="end")
    _, done = ended(bay, store)
    assert (done.blocks, done.fast, done.ended) == (2, 6, "left")
    assert done.rests_not_kept == 5


@pytest.mark.parametrize(
    ("full", "then", "blocks"), [(GOOD, "Fast block 2 of 3", 2), (HELD, "Closing swings", 1)]
)
@pytest.mark.slow
def test_a_lost_push_goes_back_to_full_for_one_block(store, full, then, blocks):
    script = [WARM_UP, fast(3, HELD), fast(5, full, 6.0), Do("start", swung(1))]
    bay = answered(store, script, known(store))
    found = done_after(bay)
    assert found[-2:] == [("ready", "Full block"), ("ready", then)]
    assert any("back to full" in m["line"] for m in bay.page.messages if m.get("on"))
    bay.command(do="end")
    stored, done = ended(bay, store)
    assert [run.intent for run in stored.sets][:2] == ["fast", "full"]
    assert done.blocks == blocks
    assert done.ended == ("left" if full is GOOD else "push-lost")


def test_a_speed_block_begins_with_a_registered_player_and_the_decision(store):
    bay = answered(store, [Do("start")], None)
    bay.command(do="start")
    assert bay.check["refused"] and "Choose the player" in bay.check["line"]
    bay.close()
    who = known(store, is_decided=False)
    bay = answered(store, [Do("start")], who)
    bay.command(do="start")
    assert bay.check["phase"] == "ready" and "has not decided on speed" in bay.check["line"]
    with Register(store) as register:
        register.decide(who, "speed", "not yet", datetime.now().astimezone().date())
        bay.command(do="start")
        assert "has not decided on speed" in bay.check["line"]
        register.decide(who, "speed", "go", datetime.now().astimezone().date())
    bay.command(do="start")
    assert (bay.check["phase"], bay.check["refused"]) == ("running", False)
    bay.close()


def test_a_minor_begins_after_the_guardian_has_agreed(store):
    who = known(store, is_minor=True, guardian="Invented guardian")
    bay = answered(store, [Do("start")], who)
    bay.command(do="start")
    assert "guardian has not agreed" in bay.check["line"]
    with Register(store) as register:
        register.grant(who, "speed", "guardian")
    bay.command(do="start")
    assert bay.check["phase"] == "running"
    bay.close()


def test_a_hold_of_the_rules_holds_it(store):
    """Insoles calibrated three days ago, and not checked today: the rules' hold on the data."""
    bay = answered(store, [Do("start")], known(store), age_days=3)
    bay.command(do="start")
    assert bay.check["refused"] and "Repair the measurement first" in bay.check["line"]
    assert bay.close().trials == ()


def test_a_hold_that_cannot_be_ruled_out_holds_it(store):
    """The coach's own rule holds speed for a limit of the body, and nobody has looked yet."""
    rule = """[[rule]]
id = "hold-body"
topic = "safety"
hold = true
when.any = [{ fact = "coach.body_limit", is = "yes" }]
suggest = "No speed work with a limit of hips, trunk, ankles or balance."
"""
    with Register(store) as register:
        text = built_in_text().replace("[[rule]]", f"{rule}[[rule]]", 1)
        RuleBook(register).keep(versioned(text, "mine"))
    who = known(store)
    bay = answered(store, [Do("start")], who)
    bay.command(do="start")
    assert (
        bay.check["refused"]
        and "not known yet: limit in hips, trunk, ankles or balance" in bay.check["line"]
    )
    with Register(store) as register:
        for what in LOOKED_AT:
            register.note_finding(who, what, "no limit")
    bay.command(do="start")
    assert bay.check["phase"] == "running"
    bay.close()


@pytest.mark.parametrize("group", ["pain", "red flag", "emergency"])
def test_a_hold_of_the_questions_stops_it(store, group):
    bay = begun(store, [Do("start")], known(store))
    assert bay.check["by"] == ["player", "guardian"]
    bay.command(do="answer", group=group, by="player")
    assert bay.check["phase"] == "stopped" and bay.check["may"] == ["take back", "end"]
    bay.command(do="start")
    assert "not possible" in bay.page.messages[-1]["text"]
    assert bay.close().trials == ()
