"""A bay whose outbox is forwarded in the test's own process, to real servers or past faults."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from pathlib import Path

from aiohttp import web
from tests.support.records import packets
from tests.support.waiting import HANG_S

from plantigrade_gateway.analysis.eventrow import Measured, event_row
from plantigrade_gateway.config import Config, load
from plantigrade_gateway.forward.process import ForwardingProcess
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store


class Bay:
    """A store with one open session, and what its forwarding says."""

    def __init__(self, folder: Path, settings: Mapping[str, str]) -> None:
        self.config: Config = load(self._file(folder), dict(settings))
        self.store = Store.open(folder / "store.sqlite3")
        self.outbox = Outbox(self.store.database)
        self.outbox.configure(self.config.sinks())
        self.session = self.store.create_session("insoles", analysis_version=1)
        self.store.append(self.session, packets(10))
        self.said: list[str] = []

    @staticmethod
    def _file(folder: Path) -> Path:
        path = folder / "settings.toml"
        path.write_text('site = "north"\nbay = "b1"\n', "utf-8")
        return path

    def put(self, *events: Measured) -> None:
        self.store.write(self.session, [], [event_row(self.session, e, 10) for e in events])

    @property
    def ids(self) -> set[str]:
        return {row.event_id for row in self.store.events(self.session)}

    @contextlib.asynccontextmanager
    async def forwarding(self) -> AsyncIterator[ForwardingProcess]:
        forwarding = ForwardingProcess(self.store.path, self.config, self.said.append)
        running = asyncio.create_task(forwarding.run())
        try:
            yield forwarding
        finally:
            forwarding.stop.set()
            await running

    def waiting(self, sink: str) -> int:
        return next(d.waiting for d in self.outbox.depths() if d.sink == sink)

    async def sent(self, *sinks: str, limit_s: float = HANG_S) -> None:
        """Wait until everything is there for good."""
        await until(lambda: all(self.waiting(sink) == 0 for sink in sinks), limit_s)


async def until(true: Callable[[], object], limit_s: float = HANG_S) -> None:
    """Wait until something holds; fail when it does not within the limit."""
    async with asyncio.timeout(limit_s):
        while not true():
            await asyncio.sleep(0.02)


Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@contextlib.asynccontextmanager
async def http_server(handler: Handler, **how: object) -> AsyncIterator[str]:
    """Give the address of an HTTP server that answers everything with `handler`."""
    app = web.Application(client_max_size=64 << 20)

    async def handle(request: web.Request) -> web.StreamResponse:
        return await handler(request)

    app.router.add_route("*", "/{path:.*}", handle)
    runner = web.AppRunner(app, shutdown_timeout=0.1)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0, **how)  # type: ignore[arg-type]
    await site.start()
    try:
        yield f"http://127.0.0.1:{runner.addresses[0][1]}"
    finally:
        await runner.cleanup()
