"""Records handed over past everything that can be in the way; the hub is the test's own."""

import asyncio
import contextlib
import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from aiohttp import web
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.support.bay import until
from tests.support.fakehub import FAULTS, TIMEOUT_S, FakeHub
from tests.support.sqlite import connected
from tests.support.syncing import SyncBay

from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.record import packing
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.store import hubstate
from plantigrade_gateway.store.hubledger import Ended, Ledger
from plantigrade_gateway.store.pieces import as_kept
from plantigrade_gateway.sync import link, process, records

pytestmark = pytest.mark.dear


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(process, "FIRST_WAIT_S", 0.01)
    monkeypatch.setattr(process, "LONGEST_WAIT_S", 0.1)
    monkeypatch.setattr(process, "PIECES_EVERY_S", 0.02)
    monkeypatch.setattr(process, "CHANGES_EVERY_S", 0.05)
    monkeypatch.setattr(records, "GATHER_S", 0.0)
    monkeypatch.setattr(link, "LARGEST_CHANGES", 1 << 20)


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[SyncBay]:
    made = SyncBay(tmp_path / "bay")
    yield made
    made.close()


async def test_what_was_recorded_before_and_what_is_being_recorded_reaches_the_hub(bay):
    player = bay.register.add(name="Ada", handedness="left")
    old = [bay.record(150, player), bay.record(0), bay.record(3)]
    live = bay.record(2, ends=False)
    async with FakeHub().running() as hub, bay.syncing(hub):
        await bay.handed_over(hub)
        assert live not in hub.ends and hub.pieces[live] == bay.pieces(live)
        bay.go_on(live, 4)
        await until(lambda: hub.pieces[live] == bay.pieces(live))
        bay.store.end_session(live, "stop")
        await until(lambda: live in hub.ends)
    assert set(hub.ends) == {*old, live}
    assert [len(hub.pieces[key]) for key in old] == [150, 0, 3]
    assert hub.ends[old[0]]["player_id"] == player
    head = hub.heads[live]
    assert head["about"]["end_reason"] == "stop" and head["player_id"] is None
    assert head["started_utc"].startswith(
        bay.store.session(live).started.astimezone().isoformat()[:4]
    )
    # Each piece went over once; of each session one end.
    assert len(hub.given) == len(set(hub.given)) == 150 + 3 + 6
    assert set(hub.times_ended.values()) == {1}


async def test_a_session_that_is_moved_is_ended_again_for_its_new_player(bay):
    first, second = (bay.register.add(name=n, handedness="left") for n in ("Ada", "Bo"))
    session = bay.record(3, first)
    async with FakeHub().running() as hub, bay.syncing(hub):
        await until(lambda: session in hub.ends)
        assert hub.ends[session]["player_id"] == first
        assign(bay.register, session, second, move=True)
        await until(lambda: hub.ends[session]["player_id"] == second)
    assert len(hub.given) == 3


@pytest.mark.parametrize(("together", "requests"), [(64, 3), (4, 38), (1, 150)])
async def test_pieces_go_as_many_together_as_the_hub_takes(bay, together, requests):
    """Sixty-four of a session at a time: 64, 64 and 22; in fours 16 + 16 + 6; one by one."""
    session = bay.record(150)
    hub = FakeHub()
    hub.together = together
    async with hub.running(), bay.syncing(hub):
        await until(lambda: session in hub.ends)
    assert hub.pieces[session] == bay.pieces(session) and hub.refusals == []
    assert len([one for one in hub.requests if "/pieces" in one]) == requests


async def test_pieces_under_way_are_gathered_and_an_end_waits_for_nothing(bay, monkeypatch):
    monkeypatch.setattr(records, "GATHER_S", 1e9)
    live = bay.record(2, ends=False)
    async with FakeHub().running() as hub, bay.syncing(hub) as work:
        await until(lambda: len(hub.pieces.get(live, [])) == 2)
        for _ in range(6):
            bay.go_on(live, 1)
            assert not await work.records.round()
        assert len(hub.pieces[live]) == 2 and work.state().pieces == 6
        bay.store.end_session(live, "stop")
        await until(lambda: live in hub.ends)
    assert hub.pieces[live] == bay.pieces(live)
    assert [one for one in hub.requests if "/pieces" in one] == [
        f"POST /bay/v1/sessions/{live}/pieces"
    ] * 2


async def test_what_was_gathered_goes_over_when_the_bay_stops(bay, monkeypatch):
    monkeypatch.setattr(records, "GATHER_S", 1e9)
    live = bay.record(2, ends=False)
    async with FakeHub().running() as hub:
        async with bay.syncing(hub):
            await until(lambda: len(hub.pieces.get(live, [])) == 2)
            bay.go_on(live, 3)
        assert hub.pieces[live] == bay.pieces(live) and len(hub.pieces[live]) == 5


async def test_as_many_as_go_together_do_not_wait(bay, monkeypatch):
    monkeypatch.setattr(records, "GATHER_S", 1e9)
    live = bay.record(1, ends=False)
    hub = FakeHub()
    hub.together = 4
    async with hub.running(), bay.syncing(hub):
        await until(lambda: len(hub.pieces.get(live, [])) == 1)
        bay.go_on(live, 4)
        await until(lambda: len(hub.pieces[live]) == 5)


