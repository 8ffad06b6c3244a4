"""What was deleted here is deleted from a database within the test, and nothing else is."""

from collections.abc import AsyncIterator

import pytest
from tests.support.fakedatabase import FakeDatabase, fake_database

from plantigrade_gateway.config import Config, load
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward.removal import remove, remove_former
from plantigrade_gateway.store.hubledger import Ledger

ANN, BOB = "a" * 32, "b" * 32
ONE, TWO, THREE = "1" * 32, "2" * 32, "3" * 32


@pytest.fixture
async def server() -> AsyncIterator[FakeDatabase]:
    async with fake_database() as made:
        for session, player in ((ONE, ANN), (TWO, BOB), (THREE, None)):
            tag = f",player={player}" if player else ""
            made.take(f"plantigrade_step,session={session}{tag} a=1.0,b=2.0 5")
        made.take(f"other_step,session={ONE},player={ANN} a=1.0 5")
        yield made


def settled(server: FakeDatabase) -> Config:
    return load(None, {"PLANTIGRADE_TSDB_URL": server.url})


def left(server: FakeDatabase) -> list[tuple[str, str, str | None]]:
    labels = [dict(key) for key in server.series]
    return sorted(
        {(one["__name__"][:5], one["session"][:1], one.get("player", "-")[:1]) for one in labels}
    )


async def test_a_player_s_points_go_and_another_s_stay(server, store):
    assert await remove(settled(server), store, "player", ANN) == 2
    assert left(server) == [("other", "1", "a"), ("plant", "2", "b"), ("plant", "3", "-")]
    assert await remove(settled(server), store, "player", ANN) == 0


async def test_a_session_s_points_go_whoever_s_they_are(server, store):
    assert await remove(settled(server), store, "session", THREE) == 2
    assert left(server) == [("other", "1", "a"), ("plant", "1", "a"), ("plant", "2", "b")]


async def test_the_sessions_on_a_player_s_receipt_go_too(server, store, monkeypatch):
    """They may have been sent while they were another player's."""
    text = f'{{"sessions": ["{TWO}", "no id\\"}}"]}}'

    class Kept:
        receipt = text

    asked: list[str] = []

    def receipt(_: Ledger, ident: str) -> Kept:
        asked.append(ident)
        return Kept()

    monkeypatch.setattr(Ledger, "receipt", receipt)
    assert await remove(settled(server), store, "player", ANN) == 4
    assert asked == [ANN]
    assert left(server) == [("other", "1", "a"), ("plant", "3", "-")]
    assert await remove(settled(server), store, "session", THREE) == 2
    assert asked == [ANN]  # a session has none


async def test_what_the_store_still_has_is_not_deleted(server, store):
    session = store.create_session("insoles", analysis_version=1)
    player = store.players.create("A", "right")
    for tag, ident in (("session", session), ("player", player)):
        with pytest.raises(InputError, match=rf"{tag} {ident}: is still in the store .*; delete"):
            await remove(settled(server), store, tag, ident)
    assert server.asked == []


@pytest.mark.parametrize("ident", ["a" * 15, "a" * 33, "A" * 32, "", 'x"} or {a="' + "a" * 20])
async def test_only_a_whole_id_is_taken(server, store, ident):
    with pytest.raises(InputError, match="is no id, expected the whole of it"):
        await remove(settled(server), store, "player", ident)
    with pytest.raises(InputError, match="is no id, expected the whole of it"):
        await remove_former(settled(server), store, ident)
    assert server.asked == []


async def test_what_was_sent_of_a_session_for_another_player_goes(server, store):
    ann = store.players.create("A", "right")
    mine = store.create_session("insoles", analysis_version=1, player_id=ann)
    nobody = store.create_session("insoles", analysis_version=1)
    server.series.clear()
    for session in (mine, nobody):
        for tag in (f",player={ann}", f",player={BOB}", ""):
            server.take(f"plantigrade_step,session={session}{tag} a=1.0 5")
    assert await remove_former(settled(server), store, mine) == 2
    assert await remove_former(settled(server), store, nobody) == 2
    labels = [dict(key) for key in server.series]
    told = {one["session"]: one.get("player") for one in labels}
    assert told == {mine: ann, nobody: None} and len(labels) == 2
    with pytest.raises(InputError, match=f"session {ONE}: is not in the store"):
        await remove_former(settled(server), store, ONE)


async def test_a_database_that_does_not_delete_is_said(server, store):
    server.instead["/api/v1/admin/tsdb/delete_series"] = 403, "", {}
    with pytest.raises(InputError, match=r"does not delete \(403\)"):
        await remove(settled(server), store, "player", ANN)
    server.instead["/metrics"] = 200, "", {}
    with pytest.raises(InputError, match="points are deleted from VictoriaMetrics only"):
        await remove(settled(server), store, "player", ANN)
    with pytest.raises(InputError, match=r"tsdb\.url is not set"):
        await remove(load(None, {}), store, "player", ANN)
