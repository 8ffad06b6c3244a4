"""The desk's pages on a copy of a module's own store; a module gives `made`, the store to copy."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.handmade import Handmade, Made
from tests.support.practice import practice_copy

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.pages import pages_app
from plantigrade_gateway.web.desk.preparing import Preparing
from plantigrade_gateway.web.desk.routes import desk_router


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    return practice_copy(made, tmp_path)


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path) as opened:
        yield opened


@pytest.fixture
def register(store: Store) -> Iterator[Register]:
    with Register(store) as opened:
        yield opened


@pytest.fixture
def client(path: Path) -> Iterator[TestClient]:
    app = FastAPI()
    app.include_router(desk_router(path))
    with TestClient(app, follow_redirects=False) as opened:
        yield opened


@pytest.fixture(scope="session")
def handmade(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Handmade]:
    opened = Handmade(
        tmp_path_factory.mktemp("handmade"), 3, lambda path: pages_app(path, Preparing(path))
    )
    with opened.client:
        yield opened


@pytest.fixture
def hand(handmade: Handmade) -> Iterator[Made]:
    """Two players and their visits, made by hand."""
    with handmade.begun() as begun:
        yield begun


@pytest.fixture
def pages(handmade: Handmade, hand: Made) -> TestClient:
    """A browser at that store's pages."""
    return handmade.client
