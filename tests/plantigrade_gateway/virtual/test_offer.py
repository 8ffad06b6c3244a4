"""What a virtual insole offers, held to the tables of `hardware_notes/gatt_profile.md`."""

import asyncio
from collections.abc import Awaitable
from types import SimpleNamespace
from typing import Any

import pytest

from plantigrade.block import Foot
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.gatt import Announcement, Status

try:
    from bumble.gatt import Characteristic
    from tests.support.airworld import LEFT, turned

    from plantigrade_gateway.virtual.air import Air, host_on
    from plantigrade_gateway.virtual.offer import GattServer, advertise
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

KIND, MAY = Characteristic.Properties, Characteristic.Permissions
STATUS = Status(True, False, True, 12, 3, 4, 5)


def offered(log: bytes | Awaitable[bytes] = b"state", **settings: Any) -> GattServer:
    made = turned(LEFT, **{"log_pages": 64, **settings})

    def written(*_: object) -> None:
        pass

    return GattServer(made, written, lambda: STATUS, lambda: 12, lambda: log, written)  # type: ignore[arg-type]


def test_each_characteristic_has_the_properties_of_the_profile_and_no_other():
    """§1; only what may be read or written by everybody has a permission (data is told alone)."""
    server = offered()
    assert [(one.properties, one.permissions) for one in (server.data, server.point)] == [
        (KIND.NOTIFY, MAY(0)),
        (KIND.WRITE | KIND.INDICATE, MAY.WRITEABLE),
    ]
    assert [(one.properties, one.permissions) for one in (server.status, server.log)] == [
        (KIND.READ | KIND.NOTIFY, MAY.READABLE),
        (KIND.READ | KIND.WRITE | KIND.NOTIFY, MAY.READABLE | MAY.WRITEABLE),
    ]


def test_one_that_insists_on_a_bond_wants_encryption_at_control_point_and_status():
    server = offered(needs_bond=True)
    assert server.point.permissions == MAY.WRITEABLE | MAY.WRITE_REQUIRES_ENCRYPTION
    assert server.status.permissions == MAY.READABLE | MAY.READ_REQUIRES_ENCRYPTION


async def test_status_and_log_are_read_as_they_are_now(monkeypatch):
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)

    async def later() -> bytes:
        return b"asked for"

    nobody: Any = None
    monkeypatch.setattr(asyncio, "sleep", sleep)
    server = offered(slow_read_s=0.5)
    assert gatt.read_status(await server.status.read_value(nobody)) == STATUS
    assert waits == [0.5]
    assert await server.log.read_value(nobody) == b"state"
    assert await offered(later()).log.read_value(nobody) == b"asked for"


def services(**settings: Any) -> dict[str, list[str]]:
    server = offered(**settings)
    device = server.device_on(host_on(Air(), "insole")[0], "Insole L")
    assert device.gatt_server.max_mtu == 247  # §5: 244 bytes of value in one packet
    found: dict[str, list[str]] = {}
    for service in device.gatt_server.services:
        own = [str(one.uuid.to_hex_str("-")).lower() for one in service.characteristics]
        found[str(service.uuid.to_hex_str("-")).lower()] = own
    return found


async def test_the_services_are_those_of_the_profile():
    found = services()
    insole = [gatt.DATA, gatt.CONTROL, gatt.STATUS, gatt.INFORMATION, gatt.LOG]
    assert found[gatt.SERVICE] == insole
    assert found["180f"] == ["2a19"]  # the level
    # manufacturer, model, serial number, firmware revision
    assert sorted(found["180a"]) == ["2a24", "2a25", "2a26", "2a29"]
    without = services(log_pages=0, has_battery=False, information=None)
    assert without[gatt.SERVICE] == insole[:3] and "180f" not in without


async def test_the_address_is_static_random_and_follows_from_the_serial_number():
    """Its two highest bits are set (Bluetooth Core, Vol 6 Part B 1.3.2, from memory)."""
    device = offered().device_on(host_on(Air(), "insole")[0], "Insole L")
    assert device.random_address.to_string(False) == "C0:00:51:A7:00:01"
    assert device.name == "Insole L"


@pytest.mark.parametrize("again", [True, False])
async def test_it_advertises_what_the_profile_says_as_often_as_it_says(again):
    """§2: 31 and 27 bytes, every 100 ms."""
    asked: list[dict[str, Any]] = []

    async def start_advertising(**settings: Any) -> None:
        asked.append(settings)

    device: Any = SimpleNamespace(start_advertising=start_advertising)
    said = Announcement(Foot.RIGHT, 270, 64, 0x51A70002)
    if again:
        await advertise(device, said)
    else:
        await advertise(device, said, 417.5, again=False)
    (settings,) = asked
    assert settings["auto_restart"] is again
    interval_ms = 100 if again else 417.5
    assert settings["advertising_interval_min"] == interval_ms
    assert settings["advertising_interval_max"] == interval_ms
    advertising, answer = settings["advertising_data"], settings["scan_response_data"]
    assert (len(advertising), len(answer)) == (31, 27)
    # flags; the service, the last byte first; the name (Assigned Numbers: 0x01, 0x07, 0x09, 0x21)
    service = bytes.fromhex(gatt.SERVICE.replace("-", ""))[::-1]
    assert advertising == b"\x02\x01\x06" + b"\x11\x07" + service + b"\x09\x09Insole R"
    assert answer == b"\x1a\x21" + service + bytes.fromhex("0101 0e01 40 0200a751")
