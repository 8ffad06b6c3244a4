"""What the tests of the hub's page begin with."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser
from tests.support.browser import started


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started() as opened:
        yield opened
