"""Which places have deleted a player: each is asked again until it has confirmed.

Holds ids of players and names of places; what was deleted the receipts say, without a name.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from plantigrade_gateway.hub.bays import as_time
from plantigrade_gateway.people.clock import now_ms
from plantigrade_gateway.people.hubtables import (
    ARCHIVE,
    BAY,
    CONFIRMATION,
    DATABASE_OF,
    HUB,
    bay_place,
    places_of,
)
from plantigrade_gateway.people.tables import writing


@dataclass(frozen=True, slots=True)
class Confirmation:
    """That a place has deleted a player, or has still to.

    Attributes
    ----------
    player_id : str
    place : str
        ``archive``, ``database``, or ``hub`` or ``bay`` with its name.
    asked : datetime
    confirmed : datetime or None
        None: it is waited for.
    receipt : dict or None
        What it deleted, as it said.
    forgotten : datetime or None
        When the bay was forgotten, if it was: it is not waited for.
    """

    player_id: str
    place: str
    asked: datetime
    confirmed: datetime | None
    receipt: Mapping[str, Any] | None
    forgotten: datetime | None = None

    def line(self, withdrawn: Iterable[str] = ()) -> str:
        """Return it for people; a bay of those that were withdrawn cannot say it any more."""
        if self.confirmed is not None:
            return f"{self.place}: deleted, {self.confirmed:%Y-%m-%d %H:%M} UTC"
        if self.forgotten is not None:
            return (
                f"{self.place}: forgotten, {self.forgotten:%Y-%m-%d %H:%M} UTC, before it "
                "confirmed; delete it there yourself"
            )
        if self.place in {bay_place(name) for name in withdrawn}:
            return f"{self.place}: withdrawn before it confirmed; delete it there yourself"
        return f"{self.place}: waited for since {self.asked:%Y-%m-%d %H:%M} UTC"


class Deletions:
    """Confirmations of the deletion of players.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        The people's.
    """

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def ask(self, players: Iterable[str]) -> None:
        """Ask all places there are for the deletion of players, of those not asked for yet."""
        with self._engine.connect() as db:
            known = sa.select(CONFIRMATION.c.player_id).where(CONFIRMATION.c.place == ARCHIVE)
            fresh = set(players) - set(db.scalars(known))
        if not fresh:
            return
        with writing(self._engine).begin() as db:
            for player_id in fresh:
                mine = sa.select(CONFIRMATION.c.place).where(CONFIRMATION.c.player_id == player_id)
                for place in {ARCHIVE, *places_of(db)} - set(db.scalars(mine)):
                    db.execute(_row(player_id, place))

    def confirm(self, player_id: str, place: str, receipt: Mapping[str, Any] | None) -> None:
        """Note that a place has deleted a player; the first time counts."""
        mine = (CONFIRMATION.c.player_id == player_id, CONFIRMATION.c.place == place)
        done = {"confirmed_ms": now_ms(), "receipt": json.dumps(receipt) if receipt else None}
        with writing(self._engine).begin() as db:
            if db.execute(sa.select(CONFIRMATION.c.place).where(*mine)).first() is None:
                db.execute(_row(player_id, place))
            db.execute(
                CONFIRMATION.update().where(*mine, CONFIRMATION.c.confirmed_ms.is_(None)), done
            )

    def waiting(self, place: str) -> set[str]:
        """Return the players whose deletion a place has not confirmed."""
        query = sa.select(CONFIRMATION.c.player_id).where(
            CONFIRMATION.c.place == place, CONFIRMATION.c.confirmed_ms.is_(None)
        )
        with self._engine.connect() as db:
            return set(db.scalars(query))

    def owed_by_bays(self) -> set[str]:
        """Return the players whose deletion a bay that was not withdrawn has not confirmed."""
        query = sa.select(CONFIRMATION.c.player_id, CONFIRMATION.c.place)
        with self._engine.connect() as db:
            names = db.scalars(sa.select(BAY.c.name).where(BAY.c.withdrawn_ms.is_(None)))
            bays = {bay_place(name) for name in names}
            waiting = db.execute(query.where(CONFIRMATION.c.confirmed_ms.is_(None)))
            return {player_id for player_id, place in waiting if place in bays}

    def all(self) -> Iterator[Confirmation]:
        """Give what is known of each place, by player, the first asked for first."""
        order = (CONFIRMATION.c.asked_ms, CONFIRMATION.c.player_id, CONFIRMATION.c.place)
        with self._engine.connect() as db:
            rows = db.execute(sa.select(CONFIRMATION).order_by(*order)).all()
            bays = sa.select(BAY.c.name, BAY.c.forgotten_ms)
            gone = db.execute(bays.where(BAY.c.forgotten_ms.is_not(None)))
            forgotten = {bay_place(name): as_time(ms) for name, ms in gone}
        for row in rows:
            yield Confirmation(
                row.player_id,
                row.place,
                as_time(row.asked_ms),
                None if row.confirmed_ms is None else as_time(row.confirmed_ms),
                None if row.receipt is None else json.loads(row.receipt),
                forgotten.get(row.place) if row.confirmed_ms is None else None,
            )

    def note_hub(self, name: str) -> None:
        """Note that a hub is there."""
        with writing(self._engine).begin() as db:
            if not db.execute(
                HUB.update().where(HUB.c.name == name), {"seen_ms": now_ms()}
            ).rowcount:
                db.execute(HUB.insert().values(name=name, seen_ms=now_ms()))

    def note_database(self, name: str, is_there: bool) -> None:
        """Note whether a hub deletes from the site's time-series database."""
        with writing(self._engine).begin() as db:
            db.execute(DATABASE_OF.delete().where(DATABASE_OF.c.hub == name))
            if is_there:
                db.execute(DATABASE_OF.insert().values(hub=name))


def _row(player_id: str, place: str) -> sa.Insert:
    return CONFIRMATION.insert().values(player_id=player_id, place=place, asked_ms=now_ms())
