"""A process that works beside the gateway and never holds it up: started, kept running, told.

They speak in JSON lines over the process's standard input and output. An end of that input without
the word to stop means that the gateway died; then the process ends at once, too.
"""

import argparse
import asyncio
import fcntl
import json
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, Protocol

from plantigrade_gateway import logs
from plantigrade_gateway.config import Config, load
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.upkeep import Backoff, fault

_log = logging.getLogger(__name__)
Message = dict[str, Any]
AGAIN_S = 2.0
"""Between the end of a process that should run and the next, at first (ours)."""
_CLOSE_LIMIT_S = 6.0


def _ignore(message: Message) -> None:
    pass


# The gateway's side


class Child:
    """The process, as the gateway has it.

    Parameters
    ----------
    module : str
        What is run.
    store_path : Path
    settings : Path or None
        The settings file that was named; the process reads it for itself.
    what : str
        Begins the sentence that says of its end.
    say : callable
        Told sentences for the user, from another thread.
    on_message : callable, optional
        Told what else the process says, from another thread.

    Attributes
    ----------
    dropped : int
        Messages that found the pipe full.
    """

    def __init__(
        self,
        module: str,
        store_path: Path,
        settings: Path | None,
        what: str,
        say: Callable[[str], None],
        on_message: Callable[[Message], None] = _ignore,
    ) -> None:
        self.dropped = 0
        self._command = [sys.executable, "-m", module, "--store", str(store_path)]
        self._command += ["--settings", str(settings)] if settings else []
        self._what = what
        self._say = say
        self._on_message = on_message
        self._closing = threading.Event()
        self._until_s: float | None = None  # once it was asked to stop
        self._guard = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._run, name=what, daemon=True)
        self._thread.start()

    def tell(self, message: Message) -> None:
        """Tell the process something; return at once, whether it could be told or not."""
        with self._guard:
            process = self._process
            if process is None or process.stdin is None:
                return
            data = (json.dumps(message) + "\n").encode()
            try:
                # A pipe takes a line of up to PIPE_BUF bytes whole or not at all.
                if len(data) > 4096 or os.write(process.stdin.fileno(), data) < len(data):
                    self.dropped += 1
            except BlockingIOError:
                self.dropped += 1
            except OSError:
                return  # it has ended; the thread sees to it

    def ask_to_stop(self) -> None:
        """Let it do what it can in a moment, and return at once; `close` ends it."""
        if self._until_s is None:
            self._until_s = time.monotonic() + _CLOSE_LIMIT_S
            self._closing.set()
            self.tell({"type": "stop"})

    def close(self) -> None:
        """Let it do what it can in a moment since it was asked to stop, and end it."""
        self.ask_to_stop()
        assert self._until_s is not None
        self._thread.join(max(0.0, self._until_s - time.monotonic()))
        process = self._process
        if self._thread.is_alive() and process is not None:
            process.kill()
            self._thread.join()

    def _run(self) -> None:
        backoff = Backoff(AGAIN_S)
        while not self._closing.is_set():
            backoff.begin()
            try:
                why = self._run_once()
            except Exception as error:  # whatever it is, the next process may run
                _log.exception("%s: its process", self._what)
                why = fault(error)
            if not self._closing.is_set():
                pause_s = backoff.end()
                self._say(
                    f"{self._what} has ended ({why}) and is started again in {pause_s:.0f} s; "
                    "recording goes on."
                )
                self._closing.wait(pause_s)

    def _run_once(self) -> str:
        """Run one process to its end; return its last words."""
        # A session of its own: Ctrl-C in the terminal is for the gateway, which then ends this.
        process = subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
        assert process.stdin is not None
        os.set_blocking(process.stdin.fileno(), False)
        with self._guard:
            self._process = process
        if self._closing.is_set():
            self.tell({"type": "stop"})
        why = self._listen(process)
        with self._guard:
            self._process = None
        with suppress(OSError):
            process.stdin.close()
        return why

    def _listen(self, process: "subprocess.Popen[bytes]") -> str:
        """Hear a process to its end; return its last words."""
        assert process.stdout is not None and process.stderr is not None
        last: list[bytes] = []
        errors = process.stderr
        reading = threading.Thread(target=lambda: last.extend(errors.readlines()[-1:]), daemon=True)
        reading.start()
        with process.stdout as lines:
            for line in lines:
                try:
                    message = json.loads(line)
                    if message["type"] == "said":
                        self._say(message["text"])
                    else:
                        self._on_message(message)
                except Exception:  # one message that cannot be taken ends no process
                    _log.exception("%s: message of its process", self._what)
        process.wait()
        reading.join()
        errors.close()
        return last[0].decode(errors="replace").strip() if last else f"code {process.returncode}"


