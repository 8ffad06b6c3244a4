"""Insoles over Bluetooth: who is near, a link to one of them, and what stands in Bluetooth's way.

The only module that talks to bleak (`backend.py` is a backend of it; `doctor.py` tries a scan).
Callbacks hand raw bytes on and do nothing else; what the bytes mean is not known here.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

from bleak import BleakClient, BleakScanner
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
)

from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.sources import plugin
from plantigrade_gateway.sources.plugin import Firmware
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.gatt import Announcement

CONNECT_LIMIT_S = 15.0
"""For connecting and finding the services: slow hosts take several seconds (ours)."""
_ANY_ERROR = (BleakError, OSError, EOFError, TimeoutError)  # what bleak raises, D-Bus's included


@dataclass(frozen=True, slots=True)
class Radio:
    """Which of bleak's backends is used; None: the system's own Bluetooth."""

    scanner: type[BaseBleakScanner] | None = None
    client: type[BaseBleakClient] | None = None


@dataclass(frozen=True, slots=True)
class Sighting:
    """An insole that was heard.

    Attributes
    ----------
    announcement : Announcement
    address : str
        As the system gives it: a Bluetooth address, or (macOS) a number of its own.
    name : str
    rssi : int
        Signal strength, dBm.
    device : BLEDevice
        What bleak connects to.
    firmware : Firmware or None
        The plug-in that knows it; None: it speaks our own profile.
    """

    announcement: Announcement
    address: str
    name: str
    rssi: int
    device: BLEDevice
    firmware: Firmware | None = None

    @property
    def label(self) -> str:
        """For people: foot and serial number."""
        return f"{self.announcement.foot} insole {self.announcement.serial:08X}"


def bluetooth_trouble(error: Exception) -> tuple[str, str] | None:
    """Return what is wrong with Bluetooth itself and what to do; None where it is not that.

    Parameters
    ----------
    error : Exception
        What bleak raised.
    """
    if isinstance(error, PermissionError):
        return "no permission to use Bluetooth", _PERMISSION
    if isinstance(error, FileNotFoundError | ConnectionError):
        return (
            "the system's message bus (D-Bus), which leads to Bluetooth, is not running",
            "Install and start dbus and bluez: systemctl start dbus bluetooth.",
        )
    if isinstance(error, BleakBluetoothNotAvailableError):
        return _NOT_AVAILABLE.get(error.reason)
    if isinstance(error, BleakDBusError):
        if error.dbus_error.endswith((".ServiceUnknown", ".NoReply", ".Spawn.ExecFailed")):
            return (
                "the Bluetooth service (bluez) is not running",
                "Install and start bluez: systemctl start bluetooth.",
            )
        if error.dbus_error.endswith((".AccessDenied", ".NotAuthorized", ".NotPermitted")):
            return "no permission to use Bluetooth", _PERMISSION
    return None


_PERMISSION = (
    "Allow this terminal to use Bluetooth in the system's privacy settings; "
    "on Linux add the user to the group bluetooth and log in again."
)
_DENIED = ("no permission to use Bluetooth", _PERMISSION)
_Reason = BleakBluetoothNotAvailableReason
_NOT_AVAILABLE = {
    _Reason.NO_BLUETOOTH: ("no Bluetooth adapter", "Connect a Bluetooth LE adapter."),
    _Reason.NO_BLE_CENTRAL_ROLE: (
        "the Bluetooth adapter cannot connect to LE devices",
        "Connect a Bluetooth LE adapter (4.2 or newer).",
    ),
    _Reason.POWERED_OFF: ("Bluetooth is switched off", "Switch Bluetooth on."),
    _Reason.DENIED_BY_USER: _DENIED,
    _Reason.DENIED_BY_SYSTEM: _DENIED,
    _Reason.DENIED_BY_UNKNOWN: _DENIED,
}


def _as_ours(error: Exception, what: str) -> BluetoothError:
    trouble = bluetooth_trouble(error)
    if trouble is not None:
        return RadioError(f"{trouble[0]}. {trouble[1]}")
    if isinstance(error, TimeoutError):
        return BluetoothError(f"{what}: no answer")
    return BluetoothError(f"{what}: {error or type(error).__name__}")


class RadioError(BluetoothError):
    """Bluetooth itself cannot be used; the text says what to do."""


@contextlib.asynccontextmanager
async def scanning(radio: Radio, heard: Callable[[Sighting], None]) -> AsyncIterator[None]:
    """Scan for insoles while the block runs.

    Parameters
    ----------
    radio : Radio
    heard : callable
        Told each announcement that comes.

    Raises
    ------
    BluetoothError
        Scanning cannot begin; one sentence with what to do.
    """
    others = plugin.installed()

    def detected(device: BLEDevice, data: AdvertisementData) -> None:
        name = data.local_name or device.name or ""
        own = gatt.read_announcement(data.service_data.get(gatt.SERVICE, b""))
        if own is not None:  # it comes with the scan response
            heard(Sighting(own, device.address, name or own.name, data.rssi, device))
            return
        for other in others:
            if other.service in data.service_uuids:
                said = other.announcement(name, data.service_data, data.manufacturer_data)
                if said is not None:
                    heard(Sighting(said, device.address, name, data.rssi, device, other))

    services = [gatt.SERVICE, *(other.service for other in others)]
    try:
        scanner = BleakScanner(detected, service_uuids=services, backend=radio.scanner)
        await scanner.start()
    except _ANY_ERROR as error:
        raise _as_ours(error, "scanning for insoles") from error
    try:
        yield
    finally:
        with contextlib.suppress(*_ANY_ERROR):
            await scanner.stop()


async def scan(radio: Radio, seconds: float) -> list[Sighting]:
    """Return the insoles heard within some seconds, each as it was heard last.

    Raises
    ------
    BluetoothError
        As `scanning`.
    """
    found: dict[str, Sighting] = {}

    def heard(sighting: Sighting) -> None:
        found[sighting.address] = sighting

    async with scanning(radio, heard):
        await asyncio.sleep(seconds)
    return sorted(found.values(), key=lambda s: (s.announcement.foot, s.announcement.serial))


class Connection:
    """A connection to one insole; use `Connection.open`.

    Attributes
    ----------
    label : str
        For messages.
    gone : asyncio.Event
        Set once the connection has ended, whoever ended it.
    """

    def __init__(self, sighting: Sighting, radio: Radio, on_gone: Callable[[], None]) -> None:
        self.label = sighting.label
        self.gone = asyncio.Event()
        self._on_gone = on_gone
        self._client = BleakClient(
            sighting.device, self._ended, timeout=CONNECT_LIMIT_S, backend=radio.client
        )

    @classmethod
    async def open(
        cls, sighting: Sighting, radio: Radio, on_gone: Callable[[], None]
    ) -> "Connection":
        """Connect and find the services.

        Parameters
        ----------
        sighting : Sighting
        radio : Radio
        on_gone : callable
            Called once when the connection ends.

        Raises
        ------
        BluetoothError
            It cannot be connected to.
        """
        try:
            link = cls(sighting, radio, on_gone)
            await link._client.connect()
        except _ANY_ERROR as error:
            raise _as_ours(error, sighting.label) from error
        return link

    @property
    def is_up(self) -> bool:
        """Whether the connection holds."""
        return not self.gone.is_set()

    def value_bytes(self, uuid: str) -> int:
        """Return the largest notification or write the connection carries whole.

        Raises
        ------
        BluetoothError
            The insole has no such characteristic, by which this is asked.
        """
        try:
            found = self._client.services.get_characteristic(uuid)
        except _ANY_ERROR as error:
            raise _as_ours(error, self.label) from error
        if found is None:
            raise BluetoothError(f"{self.label}: lacks characteristic {uuid}")
        return found.max_write_without_response_size

    def has(self, uuid: str) -> bool:
        """Whether the insole has a characteristic.

        Raises
        ------
        BluetoothError
            The connection is lost.
        """
        try:
            return self._client.services.get_characteristic(uuid) is not None
        except _ANY_ERROR as error:
            raise _as_ours(error, self.label) from error

    async def subscribe(self, uuid: str, on_data: Callable[[bytearray], None]) -> None:
        """Have a characteristic's notifications, or indications, given to `on_data` at once.

        Raises
        ------
        BluetoothError
            It has none, or the connection is lost.
        """

        def told(_: BleakGATTCharacteristic, data: bytearray) -> None:
            on_data(data)

        try:
            await self._client.start_notify(uuid, told)
        except _ANY_ERROR as error:
            raise _as_ours(error, self.label) from error

    async def read(self, uuid: str) -> bytes:
        """Read a characteristic.

        Raises
        ------
        BluetoothError
            It cannot be read, or the connection is lost.
        """
        try:
            return bytes(await self._client.read_gatt_char(uuid))
        except _ANY_ERROR as error:
            raise _as_ours(error, self.label) from error

    async def write(self, uuid: str, data: bytes) -> None:
        """Write a characteristic, with response.

        Raises
        ------
        BluetoothError
            It refuses, or the connection is lost.
        """
        try:
            await self._client.write_gatt_char(uuid, data, response=True)
        except _ANY_ERROR as error:
            raise _as_ours(error, self.label) from error

    async def close(self) -> None:
        """End the connection; whatever happens, it is over afterwards."""
        with contextlib.suppress(*_ANY_ERROR):
            await self._client.disconnect()
        self._ended(self._client)

    def _ended(self, _: BleakClient) -> None:
        if not self.gone.is_set():
            self.gone.set()
            self._on_gone()
