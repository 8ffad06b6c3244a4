"""The list of sessions as people read it. All people in here are invented."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from types import SimpleNamespace
from typing import Any

from tests.support.printed import cells, printed

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.report.listing import names_of, session_json, show_list
from plantigrade_gateway.store.rows import NewSession, Session
from plantigrade_gateway.store.sessions import SessionLine, list_sessions


def line(session_id: str, player_id: str | None, state: str = "ended") -> Any:
    session = SimpleNamespace(
        session_id=session_id,
        started=datetime(2026, 3, 1, 9, 5, tzinfo=UTC),
        duration_s=61.0,
        state=state,
        source_said="range",
    )
    player = None if player_id is None else SimpleNamespace(player_id=player_id)
    return SimpleNamespace(
        session=session, player=player, short_id=session_id, steps=1, swings=2, stands=3
    )


def listed(lines: list[Any], names: dict[str, str]) -> list[list[str]]:
    return [cells(row) for row in printed(lambda out: show_list(lines, names, out))]


def test_whose_each_session_is():
    lines = [line("a1", "p1"), line("b2", None, "open"), line("c3", "p2")]
    head, *rows = listed(lines, {"p1": "Ada"})
    assert head[-2:] == ["player", "source"]
    assert rows == [
        ["a1", "2026-03-01 09:05", "1:01", "1", "2", "3", "Ada", "range"],
        ["b2", "2026-03-01 09:05", "recording", "1", "2", "3", "–", "range"],
        ["c3", "2026-03-01 09:05", "1:01", "1", "2", "3", "p2", "range"],  # a name that is gone
    ]


def test_no_column_of_players_where_none_is_known():
    head, row = listed([line("a1", None)], {})
    assert "player" not in head
    assert row[-2:] == ["3", "range"]


def test_names_are_those_of_the_register(store):
    with Register(store) as register:
        who = register.add(name="Ada", handedness="right")
    store.begin_session("a1", NewSession.now("range", 1, who))
    assert names_of(list_sessions(store), store) == {who: "Ada"}
    assert names_of([], store) == {}


def test_where_nothing_is_stored_it_says_how_to_begin():
    assert printed(lambda out: show_list([], {}, out)) == [
        "No session is stored yet. plantigrade demo records one."
    ]


BEGAN = datetime(2026, 3, 2, 17, 5, 59, tzinfo=timezone(timedelta(hours=9)))
STOPPED = Session(
    *("5e" * 16, "a1" * 16, BEGAN, "insoles", "range", "ended", "stop", 3, 100),
    *(1_000_000_000, 63_400_000_000, 7),
)


def test_a_session_as_json_names_its_player_by_id_alone():
    assert session_json(SessionLine(STOPPED, None, 40, 12, 2)) == {
        "session": "5e" * 16,
        "player": "a1" * 16,
        "started": "2026-03-02T17:05:59+09:00",
        "duration_s": 62.4,
        "source": "insoles",
        "host": "range",
        "state": "ended",
        "end_reason": "stop",
        "analysis_version": 3,
        "steps": 40,
        "swings": 12,
        "stands": 2,
        "pair": "",
    }
    none = replace(STOPPED, player_id=None, started=datetime(2026, 3, 2, 8, tzinfo=UTC), pair="B")
    found = session_json(SessionLine(none, None, 0, 0, 0))
    assert (found["player"], found["started"]) == (None, "2026-03-02T08:00:00+00:00")
    assert found["pair"] == "B"
