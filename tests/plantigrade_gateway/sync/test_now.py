"""`sync now`: what waits handed over once, by hand; the hub is the test's own."""

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from aiohttp import web
from click.testing import CliRunner, Result
from tests.support.bay import until
from tests.support.fakehub import FakeHub
from tests.support.syncing import SyncBay, settings

from plantigrade_gateway.child import Alone
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import open_register
from plantigrade_gateway.store import hubstate, schema

pytestmark = pytest.mark.dear


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[SyncBay]:
    made = SyncBay(tmp_path / "bay")
    yield made
    made.close()


async def now(bay: SyncBay, hub: FakeHub, *more: str) -> Result:
    command = ["sync", "now", *more, "--store", str(bay.store.path), "--settings", str(bay.file)]
    return await asyncio.to_thread(CliRunner().invoke, main, command, env=settings(hub.url))


def words(result: Result) -> str:
    return " ".join(result.output.split())


async def test_what_waits_is_handed_over_and_counted_and_then_nothing_is_left(bay):
    """Pieces 150 + 3 + 2 of the session under way; a player is three fields, a deletion one."""
    ada = bay.register.add(name="Ada", handedness="left")
    gone = bay.register.add(name="Bo", handedness="left")
    whole = [bay.record(150, ada), bay.record(3)]
    live = bay.record(2, ends=False)
    delete_player(bay.register, gone, "coach")
    changes = len(bay.register.log.changes())
    async with FakeHub().running() as hub:
        done = await now(bay, hub)
        assert done.exit_code == 0, done.output
        assert words(done) == (
            f"Handed over to {hub.url}: 2 whole sessions, 155 pieces, {changes} changes, "
            "1 deletion. Fetched: 0 changes. Not ended: 1 session. What is cut off is ended when "
            "the gateway next runs, and its end handed over then."
        )
        assert set(hub.ends) == set(whole) and hub.pieces[live] == bay.pieces(live)
        assert list(hub.receipts) == [gone]
        bay.store.end_session(live, "stop")
        again = json.loads((await now(bay, hub, "--json")).output)["handed_over"]
        last = json.loads((await now(bay, hub, "--json")).output)["handed_over"]
    assert (again["sessions"], again["pieces"], again["changes"]) == (1, 0, 0)
    assert (last["sessions"], last["pieces"], last["not_ended"]) == (0, 0, 0)


async def test_what_others_said_is_fetched(bay, tmp_path):
    other = SyncBay(tmp_path / "other")
    ada = other.register.add(name="Ada", handedness="left")
    async with FakeHub().running() as hub:
        assert (await now(other, hub)).exit_code == 0
        done = json.loads((await now(bay, hub, "--json")).output)["handed_over"]
    assert done["fetched"] == len(other.register.log.changes()) > 0
    assert list(bay.register.profiles()) == [ada]
    other.close()


async def test_what_was_handed_over_by_hand_is_in_the_status(bay):
    bay.register.add(name="Ada", handedness="left")
    bay.record(3)
    state = hubstate.path_for(bay.store.path)
    async with FakeHub().running() as hub:
        assert (await now(bay, hub)).exit_code == 0
        found = hubstate.read(state)
    assert found is not None and found.url == hub.url and found.last_contact is not None
    assert (found.sessions, found.pieces, found.changes, found.problem) == (0, 0, 0, None)
    bay.record(2)
    assert (await now(bay, hub)).exit_code == 1  # the hub is gone
    found = hubstate.read(state)
    assert found is not None and found.problem is not None and found.last_contact is None
    assert (found.sessions, found.pieces) == (1, 2)


async def test_a_machine_without_a_store_gets_one_with_the_sites_players(
    bay, tmp_path, monkeypatch
):
    ada = bay.register.add(name="Ada", handedness="left")
    path = tmp_path / "new" / "store.sqlite3"
    monkeypatch.setattr(schema, "default_path", lambda: path)
    command = ["sync", "now", "--settings", str(bay.file)]
    for name in settings("x"):
        monkeypatch.delenv(name, raising=False)
    alone = await asyncio.to_thread(CliRunner().invoke, main, command)
    assert "hub.url: is not set" in alone.output and not path.exists()
    async with FakeHub().running() as hub:
        assert (await now(bay, hub)).exit_code == 0
        done = await asyncio.to_thread(CliRunner().invoke, main, command, env=settings(hub.url))
    assert done.exit_code == 0, done.output
    with open_register(path) as register:
        assert list(register.profiles()) == [ada]


async def test_a_hub_that_is_not_reached_is_said_with_exit_code_1_and_all_waits(bay):
    bay.record(4)
    hub = FakeHub()
    async with hub.running():
        pass  # its port is closed again
    done = await now(bay, hub)
    assert done.exit_code == 1
    assert "the connection is refused" in words(done)
    assert "Still waiting: 1 session, 4 pieces." in words(done)
    hub.token = "another.secret"
    async with hub.running():
        done = await now(bay, hub)
    assert done.exit_code == 1 and "does not take this bay's credential" in words(done)


async def test_what_the_hub_does_not_take_is_said_and_the_others_go(bay):
    first, second = bay.record(2), bay.record(3)
    hub = FakeHub()
    hub.heads[first] = {"session_id": first}
    hub.pieces[first] = [b"other bytes"] * 5  # more than this store has
    async with hub.running():
        done = await now(bay, hub)
    assert done.exit_code == 1 and list(hub.ends) == [second]
    assert f"session {first[:8]}: the hub has 5 pieces of it, this store 2" in words(done)


class NoChanges(FakeHub):
    """Takes no changes, as of a place that is another bay's."""

    def _answer(self, request: web.Request, body: bytes) -> web.Response:
        if request.path.endswith("/changes"):
            return web.json_response({"error": "place: is not this bay's"}, status=403)
        return super()._answer(request, body)


async def test_changes_that_the_hub_does_not_take_hold_up_no_record(bay):
    session = bay.record(2)
    async with NoChanges().running() as hub:
        done = await now(bay, hub)
    assert done.exit_code == 1 and "(403: place: is not this bay's)" in words(done)
    assert list(hub.ends) == [session]


@pytest.mark.slow
async def test_a_gateway_that_runs_does_it_and_is_left_to_it(bay):
    bay.record(2)
    state = hubstate.path_for(bay.store.path)
    async with FakeHub().running() as hub:
        with bay.process(hub):
            await until(lambda: 'sessions": 0' in state.read_text() if state.exists() else False)
            done = await now(bay, hub)
        assert done.exit_code == 0, done.output
        assert "A gateway runs at this store and hands over by itself." in words(done)
        assert f"{hub.url}: 0 sessions" in words(done)
        with Alone(bay.store.path, "sync"):  # one that has not said yet how it is
            assert json.loads((await now(bay, hub, "--json")).output)["handed_over"] is None
        hub.token = "another.secret"
        with bay.process(hub):
            await until(lambda: "credential" in state.read_text())
            done = await now(bay, hub)
    assert done.exit_code == 1 and "does not take this bay's credential" in words(done)


async def test_without_a_hub_or_a_store_it_is_one_sentence(bay, tmp_path, monkeypatch):
    for name in settings("x"):
        monkeypatch.delenv(name, raising=False)
    command = ["sync", "now", "--settings", str(bay.file), "--store"]
    for store, said in (
        (bay.store.path, "hub.url: is not set"),
        (tmp_path / "none.sqlite3", "none.sqlite3"),
    ):
        done = await asyncio.to_thread(CliRunner().invoke, main, [*command, str(store)])
        assert done.exit_code == 2 and said in done.output
    assert not (tmp_path / "none.sqlite3").exists()
