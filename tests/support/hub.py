"""A hub to test against: its routes, its working store, and records as a bay's store keeps them."""

import hashlib
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

import sqlalchemy as sa
import uvicorn
from anyio.from_thread import BlockingPortal, start_blocking_portal
from httpx2 import Response
from starlette.testclient import TestClient
from tests.support.waiting import HANG_S

from plantigrade_gateway.config import Config
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.intake import Intake
from plantigrade_gateway.hub.names import objects_place, store_path
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.routes import BayApi
from plantigrade_gateway.hub.serve import HubApp
from plantigrade_gateway.people.tables import engine_for, migrate
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.rows import Chunk
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door.access import Access, BindPolicy

STARTED = "2026-03-01T09:30:00.250+00:00"


@dataclass
class Site:
    """A hub of one folder."""

    data: Path
    place: str
    engine: sa.Engine
    api: BayApi
    app: HubApp
    store: Store
    portal: BlockingPortal
    tokens: dict[str, str] = field(default_factory=dict)
    people_url: str = ""

    def token(self, bay: str = "one") -> str:
        """Return a bay's credential; the bay is added when it is first asked for."""
        if bay not in self.tokens:
            self.tokens[bay] = Bays(self.engine).add(bay)
        return self.tokens[bay]

    def client(self, bay: str | None = "one") -> TestClient:
        """Return what a bay asks with; None: without a credential."""
        headers = {} if bay is None else {"Authorization": f"Bearer {self.token(bay)}"}
        client = TestClient(self.app, base_url="http://127.0.0.1", headers=headers)
        client.portal = self.portal  # else each request starts a thread and a loop of its own
        return client

    def intake(
        self, name: str = "here", folder: Path | None = None, config: Config | None = None
    ) -> Intake:
        """Return what keeps a working store of the site."""
        return Intake(folder or self.data, Objects.of(self.place), name, config)


@contextmanager
def site(data: Path, place: str | None = None) -> Iterator[Site]:
    """Open a hub of a folder."""
    place = objects_place(data) if place is None else place
    with Store.open(store_path(data)) as store:
        engine = engine_for(store.path)
        migrate(engine)
        try:
            api = BayApi(engine, Objects.of(place), store.path)
            app = HubApp(api, store.path, Access(store.database, BindPolicy()))
            with start_blocking_portal() as portal:
                yield Site(data, place, engine, api, app, store, portal)
        finally:
            engine.dispose()


@contextmanager
def served(app: HubApp) -> Iterator[str]:
    """Serve an application on a port of its own; give its address."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
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


def recorded(store: Store, player_id: str | None = None, pieces: int | None = None) -> str:
    """Record the invented practice session, or its first pieces of 41 s."""
    session_id = store.create_session("demo (invented)", analysis_version=0, player_id=player_id)
    for batch in islice(read_replay(demo_file()), pieces):
        store.write(session_id, Chunk.cut(batch))
    store.end_session(session_id, "stop")
    return session_id


def pieces_of(store: Store, session_id: str) -> list[bytes]:
    """Return a session's pieces as they lie in a store, by SQL alone."""
    rows = store.database.read(
        "SELECT data FROM chunks JOIN sessions USING (session_no) WHERE session_id = ?"
        " ORDER BY seq",
        (session_id,),
    )
    return [data for (data,) in rows]


def head_of(session_id: str, player_id: str | None = None, **about: Any) -> dict[str, Any]:
    """Return a session's head as JSON (`hardware_notes/hub.md`)."""
    return {
        "session_id": session_id,
        "player_id": player_id,
        "started_utc": STARTED,
        "utc_offset_min": 60,
        "about": about,
    }


def put_piece(
    client: Any,
    session_id: str,
    number: int | str,
    data: bytes,
    sha256: str | None = None,
) -> Any:
    """Hand over a piece, by any client of this kind."""
    sum_ = hashlib.sha256(data).hexdigest() if sha256 is None else sha256
    return client.put(
        f"/bay/v1/sessions/{session_id}/pieces/{number}",
        content=data,
        headers={"Piece-SHA256": sum_},
    )


def end_of(pieces: list[bytes], player_id: str | None = None) -> dict[str, Any]:
    """Return a session's end: the sum of the sums, by hand."""
    sums = b"".join(hashlib.sha256(piece).digest() for piece in pieces)
    return {
        "pieces": len(pieces),
        "sha256": hashlib.sha256(sums).hexdigest(),
        "player_id": player_id,
    }


def handed_over(
    client: TestClient, session_id: str, pieces: list[bytes], player_id: str | None = None
) -> Response:
    """Hand over a whole session; return the answer to its end."""
    url = f"/bay/v1/sessions/{session_id}"
    head = head_of(session_id, player_id, source="bay one", host="one", end_reason="stop")
    assert client.put(url, json=head).status_code == 200
    for number, piece in enumerate(pieces):
        assert put_piece(client, session_id, number, piece).status_code == 200
    return client.post(f"{url}/end", json=end_of(pieces, player_id))
