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
from pathlib import Path
from typing import Any

import uvicorn

from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.hub import Hub
from plantigrade_gateway.web.page import PORT
from plantigrade_gateway.web.rights import OwnMachine

_STOP_LIMIT_S = 2


def _write(message: dict[str, Any]) -> None:
    try:
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()
    except (OSError, ValueError):
        return  # the gateway has ended; so does this, by its standard input


def _read(loop: asyncio.AbstractEventLoop, take: Callable[[str], None], end: asyncio.Event) -> None:
    """Hand the gateway's messages to the event loop (a thread of its own)."""
    try:
        for line in sys.stdin:
            loop.call_soon_threadsafe(take, line)
        loop.call_soon_threadsafe(end.set)
    except RuntimeError:
        return  # the event loop has ended


def listen(host: str, port: str) -> socket.socket:
    """Return the listening socket; of port "usual", any free one where another program has it.

    Raises
    ------
    OSError
        The address cannot be listened at.
    """
    try:
        return socket.create_server((host, PORT if port == "usual" else int(port)))
    except OSError:
        if port != "usual":
            raise
        return socket.create_server((host, 0))


async def serve(listening: socket.socket, store_path: Path) -> None:
    """Serve until standard input ends."""
    hub = Hub(_write)
    app = create_app(hub, store_path, OwnMachine())
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=_STOP_LIMIT_S,
        ws_max_size=65536,
        ws_per_message_deflate=False,  # a picture is a kilobyte, ten viewers would cost a core
    )
    server = uvicorn.Server(config)
    end = asyncio.Event()
    reader = threading.Thread(
        target=_read, args=(asyncio.get_running_loop(), hub.take, end), daemon=True, name="gateway"
    )
    async with asyncio.TaskGroup() as group:
        serving = group.create_task(server.serve([listening]), name="server")
        while not server.started and not serving.done():
            await asyncio.sleep(0.01)  # uvicorn tells no other way
        _write({"type": "ready", "port": listening.getsockname()[1]})
        reader.start()
        await end.wait()
        server.should_exit = True


def main() -> None:
    """Read what to do from the command line: host, port, store."""
    host, port, store = sys.argv[1:]
    try:
        listening = listen(host, port)
    except OSError as error:
        text = (
            f"live page: {host}, port {port}: cannot be listened at ({error.strerror}); "
            "choose another with --port, or go on with --no-page"
        )
        _write({"type": "failed", "text": text})
        return
    asyncio.run(serve(listening, Path(store)))


if __name__ == "__main__":
    main()
