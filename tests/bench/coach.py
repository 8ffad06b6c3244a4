"""What the coach's pages cost: sheet, progress, comparison, session, the page as a PDF, the export.

Of the two invented players that the demo makes, several visits each. Aim: a sheet in a second or
less. Times are of the server alone, one request after another.
"""

import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.bench.desk import asked_often
from tests.bench.table import Row, at_most

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.session.invented import put
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router


def rows() -> Iterator[Row]:
    """Give what each page costs, and the export."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        at = time.perf_counter()
        with Store.open(path) as store, Register(store) as register:
            put(store, datetime.now(UTC))
            row = max(register.rows(), key=lambda one: one.sessions)
            sessions = store.sessions(row.profile.player_id)
            lasted_s = sum(one.duration_s or 0.0 for one in sessions)
        yield Row("the demo's players, made", f"{time.perf_counter() - at:.0f} s", "`players demo`")
        of = f"a player of {row.sessions} visits, {lasted_s / 60:.0f} min recorded, from the server"
        last, before = sessions[0].session_id, sessions[1].session_id
        here = f"/players/{row.profile.player_id}"
        app = FastAPI()
        app.include_router(desk_router(path))
        with TestClient(app) as client:

            def ask(address: str) -> int:
                answer = client.get(address)
                assert answer.status_code == 200, answer.text
                return len(answer.content)

            for name, (address, limit_ms) in {
                "evidence sheet": (f"{here}/sheet", 1000.0),
                "page for the player, PDF": (f"{here}/page.pdf", None),
                "a player's page": (here, None),
                "progress": (f"{here}/progress", None),
                "comparison of two visits": (f"{here}/progress?before={before}&after={last}", None),
                "session": (f"/sessions/{last}", None),
            }.items():
                wall, cpu, size = asked_often(partial(ask, address))
                yield Row(
                    name,
                    f"{wall.text('ms')}; CPU p50 {cpu.p50:.0f} ms; {size / 1e3:.0f} kB",
                    of,
                    () if limit_ms is None else (at_most("p95", wall.p95, limit_ms, "ms"),),
                )
            at = time.perf_counter()
            size = ask(f"{here}/export.zip")
            took_s = time.perf_counter() - at
            yield Row("export of a player", f"{took_s:.1f} s, {size / 1e6:.1f} MB", of)
