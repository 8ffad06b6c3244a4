"""Who may see what: the coach everything, a player the live page of their session, others nothing.

Open to this machine only, everybody on it is the coach. Open to the local network (``--lan``), the
coach is who signed in. `Guard` asks this at the door; pages ask it what they may offer.
"""

import asyncio
from collections.abc import Collection, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass

from starlette.requests import HTTPConnection

from plantigrade_gateway.store.database import Database
from plantigrade_gateway.web.door.attempts import Attempts
from plantigrade_gateway.web.door.links import Link, Links
from plantigrade_gateway.web.door.origin import LOOPBACK
from plantigrade_gateway.web.door.rights import Rights
from plantigrade_gateway.web.door.signins import Clock, SignIns, key_of, now

GRANT = "plantigrade.grant"
"""Where the door leaves a request's grant in its scope."""


@dataclass(frozen=True, slots=True)
class Grant:
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
class Opening:
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
    opening : Opening
    attempts : Attempts, optional
    clock : callable
        The time, UTC.
    """

    def __init__(
        self,
        database: Database,
        opening: Opening | None = None,
        attempts: Attempts | None = None,
        clock: Clock = now,
    ) -> None:
        self.opening = opening or Opening()
        self.attempts = attempts or Attempts()
        self._sign_ins = SignIns(database, clock)
        self._links = Links(database, clock)
        # One at a time: each takes 64 MB for a moment, and nothing else may wait behind guesses.
        self._hashing = ThreadPoolExecutor(1, "password")
        self._tokens: dict[int, str] = {}
        self._watchers: set[asyncio.Event] = set()

    async def rights(self, connection: HTTPConnection) -> Rights | None:
        """Return what a request or WebSocket may do; None: nothing.

        Known to those that came through `Guard`; for any other it is None.
        """
        grant = connection.scope.get(GRANT)
        return grant.rights if isinstance(grant, Grant) else None

    # What the door asks

    async def of_browser(self, token: str | None) -> Grant | None:
        """Return the grant of a browser by its cookie's token; using it keeps it."""
        if not self.opening.lan:
            return Grant(Rights.COACH)
        if token is None:
            return None
        grant = Grant(Rights.COACH, key_of(token))
        return grant if await self.lasts(grant) else None

    async def of_link(self, token: str) -> Grant | None:
        """Return the grant of a player's link by its token."""
        grant = Grant(Rights.PLAYER, key_of(token))
        return grant if await self.lasts(grant) else None

    async def lasts(self, grant: Grant) -> bool:
        """Whether a grant still holds."""
        if grant.key is None:
            return True
        kept = self._sign_ins if grant.rights is Rights.COACH else self._links
        return await asyncio.to_thread(kept.lasts, grant.key)

    async def use(self, grant: Grant) -> None:
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

    async def links(self) -> list[Link]:
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
