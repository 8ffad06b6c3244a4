"""The right session is found, and what is told of it is what is stored."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.support.records import packets, stand, step, swing

from plantigrade.block import Foot
from plantigrade.events import Stand, Step, Swing
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store.sessions import detail, find, list_sessions
from plantigrade_gateway.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.sqlite3") as opened:
        yield opened


def with_ids(monkeypatch, store: Store, *ids: str) -> None:
    """Sessions of these ids, a day apart."""
    for day, session_id in enumerate(ids, 1):
        monkeypatch.setattr("secrets.token_hex", lambda n, i=session_id: i)
        started = datetime(2026, 5, day, tzinfo=UTC)
        store.create_session("test", analysis_version=1, started=started)


def test_list_shows_player_counts_and_duration(store):
    player = store.players.create("Ida Invented", "left", 64)
    a = store.create_session("demo", analysis_version=1, player_id=player)
    b = store.create_session("file", analysis_version=1)
    store.append(a, packets(301))
    events: list[Step | Swing | Stand] = [
        step(1),
        step(1, Foot.RIGHT),
        step(60),
        stand(100),
        swing(150),
    ]
    store.put_events(a, [event_row(a, e, 301) for e in events])
    first, second = list_sessions(store)
    assert (first.session.session_id, first.player, first.steps) == (b, None, 0)
    assert second.session.session_id.startswith(second.short_id)
    assert second.player is not None
    assert second.player.name == "Ida Invented"
    assert (second.steps, second.swings, second.stands) == (3, 1, 1)
    assert second.session.duration_s == 3.0


def test_detail_holds_the_events(store):
    session = store.create_session("demo", analysis_version=1)
    store.append(session, packets(10))
    events: list[Step | Swing | Stand] = [swing(900), step(1), step(60), stand(100)]
    store.put_events(session, [event_row(session, e, 10) for e in events])
    store.put_quality(session, {"lost": 2})
    told = detail(store, session)
    assert told.steps == (step(1), step(60))
    assert told.swings == (swing(900),)
    assert told.stands == (stand(100),)
    assert told.quality == {"lost": 2}
    assert (told.line.steps, told.line.swings, told.line.stands) == (2, 1, 1)
    with pytest.raises(StoreError, match="session none: not in the store"):
        detail(store, "none")


def test_a_session_is_found_by_the_beginning_of_its_id(store, monkeypatch):
    with_ids(monkeypatch, store, "ab12cd", "ab34ef", "ff0011")
    assert find(store, "ab1").session_id == "ab12cd"
    assert find(store, " AB3 ").session_id == "ab34ef"
    assert find(store, "ff0011").session_id == "ff0011"
    assert find(store, "last").session_id == "ff0011"
    with pytest.raises(StoreError, match=r"2 sessions .* \(ab34ef, ab12cd\); give more of it"):
        find(store, "ab")
    for nothing in ("b", "ab12cde", ""):
        with pytest.raises(StoreError, match=r"no session .* begins so; plantigrade sessions"):
            find(store, nothing)


def test_the_last_is_the_one_recorded_last_though_the_clock_was_set_back(store):
    days = [datetime(2026, 5, day, tzinfo=UTC) for day in (2, 4, 1)]
    ids = [store.create_session("test", analysis_version=1, started=day) for day in days]
    assert find(store, "last").session_id == ids[-1]
    assert [s.session_id for s in store.sessions()] == [ids[1], ids[0], ids[2]], "by their dates"


def test_many_of_the_same_beginning_are_not_all_named(store, monkeypatch):
    with_ids(monkeypatch, store, *(f"aa{k}" for k in range(7)))
    with pytest.raises(StoreError, match=r"7 sessions .* \(aa6, aa5, aa4, aa3, aa2 and others\)"):
        find(store, "aa")


def test_an_empty_store_says_so(store):
    assert list_sessions(store) == []
    with pytest.raises(StoreError, match="holds no session yet"):
        find(store, "last")
