"""A hostile or silent log costs its own samples and nothing else (`gatt_profile.md` §11)."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.sources import catchup, logreader
from plantigrade_gateway.sources.bluetooth import Connection
from plantigrade_gateway.sources.catchup import CatchUp
from plantigrade_gateway.sources.logreader import LogReader
from plantigrade_gateway.virtual.keeper import LogKeeper
from plantigrade_gateway.virtual.player import DeviceSettings
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.coverage import Hole
from plantigrade_gateway.wire.log import (
    LONG_CLOCK,
    LogEnd,
    LogPage,
    LogRequest,
    LogState,
    read_request,
)
from plantigrade_gateway.wire.messages import AckStatus, SampleFormat

STATE = LogState(True, 1, 0, 0, 10, 1024)
S = 1_000_000


def page(clock_us: int, boot: int = 1) -> bytes:
    return LogPage(
        *(Foot.LEFT, SampleFormat.PACKED12, False, False, False, 0, boot, clock_us, 0, 10_000),
        counts=np.full((8, 18), 7, dtype=np.uint16),
    ).encode()


class FakeLink:
    """A connection whose log answers as a test says."""

    label = "left"

    def __init__(self, answers: Callable[[LogRequest], list[bytes]]) -> None:
        self.gone = asyncio.Event()
        self.asked: list[LogRequest] = []
        self.subscribed: list[str] = []
        self.offers: dict[str, bytes] = {}
        self._answers = answers
        self._told: Callable[[bytearray], None] | None = None

    def has(self, uuid: str) -> bool:
        return uuid in self.offers

    async def read(self, uuid: str) -> bytes:
        return self.offers[uuid]

    async def subscribe(self, uuid: str, told: Callable[[bytearray], None]) -> None:
        self.subscribed.append(uuid)
        self._told = told

    def tell(self, data: bytes) -> None:
        assert self._told is not None
        self._told(bytearray(data))

    async def write(self, uuid: str, data: bytes) -> None:
        request = read_request(data)
        self.asked.append(request)
        for answer in self._answers(request):
            self.tell(answer)


def owing(answers: Callable[[LogRequest], list[bytes]]) -> tuple[FakeLink, CatchUp, list[Entry]]:
    link, entries = FakeLink(answers), list[Entry]()
    owed = CatchUp(0, entries.append, lambda: 100 * S * 1000)
    owed.coverage.connected(STATE, 0)
    owed.coverage.holes.append(Hole(1, 10 * S, 12 * S))
    return link, owed, entries


async def caught_up(link: FakeLink, owed: CatchUp, limit_s: float = HANG_S) -> list[str]:
    """Let it read until nothing is owed; return what was said."""
    over, said = asyncio.Event(), list[str]()
    reader = LogReader(cast(Connection, cast(Any, link)), STATE, 0)
    running = asyncio.create_task(owed.run(reader, over, said.append))
    async with asyncio.timeout(limit_s):
        while owed.coverage.holes:
            await asyncio.sleep(0.01)
    over.set()
    await running
    return said


def end(request: LogRequest, status: AckStatus = AckStatus.DONE) -> bytes:
    return LogEnd(request.token, status).encode()


async def test_what_is_asked_for_comes_into_the_record():
    pages = [page(at) for at in range(10 * S, 12 * S, 80_000)]
    link, owed, entries = owing(lambda request: [*pages, end(request)])
    said = await caught_up(link, owed)
    assert [entry.data for entry in entries] == pages
    assert {entry.kind for entry in entries} == {Kind.LOG}
    assert owed.late_s == pytest.approx(2.0)
    assert owed.lost_s == 0.0
    assert said == ["catching up 2 s from its log", "2.0 s came late, from its log"]


async def test_a_flood_of_strange_pages_is_kept_out_of_the_record():
    rng = np.random.default_rng(2)
    junk = [rng.bytes(int(rng.integers(0, 245))) for _ in range(500)]
    torn = [page(10 * S)[:-1] + b"\xff"] * 50
    other = [page(at, boot) for at, boot in ((50 * S, 1), (10 * S, 2))] * 50
    twice = [page(11 * S)] * 50
    link, owed, entries = owing(lambda request: [*junk, *torn, *other, *twice, end(request)])
    said = await caught_up(link, owed)
    assert [entry.data for entry in entries] == [page(11 * S)]
    assert owed.spoilt >= 550
    assert len(link.asked) == 3  # what a spoilt page may have hidden is asked for once more
    assert owed.lost_s == pytest.approx(2.0 - 0.08)
    assert any("are not in its log" in text for text in said)


async def test_an_empty_log_is_asked_once():
    link, owed, entries = owing(lambda request: [end(request)])
    await caught_up(link, owed)
    assert len(link.asked) == 1
    assert (entries, owed.lost_s) == ([], 2.0)


async def test_an_end_of_another_request_ends_nothing(monkeypatch):
    monkeypatch.setattr(logreader, "SILENT_S", 0.05)
    link = FakeLink(lambda request: [LogEnd((request.token + 1) & 0xFF, AckStatus.DONE).encode()])
    reader = LogReader(cast(Connection, cast(Any, link)), STATE, 0)
    with pytest.raises(BluetoothError, match="its log falls silent"):
        await reader.read(Hole(1, 0, S), lambda data: True)


async def test_a_refusal_is_said():
    link = FakeLink(lambda request: [end(request, AckStatus.NOT_NOW)])
    reader = LogReader(cast(Connection, cast(Any, link)), STATE, 0)
    with pytest.raises(BluetoothError, match=r"does not give its log \(not now\)"):
        await reader.read(Hole(1, 0, S), lambda data: True)


async def test_pages_without_end_end_with_the_logs_room():
    room = replace(STATE, pages=5)
    link = FakeLink(lambda request: [page(10 * S)] * 6)
    reader, came = LogReader(cast(Connection, cast(Any, link)), room, 0), list[bytes]()

    def take(data: bytes) -> bool:
        came.append(data)
        return len(came) < 4  # the others bring nothing

    with pytest.raises(BluetoothError, match="more than the 5 pages that its log has room for"):
        await reader.read(Hole(1, 0, S), take)
    assert came == [page(10 * S)] * 5
    link._answers = lambda request: [*[page(10 * S)] * 5, end(request)]
    assert reader.strays == 2 + 1
    assert await reader.read(Hole(1, 0, S), take) == LogEnd(2, AckStatus.DONE)
    assert len(came) == 10


def test_what_a_record_keeps_of_a_log():
    state = LogState(True, 7, 123_456_789_012, 0, 10, 64)
    reader = LogReader(cast(Connection, cast(Any, FakeLink(lambda request: []))), state, 42)
    assert reader.said == {"boot": 7, "clock_us": 123_456_789_012, "read_ns": 42}


async def test_a_link_that_goes_while_it_is_read_leaves_the_rest_owed():
    link, owed, entries = owing(lambda request: [page(10 * S)])
    over, said = asyncio.Event(), list[str]()
    reader = LogReader(cast(Connection, cast(Any, link)), STATE, 0)
    running = asyncio.create_task(owed.run(reader, over, said.append))
    while not entries:
        await asyncio.sleep(0.01)
    over.set()
    link.gone.set()
    await running
    assert [(h.from_us, h.to_us) for h in owed.coverage.holes] == [(10 * S + 80_000, 12 * S)]


async def test_an_insole_says_its_log_s_state_or_has_none():
    link = FakeLink(lambda request: [])
    of_link = cast(Connection, cast(Any, link))
    assert await LogReader.open(of_link, lambda: 77) is None
    link.offers[gatt.LOG] = STATE.encode()
    reader = await LogReader.open(of_link, lambda: 77)
    assert reader is not None
    assert (reader.state, reader.read_ns) == (STATE, 77)
    assert reader.said == {"boot": 1, "clock_us": 0, "read_ns": 77}
    link.offers[gatt.LOG] = STATE.encode()[:-1]
    assert await LogReader.open(of_link, lambda: 77) is None


async def test_it_is_subscribed_to_once_and_what_comes_unasked_is_nobody_s():
    link, owed, entries = owing(lambda request: [end(request)])
    owed.coverage.holes.append(Hole(1, 20 * S, 22 * S))
    await caught_up(link, owed)
    assert len(link.asked) == 2
    assert link.subscribed == [gatt.LOG]
    link.tell(page(20 * S))
    link.tell(b"")
    assert (entries, owed.spoilt) == ([], 0)


async def test_what_is_no_part_of_an_answer_is_counted():
    """A page that brings nothing, one that nobody asked for, and ends of nothing: five."""
    spoilt = page(10 * S)[:-1] + b"\xff"
    other = LogEnd(99, AckStatus.DONE).encode()
    link, owed, _ = owing(lambda r: [page(10 * S), page(10 * S), spoilt, other, other[:-1], end(r)])
    owed.coverage.holes[:] = [Hole(1, 10 * S, 10 * S + 80_000)]
    reader = LogReader(cast(Connection, cast(Any, link)), STATE, 0)
    await reader.read(owed.coverage.holes[0], owed._take)
    link.tell(page(20 * S))
    assert reader.strays == 5


async def test_a_hole_to_its_boot_s_end_is_asked_for_to_the_last_clock():
    link = FakeLink(lambda request: [end(request)])
    reader = LogReader(cast(Connection, cast(Any, link)), STATE, 0)
    await reader.read(Hole(1, 5, LONG_CLOCK), lambda data: True)
    assert [(one.from_us, one.to_us) for one in link.asked] == [(5, (1 << 48) - 1)]


async def test_what_a_spoilt_page_hid_before_a_reset_is_asked_for_again():
    """`wire_format.md` §8: once more, where nobody knows the boot's end too."""
    torn = page(11 * S)[:-1] + b"\xff"
    answers = iter([[page(10 * S), torn, page(12 * S)], [page(11 * S)], []])
    link, owed, entries = owing(lambda request: [*next(answers), end(request)])
    owed.coverage.holes[:] = [Hole(1, 10 * S, LONG_CLOCK)]
    owed.coverage.connected(replace(STATE, boot=2), 0)
    await caught_up(link, owed)
    assert [entry.data for entry in entries] == [page(at * S) for at in (10, 12, 11)]


