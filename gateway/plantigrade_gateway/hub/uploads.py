"""What bays hand over of sessions: heads, pieces of records in order, ends; each once, for good.

A piece is an object before it is a row, so what was acknowledged is there whenever the hub is
killed; the next one wanted is always the number of rows. An object's name holds its bytes' own sum:
whatever is sent twice, or by two at once, no object is ever replaced by another. A piece's object
is deleted when its number is in the replay file, and not before: one without a row may be on its
way to being acknowledged, and others hand over while a session ends or the hub tidies up.
"""

import hashlib
import json
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from itertools import chain, islice
from typing import Any

import sqlalchemy as sa

from plantigrade.errors import shown
from plantigrade_gateway.converter import made_from_text
from plantigrade_gateway.errors import GatewayError, RecordError, StoreError
from plantigrade_gateway.hub import rows
from plantigrade_gateway.hub.names import (
    ID,
    Name,
    head_name,
    lies_about,
    listed,
    names_of,
    piece_name,
    pieces_of,
    replay_name,
    replays_of,
)
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.rows import FORGOTTEN, Row
from plantigrade_gateway.people.tables import snapshot, writing
from plantigrade_gateway.sources.replay import packed_replay, unpacked_replay
from plantigrade_gateway.sync.bodies import Piece
from plantigrade_gateway.sync.messages import MOST_TOGETHER, Received, SessionEnd, SessionHead

MOST_PIECES = 1_000_000
"""Of a session (ours): a week of pieces of a second has 604,800."""
_FIRST, _LAST = (datetime(year, 1, 1, tzinfo=UTC) for year in (1970, 9999))  # shown in any zone
_FARTHEST_MIN = 18 * 60  # no wall clock is farther from UTC (ours; the farthest in use is 14 h)
_AT_ONCE = 8  # pieces that are read ahead
ALIKE = "there is no such session of this bay"
"""Of a session that is not there, and of another bay's."""


class Unfit(GatewayError):
    """What was sent is not what it should be."""


class Unknown(GatewayError):
    """There is no such session of this bay; of another bay's nothing more is said."""


class Gone(GatewayError):
    """The session's player, or the session, was deleted: nothing of it is taken."""


class OutOfPlace(GatewayError):
    """It is not what is wanted next.

    Attributes
    ----------
    received : Received
        What the hub has.
    """

    def __init__(self, text: str, received: Received) -> None:
        super().__init__(text)
        self.received = received


class Differs(GatewayError):
    """Other bytes than those that are here, where only the same can be."""


class Spoilt(GatewayError):
    """An object of a session is lost, or has other bytes than were put there."""


