"""The tables of what people said, and the engine they are kept in: SQLite or PostgreSQL.

One table set and one numbered list of migrations serve both. In a bay they lie in the store's file,
beside the record; the two have nothing in common but that file. A site may keep them on a server:
the environment variable `SERVER` names it.
"""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import BigInteger, Boolean, Column, Index, Integer, String, Table, event

from plantigrade_gateway.errors import RefusedNowError, StoreError
from plantigrade_gateway.extras import need
from plantigrade_gateway.people import hubtables
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.refusal import explain

SERVER = "PLANTIGRADE_PEOPLE_URL"
"""The environment variable with the SQLAlchemy URL of a PostgreSQL database."""
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
_BY_PLACE = Index("people_change_place", CHANGE.c.site, CHANGE.c.seq)
_BY_STAMP = Index("people_change_stamp", CHANGE.c.hlc)
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
SEEN = Table(
    "people_seen",
    META,
    Column("site", _SITE, primary_key=True),
    Column("seq", Integer, nullable=False),
)
"""The highest number that was ever seen of each site's changes, wiped ones among them."""
VERSION = Table("people_version", META, Column("version", Integer, primary_key=True))


def _note_seen(db: sa.Connection) -> None:
    """Make `SEEN` of the changes that are there; of this place's own, wiped ones count too."""
    SEEN.create(db)
    for index in (_BY_PLACE, _BY_STAMP):
        index.create(db, checkfirst=True)
    both = sa.union_all(sa.select(CHANGE.c.site, CHANGE.c.seq), sa.select(SITE.c.site, SITE.c.seq))
    known = both.subquery()
    highest = sa.select(known.c.site, sa.func.max(known.c.seq)).group_by(known.c.site)
    db.execute(SEEN.insert().from_select(["site", "seq"], highest))
    if db.dialect.name == "postgresql":
        # Its statistics keep samples of a column, which would outlast who is deleted.
        db.exec_driver_sql("ALTER TABLE people_change ALTER COLUMN value SET STATISTICS 0")


_HUBS_FIRST = [
    *(hubtables.BAY, hubtables.SESSION, hubtables.PIECE, hubtables.HUB, hubtables.CONFIRMATION)
]
MIGRATIONS: tuple[Callable[[sa.Connection], None], ...] = (
    lambda db: META.create_all(db, [CHANGE, RESTAMP, SITE]),
    _note_seen,
    lambda db: hubtables.META.create_all(db, _HUBS_FIRST),
    lambda db: hubtables.PLACE.create(db, checkfirst=True),
    lambda db: hubtables.DATABASE_OF.create(db, checkfirst=True),
    hubtables.add_forgotten,
    hubtables.add_lent,
)
"""The step at place n makes version n + 1; one that was released is never changed."""
_LOCK = 7001
BUSY_S = 10.0
_DIAL: dict[str, int] = {
    "connect_timeout": 5,
    # A server that is gone without a word is found out within half a minute, not within hours.
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 25_000,
}
"""How the server is called where its URL says nothing else: s, and ms."""


def engine_for(path: Path) -> sa.Engine:
    """Return the engine of people's tables: the server's if one is named, else a store's file.

    Raises
    ------
    StoreError
        The server's URL cannot be one.
    InputError
        The extra that reaches it is not installed.
    """
    given = os.environ.get(SERVER)
    return server_engine(given) if given else sqlite_engine(path)


def server_engine(text: str) -> sa.Engine:
    """Return an engine on a PostgreSQL database, in which one transaction writes at a time.

    What a writer reads after it has its turn is what the one before it left (`READ COMMITTED`), as
    with `sqlite_engine`. A connection that the server closed meanwhile is made again.

    Raises
    ------
    StoreError
        It is no URL of such a database.
    InputError
        The extra that reaches one is not installed.
    """
    url = _url(text)
    need("people's tables in PostgreSQL", "psycopg", "hub")
    engine = sa.create_engine(
        url,
        pool_pre_ping=True,
        isolation_level="READ COMMITTED",
        hide_parameters=True,
        connect_args={key: value for key, value in _DIAL.items() if key not in url.query},
    )

    @event.listens_for(engine, "begin")
    def _(db: sa.Connection) -> None:
        if db.get_execution_options().get("write"):
            db.exec_driver_sql(f"SET LOCAL lock_timeout = {BUSY_S * 1000:.0f}")
            db.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")

    return engine


def _url(text: str) -> sa.URL:
    try:
        url = sa.make_url(text)
    except (sa.exc.ArgumentError, ValueError):  # ValueError: a port that is no number
        url = None
    if url is None or url.get_backend_name() != "postgresql":
        raise StoreError(f"{SERVER}: is no URL like postgresql+psycopg://user@host/database")
    return url.set(drivername="postgresql+psycopg")


