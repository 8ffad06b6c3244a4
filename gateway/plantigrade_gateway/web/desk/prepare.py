"""Preparing a stored session to be looked at: its time line and the rows of its swings.

An hour of record takes seconds to go through the pipeline, too long for opening a page. So it goes
through once, after the session has ended, and what the pages show is kept beside it (`cache.py`).
"""

import json
from collections.abc import Callable

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.events import Swing
from plantigrade_gateway.analysis.eventrow import event_of
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.frames import net_rows
from plantigrade_gateway.report.swingframes import SwingCutter, SwingFrames
from plantigrade_gateway.store import results
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import cache
from plantigrade_gateway.web.desk.cache import HEAD, PIECE, SWING, made_of
from plantigrade_gateway.web.desk.curves import (
    Piece,
    PieceMaker,
)


def prepare(
    store: Store, session_id: str, on_progress: Callable[[float], None] = lambda share: None
) -> None:
    """Make what is kept of a session from its record.

    Where its results are made again meanwhile, begins again: what is kept is of one analysis.

    Parameters
    ----------
    store : Store
    session_id : str
    on_progress : callable
        Told now and then which share of the record is done.

    Raises
    ------
    StoreError
        No such session, it is still being recorded, its results are of another version, or its
        record is damaged.
    """
    session = store.session(session_id)
    if session.state == "open":
        raise StoreError(f"session {session_id}: is still being recorded")
    if session.analysis_version != ANALYSIS_VERSION:
        raise StoreError(
            f"session {session_id}: its results are of another version; run plantigrade reanalyse"
        )
    while not _prepared(store, session, on_progress):
        pass


def _prepared(store: Store, session: Session, on_progress: Callable[[float], None]) -> bool:
    """Go through the record once; return whether the swings are still those it began with."""
    session_id = session.session_id
    cache.clear(store, session_id)
    found = list(store.events(session_id, "swing"))
    swings = [event_of(row) for row in found]
    cutter = SwingCutter([swing for swing in swings if isinstance(swing, Swing)])
    maker = PieceMaker()
    spans: list[tuple[float, float]] = []
    settings = SessionSettings()
    entries = 0

    def keep(pieces: list[Piece], frames: dict[int, SwingFrames]) -> None:
        for piece in pieces:
            cache.put(store, session_id, PIECE, len(spans), piece.to_bytes())
            spans.append((piece.start_s, piece.end_s))
        for k, rows in frames.items():
            cache.put(store, session_id, SWING, k, rows.to_bytes())

    for settings, net, zones, so_far in net_rows(results.whole(store, session_id)):
        keep(maker.push(net, settings), cutter.push(net, zones, settings))
        if so_far > entries:
            entries = so_far
            on_progress(entries / max(session.entries, 1))
    keep(maker.flush(), cutter.flush())
    if list(store.events(session_id, "swing")) != found:
        return False
    head = {
        "made_of": made_of(session),
        "spans": spans,
        "lead": str(settings.lead),
        "body_weight_n": settings.body_weight_n,
        "body_weight_from": settings.body_weight_from,
    }
    cache.put(store, session_id, HEAD, 0, json.dumps(head).encode())  # last: all is there
    return True
