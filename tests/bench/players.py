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
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.bench.desk import asked_often
from tests.bench.table import Row, at_most
from tests.support.postgres import postgres
from tests.support.records import packets

from plantigrade_gateway.pauses import short_collections
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.tables import SERVER
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store.rows import Chunk, utc_text
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.reads import DeskStore
from plantigrade_gateway.web.desk.routes import desk_router

PLAYERS, SESSIONS = 500, 5000
LIMIT_MS = 200.0
_FIRST = ("Ásta", "Bo", "Çelik", "Dóra", "Emil", "Frøya", "Greta", "Hugo", "Ilse", "Jānis")
_LAST = ("Nowhere", "Invented", "Example", "Muster", "Placeholder")
_LISTS = {
    "500 players, listed": "/players",
    "500 players, searched": "/players?q=ÁSTA",
    "5,000 sessions, listed": "/sessions",
    "5,000 sessions, searched": "/sessions?q=ÁSTA",
}
_LISTS_ON_POSTGRES = {
    "500 players, listed, PostgreSQL": "/players",
    "500 players, searched, PostgreSQL": "/players?q=ÁSTA",
    "5,000 sessions, listed, PostgreSQL": "/sessions",
    "5,000 sessions, searched, PostgreSQL": "/sessions?q=ÁSTA",
}


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


def rows() -> Iterator[Row]:
    """Give what lists, searches and a player's page cost, on SQLite and on PostgreSQL."""
    os.environ.pop(SERVER, None)
    yield from _measured("")
    with postgres() as server, server.people() as url:
        os.environ[SERVER] = url
        yield from _measured(", PostgreSQL")
        del os.environ[SERVER]


def _measured(where: str) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        with Store.open(path) as store, Register(store) as register:
            _fill(store, register)
            first = register.rows()[0].profile
            of = f"{PLAYERS} players with {len(register.log.changes(PLAYER)):,} changes and "
            of += f"{SESSIONS:,} sessions"
            app = FastAPI()
            app.include_router(desk_router(path))
            with TestClient(app) as client, short_collections():
                at, at_cpu = time.perf_counter(), time.process_time()
                client.get("/rules")
                yield Row(
                    "the server's first page" + where,
                    f"{1e3 * (time.perf_counter() - at):.0f} ms; "
                    f"CPU {1e3 * (time.process_time() - at_cpu):.0f} ms",
                    "`/rules`, once: templates and modules are read, which no later page pays",
                )
                for name, address in {
                    **(_LISTS_ON_POSTGRES if where else _LISTS),
                    f"5,000 sessions, searched for a day{where}": "/sessions?q=2026-02",
                    f"a player's page{where}": f"/players/{first.player_id}",
                }.items():
                    yield _row(
                        name,
                        lambda address=address: len(client.get(address).content),  # type: ignore[misc]
                        f"`{address.removesuffix(first.player_id)}` from the server, of {of}",
                    )
            for name, work in {
                "register: all listed": lambda: len(register.rows()),
                "register: searched": lambda: len(register.rows("ÁSTA")),
                "register: found by name": lambda: len([register.find(first.name.upper())]),
                "register: a session's player": lambda: len([register.name(first.player_id)]),
            }.items():
                yield _row(name + where, work, f"without a server, of {of}")
        reads = DeskStore(path)
        yield _row("the desk's list of sessions" + where, lambda: reads.sessions().total, of)
        reads.close()


def _row(path: str, work: Callable[[], int], how: str) -> Row:
    wall, cpu, _ = asked_often(work)
    return Row(
        path,
        f"{wall.text('ms')}; CPU p50 {cpu.p50:.0f} ms",
        how,
        (at_most("p95", wall.p95, LIMIT_MS, "ms"),),
    )
