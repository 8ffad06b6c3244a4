"""A recording that is killed at any moment loses its last second at most, and breaks nothing.

A program is started that forks a recording child for each line it reads. The child stamps entries
with the monotonic clock and writes to a log (the system keeps what a killed program has written)
what it has put and what the recorder says is committed; then it is killed with SIGKILL.

The second is one in which the program runs and its disk takes what it is given: neither how long a
machine lets it stand still nor how long a commit takes there is a matter of the recorder's.
"""

import os
import signal
import struct
import subprocess
import sys
import textwrap
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.store.recorder import COMMIT_EVERY_S
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

ID_BYTES = 32  # of a session's id, with which a log begins
LAST_SECOND_NS = 1_000_000_000
STANDS_NS = 50_000_000
"""From one line of the log to the next, usually two or three ms: longer, and it stood still."""
LINE = struct.Struct("<qqqq")  # entries put, when, entries committed, when a commit began or 0

RECORDING = """
    import os, struct, sys, time
    from pathlib import Path
    import numpy as np
    from plantigrade_gateway.store import recorder as recorder_module
    from plantigrade_gateway.record.entries import Batch
    from plantigrade_gateway.store.recorder import Recorder
    from plantigrade_gateway.store.store import Store
    from tests.support.records import step

    whole, began_ns = Recorder._commit, [0]

    def commit(self):
        began_ns[0] = time.monotonic_ns()
        try:
            whole(self)
        finally:
            began_ns[0] = 0

    Recorder._commit = commit

    def record(path, commit_every_s):
        recorder_module.COMMIT_EVERY_S = commit_every_s
        log = os.open(f"{path}.log", os.O_CREAT | os.O_WRONLY | os.O_TRUNC)
        store = Store.open(Path(path))
        store.recover()
        session = store.create_session("killed", analysis_version=1)
        os.write(log, session.encode())
        recorder = Recorder(store, session)
        given = 0
        while True:
            index = np.arange(given, given + 20)
            ns = time.monotonic_ns()
            batch = Batch(
                np.full(20, ns),
                (index % 2).astype(np.uint8),
                np.zeros(20, np.uint8),
                np.full(20, 64),
                np.repeat(index, 8).astype("<i8").tobytes(),
            )
            given = recorder.put(batch)
            os.write(log, struct.pack("<qqqq", given, ns, recorder.committed, began_ns[0]))
            recorder.put_events([step(given)], given)
            time.sleep(0.002)

    for line in sys.stdin:
        path, commit_every_s = line.split()
        pid = os.fork()
        if not pid:
            try:
                record(path, float(commit_every_s))
            finally:
                os._exit(1)
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.WTERMSIG(status), flush=True)
"""


@pytest.fixture(scope="module")
def recordings() -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(RECORDING)],
        cwd=Path(__file__).resolve().parents[3],
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},  # no other threads where it forks
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:
        yield process
        assert process.stdin is not None
        process.stdin.close()


@dataclass(frozen=True)
class Round:
    """When one recording is killed, and how often it commits (often: more kills in a commit)."""

    after_s: float
    from_start: bool
    commit_every_s: float


def rounds(rng: np.random.Generator) -> list[Round]:
    made = [
        *(Round(t, True, COMMIT_EVERY_S) for t in rng.uniform(0.0, 0.08, 5)),
        *(Round(t, False, 0.02) for t in rng.uniform(0.0, 0.5, 12)),
        *(Round(t, False, COMMIT_EVERY_S) for t in rng.uniform(0.8, 2.2, 6)),
    ]
    rng.shuffle(made)
    return made


def record_until(process: subprocess.Popen[str], path: Path, plan: Round) -> bytes:
    """Record into a store, kill the recording as planned, and return its log."""
    log = Path(f"{path}.log")
    log.unlink(missing_ok=True)
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(f"{path} {plan.commit_every_s}\n")
    process.stdin.flush()
    pid = int(process.stdout.readline())
    pause = threading.Event()
    while not plan.from_start and (not log.exists() or log.stat().st_size <= ID_BYTES):
        pause.wait(0.002)
    pause.wait(plan.after_s)
    os.kill(pid, signal.SIGKILL)
    assert int(process.stdout.readline()) == signal.SIGKILL
    return log.read_bytes() if log.exists() else b""


def stored(store: Store, session: str) -> Batch | None:
    batches = list(store.batches(session))
    if not batches:
        return None
    return Batch(
        np.concatenate([b.arrival_ns for b in batches]),
        np.concatenate([b.insole for b in batches]),
        np.concatenate([b.kind for b in batches]),
        np.concatenate([b.length for b in batches]),
        b"".join(b.payload for b in batches),
    )


def check_round(store: Store, log: bytes) -> tuple[str, int]:
    """Hold what is in the file against what the recording said; return session and entries."""
    session = log[:ID_BYTES].decode()
    whole = (len(log) - ID_BYTES) // LINE.size
    said = [LINE.unpack_from(log, ID_BYTES + LINE.size * k) for k in range(whole)]
    batch = stored(store, session)
    entries = 0 if batch is None else len(batch)
    if batch is not None:
        # What is there is the record's beginning, byte for byte.
        assert batch.payload == np.repeat(np.arange(entries), 8).astype("<i8").tobytes()
    if said:
        given, last_ns, committed, began_ns = said[-1]
        assert entries >= committed, "an entry said to be committed is not there"
        if entries < given:
            upto_ns = began_ns or last_ns
            lost = [ns for count, ns, _, _ in said if count > entries and ns <= upto_ns]
            lost_ns = int(np.minimum(np.diff(lost), STANDS_NS).sum())
            assert lost_ns <= LAST_SECOND_NS, f"{lost_ns / 1e9} s are lost"
    for row in store.events(session):
        assert row.upto_entry <= entries, "an event without its raw bytes"
    return session, entries


@pytest.mark.parametrize("times", [1, pytest.param(6, marks=pytest.mark.long)])
@pytest.mark.slow
def test_kill_at_random_moments(recordings, tmp_path, times):
    path = tmp_path / "store.sqlite3"
    sessions: dict[str, int] = {}
    seed = np.random.SeedSequence().entropy  # other moments each time
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    for plan in [plan for _ in range(times) for plan in rounds(rng)]:
        log = record_until(recordings, path, plan)
        if len(log) < ID_BYTES:
            continue  # killed before its session began
        with Store.open(path) as store:
            session, entries = check_round(store, log)
            sessions[session] = entries
            assert store.session(session).state == "open"
    with Store.open(path) as store:
        assert verify(store) == []
        store.recover()
        for told in store.sessions():
            assert (told.state, told.end_reason) == ("ended", "restart")
            assert told.entries == sessions.get(told.session_id, 0)
    # Enough of them were killed while entries went in, else the test shows nothing.
    assert sum(entries > 0 for entries in sessions.values()) >= 10 * times
