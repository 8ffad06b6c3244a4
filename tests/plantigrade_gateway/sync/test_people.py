"""What people said, both ways between bays that meet at a hub, and deletions carried out."""

import asyncio
import contextlib
import json
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.support.bay import until
from tests.support.fakehub import FAULTS, TIMEOUT_S, FakeHub
from tests.support.syncing import SyncBay
from tests.support.waiting import HANG_S

from plantigrade_gateway.people import deletion
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.log import DELETED, ChangeLog
from plantigrade_gateway.people.players import PLAYER
from plantigrade_gateway.store.hubledger import Ledger
from plantigrade_gateway.sync import bodies, link, process

pytestmark = pytest.mark.dear


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(process, "FIRST_WAIT_S", 0.01)
    monkeypatch.setattr(process, "LONGEST_WAIT_S", 0.1)
    monkeypatch.setattr(process, "PIECES_EVERY_S", 0.02)
    monkeypatch.setattr(process, "CHANGES_EVERY_S", 0.05)
    monkeypatch.setattr(link, "LARGEST_CHANGES", 1 << 20)


@pytest.fixture
def bays(tmp_path: Path) -> Iterator[list[SyncBay]]:
    made = [SyncBay(tmp_path / name) for name in ("one", "two")]
    yield made
    for bay in made:
        bay.close()


@contextlib.asynccontextmanager
async def all_syncing(bays: list[SyncBay], hub: FakeHub, **more: str) -> AsyncIterator[None]:
    async with contextlib.AsyncExitStack() as stack:
        for bay in bays:
            await stack.enter_async_context(bay.syncing(hub, **more))
        yield


def state(bay: SyncBay) -> tuple[object, ...]:
    """All that is kept and all that is shown."""
    log = bay.register.log
    return log.changes(), log.all_shown(PLAYER), sorted(log.deleted(PLAYER))


async def test_a_player_of_one_bay_is_known_in_the_other_and_can_have_sessions_there(bays):
    one, two = bays
    player = one.register.add(name="Ada", handedness="left", mass_kg=61.5)
    async with FakeHub().running() as hub, all_syncing(bays, hub):
        await until(lambda: two.register.name(player) == "Ada")
        two.register.anchor(player)
        session = two.record(3, player)
        two.register.edit(player, mass_kg=63.0)
        await until(lambda: one.register.profile(player).mass_kg == 63.0)
        await until(lambda: session in hub.ends)
    assert hub.ends[session]["player_id"] == player
    assert two.register.find("ada").handedness == "left"  # from the last copy, with no hub there


async def test_more_than_one_body_holds_goes_over_whole(bays, monkeypatch):
    monkeypatch.setattr(bodies, "LARGEST_BODY", 2000)
    one, two = bays
    notes = {f"note{k}": "n" * (k % 50) for k in range(600)}
    one.register.log.say("session", "s", notes, "coach")
    async with FakeHub().running() as hub, all_syncing(bays, hub):
        await until(lambda: len(two.register.log.changes()) == 600)
    assert two.register.log.changes() == one.register.log.changes()
    assert len([r for r in hub.requests if r.endswith("/changes")]) > 10


