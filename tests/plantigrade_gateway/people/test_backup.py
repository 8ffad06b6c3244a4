"""A backup and its restoring: what is in it, what is refused, what stays. All invented."""

import hashlib
import io
import json
import os
import sqlite3
import tarfile
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.support.damage import spoil_page_of
from tests.support.records import packets, step
from tests.support.tinydisk import fill, tiny_disk

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.errors import GatewayError, InputError, StoreError
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.places import NotItsPlace, Places
from plantigrade_gateway.people.backup import tables_there, take
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.restore import restore
from plantigrade_gateway.people.tables import sqlite_engine, writing
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.sinks import TSDB
from plantigrade_gateway.store import migrations
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.snapshot import alone
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

SAID_OF_DAMAGE = "is damaged.*plantigrade repair copies what can be read"
NOW = datetime(2031, 3, 4, 5, 6, 7, tzinfo=UTC)


@dataclass(frozen=True)
class Place:
    """A store with two players, two sessions and what was said of them."""

    path: Path
    ada: str
    bo: str
    of_ada: str
    of_bo: str


@pytest.fixture
def place(tmp_path: Path) -> Place:
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        Outbox(store.database).configure([TSDB])
        ada = register.add(name="Ada Invented", handedness="left", mass_kg=61.0)
        bo = register.add(name="Bo Invented", handedness="right")
        of_ada, of_bo = (session(store, player, 1000 * k) for k, player in enumerate((ada, bo)))
        Visits(register).note(of_ada, 1.0, "said before")
    return Place(path, ada, bo, of_ada, of_bo)


def session(store: Store, player: str, first: int) -> str:
    made = store.create_session("invented", analysis_version=1, player_id=player)
    for k in range(4):
        store.append(made, packets(50, first=first + 50 * k))
    store.put_events(made, [event_row(made, step(first), 1)])
    store.end_session(made, "stop")
    return made


def record(path: Path) -> dict[str, list[bytes]]:
    """The stored bytes of every session, by its id."""
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute(
            "SELECT session_id, data FROM chunks JOIN sessions USING (session_no)"
            " ORDER BY session_no, seq"
        ).fetchall()
    found: dict[str, list[bytes]] = {}
    for session_id, data in rows:
        found.setdefault(session_id, []).append(data)
    return found


def changes(path: Path) -> list[Change]:
    with Store.open(path) as store, Register(store) as register:
        return register.log.changes()


def everything(folder: Path) -> dict[str, bytes]:
    """All files but SQLite's index of its log, which readers write as well."""
    files = [p for p in folder.iterdir() if p.is_file() and not p.name.endswith("-shm")]
    return {path.name: path.read_bytes() for path in files}


def test_what_comes_back_is_what_was_there(place, tmp_path):
    said, bytes_ = changes(place.path), record(place.path)
    made = take(place.path, tmp_path / "b.tar", now=NOW)
    assert (made.sessions, made.removed) == (2, ())
    new = tmp_path / "elsewhere" / "t.sqlite3"
    done = restore(tmp_path / "b.tar", new)
    assert (done.sessions, done.players_deleted, done.kept) == (2, 0, None)
    assert done.made_utc.startswith("2031-03-04T05:06:07")
    assert record(new) == bytes_ and len(bytes_) == 2 and all(bytes_.values())
    assert changes(new) == said
    with Store.open(new) as store, Store.open(place.path) as old, Register(store) as register:
        assert verify(store) == []
        assert [p.name for p in register.profiles().values()] == ["Ada Invented", "Bo Invented"]
        assert list(store.events(place.of_ada)) == list(old.events(place.of_ada))
        depths = [Outbox(s.database).depths() for s in (store, old)]
        assert depths[0] == depths[1] and depths[0][0].waiting > 0
    assert sorted(p.name for p in new.parent.iterdir() if "-" not in p.name) == ["t.sqlite3"]


def test_any_program_that_reads_tar_can_take_it_apart(place, tmp_path):
    made = take(place.path, tmp_path / "b.tar")
    with tarfile.open(made.path) as archive:
        assert archive.getnames() == ["plantigrade-backup.json", "store.sqlite3", "sha256"]
        archive.extractall(tmp_path / "out", filter="data")
    assert record(tmp_path / "out" / "store.sqlite3") == record(place.path)
    data = made.path.read_bytes()
    # tar: a header of 512 bytes, the text padded to 512, and 1024 bytes of zeros at the end.
    end = len(data) - 2048
    said = (tmp_path / "out" / "sha256").read_text("ascii")
    assert said == hashlib.sha256(data[:end]).hexdigest()


