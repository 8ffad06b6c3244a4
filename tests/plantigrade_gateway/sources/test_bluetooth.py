"""Scanning and connecting by a library that is the test's own: what it is told, and its errors."""

import asyncio
from types import SimpleNamespace
from typing import Any, ClassVar

import pytest
from bleak.exc import BleakError
from tests.support.turns import limits_over_at_once

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.sources import bluetooth, plugin
from plantigrade_gateway.sources.bluetooth import Connection, Radio, Sighting, scan, scanning
from plantigrade_gateway.sources.trouble import StaleServices
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.gatt import Announcement

LEFT = Announcement(Foot.LEFT, 270, 81, 7)
RIGHT = Announcement(Foot.RIGHT, 270, None, 3)


def near(address: str, name: str | None = None) -> Any:
    return SimpleNamespace(address=address, name=name)


def advert(said: Announcement | None, name: str | None = None, rssi: int = -60, **more: Any) -> Any:
    data = {} if said is None else {gatt.SERVICE: said.encode()}
    usual = {"service_data": data, "service_uuids": [], "manufacturer_data": {}}
    return SimpleNamespace(local_name=name, rssi=rssi, **(usual | more))


class Scanner:
    """Stands for bleak's scanner: hears what it is told to."""

    hears: ClassVar[list[tuple[Any, Any]]] = []
    made: ClassVar[list["Scanner"]] = []
    fails: Exception | None = None

    def __init__(self, detected: Any, **how: Any) -> None:
        self.detected, self.how = detected, how
        self.running = 0
        self.made.append(self)

    async def start(self) -> None:
        if self.fails is not None:
            raise self.fails
        self.running += 1
        for each in self.hears:
            self.detected(*each)

    async def stop(self) -> None:
        self.running -= 1
        raise BleakError("stopping fails, and nobody minds")


@pytest.fixture
def scanner(monkeypatch) -> type[Scanner]:
    class Fresh(Scanner):
        hears: ClassVar[list[tuple[Any, Any]]] = []
        made: ClassVar[list[Scanner]] = []

    monkeypatch.setattr(bluetooth, "BleakScanner", Fresh)
    monkeypatch.setattr(plugin, "installed", list)
    return Fresh


async def test_a_scan_gives_each_insole_as_it_was_heard_last_left_before_right(scanner):
    scanner.hears = [
        (near("r"), advert(RIGHT, "Insole R", -50)),
        (near("l"), advert(LEFT, None, -70)),
        (near("x"), advert(None, "Headset")),
        (near("l"), advert(LEFT, None, -61)),
        (near("m"), advert(Announcement(Foot.LEFT, 270, 5, 2), "Insole L")),
    ]
    found = await scan(Radio(), 0.0)
    assert [(one.address, one.announcement.serial, one.rssi) for one in found] == [
        ("m", 2, -60),
        ("l", 7, -61),
        ("r", 3, -50),
    ]
    assert [one.name for one in found] == ["Insole L", "Insole L", "Insole R"]
    assert found[1].label == "left insole 00000007"
    (made,) = scanner.made
    assert made.how == {"service_uuids": [gatt.SERVICE], "backend": None, "bluez": {}}
    assert made.running == 0


async def test_the_adapter_that_is_named_scans_and_other_firmware_is_asked(scanner, monkeypatch):
    def announcement(name: str, data: Any, maker: Any) -> Announcement | None:
        return LEFT if name == "Theirs" else None

    firmware = SimpleNamespace(service="s", announcement=announcement)
    monkeypatch.setattr(plugin, "installed", lambda: [firmware])
    heard: list[Sighting] = []
    scanner.hears = [
        (near("a", "Theirs"), advert(None, service_uuids=["s"])),
        (near("b", "Other"), advert(None, service_uuids=["s"])),
        (near("c", "Theirs"), advert(None, service_uuids=["t"])),
        (near("d", "Theirs"), advert(RIGHT, service_uuids=["s"])),
    ]
    async with scanning(Radio(adapter="hci1"), heard.append):
        assert scanner.made[0].running == 1
    assert [(one.address, one.firmware) for one in heard] == [("a", firmware), ("d", None)]
    assert heard[0].name == "Theirs" and heard[0].announcement is LEFT
    assert scanner.made[0].how["bluez"] == {"adapter": "hci1"}
    assert scanner.made[0].how["service_uuids"] == [gatt.SERVICE, "s"]


