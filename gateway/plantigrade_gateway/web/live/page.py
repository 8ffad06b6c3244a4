"""The gateway's side of the pages: starts the web process, tells it, hears what viewers want.

The web process is a process of its own, so that browsers cost the recording nothing. It is never
waited for: messages go through a bounded queue to a thread that writes them; of pictures only the
latest waits, and what finds the queue full is counted.
"""

import json
import logging
import os
import subprocess
import sys
import threading
import webbrowser
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from plantigrade_gateway.errors import PageError
from plantigrade_gateway.upkeep import Backoff, fault
from plantigrade_gateway.web.door.origin import lan_address

if TYPE_CHECKING:
    from plantigrade_gateway.web.door.certificate import Certificate

_log = logging.getLogger(__name__)
Message = dict[str, Any]
PORT = 8642
MAX_WAITING = 1000
"""Messages that may wait for the web process; past them the oldest are lost (ours)."""
START_LIMIT_S = 10.0
_CLOSE_LIMIT_S = 4.0
_AGAIN_S = 2.0
_KEPT = ("hello", "sound", "swing", "drill", "set", "link", "check")
"""What a new web process is told again."""


@dataclass(frozen=True, slots=True)
class WebOptions:
    """How the pages are served.

    Attributes
    ----------
    port : int or None
        0: any free one; None: the usual one, or any free one where another program has it.
    show : bool
        Open the page in this machine's browser, where it has a screen.
    lan : bool
        Open it to the local network, and then to those only who signed in or have a link.
    certificate : Certificate or None
        None: plain HTTP.
    usual : int
        Which port is the usual one.
    pair : str
        Which of several pairs of insoles the live page is of; empty: the usual one.
    has_gateway : bool
        Whether what starts it is a gateway; else stored sessions are all there is.
    """

    port: int | None = None
    show: bool = False
    lan: bool = False
    certificate: "Certificate | None" = None
    usual: int = PORT
    pair: str = ""
    has_gateway: bool = True

    def start(self, port: str, store_path: Path) -> "Start":
        """Return what the web process is told."""
        tls = self.certificate
        return Start(
            host="0.0.0.0" if self.lan else "127.0.0.1",
            port=port,
            store=str(store_path),
            lan=self.lan,
            cert=str(tls.cert) if tls else None,
            key=str(tls.key) if tls else None,
            names=tls.names if tls else (),
            pair=self.pair,
            has_gateway=self.has_gateway,
        )

    def url(self, port: str) -> str:
        """Return where this machine finds the page."""
        tls = self.certificate
        name = tls.names[0] if tls and tls.names else "127.0.0.1"
        return f"{'https' if tls else 'http'}://{name}:{port}/"

    def said(self, port: str) -> list[str]:
        """Return sentences on where the page is, and for whom."""
        url, what = self.url(port), "Live page"
        if not self.has_gateway:  # the live page's own address could only say that there is none
            url, what = f"{url}players", "Desk"
        if not self.lan:
            return [f"{what}: {url}"]
        if self.certificate is None or not self.certificate.names:
            address = lan_address()
            url = url.replace("127.0.0.1", address) if address else url
        said = [f"{what}, in the local network and after the sign-in: {url}"]
        if self.certificate is None:
            said.append(
                "Without a TLS certificate others in this network may read the password as it is "
                "sent: use --lan where you trust the network, or give --tls-cert and --tls-key."
            )
        return said


@dataclass(frozen=True, slots=True)
class Start:
    """What a web process is told, as one JSON argument.

    Attributes
    ----------
    host : str
        The address to listen at.
    port : str
        A number, or "usual:N": N, or any free one where another program has it.
    store : str
        The store's path.
    lan : bool
        Whether visitors must sign in.
    cert, key : str or None
        PEM files.
    names : sequence of str
        The certificate's names, which are this machine's too.
    pair : str
        Which pair of insoles the live page is of.
    has_gateway : bool
        Whether what starts it is a gateway.
    """

    host: str
    port: str
    store: str
    lan: bool = False
    cert: str | None = None
    key: str | None = None
    names: Sequence[str] = ()
    pair: str = ""
    has_gateway: bool = True


