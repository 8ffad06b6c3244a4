"""The process that speaks to the hub, as long as the gateway runs.

A process of its own, so that handing over a day's record takes nothing from the recording but the
disk. While the hub is away it is left alone for longer and longer; a bay works without it.
"""

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic

from plantigrade_gateway.child import Message, serve
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.formats import capital
from plantigrade_gateway.people.assigned import follow
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store import hubstate
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.changes import Exchange
from plantigrade_gateway.sync.deletions import Deletions
from plantigrade_gateway.sync.link import Hub, HubAway
from plantigrade_gateway.sync.records import Records
from plantigrade_gateway.upkeep import fault, kept_up, sleep_until

PIECES_EVERY_S = 0.5
CHANGES_EVERY_S = 2.0
"""How long each is left alone when there is nothing to do (ours)."""
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
"""Back-off of a hub that is away: doubled from one to the other, with chance in it (ours)."""
FLUSH_S = 3.0
"""After the word to stop, for what waits; the rest is handed over at the next start (ours)."""
STATE_EVERY_S = 1.0
_log = logging.getLogger(__name__)


class Way:
    """One kind of work with the hub, done again and again, and backed off from where it fails.

    Parameters
    ----------
    name : str
    work : callable
        Does some of it; returns whether more is left.
    begin_again : callable
        Called when the hub is there again.
    every_s : float
        How long it is left alone when nothing is left.

    Attributes
    ----------
    problem : str or None
        Why it does not get on.
    last_contact : datetime or None
        When the hub last did its part.
    is_idle : bool
        Whether nothing is left to do, or it does not get on.
    """

    def __init__(
        self,
        name: str,
        work: Callable[[], Awaitable[bool]],
        begin_again: Callable[[], None],
        every_s: float,
    ) -> None:
        self.problem: str | None = None
        self.last_contact: datetime | None = None
        self.is_idle = False
        self._name = name
        self._work = work
        self._begin_again = begin_again
        self._every_s = every_s

    async def run(self, stop: asyncio.Event) -> None:
        """Do the work until told to stop."""
        wait_s = FIRST_WAIT_S
        while not stop.is_set():
            try:
                is_more = await self._work()
            except GatewayError as error:
                after_s = error.after_s if isinstance(error, HubAway) else None
                self._fail(str(error))
            except Exception as error:  # a fault of one kind of work must not end the others
                _log.exception("%s", self._name)
                after_s = None
                self._fail(f"hub: {self._name} have failed ({fault(error)})")
            else:
                self.problem = None
                self.last_contact = datetime.now(UTC)
                self.is_idle = not is_more
                wait_s = FIRST_WAIT_S
                if not is_more:
                    await sleep_until(self._every_s, stop)
                continue
            await sleep_until(max(after_s or 0.0, wait_s * random.uniform(0.5, 1.0)), stop)
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)

    async def once(self) -> None:
        """Do all of the work there is at this moment, once."""
        try:
            while await self._work():
                pass
        except GatewayError as error:
            self.problem = str(error)
            raise
        self.last_contact = datetime.now(UTC)

    def _fail(self, why: str) -> None:
        if self.problem != why:
            _log.warning("%s", why)
        self.problem = why
        self.is_idle = True
        self._begin_again()


