"""Who may do what on the pages: rights, failed attempts to sign in, and what a request may see.

Takes cookies and links, gives a `Principal` or None; decides nothing about a request's origin.
"""

import asyncio
import ipaddress
import math
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum

from starlette.requests import HTTPConnection

from plantigrade_gateway.store.database import Database
from plantigrade_gateway.web.door.accounts import (
    Clock,
    Invite,
    Invites,
    InviteState,
    SignIns,
    key_of,
    now,
)
from plantigrade_gateway.web.door.origin import LOOPBACK


class Rights(StrEnum):
    """What a visitor of the pages may do."""

    COACH = "coach"
    """Everything."""
    PLAYER = "player"
    """See the live page of one session, and ask for the last outcome."""


FREE = 5
"""Wrong passwords from one address before it must wait; then twice as long after each (ours)."""
MOST_S = 300.0
FREE_ALL = 60
"""The same for all addresses together; a machine can take many addresses (ours)."""
MOST_ALL_S = 60.0
FORGET_S = 3600.0
"""After so long without a wrong one, an address begins anew, s (ours)."""
_FIRST_S = 2.0
_MOST_ADDRESSES = 4096  # kept; past that the one that was wrong longest ago is forgotten
_MOST_DOUBLINGS = 16


@dataclass(slots=True)
class _Count:
    """Wrong passwords of one address, or of all."""

    free: int
    most_s: float
    wrong: int = 0
    last_s: float = float("-inf")

    def wait_s(self, now_s: float) -> float:
        """Return how long until the next try is taken, s."""
        if now_s - self.last_s >= FORGET_S:
            self.wrong = 0
        if self.wrong < self.free:
            return 0.0
        pause_s = _FIRST_S * 2.0 ** min(self.wrong - self.free, _MOST_DOUBLINGS)
        return max(0.0, self.last_s + min(pause_s, self.most_s) - now_s)

    def add(self, now_s: float) -> None:
        self.wrong, self.last_s = self.wrong + 1, now_s


@dataclass(frozen=True, slots=True)
class Wait:
    """A try that is not taken.

    Attributes
    ----------
    seconds : float
        Until the next one is.
    everywhere : bool
        Whether the wrong ones came from many addresses, not from this one alone.
    """

    seconds: float
    everywhere: bool

    @property
    def said(self) -> str:
        """One sentence for the person who waits."""
        whole = math.ceil(self.seconds)
        time_ = f"{whole} s" if whole < 120 else f"{-(-whole // 60)} minutes"
        if self.everywhere:
            return (
                f"Too many wrong passwords from this network: try again in {time_}, "
                "or sign in on the gateway's own machine."
            )
        return f"Too many wrong passwords from this device: try again in {time_}."


class Attempts:
    """Who may try a password now.

    A try counts as wrong from its beginning, so that a hundred at once are not all taken before
    the first is found wrong.

    Parameters
    ----------
    clock : callable
        Monotonic time, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._by_place: dict[str, _Count] = {}
        self._all = _Count(FREE_ALL, MOST_ALL_S)

    def begin(self, address: str, device: str | None = None) -> Wait | None:
        """Take a try, or say how long to wait; one that is not taken changes nothing.

        Parameters
        ----------
        address : str
        device : str, optional
            A browser that was signed in before (`Access.device`): it is a place of its own.
        """
        now_s, place = self._clock(), device or place_of(address)
        mine = self._by_place.get(place) or _Count(FREE, MOST_S)
        if (wait_s := mine.wait_s(now_s)) > 0:
            return Wait(wait_s, everywhere=False)
        # Strangers, who may go on for days, cannot shut out the person at the machine itself, nor
        # one who was in before.
        if device is None and place != "here" and (wait_s := self._all.wait_s(now_s)) > 0:
            return Wait(wait_s, everywhere=True)
        mine.add(now_s)
        self._all.add(now_s)
        self._by_place.pop(place, None)
        self._by_place[place] = mine  # last in order: wrong most lately
        if len(self._by_place) > _MOST_ADDRESSES:
            del self._by_place[next(iter(self._by_place))]
        return None

    def was_right(self, address: str, device: str | None = None) -> None:
        """Take back a try that was right, and all wrong ones of its place."""
        self._by_place.pop(device or place_of(address), None)
        self._all.wrong = max(0, self._all.wrong - 1)


def place_of(address: str) -> str:
    """Return what counts as one place: "here" for this machine; of IPv6 a whole /64.

    One machine may take any address within its /64 (RFC 4291, RFC 8981).
    """
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(ip, ipaddress.IPv6Address) and ip.ipv4_mapped is not None:
        ip = ip.ipv4_mapped
    if ip.is_loopback:
        return "here"
    if ip.version == 4:
        return str(ip)
    return str(ipaddress.ip_network((ip, 64), strict=False))


GRANT = "plantigrade.grant"
"""Where the door leaves a request's grant in its scope."""


@dataclass(frozen=True, slots=True)
class Principal:
    """What a request may do, and why.

    Attributes
    ----------
    rights : Rights
    key : bytes or None
        The sign-in's or the link's; None where the machine itself is the reason.
    """

    rights: Rights
    key: bytes | None = None


