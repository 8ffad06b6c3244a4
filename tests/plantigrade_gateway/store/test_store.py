"""What is stored comes back, what is deleted is gone, and what cannot be used says why."""

import dataclasses
import os
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.support.damage import everything
from tests.support.records import packets, stand, step, swing
from tests.support.sqlite import connected

from plantigrade.events import Stand, Step, Swing
from plantigrade_gateway.analysis.eventrow import event_of, event_row
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.store import migrations, schema
from plantigrade_gateway.store.handedover import HandedOver, begin
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.results import recover
from plantigrade_gateway.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.sqlite3") as opened:
        yield opened


@pytest.fixture
def session(store: Store) -> str:
    return store.create_session("test", analysis_version=1)


entries = st.lists(
    st.builds(
        Entry,
        st.just(0),
        st.sampled_from([0, 1, SESSION]),
        st.sampled_from(Kind),
        st.one_of(st.binary(max_size=20), st.binary(min_size=16, max_size=16)),
    ),
    max_size=40,
)


def record(store: Store, session: str) -> list[Entry]:
    return [entry for batch in store.batches(session) for entry in batch]


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(parts=st.lists(entries, max_size=6), step_ns=st.integers(0, 10**10))
def test_a_record_comes_back_entry_by_entry(store, parts, step_ns):
    session = store.create_session("test", analysis_version=1)
    expected: list[Entry] = []
    for part in parts:
        rows = [
            dataclasses.replace(entry, arrival_ns=(len(expected) + k) * step_ns)
            for k, entry in enumerate(part)
        ]
        expected += rows
        assert store.append(session, Batch.of(rows)) == len(expected)
    assert record(store, session) == expected
    told = store.session(session)
    assert told.entries == len(expected)
    assert told.duration_s == max(len(expected) - 1, 0) * step_ns / 1e9
    store.end_session(session, "stop")


def test_long_records_are_read_in_pieces(store, session):
    for k in range(150):
        store.append(session, packets(10, first=10 * k))
    batches = list(store.batches(session))
    assert len(batches) > 1
    assert max(map(len, batches)) <= 640
    whole = np.concatenate([b.arrival_ns for b in batches])
    assert np.array_equal(whole, np.arange(1500) * 10_000_000)


def test_what_is_stored_survives_closing(tmp_path):
    path = tmp_path / "folder" / "s.sqlite3"
    with Store.open(path) as store:
        session = store.create_session("test", analysis_version=3)
        store.append(session, packets(7))
        store.put_events(session, [event_row(session, step(5), 7)])
        store.put_quality(session, {"lost": 4, "feet": {"left": 0.25}, "rate_hz": None})
    with Store.open(path) as store:
        assert record(store, session) == list(packets(7))
        assert [event_of(row) for row in store.events(session)] == [step(5)]
        assert store.quality(session) == {"lost": 4, "feet": {"left": 0.25}, "rate_hz": None}
        assert store.session(session).analysis_version == 3
        assert verify(store) == []


def test_host_time_is_kept_as_utc_with_the_offset_people_saw(store, tmp_path):
    when = datetime(2026, 3, 1, 18, 30, 0, 250_000, tzinfo=timezone(timedelta(hours=5, minutes=45)))
    session = store.create_session("test", analysis_version=1, started=when)
    got = store.session(session).started
    assert got == when
    assert got.utcoffset() == when.utcoffset()
    with connected(store.path) as db:
        text, offset = db.execute("SELECT started_utc, utc_offset_min FROM sessions").fetchone()
    db.close()
    assert datetime.fromisoformat(text) == when
    assert text.startswith("2026-03-01T12:45:00.25")
    assert offset == 345


def test_sessions_are_listed_latest_first(store):
    times = [datetime(2026, 1, day, tzinfo=UTC) for day in (2, 3, 1)]
    ids = [store.create_session("test", analysis_version=1, started=t) for t in times]
    assert [s.session_id for s in store.sessions()] == [ids[1], ids[0], ids[2]]


