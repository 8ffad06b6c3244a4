"""The live source over a real Bluetooth host stack: nothing is replaced above HCI."""

import asyncio
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import count, repeat
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from bleak import BleakClient
from tests.support.waiting import HANG_S

from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.record.entries import Batch, Entry, Kind, read_exchange
from plantigrade_gateway.sources import bluetooth, live, reconnect
from plantigrade_gateway.sources import link as insolelink
from plantigrade_gateway.sources.bluetooth import Radio
from plantigrade_gateway.sources.finder import Finder
from plantigrade_gateway.sources.link import open_insole
from plantigrade_gateway.sources.live import LiveSource, StreamConfig
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.wire.codec import MessageKind, decode, encode
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.messages import DataPacket, Rate, Start, Time
from plantigrade_gateway.wire.stream import StreamEventKind

try:
    from bumble.device import Connection
    from tests.support.airworld import LEFT, RIGHT, known, turned, world

    from plantigrade_gateway.virtual.air import RadioConditions
    from plantigrade_gateway.virtual.peripheral import AirInsole
    from plantigrade_gateway.virtual.player import GaitSource, invented_steps
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

pytestmark = pytest.mark.dear


async def take(source: LiveSource, work: Callable[[Batch], None]) -> None:
    """Give what comes to `work`, as the runner does."""
    async for batch in source:
        work(batch)
        await asyncio.sleep(0)


@pytest.fixture(scope="module")
def steps() -> GaitSource:
    return invented_steps()


@pytest.fixture(autouse=True)
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Search and pause for less long than with people."""
    monkeypatch.setattr(live, "SEARCH_S", 0.5)
    monkeypatch.setattr(reconnect, "FIRST_PAUSE_S", 0.05)
    monkeypatch.setattr(reconnect, "LONGEST_PAUSE_S", 0.2)


async def test_scan_says_who_is_near(steps):
    async with world(steps) as air:
        found = await air.heard()
    assert [(s.name, s.announcement.foot, s.announcement.serial) for s in found] == [
        ("Insole L", LEFT, 0x51A70001),
        ("Insole R", RIGHT, 0x51A70002),
    ]
    assert [s.announcement.length_mm for s in found] == [270, 270]
    assert {s.rssi for s in found} == {-60}


@pytest.mark.slow
async def test_every_byte_of_both_feet_reaches_the_store(steps, store, session):
    """Twenty seconds of 2 × 200 Hz, some six times faster than real time."""
    async with world(steps, speed=6.0) as air:
        with Recorder(store, session) as recorder:

            def emit(entry: Entry) -> None:
                air.entries.append(entry)
                recorder.put(Batch.of([entry]))

            async with air.listening(wish=StreamConfig(5000, 2), emit=emit):
                await air.until(lambda: min(len(air.data(LEFT)), len(air.data(RIGHT))) >= 2000)
        sent = {foot: list(air.sent(foot)) for foot in (LEFT, RIGHT)}
    stored = [entry for batch in store.batches(session) for entry in batch]
    assert stored == air.entries
    assert next(e.kind for e in stored if e.insole == 0) is Kind.CONNECTED
    times = [e.arrival_ns for e in stored]
    assert times == sorted(times)
    for foot in (LEFT, RIGHT):
        got = air.data(foot)
        assert got == sent[foot][: len(got)]
        assert len(sent[foot]) - len(got) <= 64  # the last were on their way when the link ended
        decoder, facts, runs = air.decoded(foot)
        assert (decoder.counts.packets, decoder.counts.lost_packets) == (len(got), 0)
        assert facts == []
        assert {run.period_us for run in runs} == {5000}
        clock = np.concatenate([run.clock_us for run in runs])
        assert set(np.diff(clock)) == {10_000}


async def test_connected_entry_says_who_and_how(steps):
    async with world(steps, battery_percent=41.0) as air:
        async with air.listening(known(air.insoles[RIGHT].settings)):
            await air.streams(RIGHT)
        said = json.loads(air.of(RIGHT, Kind.CONNECTED)[0].data)
    assert said == {
        "serial": "51A70002",
        "foot": "right",
        "firmware": "1.0",
        "length_mm": 270,
        "zones": 18,
        "battery_percent": 41,
        "rssi_dbm": -60,
        "value_bytes": 244,
    }
    assert "right insole (51A70002): connected (-60 dBm, battery 41 %)" in air.said


@pytest.mark.parametrize(("mtu", "frames"), [(247, 6), (185, 6), (100, 3), (50, 1)])
async def test_frames_asked_for_fit_the_mtu(steps, mtu, frames):
    """27 bytes a frame after 16: (mtu − 3 − 16) // 27, and 6 were wished for."""
    async with world(steps, mtu=mtu) as air:
        async with air.listening(known(air.insoles[LEFT].settings), wish=StreamConfig(None, 6)):
            await air.streams(LEFT)
        assert air.data(LEFT) == air.sent(LEFT)[: len(air.data(LEFT))]
        _, _, runs = air.decoded(LEFT)
    assert {run.frames for run in runs} == {frames}


