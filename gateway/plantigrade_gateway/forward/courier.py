"""One sink's way through the outbox, and the loop that takes it: send, wait, begin again.

What a sink has acknowledged may still be lost when it is killed a moment later. It is held for a
while, and is there for good only when the sink is seen alive, unrestarted, after that (`settle`).
"""

import asyncio
import logging
import random
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.sinks import LOADS, display_name
from plantigrade_gateway.store.enqueue import Item
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.upkeep import fault, sleep_until

LOOK_EVERY_S = 0.1
"""How long the outbox is left alone when nothing is in it."""
FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 30.0
"""Back-off of a sink that is away: doubled from one to the other, with chance in it (ours)."""
STRIKES = 3
"""A row is set aside when it alone was refused so often while others were taken (ours)."""

_log = logging.getLogger(__name__)


class SinkUnavailable(Exception):
    """The sink takes nothing now; its text is one line for the user.

    Attributes
    ----------
    after_s : float or None
        When the sink asks to be left alone so long.
    """

    def __init__(self, text: str, after_s: float | None = None) -> None:
        super().__init__(text)
        self.after_s = after_s


class ItemRejected(Exception):
    """The sink is there, and would not take just these items."""


class Sink(Protocol):
    """What a courier brings to."""

    async def open(self) -> None:
        """Get ready to send; raises `SinkUnavailable`."""

    async def close(self) -> None:
        """Close the connection; `open` may be called again."""

    async def restarted(self) -> bool | None:
        """Return whether it was restarted since `open`; None where that cannot be seen just now.

        Raises
        ------
        SinkUnavailable
            It does not answer.
        """

    async def send(self, items: list[Item]) -> None:
        """Return when all are acknowledged; raises `SinkUnavailable` or `ItemRejected`."""

    async def is_accepting(self) -> bool:
        """Return whether it takes a point that is known to be good; raises `SinkUnavailable`."""


class Courier:
    """Brings what is in the outbox to one sink, in order.

    Parameters
    ----------
    outbox : Outbox
    sink : str
        Its name in the outbox.
    hold_s : float
        How long acknowledged rows are held.
    at_once : int
        Rows in one piece.
    now_s : callable
        A monotonic clock, s.

    Attributes
    ----------
    resent : int
        Rows sent again since the sink had restarted or the link broke.
    acknowledged : int
        Rows, counted each time.
    problem : str or None
        Why it is away.
    """

    NOT_YET = "not connected yet"

    def __init__(
        self,
        outbox: Outbox,
        sink: str,
        hold_s: float,
        at_once: int,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.sink = sink
        self.resent = 0
        self.acknowledged = 0
        self.problem: str | None = self.NOT_YET
        self._outbox = outbox
        self._hold_s = hold_s
        self._at_once = at_once
        self._now_s = now_s
        self._at = outbox.place(sink)
        self._held: deque[tuple[int, int, float]] = deque()  # last seq, rows, when acknowledged

    @property
    def held(self) -> int:
        """Rows that are acknowledged and held."""
        return sum(rows for _, rows, _ in self._held)

    def next(self) -> list[Item]:
        """Return what is to be sent now."""
        return self._outbox.waiting(self.sink, self._at, self._at_once)

    def oldest(self) -> int | None:
        """Return when the first that is not acknowledged happened, ms since 1970."""
        first = self._outbox.waiting(self.sink, self._at, 1)
        return first[0].time_ms if first else None

    def took(self, items: list[Item]) -> None:
        """Note that the sink has acknowledged the items `next` returned."""
        self._at = items[-1].seq
        self._held.append((items[-1].seq, len(items), self._now_s()))
        self.acknowledged += len(items)

    def settle(self) -> None:
        """Note that the sink is seen alive now, and was not restarted."""
        until, upto, rows = self._now_s() - self._hold_s, 0, 0
        while self._held and self._held[0][2] <= until:
            seq, n, _ = self._held.popleft()
            upto, rows = seq, rows + n
        if rows:
            self._outbox.done(self.sink, upto, rows)
            while self._outbox.clear():
                pass

    def begin_again(self) -> None:
        """Begin again after what is there for good: the rest may be lost."""
        self.resent += self.held
        self._held.clear()
        self._at = self._outbox.place(self.sink)

    async def run(self, sink: Sink, stop: asyncio.Event) -> None:
        """Bring everything there is, as it comes, until told to stop."""
        wait_s = FIRST_WAIT_S
        while not stop.is_set():
            try:
                await sink.open()
                await self._bring(sink, stop)
                wait_s = FIRST_WAIT_S
            except StoreError as error:
                _log.error("%s", str(error), extra={"sink": self.sink})
                self.problem = str(error)
                self.begin_again()
                await sleep_until(FIRST_WAIT_S, stop)
            except SinkUnavailable as away:
                if self.problem != str(away):
                    _log.warning("%s", str(away), extra={"sink": self.sink})
                if self.problem is None:
                    wait_s = FIRST_WAIT_S
                self.problem = str(away)
                self.begin_again()
                await sink.close()
                pause = max(away.after_s or 0.0, wait_s * random.uniform(0.5, 1.0))
                await sleep_until(pause, stop)
                wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)
            except Exception as error:  # a fault of one sink's must not end the others
                _log.exception("sending", extra={"sink": self.sink})
                self.problem = f"{display_name(self.sink)}: sending has failed ({fault(error)})"
                self.begin_again()
                with suppress(Exception):
                    await sink.close()
                await sleep_until(wait_s, stop)
                wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)
        await sink.close()

    async def _bring(self, sink: Sink, stop: asyncio.Event) -> None:
        while not stop.is_set():
            seen = await sink.restarted()
            if seen:
                _log.info(
                    "was restarted; sending again what it may have lost", extra={"sink": self.sink}
                )
                self.begin_again()
            elif seen is not None:
                self.settle()
            items = self.next()
            if not items:
                self.problem = None
                await sleep_until(LOOK_EVERY_S, stop)
                continue
            await self._send(sink, items)
            self.problem = None  # not before: it may be there, and take nothing
            self.took(items)

    async def _send(self, sink: Sink, items: list[Item]) -> None:
        """Send; what is refused is narrowed down to the rows that are."""
        try:
            await sink.send(items)
        except ItemRejected as refused:
            if len(items) > 1:
                middle = len(items) // 2
                await self._send(sink, items[:middle])
                await self._send(sink, items[middle:])
            else:
                await self._judge(sink, items[0], refused)

    async def _judge(self, sink: Sink, item: Item, refused: ItemRejected) -> None:
        """Set a refused row aside, once it is sure that it is the row and not the sink."""
        for strike in range(1, STRIKES + 1):
            if not await sink.is_accepting():
                raise SinkUnavailable(f"{display_name(self.sink)}: takes nothing now ({refused})")
            if strike == STRIKES:
                break
            await asyncio.sleep(0.1 * strike)
            try:
                await sink.send([item])
                return
            except ItemRejected as again:
                refused = again
        _log.error("a %s is set aside: %s", item.kind, str(refused), extra={"sink": self.sink})
        if item.kind == LOADS:
            self._outbox.count_dropped(self.sink, 1)
        else:
            self._outbox.add_dead_letter(self.sink, item, str(refused))
