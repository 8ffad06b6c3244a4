"""The roster at many bays: the hub's share of a core, and how far what it shows is behind.

A real mosquitto; `tests/support/bays.py` plays the bays in a process of its own (status at 1 Hz,
events, 10 Hz live summaries, all by the real code); the hub's pages in a process of their own; here
three viewers over WebSocket, as browsers have it. Run alone with ``python -m tests.bench.roster 200
60``. Printed: processor time of each process, how late the simulator itself was, and how far the
rows of twenty bays that count a swing each second were behind, from the bay's own making of its
status: *delay* until a row shows it, *age* of what a row shows just before it is replaced (a second
more, since a bay speaks once a second). Beside it what a subscription to everything would cost.
"""

import asyncio
import itertools
import json
import logging
import multiprocessing
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
import websockets
from tests.bench.table import Row, at_most
from tests.support.bays import SECONDS as STRETCH_S
from tests.support.bays import Practice
from tests.support.deskserver import served
from tests.support.procfs import cpu_s, rss_mb
from tests.support.servers import Mosquitto

from plantigrade_gateway.config import Config, load
from plantigrade_gateway.forward import payloads
from plantigrade_gateway.forward.mqtt import Broker
from plantigrade_gateway.store.store import Store

BAYS, SECONDS = 200, 60.0
PROBES = 20
VIEWERS = 3
SETTLE_S = 5.0
_SWING = re.compile(r"swing (\d+) at")


def rows() -> Iterator[Row]:
    """Give what the hub takes of a core at 200 bays, and how far its roster is behind."""
    yield Row("what a bay says a second", sizes(), "messages made by the real code")
    yield measure(BAYS, SECONDS)


def sizes() -> str:
    """Return what a bay says a second: messages and bytes of payload, by kind."""
    practice = Practice.made()
    found: dict[str, list[int]] = {"live": [len(payloads.live(m)) for _, m in practice.live]}
    for _, item in practice.items:
        found.setdefault(payloads.topic(item), []).append(len(payloads.payload(item)))
    return "; ".join(
        f"{kind}: {len(lengths) / STRETCH_S:.3f} a second, {np.mean(lengths):.0f} bytes"
        for kind, lengths in found.items()
    )