@pytest.mark.parametrize(
    ("mtu", "period_us", "bridged_s", "said"),
    [
        (247, 10_000, None, True),
        (247, 5_000, None, False),
        (247, 10_000, 0.08, False),  # the session bridges more
    ],
)
async def test_a_packet_longer_than_what_is_bridged_is_told_at_the_start(
    steps, mtu, period_us, bridged_s, said
):
    """Six samples are 60 ms at 100 Hz, over the 40 that are bridged, and 30 ms at 200 Hz."""
    async with world(steps, mtu=mtu) as air:
        wish = StreamConfig(period_us, 6)
        left = known(air.insoles[LEFT].settings)
        async with air.listening(left, wish=wish, bridged_s=bridged_s):
            await air.streams(LEFT)
        told = [text for text in air.said if "one packet holds 60 ms" in text]
    assert len(told) == (1 if said else 0)


@pytest.mark.slow
async def test_a_link_on_which_nothing_fits_is_refused(steps):
    async with world(steps, mtu=23) as air, air.listening(known(air.insoles[LEFT].settings)):
        await air.told("the link carries only 20 bytes at a time, expected at least 43")
    assert air.data(LEFT) == []


async def test_an_insole_that_hangs_up_comes_back_and_the_other_goes_on(steps):
    async with world(steps) as air, air.listening():
        await air.streams(LEFT)
        await air.streams(RIGHT)
        await air.insoles[RIGHT].hang_up()
        await air.until(lambda: air.of(RIGHT, Kind.DISCONNECTED))
        await air.until(lambda: len(air.of(RIGHT, Kind.CONNECTED)) == 2)
        await air.streams(RIGHT, 15)
        await air.streams(LEFT, 15)  # rows wait for both
        assert air.of(LEFT, Kind.DISCONNECTED) == []
        assert air.decoded(LEFT)[0].counts.lost_packets == 0
        facts = air.decoded(RIGHT)[1]
        assert StreamEventKind.RESTART not in {f.kind for f in facts}  # its clock went on
        assert [f.kind for f in facts].count(StreamEventKind.START) >= 1
        assert any("right insole (51A70002): the link is lost" in text for text in air.said)
        line = air.line()
        assert line.hole_s(LEFT) == 0.0
        assert line.hole_s(RIGHT) > 0.05  # nothing is made up for it


async def test_out_of_range_ends_the_link_after_the_timeout(steps):
    async with world(steps) as air, air.listening():
        await air.streams(LEFT)
        await air.streams(RIGHT)
        air.insoles[LEFT].vanish(1.0)
        await air.until(lambda: air.of(LEFT, Kind.DISCONNECTED))
        await air.until(lambda: len(air.of(LEFT, Kind.CONNECTED)) == 2)
        await air.streams(LEFT, 15)
        await air.streams(RIGHT, 15)  # rows wait for both
        assert air.of(RIGHT, Kind.DISCONNECTED) == []
        decoder, facts, runs = air.decoded(LEFT)
        assert {f.kind for f in facts} == {
            StreamEventKind.START
        }  # and nothing of before it (rule 6)
        assert decoder.counts.lost_packets == 0
        assert np.all(np.diff(np.concatenate([run.clock_us for run in runs])) > 0)
        line = air.line()
        assert line.hole_s(RIGHT) == 0.0
        assert line.hole_s(LEFT) >= 0.4  # the supervision timeout, at least


