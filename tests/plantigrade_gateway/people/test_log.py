"""The log of changes: shown, undone, deleted, merged in any order to one state."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.log import DELETED, Change, ChangeLog
from plantigrade_gateway.people.tables import migrate


@pytest.fixture
def log(tmp_path: Path, engine_at: Callable[[Path], sa.Engine]) -> ChangeLog:
    return ChangeLog(engine_at(tmp_path / "a.sqlite3"))


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


def test_what_was_deleted_says_nothing_and_takes_nothing(log, tmp_path):
    log.say("player", "a", {"name": "Ada Nowhere"}, "coach")
    log.delete([("player", "a")], "coach")
    assert log.shown("player", "a") == {} and "a" not in log.all_shown("player")
    assert [c.field for c in log.changes("player", "a")] == [DELETED]
    with pytest.raises(StoreError, match="player a: was deleted"):
        log.say("player", "a", {"name": "Ada"}, "coach")


def test_a_restart_with_a_clock_that_was_set_back_goes_on(tmp_path, engine_at):
    engine = engine_at(tmp_path / "a.sqlite3")
    ChangeLog(engine, HybridClock(wall_ms=lambda: 10_000)).say("p", "a", {"x": 1}, "c")
    again = ChangeLog(engine, HybridClock(wall_ms=lambda: 9_999))
    again.say("p", "a", {"x": 2}, "c")
    assert again.shown("p", "a") == {"x": 2}
    first, second = again.changes()
    assert (first.site, first.seq, second.seq) == (second.site, 1, 2)


def test_making_the_tables_again_changes_nothing(tmp_path, engine_at):
    engine = engine_at(tmp_path / "a.sqlite3")
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
        st.sampled_from(("name", "mass", "name", "mass", DELETED)),
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
def test_any_order_of_merging_comes_to_one_state(said, data, engine_at):
    logs = []
    for _ in range(2):
        log = ChangeLog(engine_at(Path(":memory:")))
        order = data.draw(st.permutations(said))
        while order:  # in parts that overlap and repeat
            cut = data.draw(st.integers(1, len(order)))
            log.merge(order[:cut])
            log.merge(data.draw(st.lists(st.sampled_from(said), max_size=3)))
            order = order[cut:]
        logs.append(log)
    one, two = logs
    assert one.all_shown("player") == two.all_shown("player") == expected(said)
    assert {c.change_id for c in one.changes()} == {c.change_id for c in two.changes()}
    assert one.merge(said) == 0


def test_what_is_said_after_a_merge_comes_after_it(tmp_path, log, engine_at):
    other = ChangeLog(
        engine_at(tmp_path / "b.sqlite3"), HybridClock(wall_ms=lambda: 2_000_000_000_000)
    )
    log.say("player", "a", {"name": "here"}, "c")
    other.merge(log.changes())
    other.say("player", "a", {"name": "there"}, "c")
    assert log.merge(other.changes()) == 1
    assert log.shown("player", "a") == {"name": "there"}


def test_a_stamp_a_day_ahead_does_not_win_for_good(tmp_path, log, engine_at):
    ahead = HybridClock(wall_ms=lambda: 4_000_000_000_000)  # the year 2096
    other = ChangeLog(engine_at(tmp_path / "b.sqlite3"), ahead)
    other.say("player", "a", {"name": "from the future"}, "c")
    log.merge(other.changes())
    log.say("player", "a", {"name": "from today"}, "c")
    assert log.shown("player", "a") == {"name": "from today"}
    assert len(log.changes()) == 2


def test_a_tombstone_from_elsewhere_wipes_what_is_here_and_what_comes_late(
    tmp_path, log, engine_at
):
    log.say("player", "a", {"name": "Ada"}, "c")
    before = log.changes()
    other = ChangeLog(engine_at(tmp_path / "b.sqlite3"))
    other.merge(before)
    other.delete([("player", "a")], "c")
    log.merge(other.changes())
    assert [c.field for c in log.changes()] == [DELETED]
    assert log.merge(before) == 0 and log.shown("player", "a") == {}
