"""Has stored sessions prepared by a worker process: those that have just ended, and on being asked.

One at a time, in the order of asking: preparing is background work.
"""

import asyncio
import logging
import sys
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.cache import prepared

LOOK_EVERY_S = 10.0
"""How often is looked whether a session has ended, s (ours)."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the preparing of a session is.

    Attributes
    ----------
    share : float
        0 to 1.
    problem : str or None
        Why it failed.
    """

    share: float = 0.0
    problem: str | None = None


class Preparing:
    """The queue of sessions to prepare, and the worker process.

    Parameters
    ----------
    store_path : Path
    """

    def __init__(self, store_path: Path) -> None:
        self._path = store_path
        self._progress: dict[str, Progress] = {}
        self._queue: list[str] = []
        self._came = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._open: set[str] | None = None
        self._process: asyncio.subprocess.Process | None = None

    def ask(self, session_id: str, *, again: bool = False) -> Progress:
        """Have a session prepared, if it is not on the way; return how far that is.

        May be called from any thread.
        """
        known = self._progress.get(session_id)
        if known is None or (again and known.problem is not None):
            known = self._progress[session_id] = Progress()
            self._queue.append(session_id)
            if self._loop is not None:
                self._loop.call_soon_threadsafe(self._came.set)
        return known

    async def run(self) -> None:
        """Prepare what is asked for, and sessions as they end, until cancelled."""
        self._came = asyncio.Event()  # of this run's loop
        self._came.set()  # something may have been asked for already
        self._loop = asyncio.get_running_loop()
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._look(), name="ended sessions")
                while True:
                    await self._came.wait()
                    self._came.clear()
                    while self._queue:
                        await self._prepare(self._queue.pop(0))
        finally:
            self._loop = None
            if self._process is not None:
                with suppress(ProcessLookupError):
                    self._process.terminate()
                await self._process.wait()

    async def _look(self) -> None:
        while True:
            for session_id in await asyncio.to_thread(self._just_ended):
                self.ask(session_id)
            await asyncio.sleep(LOOK_EVERY_S)

    def _just_ended(self) -> list[str]:
        """Return the sessions that were open when last looked and are not now."""
        try:
            with Store.open(self._path, read_only=True) as store:
                sessions = store.sessions()
                is_open = {s.session_id for s in sessions if s.state == "open"}
                ended = (self._open or set()) - is_open
                self._open = is_open
                return [
                    s.session_id
                    for s in sessions
                    if s.session_id in ended and prepared(store, s) is None
                ]
        except GatewayError:
            return []  # no store yet, or it is away: whoever opens a page is told

    async def _prepare(self, session_id: str) -> None:
        self._process = process = await asyncio.create_subprocess_exec(
            sys.executable,
            *("-m", "plantigrade_gateway.web.desk.worker", "prepare", str(self._path), session_id),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        assert process.stdout is not None and process.stderr is not None
        errors = asyncio.create_task(process.stderr.read())
        async for line in process.stdout:
            now = self._progress.get(session_id, Progress())
            self._progress[session_id] = replace(now, share=float(line))
        said = (await errors).decode(errors="replace").strip()
        if await process.wait() == 0:
            self._progress.pop(session_id, None)  # what is kept says it now
            return
        last = said.splitlines()[-1] if said else f"exit code {process.returncode}"
        _log.warning("session %s could not be prepared: %s", session_id, last)
        self._progress[session_id] = Progress(problem=last)
