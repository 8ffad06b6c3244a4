"""One life for every source: open, say, take what comes, end in good order.

Read `run` from top to bottom: what is opened, what is said first, what runs, and how it ends. A
`Job` says which source is opened and what is done with what it gives.
"""

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import (
    AbstractAsyncContextManager,
    AbstractContextManager,
    AsyncExitStack,
    asynccontextmanager,
    contextmanager,
)
from pathlib import Path
from types import FrameType
from typing import Any, Protocol

from rich.console import Console

from plantigrade_gateway import words
from plantigrade_gateway.errors import GatewayError, RefusedNowError
from plantigrade_gateway.pauses import short_collections
from plantigrade_gateway.people import deletion
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.report.console import paragraph
from plantigrade_gateway.session.stage import RunOptions, Stage, opened_stage
from plantigrade_gateway.sound.device import short_switch_interval
from plantigrade_gateway.sources.source import STOP_LIMIT_S, Source
from plantigrade_gateway.store import recorder, results, schema
from plantigrade_gateway.store.store import Store

TICK_S = 1.0


class Work(Protocol):
    """What is done with what a source gives."""

    @property
    def is_done(self) -> bool:
        """Whether no more is wanted."""

    def push(self, batch: Batch) -> None:
        """Take what came."""

    async def tick(self) -> None:
        """Do what is due; called every `TICK_S`."""

    def close(self, reason: str) -> None:
        """End: the source has ended ("end"), somebody said so ("stop"), or it failed ("error")."""

    async def wants_more(self, stop: asyncio.Event) -> bool:
        """Whether the source shall begin again; may wait to be told, at most until `stop`."""


class Job(Protocol):
    """Which source is opened, and what is done with what it gives."""

    def opened(
        self, store: Store, say: Callable[[str], None]
    ) -> AbstractAsyncContextManager[Source]:
        """Give the source; it begins when it is entered itself."""

    def intro(self) -> Iterable[str]:
        """Return what is said before the cautions."""

    def work(self, stage: Stage) -> AbstractContextManager[Work]:
        """Give what is done with what the opened source gives, while it runs."""

    def greeting(self) -> Iterable[str]:
        """Return what is said last before the source begins."""


async def run(
    job: Job, options: RunOptions, out: Console, stop: asyncio.Event, for_s: float | None = None
) -> None:
    """Do a job until its source ends or `stop` is set.

    Parameters
    ----------
    job : Job
    options : RunOptions
    out : Console
    stop : asyncio.Event
    for_s : float or None
        Stop by itself so long after everything was opened, s.

    Raises
    ------
    GatewayError
        Something cannot be used: one sentence with what to do. What was recorded before is kept.
    """
    try:
        await _run(job, options, out, stop, for_s)
    except ExceptionGroup as group:
        ours, _ = group.split(GatewayError)
        if ours is None:
            raise
        first: Exception = ours
        while isinstance(first, ExceptionGroup):
            first = first.exceptions[0]
        raise first from group


async def _run(
    job: Job, options: RunOptions, out: Console, stop: asyncio.Event, for_s: float | None
) -> None:
    def say(text: str) -> None:
        paragraph(out, text)

    async with AsyncExitStack() as opened:
        # What arrives must not wait for another thread's turn, such as the recorder's.
        opened.enter_context(short_switch_interval())
        store = opened.enter_context(await _opened_store(options.store, say, stop))
        try:
            async with given_up_at(stop):
                source = await opened.enter_async_context(job.opened(store, say))
        except StoppedError as error:
            say(str(error))
            return
        for text in (*job.intro(), *words.CAUTIONS):
            say(text)
        out.print()
        for text in (*results.recover(store), *deletion.complete(store)):
            say(text)
        stage = opened.enter_context(opened_stage(out, store, options))
        work = opened.enter_context(job.work(stage))
        for text in job.greeting():
            say(text)
        out.print()
        opened.enter_context(short_collections())
        if for_s is not None:
            asyncio.get_running_loop().call_later(for_s, stop.set)
        await live(source, work, stop)