class Page:
    """The web process of this gateway.

    Parameters
    ----------
    order : WebOptions
    store_path : Path
    on_command : callable
        Told, from another thread, what a viewer wants.
    say : callable
        Told, from another thread, sentences for the user.

    Attributes
    ----------
    viewers : int
        Open pages.
    sounding : int
        Those that let cues be heard.
    dropped : int
        Messages, or pictures, that the web process was too slow for.
    url : str or None
        Where the page is, once it is there.
    problem : str or None
        Why it cannot be there, a sentence.
    has_ended : bool
        A web process has ended; another may have been started.
    """

    def __init__(
        self,
        order: WebOptions,
        store_path: Path,
        on_command: Callable[[Message], None],
        say: Callable[[str], None],
    ) -> None:
        self.viewers = 0
        self.sounding = 0
        self.dropped = 0
        self.url: str | None = None
        self.problem: str | None = None
        self.has_ended = False
        self._order = order
        self._store_path = store_path
        self._on_command = on_command
        self._say = say
        self._port = f"usual:{order.usual}" if order.port is None else str(order.port)
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
    def said(self) -> list[str]:
        """Sentences on where the page is, and for whom."""
        return self._order.said(self._port)

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
        """Keep a web process running, however often it ends."""
        backoff = Backoff(_AGAIN_S)
        while True:
            with self._changed:
                if self._closing:
                    return
                self._waiting = deque(self._kept.values())
            backoff.begin()
            why = self._served()
            if self._closing or self.url is None:
                return
            pause_s = backoff.end()
            self._say(
                f"The live page has ended unexpectedly{why} and is started again in {pause_s:.0f} "
                "s. The recording goes on."
            )
            with self._changed:
                self._changed.wait_for(lambda: self._closing, pause_s)

    def _served(self) -> str:
        """Run one web process to its end; return why there was none, as a part of a sentence."""
        try:
            self._serve()
        except Exception as error:  # whatever it is, the next one may come up
            _log.exception("web process")
            self.has_ended = True
            if self.url is None:
                self.problem = f"live page: did not come up ({fault(error)})"
                self._ready.set()
            return f" ({fault(error)})"
        return ""

    def _serve(self) -> None:
        """Run one web process to its end."""
        command = [sys.executable, "-m", "plantigrade_gateway.web"]
        start = self._order.start(self._port, self._store_path)
        # A session of its own: Ctrl-C in the terminal is for the gateway, which then ends this.
        self._process = subprocess.Popen(
            [*command, json.dumps(asdict(start))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            errors="replace",
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
        self.viewers = self.sounding = 0

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
                try:
                    self._hear(json.loads(line))
                except Exception:  # one message that cannot be taken ends no page
                    _log.exception("message of the web process")
        self.has_ended = True
        if self.url is None:
            self._ready.set()  # it did not come up: whoever waits need wait no longer
        else:
            self._ready.clear()
        with self._changed:
            self._changed.notify()

    def _hear(self, message: Message) -> None:
        if message["type"] == "ready":
            self._come_up(str(message["port"]))
        elif message["type"] == "failed":
            self.problem = message["text"]
        elif message["type"] == "viewers":
            self.viewers = int(message["n"])
            self.sounding = int(message.get("sounding", 0))
        else:
            self._on_command(message)

    def _come_up(self, port: str) -> None:
        """Say where the page is, the first time."""
        is_first, self.url = self.url is None, self._order.url(port)
        self._port = port  # open pages look for it there again
        for text in self.said if is_first else ():
            self._say(text)
        if is_first and self._order.show and has_screen():
            webbrowser.open(self.url)
        self._ready.set()


@contextmanager
def opened_page(
    order: WebOptions | None,
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
        if page.wait() is None:
            if page.has_ended:
                text = "live page: did not come up; go on with --no-page"
                raise PageError(page.problem or text)
            say("The live page is slow to start; its address is said when it is there.")
        yield page
    finally:
        page.close()


def has_screen() -> bool:
    """Whether a browser of this machine's can be shown to the user."""
    if sys.platform in ("darwin", "win32"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
