"""Two visits of an invented player behind the door, and a coach who asks the API."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from anyio.from_thread import BlockingPortal
from httpx2 import Response
from starlette.testclient import TestClient
from tests.support.door import Door, door
from tests.support.once import made_once

from plantigrade_gateway.session import invented
from plantigrade_gateway.session.invented import JONAH, put
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.live.audience import Audience

HERE = "/api/v1"
DOCUMENT = f"{HERE}/openapi.json"
NOW = datetime(2026, 3, 30, 9, 0, tzinfo=UTC)
METHODS = ("get", "post", "put", "patch", "delete")


def invented_store_of(factory: pytest.TempPathFactory) -> Path:
    """Return a store with one invented player and two visits, stands, walks and sets of swings.

    Made once in a test run: who writes into it takes a copy.
    """
    return made_once(factory, "invented.sqlite3", _invent)


def _invent(path: Path) -> None:
    story = replace(JONAH, visits=JONAH.visits[1:])
    with Store.open(path) as store, pytest.MonkeyPatch.context() as patch:
        patch.setattr(invented, "STORIES", (story,))
        put(store, NOW)


@dataclass
class Bay:
    """A gateway's pages and API behind their door.

    Attributes
    ----------
    door : Door
    app : Guard
    portal : BlockingPortal
        Where all its programs' requests are answered.
    """

    door: Door
    app: Guard
    portal: BlockingPortal

    def browser(self) -> TestClient:
        """Return a program that is not signed in; it keeps cookies and sends our own origin."""
        program = TestClient(
            self.app,
            base_url=self.door.origin,
            headers={"origin": self.door.origin},
            client=("192.0.2.50", 50000),
            follow_redirects=False,
        )
        program.portal = self.portal  # else each request starts a thread and a loop of its own
        return program

    def coach(self) -> TestClient:
        """Return a program that is signed in as the coach."""
        program = self.browser()
        assert self.door.sign_in(program).status_code == 303
        return program


@contextmanager
def bay(path: Path) -> Iterator[Bay]:
    """Serve a store to the local network."""
    with Store.open(path) as store:
        opened = door(store)
        app = create_app(Audience(lambda _: None), path, opened.access)
        with TestClient(app) as life:
            assert life.portal is not None
            yield Bay(opened, Guard(app, opened.access), life.portal)


def got(answer: Response, status: int = 200) -> Any:
    """Return what was answered with a status."""
    assert answer.status_code == status, answer.text
    return answer.json()


def operations(document: dict[str, Any]) -> list[tuple[str, str]]:
    """Return every method and path of an OpenAPI document."""
    return [
        (method.upper(), path)
        for path, item in document["paths"].items()
        for method in item
        if method in METHODS
    ]


def filled(path: str, **values: str) -> str:
    """Return a path with its parameters, those of no value as something unknown."""
    while "{" in path:
        name = path[path.index("{") + 1 : path.index("}")]
        path = path.replace(f"{{{name}}}", quote(values.get(name, "1"), safe=""))
    return path
