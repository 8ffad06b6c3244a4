"""Insoles over Bluetooth: who is near, one link to one insole, and what stands in Bluetooth's way.

The only module that talks to bleak (`airlink.py` is a backend of it; `doctor.py` tries a scan).
Callbacks hand raw bytes on and do nothing else; what the bytes mean is not known here, the control
point's answers apart.
"""

import asyncio
import contextlib
import logging
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

from plantigrade_gateway import profile
from plantigrade_gateway.errors import BluetoothError, WireError
from plantigrade_gateway.messages import (
    HEADER_BYTES,
    Ack,
    AckStatus,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    Start,
    Stop,
    frame_bytes,
)
from plantigrade_gateway.profile import Announcement
from plantigrade_gateway.wire import decode, encode

CONNECT_LIMIT_S = 15.0
"""For connecting and finding the services: slow hosts take several seconds (ours)."""
ANSWER_LIMIT_S = 2.0
"""For an answer of the control point (`gatt_profile.md` §1)."""

_log = logging.getLogger(__name__)
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
    """

    announcement: Announcement
    address: str
    name: str
    rssi: int
    device: BLEDevice


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

    def detected(device: BLEDevice, data: AdvertisementData) -> None:
        said = profile.read_announcement(data.service_data.get(profile.SERVICE, b""))
        if said is not None:  # the announcement comes with the scan response
            name = data.local_name or device.name or said.name
            heard(Sighting(said, device.address, name, data.rssi, device))

    try:
        scanner = BleakScanner(detected, service_uuids=[profile.SERVICE], backend=radio.scanner)
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


class InsoleLink:
    """A link to one insole; use `InsoleLink.open`.

    Attributes
    ----------
    identity : Identity
        What the insole answered to *identify*.
    battery_percent : int or None
        As told last.
    status : Status or None
        As told last.
    gone : asyncio.Event
        Set once the link has ended, whoever ended it.
    """

    def __init__(self, sighting: Sighting, radio: Radio, on_gone: Callable[[], None]) -> None:
        self.identity: Identity
        self.battery_percent = sighting.announcement.battery_percent
        self.status: profile.Status | None = None
        self.gone = asyncio.Event()
        self._what = f"{sighting.announcement.foot} insole {sighting.announcement.serial:08X}"
        self._on_gone = on_gone
        self._client = BleakClient(
            sighting.device, self._ended, timeout=CONNECT_LIMIT_S, backend=radio.client
        )
        self._asking = asyncio.Lock()
        self._answer: asyncio.Future[Message] | None = None
        self._token = 0

    @classmethod
    async def open(
        cls, sighting: Sighting, radio: Radio, on_gone: Callable[[], None]
    ) -> "InsoleLink":
        """Connect, listen to the control point, status and battery, and ask who it is.

        Parameters
        ----------
        sighting : Sighting
        radio : Radio
        on_gone : callable
            Called once when the link ends; not if opening fails.

        Raises
        ------
        BluetoothError
            It cannot be connected to, is no insole of this profile, or does not answer.
        """
        link = cls(sighting, radio, lambda: None)
        try:
            await link._client.connect()
            await link._listen()
            link.identity = await link._identify()
        except _ANY_ERROR as error:
            await link.close()
            raise _as_ours(error, link._what) from error
        except BaseException:
            await link.close()
            raise
        link._on_gone = on_gone
        return link

    @property
    def value_bytes(self) -> int:
        """The largest notification the link carries whole."""
        return self._characteristic(profile.CONTROL).max_write_without_response_size

    async def start(
        self, on_data: Callable[[bytearray], None], period_us: int | None, frames: int
    ) -> int:
        """Have the insole stream.

        Parameters
        ----------
        on_data : callable
            Given each notification's bytes, from the event loop; it must return at once.
        period_us : int or None
            Sample period; None: the insole's own.
        frames : int
            Frames per packet wanted; fewer are asked for where so many do not fit the link.

        Returns
        -------
        int
            Frames per packet.

        Raises
        ------
        BluetoothError
            It refuses, or not even one frame fits the link.
        """
        size = frame_bytes(self.identity.zones, self.identity.sample_format)
        fit = (self.value_bytes - HEADER_BYTES) // size
        if fit < 1:
            raise BluetoothError(
                f"{self._what}: the link carries only {self.value_bytes} bytes at a time, expected "
                f"at least {HEADER_BYTES + size}; use an adapter with Bluetooth 4.2 or newer"
            )
        frames = min(frames, fit)
        try:
            await self._client.start_notify(profile.DATA, lambda _, data: on_data(data))
        except _ANY_ERROR as error:
            raise _as_ours(error, self._what) from error
        if period_us is not None:
            await self._order(Rate(self._next_token(), period_us))
        await self._order(Frames(self._next_token(), frames))
        await self.stream()
        return frames

    async def stream(self) -> None:
        """Ask it to begin streaming, again where it already does."""
        await self._order(Start(self._next_token()))

    async def close(self) -> None:
        """Stop streaming and end the link; whatever happens, it is over afterwards."""
        if self._client.is_connected and self._answer is None:
            with contextlib.suppress(BluetoothError, *_ANY_ERROR):
                await self._order(Stop(self._next_token()))
        with contextlib.suppress(*_ANY_ERROR):
            await self._client.disconnect()
        self._ended(self._client)

    # ---- the control point ----

    async def _listen(self) -> None:
        client = self._client
        await client.start_notify(profile.CONTROL, self._answered)
        await client.start_notify(profile.STATUS, self._told_status)
        await client.start_notify(profile.BATTERY_LEVEL, self._told_battery)
        self._told_battery(None, await client.read_gatt_char(profile.BATTERY_LEVEL))

    async def _identify(self) -> Identity:
        answer = await self._ask(Identify(self._next_token(), 0))
        if not isinstance(answer, Identity):
            raise BluetoothError(f"{self._what}: does not say who it is")
        return answer

    async def _order(self, request: Rate | Frames | Start | Stop) -> None:
        answer = await self._ask(request)
        if not isinstance(answer, Ack) or answer.status is not AckStatus.DONE:
            said = answer.status.name.lower() if isinstance(answer, Ack) else "something else"
            raise BluetoothError(
                f"{self._what}: refuses {type(request).__name__.lower()} ({said.replace('_', ' ')})"
            )

    async def _ask(self, request: Identify | Rate | Frames | Start | Stop) -> Message:
        async with self._asking:
            self._answer = asyncio.get_running_loop().create_future()
            try:
                async with asyncio.timeout(ANSWER_LIMIT_S):
                    await self._client.write_gatt_char(
                        profile.CONTROL, encode(request), response=True
                    )
                    return await self._answer
            except _ANY_ERROR as error:
                raise _as_ours(error, self._what) from error
            finally:
                self._answer = None

    def _next_token(self) -> int:
        self._token = (self._token + 1) & 0xFF
        return self._token

    def _answered(self, _: BleakGATTCharacteristic, data: bytearray) -> None:
        try:
            message = decode(bytes(data))
        except WireError as error:
            _log.warning("%s: answer not readable: %s", self._what, error)
            return
        waits = self._answer is not None and not self._answer.done()
        if waits and getattr(message, "token", None) == self._token:
            assert self._answer is not None
            self._answer.set_result(message)

    def _told_status(self, _: BleakGATTCharacteristic, data: bytearray) -> None:
        self.status = profile.read_status(bytes(data)) or self.status

    def _told_battery(self, _: BleakGATTCharacteristic | None, data: bytearray) -> None:
        if len(data) == 1 and data[0] <= 100:
            self.battery_percent = data[0]

    def _characteristic(self, uuid: str) -> BleakGATTCharacteristic:
        found = self._client.services.get_characteristic(uuid)
        if found is None:
            raise BluetoothError(f"{self._what}: lacks characteristic {uuid}")
        return found

    def _ended(self, _: BleakClient) -> None:
        if self.gone.is_set():
            return
        self.gone.set()
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(BleakError("the link was lost"))
        self._on_gone()