def test_players(store):
    a = store.players.create("Ada Example", "right", 61.5)
    b = store.players.create("Ben Example", "left")
    assert [(p.player_id, p.name, p.handedness, p.mass_kg) for p in store.players.all()] == [
        (a, "Ada Example", "right", 61.5),
        (b, "Ben Example", "left", None),
    ]
    session = store.create_session("test", analysis_version=1, player_id=b)
    assert store.session(session).player_id == b
    with pytest.raises(StoreError, match="handedness is 'both', expected right or left"):
        store.players.create("C", "both")
    with pytest.raises(StoreError, match=r"mass is -1 kg, expected more than 0"):
        store.players.create("C", "left", -1)
    with pytest.raises(StoreError, match="player nobody: not in the store"):
        store.create_session("test", analysis_version=1, player_id="nobody")
    assert len(store.sessions()) == 1


# Events


def test_events_come_in_time_order_by_kind_or_all(store, session):
    store.append(session, packets(10))
    made: list[Step | Stand | Swing] = [swing(900), stand(100), step(700), step(300)]
    store.put_events(session, [event_row(session, e, 10) for e in made])
    assert [r.kind for r in store.events(session)] == ["stand", "step", "step", "swing"]
    assert [event_of(r) for r in store.events(session, "step")] == [step(300), step(700)]
    assert store.event_counts() == {session: {"stand": 1, "step": 2, "swing": 1}}


