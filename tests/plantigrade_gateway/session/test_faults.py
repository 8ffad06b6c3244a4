"""Faults at every point of a session's life, and what must be true after each.

The table: a session begins, runs or ends while the disk is full (a real one), while another program
keeps the store locked, or while it may only be read. Always: sound and page go on, what happened is
said in one sentence, the session is recorded as soon as the store takes it, and nothing that was
recorded is lost. The store is tried again every `RETRY_S`, here sooner.

Further: the program is killed at each of these points, the clock is set back there, or the piece
recorded there is damaged later. Then the next start goes on and says what it found.
"""

import asyncio
import contextlib
import io
import re
import sqlite3
import subprocess
import sys
import textwrap
import threading
from collections.abc import Callable, Coroutine, Iterator
from datetime import datetime, tzinfo
from pathlib import Path

import pytest
from rich.console import Console
from tests.support.damage import flip_piece
from tests.support.standing import pair, push_all
from tests.support.tinydisk import fill, tiny_disk

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.recorded import ReplayJob
from plantigrade_gateway.session.runner import _opened_store, run
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.session.stage import RunOptions
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.sources.recording import ReplaySource
from plantigrade_gateway.sources.replay import write_replay
from plantigrade_gateway.store import recorder, rows, schema
from plantigrade_gateway.store.recorder import RETRY_S
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.results import read as results_of
from plantigrade_gateway.store.results import reanalyse, recover
from plantigrade_gateway.store.rows import NewSession
from plantigrade_gateway.store.sessions import find
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
    more = filler.with_name("more")  # what the kernel had not counted as free yet
    with contextlib.suppress(OSError), open(more, "wb", buffering=0) as file:
        while file.write(bytes(4096)):
            pass
    yield
    filler.unlink()
    more.unlink()


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


def test_whose_player_is_deleted_before_it_can_begin(ground, monkeypatch):
    store = ground.store
    player = store.players.create("Ida Invented", "left", 64)
    visit = SessionManager(
        SessionSettings(mass_kg=80.0),
        lambda: LiveSession(store, "test", Silence(), ground._tell, player_id=player),
        lambda live, found: ground.ended.append(live.session_id),
    )
    entries = pair(1.0, START_NS, 4.0)
    monkeypatch.setattr(recorder, "RETRY_S", 3600)
    with full(ground):
        push_all(visit, entries[:200])
        live = visit.live
        assert live is not None
        until(lambda: live.store_problem is not None)
    store.players.delete(player)
    monkeypatch.setattr(recorder, "RETRY_S", 0.02)
    push_all(visit, entries[200:])
    with contextlib.suppress(StoreError):
        visit.stop(START_NS + 5_000_000_000)  # this tries again at once
    until(lambda: not live.lingers)
    visit.close("stop")
    assert store.sessions() == [] and verify(store) == []
    assert len(ground.told) == 2
    assert ground.told[1] == (
        f"player {player}: not in the store {store.path}; "
        f"session {live.session_id[:8]} is not stored"
    )
    beside = {path.name for path in store.path.parent.iterdir()}
    assert not any(live.session_id in name for name in beside)


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


MOMENTS = ("begins", "runs", "ends")

KILLED = """
    import sys, threading
    from pathlib import Path
    from tests.support.standing import pair, push_all
    from plantigrade_gateway.record.settings import SessionSettings
    from plantigrade_gateway.session.session import LiveSession
    from plantigrade_gateway.session.visit import SessionManager
    from plantigrade_gateway.sound.output import Silence
    from plantigrade_gateway.store.recorder import Recorder
    from plantigrade_gateway.store.store import Store

    def wait(where, *rest):
        print(where, flush=True)
        threading.Event().wait()

    path, moment = Path(sys.argv[1]), sys.argv[2]
    store = Store.open(path)
    visit = SessionManager(
        SessionSettings(mass_kg=80.0),
        lambda: LiveSession(store, "test", Silence(), print),
        lambda live, found: None,
    )
    entries = pair(1.0, 5_000_000_000, 6.0)
    if moment == "begins":
        Recorder._commit = lambda self: None if self._begin is None else self._store.begin_session(
            self._session, self._begin) or wait("begun")
        push_all(visit, entries[:50])
        wait("waits")
    push_all(visit, entries[:400])
    visit.live.flush()
    if moment == "runs":
        push_all(visit, entries[400:])
        wait("runs")
    push_all(visit, entries[400:])
    Recorder._finish = lambda self: wait("ends")
    visit.stop(11_000_000_000)
"""