@dataclass(frozen=True, slots=True)
class BindPolicy:
    """To whom the pages are open, and under which names.

    Attributes
    ----------
    lan : bool
        To the local network, and then only after a sign-in; else to this machine.
    secure : bool
        Whether they are served under TLS.
    names : collection of str
        This machine's names, lower case, beside those of the loopback.
    """

    lan: bool = False
    secure: bool = False
    names: Collection[str] = ()

    @property
    def known_names(self) -> frozenset[str]:
        """Every name that a request may ask for."""
        return LOOPBACK | frozenset(self.names) if self.lan else LOOPBACK


class Access:
    """Sign-ins and players' links of one store, for one server.

    Everything that touches the store runs in a thread: a slow disk must not hold up the pages.

    Parameters
    ----------
    database : Database
    opening : BindPolicy
    attempts : Attempts, optional
    clock : callable
        The time, UTC.
    pair : str
        Whose sessions the live page shows, and players' links open here.
    """

    def __init__(
        self,
        database: Database,
        opening: BindPolicy | None = None,
        attempts: Attempts | None = None,
        clock: Clock = now,
        pair: str = "",
    ) -> None:
        self.opening = opening or BindPolicy()
        self.attempts = attempts or Attempts()
        self._sign_ins = SignIns(database, clock)
        self._links = Invites(database, clock, pair)
        self.pair = pair
        # One at a time: each takes 64 MB for a moment, and nothing else may wait behind guesses.
        self._hashing = ThreadPoolExecutor(1, "password")
        self._tokens: dict[int, str] = {}
        self._watchers: set[asyncio.Event] = set()

    async def rights(self, connection: HTTPConnection) -> Rights | None:
        """Return what a request or WebSocket may do; None: nothing.

        Known to those that came through `Guard`; for any other it is None.
        """
        grant = connection.scope.get(GRANT)
        return grant.rights if isinstance(grant, Principal) else None

    # What the door asks

    async def of_browser(self, tokens: Iterable[str]) -> Principal | None:
        """Return the grant of a browser by the tokens in its cookies; using it keeps it."""
        if not self.opening.lan:
            return Principal(Rights.COACH)
        for token in tokens:
            grant = Principal(Rights.COACH, key_of(token))
            if await self.lasts(grant):
                return grant
        return None

    async def of_link(self, token: str) -> Principal | None:
        """Return the grant of a player's link by its token."""
        grant = Principal(Rights.PLAYER, key_of(token))
        return grant if await self.lasts(grant) else None

    async def is_withdrawn(self, token: str) -> bool:
        """Whether a player's link was withdrawn, by its token."""
        state = await asyncio.to_thread(self._links.state, key_of(token))
        return state is InviteState.WITHDRAWN

    async def lasts(self, grant: Principal) -> bool:
        """Whether a grant still holds."""
        if grant.key is None:
            return True
        kept = self._sign_ins if grant.rights is Rights.COACH else self._links
        return await asyncio.to_thread(kept.lasts, grant.key)

    async def use(self, grant: Principal) -> None:
        """Note that somebody used a grant just now."""
        if grant.rights is Rights.COACH and grant.key is not None:
            await asyncio.to_thread(self._sign_ins.use, grant.key)

    @contextmanager
    def watching(self) -> Iterator[asyncio.Event]:
        """Give an event that is set whenever a grant was ended here, for the length of a block."""
        event = asyncio.Event()
        self._watchers.add(event)
        try:
            yield event
        finally:
            self._watchers.discard(event)

    def _tell(self) -> None:
        for event in self._watchers:
            event.set()

    # What the pages do

    async def sign_in(self, text: str) -> str | None:
        """Sign a browser in by the password; return its token, or None where that is wrong."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._hashing, self._sign_ins.begin, text)

    async def device(self, tokens: Iterable[str]) -> str | None:
        """Return what tells a browser from others by its cookies; None: it never was signed in.

        A cookie outlives a sign-in that ended for want of use.
        """
        for key in map(key_of, tokens):
            if await asyncio.to_thread(self._sign_ins.knows, key):
                return key.hex()
        return None

    async def sign_out(self, token: str) -> None:
        """End a browser's sign-in and its open WebSockets."""
        await asyncio.to_thread(self._sign_ins.end, key_of(token))
        self._tell()

    async def make_link(self, note: str) -> int:
        """Make a player's link and return its number."""
        number, token = await asyncio.to_thread(self._links.make, note)
        self._tokens[number] = token
        return number

    async def withdraw_link(self, number: int) -> bool:
        """Withdraw a link, end its WebSockets at once; return whether there is such a link."""
        found = await asyncio.to_thread(self._links.withdraw, number)
        self._tokens.pop(number, None)
        self._tell()
        return found

    async def links(self) -> list[Invite]:
        """Return the players' links, the latest first."""
        found = await asyncio.to_thread(self._links.all)
        for link in found:  # one that was made meanwhile is not among them, and keeps its token
            if not link.is_good:
                self._tokens.pop(link.number, None)
        return found

    def token_of(self, number: int) -> str | None:
        """Return a good link's token; None where a server before this one made it.

        The store has its hash only, so that a copy of the store opens nothing.
        """
        return self._tokens.get(number)
