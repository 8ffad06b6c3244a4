"""What the desk asks the store: sessions as lines of a list, one session whole.

Reads only, in short statements: a recording's commits and another program's deletions never wait.
"""

import json
import threading
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from plantigrade.errors import shown
from plantigrade.events import Manner, Swing, Timing
from plantigrade.limits import Limits
from plantigrade_gateway.analysis.result import (
    CHECK,
    SET_AGAIN,
    Analysis,
    Mark,
    MarkedSet,
    check_name,
    is_good,
    set_name,
)
from plantigrade_gateway.check.verdict import AGAIN_MARK
from plantigrade_gateway.errors import GatewayError, StoreError
from plantigrade_gateway.formats import printable
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import Profile, Row, folded
from plantigrade_gateway.people.visits import read_session, sessions_left_out
from plantigrade_gateway.report.swingframes import SwingFrames
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import SessionLine, session_keys, some_sessions
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.cache import Prepared, prepared, read_swings

ROWS = 100
"""Rows of a page: a phone scrolls no further."""
_IN_A_TIME = frozenset("0123456789-: ")


class NotThere(GatewayError):
    """What was asked for is not in the store."""


class NotPrepared(GatewayError):
    """What was asked for has to be prepared first.

    Attributes
    ----------
    session_id : str
        Of which session.
    """

    def __init__(self, session_id: str) -> None:
        super().__init__(f"session {session_id}: is being prepared; ask again in some seconds")
        self.session_id = session_id


@dataclass(frozen=True, slots=True)
class Listed:
    """One session in the list.

    Attributes
    ----------
    line : SessionLine
    good : int
        Good pushes (`is_good`).
    left_out : int
        Swings that count nowhere.
    checks, sets : tuple of str
        As the marks name them, each once, with how often it comes.
    player : str or None
        The name or code of whose it is; None where it is nobody's.
    """

    line: SessionLine
    good: int
    left_out: int
    checks: tuple[str, ...]
    sets: tuple[str, ...]
    player: str | None = None


@dataclass(frozen=True, slots=True)
class SessionPage:
    """A page of the list of sessions: its rows, how many sessions there are, and which page."""

    rows: tuple[Listed, ...]
    total: int
    page: int
    pages: int


@dataclass(frozen=True, slots=True)
class Opened:
    """One session, opened.

    Attributes
    ----------
    line : SessionLine
    found : Analysis
    sets : tuple of MarkedSet
        Without the swings that are left out.
    kept : Prepared or None
        What was prepared to be looked at; None where nothing is yet.
    player : str or None
        The name or code of whose it is.
    """

    line: SessionLine
    found: Analysis
    sets: tuple[MarkedSet, ...]
    kept: Prepared | None
    player: str | None = None

    @property
    def session_id(self) -> str:
        """The session's whole id."""
        return self.line.session.session_id

    @property
    def set_names(self) -> dict[int, str]:
        """The set of each swing that is in one, by the swing's ``first_index``."""
        sets = self.found.whole_sets
        return {swing.first_index: run.name for run in sets for swing in run.swings}

    @property
    def numbers_in_set(self) -> dict[int, int]:
        """The number in its set, from 1, of each swing that is in one, by ``first_index``."""
        sets = self.found.whole_sets
        return {s.first_index: n for run in sets for n, s in enumerate(run.swings, 1)}

    @property
    def numbers(self) -> dict[int, int]:
        """Each swing's number in the session (from 1), by its ``first_index``."""
        return {swing.first_index: n for n, swing in enumerate(self.found.swings, 1)}

    @property
    def left_out(self) -> dict[int, str]:
        """Why, by whom and when swings are left out of all numbers, by ``first_index``."""
        swings = self.found.swings
        return {swings[k].first_index: one.text for k, one in self.found.excluded.items()}

    @property
    def shown(self) -> Prepared:
        """What was prepared.

        Raises
        ------
        NotPrepared, NotThere
            As `shown_of`.
        """
        return shown_of(self.line.session, self.kept)

    def swing(self, number: int) -> Swing:
        """Return a swing by its number.

        Raises
        ------
        NotThere
            There is none of this number.
        """
        if not 1 <= number <= len(self.found.swings):
            raise NotThere(f"swing {number}: this session has {len(self.found.swings)} swings")
        return self.found.swings[number - 1]

    def run(self, number: int) -> MarkedSet:
        """Return a set by its number, from 1.

        Raises
        ------
        NotThere
            There is none of this number.
        """
        if not 1 <= number <= len(self.sets):
            raise NotThere(f"set {number}: this session has {len(self.sets)} sets")
        return self.sets[number - 1]