def test_a_start_killed_before_it_made_a_cut_off_session_s_results_is_made_good(tmp_path):
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        session_id = store.create_session("insoles", analysis_version=1)
        store.append(session_id, Batch.of(pair(1.0, START_NS, 6.0)))
    with Store.open(path) as store:
        assert store.recover() == [session_id]  # and killed here
    with Store.open(path) as store:
        assert results_of(store, session_id).quality is None
        (said,) = recover(store)
        assert said == f"Session {session_id[:8]} was cut off; what was recorded is kept."
        assert results_of(store, session_id).quality is not None
        assert recover(store) == []


@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.slow
def test_killed(tmp_path, moment):
    """A real kill; what was committed before is there, and the next start ends and analyses it."""
    path = tmp_path / "store.sqlite3"
    code = textwrap.dedent(KILLED)
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path), moment], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        if moment == "begins":  # from the recorder's thread or the session's: both must be there
            process.stdout.readline()
        process.kill()
    given = [e for e in pair(1.0, START_NS, 6.0) if e.kind is Kind.NOTIFICATION]
    with Store.open(path) as store:
        (cut,) = store.sessions()
        (said,) = recover(store)
        assert said == f"Session {cut.session_id[:8]} was cut off; what was recorded is kept."
        assert store.session(cut.session_id).end_reason == "restart"
        ground = Ground(store)
        got = ground.record_of(cut.session_id)
        assert got == given[: len(got)]
        assert len(got) >= {"begins": 0, "runs": 390, "ends": len(given)}[moment]
        results_of(store, cut.session_id)
        again = pair(1.0, 20 * SECOND_NS, 2.0)
        push_all(ground.visit, again)
        session_id = ground.begun().session_id
        ground.visit.close("stop")
        whole(ground, session_id, again)
        assert ground.told == []