async def test_a_short_absence_delays_and_loses_nothing(steps):
    conditions = RadioConditions(interval_s=0.0, supervision_s=2.0)
    async with world(steps, conditions) as air, air.listening():
        await air.streams(LEFT)
        air.insoles[LEFT].vanish(0.3)
        await air.streams(LEFT, 40)
        got = air.data(LEFT)
        assert air.of(LEFT, Kind.DISCONNECTED) == []
        assert got == air.sent(LEFT)[: len(got)]
        assert air.decoded(LEFT)[0].counts.lost_packets == 0
        assert air.line().hole_s(LEFT) == 0.0


async def test_connection_events_and_failed_tries_lose_nothing(steps):
    conditions = RadioConditions(interval_s=0.015, retry=0.3, seed=3)
    async with world(steps, conditions, speed=4.0) as air, air.listening():
        await air.streams(LEFT, 200)
        await air.streams(RIGHT)
        assert air.air.retries > 20
        for foot in (LEFT, RIGHT):
            got = air.data(foot)
            assert got == air.sent(foot)[: len(got)]


async def test_a_reset_is_seen_in_the_data(steps):
    async with world(steps) as air, air.listening():
        await air.streams(LEFT)  # the time line begins where both are
        await air.streams(RIGHT)
        air.insoles[RIGHT].restart()
        await air.until(lambda: len(air.of(RIGHT, Kind.CONNECTED)) == 2)
        await air.streams(RIGHT, 15)
        await air.streams(LEFT, 15)  # rows wait for both
        decoder, facts, runs = air.decoded(RIGHT)
        assert [f.kind for f in facts].count(StreamEventKind.RESTART) == 1
        assert decoder.counts.lost_packets == 0
        assert air.insoles[RIGHT].status().resets == 1
        assert runs[0].clock_us[0] > 7_000_000 > runs[-1].clock_us[0]
        line = air.line()
        assert line.hole_s(RIGHT) >= 0.3  # it was away, and came back on the same time line
        assert line.hole_s(LEFT) == 0.0


async def test_a_clock_that_wraps_goes_on(steps):
    wraps = turned(LEFT, clock_us=2**32 - 24_000_000, speed=8.0)  # in 3 s
    async with world(steps, left=wraps) as air, air.listening(known(wraps)):
        await air.until(
            lambda: StreamEventKind.CLOCK_WRAP in {f.kind for f in air.decoded(LEFT)[1]}
        )
        await air.streams(LEFT)
        decoder, facts, runs = air.decoded(LEFT)
    assert decoder.counts.lost_packets == 0
    assert [f.kind for f in facts] == [StreamEventKind.CLOCK_WRAP]
    assert air.line().hole_s(LEFT) == 0.0
    clock = np.concatenate([run.clock_us for run in runs])
    assert set(np.diff(clock)) == {20_000}


@pytest.mark.slow
async def test_an_insole_switched_on_late_joins(steps):
    async with world(steps, speed=4.0) as air:
        late = turned(RIGHT, serial=0x51A70009, speed=4.0)
        pair = known(air.insoles[LEFT].settings), known(late)
        async with air.listening(*pair):
            await air.streams(LEFT)
            await air.told("not found")
            await air.streams(LEFT, 100)  # two of its seconds, in which the other is not there
            assert air.of(RIGHT, Kind.CONNECTED) == []
            extra = await air.insole(late)
            try:
                await air.streams(RIGHT, 15)
                await air.streams(LEFT, 15)  # rows wait for both
                assert air.decoded(LEFT)[0].counts.lost_packets == 0
                line = air.line()
                assert line.late_s(LEFT) < 0.1 and line.hole_s(LEFT) == 0.0
                assert line.late_s(RIGHT) > 1.0
                assert line.hole_s(RIGHT) == 0.0
            finally:
                await extra.close()


