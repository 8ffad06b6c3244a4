"""One scan, shared by all that look for an insole, and kept from disturbing the links there are.

An adapter that scans serves its links the less, and most cannot connect while they scan. So a scan
stops before a connection is made, and beside a link that streams it runs for a small share of the
time. It is begun anew now and then: one that an adapter dropped, switched off and on, never says
so.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable

from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.sources.bluetooth import Radio, Sighting, scanning
from plantigrade_gateway.sources.sharing import LOOK_S, SharedRadio
from plantigrade_gateway.wire.gatt import KnownInsole

LONGEST_SCAN_S = 10.0
"""A scan is begun anew after so long (ours)."""
BURST_S, REST_S = 1.0, 3.0
"""Beside a link that streams: so long on, so long off (ours). An insole that advertises every
417.5 ms (`gatt_profile.md` §2) is heard twice in a burst."""


class Finder:
    """Looks for insoles.

    Parameters
    ----------
    radio : Radio
    streams : callable
        Whether a link streams.
    shared : SharedRadio, optional
        Other programs that use the adapter are left alone by it.
    """

    def __init__(
        self, radio: Radio, streams: Callable[[], bool], shared: SharedRadio | None = None
    ) -> None:
        self._radio = radio
        self._streams = streams
        self._shared = shared
        self._listeners: dict[Callable[[Sighting], None], asyncio.Future[Sighting]] = {}
        self._limits: dict[asyncio.Timeout, float] = {}
        """With each how long it still ran when scanning paused, s."""
        self._work: asyncio.Task[None] | None = None
        self._changed = asyncio.Event()
        self._silent = asyncio.Event()
        self._silent.set()
        self._pauses = 0

    async def find(self, insole: KnownInsole, limit_s: float) -> Sighting | None:
        """Return the insole when it is heard; None when it is not.

        The limit does not run while scanning is `paused`.

        Raises
        ------
        BluetoothError
            Scanning cannot begin, or only another device with its serial number was heard.
        """
        heard: asyncio.Future[Sighting] = asyncio.get_running_loop().create_future()
        other: Sighting | None = None

        def listen(sighting: Sighting) -> None:
            nonlocal other
            if insole.is_heard(sighting.announcement, sighting.address):
                if not heard.done():
                    heard.set_result(sighting)
            elif sighting.announcement.serial == insole.serial:
                other = sighting

        self._listeners[listen] = heard
        self._begin()
        try:
            async with asyncio.timeout(limit_s) as limit:
                self._limits[limit] = limit_s
                if self._pauses:
                    limit.reschedule(None)
                return await heard
        except TimeoutError:
            if other is not None:
                raise BluetoothError(
                    f"{insole.label}: another device announces itself by its number "
                    f"({other.address}, {other.announcement.foot}) and is left alone; if it is "
                    "yours, run plantigrade pair"
                ) from None
            return None
        finally:
            self._limits.pop(limit, None)
            self._listeners.pop(listen, None)
            self._changed.set()

    @contextlib.asynccontextmanager
    async def paused(self) -> AsyncIterator[None]:
        """Have no scan run while the block does."""
        if not self._pauses:
            self._hold()
        self._pauses += 1
        self._changed.set()
        try:
            await self._silent.wait()
            async with self._shared.connecting() if self._shared else contextlib.nullcontext():
                yield
        finally:
            self._pauses -= 1
            self._changed.set()
            if not self._pauses:
                self._go_on()

    def _hold(self) -> None:
        """Stop the limits of all that look."""
        now_s = asyncio.get_running_loop().time()
        for limit in self._limits:
            when = limit.when()
            if when is not None and not limit.expired():
                self._limits[limit] = when - now_s
                limit.reschedule(None)

    def _go_on(self) -> None:
        """Let the limits run on from where they stopped."""
        now_s = asyncio.get_running_loop().time()
        for limit, left_s in self._limits.items():
            if not limit.expired():
                limit.reschedule(now_s + left_s)

    def _put_off(self, seconds: float) -> None:
        """Let all that look have so much longer."""
        for limit in self._limits:
            when = limit.when()
            if when is not None and not limit.expired():
                limit.reschedule(when + seconds)

    async def close(self) -> None:
        """End what runs."""
        if self._work is not None:
            self._work.cancel()
            await asyncio.wait([self._work])

    def _begin(self) -> None:
        self._changed.set()
        if self._work is None or self._work.done():
            self._work = asyncio.create_task(self._run(), name="scan")

    async def _run(self) -> None:
        """Scan while there are listeners."""
        while self._listeners:
            self._changed.clear()
            if self._pauses:
                await self._changed.wait()
                continue
            beside = self._is_beside()
            may = True
            try:
                with (
                    self._shared.scanning() if self._shared else contextlib.nullcontext(True) as may
                ):
                    if may:
                        self._silent.clear()
                        async with scanning(self._radio, self._heard):
                            await self._wait(BURST_S if beside else LONGEST_SCAN_S, beside)
            except BluetoothError as error:
                for heard in self._listeners.values():
                    if not heard.done():
                        heard.set_exception(error)
                return
            finally:
                self._silent.set()
            if not may:
                await asyncio.sleep(LOOK_S)
                self._put_off(LOOK_S)
            elif beside and self._listeners and not self._pauses:
                await self._wait(REST_S, beside)

    def _is_beside(self) -> bool:
        """Whether a link streams beside the scan, of this program or another."""
        return self._streams() or (self._shared is not None and self._shared.others_stream)

    async def _wait(self, seconds: float, beside: bool) -> None:
        """Wait, at most until there is no listener, or scanning shall pause or be briefer."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + seconds
        while self._listeners and not self._pauses and loop.time() < until_s:
            if self._shared is not None and (
                self._shared.others_connect or (not beside and self._shared.others_stream)
            ):
                return
            self._changed.clear()
            look_s = until_s if self._shared is None else min(until_s, loop.time() + LOOK_S)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout_at(look_s):
                    await self._changed.wait()

    def _heard(self, sighting: Sighting) -> None:
        for listener in tuple(self._listeners):
            listener(sighting)