class SyncProcess:
    """The process's work.

    Parameters
    ----------
    store_path : Path
    config : Config
    say : callable
        Told each thing that goes wrong or right again, once, in a line.

    Raises
    ------
    InputError
        The credential or the certificate's file cannot be used.
    """

    def __init__(self, store_path: Path, config: Config, say: Callable[[str], None]) -> None:
        self.stop = asyncio.Event()
        self.hub = Hub(config)
        self._store_path = store_path
        self._say = say
        self._told: str | None = None
        self._before: tuple[float, int] | None = None
        self._followed: dict[str, int] | None = None  # what the log had seen by then
        self._store = Store.open(store_path, create=False)
        self._register = Register(self._store)
        self.records = Records(self._store, self.hub)
        self.exchange = Exchange(self._register, self.hub)
        self._deleting = Register(Store.open(store_path, create=False))
        self.deletions = Deletions(self._deleting, self.hub)
        self._ways = [
            Way("records", self.records.round, self.records.begin_again, PIECES_EVERY_S),
            Way("changes", self._people, lambda: None, CHANGES_EVERY_S),
        ]

    async def _people(self) -> bool:
        is_more = await self.exchange.round()
        await asyncio.to_thread(self._follow)
        return is_more or await self.deletions.round()

    def _follow(self) -> None:
        """Give sessions to whom the log gives them, where it has grown since the last time."""
        with self._deleting.explained():
            seen = self._deleting.log.seen()
        if seen != self._followed and not follow(self._deleting):
            self._followed = seen

    def hear(self, message: Message) -> None:
        """Take no notice: the gateway has nothing to tell but to stop."""

    async def run(self) -> None:
        """Work until `stop` is set, then a little longer."""
        ended = asyncio.Event()
        async with self.hub, asyncio.TaskGroup() as group:
            for way in self._ways:
                group.create_task(way.run(ended))
            watching = group.create_task(kept_up(self._watch, "the hub's state", self._say))
            await self.stop.wait()
            self.records.hurry()
            deadline = monotonic() + FLUSH_S
            await sleep_until(PIECES_EVERY_S, ended)  # for what was recorded last
            while monotonic() < deadline and not all(way.is_idle for way in self._ways):
                await asyncio.sleep(0.05)
            ended.set()
            watching.cancel()
        self._note()
        self.close()

    async def once(self) -> list[str]:
        """Hand over, and fetch, all there is at this moment; return why it did not get on."""
        problems: list[str] = []
        self.records.hurry()
        async with self.hub:
            for way in reversed(self._ways):  # who was deleted is told first
                try:
                    await way.once()
                except HubAway as error:
                    problems.append(str(error))
                    break
                except GatewayError as error:  # of one kind of work: the other goes on
                    problems.append(str(error))
        self._note()
        return problems

    def close(self) -> None:
        """Close what it opened."""
        for register in (self._register, self._deleting):
            register.close()
            register.store.close()

    async def _watch(self) -> None:
        while True:
            self._note()
            await asyncio.sleep(STATE_EVERY_S)

    def _note(self) -> None:
        try:
            state = self.state()
        except GatewayError as error:
            _log.error("%s", str(error))
            return
        hubstate.write(hubstate.path_for(self._store_path), state)
        self._tell(state)

    def state(self) -> hubstate.HubState:
        """Return how things stand.

        Raises
        ------
        StoreError
            The store refuses.
        """
        waiting = self.records.waiting()
        contacts = [way.last_contact for way in self._ways if way.last_contact is not None]
        return hubstate.HubState(
            written=datetime.now(UTC),
            url=self.hub.url,
            problem=next((way.problem for way in self._ways if way.problem is not None), None),
            last_contact=max(contacts, default=None),
            sessions=waiting.sessions,
            pieces=waiting.pieces,
            changes=self.exchange.waiting(),
            deletions=self.deletions.waiting,
            refused=tuple(self.records.problems()),
            per_s=self._rate(),
        )

    def _rate(self) -> float:
        now = monotonic(), self.records.given
        before, self._before = self._before or now, now
        passed_s = now[0] - before[0]
        return round((now[1] - before[1]) / passed_s, 1) if passed_s > 0 else 0.0

    def _tell(self, state: hubstate.HubState) -> None:
        """Say what has changed."""
        if state.problem == self._told:
            return
        before, self._told = self._told, state.problem
        if state.problem is not None:
            if before is None:  # which of several reasons it is stands in the state
                self._say(
                    f"{capital(state.problem)}. Recording goes on; what is "
                    "recorded is handed over later."
                )
        else:
            self._say("The hub answers again.")


def main(arguments: list[str] | None = None) -> None:
    """Run the process."""
    serve("sync", SyncProcess, arguments)


if __name__ == "__main__":
    main()
