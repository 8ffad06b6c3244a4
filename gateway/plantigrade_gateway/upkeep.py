"""What must not end unnoticed: a fault is logged, said, and the work begun again after a while."""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable

from plantigrade.errors import shown

FIRST_S, MOST_S = 1.0, 60.0
"""How long the first pause is, and the longest (ours)."""

_log = logging.getLogger(__name__)


class Backoff:
    """Pauses before something is begun again: doubled each time, and short again once it lasted.

    Parameters
    ----------
    first_s, most_s : float
        The first pause and the longest, s; what lasted as long as the longest begins anew.
    clock : callable
        Monotonic time, s.
    """

    def __init__(
        self,
        first_s: float = FIRST_S,
        most_s: float = MOST_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._first_s, self._most_s = first_s, most_s
        self._clock = clock
        self._next_s = first_s
        self._began_s = clock()

    def begin(self) -> None:
        """Note that it begins now."""
        self._began_s = self._clock()

    def end(self) -> float:
        """Note that it has ended; return how long to leave it alone, s."""
        if self._clock() - self._began_s >= self._most_s:
            self._next_s = self._first_s
        pause_s, self._next_s = self._next_s, min(2.0 * self._next_s, self._most_s)
        return pause_s


def fault(error: BaseException) -> str:
    """Return what is said of an error that nobody expected."""
    return shown(f"{type(error).__name__}: {error}" if str(error) else repr(error), quoted=False)


async def sleep_until(seconds: float, stop: asyncio.Event) -> None:
    """Sleep so long, or until it is to stop."""
    try:
        await asyncio.wait_for(stop.wait(), seconds)
    except TimeoutError:
        return


async def kept_up(
    work: Callable[[], Awaitable[None]],
    what: str,
    say: Callable[[str], None] | None = None,
    backoff: Backoff | None = None,
) -> None:
    """Do work until it returns or is cancelled; begin it again whenever it fails.

    Parameters
    ----------
    work : callable
    what : str
        Begins the sentence.
    say : callable, optional
        Told each fault in a sentence; it is logged in any case.
    backoff : Backoff, optional
    """
    backoff = backoff or Backoff()
    while True:
        backoff.begin()
        try:
            await work()
            return
        except Exception as error:  # whatever it is, the rest goes on
            _log.exception("%s", what)
            if say is not None:
                say(f"{what}: has failed ({fault(error)}) and is begun again.")
            await asyncio.sleep(backoff.end())
