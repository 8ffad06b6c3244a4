"""The firmware's own C on the air: its process behind a GATT server and a radio of ours.

The application of `hardware_notes/firmware/` runs in a process of its own; frames go to and fro
through pipes (`hardware_notes/firmware/host/README.md`). Needs the optional extra ``virtual``.
"""

import asyncio
import contextlib
from asyncio.subprocess import PIPE, Process
from collections.abc import Coroutine
from dataclasses import dataclass
from pathlib import Path
from struct import Struct
from tempfile import TemporaryDirectory
from typing import Any

from bumble.att import ATT_Error, ErrorCode
from bumble.core import BaseBumbleError
from bumble.device import Connection, Device
from bumble.gatt import Characteristic

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.virtual.air import Air, host_on
from plantigrade_gateway.virtual.build import companion_program
from plantigrade_gateway.virtual.flash import CHIP_PAGES
from plantigrade_gateway.virtual.offer import GattServer, advertise
from plantigrade_gateway.virtual.player import DeviceSettings, GaitSource
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.information import read_information

SERIAL = 0x51A70003
"""Of the companion beside the usual virtual pair."""
_HEAD = Struct("<cH")
_U16, _CELL, _ASK = Struct("<H"), Struct("<BHB"), Struct("<HHHH")
_INTERVAL_MS, _TIMEOUT_MS, _ADVERTISING_MS = 1.25, 10.0, 0.625
_FAULT = 0
_DATA, _BATTERY = 0, 3  # characteristics, as the companion counts them
_BOOT_S = 0.3
_ANSWER_LIMIT_S = 2.0


@dataclass(frozen=True, slots=True)
class CellReading:
    """What the companion's board is told of its cell."""

    percent: int = 87
    millivolts: int = 3900
    on_charger: bool = False


