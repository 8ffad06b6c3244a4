"""Read a whole store and say what is wrong with it; copy what can be read of it into a new one.

Rows that cannot be read are left out; of a record every whole piece is copied, and a mark stands
where others were. The damaged file is only read: by SQLite where its pages are whole, else page by
page (`salvage.py`).
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.errors import DamageError, InputError, StoreError
from plantigrade_gateway.formats import clock, plural
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.store.database import not_recorded_into
from plantigrade_gateway.store.pieces import Gap, stretches
from plantigrade_gateway.store.rows import Chunk, NewSession, Session
from plantigrade_gateway.store.salvage import NOT_TOLD, salvaged
from plantigrade_gateway.store.snapshot import PART
from plantigrade_gateway.store.store import Store, new_session_id


def _ignore(text: str) -> None:
    pass


def verify(store: Store, progress: Callable[[str], None] = _ignore) -> list[str]:
    """Read everything in a store and return what is wrong, one sentence each.

    Checks the file page by page, that every piece reads back, that none is missing, and that every
    event has its raw bytes. Takes about a second per stored hour.

    Parameters
    ----------
    store : Store
    progress : callable, optional
        Told what is looked at next.

    Returns
    -------
    list of str
        Empty when all is well.
    """
    progress("the file's pages")
    found = [f"store {store.path}: {text}" for text in store.integrity()]
    sessions = store.sessions()
    for number, session in enumerate(sessions, 1):
        progress(f"session {session.session_id[:8]}, {number} of {len(sessions)}")
        found += verify_session(store, session)
    return found


def verify_session(store: Store, session: Session) -> list[str]:
    """Read a session and return what is wrong with it, one sentence each."""
    name = f"session {session.session_id}"
    found: list[str] = []
    entries = session.entries
    try:
        for stretch in store.stretches(session.session_id):
            found += [lost_line(session, gap) for gap in stretch.gaps]
            entries = stretch.upto_entry
        if entries < session.entries:
            found.append(f"{name}: {entries} entries read, expected {session.entries}")
        late = sum(row.upto_entry > entries for row in store.events(session.session_id))
    except StoreError as error:
        return [*found, f"{name}: {error}"]
    if late:
        found.append(f"{name}: {late} events without their raw bytes")
    return found


def batches_and_gaps(store: Store, session: Session, say: Callable[[str], None]) -> Iterator[Batch]:
    """Read a session's record back as `Store.batches`, and say what is lost of it."""
    for stretch in store.stretches(session.session_id):
        for gap in stretch.gaps:
            say(lost_line(session, gap))
        yield stretch.batch


def lost_line(session: Session, gap: Gap) -> str:
    """Return what a gap costs: session, pieces, from when to when, and how many entries."""
    start, end = "the beginning", "the end"
    origin_ns = session.first_ns or 0
    if gap.from_ns is not None:
        start = clock((gap.from_ns - origin_ns) / 1e9)
    if gap.to_ns is not None:
        end = clock((gap.to_ns - origin_ns) / 1e9)
    entries = "entries" if gap.entries is None else plural(gap.entries, "entry", "entries")
    return f"session {session.session_id}, {gap.pieces}, {start} to {end}, {entries}: {gap.reason}"


_FIRST = ("players", "sessions")
"""Others refer to these."""
_NOT_COPIED = {*_FIRST, *NOT_TOLD}
_OUTBOXES = ("outbox", "outbox_loads")


def copied(
    path: Path,
    new_path: Path,
    progress: Callable[[str], None],
    make_others: Callable[[Path], None],
) -> tuple[int, list[str]]:
    """Copy a store.

    Parameters
    ----------
    path : Path
        Only read.
    new_path : Path
        Must not exist.
    progress : callable
        Told what is copied next.
    make_others : callable
        As of `salvaged`.

    Returns
    -------
    int
        How many sessions the new store has.
    list of str
        What is lost, a line each.

    Raises
    ------
    StoreError
        Nothing of the store can be read, or the new one cannot be written; a damaged one is still
        recorded into.
    InputError
        There is a file at the new path.
    """
    if new_path.exists():
        raise InputError(f"{new_path}: is there already; name a file that is not")
    with _opened(path, new_path, progress, make_others) as (old, lost):
        try:
            with Store.open(new_path) as new:
                copy = _Copy(old, new, lost)
                copy.run(progress)
                return len(new.sessions()), copy.lost
        except BaseException:
            _remove(new_path)  # an empty store would look whole
            raise


def _remove(path: Path) -> None:
    for end in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + end).unlink(missing_ok=True)


@contextmanager
def _opened(
    path: Path,
    new_path: Path,
    progress: Callable[[str], None],
    make_others: Callable[[Path], None],
) -> Iterator[tuple[Store, list[str]]]:
    """Open a store, or a file of what is left of its rows; and what is lost so far."""
    if _has_sound_pages(path):
        with Store.open(path, read_only=True) as old:
            yield old, []
        return
    rows = new_path.with_name(f"{new_path.name}.rows{PART}")
    with ExitStack() as stack:
        try:
            is_alone = stack.enter_context(not_recorded_into(path))
        except StoreError:  # nothing may be written beside it, so nobody records
            is_alone = True
        if not is_alone:
            raise StoreError(f"store {path}: is recorded into; end that program and try again")
        progress("what is left on each page of the file")
        _remove(rows)
        stack.callback(_remove, rows)
        lost = salvaged(path, rows, make_others)
        yield stack.enter_context(Store.open(rows, read_only=True)), lost


