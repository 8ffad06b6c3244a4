"""How long a connection may take over a request or an answer, before it is closed; and how many.

uvicorn waits for ever for a request that is not whole; a few hundred of them would hold every
connection there is, and the coach's page with them. It also takes connections until the process has
no descriptor left for its own files.
"""

import asyncio
from functools import cache
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
"""For a request's head, from the connection or its first byte on (ours)."""
TAKE_S = 30.0
"""For taking what already waits to be sent: some fifty kilobytes (ours)."""
MOST_CONNECTIONS = 4096
"""At a time; fewer where the system gives the process fewer descriptors (ours)."""
SPARE = 256
"""Descriptors for all else: files, the tables, other processes (ours)."""


@cache
def most_connections() -> int:
    """Return how many connections there may be, and have the system give descriptors for them."""
    try:
        import resource
    except ImportError:  # no POSIX: there are more than we take
        return MOST_CONNECTIONS
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_CONNECTIONS + SPARE
    limit = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    if soft != resource.RLIM_INFINITY and soft < limit:
        resource.setrlimit(resource.RLIMIT_NOFILE, (limit, hard))
        soft = limit
    if soft == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(1, min(MOST_CONNECTIONS, soft - SPARE))


class Paced(H11Protocol):
    """uvicorn's connection, which is closed when the other side is too slow."""

    def __init__(self, *arguments: Any, **more: Any) -> None:  # noqa: ANN401 - uvicorn's own
        super().__init__(*arguments, **more)
        self._head: asyncio.TimerHandle | None = None
        self._take: asyncio.TimerHandle | None = None
        self._is_socket = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin; the first request is awaited from now on. One too many is closed at once."""
        super().connection_made(transport)
        if len(self.connections) > most_connections():
            transport.abort()
            return
        self._await_head()

    def data_received(self, data: bytes) -> None:
        """Take data. Those that are no whole head do not put the end off."""
        super().data_received(data)
        waits = self.cycle is None or self.cycle.response_complete
        if waits and not self._is_socket:
            self._await_head()
        else:
            self._end_timers()

    def handle_websocket_upgrade(self, event: Any) -> None:  # noqa: ANN401 - h11's own
        """Hand over to the WebSocket, which has limits of its own."""
        self._is_socket = True
        super().handle_websocket_upgrade(event)

    def pause_writing(self) -> None:
        """Wait until what was sent is taken."""
        super().pause_writing()
        self._take = self.loop.call_later(TAKE_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Go on: it was taken."""
        super().resume_writing()
        if self._take is not None:
            self._take.cancel()
            self._take = None

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        self._end_timers()
        super().connection_lost(exc)

    def _await_head(self) -> None:
        if self._head is None:
            self._head = self.loop.call_later(HEAD_S, self.transport.abort)

    def _end_timers(self) -> None:
        for timer in (self._head, self._take):
            if timer is not None:
                timer.cancel()
        self._head = self._take = None
