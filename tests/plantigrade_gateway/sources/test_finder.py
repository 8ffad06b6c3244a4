"""How long an insole is looked for, without a radio."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any, cast

import pytest

from plantigrade.block import Foot
from plantigrade_gateway.sources import finder
from plantigrade_gateway.wire.gatt import KnownInsole

GONE = KnownInsole(9, Foot.RIGHT, "gone", "C0:00:00:00:00:09", 270)


@contextlib.asynccontextmanager
async def silence(*_: object) -> AsyncIterator[None]:
    """Stand for a scan that hears nothing."""
    yield


@pytest.fixture
def silent(monkeypatch) -> finder.Finder:
    monkeypatch.setattr(finder, "scanning", silence)
    return finder.Finder(cast(Any, None), lambda: False)


async def test_an_insole_that_is_not_heard_is_looked_for_until_the_limit(silent):
    assert await silent.find(GONE, 0.01) is None
    await silent.close()


async def test_no_limit_runs_while_scanning_is_paused(silent):
    """Neither of a search that was under way nor of one that begins, until the last pause ends."""
    now = asyncio.get_running_loop().time
    long = asyncio.create_task(silent.find(GONE, 1000.0))
    await asyncio.sleep(0)
    (limit,) = silent._limits
    assert limit.when() is not None
    async with silent.paused():
        short = asyncio.create_task(silent.find(GONE, 0.01))
        await asyncio.sleep(0.05)
        async with silent.paused():
            assert limit.when() is None
        await asyncio.sleep(0.05)
        assert limit.when() is None and not short.done()
    when_s = limit.when()
    assert when_s is not None and 900.0 < when_s - now() <= 1000.0
    assert await short is None
    long.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await long
    await silent.close()
