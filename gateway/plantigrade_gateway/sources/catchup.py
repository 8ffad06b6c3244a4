"""Brings what one insole sampled out of reach, from its log, behind the live stream."""

import asyncio
import contextlib
from collections.abc import Callable, Iterable
from dataclasses import replace

from plantigrade_gateway.errors import BluetoothError, WireError
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.sources.logreader import LogReader
from plantigrade_gateway.wire.codec import MessageKind, message_kind, read_header
from plantigrade_gateway.wire.coverage import Coverage, Hole
from plantigrade_gateway.wire.log import read_page

LOOKS_EVERY_S = 0.25
AGAIN_S = 5.0
"""After a request that failed on a link that holds (ours)."""
TOLD_S = 0.5
"""Shorter stretches, as single lost packets, are filled without a word (ours)."""
TALKS_EVERY_S = 30.0
"""Between two stretches that are told of (ours); what came meanwhile is told with the next, or when
the link ends. An insole whose clock jumps makes a hole as often as it likes."""
_TRIES = 2


class CatchUp:
    """What one insole's log owes, over its links.

    Parameters
    ----------
    number : int
        The insole's in the record.
    emit : callable
        Given each page that brings something, as an entry.
    now_ns : callable
        A monotonic clock, ns.

    Attributes
    ----------
    coverage : Coverage
    late_s : float
        What came late so far, s.
    lost_s : float
        What the log did not have, s.
    spoilt : int
        Pages that could not be read.
    on_owed : callable
        Given pages for an ended session: its id, the insole's number, the pages, and whether the
        log was asked for all of it.
    """

    def __init__(
        self, number: int, emit: Callable[[Entry], None], now_ns: Callable[[], int]
    ) -> None:
        self.coverage = Coverage()
        self.late_s = self.lost_s = 0.0
        self.spoilt = 0
        self.on_owed: Callable[[str, int, list[bytes], bool], None] = _nobody
        self._pages: dict[str, list[bytes]] = {}
        self._owners: set[str] = set()
        self._told = (0.0, 0.0)  # of `late_s` and `lost_s`
        self._told_ns: int | None = None
        self._number = number
        self._emit = emit
        self._now_ns = now_ns

    @property
    def missing_s(self) -> float:
        """What is still to come, s; of a reset out of reach nobody knows how much."""
        return self.coverage.missing_us / 1e6

    def packet(self, data: bytes, now_ns: int) -> None:
        """Take a notification of the stream."""
        try:
            if message_kind(data, 0, len(data)) is MessageKind.DATA:
                self.coverage.packet(read_header(data, 0, len(data)), now_ns)
        except WireError:
            return

    async def run(self, log: LogReader, over: asyncio.Event, tell: Callable[[str], None]) -> None:
        """Read the log as long as the link holds.

        Parameters
        ----------
        log : LogReader
        over : asyncio.Event
            Set when the link ends.
        tell : callable
            Told what people should know.
        """
        failed = False
        try:
            while not over.is_set():
                hole, pause_s = self.coverage.next(self._now_ns()), LOOKS_EVERY_S
                if hole is not None:
                    try:
                        # One that gives nothing is told of once, not at each try.
                        await self._fill(log, hole, tell, talks=not failed and self._may_talk())
                        failed, pause_s = False, 0.0
                    except BluetoothError as error:
                        if over.is_set():
                            return
                        tell(str(error))
                        failed, pause_s = True, AGAIN_S
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(pause_s):
                        await over.wait()
        finally:
            self._tell_brought(tell)

    async def _fill(
        self, log: LogReader, hole: Hole, tell: Callable[[str], None], talks: bool
    ) -> None:
        spoilt = self.spoilt
        hole.asked += 1
        asked = replace(hole)
        if talks and hole.missing_us > 1e6 * TOLD_S:
            tell(f"catching up {hole.missing_us / 1e6:.0f} s from its log")
        try:
            await log.read(hole, self._take)
            if self.spoilt == spoilt or asked.asked >= _TRIES:
                self.lost_s += self.coverage.drop(asked) / 1e6
        finally:
            self._give_on()
        if talks:
            self._tell_brought(tell)

    def _may_talk(self) -> bool:
        told_ns = self._told_ns
        return told_ns is None or self._now_ns() - told_ns >= 1e9 * TALKS_EVERY_S

    def _tell_brought(self, tell: Callable[[str], None]) -> None:
        """Tell what came late, and what the log did not have, since that was told last."""
        late_s, lost_s = self.late_s - self._told[0], self.lost_s - self._told[1]
        if late_s > TOLD_S or lost_s > TOLD_S:
            missing = f"; {lost_s:.1f} s are not in its log" if lost_s > TOLD_S else ""
            tell(f"{late_s:.1f} s came late, from its log{missing}")
            self._told, self._told_ns = (self.late_s, self.lost_s), self._now_ns()

    def _take(self, data: bytes) -> bool:
        """Take a page; return whether it brings anything: else it is left out."""
        try:
            page = read_page(data)
        except WireError:
            self.spoilt += 1
            return False
        brought = self.coverage.page(page)
        for owner, brought_us in brought.items():
            self.late_s += brought_us / 1e6
            if owner:
                self._pages.setdefault(owner, []).append(data)
            else:
                self._emit(Entry(self._now_ns(), self._number, Kind.LOG, data))
        return bool(brought)

    def owe(self, holes: Iterable[Hole]) -> None:
        """Take what ended sessions lack."""
        self.coverage.owe(holes)
        self._owners.update(hole.owner for hole in self.coverage.holes if hole.owner)

    def hand_over(self, owner: str) -> None:
        """Let what is missing now be an ended session's."""
        self.coverage.hand_over(owner)
        self.owe(())

    def _give_on(self) -> None:
        """Give the pages of ended sessions to who keeps them."""
        for owner in list(self._owners):
            pages = self._pages.pop(owner, [])
            is_last = all(hole.owner != owner for hole in self.coverage.holes)
            if is_last:
                self._owners.discard(owner)
            if pages or is_last:
                self.on_owed(owner, self._number, pages, is_last)


def _nobody(owner: str, number: int, pages: list[bytes], is_last: bool) -> None:
    """Take pages that nobody keeps."""
