"""From a packet's arrival to its picture on the live page, and what the page costs.

A gateway process plays half a minute of the
practice session with swings in it, in its own time, store on; a real browser without a graphics
card, beside it on the same machine, shows the page. A picture's time runs from the due time of the
last packet in it to the moment its beat of the browser has been painted. Processor time is that of
all the browser's processes.
"""

import multiprocessing
import os
import tempfile
import time
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Page as Tab
from tests.bench.table import Row, Spread, at_most
from tests.support.browser import started
from tests.support.pace import as_live

from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.output import open_sound
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.live.page import Page, WebOptions

TARGET_MS = 60.0
FROM_S, SECONDS = 170.0, 30.0
WAYS = {
    "packet → drawn, tablet": (1024, 768, ""),
    "packet → drawn, phone": (360, 800, ""),
    "packet → drawn, large type": (1024, 768, "#large"),
    "packet → drawn, sound here too": (1024, 768, "#sound-here"),
}
KEEP = """
// Keep what is said of drawn pictures: it is read at the end.
window.drawn = [];
const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (text) {
  const message = JSON.parse(text);
  if (message.type === "drawn") drawn.push([message.sent_ms, message.drawn_ms]);
  else send.call(this, text);
};
"""


def rows() -> Iterator[Row]:
    """Give a row for each way of looking."""
    with started() as browser:
        for path, (width, height, press) in WAYS.items():
            context = browser.new_context(viewport={"width": width, "height": height})
            tab = context.new_page()
            tab.add_init_script(KEEP)
            yield measure(path, tab, press)
            context.close()


def measure(path: str, tab: Tab, press: str) -> Row:
    """Return the row of one run."""
    spawn = multiprocessing.get_context("spawn")
    mine, theirs = spawn.Pipe()
    gateway = spawn.Process(target=_gateway, args=(theirs,))
    gateway.start()
    try:
        tab.goto(mine.recv() + "?measure=1")
        tab.get_by_role("button", name="Understood").click()
        if press:
            tab.locator(press).click()
        mine.send("go")
        cpu_s, began = browser_cpu_s(), time.monotonic()
        while not mine.poll():
            tab.wait_for_timeout(200)  # the browser's own events are worked off meanwhile
        cpu_s, took_s = browser_cpu_s() - cpu_s, time.monotonic() - began
        due_ms: dict[float, float] = dict(mine.recv())
        drawn: list[tuple[float, float]] = tab.evaluate("drawn")
    finally:
        gateway.join(20)
    cost = f"the browser took {100 * cpu_s / took_s:.0f} % of a core"
    size = tab.viewport_size
    assert size is not None
    how = (
        f"real browser of {size['width']} × {size['height']} px without a graphics card; "
        f"{SECONDS:.0f} s of the practice recording with swings, store on; from the due time of a "
        "picture's last packet"
    )
    waits = [at - due_ms[sent] for sent, at in drawn if sent in due_ms]
    if not waits:
        return Row(path, f"no feet are drawn; {cost}", how)
    spread = Spread.of(waits)
    page = np.median([at - sent for sent, at in drawn if sent in due_ms])
    return Row(
        path,
        f"{spread.text('ms')}, of it sent → drawn p50 {page:.0f} ms; {len(waits)} of "
        f"{len(due_ms)} pictures drawn; {cost}",
        how,
        (at_most("p95", spread.p95, TARGET_MS, "ms"),),
    )


def _gateway(pipe: Connection) -> None:
    """Play the recording to the page; report each picture's sending time and due time, ms."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    start_ns = entries[0].arrival_ns + round(1e9 * FROM_S)
    early = [e for e in entries if e.arrival_ns < start_ns]
    played = [e for e in entries if 0 <= e.arrival_ns - start_ns < 1e9 * SECONDS]
    pictures: list[tuple[float, float]] = []
    due_ms = 0.0
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "store") as store:
        page = Page(WebOptions(port=0), store.path, lambda message: None, print)
        live_feed = LiveFeed(page, open_sound("none"), shelf(None))
        send = page.send

        def noted(message: dict[str, Any]) -> None:
            if message["type"] == "frame":
                pictures.append((message["sent_ms"], due_ms))
            send(message)

        page.send = noted  # type: ignore[method-assign]
        session = LiveSession(store, "bench", open_sound("none").output, print, tap=live_feed.tap)
        live_feed.begin(session, "bench")
        session.push(Batch.of(early))
        pipe.send(page.wait())
        pipe.recv()
        zero_ms = time.time() * 1e3
        for batch in as_live([Batch.of(played)]):
            due_ms = zero_ms + (int(batch.arrival_ns[-1]) - played[0].arrival_ns) / 1e6
            live_feed.show(session.push(batch), session.analysis.pipeline)
        pipe.send(pictures)
        session.close()
        page.close()


def browser_cpu_s() -> float:
    """Return the processor time of this process's browser so far, s (Linux)."""
    parents: dict[int, int] = {}
    ticks: dict[int, int] = {}
    names: dict[int, str] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, rest = stat.read_text("utf-8").split("(", 1)[1].rsplit(")", 1)
        except OSError:
            continue  # it has just ended
        fields, pid = rest.split(), int(stat.parent.name)
        names[pid], parents[pid] = name, int(fields[1])
        ticks[pid] = int(fields[11]) + int(fields[12])

    def is_ours(pid: int) -> bool:
        while pid in parents and pid != os.getpid():
            pid = parents[pid]
        return pid == os.getpid()

    ours = [pid for pid, name in names.items() if name.startswith("chrom") and is_ours(pid)]
    return sum(ticks[pid] for pid in ours) / os.sysconf("SC_CLK_TCK")
