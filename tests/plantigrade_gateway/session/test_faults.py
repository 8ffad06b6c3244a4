"""Faults at every point of a session's life, and what must be true after each.

The table: a session begins, runs or ends while the disk is full (a real one), while another program
keeps the store locked, or while it may only be read. Always: sound and page go on, what happened is
said in one sentence, the session is recorded as soon as the store takes it, and nothing that was
recorded is lost. The store is tried again every `RETRY_S`, here sooner.
"""

import contextlib
import re
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.support.standing import pair, push_all
from tests.support.tinydisk import fill, tiny_disk

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.store import recorder, schema
from plantigrade_gateway.store.check import verify
from plantigrade_gateway.store.recorder import RETRY_S
from plantigrade_gateway.store.results import reanalyse
from plantigrade_gateway.store.rows import NewSession
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

START_NS = 5_000_000_000
SECOND_NS = 1_000_000_000
WITHIN_S = 10.0
"""After a fault's end the gateway records again within so long."""
Fault = Callable[["Ground"], contextlib.AbstractContextManager[None]]


class Ground:
    """A store, a gateway's sessions over it, and what was said.

    Attributes
    ----------
    connections : list of Store
        Every connection of a recorder.
    refuses : bool
        Whether new ones may only read.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self.connections: list[Store] = []
        self.refuses = False
        self.told: list[str] = []
        self.ended: list[str] = []
        self.visit = SessionManager(
            SessionSettings(mass_kg=80.0),
            lambda: LiveSession(store, "test", Silence(), self._tell),
            lambda live, found: self.ended.append(live.session_id),
        )

    def _tell(self, error: StoreError) -> None:
        self.told.append(str(error))

    def begun(self) -> LiveSession:
        """Return the session under way."""
        assert self.visit.live is not None
        return self.visit.live

    def record_of(self, session_id: str) -> list[Entry]:
        """Return what is stored of a session's notifications."""
        stored = [e for batch in self.store.batches(session_id) for e in batch]
        return [e for e in stored if e.kind is Kind.NOTIFICATION]


def until(done: Callable[[], bool]) -> None:
    """Wait for something that a thread does; the runner of the tests has the limit."""
    while not done():
        threading.Event().wait(0.005)


@contextlib.contextmanager
def full(ground: Ground) -> Iterator[None]:
    """No room on the disk."""
    filler = fill(ground.store.path.parent)
    yield
    filler.unlink()


