"""Virtual insoles on the air, asked by a bare bleak client: what any host would see of them."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, cast

import numpy as np
import pytest
from bleak import BleakClient
from bleak.exc import BleakGATTProtocolError
from tests.plantigrade_gateway.wire.test_codec import ANSWERS
from tests.support.waiting import HANG_S

from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.sources.bluetooth import scan
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import MessageKind, decode, encode
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.log import LogRequest, read_page, read_state
from plantigrade_gateway.wire.messages import (
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Frames,
    Message,
    Rate,
    Start,
    Stop,
)
from plantigrade_gateway.wire.stream import StreamEvent, StreamEventKind

try:
    from tests.support.airworld import LEFT, World, turned, world

    from plantigrade_gateway.virtual.air import Air
    from plantigrade_gateway.virtual.peripheral import AirInsole
    from plantigrade_gateway.virtual.player import GaitSource, invented_steps
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

pytestmark = pytest.mark.dear

SERIAL_NUMBER = "00002a25-0000-1000-8000-00805f9b34fb"


@pytest.fixture(scope="module")
def steps() -> GaitSource:
    return invented_steps()


class Host:
    """A host that writes what it likes and keeps what it is told."""

    def __init__(self, client: BleakClient) -> None:
        self.client = client
        self.data: list[bytes] = []
        self.answers: asyncio.Queue[bytes] = asyncio.Queue()
        self._subscribed = False

    async def listen(self) -> None:
        await self.client.start_notify(
            gatt.CONTROL, lambda _, data: self.answers.put_nowait(bytes(data))
        )
        await self.subscribe(True)

    async def write(self, data: bytes) -> None:
        await self.client.write_gatt_char(gatt.CONTROL, data, response=True)

    async def ask(self, request: Message) -> Message:
        await self.write(encode(request))
        async with asyncio.timeout(HANG_S):
            return decode(await self.answers.get())

    async def subscribe(self, on: bool) -> None:
        """Subscribe to data, or end that; nothing where it is so."""
        if on is not self._subscribed:
            self._subscribed = on
            if on:
                await self.client.start_notify(
                    gatt.DATA, lambda _, data: self.data.append(bytes(data))
                )
            else:
                await self.client.stop_notify(gatt.DATA)

    async def hears(self, packets: int) -> None:
        """Wait for so many packets more."""
        goal = len(self.data) + packets
        async with asyncio.timeout(HANG_S):
            while len(self.data) < goal:
                await asyncio.sleep(0.005)

    def packets(self) -> list[DataPacket]:
        return [packet for data in self.data if isinstance(packet := decode(data), DataPacket)]

    def facts(self) -> list[StreamEvent]:
        rows = [Entry(k * 1_000_000, 0, Kind.NOTIFICATION, d) for k, d in enumerate(self.data)]
        batch = Batch.of(rows)
        out = Decoder(0).feed(batch.arrival_ns, batch.length, batch.payload)
        return [item for item in out if isinstance(item, StreamEvent)]


@asynccontextmanager
async def host_of(air: World) -> AsyncIterator[Host]:
    """A host connected to the left insole; it listens."""
    found = await scan(air.backend, 0.25)
    (left,) = [s for s in found if s.announcement.foot is LEFT]
    async with BleakClient(left.device, backend=air.radio.client) as client:
        host = Host(client)
        await host.listen()
        yield host


async def test_a_request_before_the_subscription_is_refused(steps):
    async with world(steps) as air:
        found = await scan(air.backend, 0.25)
        async with BleakClient(found[0].device, backend=air.radio.client) as client:
            with pytest.raises(BleakGATTProtocolError) as error:
                await client.write_gatt_char(gatt.CONTROL, encode(Start(1)), response=True)
            assert error.value.code == 0xFD
            assert await client.read_gatt_char(SERIAL_NUMBER) == b"51A70001"


async def test_every_known_write_gets_the_known_answer_over_the_air(steps):
    """The vectors' table behind the real stack, in one connection: no Bluetooth error, ever.

    Between two of them the insole is put back as it was fresh.
    """
    async with world(steps, left=turned(LEFT, serial=1)) as air, host_of(air) as host:
        insole = air.insoles[LEFT]
        for block in ANSWERS:
            await host.subscribe(block.get("subscribed") != "0")
            insole.charge(block.get("charging") == "1")
            before = insole._clock_now_us()
            await host.write(bytes.fromhex(block["hex"]))
            expected = bytes.fromhex(block["answer"])
            if expected:
                async with asyncio.timeout(HANG_S):
                    got = await host.answers.get()
                if expected[1] == MessageKind.CLOCK:
                    said = decode(got)
                    assert isinstance(said, Clock)
                    assert before <= said.clock_us <= insole._clock_now_us()
                    got = got[:3] + expected[3:]
                assert got == expected, block["name"]
            for request in (Stop(0), Rate(0, 10_000), Frames(0, 2)):  # one answer came, or none
                kind = MessageKind(encode(request)[1])
                assert await host.ask(request) == Ack(0, kind, AckStatus.DONE), block["name"]


async def test_a_new_rate_begins_with_a_packet_and_breaks_nothing(steps):
    async with world(steps) as air, host_of(air) as host:
        assert await host.ask(Start(1)) == Ack(1, MessageKind.START, AckStatus.DONE)
        for token, period_us in enumerate((5000, 12_345, 7000), 2):
            await host.hears(3)
            assert await host.ask(Rate(token, period_us)) == Ack(
                token, MessageKind.RATE, AckStatus.DONE
            )
        await host.hears(4)
        assert await host.ask(Start(9)) == Ack(9, MessageKind.START, AckStatus.DONE)
        await host.hears(3)
    packets = host.packets()
    assert {p.period_us for p in packets} == {10_000, 5000, 12_345, 7000}
    ahead = np.diff([p.clock_us for p in packets])
    due = np.array([len(p.counts) * p.period_us for p in packets[:-1]])
    starts = np.array([p.first for p in packets[1:]])
    assert np.all(ahead[~starts] == due[~starts])
    assert np.all(ahead >= due)  # time once covered is not covered again
    assert {f.kind for f in host.facts()} == {StreamEventKind.RATE, StreamEventKind.START}


async def test_an_insole_that_charges_does_not_stream_and_says_so(steps):
    async with world(steps) as air, host_of(air) as host:
        await host.ask(Start(1))
        await host.hears(2)
        air.insoles[LEFT].charge(True)
        assert await host.ask(Start(2)) == Ack(2, MessageKind.START, AckStatus.NOT_NOW)
        status = gatt.read_status(bytes(await host.client.read_gatt_char(gatt.STATUS)))
        assert status is not None and status.charging and not status.streaming
        air.insoles[LEFT].charge(False)
        assert await host.ask(Start(3)) == Ack(3, MessageKind.START, AckStatus.DONE)


async def test_after_a_lost_link_nothing_comes_before_the_next_start(steps):
    """Wire format §3, rule 6: what was not sent is given up; the clock goes on."""
    async with world(steps, left=turned(LEFT, speed=4.0)) as air:
        async with host_of(air) as first:
            await first.ask(Start(1))
            await first.hears(5)
            air.insoles[LEFT].vanish(0.6)  # longer than the link lives without hearing
            async with asyncio.timeout(HANG_S):
                while air.insoles[LEFT].connection is not None:
                    await asyncio.sleep(0.01)
            assert not air.insoles[LEFT].is_streaming
            await asyncio.sleep(0.4)
        async with host_of(air) as second:
            await asyncio.sleep(0.2)
            assert second.data == []
            await second.ask(Start(2))
            await second.hears(3)
    before, after = first.packets(), second.packets()
    assert after[0].first and after[0].counter == 0
    assert not after[0].dropped
    hole_us = after[0].clock_us - before[-1].clock_us
    assert hole_us > 4.0 * 0.4 * 1e6  # at least the supervision timeout, at four times the speed


# ---- by a clock that is set by hand ----


class OwnTime:
    """What presses: each zone reads the body's time, in ms."""

    def at(self, foot: object, t_s: np.ndarray) -> np.ndarray:
        return np.rint(np.asarray(t_s) * 1000.0).astype(np.uint16)[:, None].repeat(18, axis=1)


