"""What all routes of the API have in common: who may ask, how much, and how an error is told."""

import asyncio
from dataclasses import dataclass
from typing import Any

from fastapi import HTTPException, Request
from fastapi.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from plantigrade.errors import ForeignError, sentence
from plantigrade.foreign import read_json
from plantigrade_gateway.coach.case import Case
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere
from plantigrade_gateway.web.door.access import Access, Rights
from plantigrade_gateway.web.door.pace import HEAD_S

HERE = "/api/v1"
MOST_BYTES = 16_384
"""The longest body of a request."""
ROWS = 100
"""Rows of a page of a list."""
MOST_PAGES = 1_000_000
_NOT_SIGNED_IN = "Sign in first."
_NOT_A_COACH = "This is the coach's alone."


@dataclass(frozen=True, slots=True)
class Problem:
    """Why something was not done, in one sentence."""

    error: str


_MEANS = {
    400: "A value cannot be used.",
    401: _NOT_SIGNED_IN,
    403: "Not from a page or program of the gateway's own address, or no coach.",
    404: "There is no such player, session or version.",
    409: "The store, or how things stand, does not allow it now.",
}
PROBLEMS: dict[int | str, dict[str, Any]] = {
    status: {"model": Problem, "description": says} for status, says in _MEANS.items()
}
"""What every route may answer in place of what was asked for."""


def told(status: int, said: str) -> JSONResponse:
    """Return a refusal."""
    return JSONResponse({"error": sentence(said)}, status)


@dataclass(frozen=True, slots=True)
class Coach:
    """Lets a request in that comes from a coach; what a route depends on.

    Attributes
    ----------
    access : Access
    """

    access: Access

    async def __call__(self, request: Request) -> None:
        """Refuse others: 401 those who are not known, 403 players.

        Raises
        ------
        HTTPException
            So it is.
        """
        rights = await self.access.rights(request)
        if rights is None:
            raise HTTPException(401, _NOT_SIGNED_IN)
        if rights is not Rights.COACH:
            raise HTTPException(403, _NOT_A_COACH)


class Bounded:
    """An ASGI application whose requests' bodies are short and come in time, and are our JSON.

    Parameters
    ----------
    app : ASGI application
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            body = await _body(receive)
            if body:
                read_json(body, "body", MOST_BYTES)  # its depth and digits too
        except ForeignError as error:
            await told(400, str(error))(scope, receive, send)
            return
        if body is None:  # the other side has gone
            return
        parts: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

        async def again() -> Message:
            return parts.pop() if parts else await receive()

        await self._app(scope, again, send)


async def _body(receive: Receive) -> bytes | None:
    """Return a request's body; None where the other side has gone.

    Raises
    ------
    ForeignError
        It is too long, or comes too slowly.
    """
    data = b""
    try:
        async with asyncio.timeout(HEAD_S):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    return None
                piece: bytes = message.get("body", b"")
                data += piece
                if len(data) > MOST_BYTES:
                    raise ForeignError(f"body: longer than {MOST_BYTES} bytes")
                if not message.get("more_body", False):
                    return data
    except TimeoutError:
        raise ForeignError(f"body: did not come within {HEAD_S:g} s") from None


def case(reads: DeskStore, player_id: str, visit: str | None = None) -> Case:
    """Return a player's case, up to a visit or to the last that ended.

    Raises
    ------
    NotThere
        There is no such player, or no such visit of theirs.
    StoreError
        As `case_of`.
    """
    reads.player(player_id)
    check_visit(reads, player_id, visit)
    return case_of(reads.register, player_id, visit)


def check_visit(reads: DeskStore, player_id: str, visit: str | None) -> None:
    """Refuse a visit that is not a player's; None is none.

    Raises
    ------
    NotThere
        So it is.
    """
    if visit is not None and reads.session(visit).player_id != player_id:
        raise NotThere(f"session {visit}: is not this player's")


def paged(rows: list[Any], page: int) -> dict[str, Any]:
    """Return the rows of a page with what tells of the others."""
    return {
        "rows": rows[ROWS * (page - 1) : ROWS * page],
        "page": page,
        "pages": max(1, -(-len(rows) // ROWS)),
        "total": len(rows),
    }
