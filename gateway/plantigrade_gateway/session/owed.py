"""What comes late for sessions that have ended: from an insole's log, and strikes that are told.

A log is asked for what it owes at the next connection.
"""

import asyncio
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from plantigrade.block import Foot
from plantigrade_gateway.analysis.result import SwingStrike
from plantigrade_gateway.analysis.strikes import is_told_of
from plantigrade_gateway.errors import GatewayError, InputError
from plantigrade_gateway.people.visits import with_said
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.heard import ToldStrike
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.coverage import Hole
from plantigrade_gateway.wire.gatt import KnownInsole

KEPT = timedelta(hours=12)
"""Sessions that began longer ago are not asked for: no log reaches back so far (ours)."""


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
            _, last_ns = results.ends_ns(store, session_id)
            entries = [Entry(last_ns, insole, Kind.LOG, page) for page in pages]
            store.append(session_id, Batch.of(entries))
        if is_last:
            results.note_asked(store, session_id, insole)
            results.reanalyse(store, session_id, with_said)


def add_strike(
    store: Store, session_id: str, t_s: float, error_s: float
) -> tuple[int, SwingStrike]:
    """Append a strike that another instrument told, and make the session's results again.

    Parameters
    ----------
    store : Store
    session_id : str
        Of a session that has ended.
    t_s : float
        When it was, session time, s.
    error_s : float
        Half width of the 95 % interval of that, s.

    Returns
    -------
    int
        The number of its swing, from 1.
    SwingStrike
        What the swing's strike is now: this one, unless a better one was known.

    Raises
    ------
    RecordError
        No such uncertainty.
    InputError
        No swing has its strike about there.
    StoreError
        The session is not there or under way, or the store refuses.
    """
    results.ended(store, session_id)
    swings = results.read(store, session_id).swings
    place = next((k for k, swing in enumerate(swings) if is_told_of(swing, t_s)), None)
    if place is None:
        raise InputError(f"strike: no swing has its shift and lead peak about {t_s:g} s")
    first_ns, last_ns = results.ends_ns(store, session_id)
    told = ToldStrike(last_ns - first_ns - round(1e9 * t_s), error_s, "import")
    entry = Entry(last_ns, SESSION, Kind.STRIKE, told.to_json())
    store.append(session_id, Batch.of([entry]))
    limits = results.other_limits(store, session_id)
    found, _ = results.reanalyse(store, session_id, with_said, limits)
    return place + 1, found.strikes[place]