async def test_a_stranger_with_our_name_is_never_connected(steps):
    stranger = turned(LEFT, serial=0x0BAD0001)
    async with world(steps, left=stranger) as air:
        assert air.insoles[LEFT].device.name == "Insole L"
        async with air.listening(known(turned(LEFT)), known(turned(RIGHT))):
            await air.streams(RIGHT)
            await air.until(lambda: any("not found" in text for text in air.said))
            assert air.insoles[LEFT].connection is None
        assert air.insoles[LEFT].requests == []
        assert air.line().late_s(LEFT) == np.inf
        assert air.line().hole_s(RIGHT) == 0.0


async def test_our_number_under_another_address_is_left_alone(steps):
    mine = known(turned(LEFT))
    async with world(steps) as air:
        moved = type(mine)(mine.serial, mine.foot, mine.name, "C0:00:00:00:00:01", 270)
        async with air.listening(moved):
            await air.told("another device announces itself by its number")
        assert air.insoles[LEFT].requests == []


async def test_an_impostor_is_left_as_soon_as_it_says_who_it_is(steps):
    impostor = turned(LEFT, answers_serial=0x0BAD0002)
    async with world(steps, left=impostor) as air:
        async with air.listening(known(impostor)):
            await air.told("but says it is the left insole 0BAD0002; it is left alone")
        assert air.entries == []
        assert not any(isinstance(r, Start) for r in air.insoles[LEFT].requests)


async def test_an_insole_that_another_host_holds_is_taken_when_it_is_free(steps):
    async with world(steps, speed=4.0) as air:
        from bumble.transport.common import AsyncPipeSink

        from plantigrade_gateway.virtual.air import AirController
        from plantigrade_gateway.virtual.backend import AirRadio

        controller = AirController("another host", link=air.air)
        other = await AirRadio.on(controller, AsyncPipeSink(controller))
        try:
            heard = await air.heard(backend=Radio(other.scanner, other.client))
            (left,) = [one for one in heard if one.announcement.foot is LEFT]
            holder = BleakClient(left.device, backend=other.client)
            await holder.connect()
            async with air.listening():
                await air.streams(RIGHT)
                await air.told("free of another host")
                await air.streams(RIGHT, 100)  # two of its seconds, in which the left one is held
                assert air.of(LEFT, Kind.CONNECTED) == []
                await holder.disconnect()
                await air.streams(LEFT, 15)
                await air.streams(RIGHT, 15)  # rows wait for both
                line = air.line()
                assert line.late_s(LEFT) > 1.0 and line.hole_s(LEFT) == 0.0
                assert line.hole_s(RIGHT) == 0.0
        finally:
            await other.close()


async def test_an_insole_that_falls_silent_is_asked_then_given_up(steps, monkeypatch):
    monkeypatch.setattr(live, "SILENT_S", 0.3)
    async with world(steps) as air, air.listening(known(turned(LEFT))):
        await air.streams(LEFT)
        air.insoles[LEFT].stall(HANG_S)
        await air.told("asking it to stream again")
        await air.until(lambda: air.of(LEFT, Kind.DISCONNECTED))
        await air.told("sends nothing; the link is given up")
        air.insoles[LEFT].stall(0.0)
        await air.until(lambda: len(air.of(LEFT, Kind.CONNECTED)) >= 2)
        await air.streams(LEFT, 15)
        assert air.line().hole_s(LEFT) >= 0.6


def packets(insole: AirInsole) -> Iterator[bytes]:
    """Its next packets, as it would make them, however fast they are wanted."""
    for counter in count():
        yield encode(insole._packet(20_000 * counter + 10_000 * np.arange(2), 10_000, counter))


FLOODS: dict[str, Callable[[AirInsole], Iterator[bytes]]] = {
    "packets": packets,
    "empty": lambda _: repeat(b""),
    "garbage": lambda _: repeat(b"\xa5" * 244),
    "status": packets,
    "answers": packets,
}