class Uploads:
    """Sessions as they come in.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        The people's.
    objects : Objects
    """

    def __init__(self, engine: sa.Engine, objects: Objects) -> None:
        self._engine = engine
        self._objects = objects

    def begin(self, bay: str, head: SessionHead) -> Received:
        """Take a session's head; again: what it says now, of a whole session whose it is.

        Raises
        ------
        Unfit, Unknown, Gone
        """
        values = _checked(head)
        with writing(self._engine).begin() as db:
            row = rows.found(db, head.session_id)
            if row is not None and row.bay != bay:
                raise Unknown(ALIKE)
            if rows.is_gone(db, head.session_id, head.player_id) or (row and row.is_deleted):
                raise Gone(f"session {head.session_id}: was deleted")
            if row is None:
                rows.put(db, Row(head.session_id, bay, **values))
                return Received(0, together=MOST_TOGETHER)
            if any(getattr(row, name) != value for name, value in values.items()):
                rows.change(db, head.session_id, **values)
        if row.sha256 is not None:
            self._put_head(replace(row, **values))
        return _received(row)

    def received(self, bay: str, session_id: str) -> Received:
        """Return what there is of a session.

        Raises
        ------
        Unknown
        """
        with self._engine.connect() as db:
            return _received(self._looked_up(db, bay, session_id))

    def take(self, bay: str, session_id: str, pieces: Sequence[Piece]) -> Received:
        """Take pieces that follow each other, all or none; the same ones again change nothing.

        A whole session may go on: an insole's log may be read when it has long ended.

        Raises
        ------
        Unfit, Unknown, Gone, OutOfPlace, Differs, Spoilt
        StoreError
            The object store refuses: nothing was taken.
        """
        for one in pieces:
            if hashlib.sha256(one.data).hexdigest() != one.sha256:
                raise Unfit(f"piece {one.number}: its bytes have another sum than it was sent with")
            if not one.data or not 0 <= one.number < MOST_PIECES:
                raise Unfit("piece: is empty, or its number is none")
        first, last = pieces[0].number, pieces[-1].number
        kept: dict[int, str] = {}
        with self._engine.connect() as db:
            row = self._looked_up(db, bay, session_id)
        if first < row.pieces:
            with snapshot(self._engine).connect() as db:
                row = self._looked_up(db, bay, session_id)
                kept = rows.sums_among(db, session_id, first, last)
        known = [one for one in pieces if one.number < row.pieces]
        fresh = list(pieces[len(known) :])
        if known or first > row.pieces or row.is_deleted:
            received = self._had(row, known or pieces, kept)
            if not fresh:
                return received
        names = {one.number: piece_name(session_id, one.number, one.sha256) for one in fresh}
        self._objects.put_all([(names[one.number], one.data) for one in fresh])
        with writing(self._engine).begin() as db:
            row = self._looked_up(db, bay, session_id)
            kept = rows.sums_among(db, session_id, first, last) if first < row.pieces else {}
            new = [one for one in fresh if one.number >= row.pieces]
            is_next = bool(new) and new[0].number == row.pieces and not row.is_deleted
            if is_next and all(kept.get(one.number, one.sha256) == one.sha256 for one in fresh):
                rows.add_pieces(db, session_id, row.pieces, [one.sha256 for one in new])
                row = replace(row, pieces=last + 1, is_whole=False)
                kept |= {one.number: one.sha256 for one in new}
        # Meanwhile it was deleted, or somebody else was quicker.
        lost = [
            one
            for one in fresh
            if row.is_deleted or (one.number < row.pieces and kept.get(one.number) != one.sha256)
        ]
        if lost:
            self._objects.delete(names[one.number] for one in lost)
        return self._had(row, pieces, kept)

    def end(self, bay: str, session_id: str, end: SessionEnd) -> Received:
        """End a session: make its one object of its pieces; again: say whose it is by now.

        Raises
        ------
        Unfit, Unknown, Gone, OutOfPlace, Differs, Spoilt
        StoreError
            The object store refuses.
        """
        if end.player_id is not None and not ID.fullmatch(end.player_id):
            raise Unfit(f"player {shown(end.player_id)}: expected 32 hexadecimal digits")
        with snapshot(self._engine).connect() as db:
            row = self._looked_up(db, bay, session_id)
            fresh = rows.sums_of(db, session_id)
        _check_there(row)
        if end.pieces != row.pieces:
            raise OutOfPlace(
                f"session {session_id}: ends after {end.pieces} pieces, {row.pieces} are here",
                _received(row),
            )
        if end.sha256 != (row.sha256 if row.is_whole else self._sum_of_all(row, fresh)):
            raise Differs(f"session {session_id}: other pieces than it ends with")
        if not row.is_whole:
            pieces = chain(self._in_replay(row), self._read(row, fresh))
            self._objects.put(replay_name(session_id, end.pieces), packed_replay(pieces))
        done = False
        with writing(self._engine).begin() as db:
            row = self._looked_up(db, bay, session_id)
            before = row.in_replay
            if not row.is_deleted and row.pieces == end.pieces:
                values = {"is_whole": True, "in_replay": end.pieces, "sha256": end.sha256}
                values["player_id"] = end.player_id
                rows.change(db, session_id, **values)
                rows.forget_pieces(db, session_id)
                row = self._looked_up(db, bay, session_id)
                done = True
        if row.is_deleted:
            self.delete(session_id)
        elif done:
            self._put_head(row)
            with suppress(StoreError):  # whoever tidies up finds them
                self._objects.delete(names_of(session_id, before, fresh))
                if before < row.in_replay:
                    self._objects.delete([replay_name(session_id, before)])
        _check_there(row)
        return _received(row)

    def reassign(self, session_id: str, player_id: str) -> None:
        """Give a session to another player, as the desk says."""
        with writing(self._engine).begin() as db:
            rows.change(db, session_id, player_id=player_id)
            row = rows.found(db, session_id)
        if row is not None and row.sha256 is not None:
            self._put_head(row)

    def delete(self, session_id: str) -> None:
        """Delete a session's objects, and keep nothing of it but that it was deleted.

        One that was cut off is completed by another one.

        Raises
        ------
        StoreError
            The object store refuses.
        """
        with writing(self._engine).begin() as db:
            values: dict[str, Any] = {"is_deleted": True}
            rows.change(db, session_id, **values)
            rows.forget_pieces(db, session_id)
        self._objects.delete_all(pieces_of(session_id))
        self._objects.delete_all(replays_of(session_id))
        with writing(self._engine).begin() as db:
            values = {"player_id": None, "started_utc": FORGOTTEN, "about": "{}"}
            rows.change(db, session_id, **values)

    def restore(self) -> tuple[int, dict[str, str]]:
        """Make rows of whole sessions whose rows are lost, of their objects.

        A head that is spoilt is made again of its row, where there is one.

        Returns
        -------
        int
            How many rows were made.
        dict of str to str
            Why not, by session, where a head is spoilt.

        Raises
        ------
        StoreError
            The object store does not list them.
        """
        made, spoilt = 0, {}
        for session_id in {each.session_id for each in listed(self._objects, "sessions")}:
            try:
                made += self._restore(session_id)
            except GatewayError as error:
                spoilt[session_id] = str(error)
        return made, spoilt

    def _restore(self, session_id: str) -> bool:
        """Make a session's row of its objects; return whether it was lost."""
        with self._engine.connect() as db:
            row = rows.found(db, session_id)
        try:
            kept = self._head(session_id)
        except GatewayError as error:
            if row is None or row.sha256 is None or row.is_deleted:
                raise
            self._put_head(row)
            raise Spoilt(f"{error}; it was made again of its row") from error
        with writing(self._engine).begin() as db:
            if rows.found(db, session_id) is None:
                rows.put(db, kept)
                return True
        return False

    def _head(self, session_id: str) -> Row:
        """Return what is known of a whole session beside its row."""
        name = head_name(session_id)
        data = self._objects.get(name)
        if data is None:
            raise Spoilt(f"object {name}: is not there")
        try:
            row = made_from_text(Row, data)
            datetime.fromisoformat(row.started_utc)
            if row.session_id != session_id or not 0 <= row.in_replay <= MOST_PIECES:
                raise ValueError("is another session's, or of no number of pieces")
        except ValueError as error:
            raise Spoilt(f"object {name}: is not what was put there ({error})") from error
        return row

    def check(self, row: Row) -> None:
        """Read all of a session's replay file.

        Raises
        ------
        Spoilt
            It does not have the bytes that the session ended with.
        StoreError
            The object store refuses.
        """
        whole = hashlib.sha256()
        for piece in self._in_replay(row):
            whole.update(hashlib.sha256(piece).digest())
        if whole.hexdigest() != row.sha256:
            name = replay_name(row.session_id, row.in_replay)
            raise Spoilt(f"object {name}: is not what was put there")

    def tidy(self) -> None:
        """Delete objects that lie about: pieces that are in a replay file, or were not taken.

        The names are listed before the rows are read: an object of a session that has no row by
        then is on nobody's way, for a piece is put only after its session has one. One with the
        next number may be on its way, and stays.

        Raises
        ------
        StoreError
            The object store refuses.
        """
        of_session: dict[str, list[Name]] = {}
        for one in [*listed(self._objects, "pieces"), *listed(self._objects, "sessions")]:
            of_session.setdefault(one.session_id, []).append(one)
        for session_id, names in of_session.items():
            with snapshot(self._engine).connect() as db:
                row = rows.found(db, session_id)
                fresh = rows.sums_of(db, session_id)
            if about := [each.name for each in names if lies_about(each, row, fresh)]:
                self._objects.delete(about)

    def rows(self) -> list[Row]:
        """Return what there is of all sessions."""
        with self._engine.connect() as db:
            return rows.all_rows(db)

    def _put_head(self, row: Row) -> None:
        """Keep beside the replay file what its row says: from both all can be made again.

        Put again where the row was changed meanwhile: of several the last one put is of the last
        row, and names no replay file that is gone.
        """
        name, said = head_name(row.session_id), _as_ended(row)
        while True:
            self._objects.put(name, json.dumps(asdict(said)).encode())
            with self._engine.connect() as db:
                now = rows.found(db, row.session_id)
            if now is not None and now.is_deleted:
                self._objects.delete([name])
                return
            if now is None or _as_ended(now) == said:
                return
            said = _as_ended(now)

    def _had(self, row: Row, pieces: Sequence[Piece], kept: dict[int, str]) -> Received:
        """Say of pieces what there is by now; refuse any that are not there with the same bytes."""
        _check_there(row)
        received = _received(row)
        first, last = pieces[0].number, pieces[-1].number
        if last >= row.pieces:
            raise OutOfPlace(f"piece {first}: number {row.pieces} is the next one", received)
        if any(one.number not in kept for one in pieces):
            found = islice(self._in_replay(row), first, last + 1)
            sums = (hashlib.sha256(piece).hexdigest() for piece in found)
            kept = dict(enumerate(sums, first)) | kept
        for one in pieces:
            if kept.get(one.number) != one.sha256:
                raise Differs(f"piece {one.number}: other bytes are here under it")
        return received

    def _sum_of_all(self, row: Row, fresh: list[str]) -> str:
        """Return the sum of the sums of all pieces."""
        whole = hashlib.sha256()
        for piece in self._in_replay(row):
            whole.update(hashlib.sha256(piece).digest())
        whole.update(bytes.fromhex("".join(fresh)))
        return whole.hexdigest()

    def _in_replay(self, row: Row) -> Iterator[bytes]:
        """Give the pieces that are in the replay file."""
        if not row.in_replay:
            return
        name = replay_name(row.session_id, row.in_replay)
        given = 0
        try:
            for piece in islice(unpacked_replay(name, self._objects.pieces(name)), row.in_replay):
                yield piece
                given += 1
        except RecordError as error:
            raise Spoilt(f"object {error}") from error
        if given < row.in_replay:
            raise Spoilt(f"object {name}: has {given} of {row.in_replay} pieces")

    def _read(self, row: Row, sums: list[str]) -> Iterator[bytes]:
        """Give the other pieces in order, some of them read ahead; each must be what was taken."""
        names = names_of(row.session_id, row.in_replay, sums)
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            for at in range(0, len(names), _AT_ONCE):
                these = names[at : at + _AT_ONCE]
                for name, sha256, data in zip(
                    these, sums[at:], pool.map(self._objects.get, these), strict=False
                ):
                    if data is None or hashlib.sha256(data).hexdigest() != sha256:
                        raise Spoilt(f"object {name}: is not what was put there")
                    yield data

    def _looked_up(self, db: sa.Connection, bay: str, session_id: str) -> Row:
        """Return what there is of a session; that its player was deleted counts at once."""
        row = rows.found(db, session_id)
        if row is None or row.bay != bay:
            raise Unknown(ALIKE)
        return row