class Companion:
    """The companion's process, on the air.

    Parameters
    ----------
    settings : DeviceSettings
        Foot, serial number, drift, clock and speed are looked at.
    air : Air
    steps : GaitSource
        What presses it.
    began_s : float
        Event-loop time at which the body began.
    program : Path
        `companion_program`.

    Attributes
    ----------
    settings : DeviceSettings
    said : list of (str, bytes)
        What its process said that was not for the air: showing, off, asked intervals.
    sent : list of bytes
        Each data packet that was given to the Bluetooth host.
    device : Device
        Once it is started.
    """

    device: Device

    def __init__(
        self,
        settings: DeviceSettings,
        air: Air,
        steps: GaitSource,
        began_s: float,
        program: Path,
    ) -> None:
        self.settings = settings
        self.said: list[tuple[str, bytes]] = []
        self.sent: list[bytes] = []
        self._air = air
        self._steps = steps
        self._began_s = began_s
        self._program = program
        self._folder = TemporaryDirectory(prefix="plantigrade-")
        self._host, self._controller = host_on(air, f"companion {settings.foot}")
        self._status = gatt.Status(False, False, False, None, 0, 0, 0)
        self._cell = CellReading()
        self._answers: asyncio.Queue[bytes] = asyncio.Queue()
        self._asking = asyncio.Lock()
        self._told: asyncio.Queue[tuple[int, bytes]] = asyncio.Queue()
        self._process: Process | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._linked: set[asyncio.Task[None]] = set()  # of the link: they end with it
        self._information = b""

    async def start(self) -> None:
        """Switch it on.

        Raises
        ------
        BluetoothError
            Its process ends at once.
        """
        foot = self.settings.foot
        counts = Path(self._folder.name) / "counts"
        counts.write_bytes(self._steps.counts[foot].astype("<u2").tobytes())
        await self._boot(self.settings.clock_us)
        made = DeviceSettings(
            *(foot, self.settings.serial),
            information=read_information(self._information),
            log_pages=CHIP_PAGES,
        )
        self._offer = GattServer(
            *(made, self._asked, lambda: self._status, lambda: self._cell.percent),
            *(self._log_state, self._asked_log),
        )
        name = gatt.Announcement(foot, 0, None, self.settings.serial).name
        self.device = self._offer.device_on(self._host, name)
        offer = self._offer
        self._told_on: list[Characteristic[Any]] = [offer.data, offer.point, offer.status]
        self._told_on += [offer.battery, offer.log]
        self.device.on(Device.EVENT_CONNECTION, self._connected)
        for number, one in enumerate(self._told_on):
            one.on(Characteristic.EVENT_SUBSCRIPTION, self._subscriber(number))
        await self.device.power_on()
        self._listen()

    async def close(self) -> None:
        """Switch it off."""
        await self._end_process()
        for task in [*self._tasks, *self._linked]:
            task.cancel()
        await asyncio.gather(*self._tasks, *self._linked, return_exceptions=True)
        if hasattr(self, "device"):
            await self.device.power_off()
        self._folder.cleanup()

    # ---- what happens to it ----

    def set_cell(self, percent: int, millivolts: int = 3900, *, on_charger: bool = False) -> None:
        """Have its board measure another cell, or find itself on its charger."""
        self._cell = CellReading(percent, millivolts, on_charger)
        self._tell(b"B", _CELL.pack(percent, millivolts, on_charger))

    def vanish(self, seconds: float) -> None:
        """Go out of the radio's range for a while."""
        self._air.leave(self._controller)
        asyncio.get_running_loop().call_later(seconds, self._air.come_back, self._controller)

    def weaken(self) -> None:
        """Let its supply fail for a moment."""
        self._tell(b"F")

    def ship(self) -> None:
        """Put it into ship mode."""
        self._tell(b"X")

    async def restart(self) -> None:
        """Kill its process and begin another, as a reset does; the link dies, the clock begins."""
        await self._end_process()
        self.vanish(max(_BOOT_S, 1.1 * self._air.conditions.supervision_s))
        await self._boot(0)
        self._listen()

    # ---- its process ----

    async def _boot(self, clock_us: int) -> None:
        settings = self.settings
        folder = Path(self._folder.name)
        body_us = (asyncio.get_running_loop().time() - self._began_s) * settings.speed * 1e6
        rate = 1e6 * settings.speed * (1.0 + 1e-6 * settings.drift_ppm)
        words = (
            *(list(Foot).index(settings.foot), settings.serial, clock_us, round(rate)),
            *(round(1e6 * settings.speed), round(body_us), folder / "counts", folder / "kept"),
            *(_FAULT, folder / "chip"),
        )
        self._process = await asyncio.create_subprocess_exec(
            self._program, *map(str, words), stdin=PIPE, stdout=PIPE, start_new_session=True
        )
        self.set_cell(self._cell.percent, self._cell.millivolts, on_charger=self._cell.on_charger)
        try:
            what, self._information = await self._frame(self._process)
        except asyncio.IncompleteReadError:  # it has ended
            what = b""
        if what != b"o":
            await self._end_process()
            raise BluetoothError("companion: its process does not begin; run it again")

    async def _end_process(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    @staticmethod
    async def _frame(process: Process) -> tuple[bytes, bytes]:
        assert process.stdout is not None
        what, length = _HEAD.unpack(await process.stdout.readexactly(_HEAD.size))
        return what, await process.stdout.readexactly(length)

    def _tell(self, what: bytes, value: bytes = b"") -> None:
        if self._process is not None:
            assert self._process.stdin is not None
            self._process.stdin.write(_HEAD.pack(what, len(value)) + value)

    def _listen(self) -> None:
        assert self._process is not None
        self._spawn(self._hear_all(self._process), self._tasks)

    async def _hear_all(self, process: Process) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError):
            while True:
                await self._hear(*await self._frame(process))

    async def _hear(self, what: bytes, value: bytes) -> None:
        connection = self._connection
        match what:
            case b"s":
                self._status = gatt.read_status(value) or self._status
            case b"w" | b"g":
                self._answers.put_nowait(value)
            case b"n":
                self._told.put_nowait((value[0], value[1:]))
            case b"i" if connection is not None:
                self._spawn(self._indicate(connection, value), self._linked)
            case b"a":
                await self._advertise(value)
            case b"q":
                await self.device.stop_advertising()
            case b"h" if connection is not None:
                self._spawn(self._hang_up(connection), self._tasks)
            case b"v":
                self.said.append(("v", value))
                if connection is not None:
                    self._spawn(self._ask(connection, value), self._linked)
            case _:
                self.said.append((what.decode(), value))

    async def _advertise(self, value: bytes) -> None:
        (interval,), said = _U16.unpack(value[:2]), gatt.read_announcement(value[2:])
        assert said is not None
        if self._connection is None:
            if self.device.is_advertising:
                await self.device.stop_advertising()
            await advertise(self.device, said, interval * _ADVERTISING_MS, again=False)

    # ---- its link ----

    @property
    def _connection(self) -> Connection | None:
        return next(iter(self.device.connections.values()), None)

    def _connected(self, connection: Connection) -> None:
        def interval() -> bytes:
            return _U16.pack(round(connection.parameters.connection_interval / _INTERVAL_MS))

        self._told = asyncio.Queue()
        self._tell(b"C", interval())
        connection.on(Connection.EVENT_DISCONNECTION, self._disconnected)
        connection.on(
            Connection.EVENT_CONNECTION_ATT_MTU_UPDATE,
            lambda: self._tell(b"M", _U16.pack(connection.att_mtu)),
        )
        connection.on(
            Connection.EVENT_CONNECTION_PARAMETERS_UPDATE, lambda: self._tell(b"V", interval())
        )
        self._spawn(self._notify_all(connection), self._linked)

    def _disconnected(self, _reason: int) -> None:
        for task in self._linked:
            task.cancel()
        self._tell(b"D")

    def _subscriber(self, number: int) -> Any:  # noqa: ANN401
        def subscribed(_: Connection, notify: bool, indicate: bool) -> None:
            self._tell(b"S", bytes([number, notify or indicate]))

        return subscribed

    async def _asked(self, _: Connection, value: bytes) -> None:
        await self._write(b"W", value)

    async def _asked_log(self, _: Connection, value: bytes) -> None:
        await self._write(b"L", value)

    async def _log_state(self) -> bytes:
        return await self._answered(b"G")

    async def _write(self, what: bytes, value: bytes) -> None:
        (error,) = await self._answered(what, value)
        if error:
            raise ATT_Error(ErrorCode(error))

    async def _answered(self, what: bytes, value: bytes = b"") -> bytes:
        """Tell the process something that it answers; one at a time, in order."""
        async with self._asking:
            self._tell(what, value)
            try:
                async with asyncio.timeout(_ANSWER_LIMIT_S):
                    return await self._answers.get()
            except TimeoutError:
                raise ATT_Error(ErrorCode.UNLIKELY_ERROR) from None

    async def _notify_all(self, connection: Connection) -> None:
        while True:
            number, value = await self._told.get()
            if number == _DATA:
                self.sent.append(value)
            said = value[0] if number == _BATTERY else value
            await self.device.notify_subscriber(connection, self._told_on[number], said)
            await connection.drain()
            self._tell(b"N")

    async def _indicate(self, connection: Connection, value: bytes) -> None:
        with contextlib.suppress(TimeoutError):
            await self.device.indicate_subscriber(connection, self._offer.point, value)
        self._tell(b"I")

    async def _ask(self, connection: Connection, value: bytes) -> None:
        least, most, latency, timeout = _ASK.unpack(value)
        try:
            await connection.update_parameters(
                *(least * _INTERVAL_MS, most * _INTERVAL_MS, latency, timeout * _TIMEOUT_MS),
                use_l2cap=True,
            )
        except BaseBumbleError:
            self._tell(b"R")

    async def _hang_up(self, connection: Connection) -> None:
        with contextlib.suppress(BaseBumbleError):
            await connection.disconnect()

    def _spawn(self, work: Coroutine[Any, Any, None], where: set[asyncio.Task[None]]) -> None:
        task = asyncio.create_task(work)
        where.add(task)
        task.add_done_callback(where.discard)


async def usual_companion(air: Air, steps: GaitSource, began_s: float, speed: float) -> Companion:
    """Return the companion as it is beside the usual pair, not started; built if need be.

    Raises
    ------
    BluetoothError
        It cannot be built; says why.
    """
    program = await asyncio.to_thread(companion_program)
    settings = DeviceSettings(Foot.LEFT, SERIAL, drift_ppm=20.0, clock_us=23_000_000, speed=speed)
    return Companion(settings, air, steps, began_s, program)
