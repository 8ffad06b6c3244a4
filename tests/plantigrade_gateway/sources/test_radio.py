"""What real radios do and the virtual one was never asked to, on a virtual link that does it."""

import asyncio
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from bleak.backends.scanner import BaseBleakScanner
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade.zones import eighteen
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.session.insoles import opened_radio
from plantigrade_gateway.sources import bluetooth, finder, live, reconnect
from plantigrade_gateway.sources.bluetooth import Radio, scan
from plantigrade_gateway.sources.link import open_insole
from plantigrade_gateway.sources.live import StreamConfig
from plantigrade_gateway.sources.meeting import meet
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.gatt import Announcement, KnownInsole
from plantigrade_gateway.wire.information import Information, ZoneTable

try:
    from bumble.core import UUID
    from tests.support.airworld import LEFT, RIGHT, World, known, turned, world

    from plantigrade_gateway.virtual import offer
    from plantigrade_gateway.virtual.air import RadioConditions
    from plantigrade_gateway.virtual.player import INFORMATION, GaitSource, invented_steps
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

pytestmark = pytest.mark.dear

TABLE = ZoneTable.of(eighteen())
MOVED = replace(TABLE, zones=((0, 3000, 700, 620), *TABLE.zones[1:]))
"""The built-in layout with its first zone elsewhere."""


@pytest.fixture(scope="module")
def steps() -> GaitSource:
    return invented_steps()


