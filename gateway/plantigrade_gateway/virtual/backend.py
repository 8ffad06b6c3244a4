"""bleak's client, scanner and radio over bumble's Bluetooth host, behind bleak's own ``backend=``.

Needs the optional extra ``virtual``.
"""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable, Iterator
from typing import Any, Protocol

from bleak.args import SizedBuffer
from bleak.assigned_numbers import gatt_char_props_to_strs
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)
from bumble import core, hci
from bumble.att import ATT_Error
from bumble.device import Advertisement, Connection, Device, DeviceConfiguration, Peer
from bumble.gatt_client import CharacteristicProxy, DescriptorProxy, ServiceProxy
from bumble.transport import open_transport

from plantigrade_gateway.virtual.heard import heard, uuid_text

_log = logging.getLogger(__name__)
DISCONNECT_LIMIT_S = 10.0


Found = list[tuple[ServiceProxy, list[tuple[CharacteristicProxy[Any], list[DescriptorProxy]]]]]
"""What a peripheral offers, as the host found it."""


class Radio(Protocol):
    """What a client needs of its radio (`AirRadio`)."""

    device: Device
    mtu: int
    connecting: asyncio.Lock
    mtu_late_s: float
    remembered: dict[str, Found] | None


class AirClient(BaseBleakClient):
    """bleak's client backend."""

    radio: Radio

    def __init__(
        self,
        address_or_ble_device: BLEDevice | str,
        *,
        disconnected_callback: Callable[[], None] | None,
        timeout: float,
        services: set[str] | None = None,
        **kwargs: Any,  # noqa: ANN401
    ) -> None:
        super().__init__(
            address_or_ble_device, disconnected_callback=disconnected_callback, timeout=timeout
        )
        self._wanted = services
        self._device = (
            address_or_ble_device if isinstance(address_or_ble_device, BLEDevice) else None
        )
        self._connection: Connection | None = None
        self._listeners: dict[int, Callable[[bytes], None]] = {}
        self._late: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        """The device's name, or its address."""
        return (self._device and self._device.name) or self.address.replace(":", "-")

    @property
    def mtu_size(self) -> int:
        """The ATT MTU."""
        return self._connection.att_mtu if self._connection else 23

    @property
    def is_connected(self) -> bool:
        """Whether the link is up."""
        return self._connection is not None

    async def connect(self, pair: bool, **kwargs: Any) -> None:  # noqa: ANN401
        """Connect, agree on the MTU and find the services."""
        if self.is_connected:
            raise BleakError("the client is connected")
        if self._device is None:
            raise BleakDeviceNotFoundError(self.address, "give the device that a scan found")
        self._connection = connection = await self._connected(self._device.details)
        connection.on(Connection.EVENT_DISCONNECTION, self._gone)
        try:
            with self._as_bleak_errors():
                peer = Peer(connection)
                if self.radio.mtu_late_s:
                    self._late = asyncio.create_task(self._agree_late(peer), name="late MTU")
                else:
                    await peer.request_mtu(self.radio.mtu)
                if await self._is_bonded(connection):
                    await connection.encrypt()
                elif pair:
                    await connection.pair()
                self.services = self._offered(await self._found(peer))
        except BaseException:
            with contextlib.suppress(Exception):
                await self.disconnect()
            raise

    async def _connected(self, address: hci.Address) -> Connection:
        async with asyncio.timeout(self._timeout):
            await self.radio.connecting.acquire()
        try:
            connection: Connection = await self.radio.device.connect(
                address, core.PhysicalTransport.LE, timeout=self._timeout
            )
        except (core.TimeoutError, TimeoutError) as error:
            raise TimeoutError(f"timed out connecting to {self.address}") from error
        except (core.BaseBumbleError, hci.HCI_Error) as error:
            raise BleakError(f"cannot connect to {self.address}: {error}") from error
        finally:
            self.radio.connecting.release()
        return connection

    async def _is_bonded(self, connection: Connection) -> bool:
        """Whether the host holds keys of the peripheral, by which systems encrypt at once."""
        keys = self.radio.device.keystore
        return keys is not None and await keys.get(str(connection.peer_address)) is not None

    async def _agree_late(self, peer: Peer) -> None:
        """Agree on the MTU seconds after the connection was made, as some systems do."""
        await asyncio.sleep(self.radio.mtu_late_s)
        with contextlib.suppress(core.BaseBumbleError, asyncio.CancelledError):
            await peer.request_mtu(self.radio.mtu)

    async def _found(self, peer: Peer) -> Found:
        """Return what the peripheral offers, or what it did when it was connected first."""
        remembered = self.radio.remembered
        if remembered is not None and self.address in remembered:
            return remembered[self.address]
        found: Found = []
        for service in await peer.discover_services():
            its = [
                (characteristic, await peer.discover_descriptors(characteristic))
                for characteristic in await peer.discover_characteristics(service=service)
            ]
            found.append((service, its))
        if remembered is not None:
            remembered[self.address] = found
        return found

    def _offered(self, offers: Found) -> BleakGATTServiceCollection:
        found = BleakGATTServiceCollection()
        for service, characteristics in offers:
            if self._wanted and uuid_text(service.uuid) not in self._wanted:
                continue
            its = BleakGATTService(service, service.handle, uuid_text(service.uuid))
            found.add_service(its)
            for characteristic, descriptors in characteristics:
                one = BleakGATTCharacteristic(
                    characteristic,
                    characteristic.handle,
                    uuid_text(characteristic.uuid),
                    list(gatt_char_props_to_strs(int(characteristic.properties))),
                    lambda: self.mtu_size - 3,
                    its,
                )
                found.add_characteristic(one)
                for descriptor in descriptors:
                    found.add_descriptor(
                        BleakGATTDescriptor(
                            descriptor, descriptor.handle, uuid_text(descriptor.type), one
                        )
                    )
        return found

    def _gone(self, reason: int) -> None:
        _log.debug("%s: link ended, 0x%02x", self.address, reason)
        if self._connection is not None:
            self._connection = None
            self.services = None
            self._listeners.clear()
            if self._disconnected_callback is not None:
                self._disconnected_callback()

    async def disconnect(self) -> None:
        """End the link; nothing where there is none."""
        connection = self._connection
        if connection is None:
            return
        with contextlib.suppress(hci.HCI_Error, core.BaseBumbleError, TimeoutError):
            async with asyncio.timeout(DISCONNECT_LIMIT_S):
                await connection.disconnect()
        self._gone(hci.HCI_ErrorCode.CONNECTION_TERMINATED_BY_LOCAL_HOST_ERROR)

    async def pair(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401
        """Pair."""
        with self._as_bleak_errors():
            await self._live().pair()

    async def unpair(self) -> None:
        """Forget the peripheral, its services too, and end the link."""
        if self.radio.remembered is not None:
            self.radio.remembered.pop(self.address, None)
        await self.disconnect()

    def _live(self) -> Connection:
        if self._connection is None:
            raise BleakError("not connected")
        return self._connection

    @contextlib.contextmanager
    def _as_bleak_errors(self) -> Iterator[None]:
        try:
            yield
        except ATT_Error as error:
            raise BleakGATTProtocolError(int(error.error_code)) from error
        except core.TimeoutError as error:
            raise TimeoutError(str(error)) from error
        except core.BaseBumbleError as error:
            raise BleakError(str(error)) from error
        except asyncio.CancelledError:
            # bumble cancels what waits for an answer when the link drops
            task = asyncio.current_task()
            if self._connection is None and not (task and task.cancelling()):
                raise BleakError("the link was lost") from None
            raise

    async def read_gatt_char(
        self,
        characteristic: BleakGATTCharacteristic,
        *,
        use_cached: bool = False,
        **kwargs: Any,  # noqa: ANN401
    ) -> bytearray:
        """Read a characteristic."""
        with self._as_bleak_errors():
            return bytearray(await self._live().gatt_client.read_value(characteristic.handle))

    async def read_gatt_descriptor(
        self,
        descriptor: BleakGATTDescriptor,
        *,
        use_cached: bool = False,
        **kwargs: Any,  # noqa: ANN401
    ) -> bytearray:
        """Read a descriptor."""
        with self._as_bleak_errors():
            return bytearray(await self._live().gatt_client.read_value(descriptor.handle))

    async def write_gatt_char(
        self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool
    ) -> None:
        """Write a characteristic."""
        with self._as_bleak_errors():
            await self._live().gatt_client.write_value(
                characteristic.obj, bytes(data), with_response=response
            )

    async def write_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, data: SizedBuffer
    ) -> None:
        """Write a descriptor."""
        with self._as_bleak_errors():
            await self._live().gatt_client.write_value(
                descriptor.obj, bytes(data), with_response=True
            )

    async def start_notify(
        self,
        characteristic: BleakGATTCharacteristic,
        callback: Callable[[bytearray], None],
        **kwargs: Any,  # noqa: ANN401
    ) -> None:
        """Subscribe to notifications, or to indications where there are no others."""
        handle = characteristic.handle
        if handle in self._listeners:
            raise BleakError("the characteristic has been subscribed to")

        def listener(value: bytes) -> None:
            callback(bytearray(value))

        notify = "notify" in characteristic.properties
        self._listeners[handle] = listener
        try:
            with self._as_bleak_errors():
                await self._live().gatt_client.subscribe(
                    characteristic.obj, listener, prefer_notify=notify
                )
        except BaseException:
            self._listeners.pop(handle, None)
            raise

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        """End a subscription."""
        listener = self._listeners.pop(characteristic.handle, None)
        if listener is not None:
            with self._as_bleak_errors():
                await self._live().gatt_client.unsubscribe(characteristic.obj, listener)


