"""How long a connection may take over a request or an answer, before it is closed; and how many.

uvicorn waits for ever for a request that is not whole; a few hundred of them would hold every
connection there is, and the coach's page with them. It also takes connections until the process has
no descriptor left for its own files.
"""

import asyncio
import socket
from collections import defaultdict
from contextlib import suppress
from functools import cache
from ipaddress import ip_address
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


class Listening(socket.socket):
    """A listening socket whose connections are so many at most, and not all of one address's.

    They are counted where they are accepted, so that those that never finish their TLS handshake
    are among them. Where there are as many as there may be, the newest of the address that has
    most goes for a new one of another.
    """

    def __init__(self, listening: socket.socket) -> None:
        super().__init__(
            listening.family, listening.type, listening.proto, fileno=listening.detach()
        )
        self._held = 0
        self._of: defaultdict[str, dict[_Taken, None]] = defaultdict(dict)

    def accept(self) -> tuple[socket.socket, Any]:
        """Take a connection; raises `ConnectionAbortedError` where there are too many."""
        came, address = super().accept()
        whose = _whose(address)
        if self._held >= most_connections() and not self._has_made_room(whose):
            came.close()
            raise ConnectionAbortedError
        taken = _Taken(self, whose, came)
        self._of[whose][taken] = None
        self._held += 1
        return taken, address

    def left(self, taken: "_Taken") -> None:
        """Note that a connection is closed."""
        self._held -= 1
        self._of[taken.whose].pop(taken, None)
        if not self._of[taken.whose]:
            del self._of[taken.whose]

    def _has_made_room(self, whose: str) -> bool:
        """End one of the address that has most, unless that is this one."""
        most = max(self._of.values(), key=len, default={})
        mine = self._of.get(whose, {})
        # What is ended holds its descriptor a moment longer.
        if len(most) <= len(mine) + 1 or self._held >= most_connections() + SPARE // 4:
            return False
        last, _ = most.popitem()
        last.end()
        return True


class _Taken(socket.socket):
    """A connection that says when it is closed."""

    def __init__(self, listening: Listening, whose: str, came: socket.socket) -> None:
        super().__init__(came.family, came.type, came.proto, fileno=came.detach())
        self.whose = whose
        self._listening: Listening | None = listening

    def end(self) -> None:
        """End it: who reads from it sees its end, and closes it."""
        with suppress(OSError):
            self.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Close it."""
        super().close()
        listening, self._listening = self._listening, None
        if listening is not None:
            listening.left(self)


def _whose(address: Any) -> str:  # noqa: ANN401 - of any family
    """Return what tells one side from another: an address, of IPv6 its network of 64 bits."""
    host = ip_address(str(address[0]).partition("%")[0])
    if host.version == 4:
        return str(host)
    return str(host.ipv4_mapped or int(host) >> 64)


class Paced(H11Protocol):
    """uvicorn's connection, which is closed when the other side is too slow."""

    def __init__(self, *arguments: Any, **more: Any) -> None:  # noqa: ANN401 - uvicorn's own
        super().__init__(*arguments, **more)
        self._head: asyncio.TimerHandle | None = None
        self._take: asyncio.TimerHandle | None = None
        self._is_socket = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin; the first request is awaited from now on."""
        super().connection_made(transport)
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
