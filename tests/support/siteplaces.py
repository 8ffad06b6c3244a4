"""What each place of a site has of what its bays were told, and how that differs from it."""

import itertools
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa
from tests.support.sitetruth import FIELDS, Begun, Done, Told

from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.uploads import Uploads
from plantigrade_gateway.people import hubtables, tables
from plantigrade_gateway.people.log import DELETED, ChangeLog
from plantigrade_gateway.people.tables import sqlite_engine
from plantigrade_gateway.record.entries import Entry
from plantigrade_gateway.record.packing import unpack
from plantigrade_gateway.sources.replay import unpacked_replay
from plantigrade_gateway.store.store import Store

_K = TypeVar("_K", bound=Hashable)
_V = TypeVar("_V")
EntryKey = tuple[str, Entry]
EventKey = tuple[str, str, str, int]
"""Session, kind, foot, first index."""
At = tuple[float, tuple[float | None, ...]]
"""An event's time, ms since 1970, and its values."""
_INVENTED = re.compile(rb"Invented b\d+ \d+")
_CLOSE = 1e-11
_CLOSE_MS = 2.0


@dataclass
class Tally:
    """What a place should have, and has.

    Attributes
    ----------
    made, there, missing, double, wrong : int
    first : str
        Something of what is not as it should be.
    """

    made: int = 0
    there: int = 0
    missing: int = 0
    double: int = 0
    wrong: int = 0
    first: str = ""

    @property
    def is_whole(self) -> bool:
        return not (self.missing or self.double or self.wrong)

    def __add__(self, other: "Tally") -> "Tally":
        return Tally(
            self.made + other.made,
            self.there + other.there,
            self.missing + other.missing,
            self.double + other.double,
            self.wrong + other.wrong,
            self.first or other.first,
        )


def tally(
    want: Mapping[_K, _V],
    have: Iterable[tuple[_K, _V]],
    same: Callable[[_V, _V], bool] = lambda one, other: one == other,
    weight: Callable[[_K], int] = lambda _: 1,
) -> Tally:
    """Compare by identity what should be there with what is, each with its value."""
    found, seen = Tally(made=sum(map(weight, want))), Counter[_K]()
    for key, value in have:
        many = weight(key)
        found.there += many
        seen[key] += 1
        if key not in want:
            found.wrong += many
            found.first = found.first or f"unknown: {key!r:.200}"
        elif seen[key] > 1:
            found.double += many
            found.first = found.first or f"double: {key!r:.200}"
        elif not same(want[key], value):
            found.wrong += many
            found.first = found.first or f"{key!r:.200} is {value}, made {want[key]}"
    for key in want.keys() - seen.keys():
        found.missing += weight(key)
        found.first = found.first or f"missing: {key!r:.200}"
    return found


def same_event(made: At, there: At) -> bool:
    """Whether an event is told as it was made: twelve digits are kept of it, and milliseconds."""
    return abs(made[0] - there[0]) < _CLOSE_MS and all(
        a == b or (a is not None and b is not None and abs(a - b) <= _CLOSE * abs(a))
        for a, b in zip(made[1], there[1], strict=True)
    )


@dataclass
class Stored:
    """What one store, or the archive, has: of each session its beginning, record and events."""

    started_ms: dict[str, float] = field(default_factory=dict)
    player: dict[str, str | None] = field(default_factory=dict)
    ended: set[str] = field(default_factory=set)
    entries: list[tuple[EntryKey, int]] = field(default_factory=list)
    events: list[tuple[EventKey, At]] = field(default_factory=list)

    def add(self, other: "Stored") -> None:
        self.started_ms |= other.started_ms
        self.player |= other.player
        self.ended |= other.ended
        self.entries += other.entries
        self.events += other.events


def in_store(path: Path) -> Stored:
    """Read the store of a bay, or a hub's working store."""
    found = Stored()
    with Store.open(path, read_only=True) as store:
        for session in store.sessions():
            key = session.session_id
            start_ms = 1e3 * session.started.timestamp()
            found.started_ms[key], found.player[key] = start_ms, session.player_id
            if session.state == "ended":
                found.ended.add(key)
            rows = itertools.chain.from_iterable(store.batches(key))
            found.entries += [((key, entry), n) for n, entry in enumerate(rows)]
            for row in store.events(key):
                told = Told.of(row.kind, row.body)
                found.events.append(((key, *told.key), (start_ms + 1e3 * told.t_s, told.values)))
    return found


