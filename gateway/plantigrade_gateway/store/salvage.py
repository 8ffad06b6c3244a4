"""Every row that is left of a damaged store's file, read page by page into a file of its own.

SQLite finds a row by the pages that lead to it, and gives up where one of them is damaged. Here
each page is looked at: what no page leads to any more is told by the shape of its rows. The damaged
file is only read.
"""

import os
import re
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.formats import plural
from plantigrade_gateway.store import btree, migrations, schema
from plantigrade_gateway.store.btree import Cell, Value

_NUMBERS = "sqlite_sequence"
_NAME = re.compile(r"[A-Za-z_]\w*")
_MAKES = re.compile(r'CREATE (TABLE "?\w+"?|(UNIQUE )?INDEX "?\w+"? ON "?\w+"?)\s*\(')
"""What else stands in a file that somebody gave is not carried out: a query may have no end."""
_OUR_TABLES = {"sessions", "chunks"}
NOT_TOLD = {"chunks", "derived", "sign_ins", _NUMBERS}
"""Tables whose lost rows are said elsewhere, or are made again: from the record, by signing in."""
_WHY = "since their page of the file is damaged"
_TREE = (btree.LEAF, btree.INTERIOR)
_INDEX = (btree.INDEX_LEAF, btree.INDEX_INTERIOR)
_TYPES: tuple[tuple[str, type | tuple[type, ...]], ...] = (
    ("INT", int),
    ("BOOL", int),
    ("TEXT", str),
    ("CHAR", str),
    ("REAL", (int, float)),
    ("BLOB", bytes),
)


@dataclass(slots=True)
class _Table:
    """A table as the schema has it.

    Attributes
    ----------
    root : int
        The page that its rows are found from; 0 where that is not known.
    columns : list
        Name, type, whether it must have a value, and whether it may be left out at the end.
    alias : int or None
        Which column is the row's number, and so not in the row.
    has_rowid : bool
    indexes : dict
        Of each index its root and its first column.
    """

    name: str
    sql: str
    root: int
    columns: list[tuple[str, str, bool, bool]]
    alias: int | None
    has_rowid: bool
    indexes: dict[int, str] = field(default_factory=dict)

    def fits(self, values: Sequence[Value]) -> bool:
        """Whether values can be a row of it, as they lie in the file."""
        if not 0 < len(values) <= len(self.columns):
            return False
        if not all(can_lack for *_, can_lack in self.columns[len(values) :]):
            return False
        return all(
            value is None
            if k == self.alias
            else not needed
            if value is None
            else isinstance(value, next((t for part, t in _TYPES if part in kind), object))
            for k, (value, (_, kind, needed, _)) in enumerate(
                zip(values, self.columns, strict=False)
            )
        )


def salvaged(path: Path, to: Path, make_others: Callable[[Path], None]) -> list[str]:
    """Write every row of a store that can be read into a new file with the same tables.

    Of a piece whose row is lost, and which an index still names, the new file has a row without
    data (`pieces.py`).

    Parameters
    ----------
    path : Path
        A store that nobody writes.
    to : Path
        Must not exist.
    make_others : callable
        Makes the tables that lie beside the store's own in a new store's file: whose they are is
        not known where the file's first page is lost.

    Returns
    -------
    list of str
        What is lost but for pieces of a record, a line each.

    Raises
    ------
    DamageError
        No row of a store can be read in it.
    """
    with ExitStack() as stack:
        pages = stack.enter_context(_Pages(path))
        if pages.is_foreign:
            raise DamageError(f"store {path}: is damaged, and not a Plantigrade store")
        usual = Path(stack.enter_context(TemporaryDirectory())) / "store.sqlite3"
        schema.connect(usual).close()
        make_others(usual)
        tables, version, lost = _schema_of(pages), pages.version, []
        if not {table.name for table in tables} >= _OUR_TABLES:
            tables, version = _usual_schema(pages, usual), len(migrations.MIGRATIONS)
            lost = ["the list of tables, on the file's first page: rows were told by their shape"]
        new = stack.enter_context(closing(sqlite3.connect(to, isolation_level=None)))
        new.execute("PRAGMA synchronous = OFF")
        new.execute("PRAGMA journal_mode = OFF")
        new.execute(f"PRAGMA application_id = {migrations.APPLICATION_ID}")
        new.execute(f"PRAGMA user_version = {version}")
        new.execute("ATTACH ? AS usual", (str(usual),))
        new.execute("BEGIN")
        reading = _Reading(pages, tables, new)
        try:
            found = reading.run()
        except sqlite3.Error:  # tables that no store has
            found = 0
        if not found:
            raise DamageError(
                f"store {path}: is damaged or not a Plantigrade store; no row of one is in it"
            )
        new.execute("COMMIT")
        return lost + reading.lost_lines()