def ask_all_to_stop(children: Iterable[Child | None]) -> None:
    """Let all have the same moment: one that hangs does not add its own to another's."""
    for child in children:
        if child is not None:
            child.ask_to_stop()


# The process's side


def put(message: Message) -> None:
    """Tell the gateway something."""
    with suppress(OSError):
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()


async def _heed(stop: asyncio.Event, on_message: Callable[[Message], None]) -> None:
    """Hear the gateway until its word to stop, which sets `stop`; end the process if it dies."""
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=1 << 20)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := await reader.readline():
        message: Message = json.loads(line)
        if message["type"] == "stop":
            stop.set()
            return
        on_message(message)
    os._exit(3)


class Work(Protocol):
    """What such a process does until it is told to stop."""

    stop: asyncio.Event

    async def run(self) -> None:
        """Work until `stop` is set."""

    def hear(self, message: Message) -> None:
        """Take what the gateway tells."""


def serve(
    name: str,
    made: Callable[[Path, Config, Callable[[str], None]], Work],
    arguments: list[str] | None = None,
) -> None:
    """Be such a process, of one kind: at most one works at a store.

    Parameters
    ----------
    name : str
        Of the kind: of its log and of the file that holds the store's work.
    made : callable
        Makes the work of a store, the settings, and what says a sentence to the user.
    arguments : list of str, optional
        Of the command; None: the process's own.
    """
    parser = argparse.ArgumentParser()
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--settings", type=Path)
    chosen = parser.parse_args(arguments)
    with suppress(OSError):
        os.nice(10)  # recording comes first where the cores are busy
    config = load(chosen.settings)
    logs.set_up(config, name)

    def say(text: str) -> None:
        put({"type": "said", "text": config.masked(text)})

    with Alone(chosen.store, name):
        try:
            asyncio.run(_work(lambda: made(chosen.store, config, say)))
        except Exception as error:  # the gateway says the last line, and starts another process
            _log.exception("%s", name)
            while isinstance(error, ExceptionGroup):
                error = error.exceptions[0]
            sys.exit(config.masked(str(error) if isinstance(error, InputError) else fault(error)))


async def _work(made: Callable[[], Work]) -> None:
    work = made()
    # Whichever fails ends the process: without its gateway's words it would never end.
    async with asyncio.TaskGroup() as group:
        listening = group.create_task(_heed(work.stop, work.hear), name="gateway")
        await work.run()
        listening.cancel()


class AtWork(Exception):
    """Another process has a store's work of one kind."""


class Alone:
    """Hold a store's work of one kind for this process; wait while another one ends.

    Parameters
    ----------
    store : Path
    work : str
    waits : bool
        False: where another process has it, `AtWork` is raised at once.
    """

    def __init__(self, store: Path, work: str, *, waits: bool = True) -> None:
        self._path = store.with_name(f"{store.name}-{work}")
        self._file: IO[bytes] | None = None
        self._how = fcntl.LOCK_EX if waits else fcntl.LOCK_EX | fcntl.LOCK_NB

    def __enter__(self) -> None:
        self._file = open(self._path, "ab")
        try:
            fcntl.flock(self._file, self._how)
        except BlockingIOError:
            self._file.close()
            raise AtWork from None

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()