def _has_sound_pages(path: Path) -> bool:
    try:
        with Store.open(path, read_only=True) as store:
            return store.database.read("PRAGMA integrity_check(1)") == [("ok",)]
    except DamageError:
        return False


class _Copy:
    """One copying, and what is lost in it."""

    def __init__(self, old: Store, new: Store, lost: list[str]) -> None:
        self._old_store = old
        self._old = old.database
        self._new = new
        self.lost = list(lost)

    def run(self, progress: Callable[[str], None]) -> None:
        """Copy everything."""
        there = {name for (name,) in self._old.read("SELECT name FROM main.sqlite_schema")}
        self._make_others()
        names = self._new.database.read(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        )
        for name in _FIRST:
            self._copy_table(name)
        self._copy_records(progress)
        for (name,) in names:
            if name in there and name not in _NOT_COPIED:
                progress(name)
                self._copy_table(name)
        self._go_on_numbering(there)

    def _go_on_numbering(self, there: set[str]) -> None:
        """Let no row have the number of one before: a sink takes what comes after its last."""
        used: dict[str, int] = {}
        if "sqlite_sequence" in there:  # its columns take anything: other rows were told by shape
            rows = self._old.read("SELECT name, seq FROM main.sqlite_sequence")
            used = {n: seq for n, seq in rows if isinstance(n, str) and isinstance(seq, int)}
        with self._new.database.writing() as db:
            ((done,),) = db.execute("SELECT coalesce(max(done_seq), 0) FROM outbox_sinks")
            for name in _OUTBOXES:
                used[name] = max(used.get(name, 0), done)
            for name, seq in used.items():
                ((now,),) = db.execute(
                    "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = ?", (name,)
                )
                db.execute("DELETE FROM sqlite_sequence WHERE name = ?", (name,))
                db.execute("INSERT INTO sqlite_sequence VALUES (?, ?)", (name, max(seq, now)))

    def _make_others(self) -> None:
        """Make the tables that lie in the file beside the store's own, such as people's."""
        schema = "SELECT name, sql FROM {}sqlite_schema WHERE sql IS NOT NULL ORDER BY type DESC"
        own = {name for name, _ in self._new.database.read(schema.format(""))}
        with self._new.database.writing() as db:
            for name, sql in self._old.read(schema.format("main.")):
                if name not in own:
                    db.execute(sql)

    def _copy_records(self, progress: Callable[[str], None]) -> None:
        """Copy each session's record, a mark in place of what cannot be read."""
        numbers = {n for (n,) in self._old.read("SELECT DISTINCT session_no FROM chunks")}
        ids = dict(self._new.database.read("SELECT session_no, session_id FROM sessions"))
        for number in sorted(numbers):
            session_id = ids.get(number) or self._made_session(number)
            progress(f"session {session_id[:8]}")
            gaps: list[Gap] = []
            for stretch in stretches(self._old, number):
                self._new.write(session_id, Chunk.cut(stretch.batch))
                gaps += stretch.gaps
            session = self._new.session(session_id)
            if ids.get(number) is not None:  # its times count from its own first entry
                first_ns = self._old_store.session(session_id).first_ns
                session = replace(
                    session, first_ns=session.first_ns if first_ns is None else first_ns
                )
            self.lost += [lost_line(session, gap) for gap in gaps]

    def _made_session(self, number: int) -> str:
        """Make a session for a record whose own session's row is lost."""
        session_id = new_session_id()
        new = NewSession.now("recovered; its beginning is not known", ANALYSIS_VERSION)
        with self._new.database.writing() as db:
            db.execute(
                "INSERT INTO sessions (session_no, session_id, started_utc, utc_offset_min, source,"
                " host, state, end_reason, analysis_version)"
                " VALUES (?, ?, ?, 0, ?, '', 'ended', 'repair', ?)",
                (number, session_id, new.started.isoformat(), new.source, ANALYSIS_VERSION),
            )
        self.lost.append(
            f"session number {number}: its id, date, player and source; its record is kept as "
            f"session {session_id}"
        )
        return session_id

    def _copy_table(self, name: str) -> None:
        """Copy a table, row by row."""
        wanted = {row[1] for row in self._new.database.read(f"PRAGMA table_info({name})")}
        described = self._old.read(f"PRAGMA main.table_info({name})")
        columns = [row[1] for row in described if row[1] in wanted]
        listed, marks = ", ".join(columns), ", ".join("?" for _ in columns)
        refused = 0
        with self._new.database.writing() as db:
            entries = dict(db.execute("SELECT session_no, sum(entries) FROM chunks GROUP BY 1"))
            players = {number for (number,) in db.execute("SELECT player_no FROM players")}
            for row in self._old.read(f"SELECT {listed} FROM main.{name} NOT INDEXED"):
                values = dict(zip(columns, row, strict=True))
                if name == "events":  # of a record that may have become shorter
                    most = entries.get(values["session_no"], 0)
                    values["upto_entry"] = min(values["upto_entry"], most)
                if name == "sessions" and values["player_no"] not in {None, *players}:
                    values["player_no"] = None
                    self.lost.append(f"session {values['session_id']}: whose it was")
                try:
                    db.execute(
                        f"INSERT INTO {name} ({listed}) VALUES ({marks})", tuple(values.values())
                    )
                except sqlite3.IntegrityError:  # of a session that is lost, or damaged in itself
                    refused += 1
        if refused:
            self.lost.append(f"{plural(refused, 'row')} of {name}: what they belong to is lost")
