"""The live page told odd but lawful things, without a gateway: layouts, names, notes, feet."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jinja2
import pytest
from playwright.sync_api import Browser, Page, Route, WebSocketRoute, expect
from tests.support.browser import Complaints

import plantigrade_gateway.web
from plantigrade.zones import ZoneLayout, eighteen, parse_layout

pytestmark = pytest.mark.dear

WEB = Path(plantigrade_gateway.web.__file__).parent
EIGHT = Path(__file__).resolve().parents[4] / "hardware_notes/layouts/eight_zone_newtons.toml"
LIMIT_S = 60.0  # against hanging
HTML = "<img src=x onerror=alert(1)>"
SIZES = ((320, 640), (360, 800), (768, 1024), (1024, 768), (1280, 800))
DRILL = {"name": HTML, "title": f"{HTML} and a title that goes on for long", "goal": HTML}


def hello(layout: ZoneLayout, **values: Any) -> dict[str, Any]:
    return {
        "type": "hello",
        "v": 1,
        "gateway": True,
        "session": {"id": "one", "source": HTML, "started": "", "recording": True},
        "layout": layout.to_json(),
        "lead": "left",
        "cautions": ["Training aid, not a medical device or diagnosis."],
        "sound": {"said": "", "device": False, "lost": False},
        "drills": [DRILL],
        "drill": None,
        "swing": None,
        "link": None,
        "counts": {"steps": 0, "swings": 0, "good": 0},
        "rights": "coach",
        **values,
    }


def frame(t_s: float, n_zones: int) -> dict[str, Any]:
    """The left foot stands, the right one is away."""
    left = {"zones": [35.0] * n_zones, "load_n": 280.0, "load_bw": 0.4, "cop": [0.5, 0.4]}
    right = {"zones": None, "load_n": None, "load_bw": None, "cop": None, "away": True}
    feet = {"left": {**left, "away": False}, "right": right}
    return {"type": "frame", "t_s": t_s, "feet": feet, "lead_share": None, "sent_ms": 0.0}


class Gateway:
    """Answers for the gateway: its pages, and what a test has it say."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.sockets: list[WebSocketRoute] = []
        loader = jinja2.FileSystemLoader(str(WEB / "templates"))
        live = jinja2.Environment(loader=loader, autoescape=True).get_template("live.html")

        def answer(route: Route) -> None:
            path = WEB / route.request.url.removeprefix("http://page.invalid/")
            if path.is_file():
                route.fulfill(path=str(path))
            else:
                route.fulfill(body=live.render(rights="coach"), content_type="text/html")

        page.route("**/*", answer)
        page.route_web_socket("**/live", lambda socket: self.sockets.append(socket))

    def say(self, *messages: dict[str, Any]) -> None:
        for message in messages:
            self.sockets[-1].send(json.dumps(message))

    def until_connected(self, times: int) -> None:
        end_s = time.monotonic() + LIMIT_S
        while len(self.sockets) < times:
            assert time.monotonic() < end_s, "the page does not connect"
            self.page.wait_for_timeout(20)

    def open(self, *messages: dict[str, Any]) -> None:
        self.page.goto("http://page.invalid/")
        self.until_connected(1)
        self.say(*messages)
        self.page.get_by_role("button", name="Understood").click()


@pytest.fixture
def gateway(browser: Browser) -> Iterator[Gateway]:
    with browser.new_context(viewport={"width": 360, "height": 800}) as context:
        page = context.new_page()
        complaints = Complaints(page)
        yield Gateway(page)
        assert complaints == []


def stands_out(page: Page) -> list[tuple[int, int]]:
    """Return at which widths the page is wider than the screen, and how wide."""
    found = []
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        wide = page.evaluate("document.documentElement.scrollWidth")
        found += [(width, wide)] if wide > width else []
    return found


