"""A PostgreSQL that several write to, that refuses, is killed and comes back. All invented.

Classes of SQLSTATE are those of PostgreSQL's manual, appendix A.
"""

import html
import itertools
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest
import sqlalchemy as sa
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.postgres import Postgres, postgres
from tests.support.servers import until
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import RefusedNowError, StoreError
from plantigrade_gateway.people import tables
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.log import DELETED, ChangeLog
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.tables import SERVER, engine_for
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router

pytestmark = pytest.mark.dear

SAYS = """
import sys
from pathlib import Path
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.tables import engine_for
log = ChangeLog(engine_for(Path(sys.argv[1])))
print("ready", flush=True)
sys.stdin.readline()
for k in range(25):
    log.say("player", f"{sys.argv[2]}-{k}", {"name": "Nobody", "mass_kg": k}, "c")
"""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.sqlite3") as opened:
        yield opened


@pytest.fixture
def own_server() -> Iterator[Postgres]:
    """One that may be killed."""
    with postgres() as started:
        yield started


@pytest.mark.usefixtures("tables")
@pytest.mark.slow
def test_what_several_processes_say_at_once_is_numbered_without_gap_or_double(tmp_path):
    path = tmp_path / "s.sqlite3"
    said = [
        subprocess.Popen(
            [sys.executable, "-c", SAYS, str(path), str(n)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for n in range(4)
    ]
    for one in said:
        assert one.stdout is not None and one.stdout.readline() == "ready\n"
    for one in said:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    for one in said:
        one.communicate(timeout=HANG_S)
        assert one.returncode == 0
    engine = engine_for(path)
    log = ChangeLog(engine)
    found = log.changes()
    assert len({c.site for c in found}) == 1
    assert sorted(c.seq for c in found) == list(range(1, 4 * 25 * 2 + 1))
    assert [c.seq for c in found] == sorted(c.seq for c in found), "stamps rise with the numbers"
    assert log.seen() == {found[0].site: 200}
    engine.dispose()


def test_a_server_that_is_killed_and_comes_back_lost_nothing_that_it_took(
    own_server, tmp_path, monkeypatch
):
    """Kill -9 of all its processes, three times, while somebody says one thing after another."""
    said: list[int] = []
    refused: list[StoreError] = []
    enough = threading.Event()

    def say_on(register: Register, key: str) -> None:
        for k in itertools.count():
            if enough.is_set():
                return
            try:
                register.edit(key, mass_kg=40.0 + k / 100)
                said.append(k)
            except StoreError as error:
                refused.append(error)
                time.sleep(0.01)

    with ExitStack() as stack:
        monkeypatch.setenv(SERVER, stack.enter_context(own_server.people()))
        store = stack.enter_context(Store.open(tmp_path / "s.sqlite3"))
        register = stack.enter_context(Register(store))
        key = register.add(name="Ada Nowhere", handedness="left")
        pool = stack.enter_context(ThreadPoolExecutor(1))
        stack.callback(enough.set)
        speaker = pool.submit(say_on, register, key)

        def wait_for_more(things: Sequence[object], more: int) -> None:
            wanted = len(things) + more
            until(lambda: len(things) >= wanted or speaker.done())

        for _ in range(3):
            wait_for_more(said, 10)
            own_server.kill()
            wait_for_more(refused, 3)
            own_server.start()
        wait_for_more(said, 10)
        enough.set()
        speaker.result(HANG_S)
        masses = [c.value for c in register.changes(key) if c.field == "mass_kg"]
        assert set(masses) >= {40.0 + k / 100 for k in said}
        assert len(masses) == len(set(masses)), "nothing was taken twice"
        assert register.profile(key).mass_kg == masses[-1] == 40.0 + said[-1] / 100
        numbers = [c.seq for c in register.log.changes()]
        assert numbers == sorted(set(numbers)), "stamps rise with the numbers"
    assert {type(error) for error in refused} == {RefusedNowError}
    assert all(str(e).startswith("people's tables on ") for e in refused)
    assert all("\n" not in str(e) for e in refused)


def test_pages_say_it_while_the_server_is_gone_and_work_again_after(
    own_server, tmp_path, monkeypatch
):
    with ExitStack() as stack:
        monkeypatch.setenv(SERVER, stack.enter_context(own_server.people()))
        path = tmp_path / "s.sqlite3"
        with Store.open(path) as store, Register(store) as register:
            register.add(name="Ada Nowhere", handedness="left")
        app = FastAPI()
        app.include_router(desk_router(path))
        client = stack.enter_context(TestClient(app, raise_server_exceptions=False))
        assert "Ada Nowhere" in client.get("/players").text
        own_server.kill()
        gone = client.get("/players")
        assert gone.status_code >= 400 and "cannot be reached" in html.unescape(gone.text)
        own_server.start()
        assert "Ada Nowhere" in client.get("/players").text


@pytest.mark.parametrize(
    ("change", "kind", "said"),
    [
        (("people@", "people:s3cret@"), None, ""),
        (("/postgres?", "/nowhere?"), RefusedNowError, 'database "nowhere" does not exist'),
        (("people@", "other:s3cret@"), RefusedNowError, 'role "other" does not exist'),
        (("?host=", "?host=/nowhere"), RefusedNowError, "cannot be reached"),
        (("path%3D", "path%3Dno"), StoreError, "cannot be used"),
        (("postgresql+psycopg", "mysql"), StoreError, f"{SERVER}: is no URL"),
        (("people@/", "people:s3cret@host:port/"), StoreError, f"{SERVER}: is no URL"),
    ],
)
def test_a_wrong_url_is_one_sentence_without_the_password(
    server, store, monkeypatch, change, kind, said
):
    with server.people() as url:
        assert change[0] in url
        monkeypatch.setenv(SERVER, url.replace(*change))
        if kind is None:
            Register(store).close()
            return
        with pytest.raises(kind, match=re.escape(said)) as caught:
            Register(store)
    assert type(caught.value) is kind
    assert "s3cret" not in str(caught.value) and "\n" not in str(caught.value)


def test_who_waits_too_long_for_another_writer_is_told(server, store, monkeypatch):
    monkeypatch.setattr(tables, "BUSY_S", 0.05)
    with server.people() as url:
        monkeypatch.setenv(SERVER, url)
        with Register(store) as register:
            with tables.writing(register._engine).begin():
                with pytest.raises(RefusedNowError, match="another program keeps it locked"):
                    register.add(name="Ada", handedness="left")
                assert register.names() == {}, "reading goes on"
            assert register.add(name="Ada", handedness="left") in register.names()


def test_too_many_connections_are_told(server, store, monkeypatch):
    with server.people() as url:
        monkeypatch.setenv(SERVER, url)
        with Register(store) as register, ExitStack() as stack:
            monkeypatch.setattr(register._engine.pool, "_timeout", 0.05)
            with pytest.raises(RefusedNowError, match="cannot be reached"):
                for _ in range(100):
                    stack.enter_context(register._engine.connect())
                    register.names()


def test_of_a_deleted_player_no_byte_is_left_in_the_servers_tables(server, store, monkeypatch):
    """In no file but the write-ahead log; the statistics are files as well."""

    def is_kept(text: bytes) -> bool:
        with engine.connect() as db:
            db.exec_driver_sql("CHECKPOINT")
        files = [path for path in (server.data / "base").rglob("*") if path.is_file()]
        return any(text in path.read_bytes() for path in files)

    with server.people() as url:
        monkeypatch.setenv(SERVER, url)
        with Register(store) as register:
            engine = register._engine.execution_options(isolation_level="AUTOCOMMIT")
            keys = [register.add(name=f"Vanishing {n}", handedness="left") for n in "ABCD"]
            for key in keys:
                for shoe in "first", "second":
                    register.edit(key, shoe=f"{shoe} of Vanishing")
            with engine.connect() as db:
                db.exec_driver_sql("ANALYZE people_change")
            assert is_kept(b"Vanishing A") and is_kept(b"of Vanishing")
            for key in keys:
                assert delete_player(register, key).traces is None
            assert not is_kept(b"Vanishing")
            key = register.add(name="Vanishing E", handedness="left")
            tombstone = Change(32 * "d", PLAYER, key, DELETED, True, "c", 0, 1, "elsewhere", 1)
            assert is_kept(b"Vanishing")
            register.log.merge([tombstone])
            assert not is_kept(b"Vanishing")


def test_a_deletion_while_another_reads_on_says_so(server, store, monkeypatch):
    with server.people() as url:
        monkeypatch.setenv(SERVER, url)
        with Register(store) as register:
            key = register.add(name="Vera", handedness="left")
            monkeypatch.setattr(tables, "BUSY_S", 0.05)
            with register._engine.connect() as reader:
                reader.execute(sa.select(tables.CHANGE)).all()
                receipt = delete_player(register, key)
            assert receipt.traces is not None and "keeps it locked" in receipt.traces
            assert register.profiles() == {}