async def test_a_scan_that_cannot_begin_is_one_sentence(scanner):
    scanner.fails = BleakError("the adapter is on fire")
    with pytest.raises(BluetoothError, match=r"^scanning for insoles: the adapter is on fire$"):
        await scan(Radio(), 0.0)


class Client:
    """Stands for bleak's client; each call may fail or hang."""

    def __init__(self, device: Any, ended: Any, **how: Any) -> None:
        self.device, self.ended, self.how = device, ended, how
        self.fails: dict[str, Exception] = {}
        self.hangs: set[str] = set()
        self.called: list[tuple[Any, ...]] = []
        self.sizes = [244]
        self.services = SimpleNamespace(get_characteristic=self.characteristic)

    def characteristic(self, uuid: str) -> Any:
        if "services" in self.fails:
            raise self.fails["services"]
        size = self.sizes.pop(0) if len(self.sizes) > 1 else self.sizes[0]
        return None if uuid == "none" else SimpleNamespace(max_write_without_response_size=size)

    def __getattr__(self, name: str) -> Any:
        async def call(*arguments: Any, **more: Any) -> Any:
            self.called.append((name, *arguments, *more.items()))
            if name in self.hangs:
                await asyncio.Event().wait()
            if name in self.fails:
                raise self.fails[name]
            if name == "start_notify":
                arguments[1](None, bytearray(b"told"))
            return bytearray(b"value")

        return call


@pytest.fixture
def clients(monkeypatch) -> list[Client]:
    made: list[Client] = []

    class Noted(Client):
        def __init__(self, *arguments: Any, **how: Any) -> None:
            super().__init__(*arguments, **how)
            made.append(self)

    monkeypatch.setattr(bluetooth, "BleakClient", Noted)
    return made


HEARD = Sighting(LEFT, "l", "Insole L", -60, near("l"))


async def connected(clients: list[Client], **more: Any) -> tuple[Connection, Client, list[int]]:
    gone: list[int] = []
    link = await Connection.open(HEARD, Radio(**more), lambda: gone.append(1))
    return link, clients[-1], gone


async def test_a_connection_is_made_afresh_by_the_adapter_that_is_named(clients):
    await Connection.open(HEARD, Radio(adapter="hci1"), lambda: None, bond=True, label="Ann's left")
    (client,) = clients
    assert client.device is HEARD.device and client.called == [("connect",)]
    assert client.how == {
        "timeout": 15.0,
        "backend": None,
        "bluez": {"adapter": "hci1"},
        "winrt": {"use_cached_services": False},  # its firmware may have changed
        "pair": True,
    }
    link, client, _ = await connected(clients)
    assert client.how["bluez"] == {} and client.how["pair"] is False
    assert link.label == "left insole 00000007" and link.is_up


async def test_connecting_may_take_its_limit_and_the_services_theirs(clients, monkeypatch):
    """Fifteen seconds, and five for what is asked after that."""
    monkeypatch.setattr(Client, "connect", lambda self: asyncio.Event().wait(), raising=False)
    set_s = limits_over_at_once(monkeypatch)
    with pytest.raises(BluetoothError, match=r"^left insole 00000007: no answer$"):
        await connected(clients)
    assert set_s == [20.0]


