"""HTML of a template, with everything escaped that people wrote; the only template environment."""

from contextvars import ContextVar
from functools import cache
from pathlib import Path

import jinja2
from fastapi.exceptions import RequestValidationError
from starlette.convertors import Convertor, register_url_convertor
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from plantigrade.errors import shown

NUMBER = "number"
"""The kind of a number in an address, as ``{which:number}``: one of more digits leads nowhere."""
_BESIDE: dict[str, str] = {}
_HAS_GATEWAY: ContextVar[bool] = ContextVar("has_gateway", default=True)
_NOT_THERE = "There is no page at this address."


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["beside"] = _BESIDE
    environment.globals["has_gateway"] = _HAS_GATEWAY.get
    return environment


def beside(address: str, name: str) -> None:
    """Have every page of this process link to one more, which not every program has.

    Parameters
    ----------
    address : str
        As ``/bays``; a page calls itself the same without the stroke (``here``).
    name : str
    """
    _BESIDE[address] = name


def rendered(template: str, **values: object) -> str:
    """Return the page that a template makes of some values."""
    return _environment().get_template(template).render(values)


class OfGateway:
    """Has an application's pages lead only where it goes: without a gateway to none that need one.

    Parameters
    ----------
    app : ASGIApp
    has_gateway : bool
    """

    def __init__(self, app: ASGIApp, has_gateway: bool) -> None:
        self._app = app
        self._has_gateway = has_gateway

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request or WebSocket."""
        before = _HAS_GATEWAY.set(self._has_gateway)
        try:
            await self._app(scope, receive, send)
        finally:
            _HAS_GATEWAY.reset(before)


async def not_there(request: Request, error: Exception) -> Response:
    """Return what is shown where nothing is: a page to a browser, a sentence to a program."""
    said = getattr(error, "detail", "Not Found")  # what the server says where we say nothing
    said = _NOT_THERE if said == "Not Found" else str(said)
    if "text/html" not in request.headers.get("accept", ""):
        return PlainTextResponse(said + "\n", 404)
    return HTMLResponse(
        rendered("sorry.html", rights="coach", here=None, problem=said, back=None), 404
    )


async def not_so(_: Request, error: Exception) -> Response:
    """Return what is said of a value in an address that cannot be used: one sentence."""
    assert isinstance(error, RequestValidationError)
    return PlainTextResponse(said_of(error) + "\n", 422)


def said_of(error: RequestValidationError) -> str:
    """Return what is wrong with the first value that cannot be used: one sentence."""
    first = error.errors()[0]
    name, value = str(first["loc"][-1]), shown(first.get("input"))
    return f"{shown(name, quoted=False)} is {value}: {shown(first['msg'], quoted=False)}."


class _Number(Convertor[int]):
    regex = "[0-9]{1,9}"

    def convert(self, value: str) -> int:
        return int(value)

    def to_string(self, value: int) -> str:
        return str(value)


register_url_convertor(NUMBER, _Number())
