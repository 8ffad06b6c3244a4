"""What the tests of the API begin with."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.support.api import Bay, bay, invented_store_of
from tests.support.practice import practice_copy


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
