"""The log of changes: shown, undone, deleted, merged in any order to one state."""

from collections.abc import Callable
from contextlib import ExitStack, suppress
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people import log as log_module
from plantigrade_gateway.people import tables
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.log import DELETED, ChangeLog
from plantigrade_gateway.people.tables import migrate


@pytest.fixture
def log(new_log: Callable[..., ChangeLog]) -> ChangeLog:
    return new_log()


def test_the_last_that_was_said_is_shown_and_all_is_kept(log):
    log.say("player", "a", {"name": "Ada", "mass_kg": 61.5}, "coach")
    log.say("player", "a", {"mass_kg": 62.0}, "coach")
    log.say("player", "b", {"name": "Bo"}, "coach")
    assert log.shown("player", "a") == {"name": "Ada", "mass_kg": 62.0}
    assert log.all_shown("player").keys() == {"a", "b"}
    assert [c.value for c in log.changes("player", "a")] == ["Ada", 61.5, 62.0]
    assert {c.author for c in log.changes()} == {"coach"}


def test_undo_is_another_change(log):
    log.say("swing", "s", {"excluded": "stepped"}, "coach")
    log.say("swing", "s", {"excluded": None}, "coach")
    assert log.shown("swing", "s") == {"excluded": None}
    assert len(log.changes("swing", "s")) == 2


def test_what_was_deleted_says_nothing_and_takes_nothing(log):
    log.say("player", "a", {"name": "Ada Nowhere"}, "coach")
    log.delete([("player", "a")], "coach")
    assert log.shown("player", "a") == {} and "a" not in log.all_shown("player")
    assert [c.field for c in log.changes("player", "a")] == [DELETED]
    with pytest.raises(StoreError, match="player a: was deleted"):
        log.say("player", "a", {"name": "Ada"}, "coach")


def test_a_restart_with_a_clock_that_was_set_back_goes_on(engine):
    ChangeLog(engine, HybridClock(wall_ms=lambda: 10_000)).say("p", "a", {"x": 1}, "c")
    again = ChangeLog(engine, HybridClock(wall_ms=lambda: 9_999))
    again.say("p", "a", {"x": 2}, "c")
    assert again.shown("p", "a") == {"x": 2}
    first, second = again.changes()
    assert (first.site, first.seq, second.seq) == (second.site, 1, 2)


def test_making_the_tables_again_changes_nothing(engine):
    ChangeLog(engine).say("p", "a", {"x": 1}, "c")
    migrate(engine)
    assert ChangeLog(engine).shown("p", "a") == {"x": 1}


def change(hlc: int, site: str, seq: int, entity_id: str, field: str, value: str) -> Change:
    said: Any = True if field == DELETED else value
    return Change(f"{site}{seq}", "player", entity_id, field, said, "c", 0, hlc, site, seq)


# Stamps close together, so that equal ones are common.
changes = st.lists(
    st.builds(
        change,
        st.integers(0, 5),
        st.sampled_from("ab"),
        st.integers(0, 9),
        st.sampled_from("xy"),
        st.sampled_from(("grip", "mass", "grip", "mass", DELETED)),
        st.text("pq", max_size=2),
    ),
    unique_by=lambda c: c.change_id,
    max_size=8,
)


def expected(said: list[Change]) -> dict[str, dict[str, Any]]:
    """What the rule says, read plainly: the highest stamp, then site, then number."""
    gone = {c.entity_id for c in said if c.field == DELETED}
    found: dict[str, dict[str, Any]] = {}
    for c in sorted(said, key=lambda c: (c.hlc, c.site, c.seq)):
        if c.entity_id not in gone:
            found.setdefault(c.entity_id, {})[c.field] = c.value
    return found


@pytest.mark.dear
@settings(max_examples=30, deadline=None)
@given(said=changes, data=st.data())
@pytest.mark.slow
def test_any_order_of_merging_comes_to_one_state(said, data, new_place):
    with new_place() as here, new_place() as there:
        one, two = ChangeLog(here), ChangeLog(there)
        for log in (one, two):
            order = data.draw(st.permutations(said))
            while order:  # in parts that overlap and repeat
                cut = data.draw(st.integers(1, len(order)))
                log.merge(order[:cut])
                log.merge(data.draw(st.lists(st.sampled_from(said), max_size=3)))
                order = order[cut:]
        assert one.all_shown("player") == two.all_shown("player") == expected(said)
        assert {c.change_id for c in one.changes()} == {c.change_id for c in two.changes()}
        assert one.seen() == two.seen()
        assert one.merge(said) == 0


# What two places do on their own, and when they meet: (who, what, of whom, field).
turns = st.lists(
    st.tuples(
        st.integers(0, 2),
        st.sampled_from(("say", "say", "say", "delete", "meet", "meet")),
        st.sampled_from("xy"),
        st.sampled_from(("grip", "mass")),
    ),
    max_size=10,
)