async def test_a_hub_that_acknowledges_other_pieces_is_not_believed(bay, monkeypatch):
    bay.record(3)
    hub = FakeHub()
    whole = FakeHub._pieces

    def lying(self: FakeHub, key: str, body: bytes) -> Any:
        answer = whole(self, key, body)
        undo, *what = self._last.pop()
        undo(*what)  # so that it is given them again, and lies again
        told = json.loads(answer.text or "")
        told["taken"][1][1] = "0" * 64
        return web.json_response(told)

    monkeypatch.setattr(FakeHub, "_pieces", lying)
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: work.state().problem)
        said = f"hub {hub.url}: acknowledges other pieces than it was given"
        assert work.state().problem == said


async def test_what_comes_late_for_an_ended_session_follows(bay):
    """A log that an insole gives later, or a strike that is told, is one more piece."""
    session = bay.record(3)
    async with FakeHub().running() as hub, bay.syncing(hub):
        await until(lambda: session in hub.ends)
        bay.go_on(session, 1)
        await until(lambda: hub.ends.get(session, {}).get("pieces") == 4)
        await bay.handed_over(hub)
    assert hub.times_ended[session] == 2 and hub.refusals == []


async def test_nothing_is_given_again_after_a_restart(bay):
    bay.record(5)
    async with FakeHub().running() as hub:
        async with bay.syncing(hub):
            await bay.handed_over(hub)
        hub.requests.clear()
        async with bay.syncing(hub):
            await until(lambda: any("changes" in one for one in hub.requests))
            await asyncio.sleep(0.1)
    assert [one for one in hub.requests if "PUT" in one] == []


async def test_a_hub_that_lost_a_session_is_given_it_again(bay, monkeypatch):
    monkeypatch.setattr(records, "LOOK_AGAIN_S", 0.0)
    sessions = [bay.record(4), bay.record(2)]
    async with FakeHub().running() as hub, bay.syncing(hub):
        await bay.handed_over(hub)
        for key in sessions:  # as after a copy of its disk from yesterday
            del hub.heads[key], hub.pieces[key], hub.ends[key]
        await until(lambda: set(hub.ends) == set(sessions))
        await bay.handed_over(hub)


async def test_a_hub_that_was_away_is_asked_at_once_for_what_it_confirmed_lately(bay, monkeypatch):
    monkeypatch.setattr(records, "LOOK_AGAIN_S", 1e9)
    sessions = [bay.record(4), bay.record(2)]
    hub = FakeHub()
    async with contextlib.AsyncExitStack() as up:
        await up.enter_async_context(hub.running())
        async with bay.syncing(hub) as work:
            await bay.handed_over(hub)
            await up.aclose()
            for kept in (hub.heads, hub.pieces, hub.ends):  # its disk is last night's
                kept.clear()
            sessions.append(bay.record(1))
            await until(lambda: work.state().problem)
            async with hub.running(port=int(hub.url.rpartition(":")[2])):
                await until(lambda: set(hub.ends) == set(sessions))
                await bay.handed_over(hub)


async def test_a_session_whose_player_was_deleted_at_the_hub_is_left_alone(bay):
    gone, kept = bay.record(3), bay.record(3)
    hub = FakeHub()
    hub.deleted.add(gone)
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: kept in hub.ends)
        await until(lambda: work.state().sessions == 0)
    assert gone not in hub.pieces


async def test_the_next_session_is_handed_over_where_one_was_deleted(bay):
    """SQLite gives the number of the newest row to the next one, once it is deleted."""
    gone = bay.record(3)
    hub = FakeHub()
    hub.deleted.add(gone)
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: any("PUT" in one and gone in one for one in hub.requests))
        await until(lambda: work.state().sessions == 0)
        number = numbers(bay)[gone]
        bay.store.delete_session(gone)
        following = bay.record(3)
        assert numbers(bay) == {following: number}
        await until(lambda: following in hub.ends)
    assert hub.pieces == {following: bay.pieces(following)}


def test_what_is_confirmed_of_a_deleted_session_is_none_of_the_next(bay):
    gone = bay.record(3)
    number = numbers(bay)[gone]
    bay.store.delete_session(gone)
    following = bay.record(3)
    assert numbers(bay) == {following: number}
    ledger = Ledger(bay.store.database)
    ledger.confirm(gone, Ended(3, "00", None))
    assert [one.session_id for one in ledger.due()] == [following]
    ledger.confirm(following, Ended(3, "00", None))
    ledger.doubt(gone)
    assert ledger.due() == []
    assert (ledger.pieces(gone), ledger.pieces(following)) == (0, 3)
    assert as_kept(bay.store.database, gone, 0, 9) == []
    assert as_kept(bay.store.database, following, 1, 9) == bay.pieces(following)[1:]


def numbers(bay: SyncBay) -> dict[str, int]:
    return dict(bay.store.database.read("SELECT session_id, session_no FROM sessions"))


