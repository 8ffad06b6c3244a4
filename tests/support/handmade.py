"""A store of two invented players, whose visits' results are put there by hand: made in moments."""

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from copy import copy
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from starlette.applications import Starlette
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send
from tests.support.records import packets, stand, step, swing

from plantigrade.block import Foot
from plantigrade_gateway.analysis.eventrow import Measured, event_row
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.swingframes import SwingFrames
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import cache
from plantigrade_gateway.web.desk.curves import Piece
from plantigrade_gateway.web.door.access import GRANT, Principal, Rights

FIRST = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
SWINGS_S = (10.0, 20.0, 40.0)
"""When the swings of a visit begin; the first two are of its first set, the third of its second."""
MARKS = [{"t_s": 5.0, "text": "set: full"}, {"t_s": 30.0, "text": "set: smooth"}]
_SET = {"club": "7 iron", "is_silent": True}
SETS = [
    {"name": "full", "start_s": 5.0, "end_s": 30.0, "set_id": "5f" * 16, "intent": "full", **_SET},
    {"name": "smooth", "start_s": 30.0, "end_s": None, "set_id": "5e" * 16, "intent": "smooth"}
    | _SET,
]


def visit(store: Store, player: str | None, day: int, *, end: bool = True) -> str:
    """Put a visit so many days after the first in, of a minute or two; return its id."""
    session = store.create_session(
        "test", analysis_version=1, player_id=player, started=FIRST + timedelta(days=day)
    )
    store.append(session, packets(10))
    store.append(session, packets(1, 9000))  # a minute and a half later
    events: list[Measured] = [
        replace(swing(round(100 * t_s)), confirmed_s=t_s + 2.5) for t_s in SWINGS_S
    ]
    store.put_events(session, [event_row(session, one, 1) for one in events])
    store.put_events(session, [event_row(session, one, 1) for one in (step(100), stand(5000))])
    kept = {"marks": MARKS, "sets": SETS, "rate_hz": 100.0, "duration_s": 90.0}
    store.put_quality(session, kept)
    if end:
        store.end_session(session, "stop")
    return session


LEFT_N = (70.0, 35.0, 140.0, 35.0, 0.25 * 280, 0.5 * 280, 0.0, 0.0)
RIGHT_N = (140.0, 0.0, 70.0, 0.0, 0.75 * 210, 0.3 * 210, 0.0, 0.0)
"""Of each row that is prepared: regions, moments; 280 and 210 N, 0.4 and 0.3 of BW_N."""
BW_N = 700.0


def prepare(store: Store, session_id: str) -> None:
    """Put what the pages draw of a visit in: its time line at 10 Hz, and rows of its swings."""
    row = np.ones(901)
    piece = Piece(0.0, 10.0, BW_N, Foot.LEFT, 280.0 * row, 210.0 * row)
    cache.put(store, session_id, cache.PIECE, 0, piece.to_bytes())
    for k, start_s in enumerate(SWINGS_S):
        n = 401
        left, right, zones = (
            np.tile(LEFT_N, (n, 1)),
            np.tile(RIGHT_N, (n, 1)),
            np.full((n, 18), 2.0),
        )
        t_s = start_s - 1.0 + np.arange(n) / 100
        rows = SwingFrames(t_s, left, right, zones, zones, SessionSettings(bw_n=BW_N))
        cache.put(store, session_id, cache.SWING, k, rows.to_bytes())
    head = {
        "made_of": cache.made_of(store.session(session_id)),
        "spans": [(piece.start_s, piece.end_s)],
        "lead": "left",
        "body_weight_n": BW_N,
        "body_weight_from": "recording",
    }
    cache.put(store, session_id, cache.HEAD, 0, json.dumps(head).encode())


class Made:
    """The store.

    Attributes
    ----------
    path : Path
    store : Store
    register : Register
    ada, bo : str
        The players; Ada has the visits, Bo none.
    visits : list of str
        The first one first.
    nobodys : str
        A session of no player, later than all.

    The first visit is prepared to be looked at (`prepare`), the others are not.
    """

    def __init__(self, path: Path, visits: int) -> None:
        self.path = path
        self.store = Store.open(path)
        self.register = Register(self.store, author="coach")
        self.ada = self.register.add(name="Ada Invented", handedness="right")
        self.bo = self.register.add(name="Bo Invented", handedness="left")
        self.visits = [visit(self.store, self.ada, 7 * k) for k in range(visits)]
        self.nobodys = visit(self.store, None, 100)
        if visits:
            prepare(self.store, self.visits[0])

    def again(self, path: Path) -> "Made":
        """Return a copy of it that was put somewhere."""
        made = copy(self)
        made.path, made.store = path, Store.open(path)
        made.register = Register(made.store, author="coach")
        return made

    def close(self) -> None:
        self.register.close()
        self.store.close()


class Granted:
    """Stands for the door: lets everybody in with these rights."""

    def __init__(self, app: ASGIApp, rights: Rights | None = Rights.COACH) -> None:
        self._app, self.rights = app, rights

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] in ("http", "websocket") and self.rights is not None:
            scope[GRANT] = Principal(self.rights)
        await self._app(scope, receive, send)


class Handmade:
    """An application over one file, in which each test begins with the same store.

    Parameters
    ----------
    folder : Path
    visits : int
        Ada's.
    app_of : callable
        Makes the application of a store's path.

    Attributes
    ----------
    client : TestClient
        Asks as a coach.
    """

    def __init__(self, folder: Path, visits: int, app_of: Callable[[Path], Starlette]) -> None:
        self._whole = folder / "whole.sqlite3"
        self._made = Made(self._whole, visits)
        self._made.close()
        self._path = folder / "store.sqlite3"
        self._app = app_of(self._path)
        self.door = Granted(self._app)
        self.client = TestClient(self.door, follow_redirects=False)

    @contextmanager
    def begun(self) -> Iterator[Made]:
        """Give the store as it was made; what is done to it is gone afterwards."""
        shutil.copy(self._whole, self._path)
        made = self._made.again(self._path)
        try:
            yield made
        finally:
            made.close()
            # what was learned of sessions of the same ids
            self._app.state.reads.close()
            self._app.state.reads._counts.clear()
            if (preparing := getattr(self._app.state, "preparing", None)) is not None:
                preparing._queue.clear()
                preparing._progress.clear()
            self.client.cookies.clear()
            for each in self._path.parent.glob(f"{self._path.name}*"):
                each.unlink()
