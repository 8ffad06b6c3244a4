"""No more of an answer is read than it may hold, packed or not; the connection is given up then."""

import gzip

import aiohttp
import pytest
from aiohttp import web
from tests.support.bay import http_server

from plantigrade_gateway.forward import bounded
from plantigrade_gateway.forward.bounded import Answer, TooLongError

MOST = 1000


@pytest.fixture(autouse=True)
def short(monkeypatch):
    assert bounded.MOST_BYTES == 128 * 1024 * 1024
    monkeypatch.setattr(bounded, "MOST_BYTES", MOST)


@pytest.mark.parametrize("packed", [False, True])
async def test_an_answer_is_read_up_to_its_bound(packed):
    body = b""

    async def answers(_: web.Request) -> web.StreamResponse:
        if packed:
            return web.Response(body=gzip.compress(body), headers={"Content-Encoding": "gzip"})
        return web.Response(body=body)

    async with http_server(answers) as url, aiohttp.ClientSession(response_class=Answer) as client:
        for n in (0, 1, MOST):
            body = b"x" * n
            async with client.get(url) as answer:
                assert await answer.read() == body
                assert await answer.read() == body  # it is kept
        body = b"x" * (MOST + 1)
        async with client.get(url) as answer:
            with pytest.raises(TooLongError, match="more than 1000 bytes"):
                await answer.read()
            assert answer.closed and answer.connection is None
