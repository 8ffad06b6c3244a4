"""bleak's backend over a Bluetooth host on the virtual air: what bleak promises to who uses it.

Nothing is replaced above HCI but what a test says; the insole reads its own time.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.turns import limits_over_at_once, turns_until
from tests.support.waiting import HANG_S

from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import MessageKind, decode, encode
from plantigrade_gateway.wire.messages import Ack, AckStatus, Stop

try:
    from bleak import BleakClient, BleakScanner
    from bleak.backends.device import BLEDevice
    from bleak.exc import (
        BleakBluetoothNotAvailableError,
        BleakDeviceNotFoundError,
        BleakError,
        BleakGATTProtocolError,
    )
    from bumble import core, hci
    from bumble.att import ATT_Error
    from tests.support.airworld import LEFT, RIGHT, World, turned, world

    from plantigrade_gateway.virtual.backend import AirClient, AirRadio
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

# Bluetooth SIG, Assigned Numbers, 16-bit UUIDs, as bleak writes them
BATTERY_SERVICE = "0000180f-0000-1000-8000-00805f9b34fb"
DEVICE_INFORMATION = "0000180a-0000-1000-8000-00805f9b34fb"
CONFIGURATION = "00002902-0000-1000-8000-00805f9b34fb"
SERIAL_NUMBER = "00002a25-0000-1000-8000-00805f9b34fb"


HCI_ERROR: Any = hci.HCI_Error  # untyped


class OwnTime:
    """What presses: each zone reads the body's time, in ms."""

    def at(self, foot: object, t_s: np.ndarray) -> np.ndarray:
        return np.rint(np.asarray(t_s) * 1000.0).astype(np.uint16)[:, None].repeat(18, axis=1)


@contextlib.asynccontextmanager
async def pair(**settings: Any) -> AsyncIterator[World]:
    steps: Any = OwnTime()
    async with world(steps, **settings) as air:
        yield air


def device(air: World, name: str | None = "Insole L") -> BLEDevice:
    """The left insole, as a scan gives it."""
    address = air.insoles[LEFT].settings.address
    return BLEDevice(address, name, hci.Address(address, hci.AddressType.RANDOM_DEVICE))


def client_of(air: World, **settings: Any) -> AirClient:
    given = {"disconnected_callback": None, "timeout": float(HANG_S), **settings}
    return air.radio.client(device(air), **given)


async def test_a_client_connects_finds_what_is_offered_and_ends_the_link():
    ends: list[bool] = []
    async with pair() as air:
        client = client_of(air, disconnected_callback=lambda: ends.append(True))
        assert (client.name, client.is_connected, client.mtu_size) == ("Insole L", False, 23)
        with pytest.raises(BleakError, match="not connected"):
            await client.pair()
        await client.connect(False)
        assert client.is_connected and client.mtu_size == 247
        assert client.services is not None
        offered = {service.uuid for service in client.services}
        assert offered >= {gatt.SERVICE, BATTERY_SERVICE, DEVICE_INFORMATION}
        properties = {
            one.uuid: set(one.properties) for one in client.services.characteristics.values()
        }
        # gatt_profile.md §1
        assert properties[gatt.DATA] == {"notify"}
        assert properties[gatt.CONTROL] == {"write", "indicate"}
        assert properties[gatt.STATUS] == {"read", "notify"}
        assert properties[gatt.INFORMATION] == {"read"}
        assert properties[gatt.BATTERY_LEVEL] == {"read", "notify"}
        point = client.services.get_characteristic(gatt.CONTROL)
        assert point is not None and [one.uuid for one in point.descriptors] == [CONFIGURATION]
        assert point.service_uuid == gatt.SERVICE
        assert point.max_write_without_response_size == 244  # of an MTU of 247
        with pytest.raises(BleakError, match="the client is connected"):
            await client.connect(False)
        await client.disconnect()
        gone: Any = client
        assert (gone.is_connected, gone.mtu_size, gone.services) == (False, 23, None)
        await client.disconnect()
        assert ends == [True]
        await client.connect(False)
        assert client.is_connected
        await client.disconnect()
        assert ends == [True, True]


