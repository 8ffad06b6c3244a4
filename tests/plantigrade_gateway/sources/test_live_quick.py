"""How an insole is kept: found, checked, streamed, given up; its link is the test's own."""

import asyncio
import json
import random
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.turns import limits_over_at_once, turns_until
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.record.entries import Entry, Kind, read_exchange
from plantigrade_gateway.sources import live
from plantigrade_gateway.sources.bluetooth import Radio
from plantigrade_gateway.sources.live import LiveSource, StreamConfig
from plantigrade_gateway.sources.reconnect import ConnectionState
from plantigrade_gateway.sources.trouble import RadioError
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.information import Information

LEFT = KnownInsole(7, Foot.LEFT, "Left", "l", 270)
LABEL = LEFT.label


class Link:
    """A link that does what it is told to."""

    def __init__(self) -> None:
        self.gone = asyncio.Event()
        self.who = (7, Foot.LEFT)
        self.firmware: int | None = None
        self.information: Information | None = None
        self.battery_percent: int | None = 80
        self.status: Any = SimpleNamespace(dropped=3)
        self.packet_s: float | None = 0.02
        self.log: Any = None
        self.strays = 0
        self.done: list[Any] = []
        self.exchange: tuple[int, int, int] | Exception | None = None
        self.on_data: Callable[[bytes], None] = lambda data: None
        self.ends_at_once = True

    def about(self) -> dict[str, Any]:
        return {"serial": "00000007"}

    async def start(self, on_data: Callable[[bytes], None], period_us: int, frames: int) -> None:
        self.done.append(("start", period_us, frames))
        self.on_data = on_data
        if self.ends_at_once:
            self.gone.set()

    async def stream(self) -> None:
        self.done.append("stream")

    async def clock(self) -> tuple[int, int, int] | None:
        self.done.append("clock")
        if isinstance(self.exchange, Exception):
            raise self.exchange
        return self.exchange

    def check(self) -> None:
        self.done.append("check")

    async def forget_services(self) -> None:
        self.done.append("forgets")

    async def close(self) -> None:
        self.gone.set()
        self.done.append("close")