_SAID = st.tuples(
    st.sampled_from(("one", "two")),
    st.sampled_from(("a", "b", "c")),
    st.sampled_from(("name", "shoe", DELETED)),
    st.sampled_from(("x", "y", "z")),
)


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    said=st.lists(_SAID, max_size=25),
    meet_at=st.integers(0, 25),
    faults=st.lists(st.sampled_from(FAULTS), max_size=15),
    is_slow=st.sampled_from((False, False, False, True)),
)
@pytest.mark.slow
def test_two_bays_that_were_apart_come_to_one_state(said, meet_at, faults, is_slow):
    """By the rule: the highest stamp of a field is shown, and a tombstone outlasts everything."""

    async def run(folder: Path) -> None:
        bays = {name: SyncBay(folder / name) for name in ("one", "two")}
        hub = FakeHub()
        gone: set[str] = set()
        kept: dict[tuple[str, str], set[str]] = {}

        def say(chosen: list[tuple[str, str, str, str]]) -> None:
            for name, player, field, value in chosen:
                log = bays[name].register.log
                if player in log.deleted(PLAYER):
                    continue
                if field == DELETED:
                    log.delete([(PLAYER, player)], "coach")
                    gone.add(player)
                else:
                    log.say(PLAYER, player, {field: value}, name)
                    kept.setdefault((player, field), set()).add(value)

        async def meet() -> None:
            async with all_syncing(list(bays.values()), hub, hub_timeout_s=TIMEOUT_S):
                async with asyncio.timeout(HANG_S):
                    while not (hub.is_well and is_one()):
                        await asyncio.sleep(0.1)

        def is_one() -> bool:
            first, second = (state(bay) for bay in bays.values())
            left = [bay.register.log.since(hub.seen, 1) for bay in bays.values()]
            return first == second and left == [[], []]

        async with hub.running():
            hub.faults.extend(faults + ["slow"] * is_slow)
            say(said[:meet_at])
            await meet()
            say(said[meet_at:])
            await meet()
        one = bays["one"].register.log
        assert one.deleted(PLAYER) == gone
        shown = one.all_shown(PLAYER)
        for (player, field), values in kept.items():
            if player not in gone:  # nothing that was said is dropped, and one of it is shown
                there = {c.value for c in one.changes(PLAYER, player) if c.field == field}
                assert there == values and shown[player][field] in values
        for bay in bays.values():
            bay.close()

    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(run(Path(folder)))


async def test_a_bay_gives_what_was_said_at_its_own_places_alone(bays):
    """What others said, they give; of a place that the hub calls this bay's, the rest follows."""
    bay = bays[0]
    bay.register.add(name="Ada", handedness="left")
    own = bay.register.log.place()
    row = ("player", "a" * 32, "name", "Eve", "coach", 10**12, 5 << 16)
    former, others = "8" * 32, "9" * 32
    bay.register.log.merge([Change(f"{s[0]}{1:031x}", *row, s, 1) for s in (former, others)])
    hub = FakeHub()
    hub.places.add(former)
    async with hub.running(), bay.syncing(hub) as work:
        await until(lambda: hub.seen.keys() >= {own, former})
        await until(lambda: work.exchange.waiting() == 0)
    assert {one["site"] for one in hub.changes.values()} == {own, former}
    assert hub.places == {own, former}


async def test_a_deletion_is_carried_out_in_every_bay_and_each_tells_the_hub_once(bays):
    one, two = bays
    player = one.register.add(name="Ada Nowhere", handedness="left")
    async with FakeHub().running() as hub, all_syncing(bays, hub):
        await until(lambda: two.register.name(player))
        two.register.anchor(player)
        session, kept = two.record(3, player), two.record(2)
        await until(lambda: {session, kept} <= set(hub.ends))
        receipt = deletion.delete_player(one.register, player)
        await until(lambda: len(hub.receipts.get(player, [])) == 2)
        await asyncio.sleep(0.2)
    told = hub.receipts[player]
    assert {tuple(each["sessions"]) for each in told} == {(), (session,)}
    assert json.loads(json.dumps(receipt.json())) in told
    assert [s.session_id for s in two.store.sessions()] == [kept]
    assert b"Ada" not in b"".join(p.read_bytes() for p in two.folder.iterdir())
    assert [c.field for c in two.register.log.changes("session", session)] == [DELETED]


async def test_of_who_was_known_from_the_log_alone_no_byte_is_left_when_the_hub_is_told(bays):
    one, two = bays
    player = one.register.add(name="Ada Nowhere", handedness="left")

    def holds_the_name() -> bool:
        for path in two.folder.iterdir():
            with contextlib.suppress(FileNotFoundError):  # how it is, is said in a file each second
                if b"Ada" in path.read_bytes():
                    return True
        return False

    async with FakeHub().running() as hub, all_syncing(bays, hub):
        await until(lambda: two.register.name(player))
        two.store.database.wipe()  # into the file, where a tombstone alone takes it from its log
        assert holds_the_name()
        deletion.delete_player(one.register, player)
        await until(lambda: len(hub.receipts.get(player, [])) == 2)
        assert not holds_the_name()