async def test_a_client_without_a_name_says_its_address_and_one_never_found_is_refused():
    async with pair() as air:
        address = air.insoles[LEFT].settings.address
        nameless = air.radio.client(device(air, None), disconnected_callback=None, timeout=5.0)
        assert nameless.name == address.replace(":", "-")
        unseen = air.radio.client(address, disconnected_callback=None, timeout=5.0)
        assert unseen.name == address.replace(":", "-")
        with pytest.raises(BleakDeviceNotFoundError, match="a scan found"):
            await unseen.connect(False)


async def test_services_that_are_not_asked_for_are_not_shown():
    async with pair() as air:
        client = client_of(air, services={BATTERY_SERVICE})
        await client.connect(False)
        assert client.services is not None
        assert [service.uuid for service in client.services] == [BATTERY_SERVICE]
        assert client.services.get_characteristic(gatt.CONTROL) is None
        await client.disconnect()


async def test_reads_writes_and_subscriptions_go_to_the_peripheral_and_back():
    async with pair() as air, BleakClient(device(air), backend=air.radio.client) as client:
        assert await client.read_gatt_char(SERIAL_NUMBER) == b"51A70001"
        assert isinstance(await client.read_gatt_char(SERIAL_NUMBER), bytearray)
        answers: asyncio.Queue[bytearray] = asyncio.Queue()
        await client.start_notify(gatt.CONTROL, lambda _, data: answers.put_nowait(data))
        point = client.services.get_characteristic(gatt.CONTROL)
        assert point is not None
        (configuration,) = point.descriptors
        assert await client.read_gatt_descriptor(configuration) == b"\x02\x00"  # indications
        with pytest.raises(BleakError):
            await client.start_notify(gatt.CONTROL, lambda *_: None)
        await client.write_gatt_char(gatt.CONTROL, encode(Stop(6)), response=True)
        answer = await answers.get()
        assert isinstance(answer, bytearray)
        assert decode(bytes(answer)) == Ack(6, MessageKind.STOP, AckStatus.DONE)
        await client.start_notify(gatt.STATUS, lambda *_: None)
        status = client.services.get_characteristic(gatt.STATUS)
        assert status is not None
        (configuration,) = status.descriptors
        assert await client.read_gatt_descriptor(configuration) == b"\x01\x00"  # notifications
        await client.stop_notify(gatt.CONTROL)
        with pytest.raises(BleakGATTProtocolError) as error:
            await client.write_gatt_char(gatt.CONTROL, encode(Stop(7)), response=True)
        assert error.value.code == 0xFD  # gatt_profile.md §1
        await client.start_notify(gatt.CONTROL, lambda *_: None)  # once more, as it was ended


async def test_a_write_is_asked_to_be_answered_only_where_it_is_wanted():
    """Seen at the host below: the profile's insole takes all with response."""
    asked: list[tuple[bytes, bool]] = []

    async def write_value(_: object, value: bytes, with_response: bool) -> None:
        asked.append((value, with_response))

    async with pair() as air:
        client = client_of(air)
        one: Any = SimpleNamespace(obj=None, handle=1, properties=["notify"])
        client._connection = fake_connection(write_value=write_value)
        await client.write_gatt_char(one, b"a", response=False)
        await client.write_gatt_char(one, b"b", response=True)
        await client.write_gatt_descriptor(one, b"c")
    assert asked == [(b"a", False), (b"b", True), (b"c", True)]


def fake_connection(**client: Any) -> Any:
    return SimpleNamespace(gatt_client=SimpleNamespace(**client), att_mtu=247)


@pytest.mark.parametrize(
    ("raised", "expected"),
    [
        (core.TimeoutError("none came"), TimeoutError),
        (core.InvalidStateError("odd"), BleakError),
    ],
)
async def test_the_host_s_errors_come_as_bleak_s(raised, expected):
    async def read_value(_: int) -> bytes:
        raise raised

    async with pair() as air:
        client = client_of(air)
        client._connection = fake_connection(read_value=read_value)
        one: Any = SimpleNamespace(obj=None, handle=1)
        with pytest.raises(expected) as error:
            await client.read_gatt_char(one)
        assert str(raised) in str(error.value)


