"""How long a start takes: of a command, of a recording with its page, of the page in a browser.

Each start is a process of its own. The first is not counted: it compiles the modules and brings the
files into memory.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

from playwright.sync_api import Browser
from tests.bench.table import Row, Spread
from tests.support.browser import started
from tests.support.program import running

STARTS = 9
_COMMAND = "from plantigrade_gateway.cli.main import main; main()"


def rows() -> Iterator[Row]:
    """Give the three starts."""
    recording_s, page_s = [], []
    with tempfile.TemporaryDirectory() as compiled, patch.dict(os.environ):
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = compiled
        yield _command()
        with started() as browser:
            for _ in range(STARTS + 1):
                recording, page = _recording(browser)
                recording_s.append(recording)
                page_s.append(page)
    yield Row(
        "start of recording and its page",
        Spread.of(recording_s[1:]).text("s", 2),
        "`plantigrade demo` on an empty store, until it says the live page's address, which it "
        "serves then",
    )
    yield Row(
        "start of a page in the browser",
        Spread.of(page_s[1:]).text("s", 2),
        "from the address to the live page with its first foot drawn; real browser, nothing "
        "cached, in the first second of a recording",
    )


def _command() -> Row:
    taken_s, cpu_s = [], []
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(STARTS + 1):
            at, at_cpu = time.perf_counter(), _children_s()
            subprocess.run(
                [sys.executable, "-c", _COMMAND, "sessions", "--store", str(Path(folder) / "none")],
                capture_output=True,
                check=False,
            )
            taken_s.append(time.perf_counter() - at)
            cpu_s.append(_children_s() - at_cpu)
    return Row(
        "start of the program",
        f"{Spread.of(taken_s[1:]).text('s', 2)}; CPU p50 {Spread.of(cpu_s[1:]).p50:.2f} s",
        "`plantigrade sessions` where there is no store, from the call to its end",
    )


def _recording(browser: Browser) -> tuple[float, float]:
    """Return the time until the page's address is said, and until a foot is drawn there, s."""
    with tempfile.TemporaryDirectory() as folder:
        at = time.perf_counter()
        store = str(Path(folder) / "store.sqlite3")
        with running("demo", "--no-sound", "--port", "0", "--store", store) as program:
            url = program.printed(r"http://\S+")[0].rstrip(".,")
            recording_s = time.perf_counter() - at
            context = browser.new_context()
            tab = context.new_page()
            tab.add_init_script(_WATCH)
            at = time.perf_counter()
            tab.goto(url + "?measure=1")
            while not tab.evaluate("window.drawn === true"):
                tab.wait_for_timeout(5)
            page_s = time.perf_counter() - at
            context.close()
    return recording_s, page_s


_WATCH = """
// The page says when it has drawn a picture of the feet.
const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (text) {
  if (JSON.parse(text).type === "drawn") window.drawn = true;
  else send.call(this, text);
};
"""


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