_MTU = 247
_START_LIMIT_S = 10.0


class AirRadio:
    """One Bluetooth host in the central's role, shared by all scanners and clients of it.

    Use `AirRadio.on` or `open_radio`.

    Attributes
    ----------
    scanner, client : type
        What bleak takes as ``backend``.
    mtu_late_s : float
        How long after a connection the MTU is agreed on; before that it is 23.
    remembered : dict or None
        A dict: what each peripheral offered when it was connected first is remembered for ever,
        as some systems do.
    scans : list of (bool, float)
        Each time that scanning began (True) or ended, by the event loop's clock.
    """

    def __init__(self, device: Device, mtu: int) -> None:
        self.device = device
        self.mtu = mtu
        self.connecting = asyncio.Lock()  # HCI: one LE connection may be pending at a time
        self.mtu_late_s = 0.0
        self.remembered: dict[str, Found] | None = None
        self.scans: list[tuple[bool, float]] = []
        self._scanners = 0
        self._scanning = asyncio.Lock()
        self.scanner: type[AirScanner] = type("AirScanner", (AirScanner,), {"radio": self})
        self.client: type[AirClient] = type("AirClient", (AirClient,), {"radio": self})

    @classmethod
    async def on(
        cls,
        source: Any,  # noqa: ANN401
        sink: Any,  # noqa: ANN401
        mtu: int = _MTU,
        limit_s: float | None = _START_LIMIT_S,
    ) -> "AirRadio":
        """Put a host on an HCI transport's source and sink (or a controller and its sink).

        Parameters
        ----------
        source, sink
        mtu : int
        limit_s : float or None
            How long an answer is waited for, s; None: until the transport is lost.

        Raises
        ------
        TimeoutError
            Nothing answers on the transport.
        """
        config = DeviceConfiguration(name="gateway", address=hci.Address.generate_static_address())
        device = Device.from_config_with_hci(config, source, sink)
        async with asyncio.timeout(limit_s):
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
                    self.scans.append((True, asyncio.get_running_loop().time()))
                elif self._scanners > 0 and wanted == 0:
                    await self.device.stop_scanning()
                    self.scans.append((False, asyncio.get_running_loop().time()))
            except (core.BaseBumbleError, hci.HCI_Error) as error:
                if change > 0:
                    raise BleakError(f"the radio does not answer ({error!r})") from error
            self._scanners = wanted


@contextlib.asynccontextmanager
async def open_radio(
    transport: str, limit_s: float | None = _START_LIMIT_S
) -> AsyncIterator[AirRadio]:
    """Open a radio on a transport, by bumble's names: ``tcp-client:127.0.0.1:9001``, ``usb:0``.

    Parameters
    ----------
    transport : str
    limit_s : float or None
        As for `AirRadio.on`.
    """
    async with await open_transport(transport) as opened:
        radio = await AirRadio.on(opened.source, opened.sink, limit_s=limit_s)
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
        found = heard(advertisement)
        if not self.is_allowed_uuid(found.service_uuids):
            return
        name = found.local_name
        address = advertisement.address.to_string(False)
        device = self.create_or_update_device(address, address, name, advertisement.address, found)
        self.call_detection_callbacks(device, found)
