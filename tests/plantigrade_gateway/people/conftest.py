"""Engines on SQLite files, closed when a module's tests are done."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import sqlalchemy as sa

from plantigrade_gateway.people.tables import sqlite_engine


@pytest.fixture(scope="module")
def engine_at() -> Iterator[Callable[[Path], sa.Engine]]:
    with ExitStack() as stack:

        def made(path: Path) -> sa.Engine:
            engine = sqlite_engine(path)
            stack.callback(engine.dispose)
            return engine

        yield made
