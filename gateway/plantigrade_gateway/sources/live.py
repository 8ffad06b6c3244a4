"""Both insoles over Bluetooth as one source of record entries: found, streamed, found again.

Takes the known insoles and a radio, gives entries in order of arrival. `reconnect` says when to
look again, `inbox` holds entries until they are asked for.
"""

import asyncio
import contextlib
import json
import logging
import random
import time
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from plantigrade.block import Foot
from plantigrade.limits import Limits
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.record.entries import INSOLE_OF, Batch, Entry, Kind, exchange_data
from plantigrade_gateway.sources.bluetooth import Radio
from plantigrade_gateway.sources.catchup import CatchUp
from plantigrade_gateway.sources.finder import Finder
from plantigrade_gateway.sources.flow import Flow, IntervalMeter
from plantigrade_gateway.sources.inbox import Inbox
from plantigrade_gateway.sources.link import ANSWER_LIMIT_S, Streaming, open_insole
from plantigrade_gateway.sources.logreader import LogReader
from plantigrade_gateway.sources.reconnect import ConnectionState, LinkInfo
from plantigrade_gateway.sources.sharing import SharedRadio
from plantigrade_gateway.sources.source import STOP_LIMIT_S
from plantigrade_gateway.sources.trouble import RadioError
from plantigrade_gateway.upkeep import kept_up
from plantigrade_gateway.wire.coverage import Hole
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.information import PLAIN, version_text

SEARCH_S = 10.0
"""One search; an insole advertises at least every 0.42 s (`gatt_profile.md` §2), so that this long
a silence means it is not there (ours)."""

_log = logging.getLogger(__name__)

FIRST_EXCHANGES_S = (0.15, 0.35)
EXCHANGES_S = (1.0, 2.0)
"""Between two time exchanges, at random so that some meet a connection event without waiting: of
the first twenty, and later (ours, by `tests/plantigrade/test_exchange.py`)."""
SILENT_S = 3.0
"""A link that carries no data for so long is asked to stream again, then given up (ours)."""
TOLD_WAIT_S = 6.0
"""So long an insole waits for the other one to be connected, as on slow hosts, before it says so
(ours)."""


Met = Callable[[KnownInsole, int, int | None], str | None]


@dataclass(frozen=True, slots=True)
class StreamConfig:
    """How the insoles shall stream.

    Attributes
    ----------
    period_us : int or None
        Sample period; None: the insole's own.
    frames : int
        Frames per packet: 2 for live work (`gatt_profile.md` §6).
    """

    period_us: int | None = None
    frames: int = 2


