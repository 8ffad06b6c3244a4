"""The door: under our own name, from our own pages, with a sign-in or a link; nobody else."""

import asyncio
from typing import Any

import pytest
from starlette.websockets import WebSocketDisconnect
from tests.support.door import QUICK, door

from plantigrade_gateway.web.door import guard, password
from plantigrade_gateway.web.door.access import Principal, Rights

EVERYTHING = [
    "/",
    "/check",
    "/sessions/one",
    "/links",
    "/nothing/here",
    "/p/",
    "/openapi.json",
    "/docs",
]


@pytest.fixture
def open_here(store):
    return door(store, lan=False)


@pytest.fixture
def open_lan(store, monkeypatch):
    monkeypatch.setattr(password, "HASHER", QUICK)
    return door(store)


# Whose request it is


def test_on_its_own_machine_everybody_is_the_coach(open_here):
    browser = open_here.browser()
    assert browser.get("/").text == "coach"
    with open_here.socket(browser) as socket:
        assert socket.receive_text() == "coach"
    assert open_here.browser(origin="http://localhost:8642").get("/").text == "coach"
    assert open_here.browser(origin="http://[::1]:8642").get("/").text == "coach"


@pytest.mark.parametrize(
    "host", ["rebound.example:8642", "127.0.0.1.example", "192.0.2.7:8642", "0.0.0.0", "", "a b"]
)
def test_a_name_that_is_not_ours_reaches_nothing(open_here, host):
    browser = open_here.browser()
    answer = browser.get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "open it by localhost" in answer.text
    assert "coach" not in answer.text
    with (
        pytest.raises(WebSocketDisconnect) as refused,
        browser.websocket_connect(
            open_here.socket_url(), headers={"host": host, "origin": f"http://{host}"}
        ),
    ):
        pass
    assert refused.value.code == 1008


def test_a_rebound_name_reaches_nothing_in_the_local_network_either(open_lan):
    browser = open_lan.signed_in()
    assert browser.get("/").text == "coach"
    for host in ("rebound.example", "bay.local.example", "192.0.2.7.example"):
        assert browser.get("/", headers={"host": host}).status_code == 421
    for host in ("bay.local:8642", "BAY.local.", "203.0.113.9", "[2001:db8::7]:8642"):
        assert browser.get("/", headers={"host": host}).status_code == 200


def test_two_names_at_once_are_none(open_here):
    answer = open_here.browser().get("/", headers=[("host", "127.0.0.1"), ("host", "evil.example")])
    assert answer.status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"origin": "https://127.0.0.1:8642"},
        {"origin": "http://127.0.0.1:3000"},
        {"origin": "http://127.0.0.1:8642", "sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ],
)
def test_nothing_is_changed_from_another_site(open_here, headers):
    answer = open_here.browser().post("/sessions/one", headers=headers)
    assert answer.status_code == 403
    assert "another site" in answer.text


@pytest.mark.parametrize(
    "headers", [{"origin": "http://127.0.0.1:8642"}, {"sec-fetch-site": "same-origin"}]
)
def test_our_own_pages_change_things(open_here, headers):
    assert open_here.browser().post("/sessions/one", headers=headers).text == "changed"


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", "http://127.0.0.1:3000"])
def test_a_foreign_page_opens_no_websocket(open_here, origin):
    with (
        pytest.raises(WebSocketDisconnect) as refused,
        open_here.socket(open_here.browser(), origin=origin),
    ):
        pass
    assert refused.value.code == 1008  # before the handshake: the server answers it with 403


def test_a_websocket_without_an_origin_is_no_browser_of_ours(open_here):
    with (
        pytest.raises(WebSocketDisconnect) as refused,
        open_here.browser().websocket_connect(open_here.socket_url()),
    ):
        pass
    assert refused.value.code == 1008


def test_another_site_may_link_to_a_page_and_not_use_it_as_a_picture_or_script(open_here):
    browser = open_here.browser()
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert browser.get("/", headers={**link, "sec-fetch-dest": "document"}).status_code == 200
    assert browser.get("/", headers={**link, "sec-fetch-dest": "iframe"}).status_code == 403
    picture = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert browser.get("/", headers={**picture, "sec-fetch-dest": "image"}).status_code == 403
    assert browser.get("/", headers={"sec-fetch-site": "none"}).status_code == 200


# Open to the local network


@pytest.mark.parametrize("path", EVERYTHING)
def test_nobody_sees_anything_before_the_sign_in(open_lan, path):
    browser = open_lan.browser()
    answer = browser.get(path, headers={"accept": "text/html"})
    if path.startswith("/p/"):
        assert answer.status_code == 404
    else:
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/sign-in")
    assert answer.text != "coach"
    if not path.startswith("/p/"):
        assert browser.get(path, headers={"accept": "*/*"}).status_code == 401
    assert open_lan.post(browser, path).status_code in (401, 404)


def test_the_machine_itself_must_sign_in_too(open_lan):
    here = open_lan.browser("127.0.0.1", "http://127.0.0.1:8642")
    assert here.get("/").status_code == 401


def test_a_watchdog_needs_no_sign_in_and_sees_no_figures(open_lan):
    browser = open_lan.browser()
    answer = browser.get("/healthz")
    assert answer.status_code == 503 and answer.json()["problems"] == ["the gateway does not run"]
    assert browser.get("/metrics").status_code == 401
    for path in ("/healthz/", "/healthz/../links", "/healthz%2f", "//healthz"):
        assert browser.get(path).status_code == 401, path
    assert browser.get("/healthz", headers={"host": "evil.example"}).status_code == 421


