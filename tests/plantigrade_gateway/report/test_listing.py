"""The list of sessions as people read it. All people in here are invented."""

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from tests.support.printed import cells, printed

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.report.listing import names_of, show_list
from plantigrade_gateway.store.rows import NewSession
from plantigrade_gateway.store.sessions import list_sessions


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