class LiveSource:
    """Keeps insoles connected while it is open, and gives what they send (a `Source`).

    Parameters
    ----------
    insoles : iterable of KnownInsole
        At most one of each foot.
    radio : Radio
    tell : callable
        Told, one sentence each, what people should know: an insole comes, goes, is not found.
    wish : StreamConfig, optional
    now_ns : callable
        A monotonic clock, ns.
    name : str, optional
        What its sessions are called.
    inbox : Inbox, optional
    met : callable, optional
        Told each insole that was connected to, its firmware and its kind of hardware; returns what
        is said of the firmware.
    shared : SharedRadio, optional
        How the adapter is shared with other programs.

    Attributes
    ----------
    links : dict of Foot to LinkInfo
    bridged_s : float
        Missing samples up to this long are bridged; a packet that holds more is told of.
    """

    is_live = True

    def __init__(
        self,
        insoles: Iterable[KnownInsole],
        radio: Radio,
        tell: Callable[[str], None],
        wish: StreamConfig | None = None,
        now_ns: Callable[[], int] = time.monotonic_ns,
        name: str = "insoles",
        inbox: Inbox | None = None,
        met: Met | None = None,
        shared: SharedRadio | None = None,
    ) -> None:
        self._shared = shared
        self._met = met
        self.name = name
        self.bridged_s = Limits().bridge_s
        self.links = {insole.foot: LinkInfo(insole) for insole in insoles}
        self._inbox = inbox or Inbox()
        self._emit = self._inbox.put
        self._listening: asyncio.Task[None] | None = None
        self._is_stopping = False
        self._radio = radio
        self._tell = tell
        self._wish = wish or StreamConfig()
        self._now_ns = now_ns
        self._finder = Finder(radio, self._streams, shared)
        self._connecting = asyncio.Lock()  # hosts allow one connection attempt at a time
        self._connected_to: LinkInfo | None = None  # whose attempt it is
        self._said: dict[Foot, str] = {}
        self._firmware: dict[Foot, int] = {}
        self._owed = {
            foot: CatchUp(INSOLE_OF[foot], self._emit, self._now_ns) for foot in self.links
        }

    async def __aenter__(self) -> Self:
        self._listening = asyncio.create_task(self._run(), name="insoles")
        self._listening.add_done_callback(lambda _: self._inbox.close())
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()

    async def __aiter__(self) -> AsyncIterator[Batch]:
        """Give what has come, as soon as it comes."""
        while (entries := await self._inbox.take()) is not None:
            yield Batch.of(entries)
        task = self._listening
        if task is not None and task.done() and not task.cancelled():
            task.result()  # what ended it unasked

    async def stop(self) -> None:
        """End the links in good order; a link that does not end in `STOP_LIMIT_S` is left."""
        if self._listening is not None:
            if not self._is_stopping:
                self._is_stopping = True
                self._listening.cancel()
            await asyncio.wait([self._listening], timeout=STOP_LIMIT_S)
        self._inbox.close()

    def give_owed_to(self, on_owed: Callable[[str, int, list[bytes], bool], None]) -> None:
        """Take who is given what comes late for ended sessions (`CatchUp`)."""
        for catch_up in self._owed.values():
            catch_up.on_owed = on_owed

    def owe(self, owed: Mapping[Foot, Iterable[Hole]]) -> None:
        """Take what ended sessions lack."""
        for foot, catch_up in self._owed.items():
            catch_up.owe(owed.get(foot, ()))

    def hand_over(self, session_id: str) -> None:
        """Let what is missing now be that of a session which has ended."""
        for catch_up in self._owed.values():
            catch_up.hand_over(session_id)

    async def _run(self) -> None:
        """Keep the insoles connected until cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                for foot, link in self.links.items():
                    group.create_task(self._keep(link), name=f"{foot} insole")
        finally:
            for link in self.links.values():
                link.reconnection.stop()
            await self._finder.close()

    def _streams(self) -> bool:
        return any(link.state is ConnectionState.STREAMING for link in self.links.values())

    @contextlib.asynccontextmanager
    async def _alone(self, info: LinkInfo) -> AsyncIterator[None]:
        """Hold what an adapter cannot do twice: make a connection, and scan beside that.

        One that takes the link and answers nothing holds it for as long as a slow one may need:
        people are told whom the other waits for.
        """
        loop = asyncio.get_running_loop()
        telling = loop.call_later(TOLD_WAIT_S, self._tell_wait, info)
        try:
            await self._connecting.acquire()
        finally:
            telling.cancel()
        try:
            self._connected_to = info
            async with self._finder.paused():
                yield
        finally:
            self._connected_to = None
            self._connecting.release()

    def _tell_wait(self, info: LinkInfo) -> None:
        if (other := self._connected_to) is not None:
            self._say(
                info,
                f"{info.insole.label}: waits for the {other.insole.foot} one, which is found and "
                "does not answer yet; one is connected at a time",
            )

    async def _keep(self, info: LinkInfo) -> None:
        loop = asyncio.get_running_loop()
        while True:
            _end_if_cancelled()
            try:
                await self._hold(info)
            except RadioError as error:
                self._say(info, f"Bluetooth: {error}")
            except BluetoothError as error:
                self._say(info, f"{error}; trying again")
            except Exception as error:  # one insole's fault must not end the other's recording
                _log.exception("%s insole", info.insole.foot)
                self._say(info, f"{info.insole.label}: {error!r}; trying again")
            await asyncio.sleep(info.reconnection.fail(loop.time()))

    async def _hold(self, info: LinkInfo) -> None:
        """One try: find it, connect, and stay until the link ends."""
        info.reconnection.search()
        sighting = await self._finder.find(info.insole, SEARCH_S)
        if sighting is None:
            self._say(
                info,
                f"{info.insole.label}: not found; is it charged, near, and free of another host? "
                "Looking on",
            )
            return
        info.reconnection.connect()
        info.rssi = sighting.rssi
        number = INSOLE_OF[info.insole.foot]
        up = False

        def gone() -> None:
            if up:
                self._emit(Entry(self._now_ns(), number, Kind.DISCONNECTED, b""))

        link = await open_insole(
            *(sighting, self._radio, gone, self._now_ns, lambda: self._alone(info)),
            bonded=info.insole.bonded,
            label=info.insole.label,
        )
        try:
            self._check(info.insole, link)
            info.battery_percent = link.battery_percent
            info.has_log = link.log is not None
            await self._note_firmware(info, link)
            if link.gone.is_set():
                raise BluetoothError(f"{info.insole.label}: the link was lost at once")
            about = json.dumps({**link.about(), "rssi_dbm": sighting.rssi}).encode()
            self._emit(Entry(self._now_ns(), number, Kind.CONNECTED, about))
            up = True
            await self._stream(info, link, number)
        finally:
            await link.close()
        self._say(info, f"{info.insole.label}: the link is lost; looking for it")

    async def _note_firmware(self, info: LinkInfo, link: Streaming) -> None:
        """Note an insole's firmware; where it changed, have its services read anew."""
        foot, firmware = info.insole.foot, link.firmware
        if firmware is None:
            return
        before = self._firmware.get(foot, info.insole.firmware)
        self._firmware[foot] = firmware
        if self._met is not None:
            kind = None if link.information is None else link.information.hardware
            info.firmware = self._met(info.insole, firmware, kind)
        if before is not None and before != firmware and not info.insole.bonded:
            await link.forget_services()
            raise BluetoothError(
                f"{info.insole.label}: runs firmware {version_text(firmware)} now "
                f"({version_text(before)} before); its services are read anew"
            )

    def _check(self, insole: KnownInsole, link: Streaming) -> None:
        """Refuse a device that is not the insole it announces, or not as it was paired."""
        serial, foot = link.who
        if (serial, foot) != (insole.serial, insole.foot):
            raise BluetoothError(
                f"{insole.label}: a device announces itself as this insole but says it is the "
                f"{foot} insole {serial:08X}; it is left alone"
            )
        now = link.information or PLAIN
        if not now.same_measure(insole.information or PLAIN):
            raise BluetoothError(
                f"{insole.label}: says another layout or full scale ({now.zones} zones, {now.bits} "
                "bits) than when it was paired, and is left alone; run plantigrade pair"
            )

    async def _stream(self, info: LinkInfo, link: Streaming, number: int) -> None:
        loop = asyncio.get_running_loop()
        zones = (info.insole.information or PLAIN).zones
        flow = Flow(loop.time(), info.insole.foot, zones)
        meter = IntervalMeter()
        info.interval_ms = None
        owed = self._owed[info.insole.foot]
        if link.log is not None:
            owed.coverage.connected(link.log.state, link.log.read_ns)

        def on_data(data: bytes) -> None:
            now_ns = self._now_ns()
            self._emit(Entry(now_ns, number, Kind.NOTIFICATION, data))
            info.last_ns = now_ns
            flow.note(data, loop.time())
            meter.data(now_ns)
            if link.log is not None:
                owed.packet(data, now_ns)

        await link.start(on_data, self._wish.period_us, self._wish.frames)
        flow.expect(link.packet_s)
        info.reconnection.stream(loop.time())
        level = "" if link.battery_percent is None else f", battery {link.battery_percent} %"
        self._say(info, f"{info.insole.label}: connected ({info.rssi} dBm{level})")
        if link.packet_s is not None and link.packet_s > self.bridged_s:
            self._say(
                info,
                f"{info.insole.label}: one packet holds {1e3 * link.packet_s:.0f} ms, and only "
                f"{1e3 * self.bridged_s:.0f} ms are bridged: one that is lost may cost a swing; "
                "ask for fewer samples a packet (--frames)",
            )
        over = asyncio.Event()
        clocks = kept_up(
            lambda: self._exchange(link, number, over, meter),
            f"{info.insole.label}: time exchange",
            lambda text: self._say(info, text),
        )
        beside = [asyncio.create_task(clocks, name="time exchange")]
        if link.log is not None:
            beside.append(asyncio.create_task(self._catch_up(info, link.log, over), name="log"))
        try:
            async with self._shared.streaming() if self._shared else contextlib.nullcontext():
                await self._watch(info, link, flow, meter)
        finally:
            over.set()  # a request under way is not cut off: hosts do not take that well
            await asyncio.wait(beside[:1], timeout=2.0 * ANSWER_LIMIT_S)
            for task in beside:
                task.cancel()

    async def _catch_up(self, info: LinkInfo, log: LogReader, over: asyncio.Event) -> None:
        """Read what is missing from an insole's log, behind the stream."""
        label, owed = info.insole.label, self._owed[info.insole.foot]

        def tell(text: str) -> None:
            self._say(info, text if text.startswith(label) else f"{label}: {text}")

        await kept_up(lambda: owed.run(log, over, tell), f"{label}: log", tell)

    async def _exchange(
        self, link: Streaming, number: int, over: asyncio.Event, meter: IntervalMeter
    ) -> None:
        """Exchange times at random moments, often at first (`wire_format.md` §4, time)."""
        count = 0
        while True:
            with contextlib.suppress(TimeoutError):
                pause_s = random.uniform(*(FIRST_EXCHANGES_S if count < 20 else EXCHANGES_S))
                async with asyncio.timeout(pause_s):
                    await over.wait()
            if over.is_set() or link.gone.is_set():
                return
            try:
                exchange = await link.clock()
            except BluetoothError:
                continue  # a lost answer costs nothing; a lost link is seen by others
            if exchange is None:
                return
            meter.answer(exchange[1])
            data = exchange_data(*exchange)
            self._emit(Entry(self._now_ns(), number, Kind.EXCHANGE, data))
            count += 1

    async def _watch(
        self, info: LinkInfo, link: Streaming, flow: Flow, meter: IntervalMeter
    ) -> None:
        """Stay until the link ends; ask an insole that sends no data, then give it up.

        What a machine that stood still has not taken yet looks like silence: none is given up that
        was not asked before. One that sends far more than it was asked for, of whatever kind, is
        given up at once: the record, the disk and the other insole would pay for it.
        """
        asked_again = False
        while not link.gone.is_set():
            _end_if_cancelled()
            link.check()
            silent_s = flow.silent_s(asyncio.get_running_loop().time())
            flow.note_strays(link.strays)
            flood = flow.flood(self._now_ns() / 1e9)
            if flood is not None:
                raise BluetoothError(f"{info.insole.label}: {flood}; the link is given up")
            asked_again = asked_again and silent_s >= SILENT_S
            if asked_again and silent_s >= 2.0 * SILENT_S:
                raise BluetoothError(f"{info.insole.label}: {flow.silence}; the link is given up")
            if silent_s >= SILENT_S and not asked_again:
                asked_again = True
                self._say(info, f"{info.insole.label}: {flow.silence}; asking it to stream again")
                await link.stream()
            info.battery_percent = link.battery_percent
            info.dropped = link.status.dropped if link.status else 0
            info.interval_ms = meter.interval_ms()
            owed = self._owed[info.insole.foot]
            info.catching_up_s, info.late_s = owed.missing_s, owed.late_s
            info.not_logged_s = owed.lost_s
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(SILENT_S / 3.0):
                    await link.gone.wait()

    def _say(self, info: LinkInfo, text: str) -> None:
        """Tell people, each thing once until something else is told of the insole."""
        if self._said.get(info.insole.foot) != text:
            self._said[info.insole.foot] = text
            self._tell(text)


def _end_if_cancelled() -> None:
    """Take up a cancellation that was lost.

    `asyncio.wait_for` of Python 3.11, which libraries wait for answers with, loses one that comes
    together with the answer; the gateway would then never stop.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
