"""How a bay's way to the hub stands: kept, fresh or not, and what people read of it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store.hubstate import HubState, lines, path_for, read, write

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
STATE = HubState(
    written=NOW,
    url="https://hub:8443",
    problem=None,
    last_contact=NOW - timedelta(seconds=7),
    sessions=1,
    pieces=2,
    changes=0,
    deletions=0,
    refused=(),
    per_s=1.5,
)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, "1 session, 2 pieces, 0 changes waiting; answered 7 s ago"),
        (
            {"sessions": 0, "pieces": 1, "changes": 1, "deletions": 1},
            "0 sessions, 1 piece, 1 change, 1 deletion waiting; answered 7 s ago",
        ),
        (
            {"changes": None, "last_contact": None, "problem": "takes no more"},
            "1 session, 2 pieces, changes not known waiting; takes no more; has not answered yet",
        ),
        # a clock that was set back: not in the time to come
        (
            {"last_contact": NOW + timedelta(hours=1)},
            "1 session, 2 pieces, 0 changes waiting; answered 0 s ago",
        ),
        (
            {"last_contact": NOW - timedelta(minutes=3)},
            "1 session, 2 pieces, 0 changes waiting; answered 3 min ago",
        ),
    ],
)
def test_what_waits_and_when_the_hub_answered(changed, said):
    assert lines(replace(STATE, **changed), NOW) == [f"https://hub:8443: {said}"]


def test_what_the_hub_would_not_take_is_a_line_each():
    found = lines(replace(STATE, refused=("session a: 5 pieces", "session b: 1 piece")), NOW)
    assert found[1:] == ["session a: 5 pieces", "session b: 1 piece"]


def test_it_is_of_a_process_that_runs_for_five_seconds():
    now = datetime.now(UTC)
    assert replace(STATE, written=now).is_fresh
    assert not replace(STATE, written=now - timedelta(seconds=5.5)).is_fresh
    assert not replace(STATE, written=now + timedelta(hours=1)).is_fresh, "the clock was set back"


def test_it_lies_beside_the_store_and_comes_back(tmp_path: Path):
    path = path_for(tmp_path / "store.sqlite3")
    assert path == tmp_path / "store.sqlite3-hub.json"
    assert read(path) is None
    write(path, replace(STATE, refused=("one",), changes=None))
    assert read(path) == replace(STATE, refused=("one",), changes=None)
    path.write_text("{", "utf-8")
    with pytest.raises(InputError, match=r"store\.sqlite3-hub\.json"):
        read(path)