def test_static_files_are_for_everybody(open_lan):
    assert open_lan.browser().get("/static/own.css").text == "p {}"


def test_a_websocket_before_the_sign_in_says_why_it_closes(open_lan):
    with (
        pytest.raises(WebSocketDisconnect) as closed,
        open_lan.socket(open_lan.browser()) as socket,
    ):
        socket.receive_text()
    assert (closed.value.code, closed.value.reason) == (4401, "You are signed out. Sign in again.")


@pytest.mark.parametrize("cookie", ["", "x", "A" * 43, "ÿ", "a=b; plantigrade=", '"'])
def test_a_made_up_cookie_signs_nobody_in(open_lan, cookie):
    browser = open_lan.browser()
    answer = browser.get("/", headers={"cookie": f"plantigrade={cookie}".encode("latin-1")})
    assert answer.status_code == 401


def test_signing_out_ends_the_open_websocket_at_once(open_lan, monkeypatch):
    monkeypatch.setattr(guard, "_LOOKS_EVERY_S", 3600.0)  # it is told, and need not look
    with open_lan.signed_in() as browser, open_lan.socket(browser) as socket:
        assert socket.receive_text() == "coach"
        socket.send_text("still here")
        assert socket.receive_text() == "still here"
        assert open_lan.post(browser, "/sign-out").status_code == 303
        with pytest.raises(WebSocketDisconnect) as closed:
            socket.receive_text()
    assert closed.value.code == 4401


@pytest.mark.dear
def test_a_sign_in_that_runs_out_ends_its_websocket(open_lan):
    with open_lan.socket(open_lan.signed_in()) as socket:
        assert socket.receive_text() == "coach"
        open_lan.clock.go_on(hours=9)
        with pytest.raises(WebSocketDisconnect) as closed:
            socket.receive_text()
    assert closed.value.code == 4401


# What every response carries


def test_every_response_carries_the_security_headers(open_lan):
    signed_in, stranger = open_lan.signed_in(), open_lan.browser()
    answers = [
        signed_in.get("/"),
        signed_in.get("/nothing/here"),
        signed_in.put("/", headers={"origin": open_lan.origin}),
        stranger.get("/"),
        stranger.get("/sign-in"),
        stranger.get("/p/aaaaaaaaaaaaaaaaaaaaaa"),
        stranger.get("/", headers={"host": "rebound.example"}),
        stranger.post("/"),
    ]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert policy == (
            "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
            "connect-src 'self'; object-src 'none'; frame-ancestors 'none'; base-uri 'none'; "
            "form-action 'self'"
        )
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert answer.headers["cache-control"] == "no-store"
        assert "camera=()" in answer.headers["permissions-policy"]
        assert "server" not in answer.headers
        assert "strict-transport-security" not in answer.headers
        assert "access-control-allow-origin" not in answer.headers


def test_only_the_pages_with_charts_may_style_themselves(open_here):
    browser = open_here.browser()
    assert "'unsafe-inline'" not in browser.get("/sessionsx").headers["content-security-policy"]
    policy = browser.get("/sessions/one").headers["content-security-policy"]
    assert policy.count("'unsafe-inline'") == 1
    assert "style-src 'self' 'unsafe-inline';" in policy


def test_a_secret_address_is_told_to_nobody(open_lan):
    browser = open_lan.browser()
    secret = browser.get("/p/aaaaaaaaaaaaaaaaaaaaaa").headers
    assert secret["referrer-policy"] == "no-referrer"
    assert browser.get("/sign-in").headers["referrer-policy"] == "same-origin"


def test_static_files_are_kept_and_asked_for_again_and_do_not_name_the_server(open_here):
    """Of no-cache: RFC 9111, 5.2.2.4; without it an update's scripts meet those of before."""
    headers = open_here.browser().get("/static/own.css").headers
    assert headers["cache-control"] == "no-cache"
    assert "server" not in headers


def test_only_under_tls_a_browser_is_told_to_stay_there(store):
    secure = door(store, secure=True)
    headers = secure.browser().get("/sign-in").headers
    assert headers["strict-transport-security"] == "max-age=2592000"
    assert headers["cross-origin-opener-policy"] == "same-origin"


def test_browsers_are_not_told_what_they_would_complain_of(open_lan):
    assert "cross-origin-opener-policy" not in open_lan.browser().get("/sign-in").headers
    here = open_lan.browser("127.0.0.1", "http://127.0.0.1:8642")
    assert here.get("/sign-in").headers["cross-origin-opener-policy"] == "same-origin"


async def test_a_watch_that_fails_ends_the_page_and_is_logged(open_lan, monkeypatch, caplog):
    """Nobody is watched by it any more, so nobody is served."""
    sent: list[Any] = []

    async def fails(grant: Principal) -> bool:
        raise KeyError("of ours")

    async def send(message: Any) -> None:
        sent.append(message)

    async def never() -> Any:
        await asyncio.Event().wait()

    async def why() -> str:
        return "signed out"

    monkeypatch.setattr(open_lan.access, "lasts", fails)
    grant = Principal(Rights.COACH, b"key")
    watched = guard._Watched(never, send, grant, open_lan.access, why)
    await watched.watch()
    assert watched.has_ended and [one["reason"] for one in sent] == ["signed out"]
    assert (await watched.receive())["type"] == "websocket.disconnect"
    assert [one.message for one in caplog.records] == ["watch of a page"]
