"""The live page told odd but lawful things, without a gateway: layouts, names, notes, feet."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.support.browser import Complaints
from tests.support.toldpage import DRILL, HTML, Gateway, frame, hello

from plantigrade.zones import eighteen, parse_layout

pytestmark = pytest.mark.dear

EIGHT = Path(__file__).resolve().parents[4] / "hardware_notes/layouts/eight_zone_newtons.toml"
SIZES = ((320, 640), (360, 800), (768, 1024), (1024, 768), (1280, 800))


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
    last = {"verdict": "good", "words": "x" * 200, "line": HTML, "what": "try", "n": 1}
    gateway.say(
        {"type": "drill", **DRILL, **score, "streak": 1, "best": 1, "last": last},
        {"type": "said", "text": "note: " + "y" * 500, "level": "warn"},
    )
    expect(page.locator("#drill-title")).to_have_text(DRILL["title"])
    expect(page.locator("#drill-choice option:checked")).to_have_text(DRILL["title"])
    expect(page.locator("#source")).to_have_text(HTML)
    assert page.locator("#main img").count() == 0
    assert stands_out(page) == []
    page.locator("#large").click()
    expect(page.locator("#large-line")).to_contain_text("onerror")
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
