"""The log of changes: what people said, who and when; added to, merged, never altered.

The value shown of a field is that of the change with the highest (stamp, site, number). Undo is
another change. Two logs merge by union, in any order, to one state. A tombstone outlasts everything
of its entity. A value that cannot be what its field holds (`shapes`) is kept, and shown to nobody.
"""

import json
import secrets
from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import sqlite

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.shapes import fits, is_when
from plantigrade_gateway.people.tables import CHANGE, RESTAMP, SEEN, SITE, migrate, scrub, writing
from plantigrade_gateway.store.rows import kept_json, kept_number, kept_text

DELETED = "deleted"
"""The field of a tombstone."""
_PIECE = 5000
_TEXTS = ("change_id", "entity", "entity_id", "field", "author", "site")


def new_id() -> str:
    """Return 128 random bits as text."""
    return secrets.token_hex(16)


class ChangeLog:
    """The log of one place.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        Its tables are made when they are missing.
    clock : HybridClock, optional
    """

    def __init__(self, engine: sa.Engine, clock: HybridClock | None = None) -> None:
        migrate(engine)
        self._engine = engine
        self._clock = clock or HybridClock()

    def say(
        self, entity: str, entity_id: str, fields: Mapping[str, Any], author: str
    ) -> list[Change]:
        """Add a change for each field, all or none.

        Raises
        ------
        StoreError
            The entity was deleted.
        """
        with writing(self._engine).begin() as db:
            if _is_deleted(db, entity, entity_id):
                raise StoreError(f"{entity} {entity_id}: was deleted")
            return self._add(db, entity, entity_id, fields, author)

    def delete(self, entities: Iterable[tuple[str, str]], author: str) -> None:
        """Add a tombstone for each entity and id, and wipe all else that was said; all or none."""
        with writing(self._engine).begin() as db:
            for entity, entity_id in entities:
                said = (*_of(entity, entity_id), CHANGE.c.field != DELETED)
                db.execute(CHANGE.delete().where(*said))
                self._add(db, entity, entity_id, {DELETED: True}, author)

    def _add(
        self,
        db: sa.Connection,
        entity: str,
        entity_id: str,
        fields: Mapping[str, Any],
        author: str,
    ) -> list[Change]:
        row = db.execute(sa.select(SITE.c.site, SITE.c.seq)).one_or_none()
        site, seq = (new_id(), 0) if row is None else (row.site, kept_number(row.seq))
        if row is None:
            db.execute(SITE.insert().values(one=True, site=site, seq=0))
        seen = kept_number(_seen(db).get(site, 0))
        seq = max(seq, seen)  # others may have later ones: this is an older copy
        self._see_last(db)
        made = [
            Change(
                new_id(),
                entity,
                entity_id,
                field,
                value,
                author,
                self._clock.wall_ms(),
                self._clock.tick(),
                site,
                seq + n,
            )
            for n, (field, value) in enumerate(fields.items(), 1)
        ]
        db.execute(SITE.update().values(seq=seq + len(made)))
        _insert(db, made)
        _note_seen(db, made)
        return made

    def _see_last(self, db: sa.Connection) -> None:
        """Go on from the last stamp that is here: others may have written it, or another clock."""
        for stamp in (CHANGE.c.hlc, RESTAMP.c.hlc):
            last = sa.select(sa.func.max(stamp)).where(stamp <= self._clock.limit())
            self._clock.see(db.scalar(last) or 0)

    def merge(
        self,
        changes: Iterable[Change],
        restamps: Iterable[tuple[str, int]] = (),
        *,
        judges: bool = True,
    ) -> int:
        """Take another place's changes; return how many were new.

        What was deleted here stays deleted. A stamp more than a day ahead of this clock is given
        another one, by a record that is kept; of several the lowest holds.

        Parameters
        ----------
        changes : iterable of Change
            Of each site from what this place has `seen` on, in the order of their numbers; in
            pieces, and some of them again, if need be.
        restamps : iterable of (str, int)
            The other's `restamps`.
        judges : bool
            Whether stamps ahead of this clock are given others. A bay leaves it to its hub: by a
            bay's clock that was never set, all that others say is ahead.
        """
        rows = list(changes)
        with writing(self._engine).begin() as db:
            gone = {
                (entity, entity_id)
                for entity, entity_id in db.execute(
                    sa.select(CHANGE.c.entity, CHANGE.c.entity_id).where(CHANGE.c.field == DELETED)
                )
            } | {(c.entity, c.entity_id) for c in rows if c.field == DELETED}
            wiped = 0
            for entity, entity_id in {(c.entity, c.entity_id) for c in rows if c.field == DELETED}:
                said = (*_of(entity, entity_id), CHANGE.c.field != DELETED)
                wiped += db.execute(CHANGE.delete().where(*said)).rowcount
            kept = [c for c in rows if c.field == DELETED or (c.entity, c.entity_id) not in gone]
            count = sa.select(sa.func.count()).select_from(CHANGE)
            before = db.scalar(count) or 0
            _insert(db, kept)
            _note_seen(db, rows)
            given = [{"change_id": key, "hlc": hlc} for key, hlc in restamps]
            _insert_missing(db, RESTAMP, given)
            if judges:
                self._restamp(db, kept)
            added = (db.scalar(count) or 0) - before
        if wiped:
            with suppress(sa.exc.DBAPIError):  # it is merged; the next deletion tries again
                self.scrub()
        return added

    def scrub(self) -> None:
        """Leave no byte of what was deleted in the tables' files, as `tables.scrub`."""
        scrub(self._engine)

    def _restamp(self, db: sa.Connection, changes: list[Change]) -> None:
        limit = self._clock.limit()
        self._see_last(db)
        known = set(db.scalars(sa.select(RESTAMP.c.change_id).where(RESTAMP.c.hlc <= limit)))
        ahead = [c for c in changes if c.hlc > limit and c.change_id not in known]
        ahead.sort(key=lambda c: (c.hlc, c.site, c.seq))
        rows = [{"change_id": c.change_id, "hlc": self._clock.tick()} for c in ahead]
        _insert_missing(db, RESTAMP, rows)

    def seen(self) -> dict[str, int]:
        """Return the highest number that was seen of each site's changes, wiped ones among them."""
        with self._engine.connect() as db:
            return _seen(db)

    def place(self) -> str | None:
        """Return this place's own site; None: nothing was said here yet."""
        with self._engine.connect() as db:
            return db.scalar(sa.select(SITE.c.site))

    def sites_of(self, change_ids: Collection[str]) -> dict[str, str]:
        """Return the sites of changes, of those that are here."""
        found: dict[str, str] = {}
        ids, query = list(change_ids), sa.select(CHANGE.c.change_id, CHANGE.c.site)
        with self._engine.connect() as db:
            for at in range(0, len(ids), _PIECE):
                some = query.where(CHANGE.c.change_id.in_(ids[at : at + _PIECE]))
                found |= {key: site for key, site in db.execute(some)}
        return found

    def since(
        self, has: Mapping[str, int], most: int, sites: Collection[str] | None = None
    ) -> list[Change]:
        """Return what another place has not seen, in the order of site and number.

        Parameters
        ----------
        has : mapping of str to int
            What it has `seen`.
        most : int
            How many at once; ask again with what it has seen by then.
        sites : collection of str, optional
            Only of these.
        """
        found: list[Change] = []
        with self._engine.connect() as db:
            for site, seq in sorted(_seen(db).items()):
                after = has.get(site, 0)
                is_asked = sites is None or site in sites
                if is_asked and after < seq and len(found) < most:
                    query = sa.select(CHANGE).where(CHANGE.c.site == site, CHANGE.c.seq > after)
                    query = query.order_by(CHANGE.c.seq).limit(most - len(found))
                    found += map(_change, db.execute(query))
        return found

    def restamps(self) -> list[tuple[str, int]]:
        """Return the other stamps that changes were given: change id and stamp, in order."""
        query = sa.select(RESTAMP.c.change_id, RESTAMP.c.hlc)
        with self._engine.connect() as db:
            return [(key, hlc) for key, hlc in db.execute(query.order_by(*query.selected_columns))]

    def changes(
        self, entity: str | None = None, entity_id: str | None = None, field: str | None = None
    ) -> list[Change]:
        """Return changes in their order: all there are, or of one kind or entity those that fit.

        Of a field only those where one is given.
        """
        return read_changes(self._engine, entity, entity_id, field)

    def deleted(self, entity: str) -> set[str]:
        """Return the ids of the entities of a kind that have a tombstone."""
        query = sa.select(CHANGE.c.entity_id).where(
            CHANGE.c.entity == entity, CHANGE.c.field == DELETED
        )
        with self._engine.connect() as db:
            return set(map(kept_text, db.scalars(query)))

    def counts(self, entity: str, prefix: str) -> dict[str, int]:
        """Return how many changes each entity of a kind has of fields that begin so."""
        query = (
            sa.select(CHANGE.c.entity_id, sa.func.count())
            .where(CHANGE.c.entity == entity, CHANGE.c.field.startswith(prefix, autoescape=True))
            .group_by(CHANGE.c.entity_id)
        )
        with self._engine.connect() as db:
            return {entity_id: count for entity_id, count in db.execute(query)}

    def shown(self, entity: str, entity_id: str) -> dict[str, Any]:
        """Return the value of each field of an entity; nothing of one that was deleted."""
        return self.all_shown(entity, [entity_id]).get(entity_id, {})

    def all_shown(
        self, entity: str, ids: Sequence[str] | None = None, fields: Sequence[str] = ()
    ) -> dict[str, dict[str, Any]]:
        """Return the values of entities of a kind, by id; deleted ones are left out.

        Parameters
        ----------
        entity : str
        ids : sequence of str, optional
            Only of these; of all if left out.
        fields : sequence of str
            Only these; all if empty.
        """
        columns = (CHANGE.c.entity_id, CHANGE.c.field, CHANGE.c.value)
        query = _in_order(columns, entity, None)
        if ids is not None:
            query = query.where(CHANGE.c.entity_id.in_(ids))
        if fields:
            query = query.where(CHANGE.c.field.in_([*fields, DELETED]))
        with self._engine.connect() as db:
            rows = [(key, field, text) for key, field, text in db.execute(query)]
        found: dict[str, dict[str, Any]] = {}
        for (key, field), value in _last(entity, rows).items():
            found.setdefault(key, {})[field] = value
        return {key: fields for key, fields in found.items() if DELETED not in fields}


