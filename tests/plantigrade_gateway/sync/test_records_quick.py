"""What a hub is asked for, and when: the hub is an object of the test's own, the clock is set."""

import asyncio
import hashlib
import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.syncing import SyncBay

from plantigrade_gateway.errors import RefusedNowError
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.sync import records
from plantigrade_gateway.sync.bodies import Piece
from plantigrade_gateway.sync.link import HubAway, HubRefused
from plantigrade_gateway.sync.messages import Received, SessionEnd, SessionHead
from plantigrade_gateway.sync.records import Records, Waiting
from plantigrade_gateway.web.desk.playerforms import AGREED


class OurHub:
    """A hub that keeps what it is given, and notes what it was asked."""

    url = "https://hub"

    def __init__(self) -> None:
        self.together = 1
        self.there: dict[str, list[bytes]] = {}
        self.heads: dict[str, SessionHead] = {}
        self.ends: dict[str, SessionEnd] = {}
        self.deleted: set[str] = set()
        self.refuses: dict[str, Exception] = {}
        self.keeps = True
        self.takes_ends = True
        self.asked: list[tuple[str, str, int]] = []
        self.busy = self.most_busy = 0

    def _of(self, key: str) -> Received:
        if key in self.deleted:
            return Received(0, is_deleted=True)
        return Received(len(self.there.get(key, [])), key in self.ends, together=self.together)

    async def begin(self, head: SessionHead) -> Received:
        self.asked.append(("begin", head.session_id, 0))
        self.busy += 1
        self.most_busy = max(self.most_busy, self.busy)
        await asyncio.sleep(0)
        self.busy -= 1
        if head.session_id in self.refuses:
            raise self.refuses[head.session_id]
        self.heads[head.session_id] = head
        self.there.setdefault(head.session_id, [])
        return self._of(head.session_id)

    async def received(self, key: str) -> Received:
        self.asked.append(("received", key, 0))
        return self._of(key)

    async def piece(self, key: str, number: int, piece: bytes) -> Received:
        self.asked.append(("piece", key, number))
        if self.keeps:
            assert number == len(self.there[key])
            self.there[key].append(piece)
        return self._of(key)

    async def pieces(self, key: str, pieces: list[Piece]) -> Received:
        self.asked.append(("pieces", key, len(pieces)))
        assert [one.number for one in pieces] == [
            len(self.there[key]) + k for k in range(len(pieces))
        ]
        self.there[key] += [one.data for one in pieces]
        return self._of(key)

    async def end(self, key: str, end: SessionEnd) -> Received:
        self.asked.append(("end", key, end.pieces))
        if self.takes_ends:
            self.ends[key] = end
        return self._of(key)

    def done(self) -> list[tuple[str, int]]:
        """What was asked since the last time, without whose."""
        asked, self.asked = self.asked, []
        return [(what, number) for what, _, number in asked]


@pytest.fixture(scope="module")
def empty(tmp_path_factory) -> Path:
    folder: Path = tmp_path_factory.mktemp("empty") / "bay"
    SyncBay(folder).close()
    return folder


@pytest.fixture
def bay(tmp_path: Path, empty: Path) -> Iterator[SyncBay]:
    made = SyncBay(Path(shutil.copytree(empty, tmp_path / "bay")))
    yield made
    made.close()


@pytest.fixture
def clock(monkeypatch) -> SimpleNamespace:
    made = SimpleNamespace(now_s=1000.0)
    made.monotonic = lambda: made.now_s
    monkeypatch.setattr(records, "time", made)
    return made


@pytest.fixture
def hub() -> OurHub:
    return OurHub()


@pytest.fixture
def work(bay, clock, hub) -> Records:
    return Records(bay.store, hub)


async def test_the_sites_hub_is_no_place_that_is_sent_on_to(bay, hub, work):
    """Keeping within the site is what *record* is agreed to; its words on the page name the hub."""
    player = bay.register.add(name="Ada", handedness="left")
    bay.register.withdraw(player, "send on", "player")
    key = bay.record(2, player)
    assert await work.round() is False
    assert hub.ends[key].pieces == 2
    assert AGREED["record"] == "measure and keep, at the hub of the site too"
    assert "hub" not in AGREED["send on"]


