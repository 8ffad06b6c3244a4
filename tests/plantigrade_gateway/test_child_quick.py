"""What gateway and process say to each other, over pipes of the test's own: nothing is started."""

import asyncio
import io
import json
import logging
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway import child, logs
from plantigrade_gateway.child import Alone, AtWork, Child, ask_all_to_stop
from plantigrade_gateway.errors import InputError


class Made:
    """A child whose thread was never begun, and what it said."""

    def __init__(self, **more: Any) -> None:
        self.said: list[str] = []
        self.heard: list[Any] = []
        settings = more.get("settings")
        self.child = Child(
            *("a.module", Path("store"), settings, "Forwarding", self.said.append),
            self.heard.append,
        )
        self.child._thread.join()


@pytest.fixture
def made(monkeypatch) -> Made:
    monkeypatch.setattr(Child, "_run", lambda self: None)
    return Made()


@pytest.fixture
def pipe(made) -> Iterator[SimpleNamespace]:
    """The pipe to a process that reads nothing unless told."""
    end, begin = os.pipe()
    os.set_blocking(begin, False)
    os.set_blocking(end, False)
    with open(begin, "wb", buffering=0) as stdin:
        process: Any = SimpleNamespace(stdin=stdin)
        made.child._process = process
        yield SimpleNamespace(end=end)
    os.close(end)


def test_the_process_is_told_its_store_and_the_settings_that_were_named(made):
    assert made.child._command == [sys.executable, "-m", "a.module", "--store", "store"]
    told = Made(settings=Path("s.toml")).child._command
    assert told[5:] == ["--settings", "s.toml"]


def test_a_message_is_a_line_and_one_that_is_too_long_is_dropped(made, pipe):
    """A pipe takes a line of up to 4,096 bytes whole or not at all (POSIX, PIPE_BUF on Linux)."""
    made.child.tell({"a": 1})
    assert os.read(pipe.end, 9999) == b'{"a": 1}\n' and made.child.dropped == 0
    most = "x" * (4096 - len('{"a": ""}\n'))
    made.child.tell({"a": most})
    assert len(os.read(pipe.end, 9999)) == 4096 and made.child.dropped == 0
    made.child.tell({"a": most + "x"})
    assert made.child.dropped == 1
    with pytest.raises(BlockingIOError):
        os.read(pipe.end, 1)


def test_a_pipe_that_is_full_holds_nobody_up(made, pipe):
    line = {"a": "x" * 4000}
    for _ in range(1000):
        made.child.tell(line)
        if made.child.dropped:
            break
    assert made.child.dropped == 1
    made.child.tell(line)
    assert made.child.dropped == 2


def test_a_process_that_has_ended_or_is_not_there_is_told_nothing(made):
    end, begin = os.pipe()
    os.close(end)  # nobody reads any more
    with open(begin, "wb", buffering=0) as stdin:
        process: Any = SimpleNamespace(stdin=stdin)
        made.child._process = process
        made.child.tell({"a": 1})
    made.child._process = SimpleNamespace(stdin=None)
    made.child.tell({"a": 1})
    made.child._process = None
    made.child.tell({"a": 1})
    assert made.child.dropped == 0


def test_it_is_asked_to_stop_once_and_all_at_the_same_time(made, pipe):
    ask_all_to_stop([None, made.child])
    until_s = made.child._until_s
    ask_all_to_stop([made.child])
    assert os.read(pipe.end, 999) == b'{"type": "stop"}\n'
    assert made.child._until_s == until_s and made.child._closing.is_set()


class Process:
    """A process that says some lines and ends."""

    def __init__(self, out: bytes, errors: bytes, code: int = 3) -> None:
        self.stdin = io.BytesIO()
        self.stdout, self.stderr = io.BytesIO(out), io.BytesIO(errors)
        self.returncode = code
        self.waited = 0
        self.killed = 0

    def wait(self) -> int:
        self.waited += 1
        return self.returncode

    def kill(self) -> None:
        self.killed += 1


def test_one_that_has_ended_is_left_and_one_that_hangs_is_killed(made, monkeypatch):
    ended: Any = Process(b"", b"")
    made.child._process = ended
    monkeypatch.setattr(made.child, "tell", lambda message: None)
    made.child.close()
    assert ended.killed == 0
    monkeypatch.setattr(child, "_CLOSE_LIMIT_S", 0.0)
    made.child._until_s = None
    let_go = threading.Event()
    made.child._thread = threading.Thread(target=let_go.wait, daemon=True)
    made.child._thread.start()
    hangs: Any = SimpleNamespace(kill=let_go.set)
    made.child._process = hangs
    made.child.close()
    assert let_go.is_set() and not made.child._thread.is_alive()


def test_what_it_says_is_said_what_else_is_handed_on_and_a_bad_line_ends_nothing(made, caplog):
    lines = [
        json.dumps({"type": "said", "text": "one"}),
        "no JSON",
        "[]",
        json.dumps({"type": "command", "value": 7}),
        json.dumps({"type": "said", "text": "two"}),
    ]
    process: Any = Process("\n".join(lines).encode() + b"\n", b"first\nlast words \xff\n")
    with caplog.at_level(logging.CRITICAL):
        assert made.child._listen(process) == "last words \ufffd"
    assert made.said == ["one", "two"] and made.heard == [{"type": "command", "value": 7}]
    assert process.waited == 1 and process.stderr.closed
    silent: Any = Process(b"", b"")
    assert made.child._listen(silent) == "code 3"