def read_changes(
    engine: sa.Engine,
    entity: str | None = None,
    entity_id: str | None = None,
    field: str | None = None,
) -> list[Change]:
    """Return changes as `ChangeLog.changes` does; its tables must be there."""
    query = _in_order(CHANGE.c, entity, entity_id)
    if field is not None:
        query = query.where(CHANGE.c.field == field)
    with engine.connect() as db:
        said = [_change(row) for row in db.execute(query).all()]
    if entity is None:
        return said  # to be copied, not read
    return [c for c in said if fits(c.entity, c.field, c.value) and is_when(c.wall_utc_ms)]


def _last(entity: str, rows: Sequence[tuple[str, str, str]]) -> dict[tuple[str, str], Any]:
    """Return the last value that fits, by entity and field, of rows of these and of JSON."""
    last = {(kept_text(key), kept_text(field)): text for key, field, text in rows}
    # at once: a tenth of the time of one by one
    values = kept_json(f"[{','.join(map(str, last.values()))}]")
    found = dict(zip(last, values, strict=True))
    if all(fits(entity, field, value) for (_, field), value in found.items()):
        return found
    said = ((key, field, kept_json(text)) for key, field, text in rows)
    return {(key, field): value for key, field, value in said if fits(entity, field, value)}


def _of(entity: str, entity_id: str) -> tuple[sa.ColumnElement[bool], sa.ColumnElement[bool]]:
    return CHANGE.c.entity == entity, CHANGE.c.entity_id == entity_id


