"""The API's application: its routes, and every error as JSON of one sentence."""

from pathlib import Path
from typing import Any

from fastapi import APIRouter, Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse
from fastapi.security import APIKeyCookie
from starlette.exceptions import HTTPException

from plantigrade_gateway.errors import GatewayError, InputError
from plantigrade_gateway.web.api.frame import HERE, PROBLEMS, Bounded, Coach, told
from plantigrade_gateway.web.api.players import players_router
from plantigrade_gateway.web.api.rulebook import rules_router
from plantigrade_gateway.web.api.sheets import sheets_router
from plantigrade_gateway.web.api.visits import visits_router
from plantigrade_gateway.web.desk.reads import DeskStore, NotThere
from plantigrade_gateway.web.door.access import Access
from plantigrade_gateway.web.door.guard import cookie_name
from plantigrade_gateway.web.html import said_of

VERSION = "1.0"
"""The second number rises when something comes; the first, with the path's, when something goes or
changes its meaning."""
_NOTHING_HERE = "There is nothing at this address."


def api_app(store_path: Path, access: Access) -> FastAPI:
    """Return the application.

    Parameters
    ----------
    store_path : Path
    access : Access
    """
    # The document is served by a route of its own, for coaches alone.
    app = FastAPI(title="Plantigrade", version=VERSION, openapi_url=None)
    reads = DeskStore(store_path)
    app.state.reads = reads
    # Tells the document how one is signed in; `Coach` is what decides.
    cookie = APIKeyCookie(name=cookie_name(access.opening.secure), auto_error=False)
    whole = APIRouter(
        prefix=HERE, dependencies=[Depends(cookie), Depends(Coach(access))], responses=PROBLEMS
    )
    whole.include_router(players_router(reads))
    whole.include_router(visits_router(reads))
    whole.include_router(sheets_router(reads))
    whole.include_router(rules_router(reads))

    @whole.get("/openapi.json")
    def openapi() -> dict[str, Any]:
        """Give this document."""
        return described(app)

    app.include_router(whole)
    app.add_exception_handler(RequestValidationError, _not_so)
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(GatewayError, _failed)
    app.add_middleware(Bounded)
    return app


def described(app: FastAPI) -> dict[str, Any]:
    """Return the application's OpenAPI document."""
    if app.openapi_schema is None:
        made = get_openapi(title=app.title, version=app.version, routes=app.routes)
        for path in made["paths"].values():
            for operation in path.values():
                operation["responses"].pop("422", None)  # a value that cannot be used is a 400
        for unused in ("HTTPValidationError", "ValidationError"):
            made["components"]["schemas"].pop(unused, None)
        app.openapi_schema = made
    return app.openapi_schema


async def _not_so(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    return told(400, said_of(error))


async def _refused(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    said = _NOTHING_HERE if error.status_code == 404 else f"{str(error.detail).rstrip('.')}."
    return told(error.status_code, said)


async def _failed(_: Request, error: Exception) -> JSONResponse:
    if isinstance(error, NotThere):
        return told(404, str(error))
    return told(400 if isinstance(error, InputError) else 409, str(error))
