"""The firmware's own C on the air as a third insole: paired, recorded, lost and found again.

The program is built with the sanitizers: one that finds fault ends the process, and its link.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from tests.support.firmware import FIRMWARE, toolchain
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.sources.bluetooth import Sighting, scan
from plantigrade_gateway.virtual import build
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import decode, encode
from plantigrade_gateway.wire.log import (
    LogEnd,
    LogRequest,
    is_end,
    read_end,
    read_page,
    read_state,
)
from plantigrade_gateway.wire.messages import Ack, AckStatus, DataPacket, Start
from plantigrade_gateway.wire.stream import StreamEventKind

try:
    from bleak import BleakClient
    from bleak.exc import BleakGATTProtocolError
    from tests.plantigrade_gateway.sources.test_catchup import samples_of
    from tests.support.airworld import LEFT, RIGHT, World, known, world

    from plantigrade_gateway.virtual.companion import SERIAL, Companion
    from plantigrade_gateway.virtual.player import (
        BODY_HZ,
        INFORMATION,
        DeviceSettings,
        GaitSource,
        invented_steps,
    )
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

pytestmark = pytest.mark.dear

__all__ = ["toolchain"]

SANITIZED = ("-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
SETTINGS = DeviceSettings(LEFT, SERIAL, drift_ppm=20.0, clock_us=(1 << 32) - 3_000_000)


@pytest.fixture(scope="module")
def program(toolchain, tmp_path_factory) -> Path:
    return build.companion_program(FIRMWARE, tmp_path_factory.mktemp("built"), flags=SANITIZED)


@pytest.fixture(scope="module")
def steps() -> GaitSource:
    return invented_steps()


@asynccontextmanager
async def third(
    steps: GaitSource, program: Path, settings: DeviceSettings = SETTINGS
) -> AsyncIterator[tuple[World, Companion]]:
    """The virtual pair, and the companion as a third insole on the same air."""
    async with world(steps) as air:
        began_s = asyncio.get_running_loop().time()
        companion = Companion(settings, air.air, steps, began_s, program)
        await companion.start()
        try:
            yield air, companion
        finally:
            await companion.close()


def true_rows(steps: GaitSource, packet: DataPacket, clock_us: int) -> np.ndarray:
    """What pressed the left foot when a packet of that unwrapped clock says that it was sampled.

    The body is some ms old when the insole's clock begins, on a busy machine some seconds: the rows
    of half a minute are given, so that the test needs no time of this machine's.
    """
    rows = steps.counts[LEFT]
    at_s = (clock_us - SETTINGS.clock_us + packet.period_us * np.arange(len(packet.counts))) / 1e6
    first = np.floor(at_s / (1 + 20e-6) * BODY_HZ).astype(int)
    return rows[(first[:, None] + np.arange(0, 30 * BODY_HZ)) % len(rows)]


@pytest.mark.slow
async def test_the_gateway_records_it_beside_a_virtual_right_insole(steps, program):
    """Across the clock's wrap: its packets are those its process sent, none lost or doubled."""
    async with third(steps, program) as (air, companion):
        async with air.listening(known(SETTINGS), known(air.insoles[RIGHT].settings)):
            await air.streams(LEFT, 300)
            await air.streams(RIGHT, 5)
        heard, sent = air.data(LEFT), companion.sent
        assert heard == sent[: len(heard)] and len(heard) >= 300
        decoder, facts, runs = air.decoded(LEFT)
        assert [f.kind for f in facts] == [StreamEventKind.CLOCK_WRAP]
        assert decoder.counts.lost_packets == decoder.counts.lost_frames == 0
        assert sum(run.counts.shape[0] for run in runs) > 0
        assert len(air.of(LEFT, Kind.CONNECTED)) == 1


async def test_its_counts_are_those_that_pressed_it_then(steps, program):
    async with third(steps, program) as (air, _):
        async with air.listening(known(SETTINGS)):
            await air.streams(LEFT, 100)
        packets = [p for data in air.data(LEFT) if isinstance(p := decode(data), DataPacket)]
        offsets: set[int] | None = None
        for packet in packets[::10]:
            clock_us = packet.clock_us + (1 << 32 if packet.clock_us < 1 << 31 else 0)
            near = true_rows(steps, packet, clock_us)
            fits = (near == packet.counts[:, None, :]).all(axis=(0, 2))
            found = {int(k) for k in np.flatnonzero(fits)}
            offsets = (
                found if offsets is None else {k for k in offsets for j in found if abs(k - j) <= 1}
            )
        assert offsets  # one age of the body, to within a row, explains every packet


