"""The web process: serves the pages for one gateway, and ends with it.

The gateway starts it (`page.py`). Its standard input brings the gateway's messages, a JSON object
a line, and ends when the gateway does, however that ends; its standard output takes commands back.
"""

import asyncio
import json
import socket
import sys
import threading
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import uvicorn

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.pauses import short_collections
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.door.access import Access, BindPolicy
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.door.origin import own_names
from plantigrade_gateway.web.door.pace import Listening, Paced
from plantigrade_gateway.web.live.audience import Audience
from plantigrade_gateway.web.live.page import Start

_STOP_LIMIT_S = 2


def _write(message: dict[str, Any]) -> None:
    try:
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()
    except (OSError, ValueError):
        return  # the gateway has ended; so does this, by its standard input


def _read(loop: asyncio.AbstractEventLoop, take: Callable[[str], None], end: asyncio.Event) -> None:
    """Hand the gateway's messages to the event loop (a thread of its own)."""
    with suppress(RuntimeError):  # the event loop has ended
        try:
            for line in sys.stdin:
                loop.call_soon_threadsafe(take, line)
        finally:
            loop.call_soon_threadsafe(end.set)


def listen(host: str, port: str) -> socket.socket:
    """Return the listening socket.

    Of a port "usual:N", any free one where another program has it.

    Raises
    ------
    OSError
        The address cannot be listened at.
    """
    number = port.removeprefix("usual:")
    try:
        return socket.create_server((host, int(number)))
    except OSError:
        if number == port:
            raise
        return socket.create_server((host, 0))


async def serve(listening: socket.socket, database: Database, start: Start) -> None:
    """Serve until standard input ends."""
    audience = Audience(_write if start.has_gateway else None)
    opening = BindPolicy(start.lan, start.cert is not None, (*own_names(), *start.names))
    access = Access(database, opening, pair=start.pair)
    config = uvicorn.Config(
        Guard(create_app(audience, database.path, access), access),
        http=Paced,
        log_level="warning",  # and no access log: the addresses of players' links are secret
        access_log=False,
        server_header=False,
        proxy_headers=False,  # who asks is who is connected
        ssl_certfile=start.cert,
        ssl_keyfile=start.key,
        timeout_graceful_shutdown=_STOP_LIMIT_S,
        ws_max_size=65536,
        ws_per_message_deflate=False,  # a picture is a kilobyte, ten viewers would cost a core
    )
    server = uvicorn.Server(config)
    port = listening.getsockname()[1]
    end = asyncio.Event()
    reader = threading.Thread(
        target=_read,
        args=(asyncio.get_running_loop(), audience.take, end),
        daemon=True,
        name="gateway",
    )
    async with asyncio.TaskGroup() as group:
        serving = group.create_task(server.serve([Listening(listening)]), name="server")
        while not server.started and not serving.done():
            await asyncio.sleep(0.01)  # uvicorn tells no other way
        _write({"type": "ready", "port": port})
        reader.start()
        ending = group.create_task(end.wait(), name="gateway's end")
        with short_collections():
            # A server that has ended serves nobody: the gateway then starts another.
            await asyncio.wait({serving, ending}, return_when=asyncio.FIRST_COMPLETED)
        server.should_exit = True
        ending.cancel()


def _opened(path: Path, lan: bool) -> Database:
    """Open the store, which keeps sign-ins; for reading alone where it must be and nobody does."""
    try:
        return Database(path, create=True)
    except StoreError:
        if lan:
            raise
        return Database(path, create=False, read_only=True)


def main() -> None:
    """Read what to do from the command line, a `Start` in JSON."""
    start = Start(**json.loads(sys.argv[1]))
    try:
        listening = listen(start.host, start.port)
    except OSError as error:
        # create_server adds the address once more
        reason = str(error.strerror).partition(" (while ")[0]
        text = (
            f"pages: {start.host}, port {start.port}: cannot be used ({reason}); "
            "choose another with --port"
        )
        _write({"type": "failed", "text": text})
        return
    try:
        database = _opened(Path(start.store), start.lan)
    except StoreError as error:
        _write({"type": "failed", "text": str(error)})
        return
    with closing(database):
        asyncio.run(serve(listening, database, start))


if __name__ == "__main__":
    main()
