"""What the tests of the API begin with."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.support.api import Bay, bay, invented_store_of
from tests.support.handmade import Handmade, Made
from tests.support.practice import practice_copy

from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.api.app import api_app
from plantigrade_gateway.web.door.access import Access


@pytest.fixture(scope="session")
def invented_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return invented_store_of(tmp_path_factory)


@pytest.fixture
def path(invented_store: Path, tmp_path: Path) -> Path:
    return practice_copy(invented_store, tmp_path)


@pytest.fixture
def served(path: Path) -> Iterator[Bay]:
    with bay(path) as opened:
        yield opened


@pytest.fixture
def coach(served: Bay) -> TestClient:
    return served.coach()


@pytest.fixture(scope="session")
def handmade(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Handmade]:
    folder = tmp_path_factory.mktemp("handmade")
    with Store.open(folder / "door.sqlite3") as door:
        opened = Handmade(folder, 3, lambda path: api_app(path, Access(door.database)))
        with opened.client:
            yield opened


@pytest.fixture
def made(handmade: Handmade) -> Iterator[Made]:
    """Two players and their visits, made by hand."""
    with handmade.begun() as begun:
        yield begun


@pytest.fixture
def program(handmade: Handmade, made: Made) -> TestClient:
    """A program that asks the API of that store as a coach; no door stands before it."""
    return handmade.client