@pytest.mark.parametrize(
    ("name", "ask"),
    [
        ("read_gatt_char", lambda link: link.read("u")),
        ("write_gatt_char", lambda link: link.write("u", b"x")),
        ("start_notify", lambda link: link.subscribe("u", lambda data: None)),
    ],
)
async def test_each_request_has_five_seconds_and_says_what_failed(clients, monkeypatch, name, ask):
    link, client, _ = await connected(clients)
    client.fails[name] = BleakError("it refuses")
    with pytest.raises(BluetoothError, match=r"^left insole 00000007: it refuses$"):
        await ask(link)
    client.hangs.add(name)
    set_s = limits_over_at_once(monkeypatch)
    with pytest.raises(BluetoothError, match=r"^left insole 00000007: no answer$"):
        await ask(link)
    assert set_s == [5.0]
    client.ended(client)
    with pytest.raises(BluetoothError, match=r"^left insole 00000007: the link was lost$"):
        await ask(link)


async def test_what_is_read_written_and_told_goes_through(clients):
    link, client, _ = await connected(clients)
    told: list[bytes] = []
    await link.subscribe("n", lambda data: told.append(bytes(data)))
    value = await link.read("r")
    await link.write("w", b"x")
    assert (told, value, type(value)) == ([b"told"], b"value", bytes)
    assert client.called[2:] == [
        ("read_gatt_char", "r"),
        ("write_gatt_char", "w", b"x", ("response", True)),
    ]
    assert link.has("r") and not link.has("none")


async def test_a_characteristic_that_is_not_there_means_services_of_before(clients):
    link, client, _ = await connected(clients)
    assert link.value_bytes("u") == 244
    with pytest.raises(StaleServices, match=r"^left insole 00000007: lacks characteristic none, "):
        link.value_bytes("none")
    client.fails["services"] = BleakError("not yet")
    for ask in (link.value_bytes, link.has):
        with pytest.raises(BluetoothError, match=r"^left insole 00000007: not yet$"):
            ask("u")


@pytest.mark.parametrize(
    ("sizes", "wanted", "size", "naps"),
    [
        ([20, 20, 244], 43, 244, 2),
        ([20, 21], 43, 21, 1),  # agreed on, and too small all the same
        ([20], 20, 20, 0),
        ([21], 43, 21, 0),
        ([20], 43, 20, 50),  # after five seconds, looked for every tenth
    ],
)
async def test_an_mtu_is_waited_for_while_nobody_has_agreed_on_one(
    clients, monkeypatch, sizes, wanted, size, naps
):
    link, client, _ = await connected(clients)
    client.sizes = sizes
    napped: list[float] = []

    async def nap(seconds: float) -> None:
        napped.append(seconds)

    loop = SimpleNamespace(time=lambda: 100.0 + len(napped) / 10)
    monkeypatch.setattr(asyncio, "get_running_loop", lambda: loop)
    monkeypatch.setattr(asyncio, "sleep", nap)
    assert await link.value_bytes_agreed("u", wanted) == size
    assert napped == [pytest.approx(0.1)] * naps
    client.sizes = [20]
    client.ended(client)
    napped.clear()
    assert await link.value_bytes_agreed("u", 43) == 20 and napped == []


async def test_an_end_is_told_once_whoever_ended_it(clients, monkeypatch):
    link, client, gone = await connected(clients)
    client.fails["disconnect"] = BleakError("no")
    await link.close()
    assert gone == [1] and not link.is_up
    await link.close()
    client.ended(client)
    assert gone == [1]
    link, client, gone = await connected(clients)
    client.hangs.add("disconnect")
    set_s = limits_over_at_once(monkeypatch)
    await link.close()
    assert gone == [1] and set_s == [5.0]


@pytest.mark.parametrize("error", [None, BleakError("no"), NotImplementedError()])
async def test_services_are_forgotten_where_a_system_can(clients, monkeypatch, error):
    link, client, _ = await connected(clients)
    if error is not None:
        client.fails["unpair"] = error
    await link.forget_services()
    assert client.called[-1] == ("unpair",)
    client.hangs.add("unpair")
    set_s = limits_over_at_once(monkeypatch)
    await link.forget_services()
    assert set_s == [5.0]
