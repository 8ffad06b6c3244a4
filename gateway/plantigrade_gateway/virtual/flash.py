"""A virtual insole's log: a flash chip as it behaves, and the ring of pages in it.

The rules are those of `hardware_notes/wire_format.md` §8. No Bluetooth in here, no clock. An erase
takes no time here and is not begun ahead: up to `SECTOR_PAGES` more pages are kept than are sure.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError
from plantigrade_gateway.wire.codec import VERSION
from plantigrade_gateway.wire.log import (
    BOOTS,
    FLASH_PAGE_BYTES,
    HEAD_BYTES,
    SECTOR_PAGES,
    LogPage,
    LogRequest,
    LogState,
    page_frames,
    read_page,
)
from plantigrade_gateway.wire.messages import SampleFormat, frame_bytes

CHIP_PAGES = 32_768
"""Of 64 Mbit."""
_ERASED = b"\xff" * FLASH_PAGE_BYTES


class Flash:
    """A NOR flash chip: an erase sets a sector's bits, programming only clears them.

    Parameters
    ----------
    pages : int
        A multiple of `SECTOR_PAGES`.

    Attributes
    ----------
    erases : ndarray of int64
        How often each sector was erased.
    """

    def __init__(self, pages: int = CHIP_PAGES) -> None:
        self.pages = pages
        self.erases = np.zeros(pages // SECTOR_PAGES, dtype=np.int64)
        self._slots = [_ERASED] * pages

    def erase(self, sector: int) -> None:
        """Erase a sector."""
        first = sector * SECTOR_PAGES
        self._slots[first : first + SECTOR_PAGES] = [_ERASED] * SECTOR_PAGES
        self.erases[sector] += 1

    def program(self, slot: int, data: bytes) -> None:
        """Program a page from its beginning."""
        before = self._slots[slot]
        if before is _ERASED:
            self._slots[slot] = data + _ERASED[len(data) :]
            return
        both = bytes(a & b for a, b in zip(before, data, strict=False))
        self._slots[slot] = both + before[len(data) :]

    def read(self, slot: int) -> bytes:
        """Return a page's bytes."""
        return self._slots[slot]

    def is_erased(self, slot: int) -> bool:
        """Whether nothing is programmed in a page."""
        return self._slots[slot] == _ERASED