class StoppedError(Exception):
    """A stop came before there was anything to end in good order; the text says so."""


@asynccontextmanager
async def given_up_at(stop: asyncio.Event) -> AsyncIterator[None]:
    """Cancel what the block waits for when `stop` is set; raise `StoppedError` then.

    Virtual insoles take long to start where the machine is busy, and another program may scan.
    """

    def end(waited: asyncio.Task[Any]) -> None:
        if not waited.cancelled():
            limit.reschedule(asyncio.get_running_loop().time())

    waiting = asyncio.create_task(stop.wait(), name="stop")
    try:
        async with asyncio.timeout(None) as limit:
            waiting.add_done_callback(end)
            try:
                yield
            finally:
                waiting.remove_done_callback(end)
    except TimeoutError:
        if not limit.expired():
            raise
        raise StoppedError("Stopped before recording began: nothing is recorded.") from None
    finally:
        waiting.cancel()


async def _opened_store(
    path: Path | None, say: Callable[[str], None], stop: asyncio.Event
) -> Store:
    """Open the store; where it is there and takes nothing now, say so once and wait for it.

    Raises
    ------
    StoreError
        It cannot be used, or cannot even be made; or a stop was asked for before it could be.
    """
    told = False
    while True:
        try:
            return Store.open(path)
        except RefusedNowError as error:
            if stop.is_set() or not schema.is_made(path):
                raise
            if not told:
                say(f"{error}. Waiting until the store takes data; Ctrl-C ends.")
                told = True
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(recorder.RETRY_S):
                await stop.wait()


async def live(source: Source, work: Work, stop: asyncio.Event) -> None:
    """Have what a source gives worked on until it ends or `stop` is set.

    The source ends first, so that what is on its way still comes; then what has come is worked off,
    and the work ends. None of it waits for more than `STOP_LIMIT_S` for a source that hangs.
    """
    async with source:
        ticking = asyncio.create_task(_tick(work), name="tick")
        try:
            while True:
                try:
                    await _follow(source, work, stop, ticking)
                except BaseException as error:  # what came before is kept, whatever ends it
                    work.close("error" if isinstance(error, Exception) else "stop")
                    raise
                work.close("stop" if stop.is_set() else "end")
                if stop.is_set() or not await work.wants_more(stop):
                    return
        finally:
            ticking.cancel()
            await asyncio.wait([ticking])


async def _follow(
    source: Source, work: Work, stop: asyncio.Event, ticking: "asyncio.Task[None]"
) -> None:
    """Give the work what comes, once through."""
    taking = asyncio.create_task(_take(source, work, stop), name="work")
    stopped = asyncio.create_task(stop.wait(), name="stop")
    try:
        await asyncio.wait([taking, stopped, ticking], return_when=asyncio.FIRST_COMPLETED)
        if ticking.done():
            ticking.result()
        if not taking.done():
            await source.stop()
            await asyncio.wait([taking], timeout=STOP_LIMIT_S)
        if taking.done():
            taking.result()
    finally:
        stopped.cancel()
        taking.cancel()
        await asyncio.wait([taking], timeout=STOP_LIMIT_S)


async def _take(source: Source, work: Work, stop: asyncio.Event) -> None:
    async for batch in source:
        if not work.is_done:  # it may have become so while nothing came
            work.push(batch)
        await asyncio.sleep(0)  # whatever else is due has its turn, a stop among them
        if work.is_done:
            return
        if stop.is_set():
            await source.stop()


async def _tick(work: Work) -> None:
    while True:
        await work.tick()
        await asyncio.sleep(TICK_S)


@contextmanager
def stops_on_signals() -> Iterator[asyncio.Event]:
    """Give an event that Ctrl-C, or being told to end, sets; a second Ctrl-C ends at once."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    before: dict[int, Any] = {}

    def set_stop(number: int, frame: FrameType | None) -> None:
        loop.call_soon_threadsafe(stop.set)
        signal.signal(number, before[number])

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            before[number] = signal.signal(number, set_stop)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
