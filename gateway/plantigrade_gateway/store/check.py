"""Read a whole store and report what is wrong with it; changes nothing."""

from collections.abc import Callable, Iterator

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.formats import clock, plural
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.store.pieces import Gap
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.store import Store


def _ignore(text: str) -> None:
    pass


def verify(store: Store, progress: Callable[[str], None] = _ignore) -> list[str]:
    """Read everything in a store and return what is wrong, one sentence each.

    Checks the file page by page, that every piece reads back, that none is missing, and that every
    event has its raw bytes. Takes about a second per stored hour.

    Parameters
    ----------
    store : Store
    progress : callable, optional
        Told what is looked at next.

    Returns
    -------
    list of str
        Empty when all is well.
    """
    progress("the file's pages")
    found = [f"store {store.path}: {text}" for text in store.integrity()]
    sessions = store.sessions()
    for number, session in enumerate(sessions, 1):
        progress(f"session {session.session_id[:8]}, {number} of {len(sessions)}")
        found += verify_session(store, session)
    return found


def verify_session(store: Store, session: Session) -> list[str]:
    """Read a session and return what is wrong with it, one sentence each."""
    name = f"session {session.session_id}"
    found: list[str] = []
    entries = session.entries
    try:
        for stretch in store.stretches(session.session_id):
            found += [lost_line(session, gap) for gap in stretch.gaps]
            entries = stretch.upto_entry
        if entries < session.entries:
            found.append(f"{name}: {entries} entries read, expected {session.entries}")
        late = sum(row.upto_entry > entries for row in store.events(session.session_id))
    except StoreError as error:
        return [*found, f"{name}: {error}"]
    if late:
        found.append(f"{name}: {late} events without their raw bytes")
    return found


def batches_and_gaps(store: Store, session: Session, say: Callable[[str], None]) -> Iterator[Batch]:
    """Read a session's record back as `Store.batches`, and say what is lost of it."""
    for stretch in store.stretches(session.session_id):
        for gap in stretch.gaps:
            say(lost_line(session, gap))
        yield stretch.batch


def lost_line(session: Session, gap: Gap) -> str:
    """Return what a gap costs: session, pieces, from when to when, and how many entries."""
    start, end = "the beginning", "the end"
    origin_ns = session.first_ns or 0
    if gap.from_ns is not None:
        start = clock((gap.from_ns - origin_ns) / 1e9)
    if gap.to_ns is not None:
        end = clock((gap.to_ns - origin_ns) / 1e9)
    entries = "entries" if gap.entries is None else plural(gap.entries, "entry", "entries")
    return f"session {session.session_id}, {gap.pieces}, {start} to {end}, {entries}: {gap.reason}"
