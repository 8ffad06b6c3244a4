"""Virtual insoles: the synthetic player behind a real Bluetooth host stack.

Each speaks the whole profile (`hardware_notes/gatt_profile.md`) over the virtual air (`air.py`):
announcement, data by the wire format, control point, status, battery, device information. Needs
the optional extra ``virtual``. The record-making insole without Bluetooth is `insole.py`'s.
"""

import asyncio
import contextlib
from collections.abc import Coroutine
from typing import Any

import numpy as np
from bumble import data_types, hci
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.profiles.battery_service import BatteryService
from bumble.profiles.device_information_service import DeviceInformationService
from numpy.typing import NDArray

from plantigrade_gateway import profile
from plantigrade_gateway.air import Air, host_on
from plantigrade_gateway.errors import WireError
from plantigrade_gateway.insole import Link
from plantigrade_gateway.messages import (
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    SampleFormat,
    Start,
    Stop,
    Time,
    max_frames,
)
from plantigrade_gateway.virtualbody import CLOCK_WRAP, LENGTH_MM, Knobs, Steps
from plantigrade_gateway.wire import decode, encode

FIRMWARE = 0x0100
BATTERY_LOW_PERCENT = 15

_READY_S = 0.0015  # from a packet's last sample to its being sent (as `insole.py`)
_BOOT_S = 0.3
_STATUS_EVERY_S = 10.0
_DRAIN_EVERY = 8  # packets; lets the link take what was sent before more is made
_UNSUBSCRIBED = 0xFD  # Core Specification Supplement part B: CCCD improperly configured


