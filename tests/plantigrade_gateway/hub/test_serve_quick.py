"""How a hub is ordered and to whom its application hands a request; nothing listens."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.hub import serve
from plantigrade_gateway.hub.serve import HubApp, HubOrder


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
