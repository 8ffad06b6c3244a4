"""A real time-series database and a real broker, each in a process that can be killed."""

import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import httpx2
import pytest
from tests.support.waiting import HANG_S

SCRIPT = Path(__file__).resolve().parents[2] / ".ci" / "servers"


@cache
def _programs() -> tuple[dict[str, str], str]:
    found = subprocess.run([SCRIPT], capture_output=True, text=True, check=False)
    if found.returncode:
        return {}, found.stderr.strip()
    lines = [line.split(" ", 1) for line in found.stdout.splitlines()]
    return {name: path for name, path in lines}, ""


def program(name: str) -> str:
    """Return a program's path; skips where it cannot be installed."""
    found, problem = _programs()
    if problem:
        text = f"{SCRIPT.name}: {problem}"
        pytest.skip(text)
    return found[name]


_held: list[socket.socket] = []


def free_port() -> int:
    """Return a port of this machine that is given to nobody else while this process lives.

    It stays bound, so that the system chooses it for no other socket; a server that sets
    SO_REUSEADDR, as all do that are begun again, may listen there, and until then nobody does.
    """
    one = socket.socket()
    one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    one.bind(("127.0.0.1", 0))
    _held.append(one)
    return int(one.getsockname()[1])


class Server:
    """A program that listens on a port of this machine.

    Parameters
    ----------
    arguments : sequence of str
    port : int
    log : Path
    more : mapping of str to str, optional
        What its environment has besides this process's.
    """

    def __init__(
        self,
        arguments: Sequence[str],
        port: int,
        log: Path,
        more: Mapping[str, str] | None = None,
    ) -> None:
        self.port = port
        self._environment = {**os.environ, **(more or {})}
        self._arguments = list(arguments)
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert self._process is None
        with open(self._log, "ab") as log:
            self._process = subprocess.Popen(
                self._arguments, stdout=log, stderr=log, env=self._environment
            )
        until(self._listens)

    def kill(self) -> None:
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def pause(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    @property
    def is_up(self) -> bool:
        return self._process is not None

    @property
    def has_died(self) -> bool:
        """Whether it was started and has ended by itself."""
        return self._process is not None and self._process.poll() is not None

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(how)
            process.send_signal(signal.SIGCONT)
            process.wait(HANG_S)

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self._log.read_text(errors="replace")[-2000:]
        try:
            with socket.create_connection(("127.0.0.1", self.port), 1.0):
                return True
        except OSError:
            return False


class Victoria(Server):
    """victoria-metrics, as `hardware_notes/tsdb_schema.md` says it is to be started.

    Unless it is not to take what comes twice for one: `dedup`.
    """

    def __init__(self, folder: Path, port: int | None = None, dedup: bool = True) -> None:
        port = port or free_port()
        super().__init__(
            [
                program("victoria-metrics"),
                f"-storageDataPath={folder / 'data'}",
                f"-httpListenAddr=127.0.0.1:{port}",
                "-retentionPeriod=100y",
                *(["-dedup.minScrapeInterval=1ms"] if dedup else []),
                "-search.latencyOffset=0s",
                "-memory.allowedBytes=200MB",
            ],
            port,
            folder / "victoria.log",
        )
        self.url = f"http://127.0.0.1:{port}"

    def series(self, match: str = '{__name__=~"plantigrade_.*"}') -> list[dict[str, Any]]:
        """Every stored series: its labels (``metric``), ``values`` and ``timestamps``."""
        httpx2.get(f"{self.url}/internal/force_flush", timeout=HANG_S)
        answer = httpx2.get(
            f"{self.url}/api/v1/export",
            params={"match[]": match, "start": "0", "end": "4102444800"},
            timeout=HANG_S,
        )
        return [json.loads(line) for line in answer.text.splitlines()]


class Mosquitto(Server):
    """mosquitto, with a disk, as `hardware_notes/mqtt_topics.md` says it is to be set up."""

    def __init__(self, folder: Path, more: str = "", port: int | None = None) -> None:
        port = port or free_port()
        folder.mkdir(parents=True, exist_ok=True)
        settings = folder / "mosquitto.conf"
        anonymous = "" if "allow_anonymous" in more else "allow_anonymous true\n"
        settings.write_text(
            f"listener {port} 127.0.0.1\n{anonymous}"
            "persistence true\n"
            f"persistence_location {folder}/\n"
            "autosave_interval 1\n"
            "max_queued_messages 0\n"
            "max_inflight_messages 0\n"
            f"{'user root' if os.geteuid() == 0 else ''}\n{more}",
            "utf-8",
        )
        super().__init__([program("mosquitto"), "-c", str(settings)], port, folder / "broker.log")


def until(true: Callable[[], object], limit_s: float = HANG_S, every_s: float = 0.05) -> None:
    """Wait until something holds; fail when it does not within the limit."""
    end = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end, f"not within {limit_s} s"
        time.sleep(every_s)
