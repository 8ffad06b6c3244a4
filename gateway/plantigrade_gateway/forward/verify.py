"""A session in the store against what the database has of it, point for point.

A point is one value with its tags and its time. Steps, stands and swings are the store's own; of
what stands nowhere else in it (cues, sets, states of the session, link health) it keeps a copy;
regional loads are computed again from the record.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from itertools import islice

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward.check import open_database
from plantigrade_gateway.forward.courier import SinkUnavailable
from plantigrade_gateway.forward.launch import Seconds
from plantigrade_gateway.forward.tsdb import PREFIX, Database, lines, place_tags
from plantigrade_gateway.sinks import LOADS
from plantigrade_gateway.store.enqueue import (
    LINKS_KEPT_DAYS,
    Item,
    Loads,
    in_ms,
    since_1970_ms,
    source_of,
)
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.sessions import find
from plantigrade_gateway.store.store import Store

EVENTS, TOLD, LINK = ("step", "stand", "swing"), ("cue", "set", "session"), "link"
KINDS = (*EVENTS, *TOLD, LINK, LOADS)
CLOSE = 1e-11
"""VictoriaMetrics keeps twelve digits."""
LOADS_AT_ONCE_S = 300
"""So many seconds of regional loads are compared at once: what bounds the memory (ours)."""
CUT_OFF = "restart"
"""Why a session ended that was cut off: what was begun of a second of loads is not sent."""
NO_COPY = "not compared: sent by a version that kept no copy, or not sent"
Series = list[tuple[dict[str, str], list[float], list[int]]]
Points = dict[str, dict[int, float]]


@dataclass(slots=True)
class KindFound:
    """What the store and the database have of one kind.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    stored, there : int
        Things, such as steps: by tags and time; of regional loads the rows of each foot.
    expected, missing, different : int
        Points.
    doubled : int
        Points that the database has more than once, under the same tags and time.
    extra : int
        Points of the session's last revision, or of a later one, that the store knows nothing of.
    older : int
        Points of earlier revisions, which no longer count.
    why_not : str or None
        Why it was not compared.
    """

    kind: str
    stored: int = 0
    there: int = 0
    expected: int = 0
    missing: int = 0
    different: int = 0
    doubled: int = 0
    extra: int = 0
    older: int = 0
    why_not: str | None = None
    first: str | None = None

    def add(self, want: Points, found: Points) -> None:
        """Compare points with those that are there."""
        self.stored += _things(want)
        self.there += _things(found)
        for key, points in want.items():
            there = found.get(key, {})
            self.expected += len(points)
            for time_ms, value in points.items():
                if time_ms not in there:
                    self.missing += 1
                    self._note(f"missing: {key} at {time_ms}")
                elif abs(there[time_ms] - value) > CLOSE * abs(value):
                    self.different += 1
                    self._note(f"{key} at {time_ms} is {there[time_ms]!r}, stored {value!r}")
        for key, points in found.items():
            for time_ms in points.keys() - want.get(key, {}).keys():
                self.extra += 1
                self._note(f"not in the store: {key} at {time_ms}")

    def sort(self, series: Series, revision: int | None) -> Points:
        """Return the points of a revision (None: of all); count older and doubled ones."""
        found: Points = {}
        for labels, values, times in series:
            told = labels.get("revision", "")
            if revision is not None and told.isdecimal() and int(told) < revision:
                self.older += len(values)
                continue
            key = _key(labels)
            points = found.setdefault(key, {})
            for time_ms, value in zip(times, values, strict=True):
                if time_ms in points:
                    self.doubled += 1
                    self._note(f"twice: {key} at {time_ms}")
                points.setdefault(time_ms, value)
        return found

    @property
    def is_whole(self) -> bool:
        """Whether every point is there once, as in the store, and nothing else."""
        return not (self.missing or self.different or self.doubled or self.extra)

    def _note(self, text: str) -> None:
        self.first = self.first or text


@dataclass(frozen=True, slots=True)
class Comparison:
    """A session in the store against what the database has of it.

    Attributes
    ----------
    expected, missing, different, extra, older, doubled : int
        As in `KindFound`, of all kinds together.
    first : str or None
        The first that is missing, differs, is there twice or not in the store.
    kinds : tuple of KindFound
    """

    expected: int
    missing: int
    different: int
    extra: int
    older: int
    first: str | None
    doubled: int = 0
    kinds: tuple[KindFound, ...] = ()

    @classmethod
    def of(cls, kinds: Iterable[KindFound]) -> "Comparison":
        """Return the sum."""
        found = tuple(kinds)
        counted = [one.name for one in fields(cls) if one.name not in ("first", "kinds")]
        counts = {name: sum(getattr(kind, name) for kind in found) for name in counted}
        first = next((kind.first for kind in found if kind.first), None)
        return cls(**counts, first=first, kinds=found)

    @property
    def is_whole(self) -> bool:
        """Whether every point is there once, as in the store, and nothing else."""
        return not (self.missing or self.different or self.doubled or self.extra)


async def verify(config: Config, store: Store, name: str) -> Comparison:
    """Read every point of a session back and compare it with the store.

    Parameters
    ----------
    config : Config
    store : Store
    name : str
        As `sessions.find` takes it.

    Raises
    ------
    InputError
        No database is set, or it cannot be read.
    StoreError
        No such session.
    """
    session_id = find(store, name).session_id
    async with open_database(config) as database:
        try:
            await database.open()
            if not (await database.server_info()).is_victoria:
                raise InputError("tsdb verify: points are read back from VictoriaMetrics only")
            return await _Verification(database, config, store, session_id).run()
        except SinkUnavailable as away:
            raise InputError(str(away)) from None


class _Verification:
    def __init__(self, database: Database, config: Config, store: Store, session_id: str) -> None:
        self._database = database
        self._store = store
        self._id = session_id
        self._site, self._bay = config.word("site"), config.word("bay")
        self._place = place_tags(self._site, self._bay)
        self._outbox = Outbox(store.database)
        self._told = self._outbox.told(session_id)
        self._revision = store.revision(session_id)

    async def run(self) -> Comparison:
        stored = event_items(self._store, self._id)
        found = [await self._kind(kind, [i for i in stored if i.kind == kind]) for kind in EVENTS]
        for kind in TOLD:
            copies = [item for item in self._told if item.kind == kind]
            # How a session stood is told of each revision; all of it stays.
            whole = kind == "session"
            found.append(await self._kind(kind, copies, all_revisions=whole, copied=True))
        return Comparison.of([*found, await self._links(), await self._loads()])

    async def _kind(
        self, kind: str, items: list[Item], all_revisions: bool = False, copied: bool = False
    ) -> KindFound:
        found = KindFound(kind)
        if copied and not self._told:
            found.why_not = NO_COPY
            return found
        series = await self._database.export(
            f'{{__name__=~"{PREFIX}{kind}_.*",session="{self._id}"}}'
        )
        there = found.sort(series, None if all_revisions else self._revision)
        found.add(points_of(items, self._place), there)
        return found

    async def _links(self) -> KindFound:
        found = KindFound(LINK)
        if not self._told:
            found.why_not = NO_COPY
            return found
        first_ms, last_ms, items = self._outbox.told_links(self._id)
        if not items:
            found.why_not = f"not compared: no copy is kept ({LINKS_KEPT_DAYS} days), or none sent"
            return found
        series = await self._database.export(
            f'{{__name__=~"{PREFIX}{LINK}_.*",site="{self._site}",bay="{self._bay}"}}',
            max(first_ms, items[0].time_ms),
            last_ms,
        )
        found.add(points_of(items, self._place), found.sort(series, None))
        return found

    async def _loads(self) -> KindFound:
        found = KindFound(LOADS)
        found.why_not = loads_lost(self._store, self._id)
        if found.why_not is not None:
            return found
        pieces = _batched(self._load_items(), LOADS_AT_ONCE_S)
        piece, first_ms = next(pieces, None), 0
        while piece is not None:  # those after the last piece's beginning are of the last
            following = next(pieces, None)
            last_ms = following[0].time_ms - 1 if following else None
            series = await self._database.export(
                f'{{__name__=~"{PREFIX}{LOADS}_.*",session="{self._id}"}}', first_ms, last_ms
            )
            found.add(points_of(piece, self._place), found.sort(series, None))
            piece, first_ms = following, 0 if last_ms is None else last_ms + 1
        return found

    def _load_items(self) -> Iterator[Item]:
        session = self._store.session(self._id)
        start_us, source = 1000 * since_1970_ms(session.started), source_of(session.source)
        for one in loads(self._store, self._id):
            at_us = start_us + round(one.t_s * 1e6)
            block = {
                "first_index": one.first_index,
                "time_us": at_us,
                "period_us": round(one.period_s * 1e6),
                "rows": one.rows,
                "data": one.data,
            }
            about = (LOADS, "both", at_us // 1000, 0, 0, self._id, session.player_id, source)
            yield Item(0, "", *about, "", block)


def event_items(store: Store, session_id: str) -> list[Item]:
    """Return what must have been sent of a session's steps, stands and swings."""
    session = store.session(session_id)
    start_ms, revision = since_1970_ms(session.started), store.revision(session_id)
    taken: dict[tuple[str, str, int], int] = {}
    items = []
    for row in store.events_as_stored(session_id):
        at = (row.kind, row.foot, in_ms(row.t_s))
        twin = taken.get(at, 0)
        taken[at] = twin + 1
        items.append(
            Item(
                0,
                row.event_id,
                row.kind,
                row.foot,
                start_ms + in_ms(row.t_s),
                twin,
                revision,
                session_id,
                session.player_id,
                source_of(session.source),
                json.dumps(row.body),
            )
        )
    return items


