"""The web process from the gateway's side: started, told, heard, killed, and ended with it."""

import asyncio
import io
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from queue import SimpleQueue
from types import SimpleNamespace
from typing import Any, cast

import pytest
import websockets
from tests.support.waiting import HANG_S

from plantigrade_gateway import upkeep
from plantigrade_gateway.errors import PageError
from plantigrade_gateway.web.live.page import Page, WebOptions, opened_page

pytestmark = pytest.mark.dear

HELLO = {"type": "hello", "v": 1, "session": {"id": "ab", "recording": True}, "drills": []}


class Gateway:
    """What a gateway does with its page."""

    def __init__(self, folder: Path) -> None:
        self.asked: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self.said: list[str] = []
        self.page = Page(
            WebOptions(port=0), folder / "store.sqlite3", self.asked.put, self.said.append
        )

    @property
    def live(self) -> str:
        url = self.page.wait(HANG_S)
        assert url is not None
        return url.replace("http", "ws") + "live"

    def viewer(self) -> websockets.connect:
        """Connect as a page of the gateway's own does."""
        origin = self.live.replace("ws", "http").removesuffix("/live")
        return websockets.connect(self.live, origin=websockets.Origin(origin))


@pytest.fixture
def gateway(tmp_path: Path) -> Iterator[Gateway]:
    gateway = Gateway(tmp_path)
    try:
        yield gateway
    finally:
        gateway.page.close()


def has_come_back(gateway: Gateway, deaths: int) -> bool:
    said = sum("ended unexpectedly" in text for text in gateway.said)
    return said == deaths and gateway.page.is_up


def until(holds: Callable[[], object]) -> None:
    end_s = time.monotonic() + HANG_S
    while not holds():
        assert time.monotonic() < end_s, "it does not come to hold"
        time.sleep(0.01)


async def next_of(socket: websockets.ClientConnection, kind: str) -> dict[str, Any]:
    async with asyncio.timeout(HANG_S):
        while True:
            message: dict[str, Any] = json.loads(await socket.recv())
            if message["type"] == kind:
                return message


async def test_viewers_are_told_and_heard(gateway):
    gateway.page.send(HELLO)
    async with gateway.viewer() as one, gateway.viewer() as two:
        for viewer in (one, two):
            assert (await next_of(viewer, "hello"))["session"]["id"] == "ab"
        await asyncio.to_thread(until, lambda: gateway.page.viewers == 2)
        gateway.page.send({"type": "step", "n": 1})
        for viewer in (one, two):
            assert (await next_of(viewer, "step"))["n"] == 1
        await one.send('{"type": "mark", "text": "new grip"}')
        assert gateway.asked.get(timeout=HANG_S) == {"type": "mark", "text": "new grip"}
        for nonsense in ("not JSON", "[]", "x" * 5000, b"\x00\x01"):
            await two.send(nonsense)
    await asyncio.to_thread(until, lambda: gateway.page.viewers == 0)
    assert gateway.asked.empty()


@pytest.mark.slow
async def test_a_page_that_is_killed_comes_back_and_knows_the_session(gateway):
    gateway.page.send(HELLO)
    first = gateway.live
    process = gateway.page._process
    os.kill(process.pid, signal.SIGKILL)
    await asyncio.to_thread(until, lambda: gateway.page._process is not process)
    await asyncio.to_thread(until, lambda: gateway.page.is_up)
    assert [text for text in gateway.said if "ended unexpectedly" in text]
    assert sum(text.startswith("Live page: ") for text in gateway.said) == 1
    async with gateway.viewer() as viewer:
        assert (await next_of(viewer, "hello"))["session"]["id"] == "ab"
    assert gateway.live == first, "open pages find it again at the same address"


@pytest.mark.slow
async def test_a_page_that_dies_again_and_again_comes_back_each_time(gateway, monkeypatch):
    monkeypatch.setattr(upkeep.Backoff, "end", lambda self: 0.01)
    first = gateway.live
    for deaths in range(1, 9):
        gateway.page._process.kill()
        await asyncio.to_thread(until, partial(has_come_back, gateway, deaths))
    assert gateway.live == first


def test_lines_that_nobody_can_read_do_not_make_the_gateway_deaf(gateway):
    """Such as those of a library that writes to standard output."""
    assert gateway.live
    lines = ["Warning: deprecated", "[]", "{}", '{"type": "ready"}', '{"type": "viewers", "n": 3}']
    process = SimpleNamespace(stdout=io.StringIO("\n".join(lines)))
    gateway.page._listen(cast(Any, process))
    assert gateway.page.viewers == 3


def test_sending_never_waits_and_counts_what_is_lost(gateway):
    assert gateway.page.wait(HANG_S)
    os.kill(gateway.page._process.pid, signal.SIGSTOP)
    try:
        text = "x" * 10_000
        for n in range(3000):
            gateway.page.send({"type": "step", "n": n, "text": text})
            gateway.page.send({"type": "frame", "n": n})
        assert gateway.page.dropped > 3000
    finally:
        os.kill(gateway.page._process.pid, signal.SIGCONT)


def test_the_page_ends_with_its_gateway_however_that_ends(tmp_path):
    script = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from plantigrade_gateway.web.live.page import Page, WebOptions\n"
        f"page = Page(WebOptions(port=0), Path({str(tmp_path / 'store')!r}), print, str)\n"
        f"print(page.wait({HANG_S}), page._process.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    gateway = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    with gateway:
        assert gateway.stdout is not None
        url, pid = gateway.stdout.readline().split()
        assert url.startswith("http://127.0.0.1:")
        gateway.kill()
        gateway.wait()
        until(lambda: not Path(f"/proc/{pid}/cmdline").exists() or _is_zombie(pid))


def _is_zombie(pid: str) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text("utf-8").rsplit(")", 1)[1].split()[0] == "Z"
    except OSError:
        return True


def test_a_port_that_is_taken_is_said_in_a_sentence(tmp_path, monkeypatch):
    monkeypatch.setattr(Page.wait, "__defaults__", (HANG_S,))  # else one slow to start is let be
    with socket.create_server(("127.0.0.1", 0)) as taken:
        order = WebOptions(port=taken.getsockname()[1])
        with (
            pytest.raises(
                PageError,
                match=r"^pages: 127\.0\.0\.1, port \d+: cannot be used \([^()]+\); .* --port$",
            ),
            opened_page(order, tmp_path / "store", print, print),
        ):
            pass


def test_without_an_order_there_is_no_page(tmp_path):
    with opened_page(None, tmp_path / "store", print, print) as page:
        assert page is None
