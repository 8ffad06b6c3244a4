"""The pages of a store on a port of their own, through the door, as a browser finds them."""

import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn
from tests.support.waiting import HANG_S

from plantigrade_gateway.config import Config
from plantigrade_gateway.hub.places import Refusal
from plantigrade_gateway.hub.rosterpage import add_roster
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.door.access import Access, BindPolicy
from plantigrade_gateway.web.door.guard import Guard
from plantigrade_gateway.web.live.audience import Audience


@contextmanager
def served(
    store_path: Path,
    hub: Config | None = None,
    refusals: Callable[[], Iterable[Refusal]] = tuple,
) -> Iterator[str]:
    """Serve a store's pages to this machine, as a hub with settings of its own; give their address.

    Without, as a desk.
    """
    with Store.open(store_path) as store, socket.create_server(("127.0.0.1", 0)) as listening:
        access = Access(store.database, BindPolicy())
        pages = create_app(Audience(), store_path, access)
        if hub is not None:
            add_roster(pages, hub, access, store_path, refusals)
        app = Guard(pages, access)
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False))
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        try:
            until = time.monotonic() + HANG_S
            while not server.started and time.monotonic() < until:
                time.sleep(0.02)
            assert server.started
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(HANG_S)
            assert not thread.is_alive()
