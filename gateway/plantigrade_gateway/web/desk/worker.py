"""Long work on stored sessions, in a process of its own at low priority.

``python -m plantigrade_gateway.web.desk.worker prepare STORE SESSION``, or
``tables STORE SESSION DIR``, or ``frames STORE SESSION DIR`` (the tables and the raw frames), or
``player STORE PLAYER DIR`` (all that is kept of a player, packed into one file), or
``page STORE PLAYER FILE PAPER`` (the page to take home, as PDF).
Progress goes to standard output, a share (0 to 1) a line; a failure is one sentence on standard
error and exit code 1. So neither the pages nor a recording wait for it.

An hour of record takes seconds to go through the pipeline, too long for opening a page. So it goes
through once, after the session has ended, and what the pages show is kept beside it (`cache.py`).
"""

import json
import os
import shutil
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.events import Swing
from plantigrade_gateway.analysis.eventrow import EventRow, event_of
from plantigrade_gateway.errors import GatewayError, StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.export import export
from plantigrade_gateway.report.frames import net_rows, write_frames
from plantigrade_gateway.report.page import write_page
from plantigrade_gateway.report.player import export_player
from plantigrade_gateway.report.swingframes import SwingCutter, SwingFrames
from plantigrade_gateway.store import results
from plantigrade_gateway.store.results import other_limits, record_as_analysed
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

    Its rows are by the limits of its results. Where these are made again meanwhile, begins again:
    what is kept is of one analysis.

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


def _results(store: Store, session_id: str) -> tuple[list[EventRow], dict[str, float]]:
    """Return of a session's results what the rows depend on: its swings, and its other limits."""
    return list(store.events(session_id, "swing")), other_limits(store, session_id)


def _prepared(store: Store, session: Session, on_progress: Callable[[float], None]) -> bool:
    """Go through the record once; return whether the swings are still those it began with."""
    session_id = session.session_id
    cache.clear(store, session_id)
    found = _results(store, session_id)
    swings = [event_of(row) for row in found[0]]
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

    for settings, net, zones, so_far in net_rows(record_as_analysed(store, session_id)):
        keep(maker.push(net, settings), cutter.push(net, zones, settings))
        if so_far > entries:
            entries = so_far
            on_progress(entries / max(session.entries, 1))
    keep(maker.flush(), cutter.flush())
    if _results(store, session_id) != found:
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


NICE = 5
"""Steps of priority below the pages' own (ours)."""
PACKED = "zip"
"""How a player's files are packed into one."""


def main(arguments: list[str]) -> int:
    """Do what the command line says; return the exit code."""
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(NICE)
    task, path, session_id, *rest = arguments
    try:
        with Store.open(Path(path), create=False) as store:
            if task == "prepare":
                prepare(store, session_id, _say)
            elif task == "player":
                _pack_player(store, session_id, Path(rest[0]))
            elif task == "page":
                _write_page(store, session_id, Path(rest[0]), rest[1])
            else:
                _export(store, session_id, Path(rest[0]), with_frames=task == "frames")
    except GatewayError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


def _export(store: Store, session_id: str, folder: Path, *, with_frames: bool) -> None:
    def frames(to: Path) -> None:
        write_frames(to, results.whole(store, session_id))

    export(store, session_id, folder, write_frames=frames if with_frames else None)


def _pack_player(store: Store, player_id: str, folder: Path) -> None:
    """Write a player's data into a folder, and the folder into one file of its name."""
    with Register(store) as register:
        export_player(register, player_id, folder)
    shutil.make_archive(str(folder), PACKED, folder.parent, folder.name)


def _write_page(store: Store, player_id: str, path: Path, paper: str) -> None:
    with Register(store) as register:
        write_page(register, player_id, path, paper, replace=False)


def _say(share: float) -> None:
    print(f"{share:.3f}", flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
