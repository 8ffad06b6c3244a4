"""What people say of a session, on a real store's file. All people in here are invented.

What is expected follows from the words of the rules alone.
"""

import dataclasses
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.support.records import packets
from tests.support.records import swing as swing_at

from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.coach.case import Questions, SwingNote, Tap
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import SESSION, Register
from plantigrade_gateway.people.said import Conditions, Said, anchor_ns, place_of, said_of
from plantigrade_gateway.people.visits import (
    Visits,
    said_of_session,
    sessions_left_out,
    swing_of,
    with_said,
)
from plantigrade_gateway.store.store import Store


def swing(start_s: float, lead_peak_s: float, finish_s: float | None = None) -> Swing:
    made = swing_at(round(100 * start_s))
    return dataclasses.replace(
        made,
        start_s=start_s,
        lead_peak_s=lead_peak_s,
        finish_s=finish_s,
        confirmed_s=start_s + 2.5,
    )


SWINGS = (swing(10.0, 11.0, 12.0), swing(30.0, 31.2345678912, 32.0), swing(50.0, 51.0))


@pytest.fixture
def register(store: Store) -> Iterator[Register]:
    with Register(store, author="eve") as opened:
        yield opened


@pytest.fixture
def visits(register: Register) -> Visits:
    return Visits(register)


@pytest.fixture
def key(store: Store) -> str:
    session = store.create_session("test", analysis_version=1)
    store.append(session, packets(10))
    store.end_session(session, "stop")
    return session


def reasons_of(said: Said) -> dict[int, str]:
    return {place: one.reason for place, one in said.exclusions.items()}


def left_out(visits: Visits, key: str, swings: Sequence[Swing]) -> dict[int, str]:
    return reasons_of(visits.said(key, swings))


# The visit


def test_of_a_session_nobody_spoke_of_nothing_is_said(visits, key):
    assert visits.said(key, SWINGS) == Said()


def test_of_the_questions_only_the_hold_is_kept(visits, key, register):
    visits.answer(key, "player")
    visits.answer(key, "guardian", "pain")
    before = datetime.now(UTC)
    found = visits.said(key, SWINGS).questions
    assert isinstance(found, Questions) and (found.hold, found.by) == ("pain", "guardian")
    assert abs((found.when - before).total_seconds()) < 60
    assert [c.value for c in visits.changes(key)] == [
        {"hold": "", "by": "player"},
        {"hold": "pain", "by": "guardian"},
    ]


def test_a_hold_stands_whatever_is_answered_later_until_it_is_taken_back(visits, key, register):
    """Design §8 and the rule file: not on this visit; a slip is corrected, and that is kept."""
    with pytest.raises(InputError, match="was not stopped"):
        visits.take_back_hold(key)
    visits.answer(key, "guardian")
    visits.answer(key, "player", "pain")
    visits.answer(key, "player")
    assert visits.hold(key) == "pain"
    visits.answer(key, "player", "red flag")
    assert visits.hold(key) == "red flag"
    before = datetime.now(UTC)
    visits.take_back_hold(key)
    said = visits.said(key, ())
    assert said.questions is not None
    assert (said.questions.hold, said.questions.by) == ("", "player")  # as was answered
    back = said.hold_taken_back
    assert back is not None and (back.hold, back.by) == ("red flag", "eve")
    assert abs((back.when - before).total_seconds()) < 60
    visits.answer(key, "player", "pain")
    assert visits.hold(key) == "pain"
    with pytest.raises(InputError, match="nothing to take back"):
        [visits.take_back_hold(key) for _ in range(2)]


def test_conditions_stay_until_said_otherwise(visits, key):
    visits.set_conditions(key, shoe="  spikeless ", is_shoe_stiff=True)
    visits.set_conditions(key, footbed="own", club="7 iron")
    visits.set_conditions(key, is_shoe_stiff=None)
    assert visits.said(key, ()).conditions == Conditions("spikeless", "own", None, "7 iron")
    assert not visits.said(key, ()).is_unchanged
    visits.mark_unchanged(key)
    assert visits.said(key, ()).is_unchanged
    visits.mark_unchanged(key, is_unchanged=False)
    assert not visits.said(key, ()).is_unchanged


