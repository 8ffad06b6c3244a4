"""The tables of what people said, and the engine they are kept in: SQLite or PostgreSQL.

One table set and one numbered list of migrations serve both. In a bay they lie in the store's file,
beside the record; the two have nothing in common but that file.
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import BigInteger, Boolean, Column, Index, Integer, String, Table, event

from plantigrade_gateway.store.refusal import explain

META = sa.MetaData()
_ID = String(32)
# Bytes' order on both engines: a server's own collation orders sites in another way than SQLite.
_SITE = String().with_variant(String(collation="C"), "postgresql")

CHANGE = Table(
    "people_change",
    META,
    Column("change_id", _ID, primary_key=True),
    Column("entity", String, nullable=False),
    Column("entity_id", String, nullable=False),
    Column("field", String, nullable=False),
    Column("value", String),
    Column("author", String, nullable=False),
    Column("wall_utc_ms", BigInteger, nullable=False),
    Column("hlc", BigInteger, nullable=False),
    Column("site", _SITE, nullable=False),
    Column("seq", Integer, nullable=False),
    Index("people_change_order", "entity", "entity_id", "field", "hlc", "site", "seq"),
)
RESTAMP = Table(
    "people_restamp",
    META,
    Column("change_id", _ID, primary_key=True),
    Column("hlc", BigInteger, primary_key=True),
)
SITE = Table(
    "people_site",
    META,
    Column("one", Boolean, primary_key=True),
    Column("site", String, nullable=False),
    Column("seq", Integer, nullable=False),
)
VERSION = Table("people_version", META, Column("version", Integer, primary_key=True))

MIGRATIONS: tuple[Callable[[sa.Connection], None], ...] = (
    lambda db: META.create_all(db, [CHANGE, RESTAMP, SITE]),
)
"""The step at place n makes version n + 1; one that was released is never changed."""
_LOCK = 7001
BUSY_S = 10.0


def sqlite_engine(path: Path) -> sa.Engine:
    """Return an engine on a SQLite file; transactions that write begin at once as writers.

    A transaction that begins by reading and then writes is refused as soon as another wrote in
    between; one that says at its beginning that it writes waits its turn.
    """
    engine = sa.create_engine(f"sqlite:///{path}", connect_args={"timeout": BUSY_S})

    @event.listens_for(engine, "connect")
    def _(raw: sqlite3.Connection, _: object) -> None:
        raw.isolation_level = None  # the driver begins no transaction by itself
        raw.execute("PRAGMA synchronous = FULL")
        raw.execute("PRAGMA secure_delete = ON")

    @event.listens_for(engine, "begin")
    def _(db: sa.Connection) -> None:
        writes = db.get_execution_options().get("write")
        db.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn what a SQLite file refuses into one sentence."""
    try:
        yield
    except sqlite3.Error as error:  # while a connection is set up: the engine wraps it not
        raise explain(path, error) from error
    except sa.exc.DBAPIError as error:
        if isinstance(error.orig, sqlite3.Error):
            raise explain(path, error.orig) from error
        raise


def writing(engine: sa.Engine) -> sa.Engine:
    """Return the same engine for transactions that write."""
    return engine.execution_options(write=True)


def migrate(engine: sa.Engine) -> None:
    """Bring the tables up to date, each step with its number in one transaction.

    Tables that are up to date are only read: nobody waits for a recording's commits.
    """
    if is_there(engine):
        with engine.connect() as db:
            if _version(db) >= len(MIGRATIONS):
                return
    with writing(engine).begin() as db:
        if engine.dialect.name == "postgresql":
            db.execute(sa.text(f"SELECT pg_advisory_xact_lock({_LOCK})"))
        VERSION.create(db, checkfirst=True)
        done = _version(db)
        for number, step in enumerate(MIGRATIONS[done:], done + 1):
            step(db)
            db.execute(VERSION.insert().values(version=number))


def _version(db: sa.Connection) -> int:
    return db.scalar(sa.select(sa.func.coalesce(sa.func.max(VERSION.c.version), 0))) or 0


def is_there(engine: sa.Engine) -> bool:
    """Whether the tables have been made."""
    return bool(sa.inspect(engine).has_table(VERSION.name))
