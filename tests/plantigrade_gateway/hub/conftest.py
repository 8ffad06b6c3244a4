"""What the tests of the hub begin with."""

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from playwright.sync_api import Browser
from tests.support.browser import started
from tests.support.hub import Site, site

from plantigrade_gateway.people.tables import SERVER, engine_for, migrate


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started() as opened:
        yield opened


@pytest.fixture(params=["sqlite", "postgresql"])
def hub_on_each(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Site]:
    """A hub whose tables lie in its file, and one whose tables lie on a server."""
    with contextlib.ExitStack() as stack:
        if request.param == "postgresql":
            server = request.getfixturevalue("server")
            monkeypatch.setenv(SERVER, stack.enter_context(server.people()))
        yield stack.enter_context(site(tmp_path / "hub"))


@pytest.fixture(scope="session")
def tables(tmp_path_factory) -> Path:
    """Return a file with a hub's tables and nothing in them, to be copied."""
    path: Path = tmp_path_factory.mktemp("hub") / "hub.sqlite3"
    engine = engine_for(path)
    migrate(engine)
    engine.dispose()
    return path


@pytest.fixture
def engine(tmp_path: Path, tables: Path) -> Iterator[sa.Engine]:
    """Give a hub's tables, empty."""
    made = engine_for(Path(shutil.copy(tables, tmp_path)))
    yield made
    made.dispose()