def sqlite_engine(path: Path) -> sa.Engine:
    """Return an engine on a SQLite file; transactions that write begin at once as writers.

    A transaction that begins by reading and then writes is refused as soon as another wrote in
    between; one that says at its beginning that it writes waits its turn. On a read-only disk it is
    read as the store is (`schema.connect_read_only`).
    """
    url = sa.URL.create("sqlite", database=str(path))
    if schema.lies_alone(path):
        alone = {"mode": "ro", "immutable": "1", "uri": "true"}
        url = sa.URL.create("sqlite", database=path.absolute().as_uri(), query=alone)
    engine = sa.create_engine(url, connect_args={"timeout": BUSY_S})

    @event.listens_for(engine, "connect")
    def _(raw: sqlite3.Connection, _: object) -> None:
        raw.isolation_level = None  # the driver begins no transaction by itself
        raw.execute("PRAGMA synchronous = FULL")
        raw.execute("PRAGMA secure_delete = ON")
        raw.execute("PRAGMA temp_store = MEMORY")  # as the store's

    @event.listens_for(engine, "begin")
    def _(db: sa.Connection) -> None:
        writes = db.get_execution_options().get("write")
        db.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn what a SQLite file or the server refuses into one sentence."""
    try:
        yield
    except sqlite3.Error as error:  # while a connection is set up: the engine wraps it not
        raise explain(path, error) from error
    except sa.exc.DBAPIError as error:
        if isinstance(error.orig, sqlite3.Error):
            raise explain(path, error.orig) from error
        raise _explain_server(error.orig) from error
    except sa.exc.TimeoutError as error:  # of the pool
        raise _explain_server(error) from error


_NOT_NOW = {
    "08": "cannot be reached; start it, or wait until it is back",
    "53": "has no room or connection left ({}); make room",
    "55": "another program keeps it locked; close that program",
    "57": "is stopping or starting; wait until it is back",
}
"""What classes of SQLSTATE come to that may go another time (PostgreSQL's manual, appendix A)."""


def _explain_server(error: BaseException | None) -> StoreError:
    """Return the sentence for the user that a server's error amounts to; no password is in it."""
    url = sa.make_url(os.environ.get(SERVER, "postgresql://"))
    place = f"people's tables on {url.host or 'this machine'}, database {url.database}"
    code = getattr(error, "sqlstate", None)
    diag = getattr(error, "diag", None)
    # Beside the first line there may be values of a row.
    said = getattr(diag, "message_primary", None) or str(error).partition("\n")[0]
    if code is None:
        return RefusedNowError(
            f"{place}: cannot be reached ({said}); see that it runs, and what {SERVER} says"
        )
    if code[:2] in _NOT_NOW:
        return RefusedNowError(f"{place}: {_NOT_NOW[code[:2]].format(said)}")
    return StoreError(f"{place}: cannot be used ({said}); check {SERVER}")


def writing(engine: sa.Engine) -> sa.Engine:
    """Return the same engine for transactions that write."""
    return engine.execution_options(write=True)


def snapshot(engine: sa.Engine) -> sa.Engine:
    """Return the same engine for transactions that read one state with all their questions.

    On SQLite every transaction does; on the server only one that says so.
    """
    if engine.dialect.name != "postgresql":
        return engine
    return engine.execution_options(isolation_level="REPEATABLE READ")


def scrub(engine: sa.Engine) -> None:
    """Leave no byte of deleted rows in the table's files.

    SQLite does it at once by itself (``secure_delete``); PostgreSQL writes the table anew.

    Raises
    ------
    sqlalchemy.exc.DBAPIError
        The server refuses, or somebody reads in it for longer than `BUSY_S`.
    """
    if engine.dialect.name != "postgresql":
        return
    with engine.execution_options(isolation_level="AUTOCOMMIT").connect() as db:
        db.exec_driver_sql(f"SET lock_timeout = {BUSY_S * 1000:.0f}")
        try:
            db.exec_driver_sql("VACUUM (FULL) people_change")
        finally:
            db.exec_driver_sql("RESET lock_timeout")


def migrate(engine: sa.Engine, *, keeps_old: bool = True) -> None:
    """Bring the tables up to date, each step with its number in one transaction.

    Tables that are up to date are only read: nobody waits for a recording's commits. Of a store
    with tables of an older version a copy is kept first, as `schema.connect` keeps one; who makes
    copies beside it already (`snapshot.alone`) would wait for itself, and says `keeps_old` is no.

    Raises
    ------
    StoreError
        As `is_there`.
    """
    if is_there(engine):
        with engine.connect() as db:
            if (version := _version(db)) == len(MIGRATIONS):
                return
        path = Path(engine.url.database or "")
        if keeps_old and engine.dialect.name == "sqlite" and path.is_file():
            schema.keep_copy(path, f"people-{version}")
    with writing(engine).begin() as db:
        VERSION.create(db, checkfirst=True)
        done = _version(db)
        for number, step in enumerate(MIGRATIONS[done:], done + 1):
            step(db)
            db.execute(VERSION.insert().values(version=number))


def make_beside(path: Path) -> None:
    """Make the tables in a store's file, whatever server is named."""
    engine = sqlite_engine(path)
    try:
        migrate(engine)
    finally:
        engine.dispose()


def _version(db: sa.Connection) -> int:
    return db.scalar(sa.select(sa.func.coalesce(sa.func.max(VERSION.c.version), 0))) or 0


def is_there(engine: sa.Engine) -> bool:
    """Whether the tables have been made.

    Raises
    ------
    StoreError
        By a newer version of the program.
    """
    with engine.connect() as db:
        if not sa.inspect(db).has_table(VERSION.name):
            return False
        version = _version(db)
    if version > len(MIGRATIONS):
        raise StoreError(
            f"what people said, in {engine.url.database}: was written by a newer version of "
            f"Plantigrade (version {version} of people's tables, this one knows up to "
            f"{len(MIGRATIONS)}); install the newer version or choose another store with --store"
        )
    return True
