"""Virtual insoles on the air, asked by a bare bleak client: what any host would see of them."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import numpy as np
import pytest
from bleak import BleakClient
from bleak.exc import BleakGATTProtocolError
from tests.plantigrade_gateway.wire.test_codec import ANSWERS
from tests.support.waiting import HANG_S

from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import MessageKind, decode, encode
from plantigrade_gateway.wire.decoder import Decoder
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
    (left,) = [s for s in await air.heard() if s.announcement.foot is LEFT]
    async with BleakClient(left.device, backend=air.radio.client) as client:
        host = Host(client)
        await host.listen()
        yield host


async def test_a_request_before_the_subscription_is_refused(steps):
    async with world(steps) as air:
        found = await air.heard()
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
