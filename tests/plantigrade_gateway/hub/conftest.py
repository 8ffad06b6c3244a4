"""What the tests of the hub begin with."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from tests.support.browser import started
from tests.support.hub import Site, site

from plantigrade_gateway.people.tables import SERVER


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
