"""Looking at the database: is it there, may we write, do the clocks agree, does it come back."""

import asyncio
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
)

BACK_WITHIN_S = 30.0
"""A point that was written can be read so long after it, at the latest (ours)."""


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
