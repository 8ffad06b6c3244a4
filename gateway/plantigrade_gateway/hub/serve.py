"""A hub at work: its application on one port, and the process that keeps its working store.

The application is the desk behind its door, and beside it what bays ask. The two have nothing in
common: a sign-in opens no address of bays, a credential none of the desk.
"""

import asyncio
import json
import signal
import socket
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import uvicorn

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.hub.names import store_path
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.routes import BayApi
from plantigrade_gateway.pauses import short_collections
from plantigrade_gateway.people.tables import engine_for
from plantigrade_gateway.store.database import Database
from plantigrade_gateway.upkeep import kept_up
from plantigrade_gateway.web.door.access import Access, BindPolicy
from plantigrade_gateway.web.door.origin import LOOPBACK, own_names
from plantigrade_gateway.web.door.pace import Listening, Paced

if TYPE_CHECKING:
    from plantigrade_gateway.config import Config
    from plantigrade_gateway.web.door.certificate import Certificate

from starlette.responses import JSONResponse, RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from plantigrade_gateway.config import Config
from plantigrade_gateway.hub.rosterpage import add_roster
from plantigrade_gateway.sync.messages import PREFIX
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.door.guard import HEALTH, Guard
from plantigrade_gateway.web.door.origin import with_headers
from plantigrade_gateway.web.live.audience import Audience


class HubApp:
    """An ASGI application.

    Parameters
    ----------
    api : BayApi
    store_path : Path
        The working store.
    access : Access
    config : Config, optional
        Names the broker that the bays are heard over; None: the page of the bays is left out.
    """

    def __init__(
        self, api: BayApi, store_path: Path, access: Access, config: Config | None = None
    ) -> None:
        self._bays: ASGIApp = api.app()
        pages = create_app(Audience(), store_path, access)
        if config is not None:
            add_roster(pages, config, access, store_path, api.refusals)
        self._desk: ASGIApp = Guard(pages, access)
        self._api = api

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request or WebSocket."""
        path = scope.get("path", "") if scope["type"] == "http" else ""
        if path == PREFIX or path.startswith(f"{PREFIX}/"):
            await self._bays(scope, receive, with_headers(scope, send))
        elif path == HEALTH:
            well, problems = await self._api.health()
            answer = JSONResponse({"ok": well, "problems": problems}, 200 if well else 503)
            await answer(scope, receive, with_headers(scope, send))
        elif path == "/":
            await RedirectResponse("/players", 303)(scope, receive, with_headers(scope, send))
        else:
            await self._desk(scope, receive, send)


PORT = 8643
_STOP_LIMIT_S = 5


@dataclass(frozen=True, slots=True)
class HubOrder:
    """How a hub is served.

    Attributes
    ----------
    data : Path
        Its folder.
    objects : str
        Where records are kept, a folder or a URL.
    name : str
        Its own, among the places that confirm deletions.
    host : str
    port : int
        0: any free one.
    certificate : Certificate or None
        None: plain HTTP, on this machine alone.
    config : Config or None
        Where the bays are heard, and the time-series database that deleted players are deleted
        from; None: no page of the bays.

    Raises
    ------
    InputError
        Others than this machine would reach it without TLS.
    """

    data: Path
    objects: str
    name: str
    host: str = "127.0.0.1"
    port: int = PORT
    certificate: "Certificate | None" = None
    config: "Config | None" = None

    def __post_init__(self) -> None:
        if self.is_open and self.certificate is None:
            raise InputError(
                f"--host {self.host}: others reach it, so it needs --tls-cert and --tls-key"
            )

    @property
    def is_open(self) -> bool:
        """Whether others than this machine reach it: they sign in, and under TLS alone."""
        return self.host not in LOOPBACK


def serve(order: HubOrder, say: Callable[[str], None]) -> None:
    """Serve a hub until it is told to end (SIGINT, SIGTERM).

    Raises
    ------
    InputError
        The address cannot be listened at, or the object store not be used.
    StoreError
        The working store or the tables cannot be opened.
    """
    objects = Objects.of(order.objects)
    try:
        family = socket.AF_INET6 if ":" in order.host else socket.AF_INET
        listening = socket.create_server((order.host, order.port), family=family)
    except OSError as error:
        raise InputError(
            f"--host {order.host}, port {order.port}: cannot be used ({error.strerror})"
        ) from error
    with listening, closing(Database(store_path(order.data), create=True)) as database:
        engine = engine_for(database.path)
        try:
            asyncio.run(
                _serve(order, listening, database, BayApi(engine, objects, database.path), say)
            )
        finally:
            engine.dispose()


async def _serve(
    order: HubOrder,
    listening: socket.socket,
    database: Database,
    api: BayApi,
    say: Callable[[str], None],
) -> None:
    tls = order.certificate
    names = (*own_names(), *(tls.names if tls else ()))
    access = Access(database, BindPolicy(order.is_open, tls is not None, names))
    server = uvicorn.Server(
        uvicorn.Config(
            HubApp(api, database.path, access, order.config),
            http=Paced,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,  # who asks is who is connected
            ssl_certfile=tls.cert if tls else None,
            ssl_keyfile=tls.key if tls else None,
            timeout_graceful_shutdown=_STOP_LIMIT_S,
            ws_max_size=65536,
        )
    )
    loop, port = asyncio.get_running_loop(), listening.getsockname()[1]
    async with asyncio.TaskGroup() as group:
        serving = group.create_task(server.serve([Listening(listening)]), name="server")
        while not server.started and not serving.done():
            await asyncio.sleep(0.01)  # uvicorn tells no other way
        name = tls.names[0] if tls and tls.names else order.host
        say(f"Hub: {'https' if tls else 'http'}://{name}:{port}/")
        keeping = group.create_task(
            kept_up(lambda: _keep(order, say), "working store", say), name="working store"
        )
        # In place of uvicorn's own, which raise the signal again when all is done.
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, _stop, server)
        with short_collections():
            await serving
        keeping.cancel()


def _stop(server: uvicorn.Server) -> None:
    server.should_exit = True


async def _keep(order: HubOrder, say: Callable[[str], None]) -> None:
    """Run the process that keeps the working store, to its end."""
    told: dict[str, object] = {
        "data": str(order.data),
        "objects": order.objects,
        "name": order.name,
        "has_settings": order.config is not None,
        "settings": order.config and order.config.file and str(order.config.file),
    }
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "plantigrade_gateway.hub", json.dumps(told)),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for this process, which then ends that one
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        async for line in process.stdout:
            say(line.decode(errors="replace").rstrip())
        raise StoreError(f"working store: its process has ended ({await process.wait()})")
    finally:
        process.stdin.close()
        with suppress(ProcessLookupError, TimeoutError):
            async with asyncio.timeout(_STOP_LIMIT_S):
                await process.wait()
        if process.returncode is None:
            process.kill()
            await process.wait()
