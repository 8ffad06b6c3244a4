"""A virtual insole on the air: how it streams, logs and answers.

What it offers is in `offer.py`. Needs the optional extra ``virtual``.
"""

import asyncio
import contextlib
from collections.abc import Coroutine
from typing import Any

import numpy as np
from bumble.device import Connection, Device
from bumble.gatt import Characteristic
from numpy.typing import NDArray

from plantigrade_gateway.virtual.air import Air, host_on
from plantigrade_gateway.virtual.control import Control, Request
from plantigrade_gateway.virtual.keeper import LogKeeper
from plantigrade_gateway.virtual.offer import GattServer, advertise
from plantigrade_gateway.virtual.player import (
    CLOCK_WRAP,
    LENGTH_MM,
    DeviceSettings,
    ZoneSource,
)
from plantigrade_gateway.virtual.recorded import RadioChannel
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.log import LogEnd, LogRequest
from plantigrade_gateway.wire.messages import MAX_MESSAGE_BYTES, AckStatus, DataPacket

BATTERY_LOW_PERCENT = 15

_READY_S = 0.0015  # from a packet's last sample to its being sent (as `recorded.py`)
_BOOT_S = 0.3
_STATUS_EVERY_S = 10.0
_DRAIN_EVERY = 8  # packets; lets the link take what was sent before more is made
_LOG_PAGES_AT_ONCE = 2  # in the link's queue, behind what waits there
_ATT_BYTES = 3  # of a notification, before its value
_UNSUBSCRIBED = 0xFD  # Core Specification Supplement part B: CCCD improperly configured


