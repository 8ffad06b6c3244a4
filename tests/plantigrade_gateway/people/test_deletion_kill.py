"""A deletion that is killed anywhere is done, or not begun, or completed; it costs nobody else."""

import shutil
from pathlib import Path

import pytest
from tests.support.damage import everything
from tests.support.killed import killing, moments
from tests.support.records import packets, step
from tests.support.sqlite import connected

from plantigrade.footprint import Marks, PrintIndex, Thirds
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.people.deletion import complete, delete_player, kept
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.prints import Footprint, Prints
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.sinks import LOADS, MQTT, TSDB
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

KILLS = 60
MARKS = Marks((70.0, 250.0), (70.0, 20.0), ((0.0, 60.0), (140.0, 60.0)))
PRINT = Footprint.of(
    PrintIndex(Thirds((4200.0, 2100.0, 6300.0), 210.0), 0.006, 0.0, 0.008),
    MARKS,
    foot="left",
    how="walking",
    is_mirrored=False,
    level=0.5,
    sheet="A4",
)


def player(store: Store, register: Register, name: str, first: int) -> tuple[str, list[str]]:
    """A player with two sessions, a print with its photo, and what was said; and the sessions."""
    key = register.add(name=f"{name} Invented", handedness="left", shoe=f"Shoe-of-{name}")
    register.grant(key, "record", "player")
    register.note_finding(key, "hips", "limit", f"Finding-of-{name}")
    Prints(register).keep(key, PRINT, b"\xff\xd8\xff" + 2000 * f"Photo-of-{name}".encode())
    sessions = []
    for at in (first, first + 5000):
        session = store.create_session("insoles", analysis_version=1, player_id=key)
        for k in range(10):
            store.append(session, packets(50, first=at + 50 * k))
        store.put_events(session, [event_row(session, step(at), 1)])
        store.end_session(session, "stop")
        Visits(register).note(session, 1.0, f"Note-on-{name}")
        sessions.append(session)
    return key, sessions


def pieces(path: Path, session: str) -> list[bytes]:
    with connected(path) as db:
        rows = db.execute(
            "SELECT data FROM chunks JOIN sessions USING (session_no) WHERE session_id = ?",
            (session,),
        ).fetchall()
    return [data[len(data) // 2 :][:24] for (data,) in rows]


def all_of(store: Store, register: Register, key: str) -> list[object]:
    """Everything of a player, as it can be read."""
    ids = [session.session_id for session in store.sessions(key)]
    ours = f"session_no IN (SELECT session_no FROM sessions WHERE session_id IN ({str(ids)[1:-1]}))"
    prints = Prints(register)
    return [
        register.profile(key),
        register.changes(key),
        [prints.picture(key, one.print_id) for one in prints.of(key)],
        *(
            sorted(store.database.read(f"SELECT * FROM {table} WHERE {ours}"))
            for table in ("sessions", "chunks", "events", "outbox")
        ),
    ]


@pytest.mark.slow
def test_killed_anywhere(tmp_path):
    template = tmp_path / "template" / "s.sqlite3"
    with Store.open(template) as store, Register(store) as register:
        Outbox(store.database).configure([TSDB, MQTT, LOADS])
        gone, sessions = player(store, register, "Vera", 0)
        stays, _ = player(store, register, "Otto", 20_000)
        whole, other = (all_of(store, register, key) for key in (gone, stays))
        traces = [b"Vera", *(piece for one in sessions for piece in pieces(template, one))]
    shutil.copy(template, f"{template}-of-version-3")  # as an upgrade leaves one
    path: Path = tmp_path / "s" / template.name

    def again() -> Path:
        shutil.rmtree(path.parent, ignore_errors=True)
        shutil.copytree(template.parent, path.parent)
        return path

    work = f"""
        from plantigrade_gateway.people.deletion import delete_player
        from plantigrade_gateway.people.players import Register
        from plantigrade_gateway.store.store import Store

        def work(path):
            with Store.open(path) as store, Register(store) as register:
                delete_player(register, {gone!r})
    """
    found = set()
    with killing(tmp_path, work) as kill:
        for change in moments(kill.changes(again()), KILLS, seed=7):
            kill.killed_at(change, again())
            with Store.open(path, read_only=True) as store:
                store.sessions()
            with Store.open(path) as store, Register(store) as register:
                is_there = gone in register.profiles()
                before = kept(store, gone)
                is_done = before is not None and before[1]
                found.add((is_there, is_done))
                if is_there:
                    assert all_of(store, register, gone) == whole, change
                    delete_player(register, gone)
                elif is_done:
                    assert not [one for one in traces if one in everything(path)], change
                complete(store)
                after = kept(store, gone)
                assert after is not None and after[1], change
                assert gone not in register.profiles() and store.sessions(gone) == []
                assert not [one for one in traces if one in everything(path)], change
                assert all_of(store, register, stays) == other, change
                assert verify(store) == [], change
    assert found == {(True, False), (False, False), (False, True)}
