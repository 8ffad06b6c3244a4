"""A link to one insole as the live source uses it: who it is, and its stream of data packets.

`InsoleLink` speaks our own profile (`hardware_notes/gatt_profile.md`); what a plug-in knows is
in `plugin.py`.
"""

import asyncio
import contextlib
import logging
import sys
import time
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, nullcontext
from typing import Any, Protocol

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration
from plantigrade_gateway.errors import BluetoothError, WireError
from plantigrade_gateway.sources.bluetooth import Connection, Radio, Sighting
from plantigrade_gateway.sources.logreader import LogReader
from plantigrade_gateway.sources.plugin import Firmware
from plantigrade_gateway.sources.trouble import StaleServices, mtu_advice
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import decode, encode, encode_data
from plantigrade_gateway.wire.information import (
    PLAIN,
    Information,
    read_curve,
    read_information,
    version_text,
)
from plantigrade_gateway.wire.messages import (
    HEADER_BYTES,
    Ack,
    AckStatus,
    Clock,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    Start,
    Stop,
    Time,
    frame_bytes,
)

ANSWER_LIMIT_S = 2.0
"""For an answer of the control point (`gatt_profile.md` §1)."""
CHARGING = "is on its charger and does not stream: take it off the charger before it is worn"

_log = logging.getLogger(__name__)


class Streaming(Protocol):
    """What the live source needs of a link.

    Attributes
    ----------
    battery_percent : int or None
        As told last.
    status : Status or None
        As told last.
    packet_s : float or None
        What one packet covers once it streams, s; None where that is not known.
    information : Information or None
        What it says of itself; None: it has no such block.
    log : LogReader or None
        None: it has no log.
    """

    battery_percent: int | None
    status: gatt.Status | None
    packet_s: float | None
    information: Information | None
    log: LogReader | None

    @property
    def gone(self) -> asyncio.Event:
        """Set once the link has ended."""

    @property
    def who(self) -> tuple[int, Foot]:
        """The serial number and foot that the insole answers with."""

    @property
    def firmware(self) -> int | None:
        """Its firmware, major × 256 + minor; None where a plug-in's says no number."""

    @property
    def strays(self) -> int:
        """How many notifications came so far that are neither data nor what was asked for."""

    def about(self) -> dict[str, Any]:
        """Return what it said of itself, as JSON values."""

    async def stored_curve(self) -> Calibration | None:
        """Return the curve that it stores; None where it has none."""

    async def start(
        self, on_data: Callable[[bytes], None], period_us: int | None, frames: int
    ) -> None:
        """Have it stream; each packet, in the wire format, is given to `on_data`."""

    async def stream(self) -> None:
        """Ask it to begin streaming again."""

    async def clock(self) -> tuple[int, int, int] | None:
        """Exchange times; None where it cannot: host send ns, host receive ns, insole µs."""

    def check(self) -> None:
        """Raise `BluetoothError` if something went wrong in a callback."""

    async def forget_services(self) -> None:
        """Have the system forget what services it has, and the connection with them."""

    async def close(self) -> None:
        """Stop streaming and end the link; whatever happens, it is over afterwards."""


async def open_insole(
    sighting: Sighting,
    radio: Radio,
    on_gone: Callable[[], None],
    now_ns: Callable[[], int] = time.monotonic_ns,
    alone: Callable[[], AbstractAsyncContextManager[object]] = nullcontext,
    bond: bool = False,
    bonded: bool = False,
    label: str | None = None,
) -> Streaming:
    """Connect to an insole that was heard, and find out who it is.

    Parameters
    ----------
    sighting : Sighting
    radio : Radio
    on_gone : callable
        Called once when the link ends.
    now_ns : callable
        A monotonic clock, ns.
    alone : callable
        Gives what is held while the connection is made, and no longer.
    bond : bool
        As `Connection.open`.
    bonded : bool
        It was bonded before. Then it tells changed services by itself, and what the system knows
        of it is not dropped: its keys would be too.
    label : str, optional
        What people know it by; else what was heard of it.

    Raises
    ------
    BluetoothError
        It cannot be connected to, does not speak its profile, or does not answer.
    """
    async with alone():
        link = await Connection.open(sighting, radio, on_gone, bond, label)
    try:
        if sighting.firmware is not None:
            return ForeignLink(link, sighting, sighting.firmware)
        insole = InsoleLink(link, sighting, now_ns)
        await insole.listen()
        return insole
    except StaleServices:
        if not bonded:
            await link.forget_services()
        await link.close()
        raise
    except BaseException:
        await link.close()
        raise