class AirInsole:
    """One virtual insole on the air.

    Parameters
    ----------
    settings : DeviceSettings
    air : Air
    steps : ZoneSource
    began_s : float
        Event-loop time at which the body began; the same for both feet.

    Attributes
    ----------
    settings : DeviceSettings
    sent : list of bytes or None
        Set to a list, it keeps every notification that was given to the Bluetooth host.
    control : Control
        Its settings, and its answers to a host.
    started : asyncio.Event
        Set once a host had it stream.
    keeper : LogKeeper or None
        Its log, where it has one.
    """

    def __init__(
        self, settings: DeviceSettings, air: Air, steps: ZoneSource, began_s: float
    ) -> None:
        self.settings = settings
        self.sent: list[bytes] | None = None
        self.control = Control(settings, self)
        self.started = asyncio.Event()
        self._air = air
        self._steps = steps
        self._began_s = began_s
        self._clock_us, self._boot_s = settings.clock_us, began_s
        self._covered_us = 0  # since the last reset; up to there its packets reach
        self._resets = self._dropped = 0
        self._stalled_until_s = 0.0
        self._level_at = (began_s, settings.battery_percent)
        self._rng = np.random.default_rng(settings.serial)
        self._streaming: asyncio.Task[None] | None = None
        self._serving: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.keeper = LogKeeper(settings, self._counts_at) if settings.log_pages else None
        self._offer = GattServer(
            *(settings, self._asked, self.status, self.battery_percent),
            *(self._log_state, self._asked_log),
        )
        host, self._controller = host_on(air, f"insole {settings.foot}")
        self.device = self._offer.device_on(host, self._announcement().name)
        self.device.on(Device.EVENT_CONNECTION, self._connected)

    def _announcement(self) -> gatt.Announcement:
        return gatt.Announcement(
            self.settings.foot, LENGTH_MM, self.battery_percent(), self.settings.serial
        )

    async def start(self) -> None:
        """Switch it on: it advertises whenever it is not connected."""
        await self.device.power_on()
        await advertise(self.device, self._announcement())
        self._spawn(self._report())

    async def close(self) -> None:
        """Switch it off."""
        running = [task for task in (self._streaming, self._serving) if task is not None]
        for task in [*self._tasks, *running]:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        await self.device.power_off()

    # ---- how it is ----

    def battery_percent(self) -> int:
        """Return the battery's level now."""
        at_s, percent = self._level_at
        hours = (self._now_s() - at_s) * self.settings.speed / 3600.0
        return round(max(0.0, percent - 100.0 * hours / self.settings.battery_hours))

    def set_battery(self, percent: float) -> None:
        """Put the battery at a level."""
        self._level_at = (self._now_s(), percent)

    def status(self) -> gatt.Status:
        """Return its status."""
        return gatt.Status(
            streaming=self.is_streaming,
            charging=self.control.charging,
            battery_low=self.battery_percent() < BATTERY_LOW_PERCENT,
            battery_percent=self.battery_percent(),
            resets=min(self._resets, 0xFF),
            dropped=self._dropped,
            uptime_s=max(0, int((self._now_s() - self._boot_s) * self.settings.speed)),
        )

    @property
    def requests(self) -> list[Request]:
        """What hosts asked."""
        return self.control.requests

    @property
    def is_streaming(self) -> bool:
        """Whether packets are made."""
        return self._streaming is not None

    @property
    def connection(self) -> Connection | None:
        """The link, if there is one."""
        return next(iter(self.device.connections.values()), None)

    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    async def _report(self) -> None:
        """Notify battery and status, as the profile says (§3)."""
        level, status_at_s, state = self.battery_percent(), 0.0, self.status().state
        while True:
            await asyncio.sleep(min(1.0, 10.0 / self.settings.speed))
            now = self.status()
            if level != now.battery_percent:
                level = self.battery_percent()
                if self.settings.has_battery:
                    await self._notify(self._offer.battery)
            due = self._now_s() - status_at_s >= _STATUS_EVERY_S / self.settings.speed
            if (due and now.streaming) or state != now.state:
                state, status_at_s = now.state, self._now_s()
                await self._notify(self._offer.status)

    async def _notify(self, characteristic: Characteristic[Any]) -> None:
        connection = self.connection
        if connection is not None:
            await self.device.notify_subscriber(connection, characteristic)

    # ---- faults ----

    def restart(self, torn_bytes: int | None = None) -> None:
        """Reset: the link dies, the clock begins again, the counters too.

        Parameters
        ----------
        torn_bytes : int or None
            Of the log's page under way so many were programmed.
        """
        self._halt()
        if self.keeper is not None:
            self._sample()
            self.keeper.reset(torn_bytes)
        self._resets += 1
        self._clock_us, self._boot_s = 0, self._now_s() + _BOOT_S
        self._covered_us = 0
        self.control.reset()
        self.vanish(max(_BOOT_S, 1.1 * self._air.conditions.supervision_s))

    def vanish(self, seconds: float) -> None:
        """Go out of the radio's range for a while."""
        self._air.leave(self._controller)
        loop = asyncio.get_running_loop()
        loop.call_later(seconds, self._air.come_back, self._controller)

    def stall(self, seconds: float) -> None:
        """Fall silent with the link up: packets are made and not sent."""
        self._stalled_until_s = self._now_s() + seconds

    def charge(self, on: bool) -> None:
        """Put it on its charger, where it must not be worn and does not stream; or take it off."""
        self.control.charging = on
        if on:
            self.end()

    async def hang_up(self) -> None:
        """End the link from this side."""
        if self.connection is not None:
            await self.connection.disconnect()

    # ---- the control point ----

    def _connected(self, connection: Connection) -> None:
        connection.on(Connection.EVENT_DISCONNECTION, lambda _: self._lost())

    def _lost(self) -> None:
        self._halt()
        if self.keeper is not None:
            self.keeper.link_lost()

    def _asked(self, connection: Connection, value: bytes) -> None:
        from bumble.att import ATT_Error, ErrorCode

        subscribed = self.device.gatt_server.subscribers.get(connection, {})
        if not subscribed.get(self._offer.point.handle, b"\0")[0] & 0x02:
            raise ATT_Error(ErrorCode(_UNSUBSCRIBED))
        self._spawn(self._answer(connection, value, self._clock_now_us()))

    def _clock_now_us(self) -> int:
        return (self._clock_us + self._since_boot_us()) % CLOCK_WRAP

    def _since_boot_us(self) -> int:
        return int(max(0.0, (self._now_s() - self._boot_s) * self._us_per_s()))

    async def _answer(self, connection: Connection, value: bytes, clock_us: int) -> None:
        self.control.value_bytes = connection.att_mtu - _ATT_BYTES
        subscribed = self.device.gatt_server.subscribers.get(connection, {})
        self.control.subscribed = bool(subscribed.get(self._offer.data.handle, b"\0")[0] & 0x01)
        answer = self.control.answer(value, clock_us)
        if answer:
            with contextlib.suppress(TimeoutError, asyncio.CancelledError):
                await self.device.indicate_subscriber(connection, self._offer.point, answer)

    # ---- the log ----

    def _log_state(self) -> bytes:
        assert self.keeper is not None
        self._sample()
        return self.keeper.log.state(self._clock_us + self._since_boot_us()).encode()

    def _sample(self) -> None:
        """Log what was sampled until now; while it streams, its packets bring that."""
        if self.keeper is not None and self._streaming is None:
            self.keeper.sample(self._since_boot_us())

    def _asked_log(self, connection: Connection, value: bytes) -> None:
        from bumble.att import ATT_Error, ErrorCode

        assert self.keeper is not None
        subscribed = self.device.gatt_server.subscribers.get(connection, {})
        if not subscribed.get(self._offer.log.handle, b"\0")[0] & 0x01:
            raise ATT_Error(ErrorCode(_UNSUBSCRIBED))
        asked = self.keeper.asked(value, connection.att_mtu - _ATT_BYTES >= MAX_MESSAGE_BYTES)
        if asked is None:
            return
        if self._serving is not None:
            self._serving.cancel()
        self._serving = asyncio.create_task(self._serve(connection, asked))

    async def _serve(self, connection: Connection, asked: LogRequest | LogEnd) -> None:
        """Send the pages that are asked for, and that it was done, behind the stream."""
        assert self.keeper is not None
        end = asked
        if isinstance(asked, LogRequest):
            sent = torn = 0
            self._sample()
            for data in self.keeper.log.pages(asked):
                if data is None:
                    torn += 1
                    continue
                await self.device.notify_subscriber(connection, self._offer.log, data)
                sent += 1
                if sent % _LOG_PAGES_AT_ONCE == 0:
                    await connection.drain()
            end = LogEnd(asked.token, AckStatus.DONE, sent, torn)
        await self.device.notify_subscriber(connection, self._offer.log, end.encode())

    # ---- data ----

    def begin(self) -> None:
        """Stream, with counter 0; again where it already does."""
        self._halt()
        if self.connection is not None:
            self._streaming = asyncio.create_task(self._stream(self.connection))
            self.started.set()

    def end(self) -> None:
        """Stop streaming, and logging. What is not in a packet yet is given up."""
        self._halt()
        if self.keeper is not None:
            self._sample()
            self.keeper.stop()
            self._covered_us = max(self._covered_us, self.keeper.sampled_us)

    def _halt(self) -> None:
        if self._streaming is not None:
            self._streaming.cancel()
            self._streaming = None

    def _us_per_s(self) -> float:
        return 1e6 * (1.0 + 1e-6 * self.settings.drift_ppm) * self.settings.speed

    async def _stream(self, connection: Connection) -> None:
        """Make packets on the insole's own clock, and send them."""
        period_us = self.control.period_us
        next_us = max((self._since_boot_us() // period_us + 1) * period_us, self._covered_us)
        if self.keeper is not None and self.keeper.log.logging:
            self.keeper.sample(self._since_boot_us())
            next_us = self.keeper.sampled_us
        counter, self._dropped = 0, 0
        lost = np.empty(0, dtype=np.bool_)
        while True:
            frames, period_us = self.control.frames_to_come, self.control.period_us
            own_us = next_us + period_us * np.arange(frames)
            due_s = self._boot_s + own_us[-1] / self._us_per_s() + _READY_S / self.settings.speed
            wait_s = due_s - self._now_s()
            if wait_s > 0:
                await asyncio.sleep(wait_s)
            elif counter % _DRAIN_EVERY == 0:
                await asyncio.sleep(0)
            if counter % 4096 == 0:
                lost = RadioChannel(loss=self.settings.loss).lost(4096, self._rng)
            packet = self._packet(own_us, period_us, counter)
            if self.keeper is not None:
                self.keeper.stream(own_us, period_us, packet.counts)
            counter += 1
            next_us += frames * period_us
            self._covered_us = next_us
            if lost[packet.counter % 4096] or self._now_s() < self._stalled_until_s:
                self._dropped += 1
            else:
                await self._send(connection, encode(packet), packet.counter)

    def _counts_at(self, own_us: NDArray[np.int64]) -> NDArray[np.uint16]:
        body_s = (self._boot_s - self._began_s + own_us / self._us_per_s()) * self.settings.speed
        return self._steps.at(self.settings.foot, body_s)

    def _packet(self, own_us: NDArray[np.int64], period_us: int, counter: int) -> DataPacket:
        return DataPacket(
            foot=self.settings.foot,
            sample_format=self.settings.sample_format,
            first=counter == 0,
            dropped=False,
            battery_low=self.battery_percent() < BATTERY_LOW_PERCENT,
            counter=counter % CLOCK_WRAP,
            clock_us=(self._clock_us + int(own_us[0])) % CLOCK_WRAP,
            period_us=period_us,
            counts=self._counts_at(own_us),
        )

    async def _send(self, connection: Connection, data: bytes, counter: int) -> None:
        if self.sent is not None:
            self.sent.append(data)
        await self.device.notify_subscriber(connection, self._offer.data, data)
        if counter % _DRAIN_EVERY == 0:
            await connection.drain()

    def _spawn(self, work: Coroutine[None, None, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