class _Pages:
    """A file's pages, those of its write-ahead log before its own."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")
        log = path.with_name(path.name + "-wal")
        self._logged: Mapping[int, bytes] = {}
        with suppress(OSError):
            self._logged = btree.logged_pages(log.read_bytes())
        first = self._logged.get(1, self._read(0, 1 << 16))
        self.size = btree.page_bytes(first) or schema.PAGE_BYTES
        self.version = int.from_bytes(first[60:64], "big")
        own = migrations.APPLICATION_ID
        self.is_foreign = (
            first.startswith(btree.MAGIC) and int.from_bytes(first[68:72], "big") != own
        )
        self.count = max(-(-os.fstat(self._file.fileno()).st_size // self.size), 0, *self._logged)

    def __enter__(self) -> "_Pages":
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def page(self, number: int) -> bytes:
        """Return a page; fewer bytes, or none, where the file ends or the disk does not give it."""
        if number in self._logged:
            return self._logged[number]
        return self._read((number - 1) * self.size, self.size) if number > 0 else b""

    def _read(self, at: int, size: int) -> bytes:
        with suppress(OSError):
            return os.pread(self._file.fileno(), size, at)
        return b""

    def kind(self, number: int) -> int:
        """Return what kind of page it is."""
        return btree.kind_of(self.page(number), number)

    def cells(self, number: int) -> Iterator[Cell | None]:
        """Read a page's cells."""
        return btree.cells(self.page(number), number, self.size)

    def values(self, cell: Cell) -> tuple[Value, ...]:
        """Return the row that a cell holds.

        Raises
        ------
        DamageError
            Some of it is lost.
        """
        if cell.size > self.count * self.size:  # else one that leads to itself would have no end
            raise DamageError("a row is longer than the file")
        payload, following = bytearray(cell.local), cell.overflow
        while len(payload) < cell.size:
            page = self.page(following)[: self.size]
            if len(page) <= 4:
                raise DamageError("a row goes on where nothing is")
            payload += page[4 : 4 + cell.size - len(payload)]
            following = int.from_bytes(page[:4], "big")
        return btree.record(bytes(payload))


def _walk(pages: _Pages, root: int, seen: set[int]) -> Iterator[Cell | None]:
    """Give the cells that are found from a page on; None for a page or cell that is lost."""
    waiting = [root]
    while waiting:
        number = waiting.pop()
        kind = pages.kind(number)
        if number in seen or kind not in (*_TREE, *_INDEX):
            yield None
            continue
        seen.add(number)
        children = []
        for cell in pages.cells(number):
            if cell is not None and cell.child:
                children.append(cell.child)
            if cell is None or cell.size:
                yield cell
        waiting += reversed(children)


