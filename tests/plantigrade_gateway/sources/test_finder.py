"""How long an insole is looked for, without a radio."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from itertools import pairwise
from typing import Any, cast

import pytest
from tests.support.bay import until
from tests.support.waiting import HANG_S

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


async def test_while_another_program_has_the_adapter_no_limit_runs(monkeypatch):
    """Each look that is refused lets all that search have the time until the next."""
    monkeypatch.setattr(finder, "LOOK_S", 0.01)
    whens: list[float] = []

    class Taken:
        others_connect = others_stream = False

        @contextlib.contextmanager
        def scanning(self) -> Iterator[bool]:
            whens.extend(limit.when() or 0.0 for limit in found._limits)
            yield False

    found = finder.Finder(cast(Any, None), lambda: False, cast(Any, Taken()))
    search = asyncio.create_task(found.find(GONE, 1000.0))
    await until(lambda: len(whens) > 2, HANG_S)
    search.cancel()
    await found.close()
    assert [b - a for a, b in pairwise(whens[:3])] == pytest.approx([0.01, 0.01])