def in_archive(engine: sa.Engine, place: str) -> Stored:
    """Read the objects of whole sessions; which are whole, and whose, the tables say."""
    found, objects = Stored(), Objects.of(place)
    for row in Uploads(engine, objects).rows():
        if row.is_whole and not row.is_deleted:
            key = row.session_id
            found.ended.add(key)
            found.player[key] = row.player_id
            found.started_ms[key] = 1e3 * datetime.fromisoformat(row.started_utc).timestamp()
    for name in objects.names("sessions"):
        if name.endswith(".pgr"):
            key = name.split("/")[1]
            pieces = list(unpacked_replay(name, objects.pieces(name)))
            found.entries += [((key, entry), n) for n, entry in enumerate(unpack(pieces))]
    return found


def in_database(series: Iterable[dict[str, Any]]) -> list[tuple[EventKey, At]]:
    """Read events of the points that the database has."""
    points: dict[tuple[Any, ...], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for one in series:
        labels = dict(one["metric"])
        _, kind, name = labels.pop("__name__").split("_", 2)
        if kind in FIELDS:
            tags = tuple(sorted(labels.items()))
            for value, at_ms in zip(one["values"], one["timestamps"], strict=True):
                points[kind, tags, at_ms][name].append(value)
    found = []
    for (kind, tags, at_ms), values in points.items():
        labels = dict(tags)
        foot = {"step": labels.get("foot"), "swing": labels.get("lead")}.get(kind) or ""
        told = tuple(values[name][0] if values[name] else None for name in FIELDS[kind]["told"])
        many = max(map(len, values.values()))
        index = int(values["first_index"][0]) if values["first_index"] else -1
        found += many * [((labels["session"], kind, foot, index), (float(at_ms), told))]
    return found


def at_subscriber(messages: Iterable[Mapping[str, Any]]) -> list[tuple[EventKey, At]]:
    """Read events of messages, one of each id."""
    found = []
    for message in messages:
        if (kind := message["kind"]) in FIELDS:
            told = Told.of(kind, message["body"])
            at_ms = 1e3 * datetime.fromisoformat(message["time"]).timestamp()
            found.append(((message["session"], *told.key), (at_ms, told.values)))
    return found


Said = tuple[list[tuple[str, tuple[Any, ...]]], dict[str, dict[str, Any]], bool]
"""Each text with its change; what is shown of each player; whether that is as the rule has it."""


def in_log(engine: sa.Engine) -> Said:
    """Read what a place has of what was said of players."""
    log = ChangeLog(engine)
    changes, stamps = log.changes("player"), dict[str, int]()
    for key, stamp in log.restamps():
        stamps[key] = min(stamp, stamps.get(key, stamp))
    stands: dict[str, dict[str, Any]] = defaultdict(dict)
    for one in sorted(changes, key=lambda c: (stamps.get(c.change_id, c.hlc), c.site, c.seq)):
        stands[one.entity_id][one.field] = one.value
    said = [
        (text, (one.change_id, one.entity_id, one.field, one.author, one.hlc, one.site, one.seq))
        for one in changes
        if (text := _text_of(one.value)) is not None
    ]
    shown = log.all_shown("player")
    return said, shown, shown == {key: one for key, one in stands.items() if DELETED not in one}


def in_bays_log(path: Path) -> Said:
    engine = sqlite_engine(path)
    with closing(engine.connect()):  # a file that is not there is not made
        found = in_log(engine)
    engine.dispose()
    return found


def _text_of(value: object) -> str | None:
    """Return what identifies a change: the words that were said once only."""
    text = value.get("cue") if isinstance(value, dict) else value
    return text if isinstance(text, str) and text.startswith("Invented ") else None


@dataclass
class Truth:
    """What there is to be at every place, by what the bays were told and have kept.

    A bay may have lost what it had not said to be safe when it was killed; nothing else, and what
    it has kept is the beginning of what it was told. Of players who were deleted nothing is to be.
    """

    gone: set[str] = field(default_factory=set)
    entries: dict[EntryKey, int] = field(default_factory=dict)
    events: dict[EventKey, At] = field(default_factory=dict)
    sessions: dict[str, str | None] = field(default_factory=dict)
    gone_sessions: set[str] = field(default_factory=set)
    unsafe: int = 0
    bay: dict[str, Tally] = field(default_factory=dict)

    def take(self, begun: Mapping[str, Begun], kept: Stored) -> None:
        """Judge a bay by its input; what it should have, all places should."""
        want: dict[EntryKey, int] = {}
        count = Counter(session for (session, _), _ in kept.entries)
        whole: set[str] = set()
        for key, one in begun.items():
            if one.player_id in self.gone:
                self.gone_sessions.add(key)
                continue
            made = one.input.entries
            keeps = max(one.safe, min(count[key], len(made)))
            self.unsafe += len(made) - keeps
            want |= {(key, entry): n for n, entry in enumerate(made[:keeps])}
            if not keeps and key not in kept.started_ms:
                continue  # killed before anything of it was there
            whole.add(key)
            self.sessions[key] = one.player_id
            start_ms = kept.started_ms.get(key, 0.0)
            for told in one.input.told(keeps):
                self.events[key, *told.key] = start_ms + 1e3 * told.t_s, told.values
        self.entries |= want
        mine = {key: at for key, at in self.events.items() if key[0] in begun}
        bay = {
            "sessions": tally(
                {key: self.sessions[key] for key in whole},
                [(key, kept.player[key]) for key in kept.ended],
            ),
            **recorded(want, mine, kept),
        }
        self.bay = {what: self.bay.get(what, Tally()) + each for what, each in bay.items()}


def recorded(
    entries: Mapping[EntryKey, int], events: Mapping[EventKey, At], kept: Stored
) -> dict[str, Tally]:
    """Compare records and events."""
    return {
        "entries": tally(entries, kept.entries),
        "bytes": tally(entries, kept.entries, weight=lambda key: len(key[1].data)),
        "events": tally(events, kept.events, same_event),
    }


def told_changes(
    bays: Mapping[str, tuple[Done, Said]], others: Mapping[str, Said], gone: Collection[str]
) -> Tally:
    """Compare what every place has of what was said at all bays, of players who are not gone.

    What a bay did not know to be taken when it was killed counts if it is in its own log.
    """
    want: dict[str, tuple[Any, ...]] = {}
    lost = Tally()
    for done, (said, _, _) in bays.values():
        own = dict(said)
        for text, player in done.said.items():
            if player in gone:
                continue
            if text in own:
                want[text] = own[text]
            elif player is not None:
                lost += Tally(missing=1, first=f"missing at its own bay: {text}")
    places = {**{name: said for name, (_, said) in bays.items()}, **others}
    for name, (said, _, _) in places.items():
        each = tally(want, said)
        each.first = each.first and f"{name}: {each.first}"
        lost += each
    return lost


def traces(path: Path, gone: Collection[str], words: Collection[str]) -> Iterator[str]:
    """Give what a folder with a store still has of players who are gone, and of their words.

    The bytes of its files are searched, in which a word stands as it was said.
    """
    for file in sorted(path.parent.glob(f"{path.name}*")):
        for found in set(_INVENTED.findall(file.read_bytes())):
            if found.decode() in words:
                yield f"{file.name}: {found.decode()}"
    with Store.open(path, read_only=True) as store:
        for (player,) in store.database.read("SELECT player_id FROM players"):
            if player in gone:
                yield f"players: {player}"
        for table, *_ in store.database.read("PRAGMA foreign_key_check"):
            yield f"{table}: a row of nothing that is there"
        for (player,) in store.database.read("SELECT player_id FROM receipts WHERE NOT is_done"):
            yield f"receipts: {player} is not done"


def traces_in_tables(
    engine: sa.Engine, gone: Collection[str], sessions: AbstractSet[str], words: Collection[str]
) -> Iterator[str]:
    """Give what a hub's tables still have, beside tombstones and receipts."""
    with engine.connect() as db:
        for table in (*tables.META.sorted_tables, *hubtables.META.sorted_tables):
            for row in db.execute(table.select()):
                for found in set(_INVENTED.findall(repr(row).encode())):
                    if found.decode() in words:
                        yield f"{table.name}: {found.decode()}"
        for row in db.execute(hubtables.SESSION.select()):
            if row.player_id in gone:
                yield f"{hubtables.SESSION.name}: {row.session_id} is of {row.player_id}"
            elif row.session_id in sessions and not row.is_deleted:
                yield f"{hubtables.SESSION.name}: {row.session_id} is not deleted"


def traces_in_objects(place: str, sessions: AbstractSet[str]) -> Iterator[str]:
    """Give the objects of sessions that are gone."""
    objects = Objects.of(place)
    for name in (*objects.names("pieces"), *objects.names("sessions")):
        if sessions & set(name.replace(".", "/").split("/")):
            yield name


def traces_in_database(
    series: Iterable[Mapping[str, Any]], gone: Collection[str], sessions: AbstractSet[str]
) -> Iterator[str]:
    """Give the series of players and sessions that are gone, whatever they are of."""
    for one in series:
        labels = one["metric"]
        if labels.get("player") in gone or labels.get("session") in sessions:
            yield str(labels)


def states(said: Iterable[Said]) -> tuple[int, int]:
    """Return how many places show another state than the first, or than the rule has it."""
    rows = list(said)
    return sum(shown != rows[0][1] for _, shown, _ in rows), sum(not rule for *_, rule in rows)
