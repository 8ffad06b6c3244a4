"""Where the API is in the web process, without slowing the live page's start (`Lazy`)."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import import_module
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.routing import Route

from plantigrade_gateway.web.desk.routes import Lazy
from plantigrade_gateway.web.door.access import Access
from plantigrade_gateway.web.door.origin import API


def api_router(store_path: Path, access: Access) -> APIRouter:
    """Return the API's addresses, all below ``/api``.

    Parameters
    ----------
    store_path : Path
        It may be made later.
    access : Access
    """

    def make() -> FastAPI:
        made: FastAPI = import_module("plantigrade_gateway.web.api.app").api_app(store_path, access)
        return made

    api = Lazy(make)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        api.close()

    router = APIRouter(lifespan=lifespan)
    router.routes.append(Route(API + "{rest:path}", endpoint=api))
    return router