@pytest.mark.parametrize("jump_s", [-3600.0, 86400.0], ids=["an hour back", "a day forward"])
@pytest.mark.parametrize("moment", MOMENTS)
def test_the_clock_is_set_back(store, monkeypatch, moment, jump_s):
    """Or forward, as a computer does that learns the time: nothing that counts goes by it."""

    class Back(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> "Back":
            return cls.fromtimestamp(datetime.now().timestamp() + jump_s, tz)

    def set_back(now: str) -> None:
        if now == moment:
            monkeypatch.setattr(rows, "datetime", Back)

    ground = Ground(store)
    before = pair(1.0, START_NS, 2.0)
    push_all(ground.visit, before)
    ground.visit.stop(START_NS + 2 * SECOND_NS)
    set_back("begins")
    ground.visit.record()
    entries = [e for e in pair(1.0, 10 * SECOND_NS, 4.0) if e.kind is Kind.NOTIFICATION]
    push_all(ground.visit, entries[:200])
    session_id = ground.begun().session_id
    set_back("runs")
    push_all(ground.visit, entries[200:])
    set_back("ends")
    ground.visit.close("stop")
    assert ground.ended[1:] == [session_id] and ground.told == []
    whole(ground, session_id, entries)
    assert find(store, "last").session_id == session_id
    assert store.session(session_id).duration_s == pytest.approx(3.9, abs=0.2)


@pytest.mark.parametrize("moment", MOMENTS)
def test_the_piece_recorded_then_is_damaged_later(store, moment):
    """And the program was killed, so that the next start has to read it."""
    ground = Ground(store)
    entries = pair(1.0, START_NS, 6.0)
    push_all(ground.visit, entries)
    live = ground.begun()
    live.flush()
    ((last,),) = store.database.read("SELECT max(seq) FROM chunks")
    flip_piece(store.path, {"begins": 0, "runs": last // 2, "ends": last}[moment])
    live.close("stop")  # its thread; the session is left open as a kill leaves it
    store.database.read("UPDATE sessions SET state = 'open', end_reason = NULL")
    with Store.open(store.path) as fresh:
        store.close()
        (said,) = recover(fresh)
        assert said.endswith("what was recorded is kept.")
        found = results_of(fresh, live.session_id)
        assert found.quality is not None and found.quality.mass_kg == 80.0
        (note,) = [text for text in found.quality.notes if "cannot be read" in text]
        assert "check sum" in note and "\n" not in note
        data = [e for e in entries if e.kind is Kind.NOTIFICATION]
        got = Ground(fresh).record_of(live.session_id)
        assert len(data) - 110 <= len(got) < len(data) and all(e in data for e in got)
        again = Ground(fresh)
        push_all(again.visit, pair(1.0, 20 * SECOND_NS, 2.0))
        session_id = again.begun().session_id
        again.visit.close("stop")
        assert fresh.session(session_id).state == "ended" and again.told == []


def test_the_program_starts_locked_beside_a_session_that_was_cut_off(store, monkeypatch):
    """It cannot be ended now; that is said, the program goes on, and the next start ends it."""
    monkeypatch.setattr(schema, "BUSY_S", 0.05)
    with locked(Ground(store)):
        assert recover(store) == [], "nothing is to be ended, so nothing is waited for"
    cut = store.create_session("cut off", analysis_version=1)
    path = store.path
    store.close()
    with Store.open(path) as opened, locked(Ground(opened)):
        (said,) = recover(opened)
        said_once([said], "locked")
        assert "ended at the next start" in said
    with Store.open(path) as opened:
        assert recover(opened) == [f"Session {cut[:8]} was cut off; what was recorded is kept."]


async def test_the_program_starts_on_a_full_disk(tmp_path, monkeypatch):
    """A store that is there is waited for, which is said once; one that cannot be made is not."""
    monkeypatch.setattr(recorder, "RETRY_S", 0.02)
    entries = pair(1.0, START_NS, 2.0)
    write_replay(tmp_path / "short.pgr", entries)
    source = ReplaySource(tmp_path / "short.pgr", "short", fast=True)
    shown = io.StringIO()

    def started(path: Path) -> Coroutine[None, None, None]:
        job, options = ReplayJob(source, "Invented."), RunOptions(sound=False, store=path)
        return run(job, options, Console(file=shown, width=400), asyncio.Event())

    (tmp_path / "disk").mkdir()
    with tiny_disk(tmp_path / "disk", "4m") as disk:
        path = disk / "store.sqlite3"
        with Store.open(path) as store:
            ground = Ground(store)
        with full(ground):
            with pytest.raises(StoreError, match="the disk") as caught:
                await started(disk / "other.sqlite3")
            assert "\n" not in str(caught.value)
            assert not (disk / "other.sqlite3").exists(), "nothing is left of the try"
            assert shown.getvalue() == ""
            running = asyncio.create_task(started(path))
            for _ in range(20):
                await asyncio.sleep(0.02)
            assert not running.done()
        await running
        (said,) = [line for line in shown.getvalue().splitlines() if "Waiting until" in line]
        assert said.startswith(f"store {path}: the disk ")
        with Store.open(path) as store:
            (session,) = store.sessions()
            whole(Ground(store), session.session_id, entries)


async def test_a_stop_while_the_store_is_waited_for_ends_the_program(tmp_path, monkeypatch):
    monkeypatch.setattr(recorder, "RETRY_S", 3600.0)
    stop = asyncio.Event()
    said: list[str] = []
    with tiny_disk(tmp_path, "4m") as disk:
        with Store.open(disk / "store.sqlite3") as store:
            ground = Ground(store)
        with full(ground):
            waiting = asyncio.create_task(_opened_store(store.path, said.append, stop))
            while not said:
                await asyncio.sleep(0.01)
            stop.set()
            with pytest.raises(StoreError, match="the disk"):
                await waiting
    assert len(said) == 1