def test_many_events_are_read_in_pieces_without_loss(store, session):
    store.append(session, packets(1))
    rows = [
        event_row(session, dataclasses.replace(step(k), strike_s=k // 7), 1) for k in range(1203)
    ]
    store.put_events(session, rows)
    got = list(store.events(session))
    assert len(got) == 1203
    assert got == sorted(rows, key=lambda r: (r.t_s, r.event_id))


def test_an_event_put_twice_is_there_once(store, session):
    store.append(session, packets(10))
    for _ in range(2):
        store.put_events(session, [event_row(session, step(5), 10)])
    assert len(list(store.events(session))) == 1


def test_no_event_before_its_raw_bytes(store, session):
    store.append(session, packets(10))
    early, late = event_row(session, step(1), 10), event_row(session, step(2), 11)
    with pytest.raises(StoreError, match="decided from 11 entries of the record, of which 10"):
        store.put_events(session, [early, late])
    assert list(store.events(session)) == []
    with pytest.raises(StoreError, match="store those first"):
        store.replace_events(session, [late], analysis_version=2)
    store.append(session, packets(1, first=10))
    store.put_events(session, [early, late])
    assert len(list(store.events(session))) == 2


def test_replacing_events_is_all_or_nothing(store, session):
    store.append(session, packets(10))
    store.put_events(session, [event_row(session, step(k), 10) for k in range(5)])
    store.put_quality(session, {"lost": 1, "old": 2})
    broken = dataclasses.replace(event_row(session, swing(9), 10), body={"x": float("nan")})
    with pytest.raises(StoreError, match="cannot be written as JSON"):
        store.replace_events(session, [broken], analysis_version=2, quality={"lost": 0})
    assert len(list(store.events(session))) == 5
    assert store.session(session).analysis_version == 1
    new = [event_row(session, swing(9), 10)]
    store.replace_events(session, new, analysis_version=2, quality={"lost": 0})
    assert list(store.events(session)) == new
    assert store.session(session).analysis_version == 2
    assert store.quality(session) == {"lost": 0}
    with connected(store.path) as db:
        assert db.execute("SELECT analysis_version FROM events").fetchall() == [(2,)]
    db.close()


def test_replacing_events_may_read_the_record_meanwhile(store, session):
    store.append(session, packets(10))
    made = (event_row(session, step(len(b)), 10) for b in store.batches(session))
    store.replace_events(session, made, analysis_version=2)
    assert [r.first_index for r in store.events(session)] == [10]


# Ending and recovering


def test_recovering_ends_what_a_killed_program_left(tmp_path):
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as store:
        left = store.create_session("test", analysis_version=1)
        store.append(left, packets(3))
        ended = store.create_session("test", analysis_version=1)
        store.end_session(ended, "stop")
        store.end_session(ended, "again")
    with Store.open(path) as store:
        assert store.recover() == [left]
        assert store.recover() == []
        states = {s.session_id: (s.state, s.end_reason) for s in store.sessions()}
        assert states == {left: ("ended", "restart"), ended: ("ended", "stop")}
        assert store.session(left).entries == 3


def test_recovering_leaves_a_living_recording_alone(store, session):
    with Store.open(store.path) as other:
        assert other.recover() == []
    assert store.recover() == []
    assert store.session(session).state == "open"


def test_recovering_ends_what_was_cut_off_beside_a_living_recording(store, session):
    with Store.open(store.path) as other:
        left = other.create_session("test", analysis_version=1)
    with Store.open(store.path) as other:
        assert other.recover() == [left]
    assert {s.session_id: s.state for s in store.sessions()} == {session: "open", left: "ended"}


def test_recovering_leaves_alone_what_a_hub_brings_in(store):
    """It is open while its pieces come, and no program holds a lock on it."""
    came = HandedOver("5f" * 16, None, "2026-03-02T09:00:00+00:00", 0, "insoles", "bay", "idle")
    begin(store, came)
    assert store.recover() == []
    assert store.session(came.session_id).state == "open"


def test_a_sign_that_two_hold_stays_until_both_have_let_go(store, session):
    with Store.open(store.path) as other:
        other.append(session, packets(3))
    with Store.open(store.path) as third:
        assert third.recover() == []
    signs = list(store.path.parent.glob("*-recording-*"))
    assert [sign.name for sign in signs] == [f"{store.path.name}-recording-{session}"]
    store.end_session(session, "stop")
    assert not signs[0].exists()


# Deletion


def test_a_deleted_session_leaves_no_byte(store):
    kept = store.create_session("kept", analysis_version=1)
    gone = store.create_session("source-that-goes", analysis_version=1)
    for session, first in ((kept, 0), (gone, 5000)):
        for k in range(20):
            store.append(session, packets(50, first=first + 50 * k))
        store.put_events(session, [event_row(session, step(first), 1)])
        store.put_quality(session, {f"quality-of-{session}": 1})
        store.end_session(session, "stop")
    with connected(store.path) as db:
        number = "(SELECT session_no FROM sessions WHERE session_id = ?)"
        blobs = [
            row[0]
            for row in db.execute(f"SELECT data FROM chunks WHERE session_no = {number}", (gone,))
        ]
    db.close()
    traces = [b"source-that-goes", f"quality-of-{gone}".encode(), *(b[100:140] for b in blobs)]
    before = everything(store.path)
    assert all(trace in before for trace in traces)
    size = store.path.stat().st_size
    store.delete_session(gone)
    after = everything(store.path)
    assert not any(trace in after for trace in traces)
    assert [s.session_id for s in store.sessions()] == [kept]
    assert sum(map(len, store.batches(kept))) == 1000
    assert verify(store) == []
    assert store.path.stat().st_size < max(size, len(before)) - 40_000
    with pytest.raises(StoreError, match=f"session {gone}: not in the store"):
        store.delete_session(gone)


def test_a_deleted_player_leaves_no_byte(store):
    name = "Vera Vanishing"
    player = store.players.create(name, "right", 70)
    other = store.players.create("Otto Other", "left", 80)
    for who in (player, other):
        session = store.create_session("test", analysis_version=1, player_id=who)
        store.append(session, packets(10))
        store.end_session(session, "stop")
    assert name.encode() in everything(store.path)
    store.players.delete(player)
    assert name.encode() not in everything(store.path)
    assert [p.player_id for p in store.players.all()] == [other]
    assert [s.player_id for s in store.sessions()] == [other]
    with pytest.raises(StoreError, match=f"player {player}: not in the store"):
        store.players.delete(player)


def test_what_is_being_recorded_is_not_deleted(store):
    player = store.players.create("Rory Recording", "right", 70)
    session = store.create_session("test", analysis_version=1, player_id=player)
    for delete, what in ((store.delete_session, session), (store.players.delete, player)):
        with pytest.raises(StoreError, match="still being recorded; stop it first") as caught:
            delete(what)
        assert "Rory" not in str(caught.value)
    assert len(store.sessions()) == 1


def test_deleting_while_another_reads_says_that_traces_stay(tmp_path, monkeypatch):
    monkeypatch.setattr(schema, "BUSY_S", 0.05)
    with Store.open(tmp_path / "s.sqlite3") as store:
        session = store.create_session("test", analysis_version=1)
        store.append(session, packets(10))
        store.end_session(session, "stop")
        reader = sqlite3.connect(store.path, isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM chunks").fetchone()
        with pytest.raises(StoreError, match=r"traces stay in s\.sqlite3-wal until that program"):
            store.delete_session(session)
        assert store.sessions() == []
        reader.close()


def test_what_was_deleted_before_a_kill_is_wiped_at_the_next_start(tmp_path):
    """Another program has the store open all the while, so that no close cuts its log."""
    with Store.open(tmp_path / "s.sqlite3") as store, Store.open(store.path):
        session = store.create_session("source-that-goes", analysis_version=1)
        store.append(session, packets(10))
        store.end_session(session, "stop")
        with pytest.MonkeyPatch.context() as killed:
            killed.setattr(store.database, "wipe", lambda: None)
            store.delete_session(session)
        assert b"source-that-goes" in everything(store.path)
        assert recover(store) == []
        assert b"source-that-goes" not in everything(store.path)
        assert not list(tmp_path.glob("*-deleting"))


# Files that are not, or are no longer, a store


def refused(path, said: str, *, create: bool = True) -> None:
    before = path.read_bytes() if os.path.isfile(path) else None
    with pytest.raises(StoreError, match=said) as caught:
        Store.open(path, create=create)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    if before is not None:
        assert path.read_bytes() == before


def test_a_newer_version_is_refused_untouched(tmp_path):
    path = tmp_path / "s.sqlite3"
    Store.open(path).close()
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {len(migrations.MIGRATIONS) + 1}")
    db.close()
    known = len(migrations.MIGRATIONS)
    refused(
        path,
        f"written by a newer version of Plantigrade .store version {known + 1}, "
        f"this one knows up to {known}",
    )


def test_a_file_of_another_program_is_refused_untouched(tmp_path):
    path = tmp_path / "other.sqlite3"
    with connected(path) as db:
        db.execute("CREATE TABLE mine (x)")
    db.close()
    refused(path, "is an SQLite file of another program; choose another with --store")


def test_a_text_file_is_refused_untouched(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("Not a database, but longer than the hundred bytes of an SQLite header. " * 4)
    refused(
        path, "is damaged or not a Plantigrade store .*plantigrade repair copies what can be read"
    )


def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    refused(tmp_path / "pipe", "is no file; name another with --store")


def test_folders_and_missing_files_are_refused(tmp_path):
    refused(tmp_path, "is a folder, expected a file")
    refused(tmp_path / "none.sqlite3", "not found; record a session first", create=False)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("x")
    refused(
        tmp_path / "file" / "s.sqlite3",
        r"cannot be opened or made \((Not a directory|File exists)\)",
    )


def test_a_damaged_file_says_so_in_one_sentence(tmp_path):
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as store:
        session = store.create_session("test", analysis_version=1)
        for k in range(50):
            store.append(session, packets(50, first=50 * k))
        store.end_session(session, "stop")
    data = bytearray(path.read_bytes())
    for page in range(1, len(data) // 4096):
        data[4096 * page : 4096 * page + 64] = bytes([0xA5]) * 64
    path.write_bytes(data)
    damaged = "is damaged or not a Plantigrade store"
    with pytest.raises(StoreError, match=damaged) as caught, Store.open(path) as store:
        record(store, session)
    assert str(path) in str(caught.value)


@contextmanager
def as_nobody() -> Iterator[None]:
    """Root may do anything: it lays its rights down."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder that others can reach (that of tmp_path is its user's own)."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)
        place = Path(folder) / "place"
        place.mkdir()
        yield place
        place.chmod(0o755)


def test_a_folder_that_may_not_be_written(place):
    path = place / "s.sqlite3"
    with Store.open(path) as store:
        store.create_session("test", analysis_version=1)
    path.chmod(0o444)
    place.chmod(0o555)
    with as_nobody():
        refused(place / "new.sqlite3", r"cannot be opened or made \(Permission denied\); allow")
        forbidden = r"cannot be (made|written) .*; allow writing in its"
        with pytest.raises(StoreError, match=forbidden), Store.open(path) as store:
            store.create_session("test", analysis_version=1)


def test_a_folder_that_may_not_be_entered(place):
    place.chmod(0o600)
    with as_nobody():
        refused(place / "s.sqlite3", r"cannot be opened or made \(Permission denied\); allow")


def test_the_file_is_its_owners_alone(store, session):
    store.append(session, packets(3))
    for file in store.path.parent.glob(store.path.name + "*"):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file.name


def test_the_usual_place_is_the_platforms_data_folder(tmp_path, monkeypatch):
    monkeypatch.setattr("platformdirs.user_data_path", lambda name, appauthor: tmp_path / name)
    with Store.open() as store:
        assert store.path == tmp_path / "plantigrade" / "store.sqlite3"
        assert store.path.exists()


# Versions of the file


def test_an_older_file_is_taken_forward_with_its_data(tmp_path, monkeypatch):
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as store:
        session = store.create_session("test", analysis_version=1)
        store.append(session, packets(10))
    steps = [
        lambda db: db.execute("ALTER TABLE sessions ADD COLUMN place TEXT"),
        lambda db: db.execute("UPDATE sessions SET place = 'bay 4'"),
    ]
    monkeypatch.setattr(migrations, "MIGRATIONS", [*migrations.MIGRATIONS, *steps])
    with Store.open(path) as store:
        assert record(store, session) == list(packets(10))
    with connected(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (len(migrations.MIGRATIONS),)
        assert db.execute("SELECT place FROM sessions").fetchall() == [("bay 4",)]
    db.close()


def test_a_migration_that_fails_leaves_the_older_file_whole(tmp_path, monkeypatch):
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as store:
        session = store.create_session("test", analysis_version=1)
        store.append(session, packets(10))

    def fails(db: sqlite3.Connection) -> None:
        db.execute("DROP TABLE chunks")
        db.execute("SELECT * FROM nowhere")

    with monkeypatch.context() as patch:
        patch.setattr(migrations, "MIGRATIONS", [*migrations.MIGRATIONS, fails])
        with pytest.raises(StoreError, match="no such table: nowhere"):
            Store.open(path)
    with Store.open(path) as store:
        assert record(store, session) == list(packets(10))


def test_settings_that_keep_the_promises(store):
    db = store._db._connection
    told = {
        name: db.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "foreign_keys", "secure_delete", "auto_vacuum")
    }
    assert told == {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "secure_delete": 1,
        "auto_vacuum": 2,
    }


def test_a_closed_store_says_so(store, session):
    store.close()
    with pytest.raises(StoreError, match="closed"):
        store.sessions()
