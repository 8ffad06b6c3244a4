"""How a hub is ordered, to whom its application hands a request, and how it is served and ends."""

import asyncio
import json
import os
import re
import signal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import uvicorn
from tests.support.turns import limits_over_at_once, turns_until

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.hub import serve
from plantigrade_gateway.hub.names import store_path
from plantigrade_gateway.hub.serve import HubApp, HubOrder
from plantigrade_gateway.web.door.access import BindPolicy
from plantigrade_gateway.web.door.pace import Paced


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
def test_on_this_machine_alone_a_hub_needs_no_tls(host):
    order = HubOrder(Path("d"), "o", "here", host)
    assert not order.is_open and order.port == 8643  # hardware_notes/hub.md


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "hub.example"])
def test_beyond_this_machine_it_is_tls_or_nothing(host):
    with pytest.raises(InputError) as raised:
        HubOrder(Path("d"), "o", "here", host)
    assert str(raised.value) == (
        f"--host {host}: others reach it, so it needs --tls-cert and --tls-key"
    )
    certificate: Any = SimpleNamespace(names=["hub.example"])
    assert HubOrder(Path("d"), "o", "here", host, certificate=certificate).is_open


def test_an_address_that_cannot_be_listened_at_is_one_sentence(tmp_path):
    certificate: Any = SimpleNamespace(names=["hub.example"])
    # A documentation address, which no machine has (RFC 5737).
    order = HubOrder(tmp_path, str(tmp_path / "o"), "here", "192.0.2.7", 8643, certificate)
    with pytest.raises(InputError, match=r"^--host 192.0.2.7, port 8643: cannot be used \("):
        serve.serve(order, print)
    assert not (tmp_path / "hub.sqlite3").exists()


class Answers:
    """An application that says who it is."""

    def __init__(self, name: str) -> None:
        self.name = name

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": json.dumps(self.name).encode()})
        else:
            await send({"type": "websocket.close", "reason": self.name})


@pytest.fixture
def app(monkeypatch) -> HubApp:
    health: tuple[bool, list[str]] = (True, [])
    made = SimpleNamespace(health=health)

    async def healthy() -> Any:
        return made.health

    monkeypatch.setattr(serve, "create_app", lambda *_: Answers("pages"))
    monkeypatch.setattr(serve, "Guard", lambda pages, access: pages)
    api: Any = SimpleNamespace(app=lambda: Answers("bays"), health=healthy, told=made)
    access: Any = None
    return HubApp(api, Path("store"), access)


async def asked(app: HubApp, path: str, kind: str = "http") -> tuple[int, dict[str, str], Any]:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        return {"type": "http.request", "body": b""}

    scope = {"type": kind, "path": path, "method": "GET", "headers": [], "scheme": "http"}
    await app({**scope, "query_string": b"", "server": ("127.0.0.1", 80)}, receive, send)
    if kind != "http":
        return 0, {}, sent[0]["reason"]
    headers = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    body = sent[1]["body"]
    return sent[0]["status"], headers, json.loads(body) if body else None


@pytest.mark.parametrize(
    ("path", "kind", "who"),
    [
        ("/bay/v1", "http", "bays"),
        ("/bay/v1/changes", "http", "bays"),
        ("/bay/v10", "http", "pages"),
        ("/players", "http", "pages"),
        ("/bay/v1/changes", "websocket", "pages"),  # bays have none
    ],
)
async def test_what_is_asked_goes_to_the_bays_part_or_the_desk(app, path, kind, who):
    assert (await asked(app, path, kind))[2] == who


async def test_the_first_page_is_the_players_and_health_is_told_by_its_status(app):
    status, headers, _ = await asked(app, "/")
    assert (status, headers["location"]) == (303, "/players")
    assert (await asked(app, "/healthz"))[::2] == (200, {"ok": True, "problems": []})
    api: Any = app._api
    api.told.health = (False, ["the object store does not answer"])
    status, _, told = await asked(app, "/healthz")
    assert (status, told["ok"]) == (503, False)
    assert told["problems"] == ["the object store does not answer"]


# ---- serving: a real port of this machine, and what keeps the working store ----


def test_it_serves_says_where_and_ends_with_the_signal(tmp_path, monkeypatch):
    """Asked once while it is served; then told to end, as a service manager does (SIGTERM)."""
    said: list[str] = []
    ended: list[str] = []

    async def keep(order: HubOrder, say: Any) -> None:
        (text,) = said
        port = int(text.rpartition(":")[2].rstrip("/"))
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
        ended.append((await reader.read()).decode())
        writer.close()
        os.kill(os.getpid(), signal.SIGTERM)
        try:
            await asyncio.Event().wait()
        finally:
            ended.append("kept no more")

    def unheard(*_: object) -> None:  # else the test run would be ended with it
        raise AssertionError("the signal is not heeded")

    configured: list[dict[str, Any]] = []
    whole = uvicorn.Config

    def config(*what: Any, **how: Any) -> uvicorn.Config:
        configured.append(how)
        return whole(*what, **how)

    monkeypatch.setattr(serve, "_keep", keep)
    monkeypatch.setattr(uvicorn, "Config", config)
    order = HubOrder(tmp_path, str(tmp_path / "objects"), "here", port=0)
    before = signal.signal(signal.SIGTERM, unheard)
    try:
        serve.serve(order, said.append)
    finally:
        signal.signal(signal.SIGTERM, before)
    answer, last = ended
    head, _, body = answer.partition("\r\n\r\n")
    assert head.startswith("HTTP/1.1 ") and "server:" not in head.lower()
    assert "problems" in json.loads(body) and last == "kept no more"
    assert re.fullmatch(r"Hub: http://127\.0\.0\.1:\d+/", said[0]) and len(said) == 1
    assert store_path(tmp_path).exists()
    (how,) = configured
    assert how["http"] is Paced and how["timeout_graceful_shutdown"] == 5
    # nobody is believed who he says he is, and a page's message is short: 64 KiB
    assert (how["proxy_headers"], how["ws_max_size"]) == (False, 64 * 1024)