def loads(store: Store, session_id: str) -> Iterator[Loads]:
    """Compute a session's regional loads as they were live: blocks of a second, from its record."""
    analysis, seconds = RecordAnalysis(store.session(session_id).source), Seconds()
    for batch in store.batches(session_id):
        for block in analysis.push(batch).net:
            seconds.push(block)
        yield from seconds.take()
    session = store.session(session_id)
    if session.state == "ended" and session.end_reason != CUT_OFF:
        yield from seconds.end()


def loads_lost(store: Store, session_id: str) -> str | None:
    """Return why a session's regional loads cannot be made again as they were sent; else None."""
    told = Outbox(store.database).told(session_id)
    if not any(item.kind == LOADS for item in told):
        return "not compared: none were sent" if told else NO_COPY
    live = next(item.body["analysis_version"] for item in told if item.kind == "session")
    if live != ANALYSIS_VERSION:
        return f"not compared: computed live by analysis {live}, this version has another"
    return None


def points_of(items: Iterable[Item], place: str) -> Points:
    """Return the points of items: by series, values at their times."""
    points: Points = {}
    for item in items:
        for line in lines(item, place):
            head, told, time_ms = line.split(" ")
            measurement, *tags = head.split(",")
            labels = dict(tag.split("=") for tag in tags)
            for one in told.split(","):
                key, value = one.split("=")
                labels["__name__"] = f"{measurement}_{key}"
                points.setdefault(_key(labels), {})[int(time_ms)] = float(value)
    return points


def _key(labels: dict[str, str]) -> str:
    """Return a series' name and tags; the name first."""
    tags = ",".join(f"{key}={labels[key]}" for key in sorted(labels) if key != "__name__")
    return f"{labels['__name__']},{tags}"


def _things(points: Points) -> int:
    """Return how many things points are of: each has its tags and its time."""
    return len({(key.partition(",")[2], at) for key, times in points.items() for at in times})


def _batched(items: Iterator[Item], many: int) -> Iterator[list[Item]]:
    while piece := list(islice(items, many)):
        yield piece
