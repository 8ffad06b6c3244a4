"""When something was said: a hybrid logical clock (Kulkarni and others 2014, OPODIS).

A stamp holds 48 bits of UTC in ms and 16 of a counter: later changes of one place have higher
stamps even when the wall clock is set back, and what is said after another change was seen comes
after it.
"""

import threading
import time
from collections.abc import Callable

DAY = 86_400_000 << 16
"""A stamp so far ahead of the wall clock is absurd: it is not followed (design §10)."""


def now_ms() -> int:
    """Return UTC now, ms since 1970."""
    return time.time_ns() // 1_000_000


class HybridClock:
    """Gives stamps that never fall.

    Parameters
    ----------
    last : int
        The highest stamp that is known: a restart with a clock that was set back goes on from it.
    wall_ms : callable
        UTC, ms.
    """

    def __init__(self, last: int = 0, wall_ms: Callable[[], int] = now_ms) -> None:
        self.wall_ms = wall_ms
        self._last = 0
        self._lock = threading.Lock()
        self.see(last)

    def tick(self) -> int:
        """Return the stamp of something that is said now."""
        with self._lock:
            self._last = max(self.wall_ms() << 16, self._last + 1)
            return self._last

    def see(self, stamp: int) -> None:
        """Take note of another's stamp: what is said from now on comes after it."""
        with self._lock:
            if stamp <= self.limit():
                self._last = max(self._last, stamp)

    def limit(self) -> int:
        """Return the highest stamp that is not absurd now."""
        return (self.wall_ms() << 16) + DAY
