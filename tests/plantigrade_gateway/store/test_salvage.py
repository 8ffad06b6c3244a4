"""Wherever a store's file is cut off or a page of it is spoilt, what lies on the others is kept.

Where each row lies is looked for by its own text in the bytes of the whole file, and what it says
is read by SQLite from the file as it was.
"""

import re
import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest
from tests.support.records import packets, step

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.errors import DamageError, StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.tables import make_beside
from plantigrade_gateway.record.entries import Entry, Kind
from plantigrade_gateway.sinks import SINKS
from plantigrade_gateway.store.enqueue import Point
from plantigrade_gateway.store.migrations import APPLICATION_ID
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.repair import copied, verify
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

SESSIONS, PIECES = 3, 20
CUTS = 30
LONG = 7  # a piece that is longer than a page
MADE_AGAIN = {"chunks", "derived", "sign_ins", "sessions", "sqlite_sequence", "people_version"}
"""Tables that are compared by themselves, or not kept."""
Rows = dict[str, Counter[tuple[object, ...]]]


@dataclass
class Whole:
    """A store as it was, its rows, and where in the file each lies."""

    path: Path
    image: bytes
    size: int
    rows: Rows
    pages: dict[tuple[str, tuple[object, ...]], set[int]]
    pieces: dict[tuple[str, int], tuple[list[Entry], set[int]]]
    roots: dict[str, int]

    @property
    def count(self) -> int:
        """How many pages the file has."""
        return len(self.image) // self.size


def rows_of(path: Path) -> Rows:
    with closing(sqlite3.connect(path)) as db:
        names = db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
        return {
            name: Counter(db.execute(f"SELECT * FROM {name}"))
            for (name,) in names
            if name not in MADE_AGAIN
        }