async def test_a_session_that_is_being_recorded_is_deleted_when_it_ends(bays):
    one, two = bays
    player, other = (one.register.add(name=name, handedness="left") for name in ("Ada", "Bo"))
    player, other = sorted((player, other))  # the one that waits comes first
    async with FakeHub().running() as hub, all_syncing(bays, hub):
        await until(lambda: two.register.name(player) and two.register.name(other))
        two.register.anchor(player)
        session = two.record(2, player, ends=False)
        deletion.delete_player(one.register, player)
        deletion.delete_player(one.register, other)
        await until(lambda: len(hub.receipts.get(other, [])) == 2)  # it waits for nobody
        await until(lambda: len(hub.receipts.get(player, [])) == 1)  # the first bay's
        two.go_on(session, 2)
        assert len(two.pieces(session)) == 4
        two.store.end_session(session, "stop")
        await until(lambda: len(hub.receipts[player]) == 2)
    assert two.store.sessions() == [] and hub.receipts[player][1]["sessions"] == [session]


async def test_a_receipt_is_told_again_after_restarts_until_the_hub_has_it(bays, monkeypatch):
    _, two = bays
    player = two.register.add(name="Ada", handedness="left")
    session = two.record(2, player)
    deletion.delete_player(two.register, player)  # while there is no hub
    hub = FakeHub()
    async with hub.running():
        hub.faults.extend(["500"] * 40)
        async with two.syncing(hub):
            await until(lambda: len(hub.requests) > 10)
        assert hub.receipts == {}
        hub.faults.clear()
        async with two.syncing(hub) as work:
            await until(lambda: player in hub.receipts and work.state().deletions == 0)
        async with two.syncing(hub) as work:
            await until(lambda: work.state().last_contact)
    (told,) = hub.receipts[player]
    assert told["sessions"] == [session]


async def test_a_deletion_that_was_cut_off_is_completed_and_told_whole(bays, monkeypatch):
    """As by a kill between the tombstones and the sessions."""
    _, two = bays
    player = two.register.add(name="Ada", handedness="left", shoe="x")
    session = two.record(2, player)

    def cut(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(deletion, "_wiped", cut)
    with pytest.raises(KeyboardInterrupt):
        deletion.delete_player(two.register, player)
    monkeypatch.undo()
    kept = Ledger(two.store.database).receipt(player)
    assert kept is not None and not kept.is_done and two.store.sessions()
    async with FakeHub().running() as hub, two.syncing(hub):
        await until(lambda: player in hub.receipts)
    assert two.store.sessions() == []
    (told,) = hub.receipts[player]
    assert told["sessions"] == [session] and told["rows"]["chunks"] == 2
    assert told["changes"] == 3  # name, hand and shoe, which the first try had wiped


async def test_receipts_wait_while_the_files_have_traces(bays):
    """A program that reads an old copy of the pages keeps the log from being cut."""
    import sqlite3

    _, two = bays
    player = two.register.add(name="Ada", handedness="left")
    two.record(2, player)
    reader = sqlite3.connect(two.store.path, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM chunks").fetchone()
    two.register.log.delete([(PLAYER, player)], "coach")
    async with FakeHub().running() as hub, two.syncing(hub) as work:
        await until(lambda: not two.store.sessions())
        await asyncio.sleep(0.3)
        assert hub.receipts == {} and work.state().deletions == 1
        reader.execute("COMMIT")
        reader.close()
        await until(lambda: player in hub.receipts)
    assert hub.receipts[player][0]["traces"] is None


def test_a_log_of_a_bay_leaves_stamps_ahead_to_its_hub(bays):
    """A bay whose clock was never set would give every stamp another one."""
    one, two = bays
    ahead = ChangeLog(one.register._engine)
    (change,) = ahead.say(PLAYER, "a", {"name": "Ada"}, "coach")
    two.register.log.merge([change], judges=False)
    assert two.register.log.restamps() == []