def shown_of(session: Session, kept: Prepared | None) -> Prepared:
    """Return what was prepared of a session.

    Raises
    ------
    NotPrepared
        Nothing is yet.
    NotThere
        The session is still being recorded.
    """
    if kept is not None:
        return kept
    if session.state == "open":
        raise NotThere(
            f"session {session.session_id}: is still being recorded; this can be looked at a "
            "little after it has ended"
        )
    raise NotPrepared(session.session_id)


class DeskStore:
    """The store as the desk reads it; opened when first asked, so that it may come later.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._store: Store | None = None
        self._register: Register | None = None
        self._guard = threading.Lock()
        # By session: its changes that leave swings out and its revision; good pushes, swings out.
        self._counts: dict[str, tuple[tuple[int, int], int, int]] = {}

    def close(self) -> None:
        """Close the file, if it was opened."""
        with self._guard:
            if self._register is not None:
                self._register.close()
                self._register = None
            if self._store is not None:
                self._store.close()
                self._store = None

    @property
    def store(self) -> Store:
        """The open store.

        Raises
        ------
        StoreError
            As `Store.open`; a missing file is not made.
        """
        with self._guard:
            if self._store is None:
                self._store = Store.open(self.path, read_only=True)
            return self._store

    @property
    def register(self) -> Register:
        """The players of the store.

        Raises
        ------
        StoreError
            As `store`.
        """
        store = self.store
        with self._guard:
            if self._register is None:
                self._register = Register(store)
            return self._register

    @contextmanager
    def writing(self, *, create: bool = False) -> Iterator[Register]:
        """Give the players to be changed; what is said is in the store when the context ends.

        Raises
        ------
        StoreError
            As `Store.open`.
        """
        with Store.open(self.path, create=create) as store, Register(store) as register:
            yield register

    def players(self, search: str) -> list[Row]:
        """Return the players whose name or id holds a text; none where there is no store yet."""
        return self.register.rows(search) if self.path.exists() else []

    def found_players(self, search: str) -> list[str]:
        """Return the ids of those players, by name."""
        return self.register.search(search) if self.path.exists() else []

    def names_but(self, player_id: str | None) -> list[tuple[str, str]]:
        """Return id and name of the players but one, by name."""
        names = self.register.names()
        others = ((key, printable(name)) for key, name in names.items() if key != player_id)
        return sorted(others, key=lambda other: folded(other[1]))

    def player(self, player_id: str) -> Profile:
        """Return a player.

        Raises
        ------
        NotThere
            No player has this id.
        """
        try:
            return self.register.profile(player_id)
        except StoreError as error:
            if player_id in self.register.profiles():
                raise
            said = f"player {shown(player_id, quoted=False)}: not in the store (any more)"
            raise NotThere(said) from error

    def sessions(self, search: str = "", page: int = 1) -> SessionPage:
        """Return a page of the sessions, the latest first; an empty one without a store.

        Parameters
        ----------
        search : str
            Held by the player's name or by the day and time of the beginning, or the id begins so.
        page : int
            From 1; the nearest there is.
        """
        if not self.path.exists():
            return SessionPage((), 0, 1, 1)
        names = self.register.names()
        wanted = folded(search)
        theirs = {player_id for player_id, name in names.items() if wanted in folded(name)}
        may_be_time = set(wanted) <= _IN_A_TIME  # each session's, in its own time zone, is dear
        ids = [
            key.session_id
            for key in session_keys(self.store)
            if not wanted
            or key.player_id in theirs
            or (may_be_time and wanted in key.started_text)
            or key.session_id.startswith(wanted)
        ]
        pages = max(1, -(-len(ids) // ROWS))
        page = min(max(page, 1), pages)
        some = ids[ROWS * (page - 1) : ROWS * page]
        good = {key: (count, 0) for key, count in self._good(some).items()}
        good.update(self._with_exclusions(some))
        marks = self._marks(some)
        rows = tuple(
            Listed(
                line,
                *good.get(line.session.session_id, (0, 0)),
                *_checks_and_sets(marks.get(line.session.session_id, ())),
                player=names.get(line.session.player_id or ""),
            )
            for line in some_sessions(self.store, some)
        )
        return SessionPage(rows, len(ids), page, pages)

    def open(self, session_id: str) -> Opened:
        """Return one session.

        Raises
        ------
        NotThere
            No session has this id.
        StoreError
            Its results were made by another version.
        """
        session = self.session(session_id)
        found = read_session(self.store, session_id)
        players = {player.player_id: player for player in self.store.players.all()}
        line = SessionLine(
            session,
            players.get(session.player_id or ""),
            len(found.steps),
            len(found.swings),
            len(found.stands),
        )
        kept = prepared(self.store, session)
        player_id = session.player_id
        player = None if player_id is None else self.register.name(player_id)
        return Opened(line, found, found.sets, kept, player)

    def kept(self, session_id: str) -> Prepared:
        """Return what was prepared of a session.

        Raises
        ------
        NotThere
            There is no such session, or it is still being recorded.
        NotPrepared
            Nothing is prepared yet.
        """
        session = self.session(session_id)
        return shown_of(session, prepared(self.store, session))

    def session(self, session_id: str) -> Session:
        """Return a session as the store knows it.

        Raises
        ------
        NotThere
            No session has this id.
        """
        try:
            return self.store.session(session_id)
        except StoreError as error:
            if not self.store.database.read(
                "SELECT 1 FROM sessions WHERE session_id = ?", (session_id,)
            ):
                text = f"session {shown(session_id, quoted=False)}: not in the store (any more)"
                raise NotThere(text) from error
            raise

    def swing_rows(
        self, opened: Opened, swings: Sequence[Swing]
    ) -> list[tuple[Swing, SwingFrames | None]]:
        """Return swings with their rows; None for one that has none.

        Raises
        ------
        NotPrepared, NotThere
            As `shown_of`.
        """
        shown_of(opened.line.session, opened.kept)
        numbers = opened.numbers
        places = [numbers[swing.first_index] - 1 for swing in swings]
        found = read_swings(self.store, opened.session_id, places)
        return [(swing, found.get(k)) for swing, k in zip(swings, places, strict=True)]

    def rows_of(self, opened: Opened, swing: Swing) -> SwingFrames:
        """Return one swing's rows.

        Raises
        ------
        NotThere
            There are none.
        NotPrepared
            Nothing is prepared yet.
        """
        ((_, rows),) = self.swing_rows(opened, [swing])
        if rows is None:
            raise NotThere("swing: no rows of it are kept")
        return rows

    def _good(self, ids: Sequence[str]) -> Counter[str]:
        """Count the good pushes of some sessions (`is_good`, in the database's words)."""
        rows = self.store.database.read(
            "SELECT session_id, count(*) FROM events JOIN sessions USING (session_no)"
            " WHERE session_id IN (SELECT value FROM json_each(?))"
            " AND kind = 'swing' AND coalesce(json_extract(body, '$.push.is_good'),"
            " json_extract(body, '$.push.manner') = ? AND json_extract(body, '$.push.timing') = ?"
            " AND json_extract(body, '$.push.travel_from') <= ?) GROUP BY session_no",
            (json.dumps(ids), str(Manner.ROLLED), str(Timing.WITH_SHIFT), Limits().push_begins_by),
        )
        return Counter(dict(rows))

    def _with_exclusions(self, ids: Sequence[str]) -> dict[str, tuple[int, int]]:
        """Return good pushes and swings left out of those sessions that have some of these."""
        changed = sessions_left_out(self.register)
        revisions = dict(self.store.database.read("SELECT session_id, revision FROM sessions"))
        found = {}
        for session_id in ids:
            if session_id not in changed:
                continue
            state = (changed[session_id], revisions.get(session_id, 0))
            if self._counts.get(session_id, ((0, 0), 0, 0))[0] != state:
                try:
                    read = read_session(self.store, session_id)
                except StoreError:
                    continue  # of another version: all of its swings are counted
                counts = (sum(map(is_good, read.counted)), len(read.excluded))
                self._counts[session_id] = (state, *counts)
            found[session_id] = self._counts[session_id][1:]
        return found

    def _marks(self, ids: Sequence[str]) -> Mapping[str, tuple[Mark, ...]]:
        rows = self.store.database.read(
            "SELECT session_id, json_extract(mark.value, '$.t_s'),"
            " json_extract(mark.value, '$.text') FROM quality JOIN sessions USING (session_no),"
            " json_each(quality.value) AS mark WHERE quality.name = 'marks'"
            " AND session_id IN (SELECT value FROM json_each(?)) ORDER BY session_no",
            (json.dumps(ids),),
        )
        found: dict[str, tuple[Mark, ...]] = {}
        for session_id, t_s, text in rows:
            found[session_id] = (*found.get(session_id, ()), Mark(t_s, text))
        return found


def _checks_and_sets(marks: tuple[Mark, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps = (step for mark in marks if (step := check_name(mark)) is not None)
    told = (step for step in steps if f"{CHECK} {step}" not in (AGAIN_MARK, SET_AGAIN))
    sets = (name for mark in marks if (name := set_name(mark)) is not None)
    return _counted(step.rstrip("0123456789 ") or step for step in told), _counted(sets)


def _counted(names: Iterable[str]) -> tuple[str, ...]:
    """Return each name once, with how often it comes: ``stand × 3``."""
    return tuple(name if n == 1 else f"{name}\xa0×\xa0{n}" for name, n in Counter(names).items())