async def test_a_read_that_the_lost_link_cancels_is_an_error_and_a_cancelled_one_is_not():
    """bumble cancels who waits for an answer; a task that is cancelled itself stays cancelled."""
    waiting = asyncio.Event()

    async def read_value(_: int) -> bytes:
        waiting.set()
        await asyncio.Event().wait()
        return b""

    async with pair() as air:
        one: Any = SimpleNamespace(obj=None, handle=1)

        async def lost(_: int) -> bytes:
            client._connection = None
            raise asyncio.CancelledError

        async def cancelled(_: int) -> bytes:
            raise asyncio.CancelledError

        client = client_of(air)
        client._connection = fake_connection(read_value=lost)
        with pytest.raises(BleakError, match="the link was lost"):
            await client.read_gatt_char(one)
        client._connection = fake_connection(read_value=cancelled)
        with pytest.raises(asyncio.CancelledError):
            await client.read_gatt_char(one)
        for held in (True, False):
            waiting.clear()
            client._connection = fake_connection(read_value=read_value)
            reading = asyncio.create_task(client.read_gatt_char(one))
            await turns_until(waiting.is_set)
            if not held:
                client._connection = None
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading


async def test_a_subscription_that_fails_can_be_asked_for_again():
    tried: list[bool] = []
    given: list[Any] = []

    async def subscribe(_: object, listener: Any, prefer_notify: bool) -> None:
        tried.append(prefer_notify)
        if len(tried) == 1:
            raise ATT_Error(hci_error(5))
        given.append(listener)

    async def unsubscribe(_: object, listener: Any) -> None:
        given.remove(listener)

    async with pair() as air:
        client = client_of(air)
        client._connection = fake_connection(subscribe=subscribe, unsubscribe=unsubscribe)
        one: Any = SimpleNamespace(obj=None, handle=3, properties=["indicate"])
        other: Any = SimpleNamespace(obj=None, handle=4, properties=["notify", "indicate"])
        heard: list[bytearray] = []
        with pytest.raises(BleakGATTProtocolError) as error:
            await client.start_notify(one, heard.append)
        assert error.value.code == 5
        await client.start_notify(one, heard.append)
        await client.start_notify(other, heard.append)
        assert tried == [False, False, True]
        given[0](b"\x07")
        assert heard == [b"\x07"] and isinstance(heard[0], bytearray)
        with pytest.raises(BleakError, match="has been subscribed to"):
            await client.start_notify(one, heard.append)
        await client.stop_notify(one)
        await client.stop_notify(one)
        assert len(given) == 1


def hci_error(code: int) -> Any:
    from bumble.att import ErrorCode

    return ErrorCode(code)


async def test_what_a_peripheral_offers_is_remembered_where_that_is_asked_for():
    """As some systems do: what came new is not seen until it is forgotten."""
    async with pair() as air:
        client = client_of(air)
        await client.connect(False)
        await client.disconnect()
        await client.unpair()  # nothing is remembered: nothing to forget
        remembered: dict[str, Any] = {}
        air.radio.remembered = remembered
        address = air.insoles[LEFT].settings.address
        await client.connect(False)
        assert list(remembered) == [address] and len(remembered[address]) >= 3
        await client.disconnect()
        del remembered[address][1:]
        await client.connect(False)
        assert client.services is not None and len(list(client.services)) == 1
        await client.unpair()
        assert remembered == {} and not client.is_connected


async def test_an_mtu_may_be_agreed_on_late():
    async with pair() as air:
        air.radio.mtu_late_s = 1e-9
        client = client_of(air)
        await client.connect(False)
        await turns_until_mtu(client)
        await client.disconnect()
        air.radio.mtu_late_s = 1000.0
        await client.connect(False)
        assert client.mtu_size == 23
        await client.disconnect()
        assert client._late is not None
        client._late.cancel()


