"""The sign-in page, and the way out."""

import math

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.access import Access
from plantigrade_gateway.web.door.form import read_form
from plantigrade_gateway.web.door.guard import SIGN_IN, cookie_name, cookie_of
from plantigrade_gateway.web.door.signins import LONGEST
from plantigrade_gateway.web.html import rendered

_WRONG = "This is not the password."
_EMPTY = "Type the password."


def sign_in_router(access: Access) -> APIRouter:
    """Return the routes of signing in and out."""
    router = APIRouter()

    @router.get(SIGN_IN)
    async def ask(request: Request) -> Response:
        if await access.rights(request) is not None:
            return RedirectResponse(own_path(request.query_params.get("next")), 303)
        return _page(request.query_params.get("next"))

    @router.post(SIGN_IN)
    async def answer(request: Request) -> Response:
        try:
            form = await read_form(request)
        except InputError as error:
            return PlainTextResponse(f"{error}\n", 400)
        text, wanted = form.get("password", ""), form.get("next")
        if not text:
            return _page(wanted, _EMPTY, 422)
        address = request.client.host if request.client else ""
        wait = access.attempts.begin(address)
        if wait is not None:
            answer = _page(wanted, wait.said, 429)
            answer.headers["retry-after"] = str(math.ceil(wait.seconds))
            return answer
        token = await access.sign_in(text)
        if token is None:
            return _page(wanted, _WRONG, 403)
        access.attempts.was_right(address)
        before = cookie_of(request.scope, access.opening.secure)
        if before is not None:
            await access.sign_out(before)
        come_in = RedirectResponse(own_path(wanted), 303)
        _keep(come_in, token, access.opening.secure)
        return come_in

    @router.post("/sign-out")
    async def leave(request: Request) -> Response:
        token = cookie_of(request.scope, access.opening.secure)
        if token is not None:
            await access.sign_out(token)
        gone = RedirectResponse(SIGN_IN, 303)
        gone.delete_cookie(
            cookie_name(access.opening.secure),
            secure=access.opening.secure,
            httponly=True,
            samesite="strict",
        )
        return gone

    return router


def own_path(wanted: str | None) -> str:
    """Return where to go after signing in: a path of ours; anything else leads to the live page.

    To a browser two slashes, or a backslash, begin another host; control signs it leaves out.
    """
    path = wanted or "/"
    plain = path.isascii() and path.isprintable() and "\\" not in path
    ours = path.startswith("/") and not path.startswith("//")
    return path if plain and ours else "/"


def _page(wanted: str | None, problem: str = "", status: int = 200) -> HTMLResponse:
    return HTMLResponse(
        rendered("sign_in.html", rights="player", next=own_path(wanted), problem=problem), status
    )


def _keep(response: Response, token: str, secure: bool) -> None:
    """Give the browser its token. Strict: not even a link on another site brings it along."""
    response.set_cookie(
        cookie_name(secure),
        token,
        max_age=int(LONGEST.total_seconds()),
        path="/",
        secure=secure,
        httponly=True,
        samesite="strict",
    )