def measure(bays: int, seconds: float) -> Row:
    """Return what one run came to."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder / "broker")
        broker.start()
        with Store.open(folder / "hub.sqlite3") as store:
            store.players.create("Iris Invented", "right", 70.0)
        try:
            with _played(bays, broker.port) as playing, _hub(folder, broker.port) as (hub, url):
                time.sleep(SETTLE_S)
                assert broker._process is not None
                parts = {"hub": hub, "mosquitto": broker._process.pid, "simulator": playing.pid}
                before = {part: cpu_s(pid) for part, pid in parts.items()}
                began = time.monotonic()
                seen = asyncio.run(_look(url, seconds))
                passed = time.monotonic() - began
                used = {p: 100 * (cpu_s(pid) - before[p]) / passed for p, pid in parts.items()}
                hub_mb = rss_mb(hub)
                everything = asyncio.run(_everything(broker.port, min(seconds, 20.0)))
                playing.terminate()
                assert playing.stdout is not None
                table = json.loads(playing.stdout.readline())
        finally:
            broker.kill()
    return _said(bays, passed, used, hub_mb, table, seen, everything)


def _said(
    bays: int,
    passed: float,
    used: dict[str, float],
    hub_mb: float,
    table: dict[str, Any],
    seen: dict[tuple[str, int], float],
    everything: tuple[float, float],
) -> Row:
    sent = {kind: n / table["seconds"] for kind, n in table["sent"].items()}
    delay, age = _behind(table["told"], seen)
    rates = ", ".join(f"{rate:.0f} {kind}" for kind, rate in sent.items())
    cores = ", ".join(f"{part} {share:.1f} %" for part, share in used.items())
    return Row(
        "hub, 200 bays" if bays == BAYS else f"hub, {bays} bays",
        f"{cores}; hub {hub_mb:.0f} MB; delay {_spread(delay)}; age {_spread(age)}",
        f"{passed:.0f} s of {rates} messages/s (simulator late by p50 {table['late_ms'][0]:.0f}, "
        f"p99 {table['late_ms'][1]:.0f}, at most {table['late_ms'][2]:.0f} ms), {VIEWERS} viewers; "
        f"subscribed to everything it would be {everything[1]:.0f} % of a core for "
        f"{everything[0]:.0f} messages/s",
        (
            at_most("hub", used["hub"], 60.0, "% of a core"),
            at_most("age p99", float(np.percentile(age, 99)) if age else np.nan, 2000.0, "ms"),
        ),
    )


def _spread(ms: list[float]) -> str:
    if not ms:
        return "nothing seen"
    p50, p90, p99, most = np.percentile(ms, [50, 90, 99, 100])
    return (
        f"p50 {p50:.0f}, p90 {p90:.0f}, p99 {p99:.0f}, at most {most:.0f} ms (n = {len(ms)}; "
        f"{sum(one > 2000 for one in ms)} over 2 s)"
    )


def _behind(
    told: list[tuple[str, int, float]], seen: dict[tuple[str, int], float]
) -> tuple[list[float], list[float]]:
    """Return delays, and ages just before a row was replaced, ms."""
    made = {(bay, n): at for bay, n, at in told}
    delay = [1e3 * (at - made[key]) for key, at in seen.items() if key in made]
    age = []
    for bay in {key[0] for key in seen}:
        mine = sorted((at, n) for (name, n), at in seen.items() if name == bay)
        pairs = itertools.pairwise(mine)
        age += [1e3 * (then - made[bay, n]) for (_, n), (then, _) in pairs if (bay, n) in made]
    return delay, age


async def _look(url: str, seconds: float) -> dict[tuple[str, int], float]:
    """Return when each swing of a probe was first seen by the first viewer."""
    seen: dict[tuple[str, int], float] = {}
    own = websockets.Origin(url)
    address = url.replace("http", "ws", 1) + "/bays/live"

    async def view(is_first: bool) -> None:
        async with websockets.connect(address, origin=own, max_size=1 << 22) as socket:
            first = True
            async for text in socket:
                now = time.time()
                if not is_first:
                    continue
                for row in json.loads(text)["rows"]:
                    found = _SWING.match(row["swing"])
                    if found and not first:
                        seen.setdefault((row["key"], int(found[1])), now)
                first = False

    tasks = [asyncio.create_task(view(k == 0)) for k in range(VIEWERS)]
    await asyncio.sleep(seconds)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return seen


async def _everything(port: int, seconds: float) -> tuple[float, float]:
    """Return messages a second and the share of a core of reading all that a site publishes."""
    logging.getLogger("mqtt").setLevel(logging.ERROR)  # what it drops is in the rate
    messages = 0
    async with Broker(_settings(port)).listening("bench", ["#"]) as heard:
        cpu_s, began = time.process_time(), time.monotonic()
        async for message in heard:
            json.loads(message.data)
            messages += 1
            passed = time.monotonic() - began
            if passed >= seconds:
                break
    return messages / passed, 100 * (time.process_time() - cpu_s) / passed


def _settings(port: int) -> Config:
    return load(
        None,
        {
            "PLANTIGRADE_SITE": "north",
            "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
            "PLANTIGRADE_MQTT_PORT": str(port),
        },
    )


@contextmanager
def _played(bays: int, port: int) -> Iterator["subprocess.Popen[str]"]:
    command = [sys.executable, "-m", "tests.support.bays", str(bays), "--port", str(port)]
    process = subprocess.Popen(
        [*command, "--probes", str(PROBES)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        assert json.loads(process.stdout.readline()) == {"ready": bays}
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


@contextmanager
def _hub(folder: Path, port: int) -> Iterator[tuple[int, str]]:
    """Give the id and the address of a process that serves the page."""
    context = multiprocessing.get_context("spawn")
    mine, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(folder / "hub.sqlite3", port, theirs))
    process.start()
    assert process.pid is not None
    try:
        yield process.pid, mine.recv()
    finally:
        mine.send("end")
        process.join()


def _serve(store: Path, port: int, pipe: Connection) -> None:
    with closing(pipe), served(store, _settings(port)) as url:
        pipe.send(url)
        pipe.recv()


if __name__ == "__main__":
    print(measure(int(sys.argv[1]), float(sys.argv[2])))