class Process:
    """Who keeps a working store: says two lines and ends, or goes on."""

    def __init__(self, code: int = 3) -> None:
        self.stdout = asyncio.StreamReader()
        self.stdin = SimpleNamespace(close=lambda: self.log.append("told to end"))
        self.code, self.returncode = code, None
        self.log: list[str] = []
        self.hangs = False
        self.gone = False

    async def wait(self) -> int | None:
        self.log.append("waited for")
        if self.gone:
            raise ProcessLookupError
        if self.hangs:
            await asyncio.Event().wait()
        self.returncode = self.code  # type: ignore[assignment]
        return self.code

    def kill(self) -> None:
        self.log.append("killed")
        self.hangs = False


@pytest.fixture
def keeper(monkeypatch):
    made = SimpleNamespace(process=None, ran=[])

    async def create(*command: str, **how: Any) -> Process:
        made.ran.append((command, how["start_new_session"]))
        process: Process = made.process
        return process

    monkeypatch.setattr(asyncio, "create_subprocess_exec", create)
    return made


async def test_who_keeps_the_working_store_is_told_all_and_heard(keeper, tmp_path):
    said: list[str] = []
    process = keeper.process = Process()
    process.stdout.feed_data(b"Session 1: brought in\nhalf \xff\n")
    process.stdout.feed_eof()
    config: Any = SimpleNamespace(file=tmp_path / "settings.toml")
    order = HubOrder(tmp_path, "objects", "here", config=config)
    with pytest.raises(StoreError, match=r"^working store: its process has ended \(3\)$"):
        await serve._keep(order, said.append)
    assert said == ["Session 1: brought in", "half \ufffd"]
    ((command, is_apart),) = keeper.ran
    assert command[1:3] == ("-m", "plantigrade_gateway.hub") and is_apart
    told = {"data": str(tmp_path), "objects": "objects", "name": "here"}
    settings = str(tmp_path / "settings.toml")
    assert json.loads(command[3]) == told | {"has_settings": True, "settings": settings}
    assert process.log == ["waited for", "told to end", "waited for"]
    for config, expected in (
        (SimpleNamespace(file=None), (True, None)),
        (None, (False, None)),
    ):
        keeper.process = Process()
        keeper.process.stdout.feed_eof()
        with pytest.raises(StoreError):
            await serve._keep(HubOrder(tmp_path, "o", "here", config=config), said.append)
        found = json.loads(keeper.ran[-1][0][3])
        assert (found["has_settings"], found["settings"]) == expected


@pytest.mark.parametrize("how", ["hangs", "gone"])
async def test_who_does_not_end_in_time_is_killed(keeper, tmp_path, monkeypatch, how):
    limits = limits_over_at_once(monkeypatch)
    process = keeper.process = Process()
    setattr(process, how, True)
    keeping = asyncio.create_task(serve._keep(HubOrder(tmp_path, "o", "here"), print))
    await turns_until(lambda: keeper.ran)
    if how == "gone":
        process.kill = lambda: setattr(process, "gone", False)  # type: ignore[method-assign]
    keeping.cancel()
    with pytest.raises(asyncio.CancelledError):
        await keeping
    assert limits == [5] and process.log[0] == "told to end"
    assert process.returncode == 3
    assert how == "gone" or process.log[-2:] == ["killed", "waited for"]


def test_under_tls_the_first_name_of_its_certificate_is_said(tmp_path, monkeypatch):
    """The server is the test's: nothing is encrypted here."""
    said: list[str] = []

    class Server:
        def __init__(self, how: Any) -> None:
            self.started = self.should_exit = False

        async def serve(self, sockets: Any) -> None:
            self.started = True
            while not self.should_exit:
                await asyncio.sleep(0.001)
            for each in sockets:
                each.close()

    async def keep(order: HubOrder, say: Any) -> None:
        os.kill(os.getpid(), signal.SIGTERM)
        await asyncio.Event().wait()

    def unheard(*_: object) -> None:
        raise AssertionError("the signal is not heeded")

    configured: list[dict[str, Any]] = []
    policies: list[BindPolicy] = []

    def policy(*what: Any) -> BindPolicy:
        policies.append(BindPolicy(*what))
        return policies[-1]

    monkeypatch.setattr(serve, "BindPolicy", policy)
    monkeypatch.setattr(serve, "_keep", keep)
    monkeypatch.setattr(uvicorn, "Server", Server)
    monkeypatch.setattr(uvicorn, "Config", lambda *_, **how: configured.append(how))
    before = signal.signal(signal.SIGTERM, unheard)
    try:
        for names, name in ((["hub.example", "other.example"], "hub.example"), ([], "127.0.0.1")):
            made = SimpleNamespace(names=names, cert="cert.pem", key="key.pem")
            certificate: Any = made
            order = HubOrder(tmp_path, str(tmp_path / "o"), "here", "127.0.0.1", 0, certificate)
            serve.serve(order, said.append)
            assert re.fullmatch(rf"Hub: https://{re.escape(name)}:\d+/", said.pop())
    finally:
        signal.signal(signal.SIGTERM, before)
    told = {(how["ssl_certfile"], how["ssl_keyfile"]) for how in configured}
    assert told == {("cert.pem", "key.pem")}
    assert [(one.lan, one.secure) for one in policies] == [(False, True)] * 2
    assert "hub.example" in policies[0].names
