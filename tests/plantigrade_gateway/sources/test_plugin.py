"""A plug-in for other firmware, found by its entry point, over a real Bluetooth host stack."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from tests.support import otherfirmware
from tests.support.otherfirmware import DATA, FRAME, PLUGIN, SERVICE, SWITCH

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.sources import plugin as firmware
from plantigrade_gateway.wire.gatt import KnownInsole

try:
    from bumble import data_types, hci
    from bumble.core import UUID, AdvertisingData
    from bumble.device import Device, DeviceConfiguration
    from bumble.gatt import Characteristic, CharacteristicValue, Service
    from tests.support.airworld import LEFT, RIGHT, World, known, world

    from plantigrade_gateway.virtual.air import host_on
    from plantigrade_gateway.virtual.player import GaitSource, invented_steps
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

pytestmark = pytest.mark.dear

ADDRESS = "C0:00:00:00:0F:0A"


@pytest.fixture(scope="module")
def steps() -> GaitSource:
    return invented_steps()


def install(folder: Path, monkeypatch: pytest.MonkeyPatch, value: str) -> None:
    """Put a package's metadata on the path, as pip does."""
    info = folder / "otherfoot-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: otherfoot\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[{firmware.GROUP}]\notherfoot = {value}\n")
    monkeypatch.setattr(sys, "path", [str(folder), *sys.path])


@pytest.fixture
def plugin(tmp_path, monkeypatch) -> None:
    install(tmp_path, monkeypatch, "tests.support.otherfirmware:PLUGIN")


@asynccontextmanager
async def otherfoot(air: World) -> AsyncIterator[list[bytes]]:
    """A right insole of that firmware; gives what it sends."""
    host, _ = host_on(air.air, "otherfoot")
    address = hci.Address(ADDRESS, hci.Address.RANDOM_DEVICE_ADDRESS)
    config = DeviceConfiguration(
        name="Otherfoot",
        address=address,
        advertising_interval_min=100,
        advertising_interval_max=100,
    )
    device = Device(config=config, host=host)
    sent: list[bytes] = []
    on = asyncio.Event()
    kind = Characteristic.Properties
    data: Characteristic[bytes] = Characteristic(
        DATA, kind.NOTIFY, Characteristic.Permissions(0), b""
    )
    switch: Characteristic[bytes] = Characteristic(
        SWITCH,
        kind.WRITE,
        Characteristic.WRITEABLE,
        CharacteristicValue(write=lambda _, value: on.set() if value[0] else on.clear()),
    )
    device.add_services([Service(SERVICE, [data, switch])])

    async def stream() -> None:
        sequence = 65_530  # wraps soon
        while True:
            await on.wait()
            await asyncio.sleep(0.01)
            sequence += 1
            if sequence % 50 == 0:
                continue  # one in fifty is lost
            counts = [100 + (sequence + zone) % 7 for zone in range(18)]
            value = FRAME.pack(sequence & 0xFFFF, 5000 + 10 * (sequence - 65_530), *counts)
            for connection in device.connections.values():
                sent.append(value)
                await device.notify_subscriber(connection, data, value)

    await device.power_on()
    parts = [
        data_types.CompleteListOf128BitServiceUUIDs([UUID(SERVICE)]),
        data_types.ManufacturerSpecificData(otherfirmware.COMPANY, bytes([1, 0, 42])),
    ]
    await device.start_advertising(
        auto_restart=True, advertising_data=bytes(AdvertisingData(parts))
    )
    task = asyncio.create_task(stream())
    try:
        yield sent
    finally:
        task.cancel()
        await asyncio.wait([task])
        await device.power_off()


@pytest.mark.slow
async def test_it_is_found_connected_recorded_and_decoded(steps, plugin):
    """Beside one of our own: both feet stream."""
    async with world(steps) as air, otherfoot(air) as sent:
        found = await air.heard(3)
        (other,) = [s for s in found if s.firmware is not None]
        assert (other.announcement.foot, other.announcement.serial) == (RIGHT, 42)
        mine = KnownInsole.of(other.announcement, other.address)
        async with air.listening(known(air.insoles[LEFT].settings), mine):
            await air.streams(RIGHT, 120)
            await air.streams(LEFT)
        connected = air.of(RIGHT, Kind.CONNECTED)[0]
        assert json.loads(connected.data)["firmware"] == "otherfoot"
        decoder, facts, runs = air.decoded(RIGHT)
        got = [row.tolist() for run in runs for row in run.counts]
        assert got == [list(FRAME.unpack(value)[2:]) for value in sent[: len(got)]]
        assert decoder.counts.malformed == dict.fromkeys(decoder.counts.malformed, 0)
        assert decoder.counts.lost_packets == decoder.counts.lost_frames >= 2
        assert {f.kind for f in facts} == {"gap"}


async def test_without_the_plugin_it_is_not_seen(steps):
    async with world(steps) as air, otherfoot(air):
        found = await air.heard()
    assert [s.announcement.serial for s in found] == [0x51A70001, 0x51A70002]


async def test_a_plugin_that_fails_on_a_packet_is_named(steps, plugin, monkeypatch):
    def broken(said):
        def read(data):
            raise ZeroDivisionError("of the plug-in's own making")

        return read

    monkeypatch.setattr(PLUGIN, "decoder", broken)
    async with world(steps) as air, otherfoot(air):
        other = next(s for s in await air.heard(3) if s.firmware is not None)
        mine = KnownInsole.of(other.announcement, other.address)
        async with air.listening(known(air.insoles[LEFT].settings), mine):
            await air.until(lambda: any("plug-in otherfoot failed" in t for t in air.said))
            await air.streams(LEFT)  # the other foot goes on
        assert air.data(RIGHT) == []


def test_a_plugin_that_cannot_be_loaded_is_named(tmp_path, monkeypatch):
    install(tmp_path, monkeypatch, "no_such_module_of_ours:PLUGIN")
    with pytest.raises(InputError, match=r"plug-in otherfoot .*cannot be loaded.*uninstall"):
        firmware.installed()


def test_a_plugin_that_lacks_something_is_named(tmp_path, monkeypatch):
    install(tmp_path, monkeypatch, "tests.support.otherfirmware:SERVICE")
    with pytest.raises(InputError, match="expected an object with the members of"):
        firmware.installed()


def test_none_is_installed_unless_somebody_does():
    assert firmware.installed() == []
