"""What a day leaves in memory: a whole day in one session, and a visit of practice every hour.

As fast as it goes, through the session and the store that `run` has; no sound, no page.
"""

import gc
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.bench.table import Row, at_most
from tests.support.day import DAY, HOUR, PUSH, World

from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.store import Store

HOURS, FIRST_HOURS = 24, 2
FLAT_MB = 24.0
"""What the long test of a day allows from its second hour on."""
PIECE = 100


def rows() -> Iterator[Row]:
    """Give both days."""
    yield _row(
        "memory after a day",
        "two feet, 24 h in one session without a pause (20 Hz, 8 frames a packet): 12 swings and "
        "48 steps an hour, whose results a session keeps until it ends",
        _one_session,
    )
    yield _row(
        "memory after a day of visits",
        "two feet at 100 Hz, each hour a session of 8.5 min with 33 swings: the practice recording",
        _visits,
    )


def _row(path: str, how: str, day: Callable[[Store], Iterator[float]]) -> Row:
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "store") as store:
        start_mb = rss_mb()
        hourly_mb = list(day(store))
    early_mb, end_mb = hourly_mb[FIRST_HOURS - 1], hourly_mb[-1]
    return Row(
        path,
        f"{start_mb:.0f} MB at the start, {early_mb:.0f} after {FIRST_HOURS} h, {end_mb:.0f} after "
        f"{HOURS} h (at most {max(hourly_mb):.0f})",
        f"{how}; as fast as it goes, store recording; resident memory of the process each hour",
        (at_most(f"from {FIRST_HOURS} h on: +", max(hourly_mb) - early_mb, FLAT_MB, "MB"),),
    )


def _one_session(store: Store) -> Iterator[float]:
    world = World(())
    with LiveSession(store, "bench", Silence(), _refused) as session:
        session.push(world.begins(0))
        for first in range(0, DAY, PUSH):
            session.push(world.heard(first, first + PUSH))
            if (first + PUSH) % HOUR == 0:
                session.flush()
                yield rss_mb()


def _visits(store: Store) -> Iterator[float]:
    entries = [e for batch in read_replay(demo_file()) for e in batch if e.kind is not Kind.END]
    pieces = [Batch.of(entries[k : k + PIECE]) for k in range(0, len(entries), PIECE)]
    for _ in range(HOURS):
        with LiveSession(store, "bench", Silence(), _refused) as session:
            for piece in pieces:
                session.push(piece)
        yield rss_mb()


def _refused(problem: Exception) -> None:
    raise problem


def rss_mb() -> float:
    """Return this process's memory in use, MB (Linux)."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text("utf-8").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20
