"""A few pages behind the door, and browsers before it: what the tests of access begin with."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from argon2 import PasswordHasher
from fastapi import FastAPI, Request, WebSocket
from fastapi.responses import PlainTextResponse
from httpx2 import Response
from starlette.testclient import TestClient, WebSocketTestSession

from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door.access import Access, Attempts, BindPolicy
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.door.pages import links_router, sign_in_router
from plantigrade_gateway.web.health import health_router

PASSWORD = "heel midfoot toes"
LAN = "192.0.2.7"  # an address for documentation (RFC 5737)
QUICK = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
"""In place of the real cost, which is half a second where every core is busy."""
_HASH = QUICK.hash(PASSWORD)


class FakeClock:
    """A clock that stands still until it is told."""

    def __init__(self) -> None:
        self.now = datetime.now(UTC).replace(microsecond=0)

    def __call__(self) -> datetime:
        return self.now

    def seconds(self) -> float:
        """Return a monotonic time, s."""
        return self.now.timestamp()

    def go_on(self, **span: float) -> None:
        self.now += timedelta(**span)


@dataclass
class Door:
    """A door, and the few pages behind it.

    Attributes
    ----------
    store : Store
    access : Access
    clock : FakeClock
    origin : str
        Under which browsers find it.
    """

    store: Store
    access: Access
    origin: str
    clock: FakeClock = field(default_factory=FakeClock)

    def browser(self, address: str = "192.0.2.50", origin: str | None = None) -> TestClient:
        """Return a browser at an address; it keeps its cookies."""
        app = Guard(pages(self.access, self.store.path), self.access)
        return TestClient(
            app, base_url=origin or self.origin, client=(address, 50000), follow_redirects=False
        )

    def signed_in(self, address: str = "192.0.2.50") -> TestClient:
        """Return a browser that is signed in."""
        browser = self.browser(address)
        assert self.sign_in(browser).status_code == 303
        return browser

    def sign_in(self, browser: TestClient, text: str = PASSWORD) -> Response:
        return self.post(browser, "/sign-in", password=text)

    def post(self, browser: TestClient, path: str, **fields: str) -> Response:
        """Send a form as a page of ours does."""
        return browser.post(path, data=fields, headers={"origin": self.origin})

    @contextmanager
    def socket(
        self, browser: TestClient, path: str = "/live", origin: str | None = None
    ) -> Iterator[WebSocketTestSession]:
        """Open a WebSocket as a page of ours does, or one of another origin."""
        headers = {"origin": origin or self.origin}
        with browser.websocket_connect(self.socket_url(path), headers=headers) as opened:
            yield opened

    def socket_url(self, path: str = "/live") -> str:
        return self.origin.replace("http", "ws", 1) + path

    def restarted(self) -> "Door":
        """Return the door of another process on the same store."""
        access = Access(
            self.store.database, self.access.opening, Attempts(self.clock.seconds), self.clock
        )
        return Door(self.store, access, self.origin, self.clock)


def door(store: Store, *, lan: bool = True, secure: bool = False) -> Door:
    """Return a door on a store, with the password set where one is needed."""
    clock = FakeClock()
    opening = BindPolicy(lan, secure, ("bay.local",))
    if lan:
        with store.database.writing() as db:
            db.execute("INSERT INTO password (hash, set_utc) VALUES (?, '')", (_HASH,))
    access = Access(store.database, opening, Attempts(clock.seconds), clock)
    host = f"{LAN if lan else '127.0.0.1'}:8642"
    return Door(store, access, f"{'https' if secure else 'http'}://{host}", clock)


def pages(access: Access, store_path: Path) -> FastAPI:
    """Return an application that says who it takes a visitor for."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.include_router(sign_in_router(access))
    app.include_router(links_router(access, lambda: LAN))
    app.include_router(health_router(store_path, access))

    @app.get("/")
    @app.get("/sessions/one")
    async def who(request: Request) -> PlainTextResponse:
        return PlainTextResponse(str(await access.rights(request)))

    @app.post("/sessions/one")
    async def change() -> PlainTextResponse:
        return PlainTextResponse("changed")

    @app.get("/static/own.css")
    async def style() -> PlainTextResponse:
        return PlainTextResponse("p {}", headers={"server": "told", "cache-control": "max-age=60"})

    @app.websocket("/live")
    async def live(websocket: WebSocket) -> None:
        await websocket.accept()
        await websocket.send_text(str(await access.rights(websocket)))
        async for text in websocket.iter_text():
            await websocket.send_text(text)

    return app
