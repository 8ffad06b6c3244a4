"""One hub bears a name at a time, on a real PostgreSQL."""

import contextlib
import re
from collections.abc import Iterator

import pytest
import sqlalchemy as sa
from tests.support.hub import Site
from tests.support.postgres import Postgres

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.hub.bearer import Bearer
from plantigrade_gateway.people.tables import server_engine

SAID = (
    "hub north: another hub on these tables is called so too, and deletions are confirmed by name; "
    "this one waits until it has ended: give each a name of its own (--name)"
)


@pytest.fixture
def url(server: Postgres) -> Iterator[str]:
    with server.people() as made:
        yield made


@contextlib.contextmanager
def bearer(url: str, name: str) -> Iterator[Bearer]:
    """A hub's, in a process of its own."""
    engine = server_engine(url)
    made = Bearer(engine, name)
    yield made
    made.let_go()
    engine.dispose()


def test_a_second_hub_of_a_name_is_refused_until_the_first_has_ended(url):
    with bearer(url, "north") as second:
        with bearer(url, "north") as first, bearer(url, "south") as other:
            for one in (first, other, first):
                one.hold()
            for _ in range(2):
                with pytest.raises(StoreError) as refused:
                    second.hold()
                assert str(refused.value) == SAID
        second.hold()


def test_sites_in_one_database_have_names_of_their_own(server):
    with (
        server.people() as url,
        server.people() as another,
        bearer(url, "north") as first,
        bearer(another, "north") as second,
    ):
        first.hold()
        second.hold()


def test_a_name_is_lost_with_its_connection_and_held_again(url):
    """A hub that was cut off: the other one may have the name then, and is waited for."""
    with bearer(url, "north") as first, bearer(url, "north") as second:
        first.hold()
        assert first._held is not None
        pid = first._held.scalar(sa.select(sa.func.pg_backend_pid()))
        engine = server_engine(url)
        with engine.connect() as db:
            db.execute(sa.select(sa.func.pg_terminate_backend(pid, 10_000)))
        engine.dispose()
        second.hold()
        with pytest.raises(StoreError, match="called so too"):
            first.hold()
        second.let_go()
        first.hold()


def test_a_server_lets_go_of_a_hub_that_vanished_within_half_a_minute(url):
    """What it is told to wait: until it asks, and then as often as it asks in vain."""
    said: list[str] = []
    engine = server_engine(url)
    sa.event.listen(engine, "before_cursor_execute", lambda *given: said.append(given[2]))
    made = Bearer(engine, "north")
    made.hold()
    made.let_go()
    engine.dispose()
    found = dict(re.findall(r"SET tcp_keepalives_(\w+) = (\d+)$", "\n".join(said), re.MULTILINE))
    wait = {name: int(value) for name, value in found.items()}
    assert 0 < wait["idle"] + wait["interval"] * wait["count"] <= 30
    assert all(wait.values())  # 0: as the machine has it, two hours


def test_in_a_file_there_is_nothing_to_hold(engine):
    for _ in range(2):
        Bearer(engine, "north").hold()


def test_a_hub_under_a_name_that_is_borne_looks_at_nothing(hub_on_each: Site, tmp_path):
    """Its deletions would be confirmed by the other's; on tables in a file it has its own."""
    with hub_on_each.intake("north", tmp_path / "b") as two:
        with hub_on_each.intake("north") as first:
            first.look()
            if hub_on_each.engine.dialect.name == "postgresql":
                for work in (two.look, two.rebuild):
                    with pytest.raises(StoreError, match="called so too"):
                        work()
        two.look()