async def test_a_log_that_refuses_is_not_asked_again_at_once(monkeypatch):
    monkeypatch.setattr(catchup, "AGAIN_S", 1000.0)
    link, owed, _ = owing(lambda request: [end(request, AckStatus.NOT_NOW)])
    over, said = asyncio.Event(), list[str]()
    reader = LogReader(cast(Connection, cast(Any, link)), STATE, 0)
    running = asyncio.create_task(owed.run(reader, over, said.append))
    while len(said) < 2:
        await asyncio.sleep(0.01)
    await asyncio.sleep(0.1)
    assert len(link.asked) == 1
    over.set()
    await running
    assert said == ["catching up 2 s from its log", "left: does not give its log (not now)"]
    assert len(owed.coverage.holes) == 1


async def test_a_log_that_goes_on_refusing_is_told_of_once(monkeypatch):
    monkeypatch.setattr(catchup, "AGAIN_S", 0.01)

    def answers(request: LogRequest) -> list[bytes]:
        return [end(request, AckStatus.NOT_NOW if len(link.asked) < 9 else AckStatus.DONE)]

    link, owed, _ = owing(answers)
    said = await caught_up(link, owed)
    refusal = "left: does not give its log (not now)"
    assert said == [  # those who listen leave out what they heard just before
        "catching up 2 s from its log",
        *[refusal] * 8,
        "0.0 s came late, from its log; 2.0 s are not in its log",
    ]


