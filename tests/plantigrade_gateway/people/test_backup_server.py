"""Backups where people's tables lie in a real PostgreSQL. All invented."""

import json
import tarfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import sqlalchemy as sa
from tests.support.postgres import Postgres
from tests.support.records import packets

from plantigrade_gateway.people import tables
from plantigrade_gateway.people.backup import take
from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.restore import restore
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear


@pytest.fixture
def urls(server: Postgres) -> Iterator[tuple[str, str]]:
    """Two sets of people's tables on the server."""
    with ExitStack() as stack:
        yield stack.enter_context(server.people()), stack.enter_context(server.people())


def said(path: Path) -> tuple[list[object], list[object], dict[str, str]]:
    """Changes, restamps and names of the people of a store."""
    with Store.open(path) as store, Register(store) as register:
        names = {key: profile.name for key, profile in register.profiles().items()}
        return list(register.log.changes()), list(register.log.restamps()), names


def recorded(path: Path) -> tuple[str, str]:
    """A store with two players and a session of each; return the players' ids."""
    with Store.open(path) as store, Register(store) as register:
        players = [register.add(name=f"{x} Invented", handedness="left") for x in ("Ada", "Bo")]
        for player in players:
            session = store.create_session("invented", analysis_version=1, player_id=player)
            store.append(session, packets(20))
            store.end_session(session, "stop")
        ahead = ChangeLog(
            tables.sqlite_engine(path.with_name("ahead.sqlite3")),
            HybridClock(wall_ms=lambda: 4_000_000_000_000),
        )
        ahead.say(PLAYER, players[1], {"shoe": "of the future"}, "coach")
        register.log.merge(ahead.changes())
        assert len(register.log.restamps()) == 1
        ahead._engine.dispose()
    return players[0], players[1]


def test_one_file_is_whole_and_comes_back_on_either_engine(tmp_path, urls, monkeypatch):
    path = tmp_path / "s.sqlite3"
    monkeypatch.setenv(tables.SERVER, urls[0])
    recorded(path)
    before = said(path)
    assert len(before[0]) > 4 and list(before[2].values()) == ["Ada Invented", "Bo Invented"]
    made = take(path, tmp_path / "b.tar")
    with tarfile.open(made.path) as archive:
        file = archive.extractfile("people.jsonl")
        assert file is not None
        lines = [json.loads(line) for line in file]
    assert {line["table"] for line in lines} >= {"people_change", "people_restamp", "people_seen"}
    assert not {line["table"] for line in lines} & {"people_site", "people_version"}
    # The server is lost, and another one is there.
    monkeypatch.setenv(tables.SERVER, urls[1])
    assert said(tmp_path / "empty.sqlite3")[0] == []
    restore(made.path, tmp_path / "on_server.sqlite3")
    assert said(tmp_path / "on_server.sqlite3") == before
    # No server any more.
    monkeypatch.delenv(tables.SERVER)
    restore(made.path, tmp_path / "alone.sqlite3")
    assert said(tmp_path / "alone.sqlite3") == before
    # And from the file to a server.
    with_server = take(tmp_path / "alone.sqlite3", tmp_path / "c.tar").path
    with tarfile.open(with_server) as archive:
        assert "people.jsonl" not in archive.getnames()


def test_what_a_store_said_goes_to_a_server_that_is_empty(tmp_path, urls, monkeypatch):
    path = tmp_path / "s.sqlite3"
    monkeypatch.delenv(tables.SERVER, raising=False)
    recorded(path)
    before = said(path)
    made = take(path, tmp_path / "b.tar")
    monkeypatch.setenv(tables.SERVER, urls[0])
    restore(made.path, tmp_path / "t.sqlite3")
    assert said(tmp_path / "t.sqlite3") == before


def test_a_server_keeps_what_it_has_and_its_tombstones_stand(tmp_path, urls, monkeypatch):
    path = tmp_path / "s.sqlite3"
    monkeypatch.setenv(tables.SERVER, urls[0])
    ada, bo = recorded(path)
    made = take(path, tmp_path / "b.tar")
    with Store.open(path) as store, Register(store) as register:
        delete_player(register, ada)
        register.edit(bo, name="Bo Renamed")
    now = said(path)
    done = restore(made.path, path, replace=True)
    assert (done.sessions, done.players_deleted, done.sessions_deleted) == (1, 1, 1)
    assert said(path) == now and now[2] == {bo: "Bo Renamed"}
    engine = tables.server_engine(urls[0])
    with engine.connect() as db:
        texts = db.scalars(sa.select(tables.CHANGE.c.value)).all()
    engine.dispose()
    assert not [text for text in texts if text and "Ada" in text]