def test_it_is_its_owners_alone(place, tmp_path):
    made = take(place.path, tmp_path / "b.tar")
    restore(made.path, place.path, replace=True, now=NOW)
    names = [made.path, *tmp_path.glob("s.sqlite3-before-*")]
    assert [path.stat().st_mode & 0o777 for path in names] == [0o600, 0o600]


# What is refused


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("small")
    with Store.open(folder / "s.sqlite3") as store:
        store.append(store.create_session("invented", analysis_version=1), packets(5))
    return take(folder / "s.sqlite3", folder / "b.tar").path.read_bytes()


def refused(data: bytes, folder: Path, place: Path) -> str:
    """The sentence for a backup of such bytes; the store must be as it was."""
    path = folder / "spoilt.tar"
    path.write_bytes(data)
    before = everything(folder)
    with pytest.raises(InputError) as error:
        restore(path, place, replace=True)
    assert everything(folder) == before
    return str(error.value)


@pytest.mark.dear
@pytest.mark.slow
def test_every_length_that_was_cut_off_is_refused(small, place, tmp_path):
    ends = range(len(small) - 2060, len(small), 9)
    lengths = {*range(0, 600, 5), *range(0, len(small), 1009), *ends, len(small) - 1}
    assert len(lengths) > 500
    for length in sorted(lengths):
        said = refused(small[:length], tmp_path, place.path)
        named = length >= len("plantigrade-backup.json")
        assert ("is not whole" if named else "no backup of Plantigrade") in said
    assert "is not whole" in refused(small + b"\0", tmp_path, place.path)


@pytest.mark.dear
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=300)
@given(data=st.data())
def test_a_bit_that_is_another_is_refused_wherever_it_is(small, place, tmp_path, data):
    at = data.draw(st.integers(0, len(small) - 1))
    bit = data.draw(st.integers(0, 7))
    spoilt = bytearray(small)
    spoilt[at] ^= 1 << bit
    said = refused(bytes(spoilt), tmp_path, place.path)
    assert "is not whole" in said if at >= 100 else "no backup" in said or "not whole" in said


def members(data: bytes) -> dict[str, bytes]:
    with tarfile.open(fileobj=io.BytesIO(data)) as archive:
        found = {}
        for name in archive.getnames():
            file = archive.extractfile(name)
            assert file is not None
            found[name] = file.read()
    return found


def packed(parts: dict[str, bytes]) -> bytes:
    """A backup of these members with a hash that holds, as another version might write it."""
    out = io.BytesIO()

    def add(name: str, data: bytes) -> None:
        info = tarfile.TarInfo(name)
        info.size, info.mode = len(data), 0o600
        out.write(info.tobuf(tarfile.GNU_FORMAT) + data + bytes(-len(data) % 512))

    for name, data in parts.items():
        if name != "sha256":
            add(name, data)
    add("sha256", hashlib.sha256(out.getvalue()).hexdigest().encode())
    return out.getvalue() + bytes(1024)


def test_a_backup_put_together_again_by_hand_is_the_same(small):
    assert packed(members(small)) == small


@pytest.mark.parametrize("name", ["format", "store_version", "people_version"])
def test_a_newer_programs_is_refused(small, place, tmp_path, name):
    parts = members(small)
    about = json.loads(parts["plantigrade-backup.json"])
    about |= {name: about[name] + 1, "program": "99.5"}
    parts["plantigrade-backup.json"] = json.dumps(about | {"new_key": 1}).encode()
    if name != "format":
        del about["program"]
        parts["plantigrade-backup.json"] = json.dumps(about | {"program": "99.5"}).encode()
    said = refused(packed(parts), tmp_path, place.path)
    assert "newer version of Plantigrade" in said and "99.5" in said


def forged(name: str, data: bytes = b"", **more: Any) -> bytes:
    """A member whose header says what no backup's does."""
    info = tarfile.TarInfo(name)
    info.size, info.mode = len(data), 0o600
    for key, value in more.items():
        setattr(info, key, value)
    return info.tobuf(tarfile.GNU_FORMAT) + data + bytes(-len(data) % 512)