class InsoleLink:
    """A link to an insole of our own profile; use `open_insole`.

    Attributes
    ----------
    identity : Identity
        What it answered to *identify*.
    """

    def __init__(self, link: Connection, sighting: Sighting, now_ns: Callable[[], int]) -> None:
        self._now_ns = now_ns
        self.identity: Identity
        self.information: Information | None = None
        self.log: LogReader | None = None
        self.battery_percent = sighting.announcement.battery_percent
        self.packet_s: float | None = None
        self.status: gatt.Status | None = None
        self._link = link
        self._length_mm = sighting.announcement.length_mm
        self._asking = asyncio.Lock()
        self._answer: asyncio.Future[Message] | None = None
        self._token = self._asked = self._strays = 0
        self._sent_ns = self._answered_ns = 0

    @property
    def gone(self) -> asyncio.Event:
        """Set once the link has ended."""
        return self._link.gone

    @property
    def who(self) -> tuple[int, Foot]:
        """The serial number and foot that the insole answers with."""
        return self.identity.serial, self.identity.foot

    @property
    def firmware(self) -> int:
        """Its firmware, major × 256 + minor."""
        return self.identity.firmware

    @property
    def strays(self) -> int:
        """How many notifications came so far that are neither data nor what was asked for."""
        return self._strays + (0 if self.log is None else self.log.strays)

    def about(self) -> dict[str, Any]:
        """Return what it said of itself, as JSON values."""
        identity = self.identity
        return {
            "serial": f"{identity.serial:08X}",
            "foot": str(identity.foot),
            "firmware": version_text(identity.firmware),
            "length_mm": self._length_mm,
            "zones": identity.zones,
            "battery_percent": self.battery_percent,
            "value_bytes": self._link.value_bytes(gatt.CONTROL),
            **({} if self.log is None else {"log": self.log.said}),
        }

    async def listen(self) -> None:
        """Listen to the control point, status and battery, and ask who it is.

        Raises
        ------
        BluetoothError
            It does not speak the profile, or does not answer.
        """
        await self._link.subscribe(gatt.CONTROL, self._answered)
        await self._link.subscribe(gatt.STATUS, self._told_status)
        if self._link.has(gatt.BATTERY_LEVEL):
            await self._link.subscribe(gatt.BATTERY_LEVEL, self._told_battery)
            self._told_battery(await self._link.read(gatt.BATTERY_LEVEL))
        self._told_status(await self._link.read(gatt.STATUS))
        answer = await self._ask(Identify(self._next_token(), 0))
        if not isinstance(answer, Identity):
            raise BluetoothError(f"{self._link.label}: does not say who it is")
        self.identity = answer
        if self._link.has(gatt.INFORMATION):
            data = await self._link.read(gatt.INFORMATION)
            try:
                self.information = read_information(data)
            except WireError as error:
                raise self._unusable(str(error)) from error
        self.log = await LogReader.open(self._link, self._now_ns)
        told = self.information or PLAIN
        if answer.zones != told.zones:
            why = (
                "does not say where they lie; without that only the built-in eighteen can be taken"
                if self.information is None
                else f"says that it has {told.zones}"
            )
            raise self._unusable(f"it sends {answer.zones} zones and {why}")

    def _unusable(self, why: str) -> BluetoothError:
        return BluetoothError(f"{self._link.label}: cannot be used: {why}")

    async def stored_curve(self) -> Calibration | None:
        """Return the curve that it stores; None where it has none.

        Raises
        ------
        BluetoothError
            It says that it has one, and that cannot be used.
        """
        if self.information is None or not self.information.knots:
            return None
        if not self._link.has(gatt.CURVE):
            raise self._unusable("it says that it stores a curve, and offers none")
        data = await self._link.read(gatt.CURVE)
        try:
            return read_curve(data, self.information, self.identity.foot)
        except WireError as error:
            raise self._unusable(str(error)) from error

    async def start(
        self, on_data: Callable[[bytes], None], period_us: int | None, frames: int
    ) -> None:
        """Have it stream.

        Parameters
        ----------
        on_data : callable
            Given each notification, from the event loop; it must return at once.
        period_us : int or None
            Sample period; None: the insole's own.
        frames : int
            Frames per packet wanted; fewer are asked for where so many do not fit the link.

        Raises
        ------
        BluetoothError
            It refuses, or not even one frame fits the link.
        """
        size = frame_bytes(self.identity.zones, self.identity.sample_format)
        value_bytes = await self._link.value_bytes_agreed(gatt.CONTROL, HEADER_BYTES + size)
        fit = (value_bytes - HEADER_BYTES) // size
        if fit < 1:
            raise BluetoothError(
                f"{self._link.label}: the link carries only {value_bytes} bytes at a time, "
                f"expected at least {HEADER_BYTES + size}; {mtu_advice(sys.platform)}"
            )
        await self._link.subscribe(gatt.DATA, lambda data: on_data(bytes(data)))
        if period_us is not None:
            await self._order(Rate(self._next_token(), period_us))
        await self._order(Frames(self._next_token(), min(frames, fit)))
        self.packet_s = min(frames, fit) * (period_us or self.identity.period_us) / 1e6
        await self.stream()

    async def stream(self) -> None:
        """Ask it to begin streaming, again where it already does."""
        await self._order(Start(self._next_token()))

    async def clock(self) -> tuple[int, int, int] | None:
        """Exchange times: host send ns, host receive ns, insole µs; None where it cannot.

        Raises
        ------
        BluetoothError
            It does not answer.
        """
        answer = await self._ask(Time(self._next_token()))
        if not isinstance(answer, Clock):
            return None
        return self._sent_ns, self._answered_ns, answer.clock_us

    async def forget_services(self) -> None:
        """Have the system forget what services it has, and the connection with them."""
        await self._link.forget_services()

    def check(self) -> None:
        """Do nothing: its callbacks cannot fail."""

    async def close(self) -> None:
        """Stop streaming and end the link; whatever happens, it is over afterwards."""
        if self._link.is_up:
            with contextlib.suppress(BluetoothError):
                await self._order(Stop(self._next_token()))
        await self._link.close()

    # ---- the control point ----

    async def _order(self, request: Rate | Frames | Start | Stop) -> None:
        answer = await self._ask(request)
        if not isinstance(answer, Ack) or answer.status is not AckStatus.DONE:
            if isinstance(request, Start) and self.status is not None and self.status.charging:
                raise BluetoothError(f"{self._link.label}: {CHARGING}")
            said = answer.status.name.lower() if isinstance(answer, Ack) else "something else"
            raise BluetoothError(
                f"{self._link.label}: refuses {type(request).__name__.lower()} "
                f"({said.replace('_', ' ')})"
            )

    async def _ask(self, request: Identify | Rate | Frames | Start | Stop | Time) -> Message:
        async with self._asking:
            self._answer = asyncio.get_running_loop().create_future()
            self._asked = request.token
            lost = asyncio.create_task(self._link.gone.wait(), name="link lost")
            try:
                async with asyncio.timeout(ANSWER_LIMIT_S):
                    self._sent_ns = self._now_ns()
                    await self._link.write(gatt.CONTROL, encode(request))
                    await asyncio.wait((self._answer, lost), return_when=asyncio.FIRST_COMPLETED)
            except TimeoutError as error:
                raise BluetoothError(f"{self._link.label}: no answer") from error
            finally:
                answer, self._answer = self._answer, None
                lost.cancel()
            if not answer.done():
                raise BluetoothError(f"{self._link.label}: the link was lost")
            return answer.result()

    def _next_token(self) -> int:
        self._token = (self._token + 1) & 0xFF
        return self._token

    def _answered(self, data: bytearray) -> None:
        self._strays += 1
        try:
            message = decode(bytes(data))
        except WireError as error:
            _log.debug("%s: answer not readable: %s", self._link.label, error)
            return
        waits = self._answer is not None and not self._answer.done()
        if waits and getattr(message, "token", None) == self._asked:
            assert self._answer is not None
            self._answered_ns = self._now_ns()
            self._answer.set_result(message)
            self._strays -= 1

    def _told_status(self, data: bytes | bytearray) -> None:
        self._strays += 1
        told = gatt.read_status(bytes(data))
        if told is not None:
            self.status = told
            if told.battery_percent is not None:
                self.battery_percent = told.battery_percent

    def _told_battery(self, data: bytes | bytearray) -> None:
        self._strays += 1
        if len(data) == 1 and data[0] <= 100:
            self.battery_percent = data[0]