async def test_a_damaged_piece_is_a_mark_at_the_hub_and_the_rest_is_as_it_was(bay):
    session = bay.record(5)
    with connected(bay.store.path) as db:
        db.execute("UPDATE chunks SET data = CAST(substr(data, 1, 20) AS BLOB) WHERE seq IN (0, 2)")
        db.execute("DELETE FROM chunks WHERE seq = 3")
    db.close()
    async with FakeHub().running() as hub, bay.syncing(hub):
        await until(lambda: session in hub.ends)
    there = hub.pieces[session]
    assert len(there) == 5
    left = bay.pieces(session)
    assert len(left) == 4 and [there[1], there[4]] == [left[1], left[3]]
    for place in (0, 2, 3):
        batch = packing.unpack([there[place]])
        texts = [entry.data.decode() for entry in batch if entry.kind == Kind.MARK]
        assert len(texts) == 1 and f"piece {place} cannot be read" in texts[0]


async def test_pieces_that_a_hub_has_and_this_store_has_not_are_said(bay):
    session = bay.record(2)
    other = bay.record(1)
    hub = FakeHub()
    hub.heads[session], hub.pieces[session] = {}, [b"a", b"b", b"c"]
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: other in hub.ends and work.state().refused)
        (said,) = work.state().refused
    assert said == f"session {session[:8]}: the hub has 3 pieces of it, this store 2"
    assert session not in hub.ends


async def test_a_hub_that_has_other_bytes_is_said_and_the_others_are_handed_over(bay):
    session, other = bay.record(2), bay.record(1)
    hub = FakeHub()
    hub.heads[session], hub.pieces[session] = {}, [b"other bytes"]
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: other in hub.ends and work.state().refused)
        assert "ends with another hash" in work.state().refused[0]


async def test_a_session_that_the_hub_has_of_another_bay_holds_up_no_other(bay):
    """As where a store goes on under another bay's name, or a bay was quicker to name the id."""
    session, other = bay.record(2), bay.record(2)
    hub = FakeHub()
    hub.others = {session}
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: other in hub.ends and work.state().refused)
        (said,) = work.state().refused
        assert said.startswith(f"session {session[:8]}: hub {hub.url}: has it as another bay's")
        assert work.state().problem is None
        assert not [one for one in hub.requests if session in one and "/pieces" in one]


async def test_a_hub_that_keeps_nothing_is_backed_off_from(bay, monkeypatch):
    for wait in ("FIRST_WAIT_S", "LONGEST_WAIT_S"):  # it tries no more while this test looks
        monkeypatch.setattr(process, wait, 600.0)
    bay.record(2)
    hub = FakeHub()

    class Sieve(dict[str, list[bytes]]):
        def __getitem__(self, key: str) -> list[bytes]:
            return []

    hub.pieces = Sieve()
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: work.state().problem)
        puts = [one for one in hub.requests if "/pieces" in one]
        assert len(puts) == 4  # the first time, and again after each of three setbacks
        assert work.state().problem == f"hub {hub.url}: takes pieces and does not keep them"
        waiting = hubstate.lines(work.state())[0]
    assert waiting.startswith(f"{hub.url}: 1 session, 2 pieces")


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    faults=st.lists(st.sampled_from(FAULTS), max_size=30),
    is_slow=st.sampled_from((False, False, False, True)),
    sizes=st.lists(st.integers(0, 9), min_size=1, max_size=3),
)
@pytest.mark.slow
def test_whatever_is_cut_each_piece_is_there_once_and_in_order(faults, is_slow, sizes):
    """The same bytes at each number, or the hub says so; nothing over, nothing missing."""

    async def run(folder: Path) -> None:
        bay = SyncBay(folder)
        sessions = [bay.record(size, ends=k > 0) for k, size in enumerate(sizes)]
        hub = FakeHub()
        hub.faults.extend(faults + ["slow"] * is_slow)
        async with hub.running(), bay.syncing(hub, hub_timeout_s=TIMEOUT_S):
            bay.go_on(sessions[0], 3)
            await bay.handed_over(hub)
            bay.store.end_session(sessions[0], "stop")
            await until(lambda: set(hub.ends) == set(sessions))
            await bay.handed_over(hub)
        assert hub.refusals == []
        assert {k: hub.pieces[k] for k in sessions} == {k: bay.pieces(k) for k in sessions}
        bay.close()

    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(run(Path(folder)))


@pytest.mark.slow
async def test_killed_in_the_middle_it_goes_on_where_it_was(bay):
    """SIGKILL after every few pieces, and once while the hub holds a piece half read."""
    session = bay.record(60)
    hub = FakeHub()
    hub.together = 4
    async with hub.running():
        for upto in (5, 17, 40):
            with bay.process(hub):
                while len(hub.pieces.get(session, [])) < upto:
                    await asyncio.sleep(0.01)
        hub.faults.extend(["well", "slow"])
        asked = len(hub.requests)
        with bay.process(hub):
            await until(lambda: len(hub.requests) >= asked + 2)
        with bay.process(hub) as last:
            await until(lambda: session in hub.ends)
            assert last.poll() is None
    assert hub.pieces[session] == bay.pieces(session) and hub.refusals == []