async def test_holes_without_end_are_told_of_now_and_then_and_all_of_them_at_the_last():
    """An insole whose clock jumps makes a hole a second."""
    link, owed, _ = owing(lambda request: [end(request)])
    owed.coverage.holes = [Hole(1, 3 * k * S, (3 * k + 2) * S) for k in range(20)]
    assert await caught_up(link, owed) == [
        "catching up 2 s from its log",
        "0.0 s came late, from its log; 2.0 s are not in its log",
        "0.0 s came late, from its log; 38.0 s are not in its log",
    ]


async def test_after_half_a_minute_a_stretch_is_told_of_again(monkeypatch):
    link, owed, _ = owing(lambda request: [end(request)])
    now_s = iter(range(1000, 10_000, 31))  # each look at the clock is half a minute later
    monkeypatch.setattr(owed, "_now_ns", lambda: next(now_s) * S * 1000)
    owed.coverage.holes = [Hole(1, 3 * k * S, (3 * k + 2) * S) for k in range(3)]
    assert await caught_up(link, owed) == 3 * [
        "catching up 2 s from its log",
        "0.0 s came late, from its log; 2.0 s are not in its log",
    ]


async def test_a_session_that_ended_is_given_what_came_late_and_told_once_that_it_is_all():
    pages = {10: [page(10 * S)], 30: [page(30 * S)]}
    link, owed, entries = owing(lambda r: [*pages[r.from_us // S], end(r)])
    given: list[tuple[str, int, list[bytes], bool]] = []
    owed.on_owed = lambda *one: given.append(one)
    owed.hand_over("a session")
    owed.coverage.holes.append(Hole(1, 30 * S, 31 * S))  # and of the one that is recorded now
    await caught_up(link, owed)
    assert given == [("a session", 0, pages[10], True)]
    assert [entry.data for entry in entries] == pages[30]


def test_the_virtual_insole_answers_wrong_requests_as_the_page_says():
    settings = DeviceSettings(Foot.LEFT, 1, log_pages=64)
    keeper = LogKeeper(settings, lambda own_us: np.zeros((len(own_us), 18), dtype=np.uint16))
    right = LogRequest(9, 1, 0, S, 5)
    assert keeper.asked(right.encode(), fits=True) == right
    assert keeper.asked(right.encode(), fits=False) == LogEnd(9, AckStatus.NOT_NOW)
    refused = LogEnd(9, AckStatus.VALUE_NOT_POSSIBLE)
    assert keeper.asked(right.encode()[:-1], fits=True) == refused
    assert keeper.asked(right.encode() + b"\0", fits=True) == refused
    assert keeper.asked(right.encode()[:3] + b"\1" + right.encode()[4:], fits=True) == refused
    assert keeper.asked(b"\1\x39\x09", fits=True) == LogEnd(9, AckStatus.UNKNOWN_REQUEST)
    assert keeper.asked(b"\1\x38", fits=True) is None
    assert keeper.asked(b"\2" + right.encode()[1:], fits=True) is None
