"""What a virtual insole offers on the air: its services, and what it advertises.

The tables of `hardware_notes/gatt_profile.md` §1, §2 and §11. Needs the extra ``virtual``.
"""

import asyncio
from collections.abc import Awaitable, Callable

from bumble import data_types, hci
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.host import Host
from bumble.profiles.battery_service import BatteryService
from bumble.profiles.device_information_service import DeviceInformationService

from plantigrade_gateway.virtual.player import DeviceSettings
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.information import version_text

_ADVERTISING_MS = 100
_MTU = 247


class GattServer:
    """The services of one insole.

    Parameters
    ----------
    settings : DeviceSettings
    asked : callable
        Given each connection and bytes that are written to the control point.
    status, battery_percent : callable
        How the insole is now.
    log : callable
        Returns the log's state.
    asked_log : callable
        Given each connection and bytes that are written to the log.

    Attributes
    ----------
    data, point, status, battery, log : Characteristic
    """

    def __init__(
        self,
        settings: DeviceSettings,
        asked: Callable[[Connection, bytes], None] | Callable[[Connection, bytes], Awaitable[None]],
        status: Callable[[], gatt.Status],
        battery_percent: Callable[[], int],
        log: Callable[[], bytes] | Callable[[], Awaitable[bytes]],
        asked_log: Callable[[Connection, bytes], None]
        | Callable[[Connection, bytes], Awaitable[None]],
    ) -> None:
        kind, may = Characteristic.Properties, Characteristic.Permissions
        self._settings = settings

        async def read_status(_: Connection) -> bytes:
            await asyncio.sleep(settings.slow_read_s)
            return status().encode()

        async def read_log(_: Connection) -> bytes:
            state = log()
            return state if isinstance(state, bytes) else await state

        self.data = Characteristic(gatt.DATA, kind.NOTIFY, Characteristic.Permissions(0), b"")
        self.point: Characteristic[bytes] = Characteristic(
            gatt.CONTROL,
            kind.WRITE | kind.INDICATE,
            may.WRITEABLE | (may.WRITE_REQUIRES_ENCRYPTION if settings.needs_bond else may(0)),
            CharacteristicValue(write=asked),
        )
        self.status: Characteristic[bytes] = Characteristic(
            gatt.STATUS,
            kind.READ | kind.NOTIFY,
            may.READABLE | (may.READ_REQUIRES_ENCRYPTION if settings.needs_bond else may(0)),
            CharacteristicValue(read=read_status),
        )
        self.log: Characteristic[bytes] = Characteristic(
            gatt.LOG,
            kind.READ | kind.WRITE | kind.NOTIFY,
            may.READABLE | may.WRITEABLE,
            CharacteristicValue(read=read_log, write=asked_log),
        )
        self._battery_service = BatteryService(lambda _: battery_percent())
        self.battery = self._battery_service.battery_level_characteristic

    def device_on(self, host: Host, name: str) -> Device:
        """Return a Bluetooth device with these services."""
        kind = hci.AddressType
        address = hci.Address(
            self._settings.address,
            kind.PUBLIC_DEVICE if self._settings.public_address else kind.RANDOM_DEVICE,
        )
        config = DeviceConfiguration(
            name=name,
            address=address,
            advertising_interval_min=_ADVERTISING_MS,
            advertising_interval_max=_ADVERTISING_MS,
        )
        device = Device(config=config, host=host)
        device.gatt_server.max_mtu = _MTU
        log = [self.log] if self._settings.log_pages else []
        offered = [self.data, self.point, self.status, *self._said_once(), *log]
        insole = Service(gatt.SERVICE, offered)
        battery = [self._battery_service] if self._settings.has_battery else []
        device.add_services([insole, *battery, self._device_information()])
        return device

    def _said_once(self) -> list[Characteristic[bytes]]:
        """Return what it says of itself, where it does."""
        information = self._settings.information
        if information is None:
            return []
        values = {gatt.INFORMATION: information.encode()}
        if information.knots:
            values[gatt.CURVE] = self._settings.curve
        kind = Characteristic.Properties.READ
        return [Characteristic(k, kind, Characteristic.READABLE, v) for k, v in values.items()]

    def _device_information(self) -> DeviceInformationService:
        return DeviceInformationService(
            manufacturer_name="Plantigrade (virtual)",
            model_number=f"{self._settings.zones} zones",
            serial_number=f"{self._settings.serial:08X}",
            firmware_revision=version_text(self._settings.firmware),
        )


async def advertise(
    device: Device,
    said: gatt.Announcement,
    interval_ms: float = _ADVERTISING_MS,
    *,
    again: bool = True,
) -> None:
    """Let a device advertise until it is connected, or whenever it is not (`again`)."""
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
        auto_restart=again,
        advertising_interval_min=interval_ms,
        advertising_interval_max=interval_ms,
        advertising_data=bytes(AdvertisingData(parts)),
        scan_response_data=bytes(AdvertisingData(answer)),
    )
