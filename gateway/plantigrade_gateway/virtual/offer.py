"""What a virtual insole offers over Bluetooth: its services, and what it advertises.

The tables of `hardware_notes/gatt_profile.md` §1 and §2. What happens in them is `virtual.py`'s.
Needs the optional extra ``virtual``.
"""

from collections.abc import Callable

from bumble import data_types, hci
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.host import Host
from bumble.profiles.battery_service import BatteryService
from bumble.profiles.device_information_service import DeviceInformationService

from plantigrade_gateway.virtual.player import FIRMWARE, Knobs
from plantigrade_gateway.wire import gatt

_ADVERTISING_MS = 100
_MTU = 247


class Offer:
    """The services of one insole.

    Parameters
    ----------
    knobs : Knobs
    asked : callable
        Given each connection and bytes that are written to the control point.
    status, battery_percent : callable
        How the insole is now.

    Attributes
    ----------
    data, point, status, battery : Characteristic
    """

    def __init__(
        self,
        knobs: Knobs,
        asked: Callable[[Connection, bytes], None],
        status: Callable[[], gatt.Status],
        battery_percent: Callable[[], int],
    ) -> None:
        kind = Characteristic.Properties
        self._knobs = knobs
        self.data = Characteristic(gatt.DATA, kind.NOTIFY, Characteristic.Permissions(0), b"")
        self.point: Characteristic[bytes] = Characteristic(
            gatt.CONTROL,
            kind.WRITE | kind.INDICATE,
            Characteristic.WRITEABLE,
            CharacteristicValue(write=asked),
        )
        self.status: Characteristic[bytes] = Characteristic(
            gatt.STATUS,
            kind.READ | kind.NOTIFY,
            Characteristic.READABLE,
            CharacteristicValue(read=lambda _: status().encode()),
        )
        self._battery_service = BatteryService(lambda _: battery_percent())
        self.battery = self._battery_service.battery_level_characteristic

    def device_on(self, host: Host, name: str) -> Device:
        """Return a Bluetooth device with these services."""
        address = hci.Address(self._knobs.address, hci.Address.RANDOM_DEVICE_ADDRESS)
        config = DeviceConfiguration(
            name=name,
            address=address,
            advertising_interval_min=_ADVERTISING_MS,
            advertising_interval_max=_ADVERTISING_MS,
        )
        device = Device(config=config, host=host)
        device.gatt_server.max_mtu = _MTU
        insole = Service(gatt.SERVICE, [self.data, self.point, self.status])
        device.add_services([insole, self._battery_service, self._information()])
        return device

    def _information(self) -> DeviceInformationService:
        return DeviceInformationService(
            manufacturer_name="Plantigrade (virtual)",
            model_number="eighteen zones",
            serial_number=f"{self._knobs.serial:08X}",
            firmware_revision=f"{FIRMWARE >> 8}.{FIRMWARE & 0xFF}",
        )


async def advertise(device: Device, said: gatt.Announcement) -> None:
    """Let a device advertise whenever it is not connected."""
    flags = (
        AdvertisingData.Flags.LE_GENERAL_DISCOVERABLE_MODE
        | AdvertisingData.Flags.BR_EDR_NOT_SUPPORTED
    )
    service = UUID(gatt.SERVICE)
    parts = [
        data_types.Flags(flags),
        data_types.CompleteListOf128BitServiceUUIDs([service]),
        data_types.CompleteLocalName(said.name),
    ]
    answer = [data_types.ServiceData128BitUUID(service, said.encode())]
    await device.start_advertising(
        auto_restart=True,
        advertising_data=bytes(AdvertisingData(parts)),
        scan_response_data=bytes(AdvertisingData(answer)),
    )
