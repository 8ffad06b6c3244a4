"""What several of the gateway's tests begin with."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from plantigrade_gateway.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.sqlite3") as opened:
        yield opened


@pytest.fixture
def session(store: Store) -> str:
    return store.create_session("test", analysis_version=1)