def _schema_of(pages: _Pages) -> list[_Table]:
    """Return the tables by the file's own list; none where that cannot be read whole."""
    rows = []
    for cell in _walk(pages, 1, set()):
        try:
            values = () if cell is None else pages.values(cell)
        except DamageError:
            return []
        match values:
            case (
                str() as kind,
                str() as name,
                str() as of,
                int() as root,
                str() | None as sql,
            ) if (
                _NAME.fullmatch(name) and _NAME.fullmatch(of) and (sql is None or _MAKES.match(sql))
            ):
                rows.append((kind, name, of, root, sql))
            case _:
                return []
    with suppress(sqlite3.Error):
        return _tables(rows)
    return []


def _usual_schema(pages: _Pages, usual: Path) -> list[_Table]:
    """Return a new store's tables; where they lie, too, if the file is laid out like one."""
    with closing(sqlite3.connect(usual)) as db:
        rows = db.execute("SELECT type, name, tbl_name, rootpage, sql FROM sqlite_schema")
        tables = _tables(rows.fetchall())
    is_alike = all(
        pages.kind(table.root) in (_TREE if table.has_rowid else _INDEX)
        and all(pages.kind(root) in _INDEX for root in table.indexes)
        for table in tables
    )
    if not is_alike:
        for table in tables:
            table.root, table.indexes = 0, {}
    return tables


def _tables(rows: Sequence[tuple[str, str, str, int, str | None]]) -> list[_Table]:
    """Return what a schema's rows say of tables and their indexes."""
    tables: dict[str, _Table] = {}
    with closing(sqlite3.connect(":memory:")) as db:
        for kind, name, _, root, sql in rows:
            if name == _NUMBERS:
                columns = [("name", "", False, False), ("seq", "", False, False)]
                tables[name] = _Table(name, "", root, columns, None, True)
            elif kind == "table" and sql:
                db.execute(sql)
                tables[name] = _described(db, name, sql, root)
        for kind, name, of, root, sql in rows:
            if kind == "index" and of in tables:
                if sql:
                    db.execute(sql)
                ((_, _, first), *_) = db.execute(f"PRAGMA index_info({name})")
                tables[of].indexes[root] = first
    return list(tables.values())


def _described(db: sqlite3.Connection, name: str, sql: str, root: int) -> _Table:
    info = db.execute(f"PRAGMA table_info({name})").fetchall()
    has_rowid = "WITHOUT ROWID" not in sql.upper()
    keys = [k for k, row in enumerate(info) if row[5]]
    is_alias = len(keys) == 1 and info[keys[0]][2].upper() == "INTEGER" and has_rowid
    return _Table(
        name,
        sql,
        root,
        [(row[1], row[2].upper(), bool(row[3]), not row[3] or row[4] is not None) for row in info],
        keys[0] if is_alias else None,
        has_rowid,
    )


