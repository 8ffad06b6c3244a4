"""The forwarding process: every configured sink, as long as the gateway runs.

A process of its own, so that catching up after a day's outage takes nothing from the recording but
the disk. The gateway writes JSON lines to its standard input: live summaries, and the word to stop.
An end of that input without the word means that the gateway died; then this ends at once, too, and
the broker tells so with the bay's will. What it has to say goes, as JSON lines, to its output.
"""

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from time import monotonic, time
from typing import TYPE_CHECKING, cast

from plantigrade_gateway.child import Message, put, serve
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.formats import sentence
from plantigrade_gateway.forward.consents import Consents
from plantigrade_gateway.forward.courier import Courier, Sink
from plantigrade_gateway.sinks import MQTT, SINKS, TSDB, display_name
from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.upkeep import kept_up

if TYPE_CHECKING:
    from plantigrade_gateway.forward.mqtt import Broker
    from plantigrade_gateway.forward.tsdb import Database

FLUSH_S = 3.0
"""After the word to stop, for what waits; the rest is sent at the next start (ours)."""
STATE_EVERY_S = 1.0
TRIM_EVERY_S = 30.0
_log = logging.getLogger(__name__)


class ForwardingProcess:
    """The process's work.

    Parameters
    ----------
    store_path : Path
    config : Config
    say : callable
        Told each thing that goes wrong or right again, once, in a line.
    """

    def __init__(self, store_path: Path, config: Config, say: Callable[[str], None]) -> None:
        self.stop = asyncio.Event()
        self._config = config
        self._say = say
        self._store_path = store_path
        self._show_every_s = config.number("link_every_s")
        self._store = Store.open(store_path, create=False)
        self._outbox = Outbox(self._store.database)
        self._consents = Consents(self._store, self._outbox)
        self._ways: list[tuple[Courier, Sink]] = []
        self._open_sinks()
        self._told: dict[str, str | None] = {}
        self._before: dict[str, tuple[float, int]] = {}

    def _open_sinks(self) -> None:
        for name in self._config.sinks():
            row = SINKS[name]
            # The sinks' libraries are only loaded where they are used.
            module = import_module(f"plantigrade_gateway.forward.{row.module}")
            sink: Sink = module.sink(self._config, self._say)
            hold_s = self._config.number(f"{row.module}.hold_s")
            self._ways.append((Courier(self._outbox, name, hold_s, row.at_once), sink))
        opened = {courier.sink: sink for courier, sink in self._ways}
        self.database = cast("Database | None", opened.get(TSDB))
        self.broker = cast("Broker | None", opened.get(MQTT))

    async def run(self) -> None:
        """Forward until `stop` is set, then a little longer."""
        ended = asyncio.Event()
        async with asyncio.TaskGroup() as group:
            for courier, sink in self._ways:
                group.create_task(courier.run(sink, ended), name=courier.sink)
            watching = group.create_task(kept_up(self._watch, "forwarding state", self._say))
            await self.stop.wait()
            deadline = monotonic() + FLUSH_S
            while monotonic() < deadline and self._unsent():
                await asyncio.sleep(0.05)
            ended.set()
            watching.cancel()
        self._note()
        self._consents.close()
        self._store.close()

    def hear(self, message: Message) -> None:
        """Send a live summary, where there is a broker."""
        if self.broker is None:
            return
        with suppress(GatewayError):  # nobody can say that it may be shown
            if (allowed := self._consents.allowed(message)) is not None:
                self.broker.show(allowed)

    def _unsent(self) -> bool:
        return any(c.problem is None and c.next() for c, _ in self._ways)

    async def _watch(self) -> None:
        trimmed_s, shown_s = monotonic(), float("-inf")
        while True:
            await self._heed_consents()
            sinks = self._note()
            if self.database is not None and monotonic() - shown_s >= self._show_every_s:
                self.database.show(sinks)
                shown_s = monotonic()
            if monotonic() - trimmed_s > TRIM_EVERY_S:
                trimmed_s = monotonic()
                self._make_room()
            await asyncio.sleep(STATE_EVERY_S)

    async def _heed_consents(self) -> None:
        """See whose consent has ended since; off the loop, for a server may be slow."""
        try:
            await asyncio.to_thread(self._consents.look)
        except GatewayError as error:  # the next time
            _log.error("%s", str(error))

    def _make_room(self) -> None:
        with suppress(GatewayError):  # a full disk: the next time
            dropped = self._outbox.trim(int(self._config.number("outbox.loads_mb")) << 20)
            if dropped:
                _log.warning("dropped %d s of regional loads for room", dropped)
            self._outbox.give_back()

    def _note(self) -> tuple[forwardstate.SinkState, ...]:
        try:
            sinks = tuple(self._sink_states())
        except GatewayError as error:
            _log.error("%s", str(error))
            return ()
        clock = self.database.clock_said if self.database is not None else None
        self._tell("clock", clock, "The clocks agree again.")
        for courier, _ in self._ways:
            self._tell(courier.sink, courier.problem, "")
        now = forwardstate.ForwardState(datetime.now(UTC), sinks, (clock,) if clock else ())
        forwardstate.write(forwardstate.path_for(self._store_path), now)
        return sinks

    def _sink_states(self) -> list[forwardstate.SinkState]:
        couriers = {courier.sink: courier for courier, _ in self._ways}
        found = []
        for depth in self._outbox.depths():
            courier = couriers.get(depth.sink)
            first = courier.oldest() if courier else depth.oldest_ms
            found.append(
                forwardstate.SinkState(
                    sink=depth.sink,
                    active=courier is not None,
                    problem=courier.problem if courier else None,
                    waiting=depth.waiting,
                    held=courier.held if courier else 0,
                    oldest_s=None if first is None else round(max(0.0, time() - first / 1e3), 1),
                    sent=depth.sent,
                    aside=depth.aside,
                    dropped=depth.dropped,
                    resent=courier.resent if courier else 0,
                    per_s=self._rate(courier) if courier else 0.0,
                )
            )
        return found

    def _rate(self, courier: Courier) -> float:
        now = monotonic(), courier.acknowledged
        before = self._before.get(courier.sink, now)
        self._before[courier.sink] = now
        passed_s = now[0] - before[0]
        return round((now[1] - before[1]) / passed_s, 1) if passed_s > 0 else 0.0

    def _tell(self, what: str, problem: str | None, well: str) -> None:
        """Say what has changed; a sink that has not been asked yet is no news."""
        before = self._told.get(what)
        if problem == Courier.NOT_YET or problem == before:
            return
        self._told[what] = problem
        if problem is not None:
            self._say(sentence(problem))
        elif well:
            self._say(well)
        elif before is not None:
            self._say(f"{display_name(what).capitalize()}: takes data again.")


def main(arguments: list[str] | None = None) -> None:
    """Run the process."""
    serve("forward", _heeding, arguments)


def _heeding(store: Path, config: Config, say: Callable[[str], None]) -> ForwardingProcess:
    """Return the work whose broker's commands reach the gateway."""
    work = ForwardingProcess(store, config, say)
    if work.broker is not None:
        work.broker.on_command = put
    return work


if __name__ == "__main__":
    main()
