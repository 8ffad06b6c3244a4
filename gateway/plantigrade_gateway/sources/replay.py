"""Recorded bytes as if they came now: at their arrival times, or as fast as they are taken."""

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from threading import Event

import numpy as np

from plantigrade.block import Foot
from plantigrade_gateway.errors import InputError, RecordError
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.settings import SessionSettings, settings_of
from plantigrade_gateway.sources.replayfile import MAGIC, read_replay

_LONGEST_WAIT_S = 0.1  # so that a stop is noticed where a wait cannot be interrupted
_FAST_PIECE_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Overview:
    """What a record is like, before it is run.

    Attributes
    ----------
    entries : int
    duration_s : float
        From the first entry to the last.
    settings : SessionSettings
        The first in the record.
    """

    entries: int
    duration_s: float
    settings: SessionSettings

    @property
    def lead(self) -> Foot:
        """The foot nearer the target."""
        return self.settings.lead


def demo_file() -> Path:
    """Return the demo recording: the installed one, else the repository's.

    Raises
    ------
    InputError
        Neither is there.
    """
    installed = Path(str(resources.files("plantigrade_gateway") / "data" / "practice.pgr"))
    of_repository = Path(__file__).resolve().parents[3] / "replay_data" / "practice.pgr"
    for path in (installed, of_repository):
        if path.is_file():
            return path
    raise InputError(f"demo recording: neither {installed} nor {of_repository} is there")


def is_replay(path: Path) -> bool:
    """Whether a file is a replay file, by its first bytes.

    Raises
    ------
    InputError
        It cannot be read.
    """
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def overview(path: Path) -> Overview:
    """Read a replay file from end to end, so that a bad one is refused before it is run.

    Raises
    ------
    RecordError
        As `read_replay`, or it holds no entries.
    """
    entries, settings = 0, None
    first_ns = last_ns = 0
    for batch in read_replay(path):
        first_ns = first_ns if entries else int(batch.arrival_ns[0])
        last_ns = int(batch.arrival_ns[-1])
        entries += len(batch)
        settings = settings or settings_of(batch)
    if not entries:
        raise RecordError(f"{path}: holds no entries, expected a recorded session")
    return Overview(entries, (last_ns - first_ns) / 1e9, settings or SessionSettings())


def as_live(
    batches: Iterable[Batch], stop: Event, now_ns: Callable[[], int] = time.monotonic_ns
) -> Iterator[Batch]:
    """Give a record's entries when they are due, as far from the first as they came then.

    What is due is given at once, however much it is: a program that was held up is never late for
    longer than it was held up.

    Parameters
    ----------
    batches : iterable of Batch
    stop : threading.Event
        Ends it, between two entries.
    now_ns : callable
        A monotonic clock, ns.

    Yields
    ------
    Batch
        At least one entry.
    """
    ahead_ns: int | None = None  # of the record's clock over ours
    for batch in batches:
        at = 0
        while at < len(batch):
            if ahead_ns is None:
                ahead_ns = int(batch.arrival_ns[0]) - now_ns()
            due = int(np.searchsorted(batch.arrival_ns, now_ns() + ahead_ns, side="right"))
            if due > at:
                yield batch.slice(at, due)
                at = due
            wait_s = 0.0 if at == len(batch) else (batch.arrival_ns[at] - now_ns() - ahead_ns) / 1e9
            if stop.wait(min(max(float(wait_s), 0.0), _LONGEST_WAIT_S)):
                return


def at_once(batches: Iterable[Batch], stop: Event) -> Iterator[Batch]:
    """Give a record's entries without waiting, a second of it at a time."""
    for batch in batches:
        second = batch.arrival_ns // _FAST_PIECE_NS
        edges = [0, *(np.flatnonzero(np.diff(second)) + 1).tolist(), len(batch)]
        for k in range(len(edges) - 1):
            if stop.is_set():
                return
            yield batch.slice(edges[k], edges[k + 1])
