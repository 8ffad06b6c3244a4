"""A real browser for the tests of the pages: Debian's chromium, driven by playwright."""

import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Error, Page, Route, expect, sync_playwright
from tests.support.waiting import HANG_S

expect.set_options(timeout=1e3 * HANG_S)  # a slow machine is no fault of the page

SCRIPT = Path(__file__).resolve().parents[2] / ".ci" / "browser"
FLAGS = (
    "--no-sandbox",  # tests run as root in containers
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-dev-shm-usage",
    "--disable-sync",
    "--no-first-run",
)


@cache
def chromium() -> str:
    """Return the path of the browser; `.ci/browser` installs it where it may.

    Where it cannot, the test skips.
    """
    done = subprocess.run([SCRIPT], capture_output=True, text=True, timeout=280, check=False)
    if done.returncode == 3:
        pytest.skip(f"no browser, .ci/browser says: {done.stderr.strip()}")
    assert done.returncode == 0, f".ci/browser says: {done.stderr.strip()}"
    return done.stdout.strip().splitlines()[-1]


@contextmanager
def started() -> Iterator[Browser]:
    """Run the browser without a window while the context is open.

    playwright keeps an event loop running in this thread meanwhile: no asyncio test may run beside.
    """
    path = chromium()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        browser.on("context", lambda opened: opened.set_default_timeout(1e3 * HANG_S))
        try:
            yield browser
        finally:
            browser.close()


class HeldBack:
    """Requests of a page that wait until they are let go.

    Parameters
    ----------
    page : Page
    pattern : str or re.Pattern
        The addresses, as playwright's `route` takes them.
    """

    def __init__(self, page: Page, pattern: str | re.Pattern[str]) -> None:
        self._waiting: list[Route] = []
        self._free = False
        page.route(pattern, self._take)

    def _take(self, route: Route) -> None:
        if self._free:
            route.fallback()
        else:
            self._waiting.append(route)

    def let_go(self) -> None:
        """Let all that wait go on, and those that come later."""
        self._free = True
        for route in self._waiting:
            route.fallback()


class Complaints(list[str]):
    """What a page complained of: errors and warnings of its console, uncaught errors.

    Parameters
    ----------
    page : Page
        Watched from now on.
    """

    def __init__(self, page: Page) -> None:
        super().__init__()
        page.on("console", self._console)
        page.on("pageerror", self._error)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.append(f"{message.type}: {message.text} ({message.location.get('url')})")

    def _error(self, error: Error) -> None:
        self.append(f"uncaught: {error}")


def laid_out(page: Page) -> None:
    """Wait for two pictures of a page: sizes follow the screen's in the first."""
    page.evaluate("new Promise((then) => requestAnimationFrame(() => requestAnimationFrame(then)))")


def barriers(page: Page) -> list[str]:
    """Return what an accessibility scan of the page (axe) finds serious or critical."""
    page.wait_for_load_state()  # after a press it may be half there, and without its styles
    found = Axe().run(page).response["violations"]
    return [
        f"{rule['id']}: {node['target']} {node['failureSummary']}"
        for rule in found
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]


def is_well_made(page: Page) -> bool:
    """Whether nothing is wider than the screen and an accessibility scan finds nothing."""
    assert barriers(page) == []
    size = page.viewport_size
    assert size is not None
    wide = page.evaluate("document.documentElement.scrollWidth")
    return bool(wide <= size["width"])
