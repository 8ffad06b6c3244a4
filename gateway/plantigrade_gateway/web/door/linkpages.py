"""The coach's page of players' links: list, make, withdraw, and each one's QR code."""

import io
from collections.abc import Callable

import segno
from fastapi import APIRouter, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.access import Access
from plantigrade_gateway.web.door.addresses import lan_address
from plantigrade_gateway.web.door.form import read_form
from plantigrade_gateway.web.door.headers import TOKENS
from plantigrade_gateway.web.door.links import MOST_NOTE
from plantigrade_gateway.web.door.origin import LOOPBACK, asked_name, own_origin
from plantigrade_gateway.web.html import rendered

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

    def url_of(request: Request, number: int) -> str | None:
        token = access.token_of(number)
        return None if token is None else f"{outer_origin(request, address)}{TOKENS}{token}"

    @router.get(LINKS)
    async def show(request: Request) -> Response:
        links = [(link, url_of(request, link.number)) for link in await access.links()]
        here = asked_name(outer_origin(request, address).split("://")[1])
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

    @router.get(LINKS + "/{number}/qr.svg")
    async def code(request: Request, number: int) -> Response:
        url = url_of(request, number)
        if url is None:
            raise HTTPException(404, _GONE)
        return Response(qr_svg(url), media_type="image/svg+xml")

    @router.post(LINKS + "/{number}/withdraw")
    async def withdraw(number: int) -> Response:
        if not await access.withdraw_link(number):
            raise HTTPException(404, _GONE)
        return RedirectResponse(LINKS, 303)

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