def test_names_are_text_and_long_words_break(gateway):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    score = {"counts": HTML, "feedback": "every", "good": 1, "tried": 2, "unclear": 0}
    last = {"verdict": "good", "words": "x" * 200}
    gateway.say(
        {"type": "drill", **DRILL, **score, "streak": 1, "best": 1, "last": last},
        {"type": "said", "text": "note: " + "y" * 500, "level": "warn"},
    )
    expect(page.locator("#drill-title")).to_have_text(DRILL["title"])
    expect(page.locator("#drill-choice option:checked")).to_have_text(DRILL["title"])
    expect(page.locator("#source")).to_have_text(HTML)
    assert page.locator("#main img").count() == 0
    assert stands_out(page) == []


def test_another_layout_and_a_foot_that_is_away(gateway):
    eight = parse_layout(EIGHT.read_text("utf-8"))
    gateway.open(hello(eight), frame(1.0, 8))
    page = gateway.page
    page.get_by_text("Readings as a table, N").click()
    gateway.say(frame(1.3, 8))
    expect(page.locator("#right-load")).to_have_text("away")
    expect(page.locator("#left-load")).to_have_text("0.40 × BW, 280 N")
    expect(page.locator("#scale-most")).to_have_text("100 N")
    expect(page.locator("#readings tbody tr")).to_have_count(8)
    expect(page.locator("#readings tbody tr").first.locator("td")).to_have_text(["35", "–"])
    assert stands_out(page) == []


def test_the_columns_end_on_one_line_and_a_phone_begins_with_the_outcome(gateway):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    page.set_viewport_size({"width": 1024, "height": 768})
    ends = page.locator(".column > :last-child").evaluate_all(
        "found => found.map((one) => one.getBoundingClientRect().bottom)"
    )
    assert len(ends) == 2 and abs(ends[0] - ends[1]) <= 1.0
    page.set_viewport_size({"width": 360, "height": 800})
    tops = [
        page.locator(f".panel.{name}").evaluate("one => one.getBoundingClientRect().top")
        for name in ("outcome", "feet", "share", "strip", "drill", "happened", "link")
    ]
    assert tops == sorted(tops)


def test_a_gateway_that_comes_back_is_followed(gateway):
    """What it said of its links and store goes with it; a session that it begins starts at zero."""
    gateway.open(hello(eighteen()), frame(500.0, 18))
    page = gateway.page
    foot = {"state": "streaming", "silent_s": 4.0, "lost_share": 0.0, "clock_locked": True}
    link = {"type": "link", "feet": {"left": foot}, "store": {"problem": "disk full"}}
    gateway.say({**link, "dropped_frames": 0})
    expect(page.locator("#link-away")).to_have_text("No data: left foot away for 4 s.")
    expect(page.locator("#link-problem")).to_contain_text("disk full")
    gateway.sockets[-1].close(code=1013, reason="")
    expect(page.locator("#connection")).to_contain_text("What is shown is not live")
    expect(page.locator("#link-away")).to_be_hidden()
    expect(page.locator("#link-problem")).to_be_hidden()
    gateway.until_connected(2)
    session = {"id": "two", "source": "recording", "started": "", "recording": True}
    gateway.say(hello(eighteen(), session=session), frame(1.0, 18))
    expect(page.locator("#connection")).to_be_hidden()
    page.get_by_role("button", name="Understood").click()
    gateway.say(frame(3.0, 18))
    expect(page.locator("#clock")).to_have_text("0:03")


def test_a_page_without_a_session_says_so(gateway):
    gateway.page.goto("http://page.invalid/")
    gateway.until_connected(1)
    gateway.say(hello(eighteen(), session=None))
    expect(gateway.page.locator("#state")).to_have_text("not recording")
    expect(gateway.page.locator("#outcome")).to_have_text("No swing yet.")
    gateway.say({"type": "hello", "v": 1, "session": None, "gateway": False, "drills": []})
    expect(gateway.page.locator("#state")).to_have_text("no gateway is running")
    assert gateway.page.locator("#record").is_disabled()
    assert stands_out(gateway.page) == []