class ForeignLink:
    """A link to an insole with other firmware; use `open_insole`."""

    information: Information | None = None
    firmware: int | None = None
    log: LogReader | None = None
    strays = 0

    def __init__(self, link: Connection, sighting: Sighting, firmware: Firmware) -> None:
        self.battery_percent = sighting.announcement.battery_percent
        self.packet_s: float | None = None
        self.status: gatt.Status | None = None
        self._link = link
        self._said = sighting.announcement
        self._firmware = firmware
        self._fault: Exception | None = None

    @property
    def gone(self) -> asyncio.Event:
        """Set once the link has ended."""
        return self._link.gone

    @property
    def who(self) -> tuple[int, Foot]:
        """The serial number and foot that it announced."""
        return self._said.serial, self._said.foot

    def about(self) -> dict[str, Any]:
        """Return what it said of itself, as JSON values."""
        return {
            "serial": f"{self._said.serial:08X}",
            "foot": str(self._said.foot),
            "firmware": self._firmware.name,
            "length_mm": self._said.length_mm,
            "battery_percent": self.battery_percent,
        }

    async def stored_curve(self) -> None:
        """Do nothing: other firmware stores no curve of ours."""

    async def start(
        self, on_data: Callable[[bytes], None], period_us: int | None, frames: int
    ) -> None:
        """Have it stream at its own rate; what the plug-in makes of it is given to `on_data`."""
        read = self._firmware.decoder(self._said)

        def told(data: bytearray) -> None:
            if self._fault is not None:
                return
            try:
                for packet in read(bytes(data)):
                    on_data(encode_data(packet))
            except Exception as error:  # a stranger's code; told by `check`
                self._fault = error

        await self._link.subscribe(self._firmware.data, told)
        await self.stream()

    async def stream(self) -> None:
        """Ask it to begin streaming."""
        for uuid, data in self._firmware.begin():
            await self._link.write(uuid, data)

    async def clock(self) -> None:
        """Do nothing: other firmware has no time exchange."""

    async def forget_services(self) -> None:
        """Have the system forget what services it has, and the connection with them."""
        await self._link.forget_services()

    def check(self) -> None:
        """Raise `BluetoothError` if the plug-in failed on a notification."""
        if self._fault is not None:
            raise BluetoothError(
                f"{self._link.label}: the plug-in {self._firmware.name} failed: {self._fault!r}"
            ) from self._fault

    async def close(self) -> None:
        """Stop streaming and end the link."""
        if self._link.is_up:
            with contextlib.suppress(BluetoothError):
                for uuid, data in self._firmware.end():
                    await self._link.write(uuid, data)
        await self._link.close()
