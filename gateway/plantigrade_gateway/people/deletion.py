"""A player deleted for good, with all sessions, and the receipt of it.

Of what was said tombstones with the ids alone stay: they beat whatever another bay, a backup or a
late upload says of the player and the sessions. `due` lists whom the setting ``players.keep_days``
would have deleted, for pages and commands, and deletes nothing.
"""

import json
from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, Self

from plantigrade_gateway.converter import made_from_text
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.formats import plural
from plantigrade_gateway.people.log import DELETED
from plantigrade_gateway.people.players import COACH, PLAYER, SESSION, Register
from plantigrade_gateway.people.prints import PHOTO, pictures_of
from plantigrade_gateway.people.profile import utc
from plantigrade_gateway.sinks import LOADS
from plantigrade_gateway.store import schema, snapshot
from plantigrade_gateway.store.hubledger import Ledger
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

ELSEWHERE = (
    "Files that were exported, copies of the store, and a database server's backups and log of "
    "writes are not known here: delete them yourself."
)
_UNDONE = "SELECT player_id FROM receipts WHERE NOT is_done"


@dataclass(frozen=True, slots=True)
class SentOn:
    """What a sink may have of a player.

    Attributes
    ----------
    sink : str
    dropped : int
        Rows that waited for it or were set aside, and are deleted with the rest.
    may_have : int
        Steps, stands and swings that it may have; of regional loads the sessions whose loads it
        may have. At most: what waited may not have gone yet, and what was recorded while the sink
        was not set never did.
    """

    sink: str
    dropped: int
    may_have: int


@dataclass(frozen=True, slots=True)
class Receipt:
    """What was deleted; no name stands in it.

    Attributes
    ----------
    player : str
        The id.
    deleted_utc : str
    sessions : tuple of str
        Their ids.
    rows : dict of str to int
        How many of each of the store's tables.
    record_bytes : int
        Of the raw record, as stored.
    changes : int
        Of what was said of the player and of their sessions.
    sent_on : tuple of SentOn
    traces : str or None
        Why some of it may be in the store's files until another program is closed, or of
        people's tables until nobody reads them.
    places : tuple of str
        Of a hub: where else it is deleted, each asked until it has confirmed.
    copies : tuple of str
        Names of files beside the store that a restore kept, which this deletion does not reach.
    """

    player: str
    deleted_utc: str
    sessions: tuple[str, ...]
    rows: dict[str, int]
    record_bytes: int
    changes: int
    sent_on: tuple[SentOn, ...]
    traces: str | None
    places: tuple[str, ...] = ()
    copies: tuple[str, ...] = ()

    @classmethod
    def of_nothing(cls, player_id: str) -> Self:
        """Make one of a player of whom nothing was here."""
        return cls(player_id, _now(), (), {}, 0, 0, (), None)

    def json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {"schema": 1, **asdict(self), "elsewhere": ELSEWHERE}

    def lines(self) -> Iterator[str]:
        """Give it as text for people."""
        yield f"Deleted: player {self.player}, {self.deleted_utc}"
        rows = sum(self.rows.values())
        yield (
            f"{plural(len(self.sessions), 'session')}, {plural(rows, 'row')}, "
            f"{self.record_bytes} bytes of raw record, {plural(self.changes, 'change')} "
            "of what was said of the player and the sessions"
        )
        yield from (f"session {session}" for session in self.sessions)
        for sent in self.sent_on:
            what = "session's loads" if sent.sink == LOADS else "result"
            many = "sessions' loads" if sent.sink == LOADS else "results"
            yield (
                f"{sent.sink}: may have {plural(sent.may_have, what, many)}"
                f"{f' of player={self.player}, delete them there' if sent.may_have else ''}; "
                f"{plural(sent.dropped, 'row')} that waited here are deleted"
            )
        if self.places:
            yield (
                f"{', '.join(self.places)}: told, and asked until each has confirmed; "
                "plantigrade hub deletions lists them"
            )
        for copy in self.copies:
            yield (
                f"{copy} beside the store: kept by a restore, may have all of the player; delete "
                "it yourself"
            )
        yield ELSEWHERE
        if self.traces is not None:
            yield self.traces


def is_there(register: Register, player_id: str) -> bool:
    """Whether anything of a player is left to be deleted, if only half of a deletion."""
    anchored = bool(_anchor(register.store, player_id))
    return anchored or player_id in register.profiles()