@pytest.mark.dear
@settings(max_examples=20, deadline=None)
@given(turns=turns, most=st.integers(1, 3))
@pytest.mark.slow
def test_places_that_meet_now_and_then_come_to_one_state(turns, most, new_place):
    """Two bays that know nothing of each other, and their hub; changes go in small pieces."""
    with ExitStack() as stack:
        hub, *bays = (ChangeLog(stack.enter_context(new_place())) for _ in range(3))
        said: list[Change] = []
        for n, (who, what, entity_id, field) in enumerate(turns):
            log = (hub, *bays)[who]
            if what == "meet":
                for bay in bays if log is hub else [log]:
                    handed_over(bay, hub, most)
                    handed_over(hub, bay, most)
            elif what == "delete":
                log.delete([("player", entity_id)], "c")
                said += [c for c in log.changes("player", entity_id) if c not in said]
            else:
                with suppress(StoreError):  # it was deleted there
                    said += log.say("player", entity_id, {field: n}, "c")
        for bay in (*bays, *bays):
            handed_over(hub, bay, most)
            handed_over(bay, hub, most)
        for log in (hub, *bays):
            assert log.all_shown("player") == expected(said)
            assert log.changes() == hub.changes()
            assert hub.since(log.seen(), 99) == []
            assert log.since(hub.seen(), 99) == []


def test_where_nothing_comes_nothing_is_new(log, new_log):
    assert log.merge([]) == 0
    said = new_log().say("player", "a", {"name": "Ada", "shoe": "x"}, "c")
    assert [log.merge(said), log.merge(said), log.merge([])] == [2, 0, 0]


def test_what_is_said_after_a_merge_comes_after_it(log, new_log):
    other = new_log(HybridClock(wall_ms=lambda: 2_000_000_000_000))
    log.say("player", "a", {"name": "here"}, "c")
    other.merge(log.changes())
    other.say("player", "a", {"name": "there"}, "c")
    assert log.merge(other.changes()) == 1
    assert log.shown("player", "a") == {"name": "there"}


def test_whose_changes_are_is_known_of_those_that_are_here(log, new_log, monkeypatch):
    monkeypatch.setattr(log_module, "_PIECE", 2)  # asked of in pieces, the last one is not full
    other = new_log()
    mine = log.say("player", "a", {"name": "Ada", "shoe": "x"}, "c")
    yours = other.say("player", "b", {"name": "Bo"}, "c")
    log.merge(yours)
    asked = [*(one.change_id for one in (*mine, *yours)), "ab" * 16]
    assert log.sites_of(asked) == {
        **{one.change_id: log.place() for one in mine},
        **{one.change_id: other.place() for one in yours},
    }
    assert log.sites_of([]) == {}


def test_a_stamp_a_day_ahead_does_not_win_for_good(log, new_log):
    ahead = HybridClock(wall_ms=lambda: 4_000_000_000_000)  # the year 2096
    other = new_log(ahead)
    other.say("player", "a", {"name": "from the future"}, "c")
    log.merge(other.changes())
    log.say("player", "a", {"name": "from today"}, "c")
    assert log.shown("player", "a") == {"name": "from today"}
    assert len(log.changes()) == 2


def test_a_tombstone_from_elsewhere_wipes_what_is_here_and_what_comes_late(log, new_log):
    log.say("player", "a", {"name": "Ada"}, "c")
    before = log.changes()
    other = new_log()
    other.merge(before)
    other.delete([("player", "a")], "c")
    log.merge(other.changes())
    assert [c.field for c in log.changes()] == [DELETED]
    assert log.merge(before) == 0 and log.shown("player", "a") == {}


def handed_over(one: ChangeLog, other: ChangeLog, most: int) -> None:
    """Give one log what it has not seen, in pieces, as a bay and its hub do."""
    while given := other.since(one.seen(), most):
        one.merge(given, other.restamps())


@pytest.mark.parametrize("most", [1, 2, 500])
def test_what_another_has_not_seen_comes_in_pieces_until_both_have_all(log, new_log, most):
    other = new_log()
    log.say("player", "a", {"name": "Ada", "mass_kg": 61.5, "shoe": "own"}, "c")
    other.say("player", "b", {"name": "Bo", "mass_kg": 70.0}, "c")
    handed_over(other, log, most)
    handed_over(log, other, most)
    assert log.changes() == other.changes() and len(log.changes()) == 5
    assert log.seen() == other.seen() and sorted(log.seen().values()) == [2, 3]
    assert log.since(other.seen(), most) == [] == other.since(log.seen(), most)
    assert [(c.site, c.seq) for c in log.since({}, 500)] == sorted(
        (c.site, c.seq) for c in log.changes()
    )