class World:
    """A source of one insole, and all that it says and gives."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, insole: KnownInsole = LEFT) -> None:
        self.said: list[str] = []
        self.met: list[tuple[Any, ...]] = []
        self.link = Link()
        self.sighting: Any = SimpleNamespace(rssi=-61)
        self.opened: dict[str, Any] = {}
        self.given: list[Entry] = []
        inbox: Any = SimpleNamespace(put=self.given.append, close=lambda: None)

        def met(*what: Any) -> str:
            self.met.append(what)
            return "1.2 is the newest"

        self.source = LiveSource(
            *([insole], Radio(), self.said.append, StreamConfig(20_000, 4), lambda: 9_000),
            inbox=inbox,
            met=met,
        )
        self.info = self.source.links[Foot.LEFT]

        async def find(wanted: KnownInsole, seconds: float) -> Any:
            assert (wanted, seconds) == (insole, 10.0)
            return self.sighting

        async def open_insole(
            sighting: Any, radio: Any, gone: Any, now_ns: Any, alone: Any, **more: Any
        ) -> Link:
            self.opened = {"gone": gone, **more}
            return self.link

        monkeypatch.setattr(self.source._finder, "find", find)
        monkeypatch.setattr(live, "open_insole", open_insole)

    async def hold(self) -> None:
        await asyncio.wait_for(self.source._hold(self.info), HANG_S)

    def kinds(self) -> list[Kind]:
        return [entry.kind for entry in self.given]


@pytest.fixture
async def world(monkeypatch) -> World:
    return World(monkeypatch)


async def test_an_insole_that_is_not_heard_is_said_once(world):
    world.sighting = None
    for _ in range(2):
        await world.hold()
        assert world.info.state is ConnectionState.SEARCHING
        world.info.reconnection.fail(0.0)  # as `_keep` notes
    assert world.said == [
        f"{LABEL}: not found; is it charged, near, and free of another host? Looking on"
    ]
    assert world.given == []


async def test_a_link_is_recorded_with_who_it_is_and_shown(world):
    await world.hold()
    assert world.kinds() == [Kind.CONNECTED]
    (entry,) = world.given
    assert json.loads(entry.data) == {"serial": "00000007", "rssi_dbm": -61}
    assert (entry.arrival_ns, entry.insole) == (9_000, 0)  # the left one (replay_file.md)
    assert world.opened["bonded"] is False and world.opened["label"] == LABEL
    assert world.said == [
        f"{LABEL}: connected (-61 dBm, battery 80 %)",
        f"{LABEL}: the link is lost; looking for it",
    ]
    assert world.link.done[0] == ("start", 20_000, 4) and world.link.done[-1] == "close"
    info = world.info
    assert (info.rssi, info.battery_percent, info.has_log) == (-61, 80, False)
    assert world.met == [] and info.firmware is None and info.reconnection.links == 1


async def test_an_end_is_recorded_of_a_link_that_was_up_alone(world):
    world.link.who = (8, Foot.LEFT)
    with pytest.raises(BluetoothError):
        await world.hold()
    world.opened["gone"]()
    assert world.given == []
    world.link = Link()
    await world.hold()
    world.opened["gone"]()
    assert world.kinds() == [Kind.CONNECTED, Kind.DISCONNECTED]


async def test_a_level_that_is_not_known_is_not_said(world):
    world.link.battery_percent = None
    await world.hold()
    assert world.said[0] == f"{LABEL}: connected (-61 dBm)"


@pytest.mark.parametrize(("packet_s", "ms"), [(0.05, None), (0.06, 60), (None, None)])
async def test_a_packet_longer_than_what_is_bridged_is_told(world, packet_s, ms):
    world.source.bridged_s = 0.05
    world.link.packet_s = packet_s
    await world.hold()
    told = [text for text in world.said if "one packet holds" in text]
    assert len(told) == (ms is not None)
    if told:
        assert told[0] == (
            f"{LABEL}: one packet holds 60 ms, and only 50 ms are bridged: one that is lost may "
            "cost a swing; ask for fewer samples a packet (--frames)"
        )


@pytest.mark.parametrize("who", [(8, Foot.LEFT), (7, Foot.RIGHT)])
async def test_another_insole_under_its_name_is_left_alone(world, who):
    world.link.who = who
    with pytest.raises(BluetoothError) as raised:
        await world.hold()
    assert str(raised.value) == (
        f"{LABEL}: a device announces itself as this insole but says it is the {who[1]} insole "
        f"{who[0]:08X}; it is left alone"
    )
    assert world.link.done == ["close"] and world.given == []


async def test_another_layout_than_when_it_was_paired_is_left_alone(world):
    world.link.information = Information(18, 10, None, 0, 0x0102)
    with pytest.raises(BluetoothError) as raised:
        await world.hold()
    assert str(raised.value) == (
        f"{LABEL}: says another layout or full scale (18 zones, 10 bits) than when it was paired, "
        "and is left alone; run plantigrade pair"
    )


async def test_a_link_that_was_lost_meanwhile_is_none(world):
    world.link.gone.set()
    with pytest.raises(BluetoothError, match=r": the link was lost at once$"):
        await world.hold()
    assert world.given == []


async def test_a_change_of_firmware_has_the_services_read_anew_once(world, monkeypatch):
    world.link.firmware = 0x0102
    await world.hold()  # which it had before is not known
    assert world.info.firmware == "1.2 is the newest"
    assert world.met == [(LEFT, 0x0102, None)]
    world.link = Link()
    world.link.firmware = 0x0103
    with pytest.raises(BluetoothError) as raised:
        await world.hold()
    assert str(raised.value) == (
        f"{LABEL}: runs firmware 1.3 now (1.2 before); its services are read anew"
    )
    assert world.link.done == ["forgets", "close"]
    world.link = Link()
    world.link.firmware = 0x0103
    await world.hold()
    assert "forgets" not in world.link.done


@pytest.mark.parametrize("bonded", [False, True])
async def test_of_a_bonded_insole_no_service_is_forgotten(monkeypatch, bonded):
    world = World(monkeypatch, replace(LEFT, firmware=0x0101, bonded=bonded))
    world.link.firmware = 0x0102
    world.link.information = Information(18, 12, None, 44, 0x0102)
    if bonded:
        await world.hold()
    else:
        with pytest.raises(BluetoothError, match=r"runs firmware 1\.2 now"):
            await world.hold()
    assert ("forgets" in world.link.done) is not bonded
    assert world.met[0][1:] == (0x0102, 44) and world.opened["bonded"] is bonded


async def test_whether_it_has_a_log_is_noted(world, monkeypatch):
    async def run(log: Any, over: Any, tell: Any) -> None:
        tell(f"{LABEL}: reads its log")
        tell("reads on")

    owed = world.source._owed[Foot.LEFT]
    connected: list[Any] = []
    monkeypatch.setattr(owed.coverage, "connected", lambda *what: connected.append(what))
    monkeypatch.setattr(owed, "run", run)
    monkeypatch.setattr(live, "ANSWER_LIMIT_S", 0.0)
    world.link.log = SimpleNamespace(state="state", read_ns=5)
    world.link.ends_at_once = False
    holding = asyncio.create_task(world.hold())
    await turns_until(lambda: f"{LABEL}: reads on" in world.said)
    world.link.gone.set()
    await holding
    assert world.info.has_log is True and connected == [("state", 5)]
    assert f"{LABEL}: reads its log" in world.said


async def test_what_it_sends_is_recorded_as_it_is_and_its_times_are_measured(world, monkeypatch):
    came: list[int] = []
    monkeypatch.setattr(live, "IntervalMeter", lambda: SimpleNamespace(data=came.append))
    await world.hold()
    world.link.on_data(b"abc")
    assert came == [9_000]
    assert (world.given[-1].kind, world.given[-1].data) == (Kind.NOTIFICATION, b"abc")
    assert world.info.last_ns == 9_000


class Silent:
    """What a link carries, by a clock that goes on by a second a look."""

    silence = "sends nothing"

    def __init__(self, silent_s: list[float], flood: str | None = None) -> None:
        self.left, self.told, self.flooding = silent_s, 0, flood

    def silent_s(self, now_s: float) -> float:
        return self.left.pop(0)

    def note_strays(self, so_far: int) -> None:
        self.told = so_far

    def flood(self, now_s: float) -> str | None:
        assert now_s == 9e-6  # the source's clock, s
        return self.flooding


def meter(interval_ms: float | None = 15.0) -> Any:
    return SimpleNamespace(interval_ms=lambda: interval_ms)


@pytest.fixture
def brief(monkeypatch) -> list[float]:
    return limits_over_at_once(monkeypatch)


async def watch(world: World, flow: Any) -> None:
    link: Any = world.link
    await world.source._watch(world.info, link, flow, meter())


async def test_an_insole_that_is_silent_is_asked_after_three_seconds_and_given_up_after_six(
    world, brief
):
    with pytest.raises(BluetoothError) as raised:
        await watch(world, Silent([2.99, 3.0, 4.0, 5.99, 6.0]))
    assert str(raised.value) == f"{LABEL}: sends nothing; the link is given up"
    assert world.said == [f"{LABEL}: sends nothing; asking it to stream again"]
    assert world.link.done.count("stream") == 1 and world.link.done.count("check") == 5
    assert brief == [1.0] * 4


async def test_after_the_machine_stood_still_it_is_asked_before_it_is_given_up(world, brief):
    """What it sent meanwhile may wait to be taken; one that is silent indeed ends all the same."""
    with pytest.raises(BluetoothError):
        await watch(world, Silent([0.0, 7.0, 0.1, 3.0, 6.0]))
    assert world.link.done.count("stream") == 2
    world.link.done.clear()
    with pytest.raises(BluetoothError):
        await watch(world, Silent([0.0, 7.0, 8.0]))
    assert world.link.done.count("stream") == 1 and world.link.done.count("check") == 3


async def test_one_that_streams_again_is_asked_the_next_time_too(world, brief):
    with pytest.raises(BluetoothError):
        await watch(world, Silent([3.0, 0.1, 3.0, 6.5]))
    assert world.link.done.count("stream") == 2


async def test_one_that_floods_is_given_up_at_once(world, brief):
    flow = Silent([0.0], "sends 900 notifications a second, expected 50")
    world.link.strays = 4
    with pytest.raises(BluetoothError) as raised:
        await watch(world, flow)
    assert str(raised.value) == (
        f"{LABEL}: sends 900 notifications a second, expected 50; the link is given up"
    )
    assert flow.told == 4


async def test_how_it_is_is_shown_while_it_streams(world, monkeypatch):
    world.link.battery_percent = 55
    owed = world.source._owed[Foot.LEFT]
    owed.late_s, owed.lost_s = 2.0, 1.0

    class Over(Silent):
        def note_strays(self, so_far: int) -> None:
            asyncio.get_running_loop().call_soon(world.link.gone.set)

    await watch(world, Over([0.0]))
    info = world.info
    assert (info.battery_percent, info.dropped, info.interval_ms) == (55, 3, 15.0)
    assert (info.catching_up_s, info.late_s, info.not_logged_s) == (0.0, 2.0, 1.0)
    world.link.gone.clear()
    world.link.status = None
    await watch(world, Over([0.0]))
    assert info.dropped == 0


async def test_times_are_exchanged_often_at_first_and_recorded(world, monkeypatch, brief):
    bounds: list[tuple[float, float]] = []

    def uniform(low: float, high: float) -> float:
        bounds.append((low, high))
        if len(bounds) == 23:
            world.link.gone.set()
        elif len(bounds) == 2:
            world.link.exchange = BluetoothError("lost")  # a lost answer costs nothing
        else:
            world.link.exchange = (1, 2, 3)
        return low

    monkeypatch.setattr(random, "uniform", uniform)
    answers: list[int] = []
    answered: Any = SimpleNamespace(answer=answers.append)
    link: Any = world.link
    await world.source._exchange(link, 1, asyncio.Event(), answered)
    assert bounds == [(0.15, 0.35)] * 21 + [(1.0, 2.0)] * 2
    assert world.kinds() == [Kind.EXCHANGE] * 21 and answers == [2] * 21
    assert read_exchange(world.given[0].data) == (1, 2, 3)
    assert (world.given[0].arrival_ns, world.given[0].insole) == (9_000, 1)


async def test_one_that_has_no_clock_is_asked_once_and_one_that_is_over_not_at_all(world, brief):
    link: Any = world.link
    over = asyncio.Event()
    await world.source._exchange(link, 1, over, meter())
    assert world.link.done == ["clock"] and world.given == []
    over.set()
    await world.source._exchange(link, 1, over, meter())
    assert world.link.done == ["clock"]


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (RadioError("no adapter."), "Bluetooth: no adapter."),
        (BluetoothError("left: no answer"), "left: no answer; trying again"),
        (ValueError("seven"), f"{LABEL}: ValueError('seven'); trying again"),
    ],
)
async def test_whatever_fails_is_said_once_and_tried_again_ever_later(
    world, monkeypatch, error, said
):
    paused: list[float] = []
    whole = asyncio.sleep

    async def nap(seconds: float) -> None:
        paused.append(seconds)
        if len(paused) == 6:
            raise asyncio.CancelledError
        await whole(0)

    async def hold(info: Any) -> None:
        raise error

    monkeypatch.setattr(asyncio, "sleep", nap)
    monkeypatch.setattr(world.source, "_hold", hold)
    with pytest.raises(asyncio.CancelledError):
        await world.source._keep(world.info)
    assert world.said == [said] and paused == [0.5, 1.0, 2.0, 4.0, 8.0, 8.0]


async def test_who_waits_for_the_other_one_says_so_after_six_seconds(world, monkeypatch):
    assert live.TOLD_WAIT_S == 6.0
    monkeypatch.setattr(live, "TOLD_WAIT_S", 0.0)
    right = LiveSource([replace(LEFT, serial=8, foot=Foot.RIGHT)], Radio(), print)
    async with world.source._alone(right.links[Foot.RIGHT]):

        async def wait() -> None:
            async with world.source._alone(world.info):
                pass

        waiting = asyncio.create_task(wait())
        await turns_until(lambda: world.said)
    await waiting
    assert world.said == [
        f"{LABEL}: waits for the right one, which is found and does not answer yet; one is "
        "connected at a time"
    ]
    assert world.source._connected_to is None and not world.source._connecting.locked()


async def test_a_source_ends_its_links_and_gives_what_came(world, monkeypatch):
    source = LiveSource([LEFT], Radio(), print)

    async def keep(info: Any) -> None:
        source._emit(Entry(1, 1, Kind.NOTIFICATION, b"x"))
        await asyncio.Event().wait()

    monkeypatch.setattr(source, "_keep", keep)
    async with source:
        got = [len(batch) for batch in [await anext(aiter(source))]]
        await source.stop()
        await source.stop()
    assert got == [1] and source.links[Foot.LEFT].state is ConnectionState.STOPPED
    assert [batch async for batch in source] == []


async def test_what_ended_a_source_unasked_is_raised_to_who_reads_it(monkeypatch):
    source = LiveSource([LEFT], Radio(), print)

    async def keep(info: Any) -> None:
        raise ValueError("seven")

    monkeypatch.setattr(source, "_keep", keep)
    async with source:
        with pytest.raises(ExceptionGroup):
            async for _ in source:
                pass