async def test_a_session_is_its_head_its_pieces_in_order_its_head_again_and_its_end(bay, hub, work):
    player = bay.register.add(name="Ada", handedness="left")
    key = bay.record(3, player)
    assert work.waiting() == Waiting(sessions=1, pieces=3, under_way=0)
    assert await work.round() is False
    assert hub.done() == [
        ("begin", 0),
        *(("piece", k) for k in range(3)),
        ("begin", 0),
        ("end", 3),
        ("received", 0),  # one that was confirmed, in turn
    ]
    assert hub.there[key] == bay.pieces(key)
    chain = b"".join(hashlib.sha256(one).digest() for one in bay.pieces(key))
    assert hub.ends[key] == SessionEnd(3, hashlib.sha256(chain).hexdigest(), player)
    head = hub.heads[key]
    (row,) = bay.store.sessions()
    assert (head.session_id, head.player_id) == (key, player)
    whole_ms = row.started.microsecond // 1000 * 1000
    assert datetime.fromisoformat(head.started_utc) == row.started.replace(microsecond=whole_ms)
    assert head.started_utc[-10] == "." and head.started_utc.endswith("+00:00")  # milliseconds
    assert (work.given, work.ended, work.waiting()) == (3, 1, Waiting(0, 0, 0))


async def test_no_more_than_sixty_four_pieces_of_one_session_go_in_a_turn(bay, hub, work):
    hub.together = 200  # more than may go together, whatever a hub says
    bay.record(1)
    with bay.store.database.writing() as db:  # the same piece again and again, at once
        db.executemany(
            "INSERT INTO chunks SELECT session_no, ?, first_entry, entries, first_ns, last_ns, data"
            " FROM chunks WHERE seq = 0",
            [(seq,) for seq in range(1, 65)],
        )
    assert await work.round() is True
    assert hub.done() == [("begin", 0), ("pieces", 64)]
    assert work.given == 64 and work.waiting() == Waiting(1, 1, 0)
    assert await work.round() is False
    assert hub.done()[:3] == [("piece", 64), ("begin", 0), ("end", 65)]


@pytest.mark.parametrize(
    ("together", "asked"),
    [
        (0, [("piece", k) for k in range(5)]),
        (2, [("pieces", 2), ("pieces", 2), ("piece", 4)]),
        (5, [("pieces", 5)]),
    ],
)
async def test_as_many_go_together_as_the_hub_says(bay, hub, work, together, asked):
    hub.together = together
    bay.record(5, ends=False)
    assert await work.round() is False
    assert hub.done() == [("begin", 0), *asked]


async def test_pieces_under_way_wait_five_seconds_or_for_as_many_as_go_together(
    bay, hub, work, clock
):
    hub.together = 3
    key = bay.record(1, ends=False)
    await work.round()
    assert hub.done() == [("begin", 0), ("piece", 0)]  # the first waits for nothing
    bay.go_on(key, 2)
    clock.now_s += 4.99
    assert await work.round() is False
    assert hub.done() == [] and work.waiting() == Waiting(1, 2, 1)
    clock.now_s += 0.01
    await work.round()
    assert hub.done() == [("pieces", 2)]
    bay.go_on(key, 3)  # as many as go together
    await work.round()
    assert hub.done() == [("pieces", 3)]
    bay.go_on(key, 1)
    await work.round()
    assert hub.done() == []
    bay.store.end_session(key, "stop")  # an end waits for nothing
    await work.round()
    assert hub.done()[:3] == [("piece", 6), ("begin", 0), ("end", 7)]


async def test_who_is_to_hurry_gathers_no_more(bay, hub, work):
    hub.together = 3
    key = bay.record(1, ends=False)
    await work.round()
    bay.go_on(key, 1)
    work.hurry()
    hub.done()
    await work.round()
    assert hub.done() == [("piece", 1)]


async def test_of_a_hub_that_takes_one_at_a_time_nothing_is_gathered(bay, hub, work):
    key = bay.record(1, ends=False)
    await work.round()
    bay.go_on(key, 1)
    await work.round()
    assert hub.done() == [("begin", 0), ("piece", 0), ("piece", 1)]


