"""The hub's application: the desk behind its door, and beside it what bays ask, on one port.

The two have nothing in common: a sign-in opens no address of bays, a credential none of the desk.
"""

from pathlib import Path

from starlette.responses import JSONResponse, RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from plantigrade_gateway.config import Config
from plantigrade_gateway.hub.rosterpage import add_roster
from plantigrade_gateway.hub.routes import BayApi
from plantigrade_gateway.sync.messages import PREFIX
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.door.access import Access
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
