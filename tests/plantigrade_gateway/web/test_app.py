"""What the pages' application answers to whom, where nothing is, and to what a viewer sends."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocketDisconnect

from plantigrade_gateway.web.app import create_app, hear
from plantigrade_gateway.web.door.access import GRANT, Access, Principal, Rights
from plantigrade_gateway.web.live.audience import Audience

HTML = {"accept": "text/html"}
NOTHING = "There is no page at this address."


class Granted:
    """Stands for the door: lets everybody in with these rights."""

    def __init__(self, app: ASGIApp, rights: Rights | None) -> None:
        self._app, self._rights = app, rights

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] in ("http", "websocket") and self._rights is not None:
            scope[GRANT] = Principal(self._rights)
        await self._app(scope, receive, send)


@pytest.fixture
def browser(store) -> Callable[..., TestClient]:
    def opened(
        rights: Rights | None = Rights.COACH, audience: Audience | None = None
    ) -> TestClient:
        access = Access(store.database)
        app = create_app(audience or Audience(print), store.path, access)
        return TestClient(Granted(app, rights), follow_redirects=False)

    return opened


def test_where_nothing_is_a_program_reads_a_sentence_and_a_browser_a_page(browser):
    answer = browser().get("/nowhere")
    assert (answer.status_code, answer.text) == (404, f"{NOTHING}\n")
    shown = browser().get("/nowhere", headers=HTML)
    assert shown.status_code == 404 and shown.headers["content-type"].startswith("text/html")
    assert NOTHING in shown.text and "<html" in shown.text


def test_a_sound_that_is_none_says_so_and_one_that_is_may_be_kept(browser):
    answer = browser().get("/sounds/bang.wav")
    assert (answer.status_code, answer.text) == (404, "sound 'bang': there is none of this name\n")
    sound = browser().get("/sounds/quiet.wav")
    assert sound.status_code == 200 and sound.headers["content-type"] == "audio/wav"
    assert sound.headers["cache-control"] == "private, max-age=3600"
    assert sound.content[:4] == b"RIFF"


def test_each_part_of_the_pages_has_its_addresses(browser):
    """`hardware_notes/pages.md`: the desk's, the API's, the door's, health."""
    with browser() as client:
        for path in ("/sessions", "/players", "/rules", "/links", "/api/v1/players"):
            assert client.get(path).status_code == 200, path
        assert client.get("/healthz").status_code in (200, 503)
        assert client.get("/static/base.css").status_code == 200
        assert client.get("/static/bokeh/bokeh.min.js").status_code == 200


@pytest.mark.parametrize(
    ("rights", "live", "check"),
    [(Rights.COACH, 200, 200), (Rights.PLAYER, 200, 404), (None, 401, 401)],
)
def test_who_sees_the_live_page_and_the_check(browser, rights, live, check):
    assert browser(rights).get("/").status_code == live
    assert browser(rights).get("/check").status_code == check


def test_without_a_gateway_the_live_page_says_that_there_is_none(browser):
    with_one, without = browser().get("/").text, browser(audience=Audience()).get("/").text
    assert with_one != without and "live.js" in with_one and "live.js" not in without
    assert "live.js" not in browser(audience=Audience()).get("/check").text


def test_nobody_without_rights_is_told_anything(browser):
    with (
        browser(None).websocket_connect("/live") as socket,
        pytest.raises(WebSocketDisconnect) as closed,
    ):
        socket.receive_text()
    assert closed.value.code >= 4000  # one of an application's own (RFC 6455)


def test_a_viewer_is_greeted_and_heard(browser):
    asked: list[Any] = []
    audience = Audience(asked.append)
    with browser(audience=audience).websocket_connect("/live") as socket:
        assert json.loads(socket.receive_text())["type"] == "hello"
        socket.send_text('{"type": "mark", "text": "windy"}')
        socket.send_text('{"type": "made up"}')
        said = json.loads(socket.receive_text())
        assert (said["type"], said["level"]) == ("said", "warn")
        looks = {"type": "viewers", "n": 1, "sounding": 0}
        assert asked == [looks, {"type": "mark", "text": "windy"}]
        socket.send_bytes(b"\0")  # no page of ours sends bytes
        with pytest.raises(WebSocketDisconnect) as closed:
            socket.receive_text()
    assert closed.value.code == 1013
    assert audience.viewers == 0


async def test_what_is_no_message_is_answered_and_asks_nothing():
    asked: list[Any] = []
    audience = Audience(asked.append)
    viewer = audience.join(Rights.COACH)
    await viewer.next()
    asked.clear()  # that somebody looks
    for text in ("not JSON", "[" * 100, json.dumps({"type": "mark", "text": "x" * 5000})):
        hear(audience, viewer, text)
        said = json.loads(await viewer.next() or "")
        assert said["type"] == "said" and said["text"]
    assert asked == []


async def test_what_cannot_be_obeyed_is_answered_whatever_pictures_wait():
    """Of pictures that wait only a few are kept, and a sentence is none."""
    audience = Audience(lambda _: None)
    viewer = audience.join(Rights.COACH)
    await viewer.next()
    while not viewer.left_out:
        viewer.put("a picture", True)
    pictures = len(viewer._waiting)
    hear(audience, viewer, "not JSON")
    assert viewer.left_out == 1
    for _ in range(pictures):
        assert await viewer.next() == "a picture"
    said = json.loads(await viewer.next() or "")
    assert (said["type"], said["level"]) == ("said", "warn")