def delete_player(register: Register, player_id: str, author: str = COACH) -> Receipt:
    """Delete a player with all sessions and all that was said; only the tombstone stays.

    A deletion that was cut off is completed by another one. What the log says deleted already gets
    no other tombstone. The receipt is kept in the store before anything is deleted. A restore or a
    copy that is being made in the store's folder is waited for: it may have read the player before.

    Raises
    ------
    StoreError
        There is no such player, or a session of theirs is being recorded: nothing is deleted.
    """
    with snapshot.alone(register.store.path.parent, wait=True):
        try:
            schema.drop_unfinished(register.store.path)
        except OSError as error:
            raise StoreError(
                f"{error.filename}: is left of a restore and cannot be removed ({error.strerror}); "
                "delete it yourself, and the player again"
            ) from error
        while (receipt := _deleted(register, player_id, author)) is None:
            pass
    return receipt


def _deleted(register: Register, player_id: str, author: str) -> Receipt | None:
    """Delete a player; None: of some sessions, which became theirs meanwhile, it is to be said."""
    store = register.store
    if not is_there(register, player_id):
        raise StoreError(f"player {player_id}: not in the store {store.path}")
    store.recover(player_id)  # what a killed program left open is not being recorded
    if is_recorded(register, player_id):
        raise StoreError(f"player {player_id}: a session is still being recorded; stop it first")
    sessions = _sessions(store, player_id)
    numbers = [number for _, number in sessions]
    rows = {"players": len(_anchor(store, player_id)), "sessions": len(sessions)}
    rows |= {table: count for table in _tables(store) if (count := _count(store, table, numbers))}
    gone = [(PLAYER, player_id), *((SESSION, session) for session, _ in sessions)]
    with register.explained():
        gone += [(PHOTO, key) for key in pictures_of(register.changes(player_id))]
        changes = sum(c.field != DELETED for each in gone for c in register.log.changes(*each))
        before = kept(store, player_id)
        if before is not None and not before[1]:  # it was cut off, when this was wiped already
            changes = max(changes, before[0].changes)
        dead = {kind: register.log.deleted(kind) for kind in (PLAYER, SESSION, PHOTO)}
        receipt = Receipt(
            player_id,
            _now(),
            tuple(session for session, _ in sessions),
            rows,
            sum(
                _sum(store, "SELECT coalesce(sum(length(data)), 0) FROM chunks", number)
                for number in numbers
            ),
            changes,
            tuple(_sent_on(store, numbers)),
            None,
            register.places(),
            tuple(copy.name for copy in schema.replaced_copies(store.path)),
        )
        keep(store, receipt, is_done=False)
        register.log.delete([(kind, key) for kind, key in gone if key not in dead[kind]], author)
    try:
        found = (scrubbed(register), _wiped(store, player_id, receipt.sessions))
    except _Others:
        return None
    traces = [why for why in found if why is not None]
    receipt = replace(receipt, traces=" ".join(traces) or None)
    keep(store, receipt, is_done=receipt.traces is None)
    return receipt


def keep(store: Store, receipt: Receipt, *, is_done: bool) -> None:
    """Keep a receipt in the store: the hub is told of it from there."""
    body = json.dumps(receipt.json())
    Ledger(store.database).keep_receipt(receipt.player, body, is_done=is_done)


def kept(store: Store, player_id: str) -> tuple[Receipt, bool] | None:
    """Return the receipt that is kept of a player, and whether its deletion was done."""
    found = Ledger(store.database).receipt(player_id)
    return None if found is None else (made_from_text(Receipt, found.receipt), found.is_done)


def settled(register: Register, players: Collection[str]) -> set[str]:
    """Return those of players who are deleted here of whom no byte is left; their receipts say so.

    Of one who was known from the log alone, another place's tombstone has wiped what was said: it
    is in the files until these are cut.
    """
    store = register.store
    before = {player_id: kept(store, player_id) for player_id in players}
    left = {player_id: one for player_id, one in before.items() if one is None or not one[1]}
    if left and _cleared(register):
        for player_id, one in left.items():
            receipt = Receipt.of_nothing(player_id) if one is None else one[0]
            keep(store, replace(receipt, traces=None), is_done=True)
        left = {}
    return set(players) - left.keys()


def complete(store: Store) -> list[str]:
    """Complete the deletions that were cut off; what cannot be done keeps nobody.

    Such a player is in no list any more, so nobody could say it again, and what was recorded of
    them would stay.

    Returns
    -------
    list of str
        What was done and what not, a sentence each.
    """
    try:
        undone = {key for (key,) in store.database.read(_UNDONE)}
        if not undone and not store.players.all():
            return []
        with Register(store) as register:
            with register.explained():
                gone = register.log.deleted(PLAYER)
            left = sorted(gone & register.anchored())
            cut_off = [key for key in left if not is_recorded(register, key)]
            for player_id in cut_off:
                delete_player(register, player_id)
            settled(register, undone & gone)
    except StoreError as error:
        return [f"{error}; a deletion that was cut off is completed at the next start."]
    return [f"Player {key[:8]}: the deletion was cut off, and is completed." for key in cut_off]