def fill(path: Path) -> None:
    with Store.open(path) as store, Register(store) as register:
        Outbox(store.database).configure(SINKS)
        for number in range(SESSIONS):
            player = register.add(name=f"Ida Invented {number}", handedness="left", mass_kg=64)
            for k in range(40):
                register.edit(player, shoe=f"shoe {number} {k} of no colour")
            session = store.create_session("insoles", analysis_version=1, player_id=player)
            for k in range(PIECES):
                count, size = (120, 200) if k == LONG else (10, 200)
                upto = store.append(session, packets(count, first=1000 * k + number, size=size))
                row = event_row(session, step(1000 * k + number), upto)
                point = Point("cue", f"cue {k}", float(k), {"said": f"{number}, {k}"}, upto)
                store.write(session, (), [row, point])
            store.put_quality(session, {f"fact {k}": f"of {session}" for k in range(5)})
            store.end_session(session, "stop")
    with closing(sqlite3.connect(path)) as db:
        # else a row of it and one of events say the same
        db.execute("UPDATE outbox SET name = seq || ' of ' || name")
        db.commit()
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def pages_of(image: bytes, size: int, row: tuple[object, ...]) -> set[int]:
    """Which pages hold a row: where the longest run of its text that the file has but once is.

    Columns follow each other in a row as it lies in the file.
    """
    texts = [value.encode() if isinstance(value, str) else None for value in row]
    runs = []
    for first in range(len(texts)):
        for end in range(first + 1, len(texts) + 1):
            if texts[end - 1] is None:
                break
            runs.append(b"".join(text for text in texts[first:end] if text is not None))
    for text in sorted(runs, key=len, reverse=True):
        at = image.find(text)
        if len(text) > 12 and at >= 0 and image.find(text, at + 1) < 0:
            return {at // size + 1, (at + len(text) - 1) // size + 1}
    raise AssertionError(f"it is not known where this row lies: {row}")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Whole:
    path = tmp_path_factory.mktemp("whole") / "store.sqlite3"
    fill(path)
    image = path.read_bytes()
    with closing(sqlite3.connect(path)) as db:
        (size,) = db.execute("PRAGMA page_size").fetchone()
        stored = db.execute(
            "SELECT session_id, seq, data FROM chunks JOIN sessions USING (session_no)"
        ).fetchall()
        roots = dict(db.execute("SELECT name, rootpage FROM sqlite_schema WHERE type = 'table'"))
    rows = rows_of(path)
    found = {}
    for name in ("events", "people_change", "quality", "told", "outbox"):
        for row in rows[name]:
            found[name, row] = pages_of(image, size, row)
    pieces = {}
    with Store.open(path, read_only=True) as store:
        for session in store.sessions():
            entries = [e for batch in store.batches(session.session_id) for e in batch]
            for k in range(PIECES):
                pieces[session.session_id, k] = [e for e in entries if e.arrival_ns // 10**10 == k]
    lying = {}
    for session_id, seq, data in stored:
        start = image.find(data[:200]) // size + 1
        end = image.find(data[-200:]) // size + 1
        over = set(range(1, len(image) // size + 1)) if start != end else {start}
        lying[session_id, seq] = (pieces[session_id, seq], over)
    return Whole(path, image, size, rows, found, lying, roots)


def held(whole: Whole, spoilt: bytes, bad: set[int], folder: Path) -> list[str]:
    """Repair a spoilt image, hold what comes out to what was in, and return what is said."""
    path, new = folder / "old.sqlite3", folder / "new.sqlite3"
    for each in folder.iterdir():
        each.unlink()
    path.write_bytes(spoilt)
    try:
        sessions, lost = copied(path, new, lambda text: None, make_beside)
    except DamageError as error:
        assert all(pages & bad for pages in whole.pages.values())
        assert all(pages & bad for _, pages in whole.pieces.values())
        assert not new.exists()
        return [str(error)]
    assert path.read_bytes() == spoilt, "the damaged file is as it was"
    beside = {p.name for p in folder.iterdir()} - {path.name + e for e in ("-wal", "-shm")}
    assert beside <= {path.name, new.name, path.name + "-recording", new.name + "-recording"}
    got = rows_of(new)
    for name, before in whole.rows.items():
        extra = got[name] - before
        if name != "events":  # upto_entry may be less there
            assert not extra, f"{name} has rows that were never there"
    bodies = {row[:5] + row[8:] for row in got["events"]}
    assert bodies <= {row[:5] + row[8:] for row in whole.rows["events"]}
    for (name, row), pages in whole.pages.items():
        if not pages & bad:
            if name == "events":
                assert row[:5] + row[8:] in bodies, "an event on a whole page is lost"
            else:
                assert row in got[name], f"a row of {name} on a whole page is lost"
    with Store.open(new, read_only=True) as store:
        kept = {
            s.session_id: [
                e for batch in store.batches(s.session_id) for e in batch if e.kind is not Kind.MARK
            ]
            for s in store.sessions()
        }
        assert sessions == len(kept) and verify(store) == []
    known = {id for id, _ in whole.pieces}
    for (session_id, seq), (entries, pages) in whole.pieces.items():
        there = kept.get(session_id)
        if there is None:  # under a new id, since its own row is lost
            anew = [record for made, record in kept.items() if made not in known]
            there = next((record for record in anew if set(entries) & set(record)), [])
        part = [e for e in there if e.arrival_ns // 10**10 == seq]
        assert part in ([], entries), "byte for byte, or not at all"
        assert part or pages & bad, f"piece {seq} on whole pages is lost"
    return lost


def cut(whole: Whole, stop: int, folder: Path) -> list[str]:
    bad = set(range(stop // whole.size + 1, whole.count + 1))
    return held(whole, whole.image[:stop], bad, folder)


def spoilt(whole: Whole, page: int, folder: Path, filler: bytes | None = None) -> list[str]:
    at = (page - 1) * whole.size
    filler = bytes(whole.size) if filler is None else filler
    image = whole.image[:at] + filler + whole.image[at + whole.size :]
    return held(whole, image, {page}, folder)


@pytest.mark.slow
def test_cut_off_anywhere(whole, tmp_path):
    for k in range(CUTS):
        assert cut(whole, round(len(whole.image) * (k + 1) / (CUTS + 1)), tmp_path)


@pytest.mark.slow
def test_any_page_spoilt(whole, tmp_path):
    for page in range(1, whole.count + 1):
        spoilt(whole, page, tmp_path, Random(page).randbytes(whole.size))


@pytest.mark.parametrize("share", [0.75, 0.999])
def test_cut_off_here(whole, tmp_path, share):
    assert cut(whole, int(len(whole.image) * share), tmp_path)


def test_the_first_page_spoilt(whole, tmp_path):
    (said, *more) = spoilt(whole, 1, tmp_path)
    assert said.startswith("the list of tables") and not more


@pytest.mark.parametrize("name", ["chunks", "events"])
def test_a_page_that_only_leads_to_others_costs_nothing(whole, tmp_path, name):
    assert spoilt(whole, whole.roots[name], tmp_path) == []


@pytest.mark.parametrize("name", ["sessions", "players", "people_version", "people_site"])
def test_the_only_page_of_a_table_spoilt(whole, tmp_path, name):
    assert any(
        name in text or "whose it was" in text
        for text in spoilt(whole, whole.roots[name], tmp_path)
    )
    with Store.open(tmp_path / "new.sqlite3") as store, Register(store) as register:
        register.add(name="Ina Vented", handedness="left", mass_kg=61.5)  # it can be used


def test_what_is_lost_is_counted_by_session(whole, tmp_path):
    (session_id, seq) = next(key for key, (_, on) in whole.pieces.items() if len(on) == 1)
    _, pages = whole.pieces[session_id, seq]
    on_it = Counter(i for (i, _), (_, at) in whole.pieces.items() if at == pages)
    said = spoilt(whole, min(pages), tmp_path)
    for name, pieces in on_it.items():  # ten entries each, as they are made above
        lost = [re.search(r"(\d+) entries: its page", text) for text in said if name in text]
        assert sum(int(found[1]) for found in lost if found) == 10 * pieces
    events = next(page for (n, _), at in whole.pages.items() if n == "events" for page in at)
    rows = sum(n == "events" and events in at for (n, _), at in whole.pages.items())
    said = spoilt(whole, events, tmp_path)
    counted = [re.fullmatch(r"session \w+: (\d+) rows? of events, since .*", text) for text in said]
    assert sum(int(found[1]) for found in counted if found) == rows


def test_what_was_in_the_log_only_is_kept(whole, tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    path.write_bytes(whole.image)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_autocheckpoint = 0")
        db.execute("UPDATE quality SET value = 'said last' WHERE name = 'fact 1'")
        db.commit()
        log = path.with_name(path.name + "-wal").read_bytes()
        spoilt = path.read_bytes()[: -2 * whole.size]
    path.write_bytes(spoilt)
    path.with_name(path.name + "-wal").write_bytes(log + bytes(5000))
    copied(path, new, lambda text: None, make_beside)
    assert path.read_bytes() == spoilt
    with closing(sqlite3.connect(new)) as db:
        told = db.execute("SELECT value FROM quality WHERE name = 'fact 1'").fetchall()
    assert told == [("said last",)] * SESSIONS


def test_what_is_stored_after_it_is_sent_on(tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    with Store.open(path) as store:
        outbox = Outbox(store.database)
        outbox.configure(["tsdb"])
        session = store.create_session("insoles", analysis_version=1)
        for k in range(3):
            upto = store.append(session, packets(10, first=10 * k))
            store.put_events(session, [event_row(session, step(10 * k), upto)])
        waiting = outbox.waiting("tsdb", 0, 100)
        outbox.done("tsdb", waiting[-1].seq, len(waiting))
        while outbox.clear():
            pass
    copied(path, new, lambda text: None, make_beside)
    with Store.open(new) as store:
        store.put_events(session, [event_row(session, step(31), 30)])
        outbox = Outbox(store.database)
        assert [item.kind for item in outbox.waiting("tsdb", outbox.place("tsdb"), 100)] == ["step"]


def test_a_store_that_is_recorded_into_is_left_alone(whole, tmp_path):
    path, new = tmp_path / "old.sqlite3", tmp_path / "new.sqlite3"
    path.write_bytes(whole.image)
    with Store.open(path) as store:
        store.database.mark_recording("one")
        with path.open("r+b") as file:  # as a disk spoils it
            file.seek((whole.roots["quality"] - 1) * whole.size)
            file.write(bytes(whole.size))
        with pytest.raises(StoreError, match="is recorded into; end that program"):
            copied(path, new, lambda text: None, make_beside)
    assert not new.exists()


ENDLESS = """CREATE TABLE sessions AS
WITH RECURSIVE n (k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n) SELECT k FROM n"""


def given(path: Path, made: str, application_id: int) -> None:
    """Write a file that was cut off, of 400 rows of one table, which its list says was so made."""
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA application_id = {application_id}")
        db.execute("CREATE TABLE sessions (k TEXT)")
        db.executemany("INSERT INTO sessions VALUES (?)", [("x" * 900,)] * 400)
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_schema SET sql = ?", (made,))
        db.commit()
    image = path.read_bytes()
    path.write_bytes(image[: len(image) // 2])


@pytest.mark.parametrize(
    "made",
    [
        ENDLESS,
        ENDLESS.replace(" AS WITH", '("k") AS WITH'),
        'CREATE TABLE sessions ("a b" TEXT)',
        "CREATE TABLE sessions (k INTEGER, x TEXT AS (zeroblob(1 << 30)))",
    ],
)
def test_a_list_of_tables_that_no_store_has_is_not_carried_out(tmp_path, made):
    path, new = tmp_path / "given.sqlite3", tmp_path / "new.sqlite3"
    given(path, made, APPLICATION_ID)
    assert copied(path, new, lambda _: None, make_beside)[0] == 0
    with Store.open(new, create=False) as store:
        assert store.sessions() == []


def test_a_damaged_file_of_another_program_is_refused(tmp_path):
    path, new = tmp_path / "given.sqlite3", tmp_path / "new.sqlite3"
    given(path, "CREATE TABLE sessions (k TEXT)", APPLICATION_ID + 1)
    with pytest.raises(StoreError, match="not a Plantigrade store"):
        copied(path, new, lambda _: None, make_beside)
    assert not list(tmp_path.glob("new*"))
