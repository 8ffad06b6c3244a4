"""The gateway's side of the pages: starts the web process, tells it, hears what viewers want.

The web process is a process of its own, so that browsers cost the recording nothing. It is never
waited for: messages go through a bounded queue to a thread that writes them; of pictures only the
latest waits, and what finds the queue full is counted.
"""

import json
import os
import subprocess
import sys
import threading
import time
import webbrowser
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from plantigrade_gateway.errors import PageError

Message = dict[str, Any]
PORT = 8642
MAX_WAITING = 1000
"""Messages that may wait for the web process; past them the oldest are lost (ours)."""
START_LIMIT_S = 10.0
_CLOSE_LIMIT_S = 4.0
_AGAIN_S = 2.0
_TRIES = 5
_KEPT = ("hello", "swing", "drill", "link")  # told again to a web process that was started anew


@dataclass(frozen=True, slots=True)
class PageOrder:
    """How the pages are served.

    Attributes
    ----------
    host : str
    port : int or None
        0: any free one; None: the usual one, or any free one where another program has it.
    show : bool
        Open the page in this machine's browser, where it has a screen.
    """

    host: str = "127.0.0.1"
    port: int | None = None
    show: bool = False


class Page:
    """The web process of this gateway.

    Parameters
    ----------
    order : PageOrder
    store_path : Path
    on_command : callable
        Told, from another thread, what a viewer wants.
    say : callable
        Told, from another thread, sentences for the user.

    Attributes
    ----------
    viewers : int
        Open pages.
    dropped : int
        Messages, or pictures, that the web process was too slow for.
    url : str or None
        Where the page is, once it is there.
    problem : str or None
        Why it cannot be there, a sentence.
    """

    def __init__(
        self,
        order: PageOrder,
        store_path: Path,
        on_command: Callable[[Message], None],
        say: Callable[[str], None],
    ) -> None:
        self.viewers = 0
        self.dropped = 0
        self.url: str | None = None
        self.problem: str | None = None
        self._order = order
        self._store_path = store_path
        self._on_command = on_command
        self._say = say
        self._port = "usual" if order.port is None else str(order.port)
        self._changed = threading.Condition()  # guards the queue below
        self._waiting: deque[Message] = deque()
        self._picture: Message | None = None
        self._kept: dict[str, Message] = {}
        self._closing = False
        self._ready = threading.Event()
        self._process: subprocess.Popen[str] | None = None
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    def wait(self, limit_s: float = START_LIMIT_S) -> str | None:
        """Wait until the page is there; return its address, None where it did not come up."""
        self._ready.wait(limit_s)
        return self.url

    @property
    def is_up(self) -> bool:
        """Whether the pages can be looked at now."""
        return self.url is not None and self._ready.is_set()

    def send(self, message: Message) -> None:
        """Have a message sent to all viewers; return at once."""
        with self._changed:
            kind = message["type"]
            if kind == "frame":
                self.dropped += self._picture is not None
                self._picture = message
            else:
                if kind in _KEPT:
                    self._kept[kind] = message
                if len(self._waiting) >= MAX_WAITING:
                    self._waiting.popleft()
                    self.dropped += 1
                self._waiting.append(message)
            self._changed.notify()

    def close(self) -> None:
        """End the web process; its viewers connect again when there is another."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(_CLOSE_LIMIT_S + 1.0)

    # The page's threads

    def _run(self) -> None:
        """Keep a web process running."""
        for left in range(_TRIES, 0, -1):
            with self._changed:
                if self._closing:
                    return
                self._waiting = deque(self._kept.values())
            self._serve()
            if self._closing or self.url is None:
                return
            again = "it is started again" if left > 1 else "it is not started again"
            self._say(f"The live page has ended unexpectedly; {again}. The recording goes on.")
            time.sleep(_AGAIN_S)

    def _serve(self) -> None:
        """Run one web process to its end."""
        command = [sys.executable, "-m", "plantigrade_gateway.web"]
        arguments = [self._order.host, self._port, str(self._store_path)]
        # A session of its own: Ctrl-C in the terminal is for the gateway, which then ends this.
        self._process = subprocess.Popen(
            command + arguments,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            start_new_session=True,
        )
        listener = threading.Thread(target=self._listen, args=(self._process,), daemon=True)
        listener.start()
        self._write(self._process)
        try:
            self._process.wait(_CLOSE_LIMIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        listener.join()
        self.viewers = 0

    def _write(self, process: subprocess.Popen[str]) -> None:
        assert process.stdin is not None
        try:
            while (messages := self._next(process)) is not None:
                process.stdin.write("".join(json.dumps(m) + "\n" for m in messages))
                process.stdin.flush()
        except OSError:
            pass  # it has ended
        with suppress(OSError):
            process.stdin.close()

    def _next(self, process: subprocess.Popen[str]) -> list[Message] | None:
        """Wait for what is to be written; None when the process is to end, or has."""
        with self._changed:
            while not self._waiting and self._picture is None:
                if self._closing or process.poll() is not None:
                    return None
                self._changed.wait(1.0)
            messages = list(self._waiting)
            self._waiting.clear()
            if self._picture is not None:
                messages.append(self._picture)
                self._picture = None
            return messages

    def _listen(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        with process.stdout as lines:
            for line in lines:
                message = json.loads(line)
                if message["type"] == "ready":
                    self._port = str(message["port"])  # open pages look for it there again
                    self.url = f"http://{self._order.host}:{self._port}/"
                    self._ready.set()
                elif message["type"] == "failed":
                    self.problem = message["text"]
                elif message["type"] == "viewers":
                    self.viewers = int(message["n"])
                else:
                    self._on_command(message)
        if self.url is None:
            self._ready.set()  # it did not come up: whoever waits need wait no longer
        else:
            self._ready.clear()
        with self._changed:
            self._changed.notify()


@contextmanager
def opened_page(
    order: PageOrder | None,
    store_path: Path,
    on_command: Callable[[Message], None],
    say: Callable[[str], None],
) -> Iterator[Page | None]:
    """Give the page while it is served, and say where it is; None where none is wanted.

    Raises
    ------
    PageError
        The pages cannot be served: one sentence with what to do.
    """
    if order is None:
        yield None
        return
    page = Page(order, store_path, on_command, say)
    try:
        url = page.wait()
        if url is None:
            raise PageError(page.problem or "live page: did not come up; go on with --no-page")
        say(f"Live page: {url}")
        if order.show and has_screen():
            webbrowser.open(url)
        yield page
    finally:
        page.close()


def has_screen() -> bool:
    """Whether a browser of this machine's can be shown to the user."""
    if sys.platform in ("darwin", "win32"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
