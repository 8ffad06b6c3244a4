"""One pair's program among several: what it is told by the one above it, and what it tells that.

Its orders come as one JSON argument; then lines of JSON on its standard input, whose end is the end
of the program above, and so of this one. What is of the moment goes up through a pipe that is never
waited for.
"""

import asyncio
import json
import logging
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from plantigrade_gateway.web.live.page import PORT

_log = logging.getLogger(__name__)
Message = dict[str, Any]


@dataclass(frozen=True, slots=True)
class PartOrder:
    """What a pair's program is told, as JSON.

    Attributes
    ----------
    usual_port : int
        Of its live page, unless another program has it.
    place : int or None
        Its insoles are virtual: their place in the simulation behind its radio.
    silent : str or None
        Why it may not have the sound device, a sentence.
    live_fd : int or None
        The pipe for what is of the moment; None: nobody is to be told.
    """

    usual_port: int = PORT
    place: int | None = None
    silent: str | None = None
    live_fd: int | None = None


class Part:
    """A pair's program, towards the one above it.

    Parameters
    ----------
    order : PartOrder

    Attributes
    ----------
    obey : callable
        Told, from another thread, what came from afar for this pair.
    dropped : int
        Messages that found the pipe full.
    """

    def __init__(self, order: PartOrder) -> None:
        self.order = order
        self.obey: Callable[[Message], None] = lambda _: None
        self.dropped = 0
        if order.live_fd is not None:
            os.set_blocking(order.live_fd, False)

    def tell(self, message: Message) -> None:
        """Tell of the moment; return at once."""
        fd = self.order.live_fd
        assert fd is not None
        data = (json.dumps(message) + "\n").encode()
        try:
            # A pipe takes a line of up to PIPE_BUF bytes whole or not at all.
            if len(data) > 4096 or os.write(fd, data) < len(data):
                self.dropped += 1
        except OSError:  # full, or the program above has ended
            self.dropped += 1

    @contextmanager
    def listening(self, stop: asyncio.Event) -> Iterator[None]:
        """Obey what comes on standard input for the length of a block; its end sets `stop`."""
        loop = asyncio.get_running_loop()

        def listen() -> None:
            for line in sys.stdin:
                try:
                    self.obey(json.loads(line))
                except Exception:  # one message that cannot be taken ends nothing
                    _log.exception("message of the program above")
            with suppress(RuntimeError):  # the event loop has ended
                loop.call_soon_threadsafe(stop.set)

        threading.Thread(target=listen, name="above", daemon=True).start()
        yield