class FlashLog:
    """The log in a flash chip.

    Parameters
    ----------
    flash : Flash
    foot : Foot
    sample_format : SampleFormat

    Attributes
    ----------
    boot : int
        Of now.
    logging : bool
    next : int
        Number of the page that comes next.
    resumes : int or None
        After a reset, the sample period with which logging goes on by itself, µs; None: it does
        not.
    """

    def __init__(self, flash: Flash, foot: Foot, sample_format: SampleFormat) -> None:
        self.flash = flash
        self.boot: int
        self.logging: bool
        self.resumes: int | None
        self._foot = foot
        self._format = sample_format
        self.next: int
        self._filling: list[NDArray[np.uint16]]  # rows of the page under way
        self._begun: LogPage | None  # its head, without rows
        self._frames: int  # in it
        self._sample: int
        self._end_us: int | None  # where the next frame is due
        self._is_first: bool
        self._heads: dict[int, _Head | None]  # of pages by number, as read; None: not held
        self.power_on()

    def power_on(self) -> None:
        """Begin after a reset: all that is known is in the flash."""
        self._heads = {}
        newest = self._newest()
        self._filling, self._begun, self._frames = [], None, 0
        self._sample, self._end_us, self._is_first = 0, None, True
        self.logging = False
        self.boot, self.next, self.resumes = 1, 0, None
        if newest is None:
            return
        self.boot = newest.boot % BOOTS + 1
        self.next = newest.page + 1
        self.resumes = None if newest.last else newest.period_us
        while self.next % SECTOR_PAGES and not self.flash.is_erased(self._slot(self.next)):
            self.next += 1

    def cut_power(self, torn_bytes: int | None = None) -> None:
        """Lose what is not in the flash, and begin again.

        Parameters
        ----------
        torn_bytes : int or None
            The page under way was being programmed, and so many bytes of it were.
        """
        if torn_bytes is not None and self._begun is not None:
            self._write(self._page(last=False).encode()[:torn_bytes])
        self.power_on()

    def take(
        self, clock_us: int, period_us: int, counts: NDArray[np.uint16], *, last: bool = False
    ) -> None:
        """Log consecutive frames, the first at a long clock; `last`: logging ends with them."""
        at = 0
        while at < len(counts):
            zones = counts.shape[1]
            if self._begun is not None and (
                clock_us != self._end_us or period_us != self._begun.period_us
            ):
                self._close()
            if self._begun is None:
                self._begin(clock_us, period_us, zones)
            room = page_frames(zones, self._format) - self._frames
            rows = counts[at : at + room]
            self._filling.append(rows)
            self._frames += len(rows)
            at += len(rows)
            clock_us += len(rows) * period_us
            self._end_us = clock_us
            if self._frames == page_frames(zones, self._format):
                self._close(last and at == len(counts))
        self.logging = True
        if last:
            self.stop()

    @property
    def is_filling(self) -> bool:
        """Whether the page under way has a frame."""
        return self._begun is not None

    def stop(self) -> None:
        """End logging on purpose; the page under way has a frame, unless nothing was logged."""
        if self._begun is not None:
            self._close(last=True)
        self.logging = False

    def state(self, clock_us: int) -> LogState:
        """Return what is read."""
        return LogState(
            self.logging, self.boot, clock_us, self._oldest(), self.next, self.flash.pages
        )

    def pages(self, request: LogRequest) -> Iterator[bytes | None]:
        """Return the pages that are asked for, oldest first; None for each torn slot among them."""
        sent, torn = 0, 0
        for number in self._kept() if request.from_us < request.to_us else ():
            head = self._head(number)
            if head is None:
                torn += not self.flash.is_erased(self._slot(number))
                continue
            boot, clock_us, last_us, length = head
            if boot == request.boot and request.from_us <= last_us and clock_us < request.to_us:
                yield from [None] * torn
                yield self.flash.read(self._slot(number))[:length]
                sent += 1
                if request.pages and sent >= request.pages:
                    return
            torn = 0

    # ---- the ring ----

    def _slot(self, number: int) -> int:
        return number % self.flash.pages

    def _kept(self) -> range:
        """Return the numbers whose slots have not been written anew, if they were written."""
        sector = -(-self.next // SECTOR_PAGES) * SECTOR_PAGES  # what is ahead in it is erased
        return range(max(0, sector - self.flash.pages), self.next)

    def _head(self, number: int) -> "_Head | None":
        """Return a page's boot, first and last long clock and length, where its slot holds it."""
        if number not in self._heads:
            page = self._in_slot(self._slot(number))
            held = page is not None and page.page == number
            self._heads[number] = _head_of(page) if page is not None and held else None
        return self._heads[number]

    def _in_slot(self, slot: int) -> LogPage | None:
        data = self.flash.read(slot)
        if data[0] != VERSION:
            return None
        size = HEAD_BYTES + data[23] * _frame_bytes(data)
        try:
            page = read_page(data[:size])
        except WireError:
            return None
        return page if self._slot(page.page) == slot else None

    def _newest(self) -> LogPage | None:
        newest = None
        for sector in range(self.flash.pages // SECTOR_PAGES):
            first = sector * SECTOR_PAGES
            held = (self._in_slot(slot) for slot in range(first, first + SECTOR_PAGES))
            page = next((page for page in held if page is not None), None)
            if page is not None and (newest is None or page.page > newest.page):
                newest = page
        if newest is None:
            return None
        first = self._slot(newest.page) // SECTOR_PAGES * SECTOR_PAGES
        pages = [self._in_slot(slot) for slot in range(first, first + SECTOR_PAGES)]
        return max((page for page in pages if page is not None), key=lambda page: page.page)

    def _oldest(self) -> int:
        return next((n for n in self._kept() if self._head(n) is not None), self.next)

    def _begin(self, clock_us: int, period_us: int, zones: int) -> None:
        dropped = False
        if self._end_us is not None and clock_us > self._end_us:
            self._sample += round((clock_us - self._end_us) / period_us)
            dropped = clock_us - self._end_us > period_us // 2
        self._begun = LogPage(
            *(self._foot, self._format, self._is_first, dropped, False),
            *(self.next, self.boot, clock_us, self._sample, period_us),
            counts=np.empty((0, zones), dtype=np.uint16),
        )

    def _page(self, last: bool) -> LogPage:
        assert self._begun is not None
        return replace(self._begun, counts=np.concatenate(self._filling), last=last)

    def _close(self, last: bool = False) -> None:
        self._write(self._page(last).encode())
        self._sample += self._frames
        self._filling, self._begun, self._frames = [], None, 0
        self._is_first = False

    def _write(self, data: bytes) -> None:
        slot = self._slot(self.next)
        if slot % SECTOR_PAGES == 0:
            self.flash.erase(slot // SECTOR_PAGES)
        self.flash.program(slot, data)
        self._heads.pop(self.next - self.flash.pages, None)
        self.next += 1


def _frame_bytes(data: bytes) -> int:
    return frame_bytes(data[22], SampleFormat.U16 if data[2] >> 1 == 0 else SampleFormat.PACKED12)


_Head = tuple[int, int, int, int]


def _head_of(page: LogPage) -> _Head:
    frames, zones = page.counts.shape
    length = HEAD_BYTES + frames * frame_bytes(zones, page.sample_format)
    return page.boot, page.clock_us, page.end_us - page.period_us, length