def test_a_note_may_be_of_the_first_instant(visits, key):
    visits.note(key, 0.0, "begins")
    assert [(n.t_s, n.text) for n in visits.said(key, SWINGS).notes] == [(0.0, "begins")]


def test_notes_come_in_order_of_time_and_can_be_taken_back(visits, key):
    late = visits.note(key, 0.09, "looks tired")  # the session lasts 0.09 s
    early = visits.note(key, 0.03, "new grip")
    found = visits.said(key, SWINGS).notes
    assert [(n.note_id, n.t_s, n.text, n.by) for n in found] == [
        (early, 0.03, "new grip", "eve"),
        (late, 0.09, "looks tired", "eve"),
    ]
    visits.remove_note(key, early)
    assert [n.note_id for n in visits.said(key, SWINGS).notes] == [late]
    with pytest.raises(InputError, match="this session has none such"):
        visits.remove_note(key, early)
    assert len(visits.changes(key)) == 3


@pytest.mark.dear
@pytest.mark.parametrize(
    ("say", "words"),
    [
        (lambda v, key: v.answer(key, "mother"), "answered by: 'mother', expected player or"),
        (lambda v, key: v.answer(key, "player", "knee hurts"), "hold: 'knee hurts', expected"),
        (lambda v, key: v.set_conditions(key, shoes="x"), "did you mean shoe"),
        (lambda v, key: v.set_conditions(key, shoe="a\nb"), "line break"),
        (lambda v, key: v.set_conditions(key, is_shoe_stiff="no"), "expected true or false"),
        (lambda v, key: v.note(key, 1.0, "  "), "note: is empty"),
        (lambda v, key: v.note(key, float("nan"), "x"), "its time is nan"),
        (
            lambda v, key: v.note(key, 99999.0, "x"),
            "27:46:39.0, expected 0:00.0 to 0:00.1 in",
        ),
        (lambda v, key: v.note(key, -1.0, "x"), "its time is -0:01.0, expected 0:00.0 to"),
        (lambda v, key: v.exclude(key, SWINGS[0], " "), "reason: is missing"),
        (lambda v, key: v.include(key, SWINGS[0]), "not left out"),
        (lambda v, key: v.tap(key, SWINGS[0], "hip", "up", is_blind=True), "eye: 'hip'"),
        (lambda v, key: v.tap(key, SWINGS[0], "push", "up", is_blind=True), "push: 'up'"),
        (lambda v, key: v.set_speed(key, SWINGS[0], 100.0), "expected 5 to 80"),
        (lambda v, key: v.join_speeds(key, [], None), "nothing to join"),
        (lambda v, key: v.join_speeds(key, [(SWINGS[0], 40.0), (SWINGS[1], 0.0)], 0.0), "5 to 80"),
        (lambda v, key: v.undo_join(key), "no such join"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_kept(visits, key, say, words):
    with pytest.raises(InputError, match=words):
        say(visits, key)
    assert visits.changes(key) == []


def test_of_a_session_that_is_not_there_nothing_can_be_said(visits):
    with pytest.raises(StoreError, match="nowhere"):
        visits.mark_unchanged("nowhere")


# A swing


def test_a_change_names_the_lead_peak_in_nanoseconds(visits, key):
    visits.exclude(key, SWINGS[1], "stepped on the ball")
    (change,) = visits.changes(key)
    assert change.field == "excluded:31234567891"  # 31.2345678912 s, rounded
    assert (change.entity, change.entity_id) == (SESSION, key)


def test_a_swing_is_found_by_its_number_from_1():
    some: Any = SimpleNamespace(swings=SWINGS)
    assert [swing_of(some, number) for number in (1, 2, 3)] == list(SWINGS)
    for number in (0, -1, 4):
        with pytest.raises(InputError, match=f"^swing {number}: this session has 3 swings$"):
            swing_of(some, number)


def test_a_moment_belongs_to_the_swing_that_holds_it():
    assert [place_of(SWINGS, round(t * 1e9)) for t in (10.0, 12.5, 30.5, 52.5)] == [0, 0, 1, 2]
    assert [place_of(SWINGS, round(t * 1e9)) for t in (9.999, 12.501, 52.501)] == [None] * 3
    # Of two that overlap the one with the nearest lead peak.
    pair = (swing(10.0, 11.0, 14.0), swing(12.0, 13.0, 15.0))
    assert [place_of(pair, round(t * 1e9)) for t in (12.0 - 0.1, 12.1, 13.9)] == [0, 1, 1]


def test_where_the_lead_peak_is_not_known_the_beginning_names_the_swing():
    bare = dataclasses.replace(SWINGS[0], lead_peak_s=None)
    assert anchor_ns(bare) == 10_000_000_000
    assert place_of((bare,), anchor_ns(bare)) == 0
    barer = dataclasses.replace(bare, start_s=None)
    assert anchor_ns(barer) == 9_000_000_000  # the address, one second before
    assert place_of((barer,), anchor_ns(barer)) == 0


def test_a_swing_is_left_out_with_reason_who_and_when_and_taken_in_again(visits, key):
    visits.exclude(key, SWINGS[1], "stepped")
    visits.exclude(key, SWINGS[1], "stepped on the ball")
    found = visits.said(key, SWINGS)
    assert reasons_of(found) == {1: "stepped on the ball"}
    assert found.exclusions[1].by == "eve"
    assert found.swings == {1: SwingNote(excluded="stepped on the ball")}
    visits.include(key, SWINGS[1])
    assert visits.said(key, SWINGS) == Said()
    assert [c.value for c in visits.changes(key)] == ["stepped", "stepped on the ball", None]


def test_what_was_said_finds_its_swing_in_results_made_anew(visits, key):
    visits.exclude(key, SWINGS[0], "stepped")
    visits.set_speed(key, SWINGS[0], 41.5)
    visits.tap(key, SWINGS[0], "heel", "up", is_blind=True)
    moved = (swing(5.0, 6.0, 7.0), swing(10.2, 11.1, 12.1))
    found = visits.said(key, moved)
    assert found.swings == {1: SwingNote("stepped", None, Tap("up", True), 41.5)}
    # What is said now names the new peak; of both names the last that was said stands.
    visits.exclude(key, moved[1], "practice")
    assert left_out(visits, key, moved) == {1: "practice"}
    visits.exclude(key, SWINGS[0], "stepped, surely")
    assert left_out(visits, key, moved) == {1: "stepped, surely"}
    visits.include(key, moved[1])
    assert left_out(visits, key, moved) == {} == left_out(visits, key, SWINGS)


def test_an_undo_holds_for_each_peak_that_the_swing_was_named_by(visits, key):
    """Where later results find a swing about the older peak alone, it counts there too."""
    visits.exclude(key, SWINGS[0], "stepped")
    wide = swing(10.2, 12.1, 12.5)  # names another peak, and holds that of before
    visits.include(key, wide)
    narrow = dataclasses.replace(swing(10.9, 11.0, 11.1), confirmed_s=11.6)
    assert left_out(visits, key, (narrow,)) == {}
    assert visits.said(key, ()).strays == ()


def test_what_finds_no_swing_is_listed_and_not_dropped(visits, key):
    visits.exclude(key, SWINGS[2], "stepped")
    visits.set_speed(key, SWINGS[2], 41.52)
    visits.tap(key, SWINGS[0], "push", "not good", is_blind=False)
    found = visits.said(key, SWINGS[1:2])
    assert found.swings == {} and reasons_of(found) == {}
    assert [(s.what, s.t_s, s.text, s.by) for s in found.strays] == [
        ("push", 11.0, "not good", "eve"),
        ("excluded", 51.0, "stepped", "eve"),
        ("speed", 51.0, "41.5 m/s", "eve"),
    ]
    assert visits.said(key, SWINGS).strays == ()
    visits.set_speed(key, SWINGS[2], None)
    assert [s.what for s in visits.said(key, SWINGS[1:2]).strays] == ["push", "excluded"]


def test_the_first_tap_counts_and_all_are_kept(visits, key):
    visits.tap(key, SWINGS[0], "push", "good", is_blind=True)
    visits.tap(key, SWINGS[0], "push", "not good", is_blind=False)
    visits.tap(key, SWINGS[0], "heel", "down", is_blind=False)
    visits.tap(key, SWINGS[0], "heel", "up", is_blind=True)
    note = visits.said(key, SWINGS).swings[0]
    assert (note.eye_push, note.eye_heel) == (Tap("good", True), Tap("down", False))
    assert len(visits.changes(key)) == 4
    moved = (swing(10.2, 11.1, 12.1),)
    visits.tap(key, moved[0], "push", "not good", is_blind=True)
    assert visits.said(key, moved).swings[0].eye_push == Tap("good", True)


def test_no_tap_is_blind_once_the_answer_was_shown(visits, key):
    visits.show_answer(key, SWINGS[0])
    visits.tap(key, SWINGS[0], "push", "good", is_blind=True)
    visits.tap(key, SWINGS[1], "push", "good", is_blind=False)
    visits.tap(key, SWINGS[1], "heel", "up", is_blind=True)  # after one beside the answer
    visits.tap(key, SWINGS[2], "push", "good", is_blind=True)
    said = visits.said(key, SWINGS)
    assert said.swings[0].eye_push == Tap("good", False)
    assert said.swings[1].eye_heel == Tap("up", False)
    assert said.swings[2].eye_push == Tap("good", True)
    assert (said.seen, said.strays) == ({0, 1}, ())


def test_joined_speeds_are_undone_together_and_show_what_was_there(visits, key):
    visits.set_speed(key, SWINGS[0], 40.0)
    first = visits.join_speeds(key, [(SWINGS[0], 41.0), (SWINGS[1], 42.0)], 3.25)
    second = visits.join_speeds(key, [(SWINGS[1], 43.0), (SWINGS[2], 44.0)], None)
    visits.set_speed(key, SWINGS[2], 45.0)
    found = visits.said(key, SWINGS)
    assert [(j.join_id, j.how, j.offset_s, j.count) for j in found.joins] == [
        (first, "time", 3.25, 2),
        (second, "order", None, 2),
    ]

    def speeds() -> list[float | None]:
        notes = visits.said(key, SWINGS).swings
        return [notes[k].club_speed_m_s if k in notes else None for k in range(3)]

    assert speeds() == [41.0, 43.0, 45.0]
    assert visits.undo_join(key) == 1  # the third was typed since, and stays
    assert speeds() == [41.0, 42.0, 45.0]
    assert visits.undo_join(key, first) == 2
    assert speeds() == [40.0, None, 45.0]
    with pytest.raises(InputError, match="no such join"):
        visits.undo_join(key, first)


def test_an_undone_join_leaves_nothing_that_a_later_undo_brings_back(visits, key):
    first = visits.join_speeds(key, [(SWINGS[0], 41.0)], 0.0)
    second = visits.join_speeds(key, [(SWINGS[0], 42.0)], 0.0)
    visits.undo_join(key, first)
    assert visits.said(key, SWINGS).swings[0].club_speed_m_s == 42.0
    visits.undo_join(key, second)
    assert visits.said(key, SWINGS).swings == {}


def test_a_join_that_is_pressed_twice_is_one(visits, key):
    pairs = [(SWINGS[0], 41.0), (SWINGS[1], 42.0)]
    first = visits.join_speeds(key, pairs, None)
    assert visits.join_speeds(key, pairs, None) == first
    assert [join.join_id for join in visits.said(key, SWINGS).joins] == [first]
    others = [(SWINGS[0], 41.0), (SWINGS[1], 42.5)]
    assert first not in (visits.join_speeds(key, others, None), visits.join_speeds(key, pairs, 0.0))
    assert len(visits.said(key, SWINGS).joins) == 3
    assert visits.undo_join(key) == 2
    assert visits.undo_join(key) == 2
    assert visits.undo_join(key) == 2
    assert visits.said(key, SWINGS).swings == {}


@pytest.mark.sqlite
def test_a_store_that_is_only_read_tells_it_too_and_is_not_changed(visits, key, store, tmp_path):
    visits.exclude(key, SWINGS[1], "stepped")
    assert said_of_session(store, key, SWINGS) == visits.said(key, SWINGS)
    with Store.open(tmp_path / "old.sqlite3") as bare:
        assert said_of_session(bare, key, SWINGS) == Said()
        assert bare.database.read("SELECT 1 FROM sqlite_schema WHERE name = 'people_change'") == []


def test_results_come_with_what_was_said_of_their_session_alone(visits, key, store):
    """What sums, reports and what is sent on go by: the second swing is not in their numbers."""
    other = store.create_session("test", analysis_version=1)
    found = Analysis("test", 100.0, 600.0, (), (), SWINGS, (), None)
    visits.exclude(key, SWINGS[1], "stepped")
    of_key, of_other = (with_said(store, session, found) for session in (key, other))
    assert {place: one.reason for place, one in of_key.excluded.items()} == {1: "stepped"}
    assert (of_key.swings, of_key.counted) == (SWINGS, (SWINGS[0], SWINGS[2]))
    assert of_other == found and of_other.counted == SWINGS


def test_sessions_that_may_have_swings_left_out_are_told_with_their_changes(
    visits, key, store, register
):
    other = store.create_session("test", analysis_version=1)
    assert sessions_left_out(register).get(key) is None
    visits.exclude(key, SWINGS[1], "stepped")
    visits.exclude(key, SWINGS[0], "practice")
    visits.include(key, SWINGS[1])
    visits.set_speed(other, SWINGS[0], 40.0)  # leaves nothing out
    told = sessions_left_out(register)
    assert (told[key], other in told) == (3, False)


# Merging


_VALUES: dict[str, list[Any]] = {
    "questions": [{"hold": "", "by": "player"}, {"hold": "pain", "by": "guardian"}],
    "shoe": ["", "spikeless"],
    "is_unchanged": [True, False],
    "set:s": [None, {"intent": "full", "club": ""}, {"intent": "fast", "club": "driver"}],
    "note:n": [None, {"t_s": 1.0, "text": "x"}],
    # Two names of the first swing, one of the second, one of none.
    **{f"excluded:{at}000000000": [None, "stepped", "practice"] for at in (11, 12, 31, 80)},
    **{f"push:{at}000000000": [{"answer": "good", "is_blind": True}] for at in (12, 31)},
    "push:11000000000": [{"answer": "not good", "is_blind": False}],
    "speed:11000000000": [None, {"m_s": 40.0}, {"m_s": 41.0, "join": "j"}],
}


def _change(hlc: int, site: str, seq: int, field_and_value: tuple[str, Any]) -> Change:
    field, value = field_and_value
    return Change(f"{site}{seq}", SESSION, "s", field, value, site, 0, hlc, site, seq)


_CHANGES = st.lists(
    st.builds(
        _change,
        st.integers(0, 4),  # close together, so that equal stamps are common
        st.sampled_from("ab"),
        st.integers(0, 9),
        st.sampled_from([(field, value) for field, some in _VALUES.items() for value in some]),
    ),
    unique_by=lambda c: c.change_id,
    max_size=10,
)


@pytest.mark.dear
@settings(max_examples=60, deadline=None)
@given(changes=_CHANGES, data=st.data())
@pytest.mark.slow
def test_any_order_of_merging_shows_the_same_session(changes, data, new_place):
    shown = []
    for _ in range(2):
        with new_place() as engine:
            log = ChangeLog(engine)
            for change in data.draw(st.permutations(changes)):
                log.merge([change])
            shown.append(said_of(log.changes(SESSION, "s"), SWINGS))
    assert shown[0] == shown[1]
    # The rules, read plainly: the last exclusion and the first tap of the first swing.
    ordered = sorted(changes, key=lambda c: (c.hlc, c.site, c.seq))
    first = [c for c in ordered if c.field.partition(":")[2] in ("11000000000", "12000000000")]
    reasons = [c.value for c in first if c.field.startswith("excluded:")]
    assert reasons_of(shown[0]).get(0) == (reasons[-1] if reasons else None)
    taps = [c.value["answer"] for c in first if c.field.startswith("push:")]
    note = shown[0].swings.get(0, SwingNote())
    assert (note.eye_push.answer if note.eye_push else None) == (taps[0] if taps else None)
    edits = [c.value for c in ordered if c.field == "set:s"]
    intents = {key: edit.intent for key, edit in shown[0].sets.items()}
    assert intents == ({"s": edits[-1]["intent"]} if edits and edits[-1] else {})
    lost = [c for c in ordered if c.field == "excluded:80000000000"]
    assert [s.text for s in shown[0].strays] == [c.value for c in lost[-1:] if c.value]
