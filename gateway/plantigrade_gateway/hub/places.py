"""Which place of the log of changes belongs to which bay: whoever says it first, and nobody else.

A bay's credential writes entries of that bay's own places alone: its own, and those it had before
its store was restored. What the hub itself says has a place too, which is no bay's; after it was
restored it may lend its places of before to all bays for a while, to be given back what it said.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from plantigrade.errors import shown
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.hub.bays import as_time
from plantigrade_gateway.people.clock import now_ms
from plantigrade_gateway.people.hubtables import PLACE
from plantigrade_gateway.people.tables import SITE, writing

MOST_PLACES = 64
"""Of one bay: its own, and of every store that it had before (ours)."""


class NotItsPlace(GatewayError):
    """A bay gives entries of a place that is not its own."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """That a bay was last refused another's place.

    Attributes
    ----------
    bay : str
    place : str
    when : datetime
    """

    bay: str
    place: str
    when: datetime

    @property
    def text(self) -> str:
        """For people, after the bay's name."""
        return (
            f"gave what was said at another's place ({self.place[:8]}) and was refused, "
            f"last {self.when:%Y-%m-%d %H:%M} UTC"
        )


class Places:
    """The places of a site's bays.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        The people's.
    """

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def hold(self, bay: str, own: str | None, given: Iterable[str]) -> None:
        """Bind what a bay calls its own, and the places of what it gives, where they are free.

        Parameters
        ----------
        bay : str
        own : str or None
            None: it does not say (a bay of an older version).
        given : iterable of str
            The places of the entries that it gives.

        Raises
        ------
        NotItsPlace
            One of them is another bay's or the hub's, or the bay has too many: none was bound.
        """
        with self._engine.connect() as db:
            hubs = db.scalar(sa.select(SITE.c.site))
            wanted = set(given) | ({own} if own is not None and own != hubs else set())
            bound = _bound(db, wanted | {hubs}) | dict.fromkeys(_lent(db), bay)
        if not wanted <= bound.keys() or (hubs is not None and hubs not in bound):
            with writing(self._engine).begin() as db:
                bound = self._bind(db, bay, wanted, hubs) | dict.fromkeys(_lent(db), bay)
        taken = sorted(site for site in wanted if bound.get(site, "") != bay)
        if taken:
            self._note_refusal(bay, taken[0])
            raise NotItsPlace(
                f"place {shown(taken[0])}: is not this bay's, and each bay gives what was said at "
                "its own; plantigrade hub bay release lets go of places at the hub"
            )

    def _bind(
        self, db: sa.Connection, bay: str, wanted: set[str], hubs: str | None
    ) -> dict[str, str | None]:
        """Bind what is free, all or none; return whose each is."""
        bound = _bound(db, wanted | {hubs})
        if hubs is not None and hubs not in bound:
            db.execute(PLACE.insert().values(site=hubs, bay=None, bound_ms=now_ms()))
            bound[hubs] = None
        lent = set(_lent(db))
        if any(bound.get(site, bay) != bay for site in wanted - lent):
            return bound
        free = sorted(wanted - bound.keys())
        mine = sa.select(sa.func.count()).select_from(PLACE).where(PLACE.c.bay == bay)
        if free and (db.scalar(mine) or 0) + len(free) > MOST_PLACES:
            raise NotItsPlace(f"bay {bay}: has more than {MOST_PLACES} places")
        for site in free:
            db.execute(PLACE.insert().values(site=site, bay=bay, bound_ms=now_ms()))
        return {**bound, **dict.fromkeys(free, bay)}

    def _note_refusal(self, bay: str, place: str) -> None:
        with writing(self._engine).begin() as db:
            values = {"refused_bay": bay, "refused_ms": now_ms()}
            db.execute(PLACE.update().where(PLACE.c.site == place).values(**values))

    def of(self, bay: str) -> list[str]:
        """Return a bay's places, in order, and those that are lent."""
        query = sa.select(PLACE.c.site).where(PLACE.c.bay == bay)
        with self._engine.connect() as db:
            return sorted({*db.scalars(query), *_lent(db)})

    def lend(self, until_ms: int) -> int:
        """Let every bay give what it has of the hub's own places of before; return how many."""
        with writing(self._engine).begin() as db:
            now = sa.select(SITE.c.site).scalar_subquery()
            former = PLACE.c.bay.is_(None), sa.func.coalesce(PLACE.c.site != now, True)
            return db.execute(PLACE.update().where(*former).values(lent_until_ms=until_ms)).rowcount

    def counts(self) -> dict[str, int]:
        """Return how many places each bay has, of those that have one."""
        query = sa.select(PLACE.c.bay, sa.func.count()).where(PLACE.c.bay.is_not(None))
        with self._engine.connect() as db:
            return {bay: count for bay, count in db.execute(query.group_by(PLACE.c.bay))}

    def refusals(self) -> dict[str, Refusal]:
        """Return of each bay that was refused another's place when it last was."""
        query = sa.select(PLACE.c.refused_bay, PLACE.c.site, PLACE.c.refused_ms)
        query = query.where(PLACE.c.refused_bay.is_not(None)).order_by(PLACE.c.refused_ms)
        with self._engine.connect() as db:
            return {bay: Refusal(bay, site, as_time(when)) for bay, site, when in db.execute(query)}

    def release(self, bay: str) -> int:
        """Let go of a bay's places, so that who says one next has it; return how many."""
        with writing(self._engine).begin() as db:
            return db.execute(PLACE.delete().where(PLACE.c.bay == bay)).rowcount


def _lent(db: sa.Connection) -> list[str]:
    """Return the hub's own places of before of which all bays may give entries now."""
    still = PLACE.c.bay.is_(None), PLACE.c.lent_until_ms > now_ms()
    return list(db.scalars(sa.select(PLACE.c.site).where(*still)))


def _bound(db: sa.Connection, sites: Iterable[str | None]) -> dict[str, str | None]:
    """Return whose places are, of those that are bound; None: the hub's."""
    known = [site for site in sites if site is not None]
    query = sa.select(PLACE.c.site, PLACE.c.bay).where(PLACE.c.site.in_(known))
    return {site: bay for site, bay in db.execute(query)}