def test_one_that_ends_is_said_with_its_last_words_and_started_again_ever_later(monkeypatch):
    monkeypatch.setattr(Child, "_run", lambda self: None)
    made = Made()
    monkeypatch.undo()
    outcomes: list[Any] = ["no such table", ValueError("seven"), "code 3", *["x"] * 4]
    waits: list[float] = []

    def run_once() -> str:
        outcome = outcomes.pop(0)
        if isinstance(outcome, Exception):
            raise outcome
        return str(outcome)

    def wait(seconds: float) -> None:
        waits.append(seconds)
        if not outcomes:
            made.child._closing.set()

    monkeypatch.setattr(made.child, "_run_once", run_once)
    monkeypatch.setattr(made.child._closing, "wait", wait)
    made.child._run()
    assert waits == [2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0]
    assert made.said[:2] == [
        "Forwarding has ended (no such table) and is started again in 2 s; recording goes on.",
        "Forwarding has ended (ValueError: seven) and is started again in 4 s; recording goes on.",
    ]


def test_one_that_was_asked_to_stop_is_not_started_again_and_its_end_is_no_news(monkeypatch):
    monkeypatch.setattr(Child, "_run", lambda self: None)
    made = Made()
    monkeypatch.undo()

    def run_once() -> str:
        made.child._closing.set()
        return "code 0"

    monkeypatch.setattr(made.child, "_run_once", run_once)
    made.child._run()
    assert made.said == []


def test_one_that_was_asked_to_stop_while_it_began_is_told_so(made, monkeypatch):
    told: list[Any] = []
    process = Process(b"", b"bye\n")
    opened: list[Any] = []

    def popen(command: list[str], **how: Any) -> Process:
        opened.append((command, how))
        return process

    monkeypatch.setattr(subprocess, "Popen", popen)
    monkeypatch.setattr(os, "set_blocking", lambda number, blocks: told.append(blocks))
    monkeypatch.setattr(made.child, "tell", told.append)
    stdin: Any = SimpleNamespace(fileno=lambda: 9, close=lambda: told.append("closed"))
    process.stdin = stdin
    made.child._closing.set()
    assert made.child._run_once() == "bye"
    assert told == [False, {"type": "stop"}, "closed"] and made.child._process is None
    ((command, how),) = opened
    assert command == made.child._command and how["start_new_session"] is True


async def heeded(
    lines: bytes, monkeypatch: pytest.MonkeyPatch
) -> tuple[list[Any], bool, list[int]]:
    """Let a process hear lines; return what it heard, whether it is to stop, how it ended."""
    end, begin = os.pipe()
    os.write(begin, lines)
    os.close(begin)
    heard: list[Any] = []
    ended: list[int] = []
    stop = asyncio.Event()
    with open(end, "rb", buffering=0) as file:
        monkeypatch.setattr(sys, "stdin", file)
        monkeypatch.setattr(os, "_exit", ended.append)
        await asyncio.wait_for(child._heed(stop, heard.append), HANG_S)
        await asyncio.sleep(0)
    return heard, stop.is_set(), ended


async def test_the_word_to_stop_is_the_last_that_is_heard(monkeypatch):
    lines = b'{"type": "live", "a": 1}\n{"type": "stop"}\n{"type": "live"}\n'
    assert await heeded(lines, monkeypatch) == ([{"type": "live", "a": 1}], True, [])


async def test_an_end_without_the_word_ends_the_process_at_once(monkeypatch):
    assert await heeded(b'{"type": "live"}\n', monkeypatch) == ([{"type": "live"}], False, [3])


class Work:
    """The work of such a process: it fails, or ends."""

    def __init__(self, error: Exception | None) -> None:
        self.stop = asyncio.Event()
        self.error = error

    def hear(self, message: Any) -> None:
        pass

    async def run(self) -> None:
        if self.error is not None:
            raise self.error


@pytest.mark.parametrize(
    ("error", "last"),
    [
        (InputError("hub.token: is no credential"), "hub.token: is no credential"),
        (ValueError("seven"), "ValueError: seven"),
        (None, None),
    ],
)
def test_a_process_ends_with_one_sentence_of_why(tmp_path, monkeypatch, capsys, error, last):
    monkeypatch.setattr(logs, "set_up", lambda config, name: None)
    monkeypatch.setattr(os, "nice", lambda more: None)

    async def heed(*_: Any) -> None:
        await asyncio.Event().wait()

    monkeypatch.setattr(child, "_heed", heed)
    (tmp_path / "s.toml").write_text("", "utf-8")
    given: list[Any] = []

    def make(store: Path, config: Any, say: Any) -> Work:
        given.append(store)
        say("there")
        return Work(error)

    store = tmp_path / "store"
    arguments = ["--store", str(store), "--settings", str(tmp_path / "s.toml")]
    if last is None:
        child.serve("sync", make, arguments)
    else:
        with pytest.raises(SystemExit) as ended:
            child.serve("sync", make, arguments)
        assert ended.value.code == last
    assert given == [store]
    assert capsys.readouterr().out == '{"type": "said", "text": "there"}\n'
    assert (tmp_path / "store-sync").exists()  # what holds the store's work


def test_one_at_a_time_has_a_stores_work_of_a_kind(tmp_path):
    store = tmp_path / "store"
    with Alone(store, "sync", waits=False):
        with pytest.raises(AtWork), Alone(store, "sync", waits=False):
            pass
        with Alone(store, "forward", waits=False):
            pass
    with Alone(store, "sync", waits=False):
        pass
