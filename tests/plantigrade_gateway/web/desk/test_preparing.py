"""What is prepared and when; the worker is the test's own."""

import asyncio
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from tests.support.records import packets
from tests.support.turns import turns_until

from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import preparing as module
from plantigrade_gateway.web.desk.preparing import Preparing, Progress


class Process:
    """A worker: what it says, and how it ends."""

    def __init__(self) -> None:
        self.stdout, self.stderr = asyncio.StreamReader(), asyncio.StreamReader()
        self.stdout.feed_data(b"0.250\n")
        self.returncode = 0
        self.log: list[str] = []

    def end(self, code: int = 0, errors: bytes = b"") -> None:
        self.returncode = code
        self.stderr.feed_data(errors)
        self.stderr.feed_eof()
        self.stdout.feed_eof()

    async def wait(self) -> int:
        self.log.append("waited for")
        return self.returncode

    def terminate(self) -> None:
        self.log.append("ended")
        if self.returncode == 77:
            raise ProcessLookupError


@pytest.fixture
def workers(monkeypatch) -> list[tuple[str, Process]]:
    """Each session that a worker was started for."""
    started: list[tuple[str, Process]] = []

    async def create(*command: str, **_: Any) -> Process:
        *before, path, session_id = command
        assert before == [
            *(sys.executable, "-m", "plantigrade_gateway.web.desk.worker", "prepare"),
        ]
        assert path.endswith("store.sqlite3")
        process = Process()
        started.append((session_id, process))
        return process

    monkeypatch.setattr(asyncio, "create_subprocess_exec", create)
    monkeypatch.setattr(module, "LOOK_EVERY_S", 3600.0)
    return started


@asynccontextmanager
async def running(path: Path) -> AsyncIterator[Preparing]:
    preparing = Preparing(path)
    work = asyncio.create_task(preparing.run())
    try:
        yield preparing
    finally:
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)


async def test_one_at_a_time_in_the_order_of_asking(tmp_path, workers):
    async with running(tmp_path / "store.sqlite3") as preparing:
        assert preparing.ask("a") == Progress(0.0, None)
        preparing.ask("b")
        preparing.ask("a")  # on the way
        await turns_until(lambda: preparing.ask("a").share == 0.25)
        assert [name for name, _ in workers] == ["a"]
        workers[0][1].end()
        await turns_until(lambda: len(workers) == 2)
        assert workers[1][0] == "b" and preparing._progress.keys() == {"b"}
        workers[1][1].end()
        await turns_until(lambda: not preparing._progress)
        preparing.ask("a")  # what was prepared may be asked for again
        await turns_until(lambda: len(workers) == 3)
        workers[2][1].end()


async def test_what_was_asked_for_before_it_runs_is_prepared_then(tmp_path, workers):
    preparing = Preparing(tmp_path / "store.sqlite3")
    preparing.ask("a")
    work = asyncio.create_task(preparing.run())
    await turns_until(lambda: workers)
    workers[0][1].end()
    await turns_until(lambda: not preparing._progress)
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)
    assert preparing._loop is None and workers[0][1].log[0] == "waited for"


@pytest.mark.parametrize(
    ("errors", "problem"),
    [(b"warns\nstore: has no room\n", "store: has no room"), (b" ", "exit code 3")],
)
async def test_one_that_fails_says_why_and_is_tried_again_where_that_is_asked(
    tmp_path, workers, errors, problem, caplog
):
    async with running(tmp_path / "store.sqlite3") as preparing:
        preparing.ask("a")
        await turns_until(lambda: workers)
        workers[0][1].end(3, errors)
        await turns_until(lambda: preparing.ask("a").problem)
        assert preparing.ask("a") == Progress(0.0, problem)
        assert [one.getMessage() for one in caplog.records] == [
            f"session a could not be prepared: {problem}"
        ]
        assert len(workers) == 1
        assert preparing.ask("a", again=True) == Progress()
        await turns_until(lambda: len(workers) == 2)
        assert preparing.ask("a", again=True).problem is None
        assert preparing._queue == []
        workers[1][1].end()


@pytest.mark.parametrize("code", [0, 77])
async def test_a_worker_that_runs_is_ended_with_it(tmp_path, workers, code):
    async with running(tmp_path / "store.sqlite3") as preparing:
        preparing.ask("a")
        await turns_until(lambda: workers)
        workers[0][1].returncode = code  # 77: it has ended by itself just now
    assert workers[0][1].log == ["ended", "waited for"]


def test_sessions_that_have_ended_since_the_last_look_are_prepared(tmp_path):
    path = tmp_path / "store.sqlite3"
    preparing = Preparing(path)
    assert preparing._just_ended() == []  # there is no store yet
    with Store.open(path) as store:
        ended, one, other = (store.create_session("test", analysis_version=1) for _ in range(3))
        for each in (ended, one, other):
            store.append(each, packets(2))
        store.end_session(ended, "stop")
        assert preparing._just_ended() == []
        store.end_session(one, "stop")
        assert preparing._just_ended() == [one]
        assert preparing._just_ended() == []
        store.end_session(other, "stop")
        found = preparing._just_ended()
    assert found == [other]


async def test_it_is_looked_for_them_every_ten_seconds(tmp_path, monkeypatch):
    naps: list[float] = []
    looks = [["a"], [], ["b"]]
    whole = asyncio.sleep

    async def nap(seconds: float) -> None:
        if seconds:
            naps.append(seconds)
        if len(naps) > 2:
            await asyncio.Event().wait()
        await whole(0)

    preparing = Preparing(tmp_path / "store.sqlite3")
    monkeypatch.setattr(preparing, "_just_ended", lambda: looks.pop(0))
    monkeypatch.setattr(asyncio, "sleep", nap)
    looking = asyncio.create_task(preparing._look())
    while len(naps) < 3:
        await whole(0.001)
    looking.cancel()
    assert naps == [10.0] * 3 and preparing._queue == ["a", "b"]
