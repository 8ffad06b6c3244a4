"""The pages' web application: the live page and its socket, sounds, and what others add to it."""

import asyncio
import json
from contextlib import suppress
from functools import cache
from pathlib import Path

from fastapi import APIRouter, FastAPI, HTTPException, Request, Response, WebSocket
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse
from fastapi.staticfiles import StaticFiles
from starlette.websockets import WebSocketDisconnect

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade_gateway.sound.motifs import Motif, motif, quiet
from plantigrade_gateway.sound.wav import wav_bytes
from plantigrade_gateway.web.api.routes import api_router
from plantigrade_gateway.web.desk.remarks import speed_units
from plantigrade_gateway.web.desk.routes import bokeh_files, desk_router
from plantigrade_gateway.web.door.access import Access, Rights
from plantigrade_gateway.web.door.guard import CLOSED, SIGNED_OUT
from plantigrade_gateway.web.door.pages import links_router, sign_in_router
from plantigrade_gateway.web.health import health_router
from plantigrade_gateway.web.html import OfGateway, not_so, not_there, rendered
from plantigrade_gateway.web.live.audience import Audience, Viewer

HERE = Path(__file__).parent
SEND_LIMIT_S = 5.0
"""A viewer that takes nothing for so long is dropped (ours)."""
DROPPED = 1013  # close code: "try again later"
_LONGEST_MESSAGE = 4096


def create_app(audience: Audience, store_path: Path, access: Access) -> FastAPI:
    """Return the application.

    Parameters
    ----------
    audience : Audience
    store_path : Path
        The store that stored sessions are read from.
    access : Access
        Says who a visitor is, as `Guard` found out: nobody is served but through it.
    """
    app = FastAPI(title="Plantigrade", docs_url=None, redoc_url=None, openapi_url=None)
    app.state.store_path = store_path
    app.mount("/static/bokeh", StaticFiles(directory=bokeh_files()), name="bokeh")
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    app.include_router(_live_router(audience, access))
    app.include_router(sign_in_router(access))
    app.include_router(links_router(access))
    app.include_router(desk_router(store_path))
    app.include_router(api_router(store_path, access))
    app.include_router(health_router(store_path, access))
    app.add_middleware(OfGateway, has_gateway=audience.has_gateway)
    app.add_exception_handler(404, not_there)
    app.add_exception_handler(RequestValidationError, not_so)
    return app


QUIET = "quiet"


@cache
def _wav(name: str) -> bytes:
    """Return a sound's file; made once, for anybody may fetch it as often as they like."""
    return wav_bytes(quiet() if name == QUIET else motif(Motif(name)))


def _live_router(audience: Audience, access: Access) -> APIRouter:
    router = APIRouter()

    @router.get("/", response_class=HTMLResponse)
    async def live(request: Request) -> Response:
        rights = await access.rights(request)
        if rights is None:
            raise HTTPException(401)
        page = "live.html" if audience.has_gateway else "no_gateway.html"
        return HTMLResponse(rendered(page, rights=str(rights), pair=access.pair, here="live"))

    @router.get("/check", response_class=HTMLResponse)
    async def check(request: Request) -> Response:
        rights = await access.rights(request)
        if rights is not Rights.COACH:
            raise HTTPException(401 if rights is None else 404)
        page = "check.html" if audience.has_gateway else "no_gateway.html"
        shown = {"rights": str(rights), "pair": access.pair, "here": "check"}
        return HTMLResponse(rendered(page, **shown, **speed_units(request)))

    @router.get("/sounds/{name}.wav")
    def sound(name: str) -> Response:
        if name not in (QUIET, *Motif):
            raise HTTPException(404, f"sound {shown(name)}: there is none of this name")
        headers = {"Cache-Control": "private, max-age=3600"}
        return Response(_wav(name), media_type="audio/wav", headers=headers)

    @router.websocket("/live")
    async def socket(websocket: WebSocket) -> None:
        rights = await access.rights(websocket)
        await websocket.accept()
        if rights is None:
            await websocket.close(CLOSED, SIGNED_OUT)
            return
        await _serve_viewer(audience, websocket, rights)

    return router


async def _serve_viewer(audience: Audience, websocket: WebSocket, rights: Rights) -> None:
    viewer = audience.join(rights)
    try:
        async with asyncio.TaskGroup() as group:
            listening = group.create_task(_listen(audience, websocket, viewer), name="viewer in")
            await _send(websocket, viewer)
            listening.cancel()
    finally:
        audience.leave(viewer)


async def _send(websocket: WebSocket, viewer: Viewer) -> None:
    """Send what comes until the viewer leaves or is dropped."""
    with suppress(WebSocketDisconnect, TimeoutError, RuntimeError):
        while (text := await viewer.next()) is not None:
            async with asyncio.timeout(SEND_LIMIT_S):
                await websocket.send_text(text)
    with suppress(WebSocketDisconnect, RuntimeError, TimeoutError):
        async with asyncio.timeout(1.0):
            await websocket.close(DROPPED)


def hear(audience: Audience, viewer: Viewer, text: str) -> None:
    """Take one message of a viewer's; one that cannot be obeyed is answered with why not."""
    try:
        message = read_json(text, "message", _LONGEST_MESSAGE)
    except ForeignError:
        message = None
    problem = audience.command(viewer, message)
    if problem is not None:
        viewer.put(json.dumps({"type": "said", "text": problem, "level": "warn"}), False)


async def _listen(audience: Audience, websocket: WebSocket, viewer: Viewer) -> None:
    """Take what the viewer wants to the gateway."""
    try:
        while True:
            hear(audience, viewer, await websocket.receive_text())
    except (WebSocketDisconnect, RuntimeError, KeyError):  # KeyError: a message of bytes
        viewer.drop()
