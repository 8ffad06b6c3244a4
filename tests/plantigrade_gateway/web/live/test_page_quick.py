"""What a gateway tells its web process and hears of it, without one: orders, queue, sentences."""

import io
import sys
import webbrowser
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from plantigrade_gateway.errors import PageError
from plantigrade_gateway.web.door.certificate import Certificate
from plantigrade_gateway.web.live import page as live_page
from plantigrade_gateway.web.live.page import MAX_WAITING, Page, WebOptions, has_screen, opened_page

TLS = Certificate(Path("/c.pem"), Path("/k.pem"), ("bay.example", "other.example"))
NAMELESS = Certificate(Path("/c.pem"), Path("/k.pem"), ())


@pytest.fixture(autouse=True)
def place(monkeypatch) -> None:
    """No web process is started; this machine's address is one of documentation (RFC 5737)."""
    monkeypatch.setattr(Page, "_run", lambda self: None)
    monkeypatch.setattr(live_page, "lan_address", lambda: "192.0.2.7")


def told(order: WebOptions, said: list[str] | None = None, on_command: Any = print) -> Page:
    heard = [] if said is None else said
    return Page(order, Path("/s/store.sqlite3"), on_command, heard.append)


# ---- orders ----


def test_the_usual_order_is_for_this_machine_alone():
    start = WebOptions().start("usual:8642", Path("/s/store.sqlite3"))
    assert (start.host, start.port, start.store) == ("127.0.0.1", "usual:8642", "/s/store.sqlite3")
    assert (start.lan, start.cert, start.key, list(start.names)) == (False, None, None, [])
    assert (start.pair, start.has_gateway) == ("", True)


def test_an_order_for_the_local_network_has_its_certificate():
    order = WebOptions(lan=True, certificate=TLS, pair="B", has_gateway=False)
    start = order.start("8000", Path("s"))
    assert (start.host, start.lan, start.pair, start.has_gateway) == ("0.0.0.0", True, "B", False)
    assert (start.cert, start.key) == ("/c.pem", "/k.pem")
    assert list(start.names) == ["bay.example", "other.example"]


@pytest.mark.parametrize(
    ("order", "url", "said"),
    [
        (WebOptions(), "http://127.0.0.1:9/", "Live page: http://127.0.0.1:9/"),
        (
            WebOptions(has_gateway=False),
            "http://127.0.0.1:9/",
            "Desk: http://127.0.0.1:9/players",
        ),
        (
            WebOptions(lan=True, certificate=TLS),
            "https://bay.example:9/",
            "Live page, in the local network and after the sign-in: https://bay.example:9/",
        ),
        (
            WebOptions(lan=True, certificate=NAMELESS, has_gateway=False),
            "https://127.0.0.1:9/",
            "Desk, in the local network and after the sign-in: https://192.0.2.7:9/players",
        ),
    ],
)
def test_where_the_page_is_and_for_whom(order, url, said):
    assert order.url("9") == url
    assert order.said("9") == [said]


def test_without_a_certificate_it_warns_of_the_password(monkeypatch):
    order = WebOptions(lan=True)
    first, warning = order.said("9")
    assert first.endswith("after the sign-in: http://192.0.2.7:9/")
    assert "may read the password" in warning and "--tls-cert and --tls-key" in warning
    monkeypatch.setattr(live_page, "lan_address", lambda: None)
    assert order.said("9")[0].endswith("http://127.0.0.1:9/")


# ---- what is told ----


def test_nobody_looks_before_the_page_is_there():
    page = told(WebOptions())
    assert (page.viewers, page.sounding, page.dropped, page.has_ended) == (0, 0, 0, False)
    assert (page.url, page.problem, page.is_up) == (None, None, False)
    assert page.wait(0.0) is None
    assert page.said == ["Live page: http://127.0.0.1:usual:8642/"]
    page.close()


