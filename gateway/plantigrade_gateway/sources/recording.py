"""A recorded session as a source: its entries at their own pace, or as fast as they are taken."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from plantigrade.block import Foot
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.settings import SessionSettings, settings_of, with_settings
from plantigrade_gateway.sources.reconnect import LinkInfo
from plantigrade_gateway.sources.replay import read_replay

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


def paced(
    batches: Iterable[Batch], now_ns: Callable[[], int] = time.monotonic_ns
) -> Iterator[Batch | float]:
    """Give a record's entries when they are due, as far from the first as they came then.

    What is due is given at once, however much it is: a program that was held up is never late for
    longer than it was held up.

    Parameters
    ----------
    batches : iterable of Batch
    now_ns : callable
        A monotonic clock, ns.

    Yields
    ------
    Batch or float
        At least one entry; or how long to wait for the next one before asking again, s.
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
            if at < len(batch):
                wait_ns = int(batch.arrival_ns[at]) - now_ns() - ahead_ns
                if wait_ns > 0:
                    yield wait_ns / 1e9


def at_once(batches: Iterable[Batch]) -> Iterator[Batch]:
    """Give a record's entries without waiting, a second of it at a time."""
    for batch in batches:
        second = batch.arrival_ns // _FAST_PIECE_NS
        edges = [0, *(np.flatnonzero(np.diff(second)) + 1).tolist(), len(batch)]
        for k in range(len(edges) - 1):
            yield batch.slice(edges[k], edges[k + 1])


class ReplaySource:
    """Gives a replay file's entries (a `Source`); iterated again, it begins again.

    Parameters
    ----------
    path : Path
    name : str
        What its sessions are called.
    fast : bool, optional
        Do not wait for the recording's times.
    change : callable, optional
        Gives other settings in place of the recorded ones.

    Attributes
    ----------
    about : Overview

    Raises
    ------
    RecordError
        As `overview`.
    """

    is_live = False

    def __init__(
        self,
        path: Path,
        name: str,
        *,
        fast: bool = False,
        change: Callable[[SessionSettings], SessionSettings] | None = None,
    ) -> None:
        self.about = about = overview(path)
        if change is not None:  # or refused, before anything is run
            self.about = replace(about, settings=change(about.settings))
        self._change = change
        self.name = name
        self.links: Mapping[Foot, LinkInfo] = {}
        self._path = path
        self._fast = fast
        self._stopped = asyncio.Event()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()

    async def __aiter__(self) -> AsyncIterator[Batch]:
        """Give the record from its beginning."""
        batches = read_replay(self._path)
        if self._change is not None:
            batches = with_settings(batches, self._change)
        for given in at_once(batches) if self._fast else paced(batches):
            if isinstance(given, float):
                with suppress(TimeoutError):
                    async with asyncio.timeout(given):
                        await self._stopped.wait()
            if self._stopped.is_set():
                return
            if isinstance(given, Batch):
                yield given

    async def stop(self) -> None:
        """Give no further entry."""
        self._stopped.set()
