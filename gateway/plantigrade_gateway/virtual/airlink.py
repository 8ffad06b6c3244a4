"""A backend for bleak over bumble's own Bluetooth host: the gateway's side without the system's.

``BleakScanner(…, backend=radio.scanner)`` and ``BleakClient(…, backend=radio.client)`` then work as
on any system. Knows nothing of insoles or of the virtual air: behind it may be `air.py` in this or
another process, or a real dongle named as bumble names transports.
"""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator
from typing import Any

from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakError,
)
from bumble import core, hci
from bumble.core import AdvertisingData
from bumble.device import Advertisement, Device, DeviceConfiguration
from bumble.transport import open_transport

from plantigrade_gateway.virtual.backend import DISCONNECT_LIMIT_S, AirClient, uuid_text

_log = logging.getLogger(__name__)
_AD = AdvertisingData.Type
_SERVICE_LISTS = (
    _AD.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    _AD.INCOMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    _AD.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
    _AD.INCOMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
)
_SERVICE_DATA = (_AD.SERVICE_DATA_16_BIT_UUID, _AD.SERVICE_DATA_128_BIT_UUID)
_MTU = 247
_START_LIMIT_S = 10.0


class AirRadio:
    """One Bluetooth host in the central's role, shared by all scanners and clients of it.

    Use `AirRadio.on` or `open_radio`.

    Attributes
    ----------
    scanner, client : type
        What bleak takes as ``backend``.
    """

    def __init__(self, device: Device, mtu: int) -> None:
        self.device = device
        self.mtu = mtu
        self.connecting = asyncio.Lock()  # HCI: one LE connection may be pending at a time
        self._scanners = 0
        self._scanning = asyncio.Lock()
        self.scanner: type[AirScanner] = type("AirScanner", (AirScanner,), {"radio": self})
        self.client: type[AirClient] = type("AirClient", (AirClient,), {"radio": self})

    @classmethod
    async def on(cls, source: Any, sink: Any, mtu: int = _MTU) -> "AirRadio":  # noqa: ANN401
        """Put a host on an HCI transport's source and sink (or a controller and its sink).

        Raises
        ------
        TimeoutError
            Nothing answers on the transport.
        """
        config = DeviceConfiguration(name="gateway", address=hci.Address.generate_static_address())
        device = Device.from_config_with_hci(config, source, sink)
        async with asyncio.timeout(_START_LIMIT_S):
            await device.power_on()
        return cls(device, mtu)

    async def close(self) -> None:
        """End all links and stop the host."""
        for connection in list(self.device.connections.values()):
            with contextlib.suppress(Exception):
                async with asyncio.timeout(DISCONNECT_LIMIT_S):
                    await connection.disconnect()
        await self.device.power_off()

    async def scan(self, change: int, active: bool) -> None:
        """Count the scanners; the radio scans while there is one."""
        async with self._scanning:
            wanted = self._scanners + change
            try:
                if self._scanners == 0 and wanted > 0:
                    await self.device.start_scanning(active=active, filter_duplicates=False)
                elif self._scanners > 0 and wanted == 0:
                    await self.device.stop_scanning()
            except (core.BaseBumbleError, hci.HCI_Error) as error:
                if change > 0:
                    raise BleakError(f"the radio does not answer ({error!r})") from error
            self._scanners = wanted


@contextlib.asynccontextmanager
async def open_radio(transport: str) -> AsyncIterator[AirRadio]:
    """Open a radio on a transport, by bumble's names: ``tcp-client:127.0.0.1:9001``, ``usb:0``."""
    async with await open_transport(transport) as opened:
        radio = await AirRadio.on(opened.source, opened.sink)
        try:
            yield radio
        finally:
            await radio.close()


class AirScanner(BaseBleakScanner):
    """bleak's scanner backend."""

    radio: AirRadio

    def __init__(
        self,
        detection_callback: Any,  # noqa: ANN401 - bleak's own union
        service_uuids: list[str] | None,
        scanning_mode: str = "active",
        **kwargs: Any,  # noqa: ANN401
    ) -> None:
        super().__init__(detection_callback, service_uuids)
        self._active = scanning_mode == "active"
        self._running = False

    async def start(self) -> None:
        """Begin to scan."""
        if self._running:
            raise BleakError("the scanner has been started")
        if not self.radio.device.powered_on:
            raise BleakBluetoothNotAvailableError(
                "the host is off", BleakBluetoothNotAvailableReason.POWERED_OFF
            )
        self.seen_devices = {}
        await self.radio.scan(+1, self._active)
        self._running = True
        self.radio.device.on(Device.EVENT_ADVERTISEMENT, self._heard)

    async def stop(self) -> None:
        """Stop scanning."""
        if self._running:
            self._running = False
            self.radio.device.remove_listener(Device.EVENT_ADVERTISEMENT, self._heard)
            await self.radio.scan(-1, self._active)

    def _heard(self, advertisement: Advertisement) -> None:
        data: Any = advertisement.data  # its parts are of many types, by their kind
        uuids = [
            uuid_text(u) for kind in _SERVICE_LISTS for group in data.get_all(kind) for u in group
        ]
        if not self.is_allowed_uuid(uuids):
            return
        said = data.get(_AD.COMPLETE_LOCAL_NAME) or data.get(_AD.SHORTENED_LOCAL_NAME)
        name = None if said is None else str(said)
        makers = data.get_all(_AD.MANUFACTURER_SPECIFIC_DATA)
        found = AdvertisementData(
            local_name=name,
            manufacturer_data={int(number): bytes(value) for number, value in makers},
            service_data={
                uuid_text(u): bytes(value)
                for kind in _SERVICE_DATA
                for u, value in data.get_all(kind)
            },
            service_uuids=list(dict.fromkeys(uuids)),
            tx_power=data.get(_AD.TX_POWER_LEVEL),
            rssi=advertisement.rssi,
            platform_data=(advertisement,),
        )
        address = advertisement.address.to_string(False)
        device = self.create_or_update_device(address, address, name, advertisement.address, found)
        self.call_detection_callbacks(device, found)