class FloodClock:
    """The host's clock; in a flood it goes by what was sent, so no machine is too slow for one.

    Parameters
    ----------
    now_ns : Callable[[], int]
        The clock outside the flood.
    """

    EVERY_NS = 2_000_000  # ten times the fifty notifications a second that are expected

    def __init__(self, now_ns: Callable[[], int]) -> None:
        self._now_ns = now_ns
        self._ahead_ns = 0
        self._flood_ns: int | None = None

    def now_ns(self) -> int:
        return self._now_ns() + self._ahead_ns if self._flood_ns is None else self._flood_ns

    def sent(self) -> None:
        self._flood_ns = self.now_ns() + self.EVERY_NS

    def end(self) -> None:
        self._ahead_ns, self._flood_ns = self.now_ns() - self._now_ns(), None


@pytest.mark.parametrize("kind", FLOODS)
@pytest.mark.slow
async def test_an_insole_that_floods_is_given_up_and_costs_the_other_nothing(
    steps, monkeypatch, kind
):
    """It sends as fast as the link goes, to a gateway that works on all of it."""
    pipeline = Pipeline()
    held: list[int] = []

    async def flood(insole: AirInsole, connection: Connection) -> None:
        beside = {"status": insole._offer.status, "answers": insole._offer.point}.get(kind)
        tell = insole.device.notify_subscriber
        if kind == "answers":
            tell = insole.device.indicate_subscriber
        for number, data in enumerate(FLOODS[kind](insole)):
            clock.sent()
            if beside is not None and number % 8:  # between packets of its stream
                await tell(connection, beside, data[:12])
            else:
                await insole._send(connection, data, number)
            if number % 64 == 0:
                await asyncio.sleep(0)

    def work(batch: Batch) -> None:
        held.append(len(batch))
        air.entries.extend(batch)
        pipeline.push(batch)

    async with world(steps) as air:
        clock = FloodClock(air.now_ns)
        right = air.insoles[RIGHT]
        wanted = [known(insole.settings) for insole in air.insoles.values()]
        source = LiveSource(wanted, air.backend, air.said.append, now_ns=clock.now_ns)
        async with source:
            working = asyncio.create_task(take(source, work))
            await air.streams(LEFT)
            monkeypatch.setattr(right, "_stream", lambda connection: flood(right, connection))
            right.begin()
            await air.until(lambda: any("the link is given up" in text for text in air.said))
            right.end()
            clock.end()
            monkeypatch.undo()
            await air.streams(LEFT, 50)
        await working
        sent = list(air.sent(LEFT))
    (said,) = {text for text in air.said if "given up" in text}
    assert re.fullmatch(
        r"right insole \(51A70002\): sends \d+ notifications a second, expected 50; the link is "
        r"given up; trying again",
        said,
    )
    got = air.data(LEFT)
    assert got == sent[: len(got)], "the other lost nothing"
    assert pipeline.counts()[0].lost_packets == 0
    assert source._inbox.lost == 0 and len(held) > 50, "it was worked on all the time"
    if kind in ("empty", "garbage"):
        junk = [data for data in air.data(RIGHT) if data in (b"", b"\xa5" * 244)]
        assert pipeline.counts()[1].facts[StreamEventKind.MALFORMED] == len(junk) > 500


@pytest.mark.parametrize("kind", ["empty", "garbage"])
async def test_an_insole_that_sends_no_data_is_asked_then_given_up(steps, monkeypatch, kind):
    """As often as it should, but nothing that is a packet."""
    monkeypatch.setattr(live, "SILENT_S", 0.3)

    async def junk(insole: AirInsole, connection: Connection) -> None:
        for number, data in enumerate(FLOODS[kind](insole)):
            await insole._send(connection, data, number)
            await asyncio.sleep(0.02)

    async with world(steps) as air, air.listening():
        await air.streams(LEFT)
        await air.streams(RIGHT)
        right = air.insoles[RIGHT]
        monkeypatch.setattr(right, "_stream", lambda connection: junk(right, connection))
        right.begin()
        what = "right insole (51A70002): sends nothing that is a data packet; "
        await air.until(lambda: f"{what}asking it to stream again" in air.said)
        await air.until(lambda: f"{what}the link is given up; trying again" in air.said)
        got = air.data(LEFT)
        assert got == air.sent(LEFT)[: len(got)]


def turn_into_the_other(insole: AirInsole) -> None:
    insole.settings = turned(RIGHT)


