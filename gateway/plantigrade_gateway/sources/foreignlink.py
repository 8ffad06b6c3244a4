"""A link to an insole with other firmware, which a plug-in (`firmware.py`) knows."""

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any

from plantigrade.block import Foot
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.sources.bluetooth import Link, Sighting
from plantigrade_gateway.sources.plugin import Firmware
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.codec import encode_data


class ForeignLink:
    """A link to an insole with other firmware; use `insolelink.open_insole`."""

    def __init__(self, link: Link, sighting: Sighting, firmware: Firmware) -> None:
        self.battery_percent = sighting.announcement.battery_percent
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
