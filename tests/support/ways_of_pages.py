"""The ways in of the pages: addresses and forms."""

import asyncio
import itertools
from pathlib import Path
from typing import Any, cast
from urllib.parse import quote, unquote

from fastapi.testclient import TestClient
from tests.support.practice import store_practice
from tests.support.ways import Way

from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.desk.worker import prepare
from plantigrade_gateway.web.door.access import Access
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.live.audience import Audience

FORM, JSON = "application/x-www-form-urlencoded", "application/json"


class Pages:
    """The pages of a store, asked as the server asks them."""

    def __init__(self, folder: Path) -> None:
        path = folder / "store.sqlite3"
        with Store.open(path) as store:
            self.session = store_practice(store, 60_000_000_000)
            prepare(store, self.session)
            self.player = store.session(self.session).player_id
        self._store = Store.open(path)
        access = Access(self._store.database)
        app = create_app(Audience(lambda _: None), path, access)
        self._client = TestClient(app, "http://127.0.0.1:8642")
        self._guard = Guard(app, access)
        self._client.__enter__()
        # A form that is refused is shown again in its page; the sheet's is the largest.
        sheet = self._client.get(f"/players/{self.player}/sheet")
        self._most = len(sheet.content) + 5_000

    def close(self) -> None:
        self._client.__exit__(None, None, None)
        self._store.close()

    def ask(self, target: bytes, form: bytes | None = None, kind: str = FORM) -> bool:
        """Ask for a target as it stands in a request's first line; refused is below 500."""
        raw, _, query = target.partition(b"?")
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "GET" if form is None else "POST",
            "scheme": "http",
            "path": unquote(raw.decode("ascii")),
            "raw_path": raw,
            "query_string": query,
            "root_path": "",
            "headers": [
                (b"host", b"127.0.0.1:8642"),
                (b"origin", b"http://127.0.0.1:8642"),
                (b"content-type", kind.encode()),
            ],
            "client": ("127.0.0.1", 5),
            "server": ("127.0.0.1", 8642),
        }
        status, size = self._client.portal.call(self._ask, scope, form or b"")  # type: ignore[union-attr]
        assert status < 500, (status, target)
        assert status < 400 or size < self._most, "what was asked is repeated"
        return bool(status < 400)

    async def _ask(self, scope: dict[str, Any], body: bytes) -> tuple[int, int]:
        status, size, ended = 0, 0, asyncio.Event()
        parts = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> dict[str, Any]:
            if parts:
                return parts.pop()
            await ended.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            nonlocal status, size
            status = message.get("status", status)
            size += len(message.get("body", b""))

        await self._guard(scope, receive, cast(Any, send))
        return status, size


def addresses(pages: Pages) -> Way:
    here = f"/sessions/{pages.session}"
    seeds = [
        *("/", "/sessions", "/links", "/metrics", "/sign-in?next=/sessions"),
        *(
            "/sounds/good.wav",
            "/static/live.js",
            here,
            f"{here}/steps?sort=strike_s&order=up&page=1",
        ),
        *(f"{here}/stands?page=2", f"{here}/timeline.json?width=800", f"{here}/prepared.json"),
        f"{here}/rows.json?start=1.5&end=20&width=300",
        "/sessions/charts/timeline.json?theme=dark&lead=left",
        *("/players?q=Iris", "/players/new", f"/players/{pages.player}"),
        f"/players/{pages.player}/delete",
        *(f"/players/{pages.player}/sheet?visit={pages.session}&rules=current", "/rules"),
        f"/players/{pages.player}/progress?measure=full.push_good",
    ]

    def take(data: bytes) -> bool:
        target = quote(data, safe="!\"#$%&'()*+,-./:;<=>?@[\\]^_`{|}~").encode()
        return pages.ask(b"/" + target.lstrip(b"/"))

    return Way("HTTP address", [seed.encode() for seed in seeds], take)


def forms(pages: Pages) -> Way:
    """The forms there are: a note for a link, a password, and what is said of a player."""
    player = f"/players/{pages.player}".encode()
    parts = (b"", b"/consents", b"/findings", b"/decisions", b"/sheet", b"/delete")
    others = itertools.cycle(
        [b"/links/1/withdraw", b"/players", b"/rules", *(player + part for part in parts)]
    )

    def take(data: bytes) -> bool:
        pages.ask(next(others), data)
        return pages.ask(b"/links", data)

    seeds = [
        *(b"note=first+tee", b"note=%C3%A4&x=1", b"what=speed&by=player&until=2099-12-31&do=give"),
        *(b"name=A&handedness=left&mass_kg=70,5&left=0000A001&right=0000A002", b"hips=limit"),
        b"topic=push&answer=go&cue=roll&day=2026-12-31",
    ]
    return Way("HTTP form", seeds, take)


def bodies(pages: Pages) -> Way:
    """What programs send to the API: each body to each of some routes."""
    player, session = f"/api/v1/players/{pages.player}", f"/api/v1/sessions/{pages.session}"
    routes = [
        *("/api/v1/players", f"{player}/consents", f"{player}/findings", f"{player}/decisions"),
        *(f"{session}/questions", f"{session}/conditions", f"{session}/notes"),
    ]

    def take(data: bytes) -> bool:
        return any([pages.ask(route.encode(), data, JSON) for route in routes])

    seeds = [
        b'{"what": "hips", "state": "limit", "text": "left"}',
        b'{"topic": "push", "answer": "go", "plan": "even", "cue": "roll", "day": "2026-01-31"}',
        b'{"hold": "pain", "by": "player"}',
        b'{"shoe": "low", "is_shoe_stiff": false}',
    ]
    return Way("API body", seeds, take)