def sample_too_seldom(insole: AirInsole) -> None:
    insole.control.period_us = 60_000


@pytest.mark.parametrize(
    ("turn", "said"),
    [
        (turn_into_the_other, "data of the right foot"),
        (sample_too_seldom, "a sample every 60 ms, expected 50 at most"),
    ],
)
async def test_an_insole_whose_data_are_left_out_is_said_and_given_up(
    steps, monkeypatch, turn, said
):
    """It becomes so in mid-stream."""
    monkeypatch.setattr(live, "SILENT_S", 0.5)
    async with world(steps) as air, air.listening():
        await air.streams(LEFT)
        await air.streams(RIGHT)
        turn(air.insoles[LEFT])
        what = f"left insole (51A70001): sends {said}; "
        await air.until(lambda: f"{what}the link is given up; trying again" in air.said)
        assert f"{what}asking it to stream again" in air.said
        got = air.data(RIGHT)
        assert got == air.sent(RIGHT)[: len(got)]


async def test_an_insole_on_its_charger_is_said_and_taken_when_it_comes_off(steps, monkeypatch):
    """Put there in mid-session: it stops; the host asks, is refused, says why, and asks on."""
    monkeypatch.setattr(live, "SILENT_S", 0.3)
    async with world(steps) as air, air.listening(known(turned(LEFT))):
        await air.streams(LEFT)
        air.insoles[LEFT].charge(True)
        off_us = air.insoles[LEFT]._clock_now_us()
        await air.until(lambda: any(insolelink.CHARGING in text for text in air.said))
        last = decode(air.data(LEFT)[-1])  # it may have been on its way for long, and no more came
        assert isinstance(last, DataPacket) and last.clock_us <= off_us
        air.insoles[LEFT].charge(False)
        await air.streams(LEFT, 15)
        assert StreamEventKind.RESTART not in {f.kind for f in air.decoded(LEFT)[1]}


async def test_packets_an_insole_loses_are_counted_on_both_sides(steps):
    async with world(steps, loss=0.2, speed=5.0) as air, air.listening(known(turned(LEFT))):
        await air.streams(LEFT, 150)
        decoder = air.decoded(LEFT)[0]
        got, dropped = len(air.data(LEFT)), air.insoles[LEFT].status().dropped
    assert decoder.counts.lost_packets >= 10
    assert decoder.counts.lost_packets <= dropped <= decoder.counts.lost_packets + got


async def test_rate_and_battery_are_followed(steps):
    async with world(steps, speed=20.0, battery_hours=0.05) as air:
        async with air.listening(known(turned(LEFT)), wish=StreamConfig(5000, 4)) as source:
            await air.streams(LEFT, 200)
            info = source.links[LEFT]
            await air.until(lambda: info.battery_percent is not None and info.battery_percent < 86)
        asked = [r for r in air.insoles[LEFT].requests if isinstance(r, Rate)]
        assert [r.period_us for r in asked] == [5000]


@pytest.mark.slow
async def test_time_exchanges_are_recorded_and_narrow_the_stated_error(steps, monkeypatch):
    monkeypatch.setattr(live, "FIRST_EXCHANGES_S", (0.02, 0.06))
    monkeypatch.setattr(live, "EXCHANGES_S", (0.02, 0.06))
    async with world(steps) as air, air.listening():
        await air.streams(LEFT)
        await air.streams(RIGHT)
        air.air.conditions = RadioConditions(interval_s=0.02, supervision_s=2.0)
        await air.until(lambda: len(air.of(LEFT, Kind.EXCHANGE)) >= 40)
        await air.until(lambda: len(air.of(RIGHT, Kind.EXCHANGE)) >= 40)
        entries = list(air.entries)
        requests = [r for r in air.insoles[LEFT].requests if isinstance(r, Time)]
        assert len(requests) >= 40
    for entry in entries:
        if entry.kind is Kind.EXCHANGE:
            exchange = read_exchange(entry.data)
            assert exchange is not None
            assert exchange[0] < exchange[1] <= entry.arrival_ns
    stated = []
    for wanted in (set(Kind), set(Kind) - {Kind.EXCHANGE}):
        pipeline = Pipeline()
        pipeline.push(Batch.of([e for e in entries if e.kind in wanted]))
        stated.append(pipeline.clocks()[0].error_s)
    assert stated[0] < 0.5 * stated[1]


