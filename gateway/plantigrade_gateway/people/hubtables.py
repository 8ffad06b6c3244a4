"""The tables of a hub: its bays, what it has of their sessions, and who confirmed which deletion.

They are made with the people's tables, in the same engine (`tables`); in a bay they stay empty.
"""

import sqlalchemy as sa
from sqlalchemy import BigInteger, Boolean, Column, Index, Integer, String, Table

META = sa.MetaData()
_ID = String(32)

BAY = Table(
    "hub_bay",
    META,
    Column("name", String(40), primary_key=True),
    Column("secret_sha256", String(64), nullable=False),
    Column("added_ms", BigInteger, nullable=False),
    Column("withdrawn_ms", BigInteger),
    Column("seen_ms", BigInteger),
    # Its row stays, so that a backup of before does not bring its credential back.
    Column("forgotten_ms", BigInteger),
)
SESSION = Table(
    "hub_session",
    META,
    Column("session_id", _ID, primary_key=True),
    Column("bay", String(40), nullable=False),
    Column("player_id", _ID),
    Column("started_utc", String(40), nullable=False),
    Column("utc_offset_min", Integer, nullable=False),
    Column("about", String, nullable=False),
    Column("pieces", Integer, nullable=False),
    Column("sha256", String(64)),
    # of the pieces so many are in the session's replay file; the others are objects of their own
    Column("in_replay", Integer, nullable=False),
    Column("is_whole", Boolean, nullable=False),
    Column("is_deleted", Boolean, nullable=False),
    Index("hub_session_of_player", "player_id"),
)
# Of pieces that are objects of their own.
PIECE = Table(
    "hub_piece",
    META,
    Column("session_id", _ID, primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("sha256", String(64), nullable=False),
)
HUB = Table(
    "hub_hub",
    META,
    Column("name", String(40), primary_key=True),
    Column("seen_ms", BigInteger, nullable=False),
)
# One row for each place that must confirm the deletion of a player; the places are those there
# were when the hub learned of it.
CONFIRMATION = Table(
    "hub_confirmation",
    META,
    Column("player_id", _ID, primary_key=True),
    Column("place", String(48), primary_key=True),
    Column("asked_ms", BigInteger, nullable=False),
    Column("confirmed_ms", BigInteger),
    Column("receipt", String),
)

# Whose entries of the log of changes each bay may give: its own places', bound when first said.
PLACE = Table(
    "hub_place",
    META,
    Column("site", String, primary_key=True),
    Column("bay", String(40)),  # none: the hub's own
    Column("bound_ms", BigInteger, nullable=False),
    Column("refused_bay", String(40)),  # who else last gave entries of it
    Column("refused_ms", BigInteger),
    # a former one of the hub's own: until then every bay gives what it has of it
    Column("lent_until_ms", BigInteger),
)

# The hubs that delete from the site's time-series database: their settings name one.
DATABASE_OF = Table(
    "hub_database",
    META,
    Column("hub", String(40), primary_key=True),
)


def add_forgotten(db: sa.Connection) -> None:
    """Add when a bay was forgotten to tables that were made before there was such a thing."""
    _add_time(db, BAY, "forgotten_ms")


def add_lent(db: sa.Connection) -> None:
    """Add until when a place is lent, likewise."""
    _add_time(db, PLACE, "lent_until_ms")


def _add_time(db: sa.Connection, table: Table, column: str) -> None:
    if column not in {one["name"] for one in sa.inspect(db).get_columns(table.name)}:
        db.exec_driver_sql(f"ALTER TABLE {table.name} ADD COLUMN {column} BIGINT")


def places_of(db: sa.Connection) -> tuple[str, ...]:
    """Return the places of a site that a deletion must reach, in order; none of a bay's own tables.

    They are the archive, each bay whose credential was not withdrawn, each hub, and the time-series
    database where the settings of a hub name one.
    """
    bays = db.scalars(sa.select(BAY.c.name).where(BAY.c.withdrawn_ms.is_(None)))
    hubs = db.scalars(sa.select(HUB.c.name))
    found = [*(bay_place(name) for name in bays), *(hub_place(name) for name in hubs)]
    if db.execute(sa.select(DATABASE_OF.c.hub)).first() is not None:
        found.append(DATABASE)
    return tuple(sorted([ARCHIVE, *found])) if found else ()


ARCHIVE, DATABASE = "archive", "database"


def bay_place(name: str) -> str:
    """Return what a bay is called among the places."""
    return f"bay {name}"


def hub_place(name: str) -> str:
    """Return what a hub is called among the places."""
    return f"hub {name}"
