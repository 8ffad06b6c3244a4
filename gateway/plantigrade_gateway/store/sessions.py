"""List stored sessions, find one by its id, and return what is in it.

Reads a `Store`; changes nothing and prints nothing (the commands do).
"""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from plantigrade.events import Stand, Step, Swing
from plantigrade_gateway.analysis.eventrow import event_of
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store.rows import Player, Session, at_place
from plantigrade_gateway.store.store import Store

LAST = "last"
"""Stands for the session recorded last wherever an id is asked for, whatever the clock said."""

_SHOWN_ID = 8  # digits of an id shown to people; a longer prefix is asked for when two share it
_MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class SessionLine:
    """One session as a list of sessions shows it.

    Attributes
    ----------
    session : Session
    player : Player or None
        None where no player was registered.
    steps, swings, stands : int
        How many are stored.
    """

    session: Session
    player: Player | None
    steps: int
    swings: int
    stands: int

    @property
    def short_id(self) -> str:
        """The first digits of the id, as people read and type it."""
        return self.session.session_id[:_SHOWN_ID]


@dataclass(frozen=True, slots=True)
class SessionDetail:
    """All that is derived from one session.

    Attributes
    ----------
    line : SessionLine
    stands : tuple of Stand
    steps : tuple of Step
    swings : tuple of Swing
        Each in the order of time.
    quality : mapping of str to JSON values
        Facts and counters by name.
    """

    line: SessionLine
    stands: tuple[Stand, ...]
    steps: tuple[Step, ...]
    swings: tuple[Swing, ...]
    quality: Mapping[str, object]


def list_sessions(store: Store) -> list[SessionLine]:
    """Return the sessions, the latest start first."""
    players = {p.player_id: p for p in store.players.all()}
    counts = store.event_counts()
    return [
        _line(session, players, counts.get(session.session_id, {})) for session in store.sessions()
    ]


@dataclass(frozen=True, slots=True)
class SessionKey:
    """What a session is looked for by."""

    session_id: str
    player_id: str | None
    started_utc: str
    offset_min: int

    @property
    def started_text(self) -> str:
        """The day and minute it began, as people are shown it."""
        return f"{at_place(self.started_utc, self.offset_min):%Y-%m-%d %H:%M}"


def session_keys(store: Store) -> list[SessionKey]:
    """Return what all sessions are looked for by, the latest start first; reads no piece."""
    rows = store.database.read(
        "SELECT session_id, player_id, started_utc, utc_offset_min FROM sessions"
        " LEFT JOIN players USING (player_no) ORDER BY started_utc DESC, session_no DESC"
    )
    return [SessionKey(*row) for row in rows]


def some_sessions(store: Store, ids: Sequence[str]) -> list[SessionLine]:
    """Return the sessions of some ids, in their order."""
    players = {p.player_id: p for p in store.players.all()}
    counts: dict[str, dict[str, int]] = {}
    rows = store.database.read(
        "SELECT session_id, kind, count(*) FROM events JOIN sessions USING (session_no)"
        " WHERE session_id IN (SELECT value FROM json_each(?)) GROUP BY session_no, kind",
        (json.dumps(ids),),
    )
    for session_id, kind, count in rows:
        counts.setdefault(session_id, {})[kind] = count
    return [_line(store.session(key), players, counts.get(key, {})) for key in ids]


def find(store: Store, prefix: str) -> Session:
    """Return the one session whose id begins so.

    Parameters
    ----------
    store : Store
    prefix : str
        The first digits of an id, in either case, or `LAST`.

    Raises
    ------
    StoreError
        No session's id begins so, or those of several do; says which.
    """
    wanted = prefix.strip().lower()
    sessions = store.sessions()
    if not sessions:
        raise StoreError(f"session {prefix!r}: the store {store.path} holds no session yet")
    if wanted == LAST:
        return max(sessions, key=lambda session: session.number)
    found = [s for s in sessions if wanted and s.session_id.startswith(wanted)]
    if not found:
        raise StoreError(
            f"session {prefix!r}: no session in the store {store.path} has an id that begins so; "
            "plantigrade sessions lists them"
        )
    if len(found) > 1:
        named = ", ".join(s.session_id for s in found[:_MOST_NAMED])
        more = " and others" if len(found) > _MOST_NAMED else ""
        raise StoreError(
            f"session {prefix!r}: {len(found)} sessions have an id that begins so "
            f"({named}{more}); give more of it"
        )
    return found[0]


def detail(store: Store, session_id: str) -> SessionDetail:
    """Return all that is derived from one session.

    Raises
    ------
    StoreError
        No session has this id, or its events were made by another version (``reanalyse``).
    """
    session = store.session(session_id)
    rows = list(store.events(session_id))
    events = [event_of(row) for row in rows]
    kinds = Counter(row.kind for row in rows)
    players = {p.player_id: p for p in store.players.all()}
    return SessionDetail(
        line=_line(session, players, kinds),
        stands=tuple(e for e in events if isinstance(e, Stand)),
        steps=tuple(e for e in events if isinstance(e, Step)),
        swings=tuple(e for e in events if isinstance(e, Swing)),
        quality=store.quality(session_id),
    )


def _line(
    session: Session, players: Mapping[str, Player], counts: Mapping[str, int]
) -> SessionLine:
    return SessionLine(
        session=session,
        player=players.get(session.player_id or ""),
        steps=counts.get("step", 0),
        swings=counts.get("swing", 0),
        stands=counts.get("stand", 0),
    )