class AirInsole:
    """One virtual insole on the air.

    Parameters
    ----------
    knobs : Knobs
    air : Air
    steps : Steps
    began_s : float
        Event-loop time at which the body began; the same for both feet.

    Attributes
    ----------
    knobs : Knobs
    sent : list of bytes or None
        Set to a list, it keeps every notification that was given to the Bluetooth host.
    requests : list of Message
        What hosts asked.
    started : asyncio.Event
        Set once a host had it stream.
    """

    def __init__(self, knobs: Knobs, air: Air, steps: Steps, began_s: float) -> None:
        self.knobs = knobs
        self.sent: list[bytes] | None = None
        self.requests: list[Message] = []
        self.started = asyncio.Event()
        self._air = air
        self._steps = steps
        self._began_s = began_s
        self._period_us, self._frames = knobs.period_us, knobs.frames
        self._clock_us, self._boot_s = knobs.clock_us, began_s
        self._resets = self._dropped = 0
        self._stalled_until_s = 0.0
        self._level_at = (began_s, knobs.battery_percent)
        self._rng = np.random.default_rng(knobs.serial)
        self._streaming: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._make_services()
        host, self._controller = host_on(air, f"insole {knobs.foot}")
        config = DeviceConfiguration(
            name=self._announcement().name,
            address=hci.Address(knobs.address, hci.Address.RANDOM_DEVICE_ADDRESS),
            advertising_interval_min=100,
            advertising_interval_max=100,
        )
        self.device = Device(config=config, host=host)
        self.device.gatt_server.max_mtu = 247
        self.device.add_services([self._service, self._battery_service, self._information()])
        self.device.on(Device.EVENT_CONNECTION, self._connected)

    # ---- what it offers ----

    def _make_services(self) -> None:
        kind = Characteristic.Properties
        self._data = Characteristic(profile.DATA, kind.NOTIFY, Characteristic.Permissions(0), b"")
        self._control: Characteristic[bytes] = Characteristic(
            profile.CONTROL,
            kind.WRITE | kind.INDICATE,
            Characteristic.WRITEABLE,
            CharacteristicValue(write=self._asked),
        )
        self._status: Characteristic[bytes] = Characteristic(
            profile.STATUS,
            kind.READ | kind.NOTIFY,
            Characteristic.READABLE,
            CharacteristicValue(read=lambda _: self.status().encode()),
        )
        self._service = Service(profile.SERVICE, [self._data, self._control, self._status])
        self._battery_service = BatteryService(lambda _: self.battery_percent())

    def _information(self) -> DeviceInformationService:
        return DeviceInformationService(
            manufacturer_name="Plantigrade (virtual)",
            model_number="eighteen zones",
            serial_number=f"{self.knobs.serial:08X}",
            firmware_revision=f"{FIRMWARE >> 8}.{FIRMWARE & 0xFF}",
        )

    def _announcement(self) -> profile.Announcement:
        return profile.Announcement(
            self.knobs.foot, LENGTH_MM, self.battery_percent(), self.knobs.serial
        )

    async def start(self) -> None:
        """Switch it on: it advertises whenever it is not connected."""
        said = self._announcement()
        flags = (
            AdvertisingData.Flags.LE_GENERAL_DISCOVERABLE_MODE
            | AdvertisingData.Flags.BR_EDR_NOT_SUPPORTED
        )
        service = UUID(profile.SERVICE)
        await self.device.power_on()
        await self.device.start_advertising(
            auto_restart=True,
            advertising_data=bytes(
                AdvertisingData(
                    [
                        data_types.Flags(flags),
                        data_types.CompleteListOf128BitServiceUUIDs([service]),
                        data_types.CompleteLocalName(said.name),
                    ]
                )
            ),
            scan_response_data=bytes(
                AdvertisingData([data_types.ServiceData128BitUUID(service, said.encode())])
            ),
        )
        self._spawn(self._report())

    async def close(self) -> None:
        """Switch it off."""
        for task in [*self._tasks, *([self._streaming] if self._streaming else [])]:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        await self.device.power_off()

    # ---- how it is ----

    def battery_percent(self) -> int:
        """Return the battery's level now."""
        at_s, percent = self._level_at
        hours = (self._now_s() - at_s) * self.knobs.speed / 3600.0
        return round(max(0.0, percent - 100.0 * hours / self.knobs.battery_hours))

    def set_battery(self, percent: float) -> None:
        """Put the battery at a level."""
        self._level_at = (self._now_s(), percent)

    def status(self) -> profile.Status:
        """Return its status."""
        return profile.Status(
            streaming=self._streaming is not None,
            charging=False,
            battery_low=self.battery_percent() < BATTERY_LOW_PERCENT,
            battery_percent=self.battery_percent(),
            resets=min(self._resets, 0xFF),
            dropped=self._dropped,
            uptime_s=max(0, int((self._now_s() - self._boot_s) * self.knobs.speed)),
        )

    @property
    def connection(self) -> Connection | None:
        """The link, if there is one."""
        return next(iter(self.device.connections.values()), None)

    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    async def _report(self) -> None:
        """Notify battery and status, as the profile says (§3)."""
        level, status_at_s, low = self.battery_percent(), 0.0, False
        while True:
            await asyncio.sleep(min(1.0, 10.0 / self.knobs.speed))
            now = self.status()
            if level != now.battery_percent:
                level = self.battery_percent()
                await self._notify(self._battery_service.battery_level_characteristic)
            due = self._now_s() - status_at_s >= _STATUS_EVERY_S / self.knobs.speed
            if (due and now.streaming) or low != now.battery_low:
                low, status_at_s = now.battery_low, self._now_s()
                await self._notify(self._status)

    async def _notify(self, characteristic: Characteristic[Any]) -> None:
        connection = self.connection
        if connection is not None:
            await self.device.notify_subscriber(connection, characteristic)

    # ---- faults ----

    def restart(self) -> None:
        """Reset: the link dies, the clock begins again, the counters too."""
        self._stop_streaming()
        self._resets += 1
        self._clock_us, self._boot_s = 0, self._now_s() + _BOOT_S
        self._period_us, self._frames = self.knobs.period_us, self.knobs.frames
        self.vanish(max(_BOOT_S, 1.1 * self._air.weather.supervision_s))

    def vanish(self, seconds: float) -> None:
        """Go out of the radio's range for a while."""
        self._air.leave(self._controller)
        loop = asyncio.get_running_loop()
        loop.call_later(seconds, self._air.come_back, self._controller)

    def stall(self, seconds: float) -> None:
        """Fall silent with the link up: packets are made and not sent."""
        self._stalled_until_s = self._now_s() + seconds

    async def hang_up(self) -> None:
        """End the link from this side."""
        if self.connection is not None:
            await self.connection.disconnect()

    # ---- the control point ----

    def _connected(self, connection: Connection) -> None:
        connection.on(Connection.EVENT_DISCONNECTION, lambda _: self._stop_streaming())

    def _asked(self, connection: Connection, value: bytes) -> None:
        from bumble.att import ATT_Error, ErrorCode

        subscribed = self.device.gatt_server.subscribers.get(connection, {})
        if not subscribed.get(self._control.handle, b"\0")[0] & 0x02:
            raise ATT_Error(ErrorCode(_UNSUBSCRIBED))
        try:
            request = decode(value)
        except WireError:
            raise ATT_Error(ErrorCode.VALUE_NOT_ALLOWED) from None
        self.requests.append(request)
        self._spawn(self._answer(connection, request, value[1], self._clock_now_us()))

    def _clock_now_us(self) -> int:
        since_us = max(0.0, (self._now_s() - self._boot_s) * self._us_per_s())
        return (self._clock_us + int(since_us)) % CLOCK_WRAP

    async def _answer(
        self, connection: Connection, request: Message, kind: int, clock_us: int
    ) -> None:
        token = value if isinstance(value := getattr(request, "token", 0), int) else 0
        answer: Message
        if isinstance(request, Identify):
            answer = self._identity(token)
        elif isinstance(request, Time):
            answer = Clock(token, clock_us)
        else:
            answer = Ack(token, kind, self._do(connection, request))
        with contextlib.suppress(TimeoutError, asyncio.CancelledError):
            await self.device.indicate_subscriber(connection, self._control, encode(answer))

    def _identity(self, token: int) -> Identity:
        answers = self.knobs.answers_serial
        return Identity(
            token=token,
            foot=self.knobs.foot,
            sample_format=self.knobs.sample_format,
            zones=18,
            frames=self._frames,
            period_us=self._period_us,
            battery_percent=self.battery_percent(),
            streaming=self._streaming is not None,
            firmware=FIRMWARE,
            serial=self.knobs.serial if answers is None else answers,
        )

    def _do(self, connection: Connection, request: Message) -> AckStatus:
        match request:
            case Start():
                self._stop_streaming()
                self._streaming = asyncio.create_task(self._stream(connection))
                self.started.set()
            case Stop():
                self._stop_streaming()
            case Rate(_, period_us):
                self._period_us = period_us
            case Frames(_, frames):
                fit = (connection.att_mtu - 3 - 16) // (27 if self._is_packed() else 36)
                if frames > min(fit, max_frames(18, self.knobs.sample_format)):
                    return AckStatus.VALUE_NOT_POSSIBLE
                self._frames = frames
            case _:
                return AckStatus.UNKNOWN_REQUEST
        return AckStatus.DONE

    def _is_packed(self) -> bool:
        return self.knobs.sample_format is SampleFormat.PACKED12

    # ---- data ----

    def _stop_streaming(self) -> None:
        if self._streaming is not None:
            self._streaming.cancel()
            self._streaming = None

    def _us_per_s(self) -> float:
        return 1e6 * (1.0 + 1e-6 * self.knobs.drift_ppm) * self.knobs.speed

    async def _stream(self, connection: Connection) -> None:
        """Make packets on the insole's own clock, and send them."""
        since_us = max(0.0, (self._now_s() - self._boot_s) * self._us_per_s())
        next_us = int(since_us) // self._period_us * self._period_us + self._period_us
        counter, self._dropped = 0, 0
        lost = np.empty(0, dtype=np.bool_)
        while True:
            frames, period_us = self._frames, self._period_us
            own_us = next_us + period_us * np.arange(frames)
            due_s = self._boot_s + own_us[-1] / self._us_per_s() + _READY_S / self.knobs.speed
            wait_s = due_s - self._now_s()
            if wait_s > 0:
                await asyncio.sleep(wait_s)
            elif counter % _DRAIN_EVERY == 0:
                await asyncio.sleep(0)
            if counter % 4096 == 0:
                lost = Link(loss=self.knobs.loss).lost(4096, self._rng)
            packet = self._packet(own_us, counter)
            if lost[counter % 4096] or self._now_s() < self._stalled_until_s:
                self._dropped += 1
            else:
                await self._send(connection, encode(packet), counter)
            counter += 1
            next_us += frames * period_us

    def _packet(self, own_us: NDArray[np.int64], counter: int) -> DataPacket:
        body_s = (self._boot_s - self._began_s + own_us / self._us_per_s()) * self.knobs.speed
        return DataPacket(
            foot=self.knobs.foot,
            sample_format=self.knobs.sample_format,
            first=counter == 0,
            dropped=False,
            battery_low=self.battery_percent() < BATTERY_LOW_PERCENT,
            counter=counter % CLOCK_WRAP,
            clock_us=(self._clock_us + int(own_us[0])) % CLOCK_WRAP,
            period_us=self._period_us,
            counts=self._steps.at(self.knobs.foot, body_s),
        )

    async def _send(self, connection: Connection, data: bytes, counter: int) -> None:
        if self.sent is not None:
            self.sent.append(data)
        await self.device.notify_subscriber(connection, self._data, data)
        if counter % _DRAIN_EVERY == 0:
            await connection.drain()

    def _spawn(self, work: Coroutine[None, None, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
