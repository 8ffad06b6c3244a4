"""What `plantigrade tsdb check` looks at, and what it says, against a database within the test."""

import asyncio
import random
from collections.abc import AsyncIterator

import pytest
from tests.support.fakedatabase import FakeDatabase, fake_database

from plantigrade_gateway.config import load
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import check as module
from plantigrade_gateway.forward.check import Finding, check
from plantigrade_gateway.forward.tsdb import ServerInfo


@pytest.fixture
async def server() -> AsyncIterator[FakeDatabase]:
    async with fake_database() as made:
        yield made


async def looked(server: FakeDatabase, **more: str) -> list[Finding]:
    return await check(load(None, {"PLANTIGRADE_TSDB_URL": server.url, **more}))


def well(found: list[Finding]) -> dict[str, bool | None]:
    return {one.name: one.well for one in found}


async def test_all_is_looked_at_in_the_order_in_which_it_can_go_wrong(server, monkeypatch):
    monkeypatch.setattr(random, "randrange", lambda first, last: last - first)
    found = await looked(server)
    assert list(well(found).items()) == [
        *(("address", True), ("clock", True), ("rights", True)),
        ("round trip", True),
    ]
    assert [one.found for one in found] == [
        f"{server.url} answers, VictoriaMetrics",
        "agree within 1 s",
        "a point was written",
        "the point came back",
    ]
    assert " value=999999.0 " in server.wrote[0]  # one of a million: no other check's
    assert dict(server.requests[-1].query)["match[]"] == '{__name__="plantigrade_check_value"}'


async def test_one_that_is_away_or_may_not_write_is_said_and_no_more_is_asked(server):
    server.instead["/api/v2/write"] = 401, "", {}
    found = await looked(server)
    assert well(found) == {"address": True, "clock": True, "rights": False}
    assert "the token is not accepted (401)" in found[-1].found
    server.instead["/api/v2/write"] = 400, "of another kind", {}
    assert (await looked(server))[-1] == Finding("rights", False, "400: of another kind")
    assert "GET /api/v1/export" not in server.asked
    nobody = {"PLANTIGRADE_TSDB_URL": "http://127.0.0.1:9"}
    (found_one,) = await check(load(None, nobody))
    assert (found_one.name, found_one.well) == ("address", False)
    assert "cannot be reached" in found_one.found
    with pytest.raises(InputError, match=r"^tsdb\.url is not set: no time-series database is used"):
        await check(load(None, {}))


async def test_one_that_cannot_be_read_back_is_not_looked_at_so_far(server):
    server.instead["/metrics"] = 200, "", {}
    found = await looked(server)
    assert found[0].found == f"{server.url} answers, a server of the v2 write protocol"
    assert found[-1] == Finding(
        "round trip", None, "reading back is done with VictoriaMetrics only"
    )


async def test_a_point_is_looked_for_half_a_minute_long(server, monkeypatch):
    """Each half second."""
    naps: list[float] = []
    whole = asyncio.sleep

    async def nap(seconds: float) -> None:
        naps.append(seconds)
        await whole(0)

    monkeypatch.setattr(asyncio, "sleep", nap)
    server.instead["/api/v1/export"] = 200, "", {}
    found = (await looked(server))[-1]
    assert sum(naps) == 30.0 and set(naps) == {0.5}
    assert (found.name, found.well) == ("round trip", False)
    assert found.found.startswith("the point did not come back within 30 s: does the address read")
    row = '{"metric":{"__name__":"x"},"values":[0.5],"timestamps":[1]}'  # of another check
    server.instead["/api/v1/export"] = 200, row, {}
    assert (await looked(server))[-1].well is False
    server.instead["/api/v1/export"] = 403, "", {}
    found = (await looked(server))[-1]
    assert found.well is False and found.found.endswith("cannot be read (403)")


@pytest.mark.parametrize(
    ("ahead_s", "well", "found"),
    [
        (None, None, "the database does not say what time it has"),
        (0.2, True, "agree within 1 s"),
        (-7.4, True, "agree within 7 s"),
        (60.0, True, "agree within 60 s"),
        (61.0, False, "this machine's is 61 s ahead of the database's: set it (NTP), points are"),
        (-61.0, False, "this machine's is 61 s behind the database's: set it (NTP), points are"),
    ],
)
def test_clocks_agree_within_a_minute(ahead_s, well, found):
    one = module._clock(ServerInfo(None, ahead_s, True))
    assert (one.name, one.well) == ("clock", well) and one.found.startswith(found)