def _is_deleted(db: sa.Connection, entity: str, entity_id: str) -> bool:
    query = sa.select(sa.literal(1)).where(*_of(entity, entity_id), CHANGE.c.field == DELETED)
    return db.execute(query.limit(1)).first() is not None


def _in_order(
    columns: Iterable[sa.Column[Any]], entity: str | None, entity_id: str | None
) -> sa.Select[Any]:
    """Select changes in the order of their stamps: each its own, or the lowest it was given."""
    lowest = (
        sa.select(RESTAMP.c.change_id, sa.func.min(RESTAMP.c.hlc).label("hlc"))
        .group_by(RESTAMP.c.change_id)
        .subquery()
    )
    query = sa.select(*columns).outerjoin_from(
        CHANGE, lowest, lowest.c.change_id == CHANGE.c.change_id
    )
    if entity is not None:
        query = query.where(CHANGE.c.entity == entity)
    if entity_id is not None:
        query = query.where(CHANGE.c.entity_id == entity_id)
    stamp = sa.func.coalesce(lowest.c.hlc, CHANGE.c.hlc)
    return query.order_by(stamp, CHANGE.c.site, CHANGE.c.seq)


def _seen(db: sa.Connection) -> dict[str, int]:
    return {site: seq for site, seq in db.execute(sa.select(SEEN.c.site, SEEN.c.seq))}


def _note_seen(db: sa.Connection, changes: list[Change]) -> None:
    """Note the highest numbers of changes, were they kept or not."""
    known = _seen(db)
    highest: dict[str, int] = {}
    for c in changes:
        if c.seq > known.get(c.site, 0):
            highest[c.site] = max(c.seq, highest.get(c.site, 0))
    for site, seq in highest.items():
        db.execute(SEEN.delete().where(SEEN.c.site == site))
        db.execute(SEEN.insert().values(site=site, seq=seq))


def _insert(db: sa.Connection, changes: list[Change]) -> None:
    rows = [
        {
            "change_id": c.change_id,
            "entity": c.entity,
            "entity_id": c.entity_id,
            "field": c.field,
            "value": json.dumps(c.value, ensure_ascii=False, allow_nan=False),
            "author": c.author,
            "wall_utc_ms": c.wall_utc_ms,
            "hlc": c.hlc,
            "site": c.site,
            "seq": c.seq,
        }
        for c in changes
    ]
    _insert_missing(db, CHANGE, rows)


def _insert_missing(db: sa.Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
    keys = list(table.primary_key)
    statement: sa.Insert
    if db.dialect.name == "postgresql":
        # the hub's: its drivers take a tenth of a second to import at each start of a bay
        from sqlalchemy.dialects import postgresql

        statement = postgresql.insert(table).on_conflict_do_nothing(index_elements=keys)
    else:
        statement = sqlite.insert(table).on_conflict_do_nothing(index_elements=keys)
    for at in range(0, len(rows), _PIECE):
        db.execute(statement, rows[at : at + _PIECE])


def _change(row: sa.Row[Any]) -> Change:
    table = dict(row._mapping)
    for column in _TEXTS:
        kept_text(table[column])
    return Change(**{**table, "value": kept_json(table["value"])})