def test_what_was_wiped_is_not_asked_for_again(log, new_log):
    other = new_log()
    log.say("player", "a", {"name": "Ada", "mass_kg": 61.5}, "c")
    (first,) = log.since({}, 1)
    other.merge([first])
    other.delete([("player", "a")], "c")
    assert other.seen() == {first.site: 1, other.changes()[0].site: 1}
    handed_over(other, log, 1)  # the second: it comes late, is refused, and was seen
    assert other.seen()[first.site] == 2
    handed_over(log, other, 1)
    assert log.since(other.seen(), 9) == [] == other.since(log.seen(), 9)
    assert log.seen() == other.seen()
    assert [c.field for c in log.changes()] == [c.field for c in other.changes()] == [DELETED]
    log.delete([("player", "a")], "c")
    assert log.seen()[first.site] == 3, "its own number goes on after what was wiped"


def test_of_several_stamps_that_a_change_was_given_the_lowest_holds_everywhere(log, new_log):
    ahead = HybridClock(wall_ms=lambda: 4_000_000_000_000)  # the year 2096
    future, third = (new_log(ahead) for n in "bc")
    future.say("player", "a", {"name": "from the future"}, "c")
    (said,) = future.changes()
    handed_over(log, future, 9)
    ((key, given),) = log.restamps()
    assert key == said.change_id and given < said.hlc
    third.merge([said], [(key, given + 5)])
    log.say("player", "a", {"name": "from today"}, "c")
    third.merge(log.since(third.seen(), 9), [(key, given), (key, given + 5)])
    assert third.restamps() == [(key, given), (key, given + 5)]
    assert third.shown("player", "a") == log.shown("player", "a") == {"name": "from today"}
    assert log.merge([], third.restamps()) == 0
    assert log.restamps() == third.restamps()


def test_a_stamp_given_by_a_clock_that_is_ahead_itself_does_not_hold(log, new_log):
    ahead = HybridClock(wall_ms=lambda: 4_000_000_000_000)
    future = new_log(ahead)
    (said,) = future.say("player", "a", {"name": "from the future"}, "c")
    log.merge([said], [(said.change_id, said.hlc - 1)])
    log.say("player", "a", {"name": "from today"}, "c")
    assert log.shown("player", "a") == {"name": "from today"}


def test_a_bay_whose_clock_was_never_set_leaves_the_others_stamps_alone(log, new_log):
    bay = new_log(HybridClock(wall_ms=lambda: 0))
    log.say("player", "a", {"name": "Ada"}, "c")
    bay.merge(log.changes(), judges=False)
    assert bay.restamps() == [] and bay.changes() == log.changes()


def test_what_two_say_by_turns_comes_in_that_order(engine):
    """Two programs on the same tables, one with a clock that is behind the other's."""
    late = ChangeLog(engine, HybridClock(wall_ms=lambda: 90_000))
    early = ChangeLog(engine, HybridClock(wall_ms=lambda: 50_000))
    for k in range(4):
        (late, early)[k % 2].say("p", "a", {"x": k}, "c")
    assert [c.value for c in late.changes()] == [0, 1, 2, 3]


def test_an_older_copy_of_a_place_goes_on_after_its_last_number(log, new_log):
    log.say("p", "a", {"x": 1}, "c")
    (first,) = log.changes()
    (second,) = log.say("p", "a", {"x": 2}, "c")
    copy = new_log()
    with copy._engine.begin() as db:
        db.execute(tables.SITE.insert().values(one=True, site=first.site, seq=1))
    copy.merge([first, second])
    (third,) = copy.say("p", "a", {"x": 3}, "c")
    assert (third.site, third.seq) == (first.site, 3)


def test_tables_of_version_1_are_given_what_was_seen(engine, monkeypatch):
    with monkeypatch.context() as old, tables.writing(engine).begin() as db:
        tables.META.drop_all(db)
        for index in (tables._BY_PLACE, tables._BY_STAMP):
            old.setattr(tables.CHANGE, "indexes", tables.CHANGE.indexes - {index})
        tables.VERSION.create(db)
        tables.MIGRATIONS[0](db)
        db.execute(tables.VERSION.insert().values(version=1))
        db.execute(tables.SITE.insert().values(one=True, site="here", seq=7))
        row: dict[str, Any] = {"entity": "p", "entity_id": "a", "field": "x", "value": "1"}
        row |= {"author": "c", "wall_utc_ms": 0, "hlc": 1}
        for site, seq in (("here", 4), ("there", 2), ("there", 9)):
            db.execute(
                tables.CHANGE.insert().values(**row, change_id=f"{site}{seq}", site=site, seq=seq)
            )
    log = ChangeLog(engine)
    assert log.seen() == {"here": 7, "there": 9}  # three of its own were wiped
    assert [c.seq for c in log.since({"here": 7}, 9)] == [2, 9]
    names = {index["name"] for index in sa.inspect(engine).get_indexes("people_change")}
    assert names == {"people_change_order", "people_change_place", "people_change_stamp"}