class HandSet(AirInsole):
    """An insole whose time is set, and whose radio keeps what it is given and when."""

    now_s = 100.0

    def __init__(self, **settings: Any) -> None:
        made = turned(LEFT, **{"drift_ppm": 0.0, **settings})
        super().__init__(made, Air(), OwnTime(), began_s=100.0)
        self.given: list[tuple[float, DataPacket]] = []
        self.link: Any = object()

    def _now_s(self) -> float:
        return self.now_s

    @property
    def connection(self) -> Any:
        return self.link

    async def _send(self, connection: object, data: bytes, counter: int) -> None:
        packet = decode(data)
        assert isinstance(packet, DataPacket) and packet.counter == counter
        self.given.append((self.now_s, packet))

    async def streams(self, packets: int, monkeypatch: pytest.MonkeyPatch) -> list[float]:
        """Stream until so many packets were due; return what it waited for, s."""
        waits: list[float] = []

        async def sleep(wait_s: float) -> None:
            waits.append(wait_s)
            if len(waits) > packets:
                raise asyncio.CancelledError
            self.now_s += wait_s

        with monkeypatch.context() as patched:
            patched.setattr(asyncio, "sleep", sleep)
            with pytest.raises(asyncio.CancelledError):
                await self._stream(self.link)
        return waits


