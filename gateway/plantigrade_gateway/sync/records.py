"""The hand-over of sessions: each record's pieces, once and in order, then its end.

The hub says what it has; a bay gives what follows, whatever was cut off or forgotten before. What
the hub has confirmed as whole is kept (`store/hubledger.py`), asked again where the hub was away
since, and otherwise one session at a time, now and then.
"""

import asyncio
import hashlib
import logging
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from plantigrade_gateway.errors import RefusedNowError, StoreError
from plantigrade_gateway.store.hubledger import Due, Ended, Ledger
from plantigrade_gateway.store.pieces import as_kept
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.bodies import Piece, groups
from plantigrade_gateway.sync.link import Hub, HubAway, HubRefused
from plantigrade_gateway.sync.messages import Received, SessionEnd, SessionHead

PIECES_AT_ONCE = 64
"""Of one session before the others are looked after (ours)."""
GATHER_S = 5.0
"""How long the pieces of a session under way are gathered: what a hub does costs nearly the same
whether a request brings one or several of them (ours). An end waits for nothing."""
SIDE_BY_SIDE = 3
"""Sessions: a hub takes four requests of a bay at once, one of them for changes (ours)."""
ROUND_S = 1.0
"""How long sessions that have ended are handed over before those under way come again (ours)."""
REFUSED_S = 60.0
"""How long a session is left alone that the hub would not take (ours)."""
DOUBT = timedelta(minutes=10)
"""What was confirmed so long before the hub was away is asked again (ours)."""
LOOK_AGAIN_S = 10.0
"""Between two sessions that are asked of the hub again, in turn (ours)."""
SETBACKS = 3
"""So often in a row the hub may have less of a session than it said (ours)."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Waiting:
    """What the hub is still to be given.

    Attributes
    ----------
    sessions : int
        Those under way among them.
    pieces : int
    under_way : int
        Sessions that have not ended.
    """

    sessions: int
    pieces: int
    under_way: int


class Records:
    """The hand-over of a store's sessions.

    Parameters
    ----------
    store : Store
    hub : Hub

    Attributes
    ----------
    given : int
        Pieces that the hub has taken, counted each time.
    ended : int
        Sessions of which the hub has confirmed all, counted each time.
    """

    def __init__(self, store: Store, hub: Hub) -> None:
        self.given = 0
        self.ended = 0
        self._store = store
        self._hub = hub
        self._ledger = Ledger(store.database)
        # By session id: the number of one that was deleted may be the next one's.
        self._has: dict[str, int] = {}  # pieces
        self._setbacks: dict[str, int] = {}
        self._deleted: set[str] = set()  # at the hub; the tombstone comes with the changes
        self._refused: dict[str, tuple[float, str]] = {}  # until when, s, and why
        self._together = 1  # pieces in one request, as the hub says
        self._gave_s: dict[str, float] = {}  # when a session that is under way was given some
        self._is_gathering = True
        self._doubts = False
        self._looked_at, self._look_due_s = 0, 0.0

    def begin_again(self) -> None:
        """Ask anew what the hub has: it was away, and may have lost what it took last."""
        self._has.clear()
        self._setbacks.clear()
        self._deleted.clear()
        self._doubts = True

    def hurry(self) -> None:
        """Gather no more: what there is goes over now."""
        self._is_gathering = False

    def problems(self) -> list[str]:
        """Return why sessions are not taken, a line each."""
        return [why for _, why in self._refused.values()]

    def waiting(self) -> Waiting:
        """Return what the hub is still to be given, as far as it is known."""
        due = [one for one in self._ledger.due() if one.session_id not in self._deleted]
        pieces = 0
        for one in due:
            has = self._has.get(one.session_id, one.confirmed.pieces if one.confirmed else 0)
            pieces += max(0, self._ledger.pieces(one.session_id) - has)
        return Waiting(len(due), pieces, sum(not one.is_ended for one in due))

    async def round(self) -> bool:
        """Give what there is, for about `ROUND_S`; return whether more is left.

        Raises
        ------
        HubAway
        StoreError
            The store refuses for now.
        """
        if self._doubts:
            await self._ask_again(self._ledger.confirmed_since(datetime.now(UTC) - DOUBT))
            self._doubts = False
        now_s = time.monotonic()
        self._refused = {k: v for k, v in self._refused.items() if v[0] > now_s}
        due = [one for one in self._ledger.due() if not self._is_left_alone(one)]
        is_more = False
        for first in range(0, len(due), SIDE_BY_SIDE):
            some = due[first : first + SIDE_BY_SIDE]
            is_more |= await self._side_by_side(some)
            is_late = is_more or time.monotonic() - now_s > ROUND_S
            if is_late and some[-1].is_ended:  # all under way have had their turn
                return True
        if not is_more and now_s >= self._look_due_s:
            self._look_due_s = now_s + LOOK_AGAIN_S
            await self._look_again()
        return is_more

    def _is_left_alone(self, one: Due) -> bool:
        return one.session_id in self._deleted or one.session_id in self._refused

    async def _side_by_side(self, some: list[Due]) -> bool:
        """Give some of each; return whether more of one is left.

        A hub waits for its disk after every piece of a session: meanwhile it takes another's.
        """
        done = await asyncio.gather(*map(self._turn_or_refusal, some), return_exceptions=True)
        for each in done:
            if isinstance(each, BaseException):
                raise each
        return any(done)

    async def _turn_or_refusal(self, one: Due) -> bool:
        try:
            return await self._turn(one)
        except HubRefused as refused:
            why = str(refused)
        except RefusedNowError:
            raise
        except StoreError as error:  # of this session: deleted meanwhile, or damaged
            why = str(error)
        said = f"session {one.session_id[:8]}: {why}"
        _log.warning("%s", said)
        self._refused[one.session_id] = (time.monotonic() + REFUSED_S, said)
        self._has.pop(one.session_id, None)
        return False

    async def _turn(self, one: Due) -> bool:
        """Give some pieces of a session, then its end; return whether more of it is left."""
        key, told = one.session_id, one.confirmed
        if told is not None and self._ledger.pieces(key) == told.pieces:
            return await self._end(one, told.sha256)  # it is another player's by now
        if key not in self._has:
            received = await self._hub.begin(_head(one))
            self._together = max(received.together, 1)
            if not self._noted(one, received):
                return False
        has = self._has[key]
        if self._gathers(one, has):
            return False
        kept = as_kept(self._store.database, key, has, PIECES_AT_ONCE)
        pieces = [Piece.of(at, data) for at, data in enumerate(kept, has)]
        for group in groups(pieces, min(self._together, PIECES_AT_ONCE)):
            if len(group) == 1:
                received = await self._hub.piece(key, has, group[0].data)
            else:
                received = await self._hub.pieces(key, group)
            wanted = has + len(group)
            if not self._noted(one, received, wanted=wanted):
                return False
            if self._has.get(key) != wanted:  # it has more, or less, than it said
                return True
            has = wanted
            self.given += len(group)
            self._setbacks.pop(key, None)
        there = self._ledger.pieces(key)
        if has > there:
            raise HubRefused(f"the hub has {has} pieces of it, this store {there}")
        if has < there:
            return True
        return await self._end(one) if one.is_ended else False

    def _gathers(self, one: Due, has: int) -> bool:
        """Whether a session's pieces wait for more of them; nothing of one that has ended does."""
        if one.is_ended or not self._is_gathering or self._together <= 1:
            self._gave_s.pop(one.session_id, None)
            return False
        now_s = time.monotonic()
        is_early = now_s - self._gave_s.get(one.session_id, float("-inf")) < GATHER_S
        if is_early and self._ledger.pieces(one.session_id) - has < min(
            self._together, PIECES_AT_ONCE
        ):
            return True
        self._gave_s[one.session_id] = now_s
        return False

    def _noted(self, one: Due, received: Received, wanted: int = 0) -> bool:
        """Note what the hub has; return whether it takes more of the session."""
        if received.is_deleted:
            self._deleted.add(one.session_id)
            self._has.pop(one.session_id, None)
            return False
        if received.pieces < wanted:
            self._has.pop(one.session_id, None)  # asked anew, with the session's head
            self._setbacks[one.session_id] = self._setbacks.get(one.session_id, 0) + 1
            if self._setbacks[one.session_id] > SETBACKS:
                raise HubAway(f"hub {self._hub.url}: takes pieces and does not keep them")
        else:
            self._has[one.session_id] = received.pieces
        return True

    async def _end(self, one: Due, sha256: str | None = None) -> bool:
        """Say that all of a session is there; return whether some of it is to be given again."""
        count = self._ledger.pieces(one.session_id)
        # With what is known of it by now; and the hub may have been another one.
        received = await self._hub.begin(_head(one))
        if not self._noted(one, received, wanted=count):
            return False
        if self._has.get(one.session_id) != count:
            self._ledger.doubt(one.session_id)
            return True
        sha256 = await self._chained(one.session_id, count) if sha256 is None else sha256
        received = await self._hub.end(one.session_id, SessionEnd(count, sha256, one.player_id))
        if not self._noted(one, received, wanted=count):
            return False
        if received.is_whole and received.pieces == count:
            self._ledger.confirm(one.session_id, Ended(count, sha256, one.player_id))
            self.ended += 1
            self._has.pop(one.session_id, None)
            self._setbacks.pop(one.session_id, None)
            return False
        if self._has.get(one.session_id) == count:
            raise HubRefused("the hub has all of it and does not take its end yet")
        return True

    async def _chained(self, session_id: str, count: int) -> str:
        """Return the hash of the hashes of a session's pieces, hex."""
        chain = hashlib.sha256()
        for first in range(0, count, PIECES_AT_ONCE):
            most = min(PIECES_AT_ONCE, count - first)
            for piece in as_kept(self._store.database, session_id, first, most):
                chain.update(hashlib.sha256(piece).digest())
            await asyncio.sleep(0)
        return chain.hexdigest()

    async def _look_again(self) -> None:
        """Ask of the next session that was confirmed, in turn, whether it is still there."""
        found = self._ledger.confirmed_after(self._looked_at)
        self._looked_at = found[0][0] if found else 0
        await self._ask_again(found)

    async def _ask_again(self, confirmed: list[tuple[int, str, int]]) -> None:
        for _, session_id, pieces in confirmed:
            received = await self._hub.received(session_id)
            if received.is_deleted:
                continue
            if not received.is_whole or received.pieces < pieces:
                _log.warning("the hub has session %s no more; given again", session_id[:8])
                self._ledger.doubt(session_id)


def _head(one: Due) -> SessionHead:
    started = datetime.fromisoformat(one.started_utc).astimezone(UTC)
    return SessionHead(
        one.session_id,
        one.player_id,
        started.isoformat(timespec="milliseconds"),
        one.utc_offset_min,
        one.about,
    )