class _Reading:
    """One reading of a file, and what was found lost in it."""

    def __init__(self, pages: _Pages, tables: list[_Table], new: sqlite3.Connection) -> None:
        self._pages = pages
        self._tables = tables
        self._new = new
        self._seen = {1}
        self._rows: dict[str, set[int]] = {table.name: set() for table in tables}
        self._broken: set[str] = set()  # tables of which a page is lost, or a row
        self._counted: set[str] = set()  # tables of which an index names every row
        self._unclear: Counter[str] = Counter()  # rows that fit several tables
        self._named: dict[str, dict[int, tuple[Value, ...]]] = {t.name: {} for t in tables}
        self._found = 0

    def run(self) -> int:
        """Read everything; return how many rows there are."""
        for table in self._tables:
            self._make(table)
        for table in self._tables:
            if table.root:
                for cell in _walk(self._pages, table.root, self._seen):
                    self._take(table, cell)
            for root, first in table.indexes.items():
                self._read_index(table, root, first)
        for number in range(2, self._pages.count + 1):
            if number not in self._seen:
                self._read_stray(number)
        self._name_lost_pieces()
        usual = {name for (name,) in self._new.execute("SELECT name FROM usual.sqlite_schema")}
        # Of the numbers of versions, which fill a page at most, nothing may be left.
        for name in self._broken & usual:
            if not self._rows[name]:
                self._new.execute(f"INSERT OR IGNORE INTO {name} SELECT * FROM usual.{name}")
        return self._found

    def _make(self, table: _Table) -> None:
        if table.name == _NUMBERS:  # SQLite's own, there by now
            return
        sql = table.sql
        if table.name == "chunks":  # of one that is lost, its number is kept
            sql = sql.replace(" NOT NULL", "")
        self._new.execute(sql)

    def _take(self, table: _Table, cell: Cell | None) -> None:
        """Write one row."""
        try:
            if cell is None:
                raise DamageError("its page is lost")
            values = list(self._pages.values(cell))
            if not table.fits(values):
                raise DamageError("it is no row of this table")
        except DamageError:
            self._broken.add(table.name)
            return
        names = [name for name, *_ in table.columns[: len(values)]]
        if table.alias is not None:
            values[table.alias] = cell.rowid
        elif table.has_rowid:
            names, values = ["rowid", *names], [cell.rowid, *values]
        marks = ", ".join("?" for _ in names)
        done = self._new.execute(
            f"INSERT OR IGNORE INTO {table.name} ({', '.join(names)}) VALUES ({marks})", values
        )
        self._found += done.rowcount
        if cell.rowid is not None:
            self._rows[table.name].add(cell.rowid)

    def _read_index(self, table: _Table, root: int, first: str) -> None:
        """Note which rows an index names, with what it says of them where it begins with whose."""
        named, is_whole = self._named[table.name], table.has_rowid
        for cell in _walk(self._pages, root, self._seen):
            try:
                values = () if cell is None else self._pages.values(cell)
            except DamageError:
                values = ()
            is_whole &= bool(values)
            if table.has_rowid and values and isinstance(values[-1], int):
                if first == "session_no":
                    named[values[-1]] = values[:-1]
                named.setdefault(values[-1], ())
        if is_whole:
            self._counted.add(table.name)

    def _read_stray(self, number: int) -> None:
        """Take a page that no other leads to as its rows' shape says."""
        kind = self._pages.kind(number)
        if kind not in (btree.LEAF, btree.INDEX_LEAF):
            return
        cells, rows = [], []
        for cell in self._pages.cells(number):
            with suppress(DamageError):
                if cell is not None:
                    rows.append(self._pages.values(cell))
                    cells.append(cell)
        fitting = [
            table
            for table in self._tables
            if table.has_rowid == (kind == btree.LEAF) and all(map(table.fits, rows))
        ]
        if rows and len(fitting) == 1:
            for cell in cells:
                self._take(fitting[0], cell)
        elif rows and fitting:
            names = " or ".join(table.name for table in fitting)
            self._unclear[names] += len(rows)

    def _name_lost_pieces(self) -> None:
        for rowid, keys in self._named["chunks"].items():
            if rowid not in self._rows["chunks"]:
                self._new.execute(
                    "INSERT OR IGNORE INTO chunks (session_no, seq) VALUES (?, ?)", keys
                )

    def lost_lines(self) -> list[str]:
        """Return what is lost but for pieces, by session where an index says whose it was."""
        ids = dict(self._new.execute("SELECT session_no, session_id FROM sessions"))
        lines = []
        for table in self._tables:
            if table.name in NOT_TOLD:
                continue
            lost = Counter(
                keys[0] if keys else None
                for rowid, keys in self._named[table.name].items()
                if rowid not in self._rows[table.name]
            )
            for number, rows in lost.items():
                whose = f"session {ids[number]}: " if number in ids else ""
                lines.append(f"{whose}{plural(rows, 'row')} of {table.name}, {_WHY}")
            if not lost and table.name in self._broken - self._counted:
                lines.append(f"rows of {table.name}, if it had any there, {_WHY}")
        for names, rows in self._unclear.items():
            lines.append(f"{plural(rows, 'row')} of {names}, of which is not known, {_WHY}")
        return lines
