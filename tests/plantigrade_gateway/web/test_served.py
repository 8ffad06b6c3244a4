"""Access as the web process really serves it: under TLS, in the local network, with its log."""

import asyncio
import json
import socket
import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import pytest
import websockets
from click.testing import CliRunner
from tests.support.certificates import made
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door import certificate, password
from plantigrade_gateway.web.live.page import Page, WebOptions

pytestmark = pytest.mark.dear

PASSWORD = "heel midfoot toes"


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> Iterator[Page]:
    """Serve the pages to the local network, under a certificate for bay.local."""
    folder: Path = tmp_path_factory.mktemp("served")
    with Store.open(folder / "store.sqlite3") as store:
        password.put(store.database, PASSWORD)
        store.create_session("test", analysis_version=1)
        order = WebOptions(port=0, lan=True, certificate=certificate.checked(*made(folder)))
        page = Page(order, store.path, lambda _: None, lambda _: None)
        try:
            assert page.wait(HANG_S) is not None, page.problem
            page.send({"type": "hello", "v": 1, "session": None, "drills": []})
            yield page
        finally:
            page.close()


@pytest.fixture
def origin(page) -> str:
    return str(page.url).rstrip("/")


@pytest.fixture
def trust(page, monkeypatch) -> ssl.SSLContext:
    """Trust the certificate, and let bay.local be this machine."""
    real = socket.getaddrinfo

    def here(host: Any, *arguments: Any, **more: Any) -> Any:
        return real(
            "127.0.0.1" if host in ("bay.local", b"bay.local") else host, *arguments, **more
        )

    monkeypatch.setattr(socket, "getaddrinfo", here)
    return ssl.create_default_context(cafile=str(page._order.certificate.cert))


def test_a_sign_in_under_tls_and_a_live_page_that_ends_with_it(page, origin, trust, capfd):
    assert origin.startswith("https://bay.local:")
    with httpx2.Client(
        timeout=HANG_S, verify=trust, base_url=origin, headers={"origin": origin}
    ) as coach:
        assert coach.get("/sign-in").headers["strict-transport-security"] == "max-age=2592000"
        answer = coach.post("/sign-in", data={"password": PASSWORD})
        (cookie,) = answer.headers.get_list("set-cookie")
        assert cookie.startswith("__Host-plantigrade=") and "Secure" in cookie
        token = cookie.split("=", 1)[1].split(";")[0]
        coach.post("/links", data={"note": ""})
        secret = coach.get("/links").text.split("/p/")[1].split('"')[0]
        heard, code = asyncio.run(until_withdrawn(origin, secret, trust, coach))
    assert heard["rights"] == "player"
    assert code == 4401
    said = capfd.readouterr()
    for text in (PASSWORD, token, secret, "Traceback"):
        assert text not in said.out + said.err


async def until_withdrawn(
    origin: str, secret: str, trust: ssl.SSLContext, coach: httpx2.Client
) -> tuple[dict[str, object], int]:
    """Look through a link until the coach withdraws it; return what came first, and the end."""
    url = origin.replace("https", "wss") + f"/p/{secret}/live"
    own = websockets.Origin(origin)
    async with websockets.connect(url, ssl=trust, origin=own) as viewer:
        heard: dict[str, object] = json.loads(await viewer.recv())
        await viewer.send('{"type": "stop"}')
        refused = json.loads(await viewer.recv())
        assert refused["text"] == "stop: only the coach's page can do this"
        answer = await asyncio.to_thread(coach.post, "/links/1/withdraw")
        assert answer.status_code == 303
        async with asyncio.timeout(HANG_S):
            await viewer.wait_closed()
        return heard, viewer.close_code or 0


async def test_a_foreign_page_is_refused_before_the_handshake(origin, trust):
    url = origin.replace("https", "wss") + "/live"
    foreign = websockets.Origin("https://elsewhere.example")
    with pytest.raises(websockets.InvalidStatus) as refused:
        await websockets.connect(url, ssl=trust, origin=foreign)
    assert refused.value.response.status_code == 403


def test_forwarded_addresses_are_not_believed(origin, trust):
    """Or each wrong password would come from an address of its own."""
    with httpx2.Client(
        timeout=HANG_S, verify=trust, base_url=origin, headers={"origin": origin}
    ) as guesser:
        found = []
        for k in range(12):
            forwarded = {"x-forwarded-for": f"198.51.100.{k}", "x-forwarded-proto": "http"}
            answer = guesser.post("/sign-in", data={"password": "guess"}, headers=forwarded)
            found.append(answer.status_code)
    assert found[:5] == [403] * 5
    assert 429 in found  # the pauses soon outgrow the time that a guess takes


def test_plain_http_gets_nothing_from_a_page_under_tls(origin, trust):
    with pytest.raises(httpx2.HTTPError):
        httpx2.get(origin.replace("https", "http"), timeout=HANG_S)


@pytest.mark.parametrize("command", ["demo", "run"])
def test_a_certificate_that_cannot_be_used_is_said_before_anything_starts(tmp_path, command):
    cert, key = made(tmp_path, days=(-30, -1))
    options = ["--store", str(tmp_path / "store"), "--tls-cert", str(cert), "--tls-key", str(key)]
    result = CliRunner().invoke(main, [command, *options])
    assert result.exit_code == 2
    assert result.stderr == (
        f"Error: --tls-cert {cert}: has expired; give a certificate that is valid today\n"
    )
    assert not (tmp_path / "store").exists()
