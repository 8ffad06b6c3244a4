"""A player's case, put together of a real store. All people in here are invented."""

import dataclasses
from datetime import UTC, date, datetime, timedelta

import pytest
from tests.support.practice import store_practice
from tests.support.records import packets, swing

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.coach.case import Case, Decided, Print, SwingNote, Tap
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.visits import Visits, calibrations_of
from plantigrade_gateway.report.player import visits_csv
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

FIRST = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


def visit(store: Store, player: str, day: int, *, end: bool = True) -> str:
    session = store.create_session(
        "test", analysis_version=1, player_id=player, started=FIRST + timedelta(days=day)
    )
    store.append(session, packets(10))
    store.put_events(session, [event_row(session, swing(at), 1) for at in (1000, 2000)])
    store.put_quality(session, {"marks": [{"t_s": 15.0, "text": "set: full"}]})
    if end:
        store.end_session(session, "stop")
    return session


def test_of_a_new_player_little_is_known(register):
    key = register.add(name="Ada Nowhere", handedness="left")
    assert case_of(register, key) == Case(key, "Ada Nowhere", "left")


def test_visits_come_in_order_with_all_that_was_said(store, register):
    key = register.add(name="Mia", handedness="right", is_minor=True, guardian="Gus")
    other = register.add(name="Otto", handedness="right")
    late, early = visit(store, key, 7), visit(store, key, 0)
    visit(store, other, 3)
    visits = Visits(register)
    analysis = results.read(store, early)
    visits.answer(early, "guardian", "pain")
    visits.set_conditions(early, shoe="spikeless", footbed="own", is_shoe_stiff=False)
    visits.exclude(early, analysis.swings[1], "stepped")
    visits.tap(early, analysis.swings[0], "push", "good", is_blind=True)
    visits.set_speed(early, analysis.swings[0], 40.0)
    visits.mark_unchanged(late)
    register.note_finding(key, "hips", "limit", "lead side")
    register.note_print(key, "left", "low")
    register.decide(key, "lead heel", "go", date(2026, 3, 1), "let it rise", "up")

    case = case_of(register, key)
    assert [v.session_id for v in case.visits] == [early, late]
    first, second = case.visits
    assert first.started == FIRST and first.analysis.swings == analysis.swings
    assert [(run.name, run.swings) for run in analysis.sets] == [("full", analysis.swings[1:])]
    assert [(run.name, run.swings) for run in first.analysis.sets] == [("full", ())]
    assert first.questions is not None and first.questions.hold == "pain"
    assert (first.shoe, first.footbed, first.is_shoe_stiff) == ("spikeless", "own", False)
    assert first.note(0) == SwingNote(eye_push=Tap("good", True), club_speed_m_s=40.0)
    assert first.note(1) == SwingNote(excluded="stepped")
    assert not first.is_unchanged and second.is_unchanged
    assert (second.questions, second.shoe, second.notes) == (None, "", {})
    assert case.is_minor
    assert case.findings == {"hips": "limit"} and case.prints == (Print("left", "low"),)
    assert case.decisions == (Decided("lead heel", "go", "up", "let it rise", date(2026, 3, 1)),)


def test_a_visit_of_the_wrong_player_is_nowhere_theirs_once_it_is_moved(store, register):
    """Recorded under the wrong name: lists, case, speed work and what was said of it go along."""
    wrong, right = (register.add(name=name, handedness="right") for name in ("Ada", "Bo"))
    own, moved = visit(store, wrong, 0), visit(store, wrong, 3)
    Visits(register).answer(moved, "player", "pain")
    assign(register, moved, right, move=True)
    assert [v.session_id for v in case_of(register, wrong).visits] == [own]
    (theirs,) = case_of(register, right).visits
    assert theirs.session_id == moved
    assert theirs.questions is not None and theirs.questions.hold == "pain"
    assert {row.profile.name: row.sessions for row in register.rows()} == {"Ada": 1, "Bo": 1}
    for who, one in ((wrong, own), (right, moved)):
        assert [session.session_id for session in store.sessions(who)] == [one]
        day = store.session(one).started.date().isoformat()
        assert day in visits_csv(store, who) and len(visits_csv(store, who).splitlines()) == 2


def test_a_case_of_then_knows_nothing_of_later(store, register):
    key = register.add(name="Ada", handedness="right")
    days = [visit(store, key, day) for day in (0, 7, 14)]
    for day, cue in ((1, "first"), (7, "the day before"), (8, "on the second"), (20, "after")):
        register.decide(key, "speed", "go", date(2026, 3, day), cue)

    def told(session: str | None) -> tuple[int, list[str]]:
        case = case_of(register, key, session)
        return len(case.visits), [made.cue for made in case.decisions]

    assert [told(each) for each in days] == [
        (1, ["the day before"]),
        (2, ["on the second"]),
        (3, ["after"]),
    ]
    assert told(None) == (3, ["after"])


def test_two_visits_of_one_day_share_its_decisions(store, register):
    key = register.add(name="Ada", handedness="right")
    morning = visit(store, key, 0)
    visit(store, key, 0)
    register.decide(key, "push", "go", date(2026, 3, 1), "roll", "even")
    assert [made.plan for made in case_of(register, key, morning).decisions] == ["even"]


def test_a_visit_under_way_counts_only_where_it_is_named(store, register):
    key = register.add(name="Ada", handedness="right")
    first, open_one = visit(store, key, 0), visit(store, key, 1, end=False)
    assert [v.session_id for v in case_of(register, key).visits] == [first]
    assert [v.session_id for v in case_of(register, key, open_one).visits] == [first, open_one]


def test_another_players_session_is_refused(store, register):
    key, other = (register.add(name=name, handedness="right") for name in ("Ada", "Bo"))
    session = visit(store, other, 0)
    with pytest.raises(StoreError, match="is no visit of this player"):
        case_of(register, key, session)
    with pytest.raises(StoreError, match="'nobody': not in the store"):
        case_of(register, "nobody")


@pytest.mark.dear
@pytest.mark.slow
def test_a_check_makes_no_other_calibration_and_a_gain_does(store):
    analysis = results.read(store, store_practice(store))
    assert analysis.quality is not None

    def of(text: str | None, gain: float = 1.0) -> tuple[str, ...]:
        assert analysis.quality is not None
        left = dataclasses.replace(analysis.quality.left, calibration=text, gain=gain)
        quality = dataclasses.replace(analysis.quality, left=left)
        return calibrations_of(dataclasses.replace(analysis, quality=quality))

    made = "calibrated 2026-03-01, gain repeats within 1.0 %, zero within 0.5 %"
    assert of(made) == of(f"{made}; check of 2026-03-08 passed")
    assert len({of(made), of(made, 1.02), of(made.replace("03-01", "03-02"))}) == 3
    assert len(of(made)) == 2 and of(None) == ()
    assert calibrations_of(dataclasses.replace(analysis, quality=None)) == ()