def with_holes(data: bytes) -> bytes:
    """A member of 512 bytes that unpacks to 2 GB: of GNU tar's kind for files with holes."""
    made = bytearray(forged("store.sqlite3", data[:512], type=tarfile.GNUTYPE_SPARSE))
    for at, number in ((386, 0), (398, 512), (483, 2 * 10**9)):  # offset, length; size of it all
        made[at : at + 12] = b"%011o\0" % number
    made[148:156] = b" " * 8
    made[148:156] = b"%06o\0 " % sum(made[:512])
    return bytes(made)


@pytest.mark.parametrize(
    "member",
    [
        b"",
        forged("store.sqlite3", type=tarfile.DIRTYPE),
        forged("store.sqlite3", type=tarfile.SYMTYPE, linkname="store.sqlite3"),
        forged("store.sqlite3", type=tarfile.LNKTYPE, linkname="plantigrade-backup.json"),
        forged("store.sqlite3", size=10**9),
        forged("store.sqlite3", size=-512),  # leads back to itself
        forged("other.sqlite3", b"x"),
        with_holes(b"x" * 512),
        b"\xff" * 512,
        bytes(512),
    ],
    ids=["none", "folder", "self", "link", "cut off", "loop", "other", "holes", "noise", "zeros"],
)
def test_what_no_backup_holds_is_refused_though_its_hash_is_right(member, small, place, tmp_path):
    """An empty one would else take the store's place, and say so in nobody's words."""
    data = forged("plantigrade-backup.json", members(small)["plantigrade-backup.json"]) + member
    hash_ = hashlib.sha256(data).hexdigest().encode()
    said = refused(data + forged("sha256", hash_) + bytes(1024), tmp_path, place.path)
    assert said.endswith("is not as Plantigrade writes one; take another")


@pytest.mark.parametrize(
    "line",
    [
        b"{",
        b"[1]",
        b"\xff",
        b"[" * 100_000,
        b'{"table": "other", "row": {}}',
        b'{"table": "people_change", "row": {"value": "["}}',
        b'{"table": "hub_bay", "row": {"name": 5, "secret_sha256": "", "added_ms": 1}}',
    ],
)
def test_lines_of_people_that_no_backup_holds_are_refused(line, small, place, tmp_path):
    before = place.path.read_bytes()
    (tmp_path / "b.tar").write_bytes(packed(members(small) | {"people.jsonl": line + b"\n"}))
    with pytest.raises(InputError, match="what it says of people cannot be read"):
        restore(tmp_path / "b.tar", place.path, replace=True)
    assert place.path.read_bytes() == before
    assert not list(tmp_path.glob("*-restoring*"))


def test_a_pipe_is_not_waited_for(place, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="is a pipe, expected a file"):
        restore(tmp_path / "pipe", place.path, replace=True)


@pytest.mark.dear
@pytest.mark.parametrize("what", ["store", "tar", "nothing", "text", "about"])
def test_something_else_is_refused(small, place, tmp_path, what):
    tar = io.BytesIO()
    with tarfile.open(fileobj=tar, mode="w") as archive:
        archive.add(__file__, "test.py")
    parts = members(small) | {"plantigrade-backup.json": b"[1]"}
    spoilt = {
        "store": place.path.read_bytes(),
        "tar": tar.getvalue(),
        "nothing": b"",
        "text": b"plantigrade-backup.json says hello\n" * 1000,
        "about": packed(parts),
    }
    said = refused(spoilt[what], tmp_path, place.path)
    assert ("cannot be read" if what == "about" else "no backup of Plantigrade") in said


def test_a_store_that_is_there_is_not_overwritten_unless_told(place, tmp_path):
    made = take(place.path, tmp_path / "b.tar")
    with Store.open(place.path) as store:
        later = session(store, place.bo, 5000)
    before = record(place.path)
    with pytest.raises(InputError, match="is there already; add --replace"):
        restore(made.path, place.path)
    assert record(place.path) == before and later in before
    done = restore(made.path, place.path, replace=True, now=NOW)
    assert done.kept == tmp_path / "s.sqlite3-before-restore-20310304T050607Z"
    assert record(place.path).keys() == {place.of_ada, place.of_bo}
    assert done.kept is not None and record(done.kept) == before
    with pytest.raises(InputError, match="is there already; move it away first"):
        restore(made.path, place.path, replace=True, now=NOW)


def test_a_store_that_is_recorded_into_is_not_replaced(place, tmp_path):
    made = take(place.path, tmp_path / "b.tar")
    with Store.open(place.path) as store:
        session(store, place.bo, 5000)  # holds the sign until it is closed
        before = everything(tmp_path)
        with pytest.raises(StoreError, match="a program records into it; stop it first"):
            restore(made.path, place.path, replace=True)
        assert everything(tmp_path) == before