async def turns_until_mtu(client: AirClient) -> None:
    await turns_until(lambda: client.mtu_size == 247)


@pytest.mark.parametrize("bonded", [True, False])
async def test_a_host_that_holds_keys_encrypts_and_one_that_is_to_pair_pairs(bonded, monkeypatch):
    done: list[str] = []

    async def encrypt(_: object) -> None:
        done.append("encrypt")

    async def pairs(_: object) -> None:
        done.append("pair")

    async def keys(_: str) -> object:
        return object() if bonded else None

    from bumble.device import Connection

    monkeypatch.setattr(Connection, "encrypt", encrypt)
    monkeypatch.setattr(Connection, "pair", pairs)
    async with pair() as air:
        air.radio.device.keystore = SimpleNamespace(get=keys)  # type: ignore[assignment]
        client = client_of(air)
        await client.connect(True)
        assert done == ["encrypt" if bonded else "pair"]
        await client.pair()
        assert done[1:] == ["pair"]
        await client.disconnect()
        air.radio.device.keystore = None
        await client.connect(False)
        assert len(done) == 2
        await client.disconnect()


async def test_a_connection_that_fails_after_the_link_is_up_leaves_none(monkeypatch):
    async def fail(*_: object) -> None:
        raise core.InvalidStateError("nothing to find")

    async with pair() as air:
        client = client_of(air)
        monkeypatch.setattr(AirClient, "_found", fail)
        with pytest.raises(BleakError, match="nothing to find"):
            await client.connect(False)
        assert not client.is_connected and not air.radio.device.connections


@pytest.mark.parametrize(
    ("raised", "expected", "said"),
    [
        (core.TimeoutError(), TimeoutError, "^timed out connecting to C0:"),
        (core.InvalidStateError("busy"), BleakError, "^cannot connect to C0:"),
        (HCI_ERROR(0x0C), BleakError, "^cannot connect to C0:"),
    ],
)
async def test_a_connection_that_is_not_made_is_said_and_lets_others_try(
    raised, expected, said, monkeypatch
):
    async def connect(*_: object, **__: object) -> None:
        raise raised

    async with pair() as air:
        client = client_of(air)
        with monkeypatch.context() as patched:
            patched.setattr(air.radio.device, "connect", connect)
            with pytest.raises(expected, match=said):
                await client.connect(False)
        assert not air.radio.connecting.locked()
        await client.connect(False)
        await client.disconnect()


async def test_who_waits_for_another_s_connection_waits_no_longer_than_its_limit(monkeypatch):
    async with pair() as air:
        await air.radio.connecting.acquire()
        set_s = limits_over_at_once(monkeypatch)
        with pytest.raises(TimeoutError):
            await client_of(air, timeout=7.0).connect(False)
        assert set_s[0] == 7.0
        air.radio.connecting.release()


# ---- the radio, and its scanners


async def test_the_radio_scans_from_the_first_scanner_s_start_to_the_last_one_s_end():
    async with pair() as air:
        device = air.radio.device
        scanners = [BleakScanner(backend=air.radio.scanner) for _ in range(2)]
        states: list[bool] = []
        for step in (scanners[0].start, scanners[1].start, scanners[0].stop, scanners[1].stop):
            await step()
            states.append(device.is_scanning)
        assert states == [True, True, True, False]
        assert [on for on, _ in air.radio.scans] == [True, False]
        (_, began_s), (_, ended_s) = air.radio.scans
        assert 0.0 < began_s <= ended_s <= asyncio.get_running_loop().time()
        await scanners[0].start()
        assert device.is_scanning
        await scanners[0].stop()
        assert [on for on, _ in air.radio.scans] == [True, False, True, False]


