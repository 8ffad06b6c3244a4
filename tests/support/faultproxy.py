"""Between a client and an HTTP server: hangs, is slow, cuts, or refuses what passes."""

import asyncio
import contextlib
from types import TracebackType
from typing import Self

from tests.support.servers import free_port

_REFUSED = b"HTTP/1.1 400 Bad Request\r\nContent-Length: 7\r\nConnection: close\r\n\r\nrefused"


class FaultProxy:
    """Passes bytes on to a port of this machine, as `mode` says.

    Attributes
    ----------
    mode : str
        ``"well"``, ``"hang"`` (nothing passes), ``"slow"``, ``"cut"`` (connections end), or
        ``"400"`` (every request is refused).
    to : int
        The port that new connections lead to.
    """

    def __init__(self, to: int) -> None:
        self.mode = "well"
        self.port = free_port()
        self.to = to
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        await self.listen()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.refuse()

    async def listen(self) -> None:
        """Take connections, after `refuse` at the same port."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)

    async def refuse(self) -> None:
        """End all connections, and let the system refuse others."""
        assert self._server is not None
        self._server.close()
        await self.drop()

    async def drop(self) -> None:
        """End all connections."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        with contextlib.suppress(OSError, asyncio.CancelledError):  # cancelled at the end only
            up_reader, up_writer = await asyncio.open_connection("127.0.0.1", self.to)
            there = asyncio.create_task(self._pass(reader, up_writer, writer))
            back = asyncio.create_task(self._pass(up_reader, writer, None))
            try:
                await asyncio.wait({there, back}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for one in (there, back):
                    one.cancel()
                await asyncio.gather(there, back, return_exceptions=True)
                up_writer.close()
        writer.close()

    async def _pass(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        refuse: asyncio.StreamWriter | None,
    ) -> None:
        while data := await reader.read(1 << 16):
            while self.mode == "hang":
                await asyncio.sleep(0.05)
            if self.mode == "slow":
                await asyncio.sleep(0.5)
            if self.mode == "cut":
                return
            if self.mode == "400" and refuse is not None:
                refuse.write(_REFUSED)
                await refuse.drain()
                return
            writer.write(data)
            await writer.drain()