def test_another_programs_file_and_what_is_left_of_a_store_are_let_be(place, tmp_path):
    made = take(place.path, tmp_path / "b.tar")
    other = tmp_path / "other.sqlite3"
    with closing(sqlite3.connect(other)) as db:
        db.execute("CREATE TABLE theirs (x)")
    before = other.read_bytes()
    with pytest.raises(StoreError, match="of another program"):
        restore(made.path, other, replace=True)
    assert other.read_bytes() == before
    (tmp_path / "gone.sqlite3-wal").write_bytes(b"what SQLite would play into the new store")
    with pytest.raises(InputError, match="is left of a store that is gone"):
        restore(made.path, tmp_path / "gone.sqlite3")
    assert not (tmp_path / "gone.sqlite3").exists()


def test_a_damaged_store_is_not_backed_up_over_whole_backups(place, tmp_path):
    folder = tmp_path / "backups"
    folder.mkdir()
    first = take(place.path, folder, keep=1).path
    spoil_page_of(place.path, 2)
    with pytest.raises(StoreError, match=SAID_OF_DAMAGE) as caught:
        take(place.path, folder, keep=1)
    said = str(caught.value)
    assert "\n" not in said and "***" not in said and str(place.path) in said
    assert list(folder.iterdir()) == [first]