async def test_it_says_what_it_is_and_how_it_is(steps, program):
    async with third(steps, program) as (air, companion):
        found = {s.announcement.serial: s for s in await air.heard(3)}
        said = found[SERIAL].announcement
        assert (said.foot, said.length_mm, said.battery_percent) == (LEFT, 270, 87)
        assert len(found) == 3
        async with BleakClient(found[SERIAL].device, backend=air.radio.client) as client:
            read = await client.read_gatt_char(gatt.INFORMATION)
            assert (read[1], read[2]) == (INFORMATION.zones, INFORMATION.bits)
            assert (
                await client.read_gatt_char("00002a25-0000-1000-8000-00805f9b34fb") == b"51A70003"
            )
            with pytest.raises(BleakGATTProtocolError) as error:
                await client.write_gatt_char(gatt.CONTROL, encode(Start(1)), response=True)
            assert error.value.code == 0xFD
            answers: asyncio.Queue[bytes] = asyncio.Queue()
            await client.start_notify(gatt.CONTROL, lambda _, d: answers.put_nowait(bytes(d)))
            for subscribed, status in ((False, AckStatus.NOT_NOW), (True, AckStatus.DONE)):
                if subscribed:
                    await client.start_notify(gatt.DATA, lambda *_: None)
                await client.write_gatt_char(gatt.CONTROL, encode(Start(2)), response=True)
                async with asyncio.timeout(HANG_S):
                    ack = decode(await answers.get())
                assert isinstance(ack, Ack) and ack.status is status
            levels: list[int] = []
            await client.start_notify(gatt.BATTERY_LEVEL, lambda _, d: levels.append(d[0]))
            companion.set_cell(9)
            await air.until(lambda: levels == [9])
            read_status = gatt.read_status(bytes(await client.read_gatt_char(gatt.STATUS)))
            assert read_status is not None
            assert (read_status.battery_low, read_status.streaming, read_status.resets) == (
                *(True, True),
                0,
            )


@pytest.mark.slow
async def test_a_lost_link_is_found_again_and_a_reset_is_counted(steps, program):
    settings = replace(SETTINGS, clock_us=500_000_000)
    async with third(steps, program, settings) as (air, companion):
        async with air.listening(known(settings)):
            await air.streams(LEFT)
            companion.vanish(0.8)
            await air.until(lambda: len(air.of(LEFT, Kind.CONNECTED)) == 2)
            await air.streams(LEFT)
            await companion.restart()
            await air.until(lambda: len(air.of(LEFT, Kind.CONNECTED)) == 3)
            await air.streams(LEFT)
        _, facts, _ = air.decoded(LEFT)
        assert [f.kind for f in facts] == [
            StreamEventKind.START,
            StreamEventKind.RESTART,
        ]
        found = {s.announcement.serial: s for s in await air.heard(3)}
        async with BleakClient(found[SERIAL].device, backend=air.radio.client) as client:
            status = gatt.read_status(bytes(await client.read_gatt_char(gatt.STATUS)))
        assert status is not None and status.resets == 1 and not status.streaming


async def test_a_weak_supply_is_a_hole_that_is_said_and_ship_mode_is_silence(steps, program):
    """A second at 100 Hz, and what the machine lets its process wait, as its packets say."""
    async with third(steps, program) as (air, companion):
        async with air.listening(known(SETTINGS)):
            await air.streams(LEFT, 20)
            companion.weaken()
            await air.streams(LEFT, 20)
            companion.ship()
            await air.until(lambda: air.of(LEFT, Kind.DISCONNECTED))
        _, facts, _ = air.decoded(LEFT)
        (hole,) = [f for f in facts if f.kind is StreamEventKind.SAMPLES_DROPPED]
        sent = [p for data in companion.sent if isinstance(p := decode(data), DataPacket)]
        unsent_us = [
            (b.clock_us - a.clock_us) % (1 << 32) - len(a.counts) * a.period_us
            for a, b in pairwise(sent)
        ]
        assert hole.frames == round(max(unsent_us) / sent[0].period_us) >= 97
        assert ("x", b"") in companion.said
        assert SERIAL not in {s.announcement.serial for s in await air.heard()}


async def test_it_asks_for_the_interval_that_it_does_not_have(steps, program):
    """Virtual links begin at another interval than 15 ms: 12 and 12 are asked for, and granted."""
    async with third(steps, program) as (air, companion):
        async with air.listening(known(SETTINGS)):
            await air.until(lambda: any(what == "v" for what, _ in companion.said))
            await air.streams(LEFT, 5)
        asked = [value for what, value in companion.said if what == "v"]
        assert asked == [bytes([12, 0, 12, 0, 0, 0, 200, 0])]


