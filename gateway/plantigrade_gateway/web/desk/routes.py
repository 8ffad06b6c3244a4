"""The coach's desk in the web process: stored sessions, without slowing the live page's start.

What serves the pages (`pages.py`) needs scipy and takes seconds to import, so it comes with the
first request (`Lazy`); what the charts need comes after it. While the application runs, sessions
that end are prepared to be looked at.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from importlib import import_module, util
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from plantigrade_gateway.upkeep import kept_up
from plantigrade_gateway.web.desk.preparing import Preparing


class Lazy:
    """An ASGI application in place of one that is not made yet.

    Parameters
    ----------
    make : callable
        Returns the application; runs in a thread, and again where it failed. What the application
        keeps as ``state.reads`` is closed with it.
    """

    def __init__(self, make: Callable[[], FastAPI]) -> None:
        self._make = make
        self._made: asyncio.Task[FastAPI] | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if self._made is None or _has_failed(self._made):
            self._made = asyncio.create_task(asyncio.to_thread(self._make))
        await (await asyncio.shield(self._made))(scope, receive, send)

    def close(self) -> None:
        """Close the store, where it was opened."""
        made = self._made
        if made is not None and made.done() and not made.cancelled() and not _has_failed(made):
            made.result().state.reads.close()


def _has_failed(task: asyncio.Task[FastAPI]) -> bool:
    """Whether a task has ended with an error; the next request tries again."""
    return task.done() and not task.cancelled() and task.exception() is not None


def bokeh_files() -> Path:
    """Return the folder of Bokeh's own script, in its wheel."""
    spec = util.find_spec("bokeh")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).parent / "server" / "static" / "js"


def desk_router(store_path: Path) -> APIRouter:
    """Return the desk's addresses, ``/sessions``, ``/players``, ``/rules`` and all below.

    Parameters
    ----------
    store_path : Path
        It may be made later.
    """
    preparing = Preparing(store_path)
    pages = _Pages(store_path, preparing)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        work = asyncio.create_task(kept_up(preparing.run, "preparing sessions"))
        try:
            yield
        finally:
            work.cancel()
            with suppress(asyncio.CancelledError):
                await work
            pages.close()

    router = APIRouter(lifespan=lifespan)
    for path in ("/sessions", "/players", "/rules"):
        for each in (path, path + "/{rest:path}"):
            router.routes.append(Route(each, endpoint=pages))
    return router


class _Pages(Lazy):
    """The desk's pages as an application that is made when first asked; the charts come after."""

    def __init__(self, store_path: Path, preparing: Preparing) -> None:
        def make() -> FastAPI:
            pages = import_module("plantigrade_gateway.web.desk.pages")
            made: FastAPI = pages.pages_app(store_path, preparing)
            return made

        super().__init__(make)
        self._charts: asyncio.Future[object] | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await super().__call__(scope, receive, send)
        if self._charts is None:
            charts = "plantigrade_gateway.web.desk.charts"
            loop = asyncio.get_running_loop()
            self._charts = loop.run_in_executor(None, import_module, charts)
