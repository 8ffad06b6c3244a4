"""Looking at the database: is it there, may we write, do the clocks agree, does it come back."""

import asyncio
import json
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward.courier import ItemRejected, SinkUnavailable
from plantigrade_gateway.forward.tsdb import (
    CLOCK_OFF_S,
    PREFIX,
    Database,
    ServerInfo,
    lines,
    place_tags,
)
from plantigrade_gateway.store.enqueue import Item, in_ms, since_1970_ms, source_of
from plantigrade_gateway.store.sessions import find
from plantigrade_gateway.store.store import Store

BACK_WITHIN_S = 30.0
"""A point that was written can be read so long after it, at the latest (ours)."""
CLOSE = 1e-11
"""VictoriaMetrics keeps twelve digits."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was looked at.

    Attributes
    ----------
    name : str
    well : bool or None
        None: could not be looked at.
    found : str
        With what to do, where it is not well.
    """

    name: str
    well: bool | None
    found: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A session in the store against what the database has of it.

    Attributes
    ----------
    expected, missing, different : int
        Points: single values with their tags and time.
    extra : int
        Points of the session's last revision that the store knows nothing of.
    older : int
        Points of earlier revisions, which no longer count.
    first : str or None
        The first that is missing or differs.
    """

    expected: int
    missing: int
    different: int
    extra: int
    older: int
    first: str | None

    @property
    def is_whole(self) -> bool:
        """Whether every point is there, as in the store."""
        return not (self.missing or self.different or self.extra)


@asynccontextmanager
async def open_database(config: Config) -> AsyncIterator[Database]:
    """Give the database of the settings.

    Raises
    ------
    InputError
        None is set.
    """
    if config.text("tsdb.url") is None:
        raise InputError("tsdb.url is not set: no time-series database is used")
    database = Database(config)
    try:
        yield database
    finally:
        await database.close()


async def check(config: Config) -> list[Finding]:
    """Look at the database, in the order in which things can go wrong."""
    async with open_database(config) as database:
        try:
            await database.open()
            look = await database.server_info()
        except SinkUnavailable as away:
            return [Finding("address", False, str(away))]
        kind = "VictoriaMetrics" if look.is_victoria else "a server of the v2 write protocol"
        found = [Finding("address", True, f"{database.url} answers, {kind}"), _clock(look)]
        value = float(random.randrange(1, 1_000_000))
        try:
            await database.write([database.check_line(value)])
        except (SinkUnavailable, ItemRejected) as error:
            return [*found, Finding("rights", False, str(error))]
        found.append(Finding("rights", True, "a point was written"))
        return [*found, await _round_trip(database, look, value)]


def _clock(look: ServerInfo) -> Finding:
    if look.ahead_s is None:
        return Finding("clock", None, "the database does not say what time it has")
    if abs(look.ahead_s) <= CLOCK_OFF_S:
        return Finding("clock", True, f"agree within {max(1.0, abs(look.ahead_s)):.0f} s")
    side = "ahead of" if look.ahead_s > 0 else "behind"
    return Finding(
        "clock",
        False,
        f"this machine's is {abs(look.ahead_s):.0f} s {side} the database's: set it (NTP), points "
        "are dated by it",
    )


async def _round_trip(database: Database, look: ServerInfo, value: float) -> Finding:
    if not look.is_victoria:
        return Finding("round trip", None, "reading back is done with VictoriaMetrics only")
    for _ in range(int(BACK_WITHIN_S / 0.5)):
        try:
            series = await database.export(f'{{__name__="{PREFIX}check_value"}}')
        except SinkUnavailable as away:
            return Finding("round trip", False, str(away))
        if any(value in values for _, values, _ in series):
            return Finding("round trip", True, "the point came back")
        await asyncio.sleep(0.5)
    return Finding(
        "round trip",
        False,
        f"the point did not come back within {BACK_WITHIN_S:.0f} s: does the address read from "
        "where it writes? is the time within its retention?",
    )


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
    want, revision = expected(store, session_id, config)
    async with open_database(config) as database:
        try:
            await database.open()
            if not (await database.server_info()).is_victoria:
                raise InputError("tsdb verify: points are read back from VictoriaMetrics only")
            series = await database.read(session_id)
        except SinkUnavailable as away:
            raise InputError(str(away)) from None
    there: dict[str, dict[int, float]] = {}
    older = 0
    kinds = tuple(f"{PREFIX}{kind}_" for kind in ("step", "stand", "swing"))
    for labels, values, times in series:
        if not labels["__name__"].startswith(kinds):
            continue
        if labels.get("revision") != str(revision):
            older += len(values)
        else:
            there.setdefault(_key(labels), {}).update(zip(times, values, strict=True))
    return _compare(want, there, older)


def expected(
    store: Store, session_id: str, config: Config
) -> tuple[dict[str, dict[int, float]], int]:
    """Return what the database must have of a session's events, and their revision."""
    place = place_tags(config.word("site"), config.word("bay"))
    session = store.session(session_id)
    start_ms = since_1970_ms(session.started)
    revision = store.revision(session_id)
    want: dict[str, dict[int, float]] = {}
    taken: dict[tuple[str, str, int], int] = {}
    for row in store.events_as_stored(session_id):
        at = (row.kind, row.foot, in_ms(row.t_s))
        twin = taken.get(at, 0)
        taken[at] = twin + 1
        item = Item(
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
        for line in lines(item, place):
            head, fields, time_ms = line.split(" ")
            measurement, *tags = head.split(",")
            labels = dict(tag.split("=") for tag in tags)
            for field in fields.split(","):
                key, value = field.split("=")
                labels["__name__"] = f"{measurement}_{key}"
                want.setdefault(_key(labels), {})[int(time_ms)] = float(value)
    return want, revision


def _key(labels: dict[str, str]) -> str:
    return ",".join(f"{key}={labels[key]}" for key in sorted(labels))


def _compare(
    want: dict[str, dict[int, float]], there: dict[str, dict[int, float]], older: int
) -> Comparison:
    missing = different = 0
    first = None
    for key, points in want.items():
        found = there.get(key, {})
        for time_ms, value in points.items():
            if time_ms not in found:
                missing += 1
                first = first or f"missing: {key} at {time_ms}"
            elif abs(found[time_ms] - value) > CLOSE * abs(value):
                different += 1
                first = first or f"{key} at {time_ms} is {found[time_ms]!r}, stored {value!r}"
    extra = sum(
        time_ms not in want.get(key, {}) for key, points in there.items() for time_ms in points
    )
    return Comparison(sum(map(len, want.values())), missing, different, extra, older, first)