async def test_three_sessions_go_side_by_side_and_all_in_one_round(bay, hub, work):
    keys = [bay.record(0) for _ in range(7)]
    assert await work.round() is False
    assert hub.most_busy == 3 and set(hub.ends) == set(keys)


@pytest.mark.parametrize(("takes_s", "ended"), [(1.0, 4), (1.01, 3)])
async def test_after_a_second_those_that_ended_wait_for_the_next_round(
    bay, hub, work, clock, takes_s, ended
):
    for _ in range(4):
        bay.record(0)
    whole = hub.end

    async def slow(key: str, end: SessionEnd) -> Any:
        if not hub.ends:
            clock.now_s += takes_s
        return await whole(key, end)

    hub.end = slow
    assert await work.round() is (ended == 3)
    assert work.ended == ended


async def test_all_under_way_have_their_turn_however_late_it_is(bay, hub, work, clock):
    live = [bay.record(1, ends=False) for _ in range(4)]
    ended = [bay.record(1) for _ in range(3)]
    whole = hub.begin

    async def slow(head: SessionHead) -> Any:
        clock.now_s += 2.0
        return await whole(head)

    hub.begin = slow
    assert await work.round() is True
    assert set(live) <= set(hub.there)
    assert set(hub.ends) == set(ended[:2])  # those beside the fourth
    assert work.waiting() == Waiting(5, 1, 4)


async def test_a_session_that_is_refused_is_said_and_left_alone_for_a_minute(bay, hub, work, clock):
    bad, good = bay.record(1), bay.record(1)
    hub.refuses[bad] = HubRefused("hub: does not take it")
    await work.round()
    assert work.problems() == [f"session {bad[:8]}: hub: does not take it"]
    assert set(hub.ends) == {good}
    hub.done()
    clock.now_s += 59.9
    await work.round()
    assert ("begin", 0) not in hub.done() and len(work.problems()) == 1
    clock.now_s += 0.1
    await work.round()
    assert hub.asked[0][:2] == ("begin", bad)
    del hub.refuses[bad]
    clock.now_s += 60.0
    await work.round()
    assert work.problems() == [] and set(hub.ends) == {bad, good}


async def test_a_store_that_refuses_for_now_ends_the_round(bay, hub, work):
    key = bay.record(1)
    hub.refuses[key] = RefusedNowError("store: busy")
    with pytest.raises(RefusedNowError):
        await work.round()
    assert work.problems() == []


async def test_a_session_that_the_hub_deleted_is_waited_for_no_more(bay, hub, work):
    key = bay.record(2)
    hub.deleted.add(key)
    assert await work.round() is False
    assert work.waiting() == Waiting(0, 0, 0)
    await work.round()
    assert [one for one in hub.done() if one[0] == "begin"] == [("begin", 0)]
    work.begin_again()  # the hub was away: it may have lost that
    await work.round()
    assert ("begin", 0) in hub.done()


async def test_of_a_session_that_the_hub_deletes_while_it_is_given_nothing_is_left(bay, hub, work):
    key = bay.record(3)
    take = hub.piece

    async def deletes(key: str, number: int, piece: bytes) -> Received:
        hub.deleted.add(key)
        taken: Received = await take(key, number, piece)
        return taken

    hub.piece = deletes
    assert await work.round() is False
    assert [what for what, asked, _ in hub.asked if asked == key] == ["begin", "piece"]
    assert work.waiting() == Waiting(0, 0, 0) and work.given == 0


async def test_a_hub_may_have_less_than_it_said_three_times_in_a_row(bay, hub, work):
    bay.record(1)
    hub.keeps = False
    for _ in range(3):
        assert await work.round() is True  # it is asked anew, and given the piece again
    assert hub.done() == [("begin", 0), ("piece", 0)] * 3 and work.given == 0
    with pytest.raises(HubAway, match="hub https://hub: takes pieces and does not keep them"):
        await work.round()
    work.begin_again()
    assert await work.round() is True


