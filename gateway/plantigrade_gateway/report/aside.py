"""Standard output that never holds up, and never ends, what prints to it.

A terminal that was stopped, a pipe that nobody reads and a log on a full disk would else do so to
what records.
"""

import logging
import os
import sys
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Condition, Thread
from typing import TextIO, cast

from rich.console import Console

from plantigrade_gateway.report.console import console

MOST_HELD = 1_000_000
"""Characters that wait to be written; what comes on top of them is left out."""
GIVE_UP_S = 10.0
"""At the end, after so long without anything being taken."""
_LEFT_OUT = "… What was said meanwhile is left out.\n"
_log = logging.getLogger(__name__)


class Aside:
    """A text file whose writes are done, in order, by a thread of its own.

    Parameters
    ----------
    to : TextIO
        With a file descriptor; nobody else writes there until `close`.
    """

    def __init__(self, to: TextIO) -> None:
        to.flush()
        self._fd = to.fileno()
        self._is_terminal = to.isatty()
        self.encoding = to.encoding
        self._waiting: deque[str] = deque()
        self._held = self._written = 0
        self._leaves_out = self._is_closing = self._failed = False
        self._changed = Condition()
        self._thread = Thread(target=self._put_all, name="console", daemon=True)
        self._thread.start()

    def write(self, text: str) -> int:
        """Have a text written, if there is room for it."""
        with self._changed:
            if self._held + len(text) > MOST_HELD:
                self._leaves_out = True
            elif not self._failed:
                self._waiting.append(text)
                self._held += len(text)
                self._changed.notify_all()
        return len(text)

    def flush(self) -> None:
        """Do nothing: all is written as soon as it can be."""

    def isatty(self) -> bool:
        """Return whether it is a terminal."""
        return self._is_terminal

    def fileno(self) -> int:
        """Return the descriptor."""
        return self._fd

    def close(self) -> None:
        """Wait until all is written, or nothing is taken any more."""
        with self._changed:
            self._is_closing = True
            self._changed.notify_all()
        before = -1
        while self._thread.is_alive() and before != self._written:
            before = self._written
            self._thread.join(GIVE_UP_S)

    def _put_all(self) -> None:
        while (text := self._next()) is not None:
            try:
                self._put(text.encode(self.encoding, "replace"))
            except OSError as error:
                _log.warning("standard output takes nothing any more: %s", error.strerror)
                with self._changed:
                    self._failed = True
                    self._waiting.clear()
                return

    def _next(self) -> str | None:
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._is_closing)
            if not self._waiting:
                return None
            text = self._waiting.popleft()
            self._held -= len(text)
            if self._leaves_out and not self._waiting:
                self._leaves_out = False
                text += _LEFT_OUT
            return text

    def _put(self, data: bytes) -> None:
        while data:
            count = os.write(self._fd, data)
            self._written += count
            data = data[count:]


@contextmanager
def console_aside() -> Iterator[Console]:
    """Give the console of what must go on whatever becomes of standard output."""
    out = console()
    try:
        aside = Aside(sys.stdout)
    except (OSError, ValueError, AttributeError):  # it is closed, or no file of this system
        yield out
        return
    out.file = cast(TextIO, aside)
    try:
        yield out
    finally:
        aside.close()
