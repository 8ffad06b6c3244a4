"""Keeps a hub's working store like what the site's tables say: brings in, gives over, deletes.

The working store is a cache of the objects: what several hubs took, each of them brings in. What
is done here is done again when it was cut off; nothing of it is done twice.
"""

import asyncio
import json
import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import sqlalchemy as sa

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import GatewayError, InputError, StoreError
from plantigrade_gateway.forward.removal import remove
from plantigrade_gateway.hub.bearer import Bearer
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.hub.names import replay_name, store_path
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.rows import FORGOTTEN, Row
from plantigrade_gateway.hub.uploads import Uploads
from plantigrade_gateway.people.assigned import assigned, follow
from plantigrade_gateway.people.deletion import delete_player, is_there, kept, settled
from plantigrade_gateway.people.hubtables import ARCHIVE, DATABASE, hub_place
from plantigrade_gateway.people.players import PLAYER, SESSION, Register
from plantigrade_gateway.people.tables import engine_for
from plantigrade_gateway.people.visits import with_said
from plantigrade_gateway.sources.replay import unpacked_replay
from plantigrade_gateway.store import handedover, results
from plantigrade_gateway.store.handedover import HandedOver
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.upkeep import Backoff

AUTHOR = "hub"
"""Who says of a deletion that it was carried out here."""
_GIVEN = "hub_player"
"""What the player of a session was when the tables were last asked, kept beside its results."""
_LONGEST_WORD = 200
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 10.0, 3600.0
"""Before a session that could not be brought in is tried again (ours)."""
DATABASE_EVERY_S = 60.0
"""How often the time-series database is cleared of a player whom a bay may still send, s (ours)."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Failed:
    """A session that could not be brought in: of how many pieces, why, and when it is due again."""

    pieces: int
    why: str
    backoff: Backoff
    due_s: float


class Intake:
    """The working store of one hub.

    Parameters
    ----------
    data : Path
        The hub's folder.
    objects : Objects
    name : str
        The hub's, among the places that confirm deletions.
    config : Config or None
        Where it names a time-series database, deleted players are deleted from that, too; None: as
        the hub that serves was told.
    """

    def __init__(
        self, data: Path, objects: Objects, name: str, config: Config | None = None
    ) -> None:
        self._objects = objects
        self._place = hub_place(name)
        self._store = Store.open(store_path(data))
        self._register = Register(self._store, AUTHOR)
        self._engine = engine_for(self._store.path)
        self._uploads = Uploads(self._engine, objects)
        self._deletions = Deletions(self._engine)
        self._bearer = Bearer(self._engine, name)
        self._failed: dict[str, _Failed] = {}
        self._whose: dict[str, str] = {}  # of sessions of which the log says it
        self._config = config if config is not None and config.text("tsdb.url") else None
        self._database_due_s, self._database_said = float("-inf"), ""
        self._series: dict[str, int] = {}  # deleted from the database so far, by player
        with suppress(StoreError):  # somebody reads what was deleted: at the next start
            self._store.database.complete_wipe()
        with self._register.explained():
            self._deletions.note_hub(name)
            if config is not None:
                self._deletions.note_database(name, self._config is not None)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the store."""
        self._bearer.let_go()
        self._engine.dispose()
        self._register.close()
        self._store.close()

    def look(self, say: Callable[[str], None] = lambda text: None) -> None:
        """Do all that there is to do; told what was done, a sentence each.

        Raises
        ------
        StoreError
            The tables, the object store or the working store refuse, or another hub bears the
            name: the next look goes on.
        """
        with self._register.explained():
            self._bearer.hold()
            self._carry_out_deletions(say)
            self._clear_database(say)
            follow(self._register)
            self._whose = assigned(self._register)
            here = self._here()
            for row in self._uploads.rows():
                if row.is_whole and not row.is_deleted:
                    self._see_to(row, here.get(row.session_id), say)

    def rebuild(self, say: Callable[[str], None] = lambda text: None) -> int:
        """Bring all sessions in again from the objects; return of how many something is spoilt.

        Rows of the tables that are lost are made again of the objects, too. One session that is
        spoilt is said and holds up no other; what the working store has of it stays.
        """
        with self._register.explained():
            self._bearer.hold()
            restored, spoilt = self._uploads.restore()
            if restored:
                say(f"Sessions that the tables had lost: {restored}")
            for session_id, why in spoilt.items():
                say(f"Session {session_id[:8]}: {why}")
            unread = self._spoilt(say)
            known = self._store.database.read("SELECT session_id FROM sessions")
            with self._store.database.writing() as db:
                db.executemany(
                    "DELETE FROM sessions WHERE session_id = ?",
                    [(key,) for (key,) in known if key not in unread],
                )
            self._store.database.wipe()
        self.look(say)
        return len({*spoilt, *unread, *self._failed})

    def _spoilt(self, say: Callable[[str], None]) -> set[str]:
        """Return the whole sessions whose replay file is not what was put there."""
        found = set()
        for row in self._uploads.rows():
            if row.is_deleted or row.sha256 is None:
                continue
            try:
                self._uploads.check(row)
            except GatewayError as error:
                say(f"Session {row.session_id[:8]} of bay {row.bay}: {error}")
                found.add(row.session_id)
        return found

    # Sessions

    def _here(self) -> dict[str, tuple[int, str | None, Any, bool]]:
        """Return of each session its pieces, its player, whose it was, and whether it is done."""
        rows = self._store.database.read(
            "SELECT session_id, (SELECT coalesce(max(seq) + 1, 0) FROM chunks"
            " WHERE session_no = sessions.session_no), player_id, value,"
            " state = 'ended' AND value IS NOT NULL"
            " FROM sessions LEFT JOIN players USING (player_no)"
            " LEFT JOIN quality ON quality.session_no = sessions.session_no AND quality.name = ?",
            (_GIVEN,),
        )
        return {
            row[0]: (row[1], row[2], row[3] and json.loads(row[3]), bool(row[4])) for row in rows
        }

    def _see_to(
        self,
        row: Row,
        here: tuple[int, str | None, Any, bool] | None,
        say: Callable[[str], None],
    ) -> None:
        try:
            if here is None or here[0] < row.pieces or not here[3]:
                before = self._failed.get(row.session_id)
                due_s = before.due_s if before and before.pieces == row.pieces else 0.0
                if time.monotonic() >= due_s:
                    self._bring_in(row)
                    self._failed.pop(row.session_id, None)
                    say(f"Session {row.session_id[:8]} of bay {row.bay}: brought in")
            else:
                self._see_to_player(row, here[1], here[2])
        except sa.exc.SQLAlchemyError:
            raise  # the tables refuse, not this session
        except Exception as error:  # whatever is in one session, it holds up no other
            self._note_failed(row, error, say)

    def _note_failed(self, row: Row, error: Exception, say: Callable[[str], None]) -> None:
        """Say why a session failed, once, and let it wait ever longer before it is tried again."""
        why = str(error) if isinstance(error, GatewayError) else type(error).__name__
        before = self._failed.get(row.session_id)
        backoff = before.backoff if before else Backoff(_FIRST_PAUSE_S, _LONGEST_PAUSE_S)
        backoff.begin()  # it lasts no time: each pause is longer than the one before
        due_s = time.monotonic() + backoff.end()
        self._failed[row.session_id] = _Failed(row.pieces, why, backoff, due_s)
        if before is None or before.why != why:
            _log.error("session %s", row.session_id, exc_info=error)
            say(f"Session {row.session_id[:8]} of bay {row.bay}: {why}")

    def _bring_in(self, row: Row) -> None:
        session = _session(row, self._known(row.player_id))
        done = handedover.begin(self._store, session)
        name = replay_name(row.session_id, row.in_replay)
        pieces = unpacked_replay(name, self._objects.pieces(name))
        handedover.append(self._store, row.session_id, islice(pieces, done, None), done)
        handedover.end(self._store, row.session_id)
        given = _about(row).get("results")
        limits = given if isinstance(given, dict) else None
        results.reanalyse(self._store, row.session_id, with_said, limits)
        self._store.put_quality(row.session_id, {_GIVEN: session.player_id})

    def _known(self, player_id: str | None) -> str | None:
        """Return a player whom sessions can refer to; None of one of whom nothing was heard yet."""
        if player_id is None:
            return None
        try:
            self._register.anchor(player_id)
        except StoreError:
            return None
        return player_id

    def _see_to_player(self, row: Row, now: str | None, given: Any) -> None:  # noqa: ANN401 - JSON
        """Give a session to whom a bay, or the desk here, gave it since the last look.

        What the log says stands: its bay, which may not have heard it yet, says its word of before.
        """
        if row.session_id in self._whose:
            if now is not None and row.player_id != now:
                self._uploads.reassign(row.session_id, now)
            if now != given:
                self._store.put_quality(row.session_id, {_GIVEN: now})
        elif now != given and now is not None:
            self._uploads.reassign(row.session_id, now)
            self._store.put_quality(row.session_id, {_GIVEN: now})
        elif row.player_id != given and (known := self._known(row.player_id)) == row.player_id:
            handedover.reassign(self._store, row.session_id, known)
            self._store.put_quality(row.session_id, {_GIVEN: known})

    # Deletions

    def _carry_out_deletions(self, say: Callable[[str], None]) -> None:
        log = self._register.log
        players, sessions = log.deleted(PLAYER), log.deleted(SESSION)
        self._deletions.ask(players)
        left: set[str | None] = set()  # whose sessions the archive still has
        for row in self._uploads.rows():
            is_dead = row.player_id in players or row.session_id in sessions or row.is_deleted
            if is_dead and row.started_utc != FORGOTTEN:
                if row.session_id not in sessions:
                    log.delete([(SESSION, row.session_id)], AUTHOR)
                try:
                    self._uploads.delete(row.session_id)
                except StoreError as error:  # of this one: the others go, and it is tried again
                    left.add(row.player_id)
                    self._note_failed(row, error, say)
                    continue
                self._failed.pop(row.session_id, None)
                say(f"Session {row.session_id[:8]}: deleted from the archive")
        for player_id in self._deletions.waiting(ARCHIVE) - left:
            self._deletions.confirm(player_id, ARCHIVE, None)
        here = self._store.database.read("SELECT player_id FROM players")
        for player_id in players & {key for (key,) in here}:
            if is_there(self._register, player_id):
                delete_player(self._register, player_id, AUTHOR)
                say(f"Player {player_id[:8]}: deleted here")
        for player_id in settled(self._register, self._deletions.waiting(self._place)):
            found = kept(self._store, player_id)  # of the desk's own deletion, too
            self._deletions.confirm(player_id, self._place, found[0].json() if found else None)
        for (session_id,) in self._store.database.read("SELECT session_id FROM sessions"):
            if session_id in sessions:
                handedover.end(self._store, session_id)  # one that was being brought in
                self._store.delete_session(session_id)

    def _clear_database(self, say: Callable[[str], None]) -> None:
        """Delete players from the time-series database, again until no bay can send them any more.

        It is done when nothing is found: what was written in the seconds before a deletion may have
        been out of its sight. A database that cannot be reached is said once.
        """
        waiting = self._deletions.waiting(DATABASE)
        if self._config is None or not waiting or time.monotonic() < self._database_due_s:
            return
        self._database_due_s = time.monotonic() + DATABASE_EVERY_S
        owed = self._deletions.owed_by_bays()  # asked first: what comes meanwhile goes next time
        for player_id in sorted(waiting):
            try:
                gone = asyncio.run(remove(self._config, self._store, "player", player_id))
            except InputError as error:
                if str(error) != self._database_said:
                    self._database_said = str(error)
                    say(f"Player {player_id[:8]}: not deleted from the database: {error}")
                return
            self._database_said = ""
            if gone:
                say(f"Player {player_id[:8]}: {gone} series deleted from the database")
            self._series[player_id] = self._series.get(player_id, 0) + gone
            if not gone and player_id not in owed:
                self._deletions.confirm(
                    player_id, DATABASE, {"series": self._series.pop(player_id)}
                )

    def tidy(self) -> None:
        """Delete objects that lie about, as `Uploads.tidy`."""
        with self._register.explained():
            self._uploads.tidy()


def _about(row: Row) -> dict[str, Any]:
    found = json.loads(row.about)
    return found if isinstance(found, dict) else {}


def _session(row: Row, player_id: str | None) -> HandedOver:
    """Return a session as the working store is to have it; what its bay did not say is plain."""
    about = _about(row)

    def word(name: str, instead: str) -> str:
        said = about.get(name)
        return said[:_LONGEST_WORD] if isinstance(said, str) and said else instead

    return HandedOver(
        row.session_id,
        player_id,
        row.started_utc,
        row.utc_offset_min,
        word("source", "another bay"),
        word("host", row.bay),
        word("end_reason", "stop"),
    )