def test_of_pictures_the_last_waits_and_of_messages_a_thousand():
    page = told(WebOptions(port=8000))
    alive = cast(Any, SimpleNamespace(poll=lambda: None))
    for n in range(3):
        page.send({"type": "frame", "n": n})
    page.send({"type": "step", "n": 0})
    assert page.dropped == 2
    assert page._next(alive) == [{"type": "step", "n": 0}, {"type": "frame", "n": 2}]
    for n in range(MAX_WAITING + 5):
        page.send({"type": "step", "n": n})
    assert page.dropped == 2 + 5
    waiting = page._next(alive)
    assert waiting is not None and [one["n"] for one in waiting] == list(range(5, MAX_WAITING + 5))
    ended = cast(Any, SimpleNamespace(poll=lambda: 1))
    assert page._next(ended) is None
    page.send({"type": "step", "n": 1})
    page.close()
    assert page._next(alive) == [{"type": "step", "n": 1}]  # before it ends
    assert page._next(alive) is None


def test_what_is_of_now_is_kept_for_the_next_web_process():
    page = told(WebOptions())
    for n in (1, 2):
        for kind in ("hello", "sound", "swing", "drill", "set", "link", "check", "step", "cue"):
            page.send({"type": kind, "n": n})
    kept = [(kind, message["n"]) for kind, message in page._kept.items()]
    assert kept == [
        *(("hello", 2), ("sound", 2), ("swing", 2), ("drill", 2)),
        *(("set", 2), ("link", 2), ("check", 2)),
    ]


# ---- what is heard ----


def heard(page: Page, *lines: str) -> None:
    page._listen(cast(Any, SimpleNamespace(stdout=io.StringIO("\n".join(lines)))))


def test_it_says_where_it_is_once_and_counts_who_looks():
    said: list[str] = []
    asked: list[Any] = []
    page = told(WebOptions(), said, asked.append)
    page._hear({"type": "ready", "port": 8001})
    assert page.is_up and page.wait(0.0) == page.url == "http://127.0.0.1:8001/"
    page._hear({"type": "viewers", "n": 3, "sounding": 2})
    assert (page.viewers, page.sounding) == (3, 2)
    page._hear({"type": "viewers", "n": 1})
    assert (page.viewers, page.sounding) == (1, 0)
    page._hear({"type": "mark", "text": "windy"})
    assert asked == [{"type": "mark", "text": "windy"}]
    page._hear({"type": "ready", "port": 8001})
    assert said == ["Live page: http://127.0.0.1:8001/"]
    heard(page, "not JSON", '{"type": "viewers", "n": 4}')
    assert page.viewers == 4 and page.has_ended and not page.is_up
    assert page.url == "http://127.0.0.1:8001/"  # it may come back


@pytest.mark.parametrize(
    ("show", "screen", "opened"), [(True, True, 1), (True, False, 0), (False, True, 0)]
)
def test_a_browser_is_opened_where_it_is_asked_for_and_can_be_seen(
    monkeypatch, show, screen, opened
):
    urls: list[str] = []
    monkeypatch.setattr(webbrowser, "open", urls.append)
    monkeypatch.setattr(live_page, "has_screen", lambda: screen)
    page = told(WebOptions(show=show))
    for _ in range(2):
        page._hear({"type": "ready", "port": 8001})
    assert urls == ["http://127.0.0.1:8001/"] * opened


def test_a_screen_is_known_by_the_system_or_its_settings(monkeypatch):
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "platform", "linux")
    assert not has_screen()
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        with monkeypatch.context() as patch:
            patch.setenv(name, ":0")
            assert has_screen()
    for platform in ("darwin", "win32"):
        monkeypatch.setattr(sys, "platform", platform)
        assert has_screen()


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (['{"type": "failed", "text": "live page: port 80 is taken"}'], "port 80 is taken"),
        ([], "live page: did not come up; go on with --no-page"),
    ],
)
def test_one_that_does_not_come_up_is_an_error_with_what_to_do(monkeypatch, lines, said):
    monkeypatch.setattr(Page, "_run", lambda self: heard(self, *lines))
    with (
        pytest.raises(PageError, match=said),
        opened_page(WebOptions(), Path("/s/store.sqlite3"), print, print),
    ):
        pass


def test_one_that_is_slow_to_start_is_waited_for_no_longer(monkeypatch):
    monkeypatch.setattr(Page, "wait", lambda self: None)
    said: list[str] = []
    with opened_page(WebOptions(), Path("/s/store.sqlite3"), print, said.append) as page:
        assert page is not None
    assert said == ["The live page is slow to start; its address is said when it is there."]
