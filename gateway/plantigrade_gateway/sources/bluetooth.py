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

from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.sources import plugin
from plantigrade_gateway.sources.plugin import Firmware
from plantigrade_gateway.sources.trouble import ANY_ERROR, as_ours, lacking
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.gatt import Announcement

CONNECT_LIMIT_S = 15.0
"""For connecting and finding the services: slow hosts take several seconds (ours)."""
GATT_LIMIT_S = 5.0
"""For each read, write or subscription: thirty connection intervals of the slowest kind (ours)."""
CLOSE_LIMIT_S = 5.0
MTU_LIMIT_S = 5.0
"""Some systems (Windows) agree on the MTU seconds after they connected; until then it is 23."""
_LEAST_VALUE_BYTES = 20  # of an MTU that nobody has agreed on yet: 23 - 3


@dataclass(frozen=True, slots=True)
class Radio:
    """Which of bleak's backends is used; None: the system's own Bluetooth.

    Attributes
    ----------
    scanner, client : type or None
    adapter : str or None
        Which of the system's adapters (Linux: hci0, hci1 …); None: its usual one.
    """

    scanner: type[BaseBleakScanner] | None = None
    client: type[BaseBleakClient] | None = None
    adapter: str | None = None


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
        scanner = BleakScanner(
            detected,
            service_uuids=services,
            backend=radio.scanner,
            bluez={"adapter": radio.adapter} if radio.adapter else {},
        )
        await scanner.start()
    except ANY_ERROR as error:
        raise as_ours(error, "scanning for insoles") from error
    try:
        yield
    finally:
        with contextlib.suppress(*ANY_ERROR):
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

    def __init__(
        self,
        sighting: Sighting,
        radio: Radio,
        on_gone: Callable[[], None],
        bond: bool,
        label: str | None,
    ) -> None:
        self.label = label or sighting.label
        self.gone = asyncio.Event()
        self._on_gone = on_gone
        self._client = BleakClient(
            sighting.device,
            self._ended,
            timeout=CONNECT_LIMIT_S,
            backend=radio.client,
            bluez={"adapter": radio.adapter} if radio.adapter else {},
            winrt={"use_cached_services": False},
            pair=bond,
        )

    @classmethod
    async def open(
        cls,
        sighting: Sighting,
        radio: Radio,
        on_gone: Callable[[], None],
        bond: bool = False,
        label: str | None = None,
    ) -> "Connection":
        """Connect and find the services.

        Parameters
        ----------
        sighting : Sighting
        radio : Radio
        on_gone : callable
            Called once when the connection ends.
        bond : bool
            Pair with it by Bluetooth's own means first, where that was not done before.
        label : str, optional
            What people know it by.

        Raises
        ------
        BluetoothError
            It cannot be connected to.
        """
        try:
            link = cls(sighting, radio, on_gone, bond, label)
            async with asyncio.timeout(CONNECT_LIMIT_S + GATT_LIMIT_S):
                await link._client.connect()
        except ANY_ERROR as error:
            raise as_ours(error, label or sighting.label) from error
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
        except ANY_ERROR as error:
            raise self._trouble(error) from error
        if found is None:
            raise lacking(self.label, uuid)
        return found.max_write_without_response_size

    async def value_bytes_agreed(self, uuid: str, wanted: int) -> int:
        """Return what `value_bytes` does, once the MTU is agreed on or after `MTU_LIMIT_S`.

        Parameters
        ----------
        uuid : str
        wanted : int
            So much is enough without waiting.

        Raises
        ------
        BluetoothError
            As `value_bytes`.
        """
        loop = asyncio.get_running_loop()
        until_s = loop.time() + MTU_LIMIT_S
        while (size := self.value_bytes(uuid)) < wanted and size <= _LEAST_VALUE_BYTES:
            if loop.time() >= until_s or self.gone.is_set():
                break
            await asyncio.sleep(MTU_LIMIT_S / 50.0)
        return size

    def has(self, uuid: str) -> bool:
        """Whether the insole has a characteristic.

        Raises
        ------
        BluetoothError
            The connection is lost.
        """
        try:
            return self._client.services.get_characteristic(uuid) is not None
        except ANY_ERROR as error:
            raise self._trouble(error) from error

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
            async with asyncio.timeout(GATT_LIMIT_S):
                await self._client.start_notify(uuid, told)
        except ANY_ERROR as error:
            raise self._trouble(error) from error

    async def read(self, uuid: str) -> bytes:
        """Read a characteristic.

        Raises
        ------
        BluetoothError
            It cannot be read, or the connection is lost.
        """
        try:
            async with asyncio.timeout(GATT_LIMIT_S):
                return bytes(await self._client.read_gatt_char(uuid))
        except ANY_ERROR as error:
            raise self._trouble(error) from error

    async def write(self, uuid: str, data: bytes) -> None:
        """Write a characteristic, with response.

        Raises
        ------
        BluetoothError
            It refuses, or the connection is lost.
        """
        try:
            async with asyncio.timeout(GATT_LIMIT_S):
                await self._client.write_gatt_char(uuid, data, response=True)
        except ANY_ERROR as error:
            raise self._trouble(error) from error

    async def forget_services(self) -> None:
        """Have the system forget the insole's services, and the connection with them.

        For an insole whose firmware changed: some systems remember services for ever.
        """
        with contextlib.suppress(NotImplementedError, *ANY_ERROR):
            async with asyncio.timeout(GATT_LIMIT_S):
                await self._client.unpair()

    async def close(self) -> None:
        """End the connection; whatever happens, it is over afterwards."""
        with contextlib.suppress(*ANY_ERROR):
            async with asyncio.timeout(CLOSE_LIMIT_S):
                await self._client.disconnect()
        self._ended(self._client)

    def _trouble(self, error: Exception) -> BluetoothError:
        if self.gone.is_set():  # whatever a library says to one who asks it all the same
            return BluetoothError(f"{self.label}: the link was lost")
        return as_ours(error, self.label)

    def _ended(self, _: BleakClient) -> None:
        if not self.gone.is_set():
            self.gone.set()
            self._on_gone()