@pytest.mark.parametrize("share", [0.02, 0.5, 0.99])
def test_a_store_that_was_cut_off_is_one_sentence_and_leaves_nothing(place, tmp_path, share):
    with closing(sqlite3.connect(place.path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    image = place.path.read_bytes()
    place.path.write_bytes(image[: int(len(image) * share)])
    folder = tmp_path / "backups"
    folder.mkdir()
    with pytest.raises(StoreError, match=SAID_OF_DAMAGE) as caught:
        take(place.path, folder)
    assert "\n" not in str(caught.value) and str(place.path) in str(caught.value)
    assert list(folder.iterdir()) == []


# What was deleted since


def test_what_was_deleted_since_stays_deleted(place, tmp_path):
    made = take(place.path, tmp_path / "b.tar")
    with Store.open(place.path) as store, Register(store) as register:
        delete_player(register, place.ada)
        register.edit(place.bo, name="Bo Renamed")
    done = restore(made.path, place.path, replace=True)
    assert (done.sessions, done.players_deleted, done.sessions_deleted) == (1, 1, 1)
    with Store.open(place.path) as store, Register(store) as register:
        assert [one.session_id for one in store.sessions()] == [place.of_bo]
        assert [p.name for p in register.profiles().values()] == ["Bo Invented"]
        assert register.log.deleted(PLAYER) == {place.ada}
    raw = b"".join(p.read_bytes() for p in tmp_path.glob("s.sqlite3*") if "before" not in p.name)
    assert b"Ada Invented" not in raw and b"said before" not in raw
    assert b"Bo Invented" in raw


def test_what_is_said_after_it_is_another_places(place, tmp_path):
    """Others that had what was said after the backup would not ask for the same numbers again."""
    made = take(place.path, tmp_path / "b.tar")
    with Store.open(place.path) as store, Register(store) as register:
        register.edit(place.bo, name="said after the backup")
        lost = register.log.changes()[-1]
    restore(made.path, place.path, replace=True)
    with Store.open(place.path) as store, Register(store) as register:
        register.edit(place.bo, name="said after the restoring")
        new = register.log.changes()[-1]
        assert new.site != lost.site
        assert register.log.merge([lost]) == 1
        assert register.profile(place.bo).name == "said after the restoring"


def test_nobody_gets_in_by_a_backup(place, tmp_path):
    def said(db: sqlite3.Connection) -> tuple[object, ...]:
        ((hashed,),) = db.execute("SELECT hash FROM password").fetchall()
        ((devices,),) = db.execute("SELECT count(*) FROM sign_ins").fetchall()
        ((open_links,),) = db.execute(
            "SELECT count(*) FROM player_links WHERE withdrawn_utc IS NULL"
        ).fetchall()
        return hashed, devices, open_links

    with closing(sqlite3.connect(place.path)) as db, db:
        db.execute("INSERT INTO password VALUES ('stolen', '2031-01-01')")
        db.execute("INSERT INTO sign_ins VALUES (x'01', '2031-01-01', '2031-01-01')")
        db.execute("INSERT INTO player_links (key, note, made_utc) VALUES (x'02', '', '2031')")
    made = take(place.path, tmp_path / "b.tar")
    with closing(sqlite3.connect(place.path)) as db, db:
        assert said(db) == ("stolen", 1, 1)
        db.execute("UPDATE password SET hash = 'changed since'")
    restore(made.path, place.path, replace=True)
    restore(made.path, tmp_path / "new.sqlite3")
    for path, hashed in ((place.path, "changed since"), (tmp_path / "new.sqlite3", "stolen")):
        with closing(sqlite3.connect(path)) as db:
            assert said(db) == (hashed, 0, 0)


# Versions, names, room


def test_an_older_stores_backup_is_brought_up_to_date(tmp_path):
    path = tmp_path / "old.sqlite3"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA page_size = 16384")
        db.execute("PRAGMA journal_mode = WAL")
        migrations.MIGRATIONS[0](db)
        db.execute("PRAGMA user_version = 1")
        db.execute("INSERT INTO players VALUES (1, 'p', 'Old Invented', 'left', 60, '2031-01-01')")
    take(path, tmp_path / "b.tar")
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,), "it is left as it is"
    restore(tmp_path / "b.tar", path, replace=True)
    with Store.open(path) as store, Register(store) as register:
        assert [p.name for p in register.profiles().values()] == ["Old Invented"]
        ((version,),) = store.database.read("PRAGMA user_version")
        assert version == len(migrations.MIGRATIONS)


def test_of_a_folders_backups_the_latest_stay_whatever_the_clock_says(place, tmp_path):
    folder = tmp_path / "backups"
    folder.mkdir()
    (folder / "mine.tar").write_text("not a backup of ours")
    days = [NOW.replace(day=day) for day in (9, 8, 20, 1, 2)]  # set back, forward, and back
    made = [take(place.path, folder, keep=2, now=when) for when in days]
    names = [f"plantigrade-{k:06d}-203103{d}T050607Z.tar" for k, d in ((4, "01"), (5, "02"))]
    assert sorted(p.name for p in folder.iterdir()) == ["mine.tar", *names]
    assert [[p.name[12:18] for p in one.removed] for one in made] == [
        [],
        [],
        ["000001"],
        ["000002"],
        ["000003"],
    ]


def test_two_at_once_into_one_folder(place, tmp_path):
    with alone(tmp_path), pytest.raises(StoreError, match="another program is making a backup"):
        take(place.path, tmp_path / "b.tar")
    assert take(place.path, tmp_path / "b.tar").sessions == 2


def test_what_is_no_backup_is_never_replaced(place, tmp_path):
    """The store itself, a link to it, what SQLite keeps beside it, and anything else."""
    before = record(place.path)
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "empty").touch()
    (tmp_path / "link").symlink_to(place.path)
    os.mkfifo(tmp_path / "pipe")
    with Store.open(place.path):  # has its log beside it
        log = place.path.with_name(place.path.name + "-wal")
        others = (tmp_path / name for name in ("notes.txt", "empty", "link", "pipe"))
        for path in (place.path, log, *others):
            with pytest.raises(InputError, match="is there already and is no backup"):
                take(place.path, path, replace=True)
    assert record(place.path) == before and (tmp_path / "notes.txt").read_text() == "mine"
    take(place.path, tmp_path / "b")
    take(place.path, tmp_path / "b", replace=True)


def test_an_unfinished_file_of_another_programs_stays(place, tmp_path):
    """Such as a browser's; of ours that have the very names of this backup's parts nothing does."""
    others = [tmp_path / "backup-film.mp4.part", tmp_path / "b.tar.gz.part"]
    ours = [tmp_path / f"b{end}.part" for end in ("", ".store", ".people")]
    for path in (*others, *ours):
        path.write_text("half")
    take(place.path, tmp_path / "b")
    assert [path.exists() for path in (*others, *ours)] == [True, True, False, False, False]


@pytest.mark.parametrize("room", [4_096, 204_800, 409_600])
def test_a_full_disk_costs_no_backup_that_was_there(place, tmp_path, room):
    (tmp_path / "disk").mkdir()
    with tiny_disk(tmp_path / "disk", "4m") as disk:
        first = take(place.path, disk, keep=1).path
        filler = fill(disk)
        with open(filler, "r+b") as file:
            file.truncate(filler.stat().st_size - room)
        with pytest.raises(GatewayError, match=r"full|cannot be written"):
            take(place.path, disk, keep=1)
        assert sorted(disk.iterdir()) == sorted([filler, first])
        restore(first, tmp_path / "new.sqlite3")
        assert record(tmp_path / "new.sqlite3") == record(place.path)