async def test_no_entry_comes_after_the_source_has_stopped(steps):
    async with world(steps) as air:
        async with air.listening():
            await air.streams(LEFT)
            await air.streams(RIGHT)
        last = len(air.entries)
        assert [e.kind for e in air.entries[-2:]].count(Kind.DISCONNECTED) >= 1
        assert len(air.of(LEFT, Kind.DISCONNECTED)) == len(air.of(RIGHT, Kind.DISCONNECTED)) == 1
        await asyncio.sleep(0.2)
        assert len(air.entries) == last
        assert air.insoles[LEFT].connection is None


async def test_a_stop_that_a_library_loses_is_taken_up(steps, monkeypatch):
    """`asyncio.wait_for` of Python 3.11 loses a cancellation that comes with the answer."""
    write = bluetooth.Connection.write
    lost = asyncio.Event()

    async def losing(link, uuid, data):
        await write(link, uuid, data)
        if data[1] == MessageKind.START and not lost.is_set():
            try:
                await asyncio.sleep(3600.0)
            except asyncio.CancelledError:
                lost.set()

    monkeypatch.setattr(bluetooth.Connection, "write", losing)
    async with world(steps) as air:
        async with asyncio.timeout(HANG_S):
            async with air.listening(known(turned(LEFT))):
                await air.streams(LEFT)
        assert lost.is_set()
        assert air.of(LEFT, Kind.DISCONNECTED)


async def test_connecting_to_nobody_is_one_sentence(steps):
    async with world(steps) as air:
        found = await air.heard()
        air.air.leave(air.insoles[LEFT]._controller)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(bluetooth, "CONNECT_LIMIT_S", 0.3)
            with pytest.raises(BluetoothError, match=r"^left insole 51A70001: no answer$"):
                await open_insole(found[0], air.backend, lambda: None)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (lambda insole: None, "no answer"),
        (lambda insole: insole._spawn(insole.hang_up()), "the link was lost"),
    ],
)
async def test_what_an_insole_does_instead_of_an_answer_is_told_by_its_name(
    steps, monkeypatch, answer, said
):
    monkeypatch.setattr(insolelink, "ANSWER_LIMIT_S", 0.3)
    named = replace(known(turned(LEFT)), name="the old one")

    def instead(value: bytes, clock_us: int) -> bytes:
        answer(air.insoles[LEFT])
        return b""

    async with world(steps) as air:
        monkeypatch.setattr(air.insoles[LEFT].control, "answer", instead)
        async with air.listening(named):
            await air.until(lambda: f"left insole (the old one): {said}; trying again" in air.said)


async def test_who_waits_for_an_insole_that_takes_the_link_and_is_silent_says_so(monkeypatch):
    """The other one's turn comes when the silent one is given up, and people read why it waits."""
    monkeypatch.setattr(live, "TOLD_WAIT_S", 0.05)
    given_up, right, order, told = asyncio.Event(), asyncio.Event(), list[str](), list[str]()

    async def found(*_: object) -> SimpleNamespace:
        return SimpleNamespace(rssi=-60)

    async def opened(*arguments: Any, label: str, **_: object) -> None:
        async with arguments[4]():
            order.append(label.split()[0])
            if order == ["left"]:
                await given_up.wait()
            else:
                right.set()
        raise BluetoothError(f"{label}: no answer")

    monkeypatch.setattr(Finder, "find", found)
    monkeypatch.setattr(live, "open_insole", opened)
    insoles = [KnownInsole(k, foot, "", "", 270) for k, foot in enumerate((LEFT, RIGHT))]
    async with LiveSource(insoles, Radio(), told.append), asyncio.timeout(HANG_S):
        while not told:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.2)
        (said,) = told  # once
        given_up.set()
        await right.wait()
    assert said.startswith(insoles[1].label)
    assert "waits for the left one, which is found and does not answer yet" in said
    assert order[:2] == ["left", "right"]
