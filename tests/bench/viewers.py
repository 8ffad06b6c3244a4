"""What browsers cost the recording: the delay of cues with none and with ten pages open.

Run alone with ``python -m tests.bench.viewers``. A minute of the practice session with swings in it
is recorded, analysed and shown in its own time, the store on; the viewers are WebSocket clients in
a process of their own, one of which takes nothing (a stalled browser). Printed for each: the time
from a packet's due time to its cue handed to the sound, and to its message at a viewer; what the
recording lost, and the processor time of this process.
"""

import asyncio
import json
import multiprocessing
import os
import tempfile
import time
from multiprocessing.synchronize import Event as ProcessEvent
from pathlib import Path

import numpy as np
import websockets
from tests.support.pace import as_live

from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.record.entries import Batch, Entry
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.cues import Cue
from plantigrade_gateway.sound.output import Silence, open_sound
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.live.page import Page, WebOptions

FROM_S, SECONDS = 170.0, 60.0
VIEWERS = 10


class Timed(Silence):
    """Silence that notes when it is given cues."""

    def __init__(self) -> None:
        self.at_ns: list[int] = []

    def play(self, cue: Cue) -> None:
        """Note a cue."""
        self.at_ns.append(time.monotonic_ns())


def main() -> None:
    """Print a line for each number of viewers."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    for viewers in (0, VIEWERS, 0, VIEWERS):
        print(measure(entries, viewers), flush=True)


def measure(entries: list[Entry], viewers: int) -> str:
    """Return a line for one run."""
    start_ns = entries[0].arrival_ns + round(1e9 * FROM_S)
    early = [e for e in entries if e.arrival_ns < start_ns]
    live_part = [e for e in entries if 0 <= e.arrival_ns - start_ns < 1e9 * SECONDS]
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "store") as store:
        sound = Timed()
        page = Page(WebOptions(port=0), store.path, lambda message: None, print)
        url = page.wait()
        assert url is not None
        live_feed = LiveFeed(page, open_sound("none"), shelf(None))
        session = LiveSession(store, "bench", sound, print, tap=live_feed.tap)
        live_feed.begin(session, "bench")
        session.push(Batch.of(early))
        sound.at_ns.clear()
        crowd = Crowd(url.replace("http", "ws") + "live", viewers)
        delays_ms, late_ms = [], []
        cpu_s = time.process_time()
        began_ns = time.monotonic_ns()
        for batch in as_live([Batch.of(live_part)]):
            before = len(sound.at_ns)
            moment = session.push(batch)
            live_feed.show(moment, session.analysis.pipeline)
            due_ns = began_ns + int(batch.arrival_ns[-1]) - live_part[0].arrival_ns
            late_ms.append((time.monotonic_ns() - due_ns) / 1e6)
            delays_ms += [(at - due_ns) / 1e6 for at in sound.at_ns[before:]]
        cpu_s = time.process_time() - cpu_s
        seen, stalled_dropped = crowd.end()
        lost = session._recorder.lost
        session.close()
        page.close()
    cue, work = np.percentile(delays_ms, [50, 99]), np.percentile(late_ms, [50, 99])
    return (
        f"{viewers} viewers: packet due -> cue p50 {cue[0]:.1f} p99 {cue[1]:.1f} ms "
        f"(n = {len(delays_ms)}); -> all work p50 {work[0]:.1f} p99 {work[1]:.1f} ms; {lost} "
        f"entries lost; {seen:.1f} pictures a second seen by each, stalled one dropped: "
        f"{stalled_dropped}; {100 * cpu_s / SECONDS:.1f} % of a core here; load average "
        f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )


class Crowd:
    """Viewers in a process of their own."""

    def __init__(self, url: str, viewers: int) -> None:
        context = multiprocessing.get_context("spawn")
        self._stop: ProcessEvent = context.Event()
        self._mine, theirs = context.Pipe()
        self._viewers = viewers
        self._process = context.Process(target=_crowd, args=(url, viewers, self._stop, theirs))
        if viewers:
            self._process.start()
            self._mine.recv()  # they all look

    def end(self) -> tuple[float, bool | None]:
        """Return the pictures a second that each saw, and whether the stalled one was dropped."""
        if not self._viewers:
            return 0.0, None
        self._stop.set()
        pictures, dropped = self._mine.recv()
        self._process.join()
        return pictures / (SECONDS * max(self._viewers - 1, 1)), dropped


def _crowd(url: str, viewers: int, stop: ProcessEvent, pipe: object) -> None:
    asyncio.run(_look(url, viewers, stop, pipe))


async def _look(url: str, viewers: int, stop: ProcessEvent, pipe: object) -> None:
    pictures = 0

    async def look(socket: websockets.ClientConnection) -> None:
        nonlocal pictures
        async for text in socket:
            pictures += json.loads(text)["type"] == "frame"

    own = websockets.Origin(url.replace("ws", "http", 1).removesuffix("/live"))
    stalled = await websockets.connect(url, max_queue=1, origin=own)
    sockets = [await websockets.connect(url, origin=own) for _ in range(viewers - 1)]
    tasks = [asyncio.create_task(look(socket)) for socket in sockets]
    pipe.send("ready")  # type: ignore[attr-defined]
    await asyncio.to_thread(stop.wait)
    for task in tasks:
        task.cancel()
    dropped = False
    try:
        while True:
            await asyncio.wait_for(stalled.recv(), 2.0)
    except websockets.ConnectionClosed:
        dropped = True
    except TimeoutError:
        pass
    pipe.send((pictures, dropped))  # type: ignore[attr-defined]


if __name__ == "__main__":
    main()
