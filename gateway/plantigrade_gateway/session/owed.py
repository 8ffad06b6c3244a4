"""What an insole's log still owes to sessions that have ended: asked for at the next connection."""

import asyncio
import logging
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from plantigrade.block import Foot
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.people.visits import with_said
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.coverage import Hole
from plantigrade_gateway.wire.gatt import KnownInsole

KEPT = timedelta(hours=12)
"""Sessions that began longer ago are not asked for: no log reaches back so far (ours)."""

_log = logging.getLogger(__name__)


def owed_by(store: Store, pair: Iterable[KnownInsole]) -> dict[Foot, list[Hole]]:
    """Return what each insole's log owes to stored sessions."""
    serials = {f"{insole.serial:08X}": insole.foot for insole in pair}
    owed: dict[Foot, list[Hole]] = {foot: [] for foot in serials.values()}
    since = datetime.now(UTC) - KEPT
    for session in store.sessions():
        if session.started < since:
            break  # the latest come first
        if session.state == "open":
            continue
        for one in results.owed(store, session.session_id):
            foot = serials.get(one.serial)
            if foot is not None:
                hole = Hole(one.boot, one.from_us, one.to_us, owner=session.session_id)
                owed[foot].append(hole)
    return owed


class OwedPages:
    """Stores what came late for ended sessions, and makes their results again.

    Parameters
    ----------
    path : Path
        Of the store, opened anew in a thread: nothing live waits for it.
    say : callable
        Told what came of it, a sentence.
    """

    def __init__(self, path: Path, say: Callable[[str], None]) -> None:
        self._path = path
        self._say = say
        self._tasks: set[asyncio.Task[None]] = set()
        self._one = asyncio.Lock()

    def take(self, session_id: str, insole: int, pages: list[bytes], is_last: bool) -> None:
        """Take the pages that a request brought for a session.

        Parameters
        ----------
        session_id : str
        insole : int
        pages : list of bytes
        is_last : bool
            The log was asked for all that the session lacked of this insole.
        """

        def store() -> None:
            add_late(self._path, session_id, insole, pages, is_last=is_last)

        self._begin(session_id, store, is_whole=is_last and bool(pages))

    def remake(self, session_id: str, is_patched: bool) -> None:
        """Make an ended session's results again.

        Parameters
        ----------
        session_id : str
        is_patched : bool
            Something came late while it was recorded; else it only says what is missing.
        """
        self._begin(session_id, lambda: make_again(self._path, session_id), is_whole=is_patched)

    async def close(self) -> None:
        """Wait until all is stored."""
        while self._tasks:
            await asyncio.wait(self._tasks)

    def _begin(self, session_id: str, work: Callable[[], None], *, is_whole: bool) -> None:
        task = asyncio.create_task(self._do(session_id, work, is_whole))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _do(self, session_id: str, work: Callable[[], None], is_whole: bool) -> None:
        async with self._one:
            try:
                await asyncio.to_thread(work)
            except GatewayError as error:
                self._say(f"what came late for session {session_id[:8]} is not stored: {error}")
                return
        if is_whole:
            self._say(f"Session {session_id[:8]} was made whole with what came late.")


def make_again(path: Path, session_id: str) -> None:
    """Make an ended session's results again, by a store that is opened for it.

    Raises
    ------
    StoreError
    """
    with Store.open(path, create=False) as store:
        results.reanalyse(store, session_id, with_said)


def add_late(
    path: Path, session_id: str, insole: int, pages: list[bytes], *, is_last: bool
) -> None:
    """Append log pages to an ended session's record, and make its results again.

    Raises
    ------
    StoreError
    """
    with Store.open(path, create=False) as store:
        if pages:
            last_ns = 0
            for batch in store.batches(session_id):
                if len(batch):
                    last_ns = int(batch.arrival_ns[-1])
            entries = [Entry(last_ns, insole, Kind.LOG, page) for page in pages]
            store.append(session_id, Batch.of(entries))
        if is_last:
            results.note_asked(store, session_id, insole)
            results.reanalyse(store, session_id, with_said)
