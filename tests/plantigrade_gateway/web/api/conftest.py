"""What the tests of the API begin with."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.support.api import Bay, bay, invent
from tests.support.practice import practice_copy


@pytest.fixture(scope="session")
def invented_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path: Path = tmp_path_factory.mktemp("api") / "store.sqlite3"
    invent(path)
    return path


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
