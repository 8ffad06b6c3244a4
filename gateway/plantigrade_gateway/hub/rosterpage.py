"""The page *Bays*: the roster as HTML, and what changes of it over a WebSocket.

`add_roster` joins both to the hub's application and reads the broker while that runs. The coach
alone sees it, and only there are players told by name.
"""

import asyncio
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Iterable
from contextlib import aclosing, asynccontextmanager, suppress
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic
from typing import Any

from fastapi import APIRouter, FastAPI, HTTPException, Request, Response, WebSocket
from fastapi.responses import HTMLResponse
from starlette.websockets import WebSocketDisconnect

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.hub.places import Refusal
from plantigrade_gateway.hub.roster import COLUMNS, Life, Roster, Row, listen, names_of, summary
from plantigrade_gateway.upkeep import kept_up
from plantigrade_gateway.web.door.access import Access, Rights
from plantigrade_gateway.web.door.guard import CLOSED, SIGNED_OUT
from plantigrade_gateway.web.html import beside, rendered

ADDRESS = "/bays"
NO_BROKER = "No message broker is set, so no bay can be heard: see mqtt.host in the settings."
EVERY_S = 0.25
"""How often the page is told what has changed: little of the two seconds it may be behind."""
NAMES_EVERY_S = 5.0
REFUSED = timedelta(days=1)
"""So long the page tells that a bay was refused (ours); ``hub bay list`` tells it for good."""
SEND_LIMIT_S = 5.0
"""A page that takes nothing for so long is dropped (ours)."""


def add_roster(
    app: FastAPI,
    config: Config,
    access: Access,
    store_path: Path,
    refusals: Callable[[], Iterable[Refusal]] = tuple,
) -> Roster:
    """Add the page to an application that has not started yet.

    Parameters
    ----------
    app : FastAPI
    config : Config
        Names the broker (``mqtt.*``) and the site.
    access : Access
        Says who a visitor is, as `Guard` found out.
    store_path : Path
        The store whose players are known by name.
    refusals : callable, optional
        Gives which bays were refused another's place.

    Returns
    -------
    Roster
        Filled while the application runs.
    """
    roster = Roster()
    board = Board(roster, store_path, refusals)
    hears = config.text("mqtt.host") is not None
    if not hears:
        roster.problem = NO_BROKER

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        works = [asyncio.create_task(kept_up(board.run, "page of the bays"))]
        if hears:
            hearing = kept_up(lambda: listen(config, roster), "hearing the bays")
            works.append(asyncio.create_task(hearing))
        try:
            yield
        finally:
            for work in works:
                work.cancel()
            await asyncio.gather(*works, return_exceptions=True)

    router = APIRouter(lifespan=lifespan)

    @router.get(ADDRESS, response_class=HTMLResponse)
    async def bays(request: Request) -> Response:
        if await access.rights(request) is not Rights.COACH:
            raise HTTPException(404)
        await board.look()
        told = {**board.whole(), "alive": Life.ALIVE, "columns": COLUMNS}
        return HTMLResponse(rendered("bays.html", here="bays", rights="coach", **told))

    @router.websocket(ADDRESS + "/live")
    async def live(websocket: WebSocket) -> None:
        rights = await access.rights(websocket)
        await websocket.accept()
        if rights is not Rights.COACH:
            await websocket.close(CLOSED, SIGNED_OUT)
            return
        await _serve(board, websocket)

    app.include_router(router)
    beside(ADDRESS, "Bays")
    return roster


class Board:
    """The rows as all pages show them, made four times a second for all of them.

    Parameters
    ----------
    roster : Roster
    store_path : Path
    refusals : callable
        Gives which bays were refused another's place.
    """

    def __init__(
        self, roster: Roster, store_path: Path, refusals: Callable[[], Iterable[Refusal]]
    ) -> None:
        self.rows: dict[str, Row] = {}
        self._refusals = refusals
        self._refused: list[str] = []
        self._roster = roster
        self._store_path = store_path
        self._names: dict[str, str] = {}
        self._named_s = float("-inf")
        self._watched = 0
        self._turn = asyncio.Condition()

    async def run(self) -> None:
        """Make the rows again and again while somebody looks."""
        while True:
            if self._watched:
                await self.look()
            async with self._turn:
                self._turn.notify_all()
            await asyncio.sleep(EVERY_S)

    async def look(self) -> None:
        """Make the rows."""
        if monotonic() - self._named_s >= NAMES_EVERY_S:
            self._named_s = monotonic()
            with suppress(GatewayError):  # busy for a moment: the names of before
                self._names = await asyncio.to_thread(names_of, self._store_path)
                self._refused = await asyncio.to_thread(self._lately_refused)
        self.rows = {row.key: row for row in self._roster.rows(self._names)}

    def whole(self) -> dict[str, Any]:
        """Return what the page is made of."""
        rows = list(self.rows.values())
        return {
            "rows": rows,
            "told": summary(rows),
            "problem": self._roster.problem,
            "refused": " ".join(self._refused),
        }

    def _lately_refused(self) -> list[str]:
        since = datetime.now(UTC) - REFUSED
        return [f"Bay {one.bay} {one.text}." for one in self._refusals() if one.when >= since]

    async def changes(self) -> AsyncGenerator[dict[str, Any]]:
        """Give what has changed since the last that was given, all of it first."""
        before: dict[str, Row] = {}
        self._watched += 1
        try:
            while True:
                async with self._turn:
                    await self._turn.wait()
                now = self.rows
                new = [asdict(row) for key, row in now.items() if before.get(key) != row]
                told: dict[str, Any] = {"type": "bays", **self.whole(), "rows": new}
                if list(now) != list(before):
                    told["order"] = list(now)
                before = now
                yield told
        finally:
            self._watched -= 1


async def _serve(board: Board, websocket: WebSocket) -> None:
    async with asyncio.TaskGroup() as group:
        sending = group.create_task(_send(board, websocket), name="bays out")
        # What the page says is nothing; that it has left, is.
        with suppress(WebSocketDisconnect, RuntimeError, KeyError):
            while not sending.done():
                await websocket.receive_text()
        sending.cancel()


async def _send(board: Board, websocket: WebSocket) -> None:
    with suppress(WebSocketDisconnect, TimeoutError, RuntimeError, OSError):
        async with aclosing(board.changes()) as changes:
            async for told in changes:
                async with asyncio.timeout(SEND_LIMIT_S):
                    await websocket.send_json(told)
    with suppress(WebSocketDisconnect, RuntimeError, TimeoutError):
        async with asyncio.timeout(1.0):
            await websocket.close()
