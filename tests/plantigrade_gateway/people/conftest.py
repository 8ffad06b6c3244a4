"""People's tables on both engines: a test that uses one of these fixtures runs once on each.

One that is about SQLite itself says ``@pytest.mark.sqlite``.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa
from tests.support.postgres import Postgres

from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.tables import SERVER, server_engine, sqlite_engine
from plantigrade_gateway.store.store import Store

Places = Callable[[], AbstractContextManager[sa.Engine]]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "engine_name" in metafunc.fixturenames:
        only = metafunc.definition.get_closest_marker("sqlite") is not None
        engines = ["sqlite", pytest.param("postgresql", marks=pytest.mark.dear)]
        names = engines[: 1 if only else 2]
        metafunc.parametrize("engine_name", names, indirect=True, scope="module")


@pytest.fixture(scope="module")
def engine_name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def new_place(engine_name: str, request: pytest.FixtureRequest) -> Iterator[Places]:
    """Make engines on empty tables, each of a place of its own."""
    engines: dict[str, sa.Engine] = {}

    @contextmanager
    def on_server(server: Postgres) -> Iterator[sa.Engine]:
        with server.people() as url:
            yield engines.setdefault(url, server_engine(url))

    @contextmanager
    def in_memory() -> Iterator[sa.Engine]:
        engine = sqlite_engine(Path(":memory:"))
        yield engine
        engine.dispose()

    if engine_name == "sqlite":
        yield in_memory
    else:
        server = request.getfixturevalue("server")
        yield lambda: on_server(server)
    for engine in engines.values():
        engine.dispose()


@pytest.fixture
def engine(new_place: Places) -> Iterator[sa.Engine]:
    with new_place() as made:
        yield made


@pytest.fixture
def new_log(new_place: Places) -> Iterator[Callable[..., ChangeLog]]:
    """Make logs of places of their own."""
    with ExitStack() as stack:
        yield lambda *clock: ChangeLog(stack.enter_context(new_place()), *clock)


@pytest.fixture
def tables(
    engine_name: str, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[None]:
    """Keep the people's tables of the test's store on the engine."""
    monkeypatch.delenv(SERVER, raising=False)
    with ExitStack() as stack:
        if engine_name == "postgresql":
            server: Postgres = request.getfixturevalue("server")
            monkeypatch.setenv(SERVER, stack.enter_context(server.people()))
        yield


@pytest.fixture
def away(
    register: Register, engine_name: str, request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[Register]:
    """The register of another place."""
    with ExitStack() as stack:
        monkeypatch = stack.enter_context(pytest.MonkeyPatch.context())
        if engine_name == "postgresql":
            server: Postgres = request.getfixturevalue("server")
            monkeypatch.setenv(SERVER, stack.enter_context(server.people()))
        store = stack.enter_context(Store.open(tmp_path / "away.sqlite3"))
        yield stack.enter_context(Register(store))


@pytest.fixture
def store(store: Store, tables: None) -> Store:
    return store


@pytest.fixture
def register(store: Store) -> Iterator[Register]:
    with Register(store) as opened:
        yield opened