async def heard_more(air: World, live: dict[int, list[int]]) -> None:
    goal = len(live) + 60
    await air.until(lambda: len(live) >= goal)


@pytest.mark.slow
async def test_its_log_holds_what_nobody_heard(steps, program):
    """Out of range for over a second: stream and log together are whole, each counts alike."""
    settings = replace(SETTINGS, clock_us=500_000_000)
    live: dict[int, list[int]] = {}
    logged: dict[int, list[int]] = {}
    ended: list[LogEnd] = []

    def heard(_: object, data: bytearray) -> None:
        packet = decode(bytes(data))
        assert isinstance(packet, DataPacket)
        for k, row in enumerate(packet.counts.tolist()):
            live[packet.clock_us + k * packet.period_us] = row

    def read(_: object, data: bytearray) -> None:
        if is_end(bytes(data)):
            ended.append(read_end(bytes(data)))
            return
        page = read_page(bytes(data))
        for k, row in enumerate(page.counts.tolist()):
            logged[page.clock_us + k * page.period_us] = row

    async with third(steps, program, settings) as (air, companion):
        for last in (False, True):
            found: dict[int, Sighting] = {}
            while SERIAL not in found:
                found = {s.announcement.serial: s for s in await scan(air.backend, 0.3)}
            async with BleakClient(found[SERIAL].device, backend=air.radio.client) as client:
                await client.start_notify(gatt.CONTROL, lambda *_: None)
                await client.start_notify(gatt.DATA, heard)
                await client.start_notify(gatt.LOG, read)
                await client.write_gatt_char(gatt.CONTROL, encode(Start(1)), response=True)
                await heard_more(air, live)
                if not last:
                    companion.vanish(1.0)
                    await air.until(lambda: not client.is_connected)
                    continue
                state = read_state(bytes(await client.read_gatt_char(gatt.LOG)))
                assert state.logging and state.boot == 1
                asked = LogRequest(3, state.boot, 0, state.clock_us).encode()
                await client.write_gatt_char(gatt.LOG, asked, response=True)
                await air.until(lambda: ended)
    assert all(logged[clock] == row for clock, row in live.items() if clock in logged)
    clocks = sorted(live.keys() | logged.keys())
    assert {b - a for a, b in pairwise(clocks)} == {10_000}
    assert len(logged.keys() - live.keys()) > 50  # what nobody heard when it was sampled


@pytest.mark.slow
async def test_the_gateway_loses_no_sample_of_it_to_a_lost_link(steps, program):
    """Found again, its log is read behind the stream: the record has every instant of its clock."""
    settings = replace(SETTINGS, clock_us=500_000_000)
    async with third(steps, program, settings) as (air, companion):
        async with air.listening(known(settings)) as source:
            await air.streams(LEFT, 60)
            companion.vanish(1.0)
            await air.until(lambda: len(air.of(LEFT, Kind.CONNECTED)) == 2)
            await air.streams(LEFT, 60)
            await air.until(lambda: not source._owed[LEFT].coverage.holes)
            assert source._owed[LEFT].late_s > 0.5
            assert source._owed[LEFT].lost_s == 0.0
        clocks = sorted(samples_of(air, LEFT))
        assert {b - a for a, b in pairwise(clocks)} == {10_000}
        assert air.of(LEFT, Kind.LOG)


def test_what_is_missing_is_said_in_one_sentence(tmp_path, monkeypatch):
    with pytest.raises(BluetoothError, match=r"^companion: there is no C compiler \(no-such-cc\)"):
        build.companion_program(FIRMWARE, tmp_path, compiler="no-such-cc")
    monkeypatch.setattr(build, "__file__", str(tmp_path / "a" / "b" / "c" / "build.py"))
    with pytest.raises(BluetoothError, match=r"^companion: its C sources are not here"):
        build.firmware_folder()


def test_it_is_built_once_for_the_same_sources(toolchain, tmp_path):
    first = build.companion_program(FIRMWARE, tmp_path)
    stamp = first.stat().st_mtime_ns
    again = build.companion_program(FIRMWARE, tmp_path, compiler="cc")
    assert (again, again.stat().st_mtime_ns) == (first, stamp)
    other = build.companion_program(FIRMWARE, tmp_path, flags=("-g",))
    assert other != first