@pytest.mark.dear
@pytest.mark.parametrize("free", [0, 400_000, 1_000_000])
def test_a_full_disk_leaves_the_store_that_was_there(place, tmp_path, free):
    made = take(place.path, tmp_path / "b.tar")
    (tmp_path / "disk").mkdir()
    with tiny_disk(tmp_path / "disk", "8m") as disk:
        store = disk / "s.sqlite3"
        restore(made.path, store)
        with Store.open(store) as opened:
            later = session(opened, place.bo, 7000)
        before = record(store)
        filler = fill(disk)
        with open(filler, "r+b") as file:
            file.truncate(max(0, filler.stat().st_size - free))
        with pytest.raises(GatewayError, match=rf"^store {store}.*: .*(full|free space)"):
            restore(made.path, store, replace=True)
        filler.unlink()
        assert record(store) == before and later in before
        with Store.open(store) as opened:
            assert verify(opened) == []


def test_of_a_server_s_tables_ours_are_kept_but_for_its_own_name_and_version():
    engine = sa.create_engine("sqlite://")
    there = ("people_change", "hub_bay", "people_site", "people_version", "peopled", "orders")
    with engine.begin() as db:
        for name in there:
            db.execute(sa.text(f"CREATE TABLE {name} (one INTEGER)"))
        assert sorted(tables_there(db)) == ["hub_bay", "people_change"]
    engine.dispose()


def test_whose_a_place_is_stays_as_it_is_today(tmp_path):
    """A place that was bound after the backup does not become free with it."""
    path = tmp_path / "hub.sqlite3"
    Store.open(path).close()
    engine = sqlite_engine(path)
    ChangeLog(engine)
    Places(engine).hold("one", "1" * 32, ())
    made = take(path, tmp_path / "b.tar")
    Places(engine).hold("two", "2" * 32, ())
    engine.dispose()
    restore(made.path, path, replace=True)
    engine = sqlite_engine(path)
    assert [Places(engine).of(bay) for bay in ("one", "two")] == [["1" * 32], ["2" * 32]]
    with pytest.raises(NotItsPlace):
        Places(engine).hold("one", None, ["2" * 32])
    engine.dispose()


def test_a_hubs_bays_are_those_of_today(tmp_path):
    """A credential that was withdrawn after the backup does not come back with it."""
    path = tmp_path / "hub.sqlite3"
    Store.open(path).close()
    engine = sqlite_engine(path)
    ChangeLog(engine)
    Bays(engine).add("bay1")
    made = take(path, tmp_path / "b.tar")
    Bays(engine).withdraw("bay1")
    Bays(engine).add("bay2")
    engine.dispose()
    restore(made.path, path, replace=True)
    restore(made.path, tmp_path / "new.sqlite3")
    found = {}
    for store in (path, tmp_path / "new.sqlite3"):
        engine = sqlite_engine(store)
        found[store.name] = [(b.name, b.withdrawn is not None) for b in Bays(engine).all()]
        engine.dispose()
    assert found == {
        "hub.sqlite3": [("bay1", True), ("bay2", False)],
        "new.sqlite3": [("bay1", False)],
    }


def test_a_bay_that_was_forgotten_does_not_come_back_with_a_backup(tmp_path):
    """The store that is there may be of a version before bays were forgotten, too."""
    path = tmp_path / "hub.sqlite3"
    Store.open(path).close()
    engine = sqlite_engine(path)
    ChangeLog(engine)
    credential = Bays(engine).add("bay1")
    made = take(path, tmp_path / "b.tar")
    Bays(engine).withdraw("bay1")
    Bays(engine).forget("bay1")
    restore(made.path, path, replace=True)
    assert Bays(engine).all() == [] and Bays(engine).of_credential(credential) is None
    with writing(engine).begin() as db:
        db.exec_driver_sql("ALTER TABLE hub_bay DROP COLUMN forgotten_ms")
        db.exec_driver_sql("DELETE FROM people_version WHERE version > 5")
    engine.dispose()
    restore(made.path, path, replace=True, now=datetime(2030, 1, 1, tzinfo=UTC))
    engine = sqlite_engine(path)
    (bay,) = Bays(engine).all()
    assert bay.withdrawn is not None and Bays(engine).of_credential(credential) is None
    engine.dispose()