def _cleared(register: Register) -> bool:
    """Leave no byte of what was deleted; return whether that was done."""
    try:
        register.store.database.wipe()
    except StoreError:
        return False
    return scrubbed(register) is None


def is_recorded(register: Register, player_id: str) -> bool:
    """Whether a session of a player is being recorded."""
    return bool(
        register.store.database.read(
            "SELECT 1 FROM sessions JOIN players USING (player_no)"
            " WHERE player_id = ? AND state = 'open'",
            (player_id,),
        )
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _sessions(store: Store, player_id: str) -> list[tuple[str, int]]:
    rows = store.database.read(
        "SELECT session_id, session_no FROM sessions JOIN players USING (player_no)"
        " WHERE player_id = ? ORDER BY started_utc",
        (player_id,),
    )
    return [(session_id, number) for session_id, number in rows]


def scrubbed(register: Register) -> str | None:
    """Leave no byte of what the log has deleted; return why some of it may still be there."""
    try:
        with register.explained():
            register.log.scrub()
    except StoreError as error:
        return f"{error}; bytes of what was deleted may be in its files until then"
    return None


class _Others(Exception):
    """The player was given sessions meanwhile, which have no tombstone and no receipt yet."""


def _wiped(store: Store, player_id: str, sessions: Collection[str]) -> str | None:
    """Delete the sessions; return why bytes of them may still be in the files."""
    try:
        if _anchor(store, player_id):
            if not store.players.delete(player_id, sessions):
                raise _Others
        else:
            store.database.wipe()
    except StoreError as error:
        if _anchor(store, player_id):
            raise
        return str(error)
    return None


def _anchor(store: Store, player_id: str) -> list[tuple[Any, ...]]:
    return store.database.read("SELECT 1 FROM players WHERE player_id = ?", (player_id,))


def _tables(store: Store) -> list[str]:
    """Return the tables whose rows go with their session."""
    return [
        name
        for (name,) in store.database.read(
            "SELECT DISTINCT tables.name FROM sqlite_schema AS tables,"
            " pragma_foreign_key_list(tables.name) AS keys WHERE keys.\"table\" = 'sessions'"
            " AND keys.on_delete = 'CASCADE' ORDER BY tables.name"
        )
    ]


def _sum(store: Store, statement: str, number: int) -> int:
    ((found,),) = store.database.read(f"{statement} WHERE session_no = ?", (number,))
    return int(found)


def _count(store: Store, table: str, numbers: list[int]) -> int:
    return sum(_sum(store, f"SELECT count(*) FROM {table}", number) for number in numbers)


def _sent_on(store: Store, numbers: list[int]) -> Iterator[SentOn]:
    box = Outbox(store.database)
    events = _count(store, "events", numbers)
    for depth in box.depths():
        place = box.place(depth.sink)
        table = "outbox_loads" if depth.sink == LOADS else "outbox"
        dropped = refused = 0
        for number in numbers:
            ((waiting,),) = store.database.read(
                f"SELECT count(*) FROM {table} WHERE session_no = ? AND seq > ?", (number, place)
            )
            ((aside, of_events),) = store.database.read(
                "SELECT count(*) FILTER (WHERE seq <= ?),"
                " count(*) FILTER (WHERE kind IN ('step', 'stand', 'swing'))"
                " FROM outbox_aside WHERE session_no = ? AND sink = ?",
                (place, number, depth.sink),
            )
            dropped += waiting + aside
            refused += of_events
        # What waits may have been sent as well, and not be there for good yet.
        may_have = len(numbers) if depth.sink == LOADS else max(0, events - refused)
        yield SentOn(depth.sink, dropped, may_have)


@dataclass(frozen=True, slots=True)
class Due:
    """A player who was not seen for longer than data are kept.

    Attributes
    ----------
    player_id : str
    name : str
        For the coach alone.
    last : date
        Of the last visit, or where none is stored, on which something was last said of them.
    since : date
        From which day on they are due.
    """

    player_id: str
    name: str
    last: date
    since: date


def due(register: Register, keep_days: int, today: date) -> list[Due]:
    """Return the players whose data are kept for longer than they are to be, the longest first.

    Parameters
    ----------
    register : Register
    keep_days : int
        After the last visit; on the day after these they are due.
    today : date

    Raises
    ------
    StoreError
        The file refuses.
    """
    with register.explained():
        said = {change.entity_id: utc(change).date() for change in register.log.changes(PLAYER)}
    found = []
    for row in register.rows():
        player_id = row.profile.player_id
        last = said.get(player_id) if row.last is None else row.last.date()
        if last is None:
            continue  # registered by an old program, without a visit: nobody knows when
        since = last + timedelta(days=keep_days + 1)
        if since <= today:
            found.append(Due(player_id, row.profile.name, last, since))
    return sorted(found, key=lambda one: one.last)
