"""The pages of signing in and of players' links, and the short forms that they send."""

import asyncio
import io
import math
from collections.abc import Callable
from urllib.parse import parse_qsl, urlencode

import segno
from fastapi import APIRouter, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.access import Access
from plantigrade_gateway.web.door.accounts import LONGEST, MOST_NOTE
from plantigrade_gateway.web.door.guard import SIGN_IN, cookie_name, cookies_of
from plantigrade_gateway.web.door.origin import (
    LOOPBACK,
    TOKENS,
    asked_name,
    lan_address,
    own_origin,
)
from plantigrade_gateway.web.door.pace import HEAD_S
from plantigrade_gateway.web.html import rendered

_MOST_BYTES = 4096
_MOST_FIELDS = 8


async def read_body(request: Request, what: str, most_bytes: int, most_s: float) -> bytes:
    """Return what a request brings.

    Raises
    ------
    InputError
        It is longer than it may be, or comes too slowly.
    """
    data = bytearray()
    try:
        async with asyncio.timeout(most_s):
            async for piece in request.stream():
                data += piece
                if len(data) > most_bytes:
                    raise InputError(f"{what}: longer than {most_bytes} bytes")
    except TimeoutError:
        raise InputError(f"{what}: did not come within {most_s:g} s") from None
    return bytes(data)


async def read_form(
    request: Request, most_bytes: int = _MOST_BYTES, most_fields: int = _MOST_FIELDS
) -> dict[str, str]:
    """Return a form's fields by name; of one that is there twice, the last.

    Raises
    ------
    InputError
        It is not a form of ours, or larger than one.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise InputError("form: not in the form that browsers send it in")
    data = await read_body(request, "form", most_bytes, HEAD_S)
    try:
        pairs = parse_qsl(
            data.decode("ascii"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=most_fields,
        )
    except ValueError as error:  # UnicodeDecodeError is one
        raise InputError("form: is not readable") from error
    return dict(pairs)


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
        cookies = cookies_of(request.scope, access.opening.secure)
        device = await access.device(cookies)
        wait = access.attempts.begin(address, device)
        if wait is not None:
            answer = _page(wanted, wait.said, 429)
            answer.headers["retry-after"] = str(math.ceil(wait.seconds))
            return answer
        token = await access.sign_in(text)
        if token is None:
            return _page(wanted, _WRONG, 403)
        access.attempts.was_right(address, device)
        for before in cookies:
            await access.sign_out(before)
        come_in = RedirectResponse(own_path(wanted), 303)
        _keep(come_in, token, access.opening.secure)
        return come_in

    @router.post("/sign-out")
    async def leave(request: Request) -> Response:
        for token in cookies_of(request.scope, access.opening.secure):
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
    shown = {"rights": "player", "next": own_path(wanted), "problem": problem}
    if problem:
        shown["instead"] = f"{SIGN_IN}?{urlencode({'next': shown['next']})}"
    return HTMLResponse(rendered("sign_in.html", **shown), status)


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


LINKS = "/links"
_GONE = "There is no such link, or its address is no longer known here: make a new one."


def links_router(access: Access, address: Callable[[], str | None] = lan_address) -> APIRouter:
    """Return the routes of the players' links.

    Parameters
    ----------
    access : Access
    address : callable
        This machine's address in the local network, or None.
    """
    router = APIRouter()

    def outer(request: Request) -> str:
        """Return under what a link is found: by this machine alone where nothing else is let in."""
        return outer_origin(request, address if access.opening.lan else lambda: None)

    def url_of(request: Request, number: int) -> str | None:
        token = access.token_of(number)
        return None if token is None else f"{outer(request)}{TOKENS}{token}"

    @router.get(LINKS)
    async def show(request: Request) -> Response:
        links = [(link, url_of(request, link.number)) for link in await access.links()]
        here = asked_name(outer(request).split("://")[1])
        page = rendered(
            "links.html",
            rights="coach",
            here="links",
            good=[(link, url) for link, url in links if link.is_good],
            over=[link for link, _ in links if not link.is_good],
            lan=access.opening.lan,
            reachable=here not in LOOPBACK,
            secure=access.opening.secure,
            most_note=MOST_NOTE,
        )
        return HTMLResponse(page)

    @router.post(LINKS)
    async def make(request: Request) -> Response:
        try:
            form = await read_form(request)
        except InputError as error:
            return PlainTextResponse(f"{error}\n", 400)
        number = await access.make_link(form.get("note", ""))
        return RedirectResponse(f"{LINKS}#link-{number}", 303)

    @router.get(LINKS + "/{number:number}/qr.svg")
    async def code(request: Request, number: int) -> Response:
        url = url_of(request, number)
        if url is None:
            raise HTTPException(404, _GONE)
        return Response(qr_svg(url), media_type="image/svg+xml")

    @router.post(LINKS + "/{number:number}/withdraw")
    async def withdraw(number: int) -> Response:
        if not await access.withdraw_link(number):
            raise HTTPException(404, _GONE)
        return RedirectResponse(f"{LINKS}#over", 303)

    return router


def outer_origin(request: Request, address: Callable[[], str | None]) -> str:
    """Return the origin under which a phone finds this gateway.

    It is that of the coach's own page, unless the coach sits at the machine itself: then this
    machine's address in the local network, if it has one.
    """
    origin = own_origin(request.scope)
    scheme, _, host = origin.partition("://")
    name = asked_name(host)
    if name not in LOOPBACK:
        return origin
    found = address()
    if found is None:
        return origin
    port = host.rpartition(":")[2] if host.rpartition(":")[2].isdigit() else ""
    return f"{scheme}://{found}" + (f":{port}" if port else "")


def qr_svg(url: str) -> bytes:
    """Return an address as a QR code: dark on white in light and in dark, or cameras miss it."""
    out = io.BytesIO()
    segno.make(url, error="m", micro=False).save(
        out, kind="svg", border=4, scale=6, dark="#000", light="#fff", xmldecl=False
    )
    return out.getvalue()
