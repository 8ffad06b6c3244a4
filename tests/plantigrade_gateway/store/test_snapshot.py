"""A copy of a store's file: whole or not there, its owner's alone, one made at a time."""

import os
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import cast

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.store import snapshot

ROWS = [(k, f"row {k}" * 20) for k in range(200)]


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """A file of many pages, with a write-ahead log."""
    path = tmp_path / "s.sqlite3"
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA page_size = 512")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE rows (no INTEGER PRIMARY KEY, text TEXT)")
        db.executemany("INSERT INTO rows VALUES (?, ?)", ROWS)
        db.commit()
    return path


def spoil(path: Path) -> None:
    """Write over three pages in the middle."""
    with path.open("r+b") as file:
        file.seek(20 * 512)
        file.write(b"\xff" * (3 * 512))


def rows(path: Path) -> list[tuple[int, str]]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT * FROM rows ORDER BY no").fetchall()


def test_it_is_the_store_as_it_stands_and_nobody_else_s_to_read(source, tmp_path, monkeypatch):
    """What others have begun and not ended is not in it; it is on the disk, the journal's not."""
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda handle: synced.append(os.fstat(handle).st_ino))
    to = tmp_path / "copy"
    with closing(sqlite3.connect(source)) as other, closing(sqlite3.connect(source)) as db:
        other.execute("INSERT INTO rows VALUES (1000, 'not yet')")
        snapshot.snapshot(db, source, to)
    assert rows(to) == ROWS
    assert to.stat().st_mode & 0o777 == 0o600
    assert synced == [to.stat().st_ino]
    assert sorted(path.name for path in tmp_path.glob("copy*")) == ["copy"]


def test_of_a_damaged_store_none_is_made_and_what_to_do_is_said(source, tmp_path):
    assert snapshot.damage(source) is None
    spoil(source)
    found = snapshot.damage(source)
    assert found
    to = tmp_path / "copy"
    with closing(sqlite3.connect(source)) as db, pytest.raises(StoreError) as raised:
        snapshot.snapshot(db, source, to)
    assert str(raised.value).startswith(f"store {source}: is damaged (")
    assert str(raised.value).endswith(
        "), so no backup or copy of it is made; plantigrade repair copies what can be read of it"
    )
    assert not to.exists()
    (tmp_path / "noise").write_bytes(b"no store" * 1000)
    assert snapshot.damage(tmp_path / "noise") == "file is not a database"


def test_a_folder_that_takes_no_file_is_said_of_the_copy(source, tmp_path):
    to = tmp_path / "none" / "copy"
    with closing(sqlite3.connect(source)) as db, pytest.raises(StoreError) as raised:
        snapshot.snapshot(db, source, to)
    assert str(raised.value) == f"{to}: cannot be written (No such file or directory)"


@pytest.mark.parametrize(
    ("code", "is_of_copy"),
    [
        (13, True),  # SQLITE_FULL, sqlite.org/rescode.html
        (10, False),  # SQLITE_IOERR
        (13 | 1 << 8, True),  # the low eight bits are the primary code
        (10 | 3 << 8, False),
    ],
)
def test_only_a_full_disk_is_the_copy_s_and_no_file_is_left(tmp_path, code, is_of_copy):
    error = sqlite3.OperationalError("disk")
    error.sqlite_errorcode = code

    class Source:
        def backup(self, _: sqlite3.Connection) -> None:
            raise error

    to, source = tmp_path / "copy", cast(sqlite3.Connection, Source())
    with pytest.raises(StoreError) as raised:
        snapshot.snapshot(source, Path("from"), to)
    said = str(raised.value)
    assert said.startswith(f"store {to}: " if is_of_copy else "store from: ")
    assert not to.exists()


def test_one_at_a_time_makes_copies_in_a_folder(tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    with snapshot.alone(tmp_path):
        with pytest.raises(StoreError) as raised, snapshot.alone(tmp_path):
            pytest.fail("two are in it")
        assert str(raised.value) == (
            f"folder {tmp_path}: another program is making a backup or a copy in it; try again "
            "later"
        )
        with snapshot.alone(other):
            pass
    with snapshot.alone(tmp_path):  # the first has ended
        pass
    gone = snapshot.alone(tmp_path / "none")
    with pytest.raises(StoreError, match=r"none: cannot be opened \(No such file"), gone:
        pytest.fail("it is not there")


def test_who_can_wait_comes_next(tmp_path):
    done: list[str] = []

    def next_one() -> None:
        with snapshot.alone(tmp_path, wait=True):
            done.append("second")

    with snapshot.alone(tmp_path):
        thread = threading.Thread(target=next_one)
        thread.start()
        thread.join(0.05)
        assert thread.is_alive()
        done.append("first")
    thread.join(HANG_S)
    assert done == ["first", "second"]


def test_a_whole_file_takes_its_name_and_the_folder_is_told_so(tmp_path, monkeypatch):
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda handle: synced.append(os.fstat(handle).st_ino))
    part, path = tmp_path / "b.tar.part", tmp_path / "b.tar"
    part.write_bytes(b"new")
    path.write_bytes(b"old")
    snapshot.appear(part, path)
    assert (path.read_bytes(), part.exists()) == (b"new", False)
    assert synced == [tmp_path.stat().st_ino]


def test_what_is_unfinished_goes_and_nothing_else(tmp_path):
    names = ["b-1.tar.part", "b-2.tar.part", "b-1.tar", "c-1.tar.part", "b-1.part.tar"]
    for name in names:
        (tmp_path / name).touch()
    snapshot.sweep(tmp_path, "b-*.tar")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names[2:])
