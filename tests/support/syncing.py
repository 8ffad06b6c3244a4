"""A bay whose hand-over to a hub runs in the test's own process, or in one that may be killed."""

import asyncio
import contextlib
import os
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

from tests.support.bay import until
from tests.support.fakehub import TOKEN, FakeHub
from tests.support.records import packets

from plantigrade_gateway.config import Config, load
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.process import SyncProcess


def settings(url: str, **more: str) -> dict[str, str]:
    """Settings of a bay as its environment says them."""
    return {"PLANTIGRADE_HUB_URL": url, "PLANTIGRADE_HUB_TOKEN": TOKEN} | {
        f"PLANTIGRADE_{key.upper()}": value for key, value in more.items()
    }


class SyncBay:
    """A store and what its way to the hub says."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.file = folder / "settings.toml"
        self.file.write_text("", "utf-8")
        self.store = Store.open(folder / "store.sqlite3")
        self.register = Register(self.store)
        self.said: list[str] = []

    def close(self) -> None:
        self.register.close()
        self.store.close()

    def config(self, hub: FakeHub, **more: str) -> Config:
        return load(self.file, settings(hub.url, **more))

    @contextlib.asynccontextmanager
    async def syncing(self, hub: FakeHub, **more: str) -> AsyncIterator[SyncProcess]:
        work = SyncProcess(self.store.path, self.config(hub, **more), self.said.append)
        running = asyncio.create_task(work.run())
        try:
            yield work
        finally:
            work.stop.set()
            await running

    @contextlib.contextmanager
    def process(self, hub: FakeHub, **more: str) -> Iterator["subprocess.Popen[bytes]"]:
        """Run the real process, as the gateway does."""
        command = [sys.executable, "-m", "plantigrade_gateway.sync.process"]
        with subprocess.Popen(
            [*command, "--store", str(self.store.path), "--settings", str(self.file)],
            env={**os.environ, **settings(hub.url, **more)},
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
        ) as process:
            try:
                yield process
            finally:
                process.kill()

    def record(self, pieces: int, player: str | None = None, *, ends: bool = True) -> str:
        """Record a session of so many pieces of a few packets."""
        session = self.store.create_session("insoles", analysis_version=1, player_id=player)
        self.go_on(session, pieces)
        if ends:
            self.store.end_session(session, "stop")
        return session

    def go_on(self, session: str, pieces: int) -> None:
        first = len(self.pieces(session))
        for k in range(first, first + pieces):
            self.store.append(session, packets(6, first=6 * k))

    def pieces(self, session: str) -> list[bytes]:
        """The pieces as they lie in the file."""
        rows = self.store.database.read(
            "SELECT data FROM chunks JOIN sessions USING (session_no) WHERE session_id = ?"
            " ORDER BY seq",
            (session,),
        )
        return [data for (data,) in rows]

    def is_handed_over(self, hub: FakeHub) -> bool:
        """Whether the hub has every session of the store, whole."""
        return all(
            hub.pieces.get(one.session_id) == self.pieces(one.session_id)
            and (one.state == "open" or one.session_id in hub.ends)
            for one in self.store.sessions()
        )

    async def handed_over(self, hub: FakeHub) -> None:
        """Wait until the hub has everything and has confirmed it."""
        await until(lambda: hub.is_well and self.is_handed_over(hub))
