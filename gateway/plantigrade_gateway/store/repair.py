"""Copy what can be read of a damaged store into a new one, and say what is lost.

Rows that cannot be read are left out; of a record every whole piece is copied, and a mark stands
where others were. The damaged file is only read.
"""

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.errors import DamageError, InputError, StoreError
from plantigrade_gateway.store.check import lost_line
from plantigrade_gateway.store.pieces import Gap, stretches
from plantigrade_gateway.store.rows import Chunk, NewSession
from plantigrade_gateway.store.store import Store, new_session_id

_FIRST = ("players", "sessions")
"""Others refer to these."""
_MOST_MISSING = 100_000
"""Row numbers that lead to nothing, one after the other, until a damaged table is left (ours)."""
_NOT_COPIED = {*_FIRST, "chunks", "derived", "sign_ins"}
"""Copied by themselves, or made again: from the record, by signing in."""


def copied(path: Path, new_path: Path, progress: Callable[[str], None]) -> tuple[int, list[str]]:
    """Copy a store.

    Parameters
    ----------
    path : Path
        Only read.
    new_path : Path
        Must not exist.
    progress : callable
        Told what is copied next.

    Returns
    -------
    int
        How many sessions the new store has.
    list of str
        What is lost, a line each.

    Raises
    ------
    StoreError
        Nothing of the store can be read, or the new one cannot be written.
    InputError
        There is a file at the new path.
    """
    if new_path.exists():
        raise InputError(f"{new_path}: is there already; name a file that is not")
    with Store.open(path, read_only=True) as old:
        try:
            with Store.open(new_path) as new:
                copy = _Copy(old, new)
                copy.run(progress)
                return len(new.sessions()), copy.lost
        except BaseException:
            for end in ("", "-wal", "-shm"):  # an empty store would look whole
                new_path.with_name(new_path.name + end).unlink(missing_ok=True)
            raise


class _Copy:
    """One copying, and what is lost in it."""

    def __init__(self, old: Store, new: Store) -> None:
        self._old_store = old
        self._old = old.database
        self._new = new
        self.lost: list[str] = []

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
            try:
                for stretch in stretches(self._old, number):
                    self._new.write(session_id, Chunk.cut(stretch.batch))
                    gaps += stretch.gaps
            except DamageError as error:
                self.lost.append(f"session {session_id}, from here on: {error}")
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
        lost = False
        with self._new.database.writing() as db:
            entries = dict(db.execute("SELECT session_no, sum(entries) FROM chunks GROUP BY 1"))
            for row in self._rows(name, listed):
                if row is None:
                    lost = True
                    continue
                values = dict(zip(columns, row, strict=True))
                if name == "events":  # of a record that may have become shorter
                    most = entries.get(values["session_no"], 0)
                    values["upto_entry"] = min(values["upto_entry"], most)
                try:
                    db.execute(
                        f"INSERT INTO {name} ({listed}) VALUES ({marks})", tuple(values.values())
                    )
                except sqlite3.IntegrityError:  # of a session that is lost, or damaged in itself
                    lost = True
        if lost:
            self.lost.append(f"some rows of {name}: their page of the file is damaged")

    def _rows(self, name: str, listed: str) -> Iterator[tuple[Any, ...] | None]:
        """Give a table's rows; None for what cannot be read."""
        try:
            yield from self._old.read(f"SELECT {listed} FROM main.{name} NOT INDEXED")
            return
        except DamageError:
            pass
        rowid = misses = 0
        while misses < _MOST_MISSING:
            rowid += 1
            try:
                rows = self._old.read(f"SELECT {listed} FROM main.{name} WHERE rowid = ?", (rowid,))
            except StoreError as error:
                yield None
                if not isinstance(error, DamageError):
                    return  # a table without row numbers
                rows = []
            misses = 0 if rows else misses + 1
            yield from rows
