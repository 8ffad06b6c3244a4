"""What a full register costs: 500 players and 5,000 sessions listed, searched, shown by the desk.

Once with the people's tables in the store's file, once on a real PostgreSQL of this machine.

All invented. Each player has ten fields, three of them changed twice, two consents, a finding and a
decision; each session has a minute's packets of two insoles in one chunk. Aim: 200 ms or less for
a list and a search.
"""

import os
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.postgres import postgres
from tests.support.records import packets

from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.tables import SERVER
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store.rows import Chunk, utc_text
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.reads import DeskStore
from plantigrade_gateway.web.desk.routes import desk_router

PLAYERS, SESSIONS, REPEATS = 500, 5000, 15
_FIRST = ("Ásta", "Bo", "Çelik", "Dóra", "Emil", "Frøya", "Greta", "Hugo", "Ilse", "Jānis")
_LAST = ("Nowhere", "Invented", "Example", "Muster", "Placeholder")


def _fill(store: Store, register: Register) -> None:
    rng = random.Random(3)
    keys = []
    for k in range(PLAYERS):
        name = f"{rng.choice(_FIRST)} {rng.choice(_LAST)} {k}"
        key = register.add(
            name=name,
            handedness=rng.choice(("right", "left")),
            mass_kg=rng.uniform(45, 110),
            shoe="usual",
            footbed="own",
            size="EU 42",
            insoles=[f"{2 * k:08X}", f"{2 * k + 1:08X}"],
            is_minor=True,
            guardian="Gus Guardian",
        )
        for turn in range(2):
            register.edit(key, shoe=f"shoe {turn}", footbed=f"bed {turn}", mass_kg=60.0 + turn)
        register.grant(key, "record", "guardian")
        register.grant(key, "speed", "guardian")
        register.note_finding(key, "hips", "limit", "lead side")
        register.decide(key, "push", "go", date(2026, 3, 31), "let it roll")
        keys.append(key)
    piece = Chunk.of(packets(6000))
    begun = datetime(2026, 1, 1, tzinfo=UTC)
    with store.database.writing() as db:
        for k in range(SESSIONS):
            _session(db, f"{k:016x}", rng.choice(keys), begun + timedelta(minutes=25 * k), piece)
    visits = Visits(register)
    for k in range(0, SESSIONS, 5):  # what was said of each fifth visit
        visits.answer(f"{k:016x}", "player")
        visits.set_conditions(f"{k:016x}", shoe="spikeless", footbed="own")


def _session(
    db: sqlite3.Connection, session_id: str, player_id: str, begun: datetime, piece: Chunk
) -> None:
    number = db.execute(
        "INSERT INTO sessions (session_id, player_no, started_utc, utc_offset_min, source, host,"
        " state, end_reason, analysis_version) VALUES (?, (SELECT player_no FROM players WHERE"
        " player_id = ?), ?, 60, 'bench', 'bench', 'ended', 'end', 1)",
        (session_id, player_id, utc_text(begun)),
    ).lastrowid
    db.execute(
        "INSERT INTO chunks (session_no, seq, first_entry, entries, first_ns, last_ns, data)"
        " VALUES (?, 0, 0, ?, ?, ?, ?)",
        (number, piece.entries, piece.first_ns, piece.last_ns, piece.data[:2000]),
    )


def _times(
    name: str, work: Callable[[], int], server_cpu_s: Callable[[], float] = lambda: 0.0
) -> None:
    wall, cpu, count = [], [], 0
    server_at = server_cpu_s()
    for _ in range(REPEATS):
        at, at_cpu = time.perf_counter(), time.process_time()
        count = work()
        wall.append(1e3 * (time.perf_counter() - at))
        cpu.append(1e3 * (time.process_time() - at_cpu))
    server = 1e3 * (server_cpu_s() - server_at) / REPEATS
    print(
        f"{name}: {count} found, p50 {np.median(wall):.0f} ms (CPU {np.median(cpu):.0f} ms"
        f"{f' and {server:.0f} ms of the server' if server else ''}), max {max(wall):.0f} ms"
    )


def main() -> None:
    os.environ.pop(SERVER, None)
    print("in SQLite")
    _measure()
    with postgres() as server, server.people() as url:
        os.environ[SERVER] = url
        print("on PostgreSQL")
        _measure(server.cpu_s)
        del os.environ[SERVER]


def _measure(server_cpu_s: Callable[[], float] = lambda: 0.0) -> None:
    def times(name: str, work: Callable[[], int]) -> None:
        _times(name, work, server_cpu_s)

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        with Store.open(path) as store, Register(store) as register:
            _fill(store, register)
            print(f"{len(register.log.changes(PLAYER)):,} changes")
            times("all listed", lambda: len(register.rows()))
            times("searched for ÁSTA", lambda: len(register.rows("ÁSTA")))
            first = register.rows()[0].profile
            times("found by name", lambda: len([register.find(first.name.upper())]))
            times("a session's player", lambda: len([register.name(first.player_id)]))
        app = FastAPI()
        app.include_router(desk_router(path))
        with TestClient(app) as client:
            times("the page of all players, bytes", lambda: len(client.get("/players").content))
            times("searched for ÁSTA", lambda: len(client.get("/players?q=ÁSTA").content))
            player = f"/players/{first.player_id}"
            times("the page of sessions, bytes", lambda: len(client.get("/sessions").content))
            times("searched for ÁSTA", lambda: len(client.get("/sessions?q=ÁSTA").content))
            times("searched for a day", lambda: len(client.get("/sessions?q=2026-02").content))
            times("a player's page, bytes", lambda: len(client.get(player).content))
        reads = DeskStore(path)
        times("the desk's list of sessions", lambda: reads.sessions().total)
        reads.close()


if __name__ == "__main__":
    main()
