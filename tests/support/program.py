"""The real program as a process of its own, with its live page."""

import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from tests.support.waiting import HANG_S

from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.sources.replay import read_replay, write_replay

PRACTICE = Path(__file__).resolve().parents[2] / "replay_data" / "practice.pgr"
_BEGINNINGS = {Kind.SETTINGS, Kind.CALIBRATION, Kind.CONNECTED}


class Program:
    """A running program and what it printed.

    It has a terminal, as a user's has: without one a replay does not stay when it has ended.
    """

    def __init__(self, arguments: list[str]) -> None:
        command = "from plantigrade_gateway.cli.main import main; main()"
        self._terminal, theirs = pty.openpty()
        without_screen = {k: v for k, v in os.environ.items() if "DISPLAY" not in k}
        self.process = subprocess.Popen(
            [sys.executable, "-c", command, *arguments],
            stdout=theirs,
            stderr=theirs,
            stdin=theirs,
            start_new_session=True,
            env={**without_screen, "COLUMNS": "200", "LINES": "50", "TERM": "xterm"},
        )
        os.close(theirs)
        self.said = ""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        try:
            while data := os.read(self._terminal, 65536):
                self.said += data.decode("utf-8", "replace")
        except OSError:  # how a terminal says that nobody writes any more
            return

    def printed(self, pattern: str) -> re.Match[str]:
        """Wait until it has printed what matches, and return the match."""
        end_s = time.monotonic() + HANG_S
        while (found := re.search(pattern, self.said)) is None:
            assert self.process.poll() is None and time.monotonic() < end_s, self.said
            time.sleep(0.02)
        return found

    def url(self) -> str:
        """Wait until the page is served, and return its address."""
        return self.printed(r"(?:Live page|Desk)[^:]*: (https?://[\w.:-]+/)")[1]

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        """End it as Ctrl-C would."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(HANG_S)
            except subprocess.TimeoutExpired:
                self.kill()
        self._reader.join(HANG_S)
        os.close(self._terminal)


@contextmanager
def running(*arguments: str) -> Iterator[Program]:
    """Run the program with these arguments while the context is open."""
    program = Program([*arguments])
    try:
        yield program
    finally:
        program.stop()


def cut(path: Path, from_s: float, to_s: float) -> Path:
    """Write a part of the invented practice session as a replay file.

    Times count from the session's first entry; what an insole says first stands at the beginning.
    """
    entries = [entry for batch in read_replay(PRACTICE) for entry in batch]
    zero_ns = entries[0].arrival_ns
    begin_ns, end_ns = (zero_ns + round(at * 1e9) for at in (from_s, to_s))
    first = [replace(e, arrival_ns=begin_ns) for e in entries if e.kind in _BEGINNINGS]
    middle: list[Entry] = [
        e
        for e in entries
        if begin_ns <= e.arrival_ns < end_ns and e.kind not in _BEGINNINGS | {Kind.END}
    ]
    write_replay(path, [*first, *middle])
    return path