@pytest.mark.parametrize(
    ("ppm", "speed", "began_us"), [(0.0, 1.0, 0), (200.0, 1.0, 50_000), (-200.0, 4.0, 12_345)]
)
async def test_packets_come_when_their_last_sample_is_due(ppm, speed, began_us, monkeypatch):
    """1.5 ms after it; own time is the host's by the drift and the speed of the body."""
    insole = HandSet(drift_ppm=ppm, speed=speed, clock_us=2**32 - 20_000)
    own = (1.0 + ppm / 1e6) * speed
    insole.now_s = 100.0 + (began_us + 0.5) / 1e6 / own
    waits = await insole.streams(6, monkeypatch)
    assert len(waits) == 7 and len(insole.given) == 6
    first_us = (began_us // 10_000 + 1) * 10_000
    for k, (at_s, packet) in enumerate(insole.given):
        at_us = first_us + 20_000 * k
        assert at_s == pytest.approx(100.0 + (at_us + 10_000) / 1e6 / own + 0.0015 / speed)
        assert packet.clock_us == (2**32 - 20_000 + at_us) % 2**32
        assert (packet.first, packet.dropped, packet.counter) == (k == 0, False, k)
        # the body's time goes at its own speed beside the host's
        body_ms = (at_us + np.array([0, 10_000])) / 1e3 / own * speed
        assert packet.counts[:, 0].tolist() == np.rint(body_ms).tolist()


async def test_what_a_stall_or_loss_takes_is_counted_and_not_sent(monkeypatch):
    insole = HandSet()
    insole.stall(0.05)  # packets are due at 21.5, 41.5, 61.5 … ms
    await insole.streams(5, monkeypatch)
    assert [packet.counter for _, packet in insole.given] == [2, 3, 4]
    assert insole.status().dropped == 2
    lossy = HandSet(loss=0.3)
    await lossy.streams(200, monkeypatch)
    sent = {packet.counter for _, packet in lossy.given}
    assert len(sent) + lossy.status().dropped == 200
    assert 90 < len(sent) < 180
    await lossy.streams(1, monkeypatch)  # begins again: counters too
    assert lossy.status().dropped in (0, 1)


async def test_packets_that_are_late_are_sent_at_once_and_the_link_may_drain(monkeypatch):
    insole = HandSet(speed=1.0)
    stream = asyncio.create_task(insole._stream(insole.link))
    slept: list[float] = []

    async def sleep(wait_s: float, *, real: Any = asyncio.sleep) -> None:
        slept.append(wait_s)
        if len(insole.given) >= 20:
            raise asyncio.CancelledError
        if len(slept) == 1:
            insole.now_s += 10.0  # the machine was busy
        await real(0)

    monkeypatch.setattr(asyncio, "sleep", sleep)
    with pytest.raises(asyncio.CancelledError):
        await stream
    assert slept == [pytest.approx(0.0215), 0, 0, 0]  # of packets 8, 16 and 24
    assert len(insole.given) == 24


async def test_time_once_covered_is_not_covered_again(monkeypatch):
    insole = HandSet()
    await insole.streams(3, monkeypatch)
    assert insole._covered_us == 70_000
    insole.now_s = 100.0 + 0.035
    await insole.streams(1, monkeypatch)
    assert insole.given[-1][1].clock_us == insole.settings.clock_us + 70_000


async def test_the_battery_goes_down_with_the_body_s_hours():
    insole = HandSet(battery_percent=90.0, battery_hours=10.0, speed=2.0)
    assert insole.battery_percent() == 90
    insole.now_s += 3600.0  # two of ten hours
    assert insole.battery_percent() == 70
    insole.set_battery(15.4)
    assert (insole.status().battery_percent, insole.status().battery_low) == (15, False)
    assert not insole._packet(np.array([0]), 10_000, 0).battery_low
    insole.now_s += 180.0  # a tenth of an hour: 1 %
    assert (insole.status().battery_percent, insole.status().battery_low) == (14, True)
    assert insole._packet(np.array([0]), 10_000, 0).battery_low
    insole.now_s += 36_000.0
    assert insole.battery_percent() == 0


async def test_its_clock_and_uptime_begin_again_after_a_reset(monkeypatch):
    """It is back after 0.3 s, or when the link has heard nothing for long enough."""
    away: list[float] = []
    insole = HandSet(clock_us=5_000_000, drift_ppm=100.0, speed=2.0)
    monkeypatch.setattr(insole, "vanish", away.append)
    insole.now_s = 110.0
    assert insole._since_boot_us() == 20_002_000
    assert insole._clock_now_us() == 25_002_000
    assert (insole.status().uptime_s, insole.status().resets) == (20, 0)
    insole.control.period_us, insole._covered_us = 7000, 9
    insole.restart()
    assert away == [pytest.approx(1.1 * 2.0)]
    assert (insole.control.period_us, insole._covered_us) == (10_000, 0)
    assert (insole._clock_now_us(), insole.status().uptime_s) == (0, 0)
    insole.now_s = 110.3 + 1.0
    assert insole._clock_now_us() == pytest.approx(2_000_200, abs=1)
    assert (insole.status().uptime_s, insole.status().resets) == (2, 1)
    insole._resets = 256
    assert insole.status().resets == 255


async def test_level_and_status_are_notified_when_they_change_and_every_ten_seconds(monkeypatch):
    insole = HandSet(battery_percent=50.0, battery_hours=10_000.0)
    said: list[tuple[int, str]] = []
    names = {insole._offer.battery: "level", insole._offer.status: "status"}
    script = {3: lambda: insole.set_battery(49.0), 5: lambda: insole.charge(True)}
    second = 0

    async def notify(characteristic: Any) -> None:
        said.append((second, names[characteristic]))

    async def sleep(wait_s: float) -> None:
        nonlocal second
        assert wait_s == 1.0
        second += 1
        insole.now_s += 1.0
        script.get(second, lambda: None)()
        if second == 28:
            raise asyncio.CancelledError

    monkeypatch.setattr(insole, "_notify", notify)
    monkeypatch.setattr(asyncio, "sleep", sleep)
    insole._streaming = cast(Any, object())
    monkeypatch.setattr(insole, "_halt", lambda: None)
    with pytest.raises(asyncio.CancelledError):
        await insole._report()
    first = [(1, "status")]  # it streams, and nothing was said yet
    assert said[:1] == first
    assert (3, "level") in said and (5, "status") in said
    assert [at for at, what in said if what == "status"][1:] == [5, 15, 25]
    assert [at for at, what in said if what == "level"] == [3]


@pytest.mark.parametrize("streaming", [True, False])
async def test_a_start_and_a_stop(streaming, monkeypatch):
    insole = HandSet()
    assert not insole.is_streaming and not insole.started.is_set()
    if not streaming:
        insole.link = None
    insole.begin()
    assert insole.is_streaming is insole.started.is_set() is streaming
    before = insole._streaming
    insole.begin()
    assert not streaming or insole._streaming is not before
    insole.end()
    assert not insole.is_streaming
    await asyncio.sleep(0)
    assert before is None or before.cancelled() or before.cancelling()


async def test_a_log_goes_on_where_the_stream_left_it(monkeypatch):
    """What was not in a packet is logged; a stream after it begins where the log is."""
    insole = HandSet(log_pages=64, clock_us=0)
    assert insole.keeper is not None
    await insole.streams(2, monkeypatch)  # samples of 10 to 40 ms
    assert insole.keeper.sampled_us == 50_000
    insole.now_s = 100.08955001
    state = read_state(insole._log_state())
    assert (state.logging, state.boot, state.clock_us) == (True, 1, 89_550)
    assert insole.keeper.sampled_us == 90_000
    insole.now_s = 100.1195
    await insole.streams(1, monkeypatch)
    assert insole.given[-1][1].clock_us == 120_000
    insole.now_s = 100.1695
    insole.end()
    assert not insole.keeper.log.logging
    # the samples of 10 to 160 ms fill two pages: one frame more says that it ends
    assert insole._covered_us == insole.keeper.sampled_us == 180_000
    page = read_page(next(p for p in insole.keeper.log.pages(LogRequest(0, 1, 0, 1 << 47)) if p))
    assert (page.clock_us, page.counts[:, 0].tolist()) == (10_000, [10 * k for k in range(1, 9)])
