"""What several of the gateway's tests begin with."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.support.postgres import Postgres, postgres
from tests.support.servers import Victoria

from plantigrade_gateway.store.store import Store


@pytest.fixture(scope="session")
def server() -> Iterator[Postgres]:
    """A PostgreSQL of this process, started by the first test that wants it."""
    with postgres() as started:
        yield started


@pytest.fixture(scope="module")
def victoria(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Victoria]:
    server = Victoria(tmp_path_factory.mktemp("vm"))
    server.start()
    yield server
    server.kill()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.sqlite3") as opened:
        yield opened


@pytest.fixture
def session(store: Store) -> str:
    return store.create_session("test", analysis_version=1)
