"""The gateway's side of the forwarding: starts its process, keeps it running, tells it the moment.

Nothing here waits for it: a live summary that does not go into the pipe at once is dropped and
counted. Without a configured sink no process is started and no library of a sink is loaded.
"""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from plantigrade_gateway.config import Config
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

Message = dict[str, Any]
AGAIN_S = 2.0
"""Between the end of a process that should run and the next (ours)."""
_CLOSE_LIMIT_S = 6.0


class Forwarder:
    """The forwarding process of this gateway.

    Parameters
    ----------
    store_path : Path
    settings : Path or None
        The settings file that was named; the process reads it for itself.
    say : callable
        Told sentences for the user, from another thread.
    on_command : callable
        Told what came from the broker, from another thread.

    Attributes
    ----------
    dropped : int
        Live summaries that found the pipe full.
    """

    def __init__(
        self,
        store_path: Path,
        settings: Path | None,
        say: Callable[[str], None],
        on_command: Callable[[Message], None],
    ) -> None:
        self.dropped = 0
        self._command = [sys.executable, "-m", "plantigrade_gateway.forward.process"]
        self._command += ["--store", str(store_path)]
        self._command += ["--settings", str(settings)] if settings else []
        self._say = say
        self._on_command = on_command
        self._closing = threading.Event()
        self._guard = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._run, name="forwarder", daemon=True)
        self._thread.start()

    def live(self, message: Message) -> None:
        """Tell the process something of the moment; return at once."""
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

    def close(self) -> None:
        """Let it send what it can in a moment, and end it."""
        self._closing.set()
        self.live({"type": "stop"})
        self._thread.join(_CLOSE_LIMIT_S)
        process = self._process
        if self._thread.is_alive() and process is not None:
            process.kill()
            self._thread.join()

    def _run(self) -> None:
        while not self._closing.is_set():
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
                self.live({"type": "stop"})
            why = self._listen(process)
            with self._guard:
                self._process = None
            with suppress(OSError):
                process.stdin.close()
            if not self._closing.is_set():
                self._say(f"Forwarding has ended ({why}) and is started again; recording goes on.")
                self._closing.wait(AGAIN_S)

    def _listen(self, process: "subprocess.Popen[bytes]") -> str:
        """Hear a process to its end; return its last words."""
        assert process.stdout is not None and process.stderr is not None
        last: list[bytes] = []
        errors = process.stderr
        reading = threading.Thread(target=lambda: last.extend(errors.readlines()[-1:]), daemon=True)
        reading.start()
        with process.stdout as lines:
            for line in lines:
                message = json.loads(line)
                if message["type"] == "said":
                    self._say(message["text"])
                else:
                    self._on_command(message)
        process.wait()
        reading.join()
        errors.close()
        return last[0].decode(errors="replace").strip() if last else f"code {process.returncode}"


@contextmanager
def opened_forwarder(
    config: Config | None,
    store: Store,
    say: Callable[[str], None],
    on_command: Callable[[Message], None],
) -> Iterator[Forwarder | None]:
    """Give the forwarder while it runs; None where the settings name no sink.

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    outbox = Outbox(store.database)
    sinks = [] if config is None else config.sinks()
    outbox.configure(sinks)
    if not sinks:
        for depth in outbox.depths():
            if depth.waiting:
                say(
                    f"{depth.waiting} rows wait for {depth.sink}, which is no longer configured: "
                    f"plantigrade outbox --forget {depth.sink} drops them."
                )
        yield None
        return
    forwarder = Forwarder(store.path, config.file if config else None, say, on_command)
    try:
        yield forwarder
    finally:
        forwarder.close()
