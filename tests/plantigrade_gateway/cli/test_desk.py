"""The command `desk`, as the real program."""

import contextlib
import re
import signal
import time
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
from click.testing import CliRunner
from tests.support.program import Program

from plantigrade_gateway.cli import desk
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.live import page as live_page


@pytest.mark.slow
def test_the_desk_is_served_without_a_gateway_until_told(tmp_path):
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        session_id = store.create_session("invented", analysis_version=1)
        store.end_session(session_id, "stop")
    program = Program(["desk", "--port", "0", "--store", str(path)])
    try:
        program.url()
        until = time.monotonic() + 120.0
        while (found := re.search(r"Stored sessions: (\S+)", program.said)) is None:
            assert time.monotonic() < until, program.said
            time.sleep(0.05)
        with urlopen(found[1], timeout=60.0) as answer:
            assert session_id in answer.read().decode()
            assert "'unsafe-inline'" in answer.headers["content-security-policy"]
            assert answer.headers["cache-control"] == "no-store"
    finally:
        program.stop()
    assert program.process.returncode == 0, program.said


def test_a_store_that_is_not_there_is_not_made(tmp_path):
    result = CliRunner().invoke(main, ["desk", "--store", str(tmp_path / "gone.sqlite3")])
    assert result.exit_code == 2 and "gone.sqlite3: not found" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_desk_is_its_pages_and_has_no_option_not_to_serve_them():
    result = CliRunner().invoke(main, ["desk", "--no-page"])
    assert result.exit_code == 2 and "No such option" in result.output


class Page:
    """A page whose address comes when it is looked for again, or never."""

    def __init__(self, looks: int, ends: bool) -> None:
        self._looks, self._ends = looks, ends
        self.has_ended = False
        self.orders: list[Any] = []
        self.stores: list[Path] = []
        self.closed = False

    @property
    def url(self) -> str | None:
        self._looks -= 1
        if self._looks < 0:
            self.has_ended = self._ends
            return None if self._ends else "http://127.0.0.1:9/"
        return None

    @contextlib.contextmanager
    def opened(self, order: Any, path: Path, *_: object) -> Iterator["Page"]:
        self.orders.append(order)
        self.stores.append(path)
        yield self
        self.closed = True


class Told:
    """Stands for the event that Ctrl-C sets: at once where it is waited for without a limit."""

    def __init__(self) -> None:
        self.waits: list[float | None] = []

    def set(self) -> None:
        pass

    def wait(self, limit_s: float | None = None) -> bool:
        self.waits.append(limit_s)
        return limit_s is None


class FakeThreading:
    def __init__(self, told: Told) -> None:
        self.Event = lambda: told


@pytest.mark.parametrize(
    ("looks", "ends", "screen", "terminal", "said", "opened"),
    [
        (0, False, True, True, True, True),
        (3, False, True, True, True, True),
        (3, False, False, True, True, False),
        (3, False, True, False, True, False),
        (2, True, True, True, False, False),
    ],
)
def test_its_address_is_said_and_shown_once_it_is_there(
    tmp_path, monkeypatch, capsys, looks, ends, screen, terminal, said, opened
):
    path = tmp_path / "store.sqlite3"
    Store.open(path).close()
    page, told = Page(looks, ends), Told()
    shown: list[str] = []
    monkeypatch.setattr(live_page, "opened_page", page.opened)
    monkeypatch.setattr(live_page, "has_screen", lambda: screen)
    monkeypatch.setattr("plantigrade_gateway.cli.desk.threading", FakeThreading(told))
    monkeypatch.setattr(webbrowser, "open", shown.append)
    order: Any = live_page.WebOptions()
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        desk._serve(order, path, show=terminal)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    url = "http://127.0.0.1:9/sessions"
    assert capsys.readouterr().out == (f"Stored sessions: {url}\n" if said else "")
    assert shown == ([url] if opened else [])
    assert told.waits[-1] is None and len(told.waits) - 1 <= looks + 1
    assert page.closed and page.stores == [path]
    assert not page.orders[0].has_gateway  # nothing records beside it
