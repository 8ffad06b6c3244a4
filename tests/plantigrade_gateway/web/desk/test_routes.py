"""When the desk's application is made, once, and what is closed with it."""

import asyncio
import threading
from types import SimpleNamespace
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient
from tests.support.turns import turns_until
from tests.support.waiting import HANG_S

from plantigrade_gateway.web.desk import routes
from plantigrade_gateway.web.desk.preparing import Preparing
from plantigrade_gateway.web.desk.routes import Lazy, bokeh_files, desk_router


class Made:
    """An application that notes its requests and whether its store was closed."""

    def __init__(self) -> None:
        self.served: list[str] = []
        self.closed = 0
        self.state = SimpleNamespace(reads=SimpleNamespace(close=self._close))

    def _close(self) -> None:
        self.closed += 1

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        self.served.append(scope["path"])


async def nothing(*_: Any) -> Any:
    """Is not called."""


async def ask(lazy: Lazy, path: str) -> None:
    await lazy({"type": "http", "path": path}, nothing, nothing)


async def test_it_is_made_with_the_first_request_and_once():
    made, go = Made(), threading.Event()
    begun: list[int] = []

    def make() -> Any:
        begun.append(1)
        assert go.wait(HANG_S)
        return made

    lazy = Lazy(make)
    lazy.close()  # nothing is open
    first, gone = (asyncio.create_task(ask(lazy, path)) for path in ("/1", "/2"))
    await turns_until(lambda: lazy._made is not None)
    lazy.close()  # is still being made
    gone.cancel()  # a browser that goes ends nobody else's
    go.set()
    await asyncio.wait_for(first, HANG_S)
    await ask(lazy, "/3")
    assert made.served == ["/1", "/3"] and len(begun) == 1 and made.closed == 0
    lazy.close()
    assert made.closed == 1


async def test_one_that_could_not_be_made_is_made_again():
    made = Made()
    tries = [OSError("of another")]

    def make() -> Any:
        if tries:
            raise tries.pop()
        return made

    lazy = Lazy(make)
    with pytest.raises(OSError, match="of another"):
        await ask(lazy, "/1")
    lazy.close()
    await ask(lazy, "/2")
    assert made.served == ["/2"]


async def test_one_whose_making_was_given_up_closes_nothing():
    lazy = Lazy(lambda: Made())  # type: ignore[arg-type,return-value]
    lazy._made = asyncio.create_task(asyncio.sleep(0))  # type: ignore[arg-type]
    lazy._made.cancel()
    await asyncio.gather(lazy._made, return_exceptions=True)
    lazy.close()
    assert not routes._has_failed(lazy._made)


def test_the_desk_prepares_while_it_is_served_and_loads_charts_after_the_first_page(
    tmp_path, monkeypatch
):
    ran: list[str] = []
    imported: list[str] = []
    made = Made()
    made_app: Any = made

    async def run(self: Preparing) -> None:
        ran.append("begins")
        try:
            await asyncio.Event().wait()
        finally:
            ran.append("ends")

    async def served(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    app_made = FastAPI()
    app_made.state.reads = made_app.state.reads
    app_made.mount("/", served)
    pages = SimpleNamespace(pages_app=lambda path, preparing: app_made)

    def import_module(name: str) -> Any:
        imported.append(name.rpartition(".")[2])
        return pages

    monkeypatch.setattr(Preparing, "run", run)
    monkeypatch.setattr(routes, "import_module", import_module)
    app = FastAPI()
    app.include_router(desk_router(tmp_path / "store.sqlite3"))
    with TestClient(app) as client:
        for path in ("/sessions", "/players/x", "/rules", "/sessions/x/y"):
            assert client.get(path).status_code == 204
        assert client.get("/other").status_code == 404
    assert ran == ["begins", "ends"] and made.closed == 1
    assert imported == ["pages", "charts"]


def test_the_charts_own_script_lies_in_its_wheel():
    assert (bokeh_files() / "bokeh.min.js").is_file()
