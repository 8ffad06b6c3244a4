"""Reads an insole's log over its link (`hardware_notes/gatt_profile.md` §11)."""

import asyncio
import logging
from collections.abc import Callable

from plantigrade_gateway.errors import BluetoothError, WireError
from plantigrade_gateway.sources.bluetooth import Connection
from plantigrade_gateway.wire import gatt
from plantigrade_gateway.wire.coverage import Hole
from plantigrade_gateway.wire.log import (
    LONG_CLOCK,
    LogEnd,
    LogRequest,
    LogState,
    is_end,
    read_end,
    read_state,
)
from plantigrade_gateway.wire.messages import AckStatus

SILENT_S = 10.0
"""A request that brings nothing for so long is lost (`gatt_profile.md` §11)."""

_log = logging.getLogger(__name__)


class LogReader:
    """The log of a connected insole; use `open`.

    Attributes
    ----------
    state : LogState
        As read when it was connected to.
    read_ns : int
        When that was, by the host's monotonic clock, ns.
    strays : int
        Notifications so far that were no part of what was asked for.
    """

    def __init__(self, link: Connection, state: LogState, read_ns: int) -> None:
        self.state = state
        self.read_ns = read_ns
        self._link = link
        self.strays = 0
        self._token = 0
        self._listens = False
        self._pages = 0  # of the request under way
        self._on_page: Callable[[bytes], bool] | None = None
        self._end: LogEnd | None = None
        self._came = asyncio.Event()

    @classmethod
    async def open(cls, link: Connection, now_ns: Callable[[], int]) -> "LogReader | None":
        """Read the log's state; None where the insole has no log, or none that can be read.

        Raises
        ------
        BluetoothError
            The link is lost.
        """
        if not link.has(gatt.LOG):
            return None
        data = await link.read(gatt.LOG)
        try:
            return cls(link, read_state(data), now_ns())
        except WireError as error:
            _log.warning("%s: its log cannot be read: %s", link.label, error)
            return None

    @property
    def said(self) -> dict[str, int]:
        """What a record keeps of it, as JSON values."""
        return {"boot": self.state.boot, "clock_us": self.state.clock_us, "read_ns": self.read_ns}

    async def read(self, hole: Hole, on_page: Callable[[bytes], bool]) -> LogEnd:
        """Ask for what is missing; give each page to `on_page`, whatever its bytes.

        `on_page` says whether it brought anything.

        Raises
        ------
        BluetoothError
            The link is lost, the insole refuses, nothing comes any more, or more pages come than
            its log has room for.
        """
        if not self._listens:
            await self._link.subscribe(gatt.LOG, self._told)
            self._listens = True
        self._token = (self._token + 1) & 0xFF
        to_us = min(hole.to_us, LONG_CLOCK - 1)
        request = LogRequest(self._token, hole.boot, hole.from_us, to_us)
        self._on_page, self._end, self._pages = on_page, None, 0
        try:
            await self._link.write(gatt.LOG, request.encode())
            while self._end is None:
                if self._pages > self.state.pages:
                    raise BluetoothError(
                        f"{self._link.label}: sends more than the {self.state.pages} pages that "
                        "its log has room for"
                    )
                self._came.clear()
                await self._wait()
        finally:
            self._on_page = None
        if self._end.status is not AckStatus.DONE:
            said = self._end.status.name.lower().replace("_", " ")
            raise BluetoothError(f"{self._link.label}: does not give its log ({said})")
        return self._end

    async def _wait(self) -> None:
        """Wait for a page or the end."""
        lost = asyncio.create_task(self._link.gone.wait(), name="link lost")
        came = asyncio.create_task(self._came.wait(), name="log page")
        try:
            done, _ = await asyncio.wait(
                (lost, came), timeout=SILENT_S, return_when=asyncio.FIRST_COMPLETED
            )
        finally:
            lost.cancel()
            came.cancel()
        if self._link.gone.is_set():
            raise BluetoothError(f"{self._link.label}: the link was lost")
        if not done:
            raise BluetoothError(f"{self._link.label}: its log falls silent")

    def _told(self, data: bytearray) -> None:
        if not self._is_of_use(bytes(data)):
            self.strays += 1

    def _is_of_use(self, told: bytes) -> bool:
        """Take a notification; return whether it is a part of what was asked for."""
        if self._on_page is None:
            return False
        if not is_end(told):
            self._pages += 1
            self._came.set()
            return self._pages <= self.state.pages and self._on_page(told)
        try:
            end = read_end(told)
        except WireError as error:
            _log.debug("%s: end of its log not readable: %s", self._link.label, error)
            return False
        if end.token != self._token:
            return False
        self._end = end
        self._came.set()
        return True