async def test_a_piece_that_is_kept_makes_good_for_the_setbacks_before(bay, hub, work):
    key = bay.record(1, ends=False)
    for _ in range(2):
        hub.keeps = False
        for _ in range(3):
            await work.round()
        hub.keeps = True
        await work.round()
        bay.go_on(key, 1)
    assert work.given == 2


async def test_a_hub_with_more_pieces_than_the_store_is_said(bay, hub, work):
    key = bay.record(1)
    hub.there[key] = [b"1", b"2", b"3"]
    await work.round()
    assert work.problems() == [
        f"session {key[:8]}: the hub has 3 pieces of it, this store 1",
    ]
    assert work.waiting() == Waiting(1, 1, 0) and hub.ends == {}


async def test_a_hub_that_has_all_and_does_not_take_the_end_is_said(bay, hub, work):
    key = bay.record(2)
    hub.takes_ends = False
    assert await work.round() is False
    assert work.problems() == [
        f"session {key[:8]}: the hub has all of it and does not take its end yet"
    ]
    assert work.ended == 0


async def test_a_session_of_another_player_by_now_is_ended_again_and_given_no_more(bay, hub, work):
    key = bay.record(2)
    await work.round()
    first = hub.ends[key]
    player = bay.register.add(name="Ada", handedness="left")
    assign(bay.register, key, player)
    hub.done()
    assert await work.round() is False
    assert hub.done()[:2] == [("begin", 0), ("end", 2)]
    assert hub.ends[key] == SessionEnd(2, first.sha256, player)
    assert (work.given, work.ended) == (2, 2)


async def test_every_ten_seconds_the_next_session_that_was_confirmed_is_asked_for(
    bay, hub, work, clock
):
    keys = [bay.record(1) for _ in range(2)]
    await work.round()
    asked = [key for what, key, _ in hub.asked if what == "received"]
    for _ in range(3):
        clock.now_s += 9.99
        await work.round()
        clock.now_s += 0.01
        hub.done()
        await work.round()
        asked += [key for what, key, _ in hub.asked if what == "received"]
    assert len(asked) == 3 and set(asked) == set(keys)  # and once past the last: none
    assert all(a != b for a, b in pairwise(asked))


async def test_a_start_asks_for_one_session_that_was_confirmed_and_for_no_other(
    bay, hub, work, clock
):
    for _ in range(2):
        bay.record(0)
    await work.round()
    hub.done()
    clock.now_s = 0.5  # of a machine that has just started
    await Records(bay.store, hub).round()
    assert hub.done() == [("received", 0)]


@pytest.mark.parametrize("loss", ["its end", "a piece", "nothing", "deleted"])
async def test_a_session_that_the_hub_has_no_more_is_given_again(bay, hub, work, clock, loss):
    key = bay.record(2)
    await work.round()
    if loss == "its end":
        del hub.ends[key]
    elif loss == "a piece":
        hub.there[key].pop()
    elif loss == "deleted":
        hub.deleted.add(key)
    for _ in range(2):  # in turn: past the last, then from the first
        clock.now_s += 10.0
        await work.round()
    is_lost = loss in ("its end", "a piece")
    assert work.waiting().sessions == is_lost
    await work.round()
    assert work.waiting() == Waiting(0, 0, 0) and work.ended == 1 + is_lost
    assert work.given == 2 + (loss == "a piece")


@pytest.mark.parametrize(("minutes", "asked"), [(9.9, 1), (10.1, 0)])
async def test_a_hub_that_was_away_is_asked_for_what_it_confirmed_in_the_last_ten_minutes(
    bay, hub, work, minutes, asked
):
    bay.record(1)
    await work.round()
    with bay.store.database.writing() as db:
        (confirmed,) = db.execute("SELECT confirmed_utc FROM handed_over").fetchone()
        moved = datetime.fromisoformat(confirmed) - timedelta(minutes=minutes)
        moved_text = moved.isoformat(timespec="microseconds")
        db.execute("UPDATE handed_over SET confirmed_utc = ?", (moved_text,))
    hub.done()
    work.begin_again()
    for _ in range(2):  # once, and not again
        await work.round()
    assert hub.done() == [("received", 0)] * asked