@contextlib.contextmanager
def locked(ground: Ground) -> Iterator[None]:
    """Another program writes, and does not come to an end."""
    other = sqlite3.connect(ground.store.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    yield
    other.execute("ROLLBACK")
    other.close()


@contextlib.contextmanager
def read_only(ground: Ground) -> Iterator[None]:
    """The store may only be read: SQLite itself refuses each write."""

    def may_only_read(only: bool) -> None:
        ground.refuses = only
        for store in ground.connections:
            with contextlib.suppress(StoreError):  # closed since
                store.database.read(f"PRAGMA query_only = {int(only)}")

    may_only_read(True)
    yield
    may_only_read(False)


FAULTS: dict[str, tuple[Fault, str]] = {
    "full": (full, "full|refuses to read or write"),
    "locked": (locked, "locked"),
    "read-only": (read_only, "cannot be written"),
}
"""Each fault, and what is said of it."""


@pytest.fixture
def ground(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Ground]:
    monkeypatch.setattr(recorder, "RETRY_S", 0.02)
    monkeypatch.setattr(schema, "BUSY_S", 0.05)
    with tiny_disk(tmp_path, "4m") as disk, Store.open(disk / "store.sqlite3") as store:
        made = Ground(store)
        opened = Store.open

        def watched(path: Path, *, create: bool = True) -> Store:
            one = opened(path, create=create)
            made.connections.append(one)
            if made.refuses:
                one.database.read("PRAGMA query_only = 1")
            return one

        monkeypatch.setattr(Store, "open", watched)
        yield made
        with contextlib.suppress(StoreError):
            made.visit.close("stop")


def said_once(told: list[str], expected: str) -> None:
    """Check that one sentence says what happened."""
    assert len(told) >= 1 and re.search(expected, told[0]) and "\n" not in told[0], told


def whole(ground: Ground, session_id: str, entries: list[Entry]) -> None:
    """Check that a session is stored to its end, as it came, and analysed as it was heard."""
    assert ground.record_of(session_id) == [e for e in entries if e.kind is Kind.NOTIFICATION]
    assert ground.store.session(session_id).state == "ended"
    assert reanalyse(ground.store, session_id)[1] == 0
    assert verify(ground.store) == []


@pytest.mark.parametrize("fault", FAULTS)
def test_while_a_session_begins(ground, fault):
    make, expected = FAULTS[fault]
    entries = pair(1.0, START_NS, 4.0)
    with make(ground):
        push_all(ground.visit, entries[:200])
        live = ground.begun()
        until(lambda: live.store_problem is not None)
        push_all(ground.visit, entries[200:])
        assert ground.visit.live is live and live.analysis.now_s > 3.0, "it goes on"
        assert ground.store.sessions() == []
    until(lambda: live.store_problem is None)
    ground.visit.close("stop")
    assert len(ground.told) == 1
    said_once(ground.told, expected)
    whole(ground, live.session_id, entries)


@pytest.mark.parametrize("fault", FAULTS)
def test_while_a_session_runs(ground, fault):
    make, expected = FAULTS[fault]
    entries = pair(1.0, START_NS, 8.0)
    push_all(ground.visit, entries[:400])
    live = ground.begun()
    live.flush()
    with make(ground):
        push_all(ground.visit, entries[400:])
        until(lambda: live.store_problem is not None)
        kept = ground.record_of(live.session_id)
        assert kept == [e for e in entries[:400] if e.kind is Kind.NOTIFICATION]
    until(lambda: live.store_problem is None)
    ground.visit.close("stop")
    assert len(ground.told) == 1
    said_once(ground.told, expected)
    whole(ground, live.session_id, entries)


@pytest.mark.parametrize("fault", FAULTS)
def test_while_a_session_ends(ground, fault):
    """And while the next one begins, which is recorded too."""
    make, expected = FAULTS[fault]
    entries = pair(1.0, START_NS, 4.0)
    push_all(ground.visit, entries)
    first = ground.begun()
    first.flush()
    stopped_ns = START_NS + 4 * SECOND_NS
    following = [e for e in pair(1.0, stopped_ns, 4.0) if e.kind is Kind.NOTIFICATION]
    with make(ground):
        with pytest.raises(StoreError, match=expected) as caught:
            ground.visit.stop(stopped_ns)
        said_once([str(caught.value)], "waits in memory")
        assert first.lingers
        push_all(ground.visit, following[:100])
        ground.visit.record()
        push_all(ground.visit, following[100:])
        second = ground.begun()
        until(lambda: second.store_problem is not None)
    until(lambda: not first.lingers and second.store_problem is None)
    ground.visit.close("stop")
    assert ground.store.session(first.session_id).end_reason == "stop"
    assert any("is stored to its end" in text for text in ground.told)
    whole(ground, first.session_id, entries)
    whole(ground, second.session_id, following)


@pytest.mark.parametrize("fault", FAULTS)
def test_it_records_again_within_ten_seconds(ground, fault, monkeypatch):
    """The second try after a fault's end succeeds at the latest: the first may have been under way.

    So it takes no longer than two of the program's pauses, whatever the fault lasted.
    """
    make, _ = FAULTS[fault]
    tried: list[str] = []
    begin = Store.begin_session

    def counted(store: Store, session_id: str, new: NewSession) -> None:
        tried.append(session_id)
        begin(store, session_id, new)

    monkeypatch.setattr(Store, "begin_session", counted)
    with make(ground):
        push_all(ground.visit, pair(1.0, START_NS, 2.0))
        live = ground.begun()
        until(lambda: len(tried) > 5)
    before = len(tried)
    until(lambda: live.store_problem is None)
    assert len(tried) - before <= 2
    assert 2 * RETRY_S < WITHIN_S
    ground.visit.close("stop")


def test_a_session_that_never_gets_room_says_what_is_lost_and_the_next_is_recorded(ground):
    entries = pair(1.0, START_NS, 4.0)
    push_all(ground.visit, entries)
    first = ground.begun()
    first.flush()
    with full(ground):
        with pytest.raises(StoreError, match="waits in memory"):
            ground.visit.stop(START_NS + 4 * SECOND_NS)
        with pytest.raises(StoreError, match="are lost, all before them are stored"):
            ground.visit.close("stop")
    assert ground.store.recover() == [first.session_id]
    assert ground.record_of(first.session_id) == [e for e in entries if e.kind is Kind.NOTIFICATION]