async def test_a_scanner_tells_each_advertisement_that_is_wanted_with_its_address():
    """And each again: the host filters none, for who scans waits for the next."""
    async with pair() as air:
        told: list[tuple[str, str | None]] = []
        scanner = air.radio.scanner(
            lambda found, data: told.append((found.address, data.local_name)), None
        )
        await scanner.start()
        with pytest.raises(BleakError, match="the scanner has been started"):
            await scanner.start()
        await air.until(lambda: len({address for address, _ in told}) == 2)
        await air.until(lambda: len(told) >= 6)
        assert dict(told) == {
            air.insoles[LEFT].settings.address: "Insole L",
            air.insoles[RIGHT].settings.address: "Insole R",
        }
        assert set(scanner.seen_devices) == set(dict(told))
        await scanner.stop()
        heard = len(told)
        await scanner.stop()
        assert len(told) == heard
        unwanted: list[object] = []
        wanted: list[object] = []
        others = air.radio.scanner(lambda one, _: unwanted.append(one), [BATTERY_SERVICE])
        ours = air.radio.scanner(lambda one, _: wanted.append(one), [gatt.SERVICE])
        await others.start()
        await ours.start()
        await air.until(lambda: wanted)
        assert unwanted == []
        await ours.stop()
        await others.stop()


@pytest.mark.parametrize(("mode", "active"), [("active", True), ("passive", False)])
async def test_a_scan_is_active_unless_it_is_to_be_passive(mode, active, monkeypatch):
    asked: list[dict[str, bool]] = []

    async def start_scanning(**settings: bool) -> None:
        asked.append(settings)

    async def nothing() -> None:
        pass

    async with pair() as air:
        monkeypatch.setattr(air.radio.device, "start_scanning", start_scanning)
        monkeypatch.setattr(air.radio.device, "stop_scanning", nothing)
        scanner = air.radio.scanner(None, None, mode)
        await scanner.start()
        await scanner.stop()
    assert asked == [{"active": active, "filter_duplicates": False}]


async def test_a_radio_that_does_not_answer_is_said_at_a_start_and_no_matter_at_an_end(monkeypatch):
    async def fail(**_: object) -> None:
        raise HCI_ERROR(0x0C)

    async with pair() as air:
        scanner = air.radio.scanner(None, None)
        with monkeypatch.context() as patched:
            patched.setattr(air.radio.device, "start_scanning", fail)
            with pytest.raises(BleakError, match="the radio does not answer"):
                await scanner.start()
        await scanner.start()
        with monkeypatch.context() as patched:
            patched.setattr(air.radio.device, "stop_scanning", fail)
            await scanner.stop()
        await scanner.start()  # a new one begins, so it was counted as ended
        await scanner.stop()
        await air.radio.device.power_off()
        with pytest.raises(BleakBluetoothNotAvailableError, match="the host is off"):
            await scanner.start()
        await air.radio.device.power_on()


async def test_a_radio_that_closes_ends_its_links():
    async with pair() as air:
        client = client_of(air)
        await client.connect(False)
        await air.radio.close()
        assert not client.is_connected and not air.radio.device.powered_on
        await turns_until(lambda: air.insoles[LEFT].connection is None)


async def test_a_transport_on_which_nothing_answers_is_given_up(monkeypatch):
    set_s = limits_over_at_once(monkeypatch)
    silent: Any = SimpleNamespace(on_packet=lambda _: None, set_packet_sink=lambda _: None)
    with pytest.raises(TimeoutError):
        await AirRadio.on(silent, silent)
    assert 5.0 <= set_s[0] <= 30.0


async def test_an_insole_that_needs_a_bond_refuses_who_has_none():
    """Core, Vol 3 Part F: insufficient authentication 5, encryption 15 (from memory)."""
    async with pair(left=turned(LEFT, needs_bond=True)) as air:
        client = client_of(air)
        await client.connect(False)
        assert client.services is not None
        status = client.services.get_characteristic(gatt.STATUS)
        assert status is not None
        with pytest.raises(BleakGATTProtocolError) as error:
            await client.read_gatt_char(status)
        assert error.value.code in (0x05, 0x0F)
        await client.disconnect()
