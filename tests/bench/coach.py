"""What the coach's pages cost: sheet, progress, comparison, session, the page as a PDF, the export.

Of the two invented players that the demo makes, several visits each. Aim: a sheet in a second or
less. Times are of the server alone, one request after another.
"""

import tempfile
import time
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.bench.desk import _times

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.session.invented import put
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        at = time.perf_counter()
        with Store.open(path) as store, Register(store) as register:
            put(store, datetime.now(UTC))
            row = max(register.rows(), key=lambda one: one.sessions)
            sessions = store.sessions(row.profile.player_id)
            lasted_s = sum(one.duration_s or 0.0 for one in sessions)
        print(f"made in {time.perf_counter() - at:.0f} s")
        print(f"a player of {row.sessions} visits, {lasted_s / 60:.0f} min recorded")
        last, before = sessions[0].session_id, sessions[1].session_id
        here = f"/players/{row.profile.player_id}"
        app = FastAPI()
        app.include_router(desk_router(path))
        with TestClient(app) as client:

            def ask(address: str) -> int:
                answer = client.get(address)
                assert answer.status_code == 200, answer.text
                return len(answer.content)

            for name, address in {
                "sheet": f"{here}/sheet",
                "player": here,
                "progress": f"{here}/progress",
                "comparison of two visits": f"{here}/progress?before={before}&after={last}",
                "session": f"/sessions/{last}",
                "page for the player, PDF": f"{here}/page.pdf",
            }.items():
                print(f"{name}: {_times(partial(ask, address))}")
            at = time.perf_counter()
            size = ask(f"{here}/export.zip")
            print(f"export: {time.perf_counter() - at:.1f} s, {size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
