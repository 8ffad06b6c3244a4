"""What a virtual insole samples, into its log: with a link and without one (`wire_format.md` §8).

Samples without a link are made when they are asked for: nothing runs meanwhile. No Bluetooth here.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import WireError
from plantigrade_gateway.virtual.flash import Flash, FlashLog
from plantigrade_gateway.virtual.player import DeviceSettings
from plantigrade_gateway.wire.codec import VERSION
from plantigrade_gateway.wire.log import REQUEST, SECTOR_PAGES, LogEnd, LogRequest, read_request
from plantigrade_gateway.wire.messages import MAX_MESSAGE_BYTES, AckStatus

IntArray = NDArray[np.int64]
_PIECE_FRAMES = 8192
_TOKEN_BYTES = 3
_UNSURE_PAGES = 2 * SECTOR_PAGES
"""Of the sector that is filled, and of the one that is erased ahead (`wire_format.md` §8)."""


class LogKeeper:
    """Logs what an insole samples.

    Parameters
    ----------
    settings : DeviceSettings
    counts_at : callable
        Returns what the insole reads at its own times since the reset, µs.

    Attributes
    ----------
    log : FlashLog
    period_us : int
        Of what is sampled without a stream.
    sampled_us : int
        Own time up to which all was sampled.
    """

    def __init__(
        self, settings: DeviceSettings, counts_at: Callable[[IntArray], NDArray[np.uint16]]
    ) -> None:
        self.log = FlashLog(Flash(settings.log_pages), settings.foot, settings.sample_format)
        self.period_us = settings.period_us
        self.sampled_us = 0
        self._counts_at = counts_at
        self._zero_us = settings.clock_us  # the long clock at own time 0
        self._full_at: int | None = None  # the page number at which a lost link's logging ends

    def stream(self, own_us: IntArray, period_us: int, counts: NDArray[np.uint16]) -> None:
        """Log what a packet took."""
        self.period_us, self._full_at = period_us, None
        self.log.take(self._zero_us + int(own_us[0]), period_us, counts)
        self.sampled_us = int(own_us[-1]) + period_us

    def link_lost(self) -> None:
        """Go on without a link, as long as nothing sampled since is written over."""
        if self._full_at is None:
            self._full_at = self.log.next + self.log.flash.pages - _UNSURE_PAGES

    def sample(self, now_us: int) -> None:
        """Sample up to an own time, where the log is under way."""
        while self.log.logging and self.sampled_us <= now_us:
            frames = min((now_us - self.sampled_us) // self.period_us + 1, _PIECE_FRAMES)
            if self._full_at is not None:
                frames = min(frames, self._full_at - self.log.next)  # each fills a page at most
            self._take(frames)
            if self._full_at is not None and self.log.next >= self._full_at:
                self.stop()

    def _take(self, frames: int, *, last: bool = False) -> None:
        own_us = self.sampled_us + self.period_us * np.arange(frames)
        clock_us = self._zero_us + self.sampled_us
        self.log.take(clock_us, self.period_us, self._counts_at(own_us), last=last)
        self.sampled_us = int(own_us[-1]) + self.period_us

    def stop(self) -> None:
        """End logging on purpose."""
        if self.log.logging and not self.log.is_filling:
            self._take(1, last=True)
        else:
            self.log.stop()

    def reset(self, torn_bytes: int | None) -> None:
        """Lose power; what follows is sampled from own time 0 on, of a clock that begins again."""
        self.log.cut_power(torn_bytes)
        self.sampled_us = self._zero_us = 0
        self._full_at = None
        if self.log.resumes is not None:
            self.period_us, self.log.logging = self.log.resumes, True
            self.link_lost()

    def asked(self, data: bytes, fits: bool) -> LogRequest | LogEnd | None:
        """Return what a host wants by what it wrote, or what it is answered at once.

        Parameters
        ----------
        data : bytes
        fits : bool
            A page fits the link.
        """
        if not _TOKEN_BYTES <= len(data) <= MAX_MESSAGE_BYTES or data[0] != VERSION:
            return None
        token = data[2]
        if data[1] != REQUEST:
            return LogEnd(token, AckStatus.UNKNOWN_REQUEST)
        try:
            request = read_request(data)
        except WireError:
            return LogEnd(token, AckStatus.VALUE_NOT_POSSIBLE)
        return request if fits else LogEnd(token, AckStatus.NOT_NOW)