@pytest.fixture(autouse=True)
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Search and pause for less long than with people."""
    monkeypatch.setattr(live, "SEARCH_S", 0.5)
    monkeypatch.setattr(reconnect, "FIRST_PAUSE_S", 0.05)
    monkeypatch.setattr(reconnect, "LONGEST_PAUSE_S", 0.2)
    monkeypatch.setattr(finder, "REST_S", 0.1)


# ---- the MTU comes late


async def test_an_mtu_that_comes_late_is_waited_for(steps):
    """Until then it is 23, of which not one frame fits."""
    async with world(steps) as air:
        air.radio.mtu_late_s = 0.7
        async with air.listening(known(air.insoles[LEFT].settings), wish=StreamConfig(None, 6)):
            await air.streams(LEFT)
            _, _, runs = air.decoded(LEFT)
    assert {run.frames for run in runs} == {6}
    assert [text for text in air.said if "carries only" in text] == []


async def test_an_mtu_that_never_comes_is_refused_with_advice(steps, monkeypatch):
    monkeypatch.setattr(bluetooth, "MTU_LIMIT_S", 0.3)
    async with world(steps) as air:
        air.radio.mtu_late_s = 1000.0
        async with air.listening(known(air.insoles[LEFT].settings)):
            await air.told("the link carries only 20 bytes at a time, expected at least 43; ")
    assert air.data(LEFT) == []


# ---- one insole holds up the other


async def test_a_slow_insole_does_not_hold_up_the_other(steps, monkeypatch):
    """The left one takes so long to be read that the right one streams first."""
    monkeypatch.setattr(bluetooth, "GATT_LIMIT_S", HANG_S)
    is_read = asyncio.Event()

    async def sleep(seconds: float) -> None:
        if seconds:
            await is_read.wait()

    monkeypatch.setattr(offer, "asyncio", SimpleNamespace(sleep=sleep))
    async with world(steps, left=turned(LEFT, slow_read_s=1.5)) as air, air.listening():
        await air.streams(RIGHT, 10)
        assert air.data(LEFT) == []
        is_read.set()
        await air.streams(LEFT)


async def test_a_read_that_never_ends_is_given_up_and_said(steps, monkeypatch):
    monkeypatch.setattr(bluetooth, "GATT_LIMIT_S", 0.4)
    async with world(steps, left=turned(LEFT, slow_read_s=1000.0)) as air, air.listening():
        await air.until(lambda: any("(51A70001): no answer; trying again" in t for t in air.said))
        await air.streams(RIGHT)
    assert air.data(LEFT) == []


# ---- scanning


def scans_at_connects(air: World) -> list[bool]:
    """Have each connection noted: whether the radio scanned when it was asked for."""
    seen: list[bool] = []
    device: Any = air.radio.device
    connect = device.connect

    async def noting(*args: Any, **kwargs: Any) -> Any:
        seen.append(device.is_scanning)
        return await connect(*args, **kwargs)

    device.connect = noting
    return seen


async def test_no_scan_runs_while_a_connection_is_made(steps):
    """Also where the other insole is still looked for."""
    gone = KnownInsole(9, RIGHT, "gone", "C0:00:00:00:00:09", 270)
    async with world(steps) as air:
        seen = scans_at_connects(air)
        async with air.listening(known(air.insoles[LEFT].settings), gone):
            await air.streams(LEFT)
    assert seen == [False]


@pytest.mark.slow
async def test_beside_a_stream_scans_are_short_and_far_between(steps, monkeypatch):
    monkeypatch.setattr(live, "SEARCH_S", 1000.0)
    monkeypatch.setattr(finder, "BURST_S", 0.07)
    monkeypatch.setattr(finder, "REST_S", 0.13)
    waits: list[float] = []
    wait = finder.Finder._wait

    async def noting(self: finder.Finder, seconds: float, beside: bool) -> None:
        waits.append(seconds)
        await wait(self, seconds, beside)

    monkeypatch.setattr(finder.Finder, "_wait", noting)
    gone = KnownInsole(9, RIGHT, "gone", "C0:00:00:00:00:09", 270)
    async with world(steps) as air, air.listening(known(air.insoles[LEFT].settings), gone):
        await air.streams(LEFT)
        before = len(waits)
        await air.until(lambda: len(waits) >= before + 6)
    beside = waits[waits.index(0.07) :]
    assert waits[: waits.index(0.07)] == [finder.LONGEST_SCAN_S] * waits.index(0.07)
    assert len(beside) >= 4
    assert beside == ([0.07, 0.13] * len(beside))[: len(beside)]


def test_the_share_of_scanning_is_small():
    """And a burst hears the slowest that the profile allows twice (417.5 ms, §2)."""
    assert finder.BURST_S >= 2 * 0.4175
    assert finder.BURST_S / (finder.BURST_S + 3.0) <= 0.25


async def test_a_scan_that_the_adapter_dropped_is_begun_again(steps, monkeypatch):
    """Switched off and on it scans no more, and nobody says so."""
    monkeypatch.setattr(live, "SEARCH_S", 1000.0)
    monkeypatch.setattr(finder, "LONGEST_SCAN_S", 0.4)
    async with world(steps) as air:
        left = air.insoles[LEFT]
        left.vanish(1000.0)
        async with air.listening(known(left.settings)):
            await air.until(lambda: air.radio.device.is_scanning)
            await air.radio.device.stop_scanning()
            air.air.come_back(left._controller)
            await air.streams(LEFT)


# ---- the connection interval


@pytest.mark.slow
async def test_the_real_interval_is_measured_on_a_link(steps):
    """Of the four that the virtual air is asked for the slowest: a busy machine blurs it least.

    What was measured while the machine was busy is measured again: the test waits for it.
    """
    weather = RadioConditions(interval_s=0.1, supervision_s=2.0)
    async with (
        world(steps, weather) as air,
        air.listening(known(air.insoles[LEFT].settings)) as source,
    ):
        await air.until(lambda: source.links[LEFT].interval_ms == 100.0)


# ---- services, addresses, adapters


async def test_without_a_battery_service_the_status_tells_the_level(steps):
    settings = turned(LEFT, has_battery=False, battery_percent=43.0)
    async with world(steps, left=settings) as air, air.listening(known(settings)) as source:
        await air.streams(LEFT)
        await air.until(lambda: source.links[LEFT].battery_percent == 43)
    assert "left insole (51A70001): connected (-60 dBm, battery 43 %)" in air.said


async def test_services_that_the_system_remembers_are_dropped_after_a_firmware_change(steps):
    """The new firmware offers two characteristics more, and all after them has moved."""
    old = turned(LEFT, information=None)
    newer = replace(INFORMATION, firmware=0x0101)
    async with world(steps, left=old) as air:
        air.radio.remembered = {}
        async with air.listening(known(old)):
            await air.streams(LEFT)
            before = len(air.data(LEFT))
            air.insoles[LEFT].vanish(1e6)
            await air.until(lambda: air.of(LEFT, Kind.DISCONNECTED))
            await air.insoles[LEFT].close()
            air.insoles[LEFT] = await air.insole(turned(LEFT, information=newer))
            await air.streams(LEFT)
        assert len(air.data(LEFT)) > before
        found = air.radio.remembered[old.address]
        names = {str(c.uuid).upper() for _, its in found for c, _ in its}
    assert any("7C1F0005" in name.replace("-", "") for name in names)
    assert len(air.of(LEFT, Kind.CONNECTED)) == 2
    change = "runs firmware 1.1 now (1.0 before); its services are read anew"
    assert [change in text for text in air.said].count(True) == 1


@pytest.mark.parametrize(
    ("now", "said"),
    [
        (replace(INFORMATION, bits=16), "another layout or full scale (18 zones, 16 bits)"),
        (Information(18, 12, MOVED, 1, 0x0100), "another layout or full scale (18 zones, 12 bits)"),
    ],
)
async def test_an_insole_that_measures_otherwise_than_when_it_was_paired_is_left_alone(
    steps, now, said
):
    """Its counts would be read by the wrong table, and nobody would see it."""
    knobs = turned(LEFT, information=now)
    async with world(steps, left=knobs) as air:
        async with air.listening(known(knobs)):
            await air.told(f"{said} than when it was paired, and is left alone; run plantigrade")
        assert air.data(LEFT) == []
        async with air.listening(replace(known(knobs), information=now)):
            await air.streams(LEFT)


def test_where_addresses_are_hidden_serial_and_foot_are_the_identity():
    said = Announcement(LEFT, 270, 80, 7)
    mac = "12345678-1234-1234-1234-123456789ABC"
    insole = KnownInsole(7, LEFT, "blue", mac, 270)
    assert insole.is_heard(said, mac)
    assert insole.is_heard(said, "87654321-4321-4321-4321-CBA987654321")
    assert not insole.is_heard(Announcement(RIGHT, 270, 80, 7), mac)
    assert not insole.is_heard(Announcement(LEFT, 270, 80, 8), mac)


def test_where_addresses_are_shown_another_one_is_another_device():
    said = Announcement(LEFT, 270, 80, 7)
    insole = KnownInsole(7, LEFT, "blue", "C0:00:00:00:00:0A", 270)
    assert insole.is_heard(said, "c0:00:00:00:00:0a")
    assert not insole.is_heard(said, "C0:00:00:00:00:0B")


async def test_an_insole_with_a_public_address_is_as_good(steps):
    settings = turned(LEFT, public_address=True)
    async with world(steps, left=settings) as air:
        assert {s.address for s in await air.heard()} >= {"00:00:51:A7:00:01"}
        async with air.listening(known(settings)):
            await air.streams(LEFT)


async def test_the_chosen_adapter_is_the_one_that_scans(monkeypatch):
    asked: list[object] = []

    class Scanner(BaseBleakScanner):
        def __init__(self, *args: Any, bluez: Any = None, **kwargs: Any) -> None:
            super().__init__(None, None)
            asked.append(bluez)

        async def start(self) -> None: ...

        async def stop(self) -> None: ...

    await scan(Radio(Scanner, None, "hci1"), 0.0)
    await scan(Radio(Scanner), 0.0)
    assert asked == [{"adapter": "hci1"}, {}]


# ---- errors in words


async def test_a_refused_write_is_told_in_words_over_a_link(steps):
    async with world(steps) as air:
        (heard,) = [s for s in await air.heard() if s.announcement.foot is Foot.LEFT]
        link = await bluetooth.Connection.open(heard, air.backend, lambda: None, bond=False)
        with pytest.raises(BluetoothError, match="before its answers were subscribed to"):
            await link.write(gatt.CONTROL, bytes([1, 0x15, 0]))
        await link.close()
        opened = await open_insole(heard, air.backend, lambda: None)
        assert opened.information == INFORMATION
        await opened.close()


# ---- bonding


async def test_an_insole_that_insists_on_encryption_says_how(steps):
    settings = turned(LEFT, needs_bond=True)
    async with world(steps, left=settings) as air, air.listening(known(settings)):
        await air.told("insists on being paired with this computer: run plantigrade pair --bond")
    assert air.data(LEFT) == []


async def test_a_bonded_insole_streams_encrypted_and_again_after_a_lost_link(steps):
    settings = turned(LEFT, needs_bond=True)
    async with world(steps, left=settings) as air:
        (heard,) = [s for s in await air.heard() if s.announcement.foot is Foot.LEFT]
        assert (await meet(heard, air.backend, bond=True)).information == INFORMATION
        async with air.listening(known(settings)):
            await air.streams(LEFT)
            link = air.insoles[LEFT].connection
            assert link is not None and link.encryption and link.sc
            await air.insoles[LEFT].hang_up()
            await air.until(lambda: len(air.of(LEFT, Kind.CONNECTED)) == 2)
            await air.streams(LEFT)


@pytest.mark.parametrize(
    ("system", "adapter"), [("linux", "hci1"), ("win32", None), ("darwin", None)]
)
async def test_an_adapter_is_chosen_by_its_name_where_the_system_lets_one(
    system, adapter, monkeypatch
):
    monkeypatch.setattr("plantigrade_gateway.session.insoles.sys.platform", system)
    if adapter is None:
        with pytest.raises(BluetoothError, match="radio hci1: adapters can be chosen on Linux"):
            async with opened_radio("hci1"):
                pass
        return
    async with opened_radio("hci1") as radio:
        assert radio == Radio(adapter="hci1")


@pytest.mark.parametrize(
    ("part", "name"),
    [
        (b"\x04\x09\xff\xfeL", "\ufffd\ufffdL"),  # a complete name that is no UTF-8
        (b"\x04\x08\xed\xa0\x80", "\ufffd\ufffd\ufffd"),  # a shortened one: half a surrogate
        (b"\x01\x0a", "Insole L"),  # a signal strength of no byte
        (b"\x02\xff\x01", "Insole L"),  # a maker's number of one
        (b"\x03\x21\x01\x02", "Insole L"),  # data of a service whose number is cut off
    ],
)
async def test_what_cannot_be_read_of_an_advertisement_is_left_out(steps, part, name):
    """Of an insole's here; a stranger's comes the same way (types of parts: from memory)."""
    flags, services = b"\x02\x01\x06", b"\x11\x07" + bytes(UUID(gatt.SERVICE))
    async with world(steps) as air:
        left = air.insoles[LEFT]
        said = left._announcement().encode()
        answer = bytes([len(said) + 17, 0x21]) + bytes(UUID(gatt.SERVICE)) + said
        await left.device.stop_advertising()
        await left.device.start_advertising(
            advertising_interval_min=100,
            advertising_interval_max=100,
            advertising_data=flags + services + part,
            scan_response_data=answer,
        )
        found = await air.heard()
    assert [(s.announcement.foot, s.name) for s in found] == [(LEFT, name), (RIGHT, "Insole R")]
