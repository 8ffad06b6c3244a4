"""What catching up costs the recording: the delay of cues while a long outage is made good.

Real victoria-metrics and mosquitto. A minute of the practice session with swings in it is recorded
and analysed in its own time, once with nothing waiting, once with so many rows waiting that the
forwarding is busy all the minute. Printed for each: the time from a packet's due time to its cue
handed to the sound and to all work done, and what the recording lost.
"""

import contextlib
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from tests.bench.viewers import FROM_S, SECONDS, Timed
from tests.support.pace import as_live
from tests.support.procfs import cpu_s, pid_of
from tests.support.records import packets, step, swing
from tests.support.servers import Mosquitto, Victoria

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.config import load
from plantigrade_gateway.forward.launch import Forwarder
from plantigrade_gateway.record.entries import Batch, Entry
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

BACKLOG = 80_000
"""Events: more than are sent in the minute."""


def main() -> None:
    """Print a line for each run."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    with tempfile.TemporaryDirectory() as folder, _servers(Path(folder)) as settings:
        stores = {"nothing waits": 0, "catching up": BACKLOG}
        for name, rows in stores.items():
            fill(Path(folder) / name, settings, rows)
        for name in [*stores, *stores]:
            run = Path(folder) / "run"
            run.mkdir()
            shutil.copy(Path(folder) / name, run / "store")
            print(f"{name}: {measure(entries, run / 'store', settings)}", flush=True)
            shutil.rmtree(run)


def measure(entries: list[Entry], path: Path, settings: Path) -> str:
    """Return a line for one run on a store in which rows wait."""
    start_ns = entries[0].arrival_ns + round(1e9 * FROM_S)
    early = [e for e in entries if e.arrival_ns < start_ns]
    live_part = [e for e in entries if 0 <= e.arrival_ns - start_ns < 1e9 * SECONDS]
    delays_ms, late_ms = [], []
    with Store.open(path) as store:
        outbox, sound = Outbox(store.database), Timed()
        forwarder = Forwarder(path, settings, print, print)
        session = LiveSession(store, "bench", sound, print)
        session.push(Batch.of(early))
        time.sleep(5.0)  # what comes before is stored and, where nothing waits, sent
        sound.at_ns.clear()
        sent, used_s, cpu_before_s = _sent(outbox), cpu_s(pid_of(forwarder)), time.process_time()
        began_ns = time.monotonic_ns()
        for batch in as_live([Batch.of(live_part)]):
            before = len(sound.at_ns)
            session.push(batch)
            due_ns = began_ns + int(batch.arrival_ns[-1]) - live_part[0].arrival_ns
            late_ms.append((time.monotonic_ns() - due_ns) / 1e6)
            delays_ms += [(at - due_ns) / 1e6 for at in sound.at_ns[before:]]
        used_s, cpu_here_s = cpu_s(pid_of(forwarder)) - used_s, time.process_time() - cpu_before_s
        sent = {sink: n - sent[sink] for sink, n in _sent(outbox).items()}
        left = max(depth.waiting for depth in outbox.depths())
        lost = session._recorder.lost
        session.close()
        forwarder.close()
    cue, work = np.percentile(delays_ms, [50, 99]), np.percentile(late_ms, [50, 99])
    return (
        f"packet due -> cue p50 {cue[0]:.1f} p99 {cue[1]:.1f} ms (n = {len(delays_ms)}); -> all "
        f"work p50 {work[0]:.1f} p99 {work[1]:.1f} ms (n = {len(late_ms)}); {lost} entries lost; "
        f"sent meanwhile: {', '.join(f'{sink} {n}' for sink, n in sent.items())}, {left} wait "
        f"still; {100 * cpu_here_s / SECONDS:.1f} % of a core here, "
        f"{100 * used_s / SECONDS:.1f} % in the forwarding process"
    )


def _sent(outbox: Outbox) -> dict[str, int]:
    return {depth.sink: depth.sent for depth in outbox.depths()}


def fill(path: Path, settings: Path, rows: int) -> None:
    """Make a store in which so many events wait for every sink."""
    with Store.open(path) as store:
        Outbox(store.database).configure(load(settings, {}).sinks())
        session = store.create_session("insoles", analysis_version=1)
        store.append(session, packets(10))
        for first in range(0, rows, 2000):
            made = [m(130 * k) for k in range(first // 2, first // 2 + 1000) for m in (step, swing)]
            store.write(session, [], [event_row(session, event, 10) for event in made])
        store.end_session(session, "end")


@contextlib.contextmanager
def _servers(folder: Path) -> Iterator[Path]:
    """Give the settings of a database and a broker that run."""
    (folder / "vm").mkdir()
    database, broker = Victoria(folder / "vm"), Mosquitto(folder / "broker")
    try:
        database.start()
        broker.start()
        settings = folder / "settings.toml"
        settings.write_text(
            f'[tsdb]\nurl = "{database.url}"\nloads = true\nhold_s = 1.0\n'
            f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nhold_s = 1.0\n',
            "utf-8",
        )
        yield settings
    finally:
        for server in (database, broker):
            if server.is_up:
                server.kill()


if __name__ == "__main__":
    main()
