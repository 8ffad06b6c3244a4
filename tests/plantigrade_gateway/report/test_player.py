"""One player's data as files: visits for a bill, and all of it in a folder. All invented."""

import csv
import json
import stat
from collections.abc import Iterator
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from tests.support.practice import store_practice
from tests.support.records import packets

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.prints import Footprint, Prints
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.report.export import file_names
from plantigrade_gateway.report.player import (
    Visit,
    export_player,
    player_json,
    visits,
    visits_csv,
)
from plantigrade_gateway.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.sqlite3") as opened:
        yield opened


@pytest.fixture
def register(store: Store) -> Iterator[Register]:
    with Register(store) as opened:
        yield opened


ZONE = timezone(timedelta(hours=-9))


def visit(store: Store, player: str, day: int, length_s: int, *marks: str, drill: bool = False):
    """Store a session of so many seconds, begun at ten to midnight nine hours behind UTC."""
    session = store.create_session(
        "test",
        analysis_version=1,
        player_id=player,
        started=datetime(2026, 3, day, 23, 50, tzinfo=ZONE),
    )
    if length_s:
        for at in (0, length_s):
            store.append(session, packets(1, first=100 * at))  # one each 10 ms
    store.put_quality(
        session,
        {"marks": [{"t_s": float(k), "text": text} for k, text in enumerate(marks)]}
        | ({"drills": [DRILL]} if drill else {}),
    )
    store.end_session(session, "stop")
    return session


DRILL = {
    "name": "push",
    "title": "Push",
    "judge": "push",
    "counts": "",
    "feedback": "every",
    "start_s": 0.0,
    "end_s": 1.0,
    "good": 0,
    "tried": 0,
    "unclear": 0,
    "best": 0,
    "reps": [],
}


def test_visits_are_days_there_begun_minutes_and_what_was_done(store, register):
    ada, bo = (register.add(name=name, handedness="right") for name in ("Ada", "Bo"))
    visit(store, ada, 9, 60, "check: stand", "Set: smooth", "set: full", drill=True)
    visit(store, ada, 7, 61, "set: full")
    visit(store, bo, 8, 600)
    visit(store, ada, 10, 3601, " CHECK: walk", "windy")
    visit(store, ada, 11, 0)
    assert visits(store, ada) == [
        Visit(date(2026, 3, 7), 2, "sets"),
        Visit(date(2026, 3, 9), 1, "check+sets+drill"),
        Visit(date(2026, 3, 10), 61, "check"),
        Visit(date(2026, 3, 11), 0, "recording"),
    ]
    rows = list(csv.reader(visits_csv(store, bo).splitlines()))
    assert rows == [["date", "minutes", "kind"], ["2026-03-08", "10", "recording"]]


def test_all_of_a_player_is_written_for_its_owner_alone(store, register, tmp_path):
    session = store_practice(store, until_ns=20_000_000_000)
    (key,) = register.names()
    register.edit(key, name="Iris Renamed")
    register.grant(key, "record", "player")
    otto = register.add(name="Otto Other", handedness="left")
    footprint = Footprint("left", "walking", False, 0.2, 0.01, 9e3, 2e2, 0.5, (), "A4")
    print_id = Prints(register).keep(key, footprint, b"a picture")
    register.grant(otto, "record", "player")
    Prints(register).keep(otto, footprint, b"Otto's picture")
    Visits(register).note(session, 1.0, "new grip")
    Visits(register).note(visit(store, otto, 1, 60), 1.0, "not hers")
    folder = tmp_path / "out"
    files = export_player(register, key, folder)

    started = store.session(session).started
    inner = f"{started:%Y-%m-%d}-{session}"
    names = {"player.json", "visits.csv", f"footprint-{print_id}.jpg"} | {
        f"{inner}/{name}" for name in file_names(with_frames=True)
    }
    assert {str(file.relative_to(folder)) for file in files} == names
    assert {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()} == names
    assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}
    assert {stat.S_IMODE(p.stat().st_mode) for p in (folder, folder / inner)} == {0o700}
    assert (folder / inner / "frames.csv").stat().st_size > 100_000  # 20 s of 36 zones at 100 Hz

    said = json.loads((folder / "player.json").read_text("utf-8"))
    assert said["player"]["name"] == "Iris Renamed" and said["sessions"] == [session]
    assert {(c["field"], c["author"]) for c in said["changes"]} == {
        ("name", "coach"),
        ("consent:record", "coach"),
        (f"footprint:{print_id}", "coach"),
    }
    assert (folder / f"footprint-{print_id}.jpg").read_bytes() == b"a picture"
    (change,) = said["session_changes"]
    assert (change["entity_id"], change["value"]["text"]) == (session, "new grip")
    assert not any(b"Otto" in file.read_bytes() for file in files)
    with pytest.raises(StoreError, match="is there already; choose another folder"):
        export_player(register, key, folder)


def test_an_export_that_fails_leaves_nothing(store, register, tmp_path, monkeypatch):
    key = register.add(name="Ada", handedness="right")
    visit(store, key, 9, 60)

    def refuse(*given: object, **named: object) -> None:
        raise StoreError("its results were made by another version")

    with monkeypatch.context() as refused:
        refused.setattr("plantigrade_gateway.report.player.export", refuse)
        with pytest.raises(StoreError, match="made by another version"):
            export_player(register, key, tmp_path / "out")
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="nothing was kept"):
        export_player(register, key, tmp_path / "file" / "out")
    assert sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith("s.sqlite3")) == [
        "file"
    ]
    with pytest.raises(StoreError, match="not in the store"):
        player_json(register, "nobody")
