"""Reading leaves a store as it is: one of any version, on any disk, while it is being recorded."""

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.records import packets, step
from tests.support.sqlite import connected
from tests.support.tinydisk import tiny_disk

from plantigrade.block import Foot
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.cli.doctor import State, check_store
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store import calibrations, migrations, schema
from plantigrade_gateway.store.insoles import known
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.rows import Chunk
from plantigrade_gateway.store.sessions import find
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

VERSIONS = range(1, len(migrations.MIGRATIONS) + 1)
SESSION = "0123456789abcdef"


def kept(folder: Path) -> dict[str, bytes]:
    """Everything in a folder but SQLite's working files."""
    return {
        file.name: file.read_bytes()
        for file in folder.iterdir()
        if not file.name.endswith(("-wal", "-shm"))
    }


def made_by(version: int, path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store as a program of this store version leaves it, with a session of 20 entries."""
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "MIGRATIONS", migrations.MIGRATIONS[:version])
        db = schema.connect(path)
    piece = Chunk.of(packets(20))
    row = event_row(SESSION, step(3), 20)
    body = '{"foot": "left"}'
    db.execute(
        "INSERT INTO sessions (session_id, started_utc, utc_offset_min, source, host, state,"
        " end_reason, analysis_version)"
        " VALUES (?, '2026-05-01T10:00:00.000000+00:00', 120, 'insoles', 'h', 'ended', 'stop', 1)",
        (SESSION,),
    )
    db.execute(
        "INSERT INTO chunks VALUES (1, 0, 0, 20, ?, ?, ?)",
        (piece.first_ns, piece.last_ns, piece.data),
    )
    db.execute(
        "INSERT INTO events VALUES (1, ?, 'other', 'left', ?, 3, 20, 1, ?)",
        (row.event_id, row.t_s, body),
    )
    db.execute("INSERT INTO quality VALUES (1, 'entries_lost', '0')")
    db.close()
    return path


@pytest.mark.parametrize("version", VERSIONS)
def test_a_store_of_any_version_is_read_and_stays_of_it(version, tmp_path, monkeypatch):
    path = made_by(version, tmp_path / "store.sqlite3", monkeypatch)
    before = kept(tmp_path)
    with Store.open(path, read_only=True) as store:
        (session,) = store.sessions()
        assert (session.session_id, session.entries, session.started.hour) == (SESSION, 20, 12)
        assert find(store, "last") == session
        assert [len(batch) for batch in store.batches(SESSION)] == [20]
        assert [row.upto_entry for row in store.events(SESSION)] == [20]
        assert store.quality(SESSION) == {"entries_lost": 0}
        assert store.revision(SESSION) == 0
        assert known(store) == [] and store.players.all() == []
        insole = KnownInsole(1, Foot.LEFT, "blue", "00:00", 270)
        assert calibrations.history(store, insole.serial) == []
        assert Outbox(store.database).active() == frozenset()
        with pytest.raises(StoreError, match="readonly"):
            store.put_quality(SESSION, {"a": 1})
        with pytest.raises(StoreError, match="cannot be"):
            store.end_session(SESSION, "stop")
    assert kept(tmp_path) == before
    with Store.open(path) as store:  # and what writes brings it up to date
        assert store.session(SESSION).entries == 20
        ((now,),) = store.database.read("PRAGMA user_version")
        assert now == len(migrations.MIGRATIONS)


READING = (
    "sessions",
    "sessions --json",
    "export last --to out",
    "outbox",
    "status",
)


@pytest.mark.parametrize("command", READING)
def test_commands_that_read_change_nothing(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "there"
    folder.mkdir()
    path = made_by(3, folder / "store.sqlite3", monkeypatch)
    with connected(path) as db:
        db.execute("DELETE FROM events")
    db.close()
    before = kept(folder)
    done = CliRunner().invoke(main, [*command.split(), "--store", str(path)])
    assert done.exit_code == 0, done.output
    assert kept(folder) == before


@pytest.mark.parametrize("command", [*READING, "show last", "tsdb verify last"])
def test_commands_that_read_make_no_store(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, [*command.split(), "--store", "gone.sqlite3"])
    assert list(tmp_path.iterdir()) == []
    if command != "status":  # it tells of the insoles, without a store too
        assert done.exit_code == 2 and "gone.sqlite3: not found" in done.stderr
        assert done.stderr.count("\n") <= 2


@pytest.mark.parametrize("is_there", [True, False])
@pytest.mark.parametrize("read_only", [True, False])
def test_a_log_whose_store_was_emptied_or_moved_away_is_not_deleted(tmp_path, is_there, read_only):
    """As a copy that was cut off leaves it; SQLite deletes such a log when it opens the file."""
    with Store.open(tmp_path / "whole.sqlite3") as store:
        session = store.create_session("insoles", analysis_version=1)
        store.append(session, packets(10))
        log = (tmp_path / "whole.sqlite3-wal").read_bytes()
    path = tmp_path / "cut.sqlite3"
    (tmp_path / "cut.sqlite3-wal").write_bytes(log)
    if is_there:
        path.touch()
    with pytest.raises(StoreError, match="sqlite3-wal beside it holds what was written last"):
        Store.open(path, read_only=read_only)
    assert log and (tmp_path / "cut.sqlite3-wal").read_bytes() == log
    assert path.exists() == is_there


def test_while_a_gateway_records(store, session):
    with Recorder(store, session) as recorder:
        for k in range(5):
            recorder.put(packets(100, first=100 * k))
            recorder.flush()
            with Store.open(store.path, read_only=True) as reader:
                read = sum(len(batch) for batch in reader.batches(session))
            assert read == 100 * (k + 1)


def remount(disk: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", disk], check=True)


@pytest.fixture
def read_only_disk(tmp_path: Path) -> Iterator[Callable[[Callable[[Path], object]], Path]]:
    """Mounts a disk, lets something be put on it, and makes it read-only."""
    with tiny_disk(tmp_path, "4m") as disk:

        def prepare(put: Callable[[Path], object]) -> Path:
            put(disk / "store.sqlite3")
            remount(disk, "ro")
            return disk / "store.sqlite3"

        yield prepare
        remount(disk, "rw")


def test_on_a_disk_that_is_read_only(read_only_disk, monkeypatch):
    path = read_only_disk(lambda path: made_by(5, path, monkeypatch))
    before = os.listdir(path.parent)
    with Store.open(path, read_only=True) as store:
        assert [len(batch) for batch in store.batches(SESSION)] == [20]
    assert os.listdir(path.parent) == before
    done = CliRunner().invoke(main, ["sessions", "--store", str(path)])
    assert done.exit_code == 0 and SESSION[:8] in done.stdout
    with pytest.raises(StoreError, match="cannot be"):
        Store.open(path)


def said_of_somebody(path: Path) -> None:
    """A store whose programs have all ended, with a player."""
    with Store.open(path) as store, Register(store) as register:
        player = register.add(name="Ada Invented", handedness="right")
        session = store.create_session("insoles", analysis_version=1, player_id=player)
        store.append(session, packets(20))
        store.end_session(session, "stop")


READS = ("sessions", "show last", "players", "players show Ada", "sheet Ada")
WRITES = (
    "players add Otto --handed right",
    "players delete Ada --yes",
    "visit conditions last --shoe boot",
)


@pytest.mark.parametrize("odd", ["store.sqlite3", "a store? 50%#1.sqlite3"])
def test_who_was_recorded_is_read_there_too(tmp_path, odd):
    """Under any name: an address of a file has signs of its own."""
    with tiny_disk(tmp_path, "4m") as disk:
        path = disk / odd
        said_of_somebody(path)
        remount(disk, "ro")
        try:
            with Store.open(path, read_only=True) as store, Register(store) as register:
                assert list(register.names().values()) == ["Ada Invented"]
            for command in READS:
                done = CliRunner().invoke(main, [*command.split(), "--store", str(path)])
                assert done.exit_code == 0 and "Ada Invented" in done.stdout, done.output
            for command in WRITES:
                done = CliRunner().invoke(main, [*command.split(), "--store", str(path)])
                assert done.exit_code == 2 and "cannot be written" in done.stderr, done.output
        finally:
            remount(disk, "rw")
        with Store.open(path) as store, Register(store) as register:  # and now it is as ever
            register.add(name="Otto Invented", handedness="right")


def test_a_store_that_is_recorded_into_is_never_read_as_it_lies(tmp_path, monkeypatch):
    """Whoever may not write beside it may still see that somebody else does."""
    path = tmp_path / "store.sqlite3"
    said_of_somebody(path)
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert schema.lies_alone(path)
    with Store.open(path):
        assert not schema.lies_alone(path)
    assert not schema.lies_alone(tmp_path / "none.sqlite3")


def test_what_a_program_was_killed_in_the_middle_of_is_taken_back_by_reading(tmp_path, monkeypatch):
    """A copy or a restored store is not written by a log before somebody first writes to it."""
    path, cut = tmp_path / "store.sqlite3", tmp_path / "cut.sqlite3"
    made_by(5, path, monkeypatch)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = DELETE")
    before = path.read_bytes()
    db.execute("PRAGMA cache_size = 1")
    db.execute("BEGIN")
    db.execute("UPDATE sessions SET source = ?", (400_000 * "x",))  # more than its memory holds
    for suffix in ("", "-journal"):
        shutil.copy(f"{path}{suffix}", f"{cut}{suffix}")
    db.close()
    assert cut.read_bytes() != before
    with Store.open(cut, read_only=True) as store:
        assert store.session(SESSION).source == "insoles"
    assert cut.read_bytes() == before


def cut_off(path: Path) -> None:
    """A store whose last entries are in the write-ahead log, since its program was killed."""
    made = path.with_name("elsewhere")
    store = Store.open(made)
    session = store.create_session("cut off", analysis_version=1)
    store.append(session, packets(30))
    for suffix in ("", "-wal", "-shm"):
        shutil.copy(f"{made}{suffix}", f"{path}{suffix}")
    store.close()


def test_the_log_of_a_killed_program_is_read_where_that_can_be_done(read_only_disk):
    path = read_only_disk(cut_off)
    with Store.open(path, read_only=True) as store:
        (session,) = store.sessions()
        assert [len(batch) for batch in store.batches(session.session_id)] == [30]


def test_nor_does_doctor_say_that_it_can_be_written_there(read_only_disk):
    """The lock that a writer takes first may be had all the same."""
    check = check_store(read_only_disk(cut_off))
    assert check.state is State.FAIL and "cannot be written" in check.found


def test_and_elsewhere_it_is_not_passed_over_in_silence(read_only_disk):
    def without_index(path: Path) -> None:
        cut_off(path)
        Path(f"{path}-shm").unlink()

    path = read_only_disk(without_index)
    with pytest.raises(StoreError, match=r"newest entries are still in store\.sqlite3-wal") as told:
        Store.open(path, read_only=True)
    assert "copy both files" in str(told.value) and "\n" not in str(told.value)
