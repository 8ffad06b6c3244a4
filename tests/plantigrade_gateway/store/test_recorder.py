"""The recorder keeps what it is given, through a disk that refuses, and says what it could not."""

import contextlib
import os
import subprocess
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from tests.support.records import packets, step
from tests.support.tinydisk import tiny_disk

from plantigrade.events import Phase, PhaseKind
from plantigrade_gateway.analysis.eventrow import event_of
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import MAX_DATA_BYTES, Batch, Entry, Kind
from plantigrade_gateway.store import recorder as module
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.sqlite3") as opened:
        yield opened


@pytest.fixture
def session(store: Store) -> str:
    return store.create_session("test", analysis_version=1)


class Told(list[str]):
    """Collects what the recorder says; `wait` for its n-th sentence."""

    def __init__(self) -> None:
        super().__init__()
        self._changed = threading.Condition()

    def __call__(self, error: StoreError) -> None:
        assert isinstance(error, StoreError)
        with self._changed:
            self.append(str(error))
            self._changed.notify_all()

    def wait(self, n: int) -> None:
        with self._changed:
            self._changed.wait_for(lambda: len(self) >= n)


def arrivals(store: Store, session: str) -> list[int]:
    return [ns // 10_000_000 for b in store.batches(session) for ns in b.arrival_ns.tolist()]


def test_what_is_put_is_stored_in_order(store, session):
    with Recorder(store, session) as recorder:
        given = [recorder.put(packets(10, first=10 * k)) for k in range(20)]
        assert given == list(range(10, 201, 10))
        recorder.put(Batch.of(()))
        recorder.put_events([step(5), Phase(PhaseKind.SHIFT, 1.0, 1.0)], given[3])
        recorder.flush()
        assert recorder.committed == 200
        assert store.session(session).entries == 200
        assert [event_of(r) for r in store.events(session)] == [step(5)]
        assert store.session(session).state == "open"
    assert arrivals(store, session) == list(range(200))
    told = store.session(session)
    assert (told.state, told.end_reason) == ("ended", "stop")
    assert store.quality(session) == {}
    assert verify(store) == []


@pytest.mark.dear
def test_it_commits_by_itself(store, session):
    """No flush: what was put comes to be in the file while the recorder runs."""
    recorder = Recorder(store, session)
    recorder.put(packets(10))
    stored = threading.Event()
    while not store.session(session).entries:
        stored.wait(0.01)  # the test's time-out ends a recorder that never commits
    assert store.session(session).entries == 10
    recorder.close()


class Clock(threading.Condition):
    """Time as the recorder's thread sees it: a wait takes as long as it may, or until a put."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1000.0
        self.at: list[tuple[float, Callable[[], object]]] = []

    def monotonic(self) -> float:
        return self.now_s

    def wait(self, timeout: float | None = None) -> bool:
        end_s = float("inf") if timeout is None else self.now_s + timeout
        if self.at and self.at[0][0] <= end_s:
            self.now_s, do = self.at.pop(0)
            do()
        else:
            assert timeout is not None, "it waits for ever, with nothing more to come"
            self.now_s = end_s
        return True


@pytest.mark.parametrize("every_s", [0.01, 0.33, 5.0])
def test_nothing_waits_longer_than_a_second_less_the_time_to_write(
    store, session, monkeypatch, every_s
):
    """The promise of a second, on a clock of the test's own: a quarter is left for the disk.

    Entries come all the time, or now and then; an event comes alone in the end.
    """
    monkeypatch.setattr(Recorder, "_run", lambda self: None)  # its thread's work is done here
    recorder = Recorder(store, session)
    clock = Clock()
    recorder._changed = clock
    monkeypatch.setattr(module, "time", clock)
    put_s: list[float] = []

    def put() -> None:
        recorder.put(packets(1, first=len(put_s)))
        put_s.append(clock.now_s)

    clock.at = [(1000.0 + every_s * k, put) for k in range(40)]
    waited = []
    while clock.at or recorder.committed < 40:
        before = recorder.committed
        assert not recorder._wait()
        recorder._commit()
        waited += [clock.now_s - put_s[k] for k in range(before, recorder.committed)]
    assert len(waited) == 40 and max(waited) <= 0.75
    assert store.session(session).entries == 40
    alone_s = clock.now_s + 3.0
    clock.at = [(alone_s, lambda: recorder.put_events([step(1)], 40))]
    assert not recorder._wait()
    recorder._commit()
    assert clock.now_s - alone_s <= 0.75 and len(list(store.events(session))) == 1
    recorder._store.close()


def test_chunks_hold_a_second_of_the_record_each(store, session):
    with Recorder(store, session) as recorder:
        recorder.put(packets(1050))
    rows = store._db.read("SELECT entries, first_ns, last_ns FROM chunks ORDER BY seq")
    assert [r[0] for r in rows] == [100] * 10 + [50]
    assert all(last - first < 1_000_000_000 for _, first, last in rows)


def test_a_session_that_failed_says_so(store, session):
    with pytest.raises(ZeroDivisionError), Recorder(store, session) as recorder:
        recorder.put(packets(3))
        raise ZeroDivisionError
    told = store.session(session)
    assert (told.state, told.end_reason, told.entries) == ("ended", "error", 3)


def test_an_interrupted_session_is_a_stopped_one(store, session):
    with pytest.raises(KeyboardInterrupt), Recorder(store, session) as recorder:
        recorder.put(packets(3))
        raise KeyboardInterrupt
    assert store.session(session).end_reason == "stop"


def test_wrong_use_says_so(store, session):
    with pytest.raises(StoreError, match="session none: not in the store"):
        Recorder(store, "none")
    recorder = Recorder(store, session)
    with pytest.raises(StoreError, match="65536 bytes, expected at most 65535"):
        data = bytes(MAX_DATA_BYTES + 1)
        one = np.array([1], dtype=np.uint8)
        recorder.put(Batch(np.array([1]), one, one, np.array([len(data)]), data))
    recorder.put(packets(3))
    with pytest.raises(StoreError, match="events of 4 entries, of which 3 were recorded"):
        recorder.put_events([step(1)], 4)
    recorder.close()
    recorder.close()
    with pytest.raises(StoreError, match="its recorder is closed"):
        recorder.put(packets(1))
    assert store.session(session).entries == 3


@pytest.mark.dear
def test_events_wait_for_their_raw_bytes(store, session, monkeypatch):
    """An event that comes while its entries wait behind a commit is not committed before them."""
    told, seen = Told(), []
    begun, go_on = threading.Event(), threading.Event()
    write = Store.write

    def watched(self, session_id, chunks, rows=()):
        begun.set()
        go_on.wait()
        rows = list(rows)
        committed = write(self, session_id, chunks, rows)
        seen.append((committed, [r.upto_entry for r in rows]))
        return committed

    monkeypatch.setattr(Store, "write", watched)
    with Recorder(store, session, on_problem=told) as recorder:
        recorder.put_events([step(1)], recorder.put(packets(5)))
        begun.wait()
        recorder.put_events([step(2)], recorder.put(packets(5, first=5)))
        recorder.put_events([step(3)], 5)
        go_on.set()
        recorder.flush()
    assert told == []
    assert seen == [(5, [5]), (5, [5]), (10, [10])]


def test_a_full_queue_makes_put_wait_and_drops_nothing(store, session):
    with Recorder(store, session, held_bytes=2000) as recorder:
        for k in range(100):
            recorder.put(packets(10, first=10 * k))
        assert recorder.lost == 0
    assert arrivals(store, session) == list(range(1000))


@pytest.mark.dear
def test_what_waits_is_full_from_its_most_bytes_on(store, session):
    """A put waits then: a disk that stands still does not fill the memory."""
    with Recorder(store, session, held_bytes=2000) as recorder:
        recorder.flush()
        with recorder._changed:
            kept = recorder._bytes
            for waiting, is_full in ((1999, False), (2000, True), (2001, True)):
                recorder._bytes = waiting
                assert recorder._is_full() is is_full
            recorder._bytes = kept


def test_two_readers_while_writing(store, session):
    done = threading.Event()
    faults: list[str] = []

    def read() -> None:
        longest = 0
        with Store.open(store.path, create=False) as reader:
            while not done.is_set() or longest < 2000:
                got = arrivals(reader, session)
                if got != list(range(len(got))) or len(got) < longest:
                    faults.append(f"{len(got)} entries after {longest}")
                    return
                longest = len(got)
                rows = list(reader.events(session))
                stored = reader.session(session).entries  # read after them: never less
                if any(row.upto_entry > stored for row in rows):
                    faults.append("an event before its raw bytes")
                    return

    threads = [threading.Thread(target=read) for _ in range(2)]
    for thread in threads:
        thread.start()
    with Recorder(store, session) as recorder:
        for k in range(100):
            upto = recorder.put(packets(20, first=20 * k))
            recorder.put_events([step(k)], upto)
            recorder.flush()
    done.set()
    for thread in threads:
        thread.join()
    assert faults == []
    assert verify(store) == []


# A store that refuses


@pytest.fixture
def quick(monkeypatch) -> None:
    monkeypatch.setattr(module, "RETRY_S", 0.02)


def limit_pages(recorder: Recorder, pages: int) -> None:
    """Let SQLite find the file full at so many pages."""
    recorder._store._db.read(f"PRAGMA max_page_count = {pages}")


ROOM = 1 << 30


@pytest.mark.usefixtures("quick")
@pytest.mark.dear
def test_full_then_room_again_loses_nothing(store, session):
    told = Told()
    with Recorder(store, session, on_problem=told) as recorder:
        recorder.put(packets(100))
        recorder.flush()
        limit_pages(recorder, 1)  # at once: SQLite takes the present size for less
        for k in range(1, 30):
            upto = recorder.put(packets(100, first=100 * k))
            recorder.put_events([step(k)], upto)
        told.wait(1)
        assert recorder.problem is not None
        with pytest.raises(StoreError, match="the disk is full"):
            recorder.flush()
        before = recorder.committed
        assert before < 3000
        limit_pages(recorder, ROOM)
        while recorder.committed < 3000:
            threading.Event().wait(0.01)
        recorder.flush()
        assert recorder.problem is None
        recorder.put(packets(100, first=3000))
    assert told == [f"store {store.path}: the disk is full; make room on it"]
    assert arrivals(store, session) == list(range(3100))
    assert len(list(store.events(session))) == 29
    assert store.quality(session) == {}
    assert verify(store) == []


@pytest.mark.parametrize("meanwhile", ["nothing", "another store"])
@pytest.mark.dear
def test_a_store_that_was_moved_away_is_refused_and_put_back_it_lost_nothing(
    store, session, tmp_path, monkeypatch, meanwhile
):
    """SQLite itself goes on in the file that was moved, or that has no name any more."""
    monkeypatch.setattr(module, "RETRY_S", 0.02)
    away, path, told = tmp_path / "away.sqlite3", store.path, Told()
    with Recorder(store, session, on_problem=told) as recorder:
        recorder.put(packets(10))
        recorder.flush()
        path.rename(away)
        if meanwhile == "another store":
            Store.open(tmp_path / "other.sqlite3").close()
            (tmp_path / "other.sqlite3").rename(path)
        recorder.put(packets(10, first=10))
        told.wait(1)
        assert told == [
            f"store {path}: its file was moved, deleted or replaced while it is in use; put it "
            "back, or end this program and begin it again"
        ]
        away.replace(path)
    assert arrivals(store, session) == list(range(20))
    assert store.session(session).state == "ended"


@pytest.mark.usefixtures("quick")
@pytest.mark.dear
def test_full_for_too_long_says_and_counts_what_is_lost(store, session):
    told = Told()
    with Recorder(store, session, on_problem=told, held_bytes=200_000) as recorder:
        recorder.put(packets(100))
        recorder.flush()
        limit_pages(recorder, 1)
        recorder.put(packets(400, first=100))
        told.wait(1)
        k = 500
        while not recorder.lost:
            whole = k
            recorder.put(packets(100, first=k))
            k += 100
        assert recorder.lost == 100
        recorder.put_events([step(1)], whole)
        recorder.put_events([step(2), step(3)], k)  # decided from lost entries too
        recorder.put(packets(50, first=k))
        told.wait(2)
        limit_pages(recorder, ROOM)
        told.wait(3)
        assert recorder.put(packets(100, first=k + 50)) == k + 150
    assert [text.replace(str(store.path), "S") for text in told] == [
        "store S: the disk is full; make room on it",
        "store S: the disk is full; make room on it; 0 MB wait in memory, "
        "and from now on entries are lost",
        f"store S: takes data again; 150 entries of the session are lost, "
        f"run plantigrade reanalyse {session} when it has ended",
    ]
    record = [entry for b in store.batches(session) for entry in b]
    marks = [(i, e) for i, e in enumerate(record) if e.kind is Kind.MARK]
    assert [i for i, _ in marks] == [whole]
    assert marks[0][1].data == b"150 entries before this one are lost: no room to store them"
    kept = [e.arrival_ns // 10_000_000 for e in record if e.kind is Kind.NOTIFICATION]
    assert kept == [*range(whole), *range(k + 50, k + 150)]
    assert [event_of(row) for row in store.events(session)] == [step(1)]
    assert store.quality(session) == {"entries_lost": 150, "events_withheld": 2}
    assert verify(store) == []


@pytest.mark.usefixtures("quick")
def test_full_to_the_end_says_what_is_lost_and_keeps_the_rest(store, session):
    recorder = Recorder(store, session)
    recorder.put(packets(100))
    recorder.flush()
    limit_pages(recorder, 1)
    recorder.put_events([step(1)], recorder.put(packets(500, first=100)))
    said = "the disk is full; .* last 500 entries and 1 events are lost, all before them are stored"
    with pytest.raises(StoreError, match=said):
        recorder.close()
    assert arrivals(store, session) == list(range(100))
    assert verify(store) == []
    assert store.session(session).state == "open"
    path = store.path
    store.close()
    with Store.open(path) as again:
        assert again.recover() == [session]


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("fault", [RuntimeError("listener"), SystemExit(1)])
@pytest.mark.dear
def test_a_listener_that_fails_does_not_end_the_recording(store, session, caplog, fault):
    heard = threading.Event()

    def fails(error: StoreError) -> None:
        heard.set()
        raise fault

    with Recorder(store, session, on_problem=fails) as recorder:
        limit_pages(recorder, 1)
        recorder.put(packets(500))
        heard.wait()
        limit_pages(recorder, ROOM)
    assert arrivals(store, session) == list(range(500))
    assert "on_problem failed" in caplog.text


@pytest.mark.usefixtures("quick")
def test_a_disk_that_is_really_full(tmp_path):
    with tiny_disk(tmp_path, "2m") as disk:
        told = Told()
        filler = disk / "filler"
        filler.write_bytes(bytes(200_000))
        store = Store.open(disk / "s.sqlite3")
        session = store.create_session("test", analysis_version=1)
        with Recorder(store, session, on_problem=told) as recorder:
            k = 0
            while not told:
                recorder.put(packets(100, first=k))
                k += 100
                with contextlib.suppress(StoreError):
                    recorder.flush()
            assert "the disk is full" in told[0] or "refuses to read or write" in told[0]
            with Store.open(store.path, create=False) as reader:
                stored = arrivals(reader, session)
                assert stored == list(range(recorder.committed))
            filler.unlink()
            recorder.put(packets(100, first=k))
        assert len(told) == 1
        assert arrivals(store, session) == list(range(k + 100))
        assert verify(store) == []
        store.close()


def test_a_new_store_on_a_full_disk_says_so(tmp_path):
    with tiny_disk(tmp_path, "64k") as disk:
        with contextlib.suppress(OSError):
            (disk / "filler").write_bytes(bytes(65536))
        with pytest.raises(StoreError, match=r"full|No space|refuses to read or write") as caught:
            Store.open(disk / "s.sqlite3").create_session("test", analysis_version=1)
        assert "\n" not in str(caught.value)


FILE_LIMIT = """
    import resource, sys, threading
    from pathlib import Path
    import numpy as np
    from plantigrade_gateway.store import recorder as module
    from plantigrade_gateway.record.entries import Batch
    from plantigrade_gateway.store.recorder import Recorder
    from plantigrade_gateway.store.store import Store
    from plantigrade_gateway.store.repair import verify

    module.RETRY_S = 0.02
    store = Store.open(Path(sys.argv[1]))
    session = store.create_session("test", analysis_version=1)
    refused = threading.Event()
    said = []
    rng = np.random.default_rng(1)
    def batch(k):
        data = rng.integers(0, 256, 8800).astype(np.uint8).tobytes()
        zero = np.zeros(100, np.uint8)
        return Batch((k + np.arange(100)) * 10**7, zero, zero, np.full(100, 88), data)
    def on_problem(error):
        said.append(str(error))
        refused.set()
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, hard))
    with Recorder(store, session, on_problem=on_problem) as recorder:
        k = 0
        while not refused.is_set():
            recorder.put(batch(k))
            k += 100
            try:
                recorder.flush()
            except module.StoreError:
                pass
        assert store.session(session).entries == recorder.committed < k
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    stored = [a // 10**7 for b in store.batches(session) for a in b.arrival_ns.tolist()]
    assert stored == list(range(k)), (len(stored), k)
    assert verify(store) == []
    print(*said, sep="\\n")
"""


@pytest.mark.dear
def test_a_file_that_may_not_grow(tmp_path):
    """The system refuses a write at any byte (RLIMIT_FSIZE), then allows it again."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(FILE_LIMIT), str(tmp_path / "s.sqlite3")],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONWARNINGS": "error"},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("\n") == 1
    assert "the disk refuses to read or write" in done.stdout or "disk is full" in done.stdout


def test_recording_goes_on_after_entries_of_an_earlier_recorder(store, session):
    for k in range(2):
        recorder = Recorder(store, session)
        assert recorder.put(packets(10, first=10 * k)) == 10 * (k + 1)
        recorder.close()
    assert arrivals(store, session) == list(range(20))


def test_entries_of_every_kind_are_kept(store, session):
    entries = [Entry(k, 0, kind, bytes(k)) for k, kind in enumerate(Kind)]
    with Recorder(store, session) as recorder:
        recorder.put(Batch.of(entries))
    assert [e for b in store.batches(session) for e in b] == entries
