"""HTML of a template, with everything escaped that people wrote; the only template environment."""

from functools import cache
from pathlib import Path

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response

_NOT_THERE = "There is no page at this address."


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def rendered(template: str, **values: object) -> str:
    """Return the page that a template makes of some values."""
    return _environment().get_template(template).render(values)


async def not_there(request: Request, error: Exception) -> Response:
    """Return what is shown where nothing is: a page to a browser, a sentence to a program."""
    said = getattr(error, "detail", "Not Found")  # what the server says where we say nothing
    said = _NOT_THERE if said == "Not Found" else str(said)
    if "text/html" not in request.headers.get("accept", ""):
        return PlainTextResponse(said + "\n", 404)
    return HTMLResponse(rendered("sorry.html", rights="coach", here=None, problem=said), 404)