def _as_ended(row: Row) -> Row:
    """Return a row as it was when the session last ended, whatever came of it since."""
    return replace(row, pieces=row.in_replay, is_whole=True)


def _checked(head: SessionHead) -> dict[str, Any]:
    """Return the values of a head's row."""
    for what, key in (("session", head.session_id), ("player", head.player_id)):
        if key is not None and not ID.fullmatch(key):
            raise Unfit(f"{what} {shown(key)}: expected 32 hexadecimal digits")
    try:
        started = datetime.fromisoformat(head.started_utc)
    except ValueError:
        started = None
    if started is None or started.utcoffset() != timedelta() or not _FIRST <= started <= _LAST:
        raise Unfit(f"started_utc {shown(head.started_utc)}: expected a time in UTC, ISO 8601")
    if abs(head.utc_offset_min) > _FARTHEST_MIN:
        raise Unfit(f"utc_offset_min {head.utc_offset_min}: expected at most {_FARTHEST_MIN}")
    return {
        "player_id": head.player_id,
        "started_utc": started.isoformat(timespec="microseconds"),
        "utc_offset_min": head.utc_offset_min,
        "about": json.dumps(head.about, sort_keys=True),
    }


def _received(row: Row) -> Received:
    return Received(row.pieces, row.is_whole, row.is_deleted, MOST_TOGETHER)


def _check_there(row: Row) -> None:
    if row.is_deleted:
        raise Gone(f"session {row.session_id}: was deleted")
