"""What the live page says its classes are decided by."""

from collections.abc import Iterator
from importlib import resources
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect
from tests.support.live_schema import live_messages

from plantigrade.limits import Limits
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.sound.output import open_sound

pytestmark = pytest.mark.dear

WEB = resources.files("plantigrade_gateway") / "web"


class Told:
    """A page nobody looks at, which keeps what it is told."""

    viewers = dropped = 0

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []

    def send(self, message: dict[str, Any]) -> None:
        self.messages.append(message)


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """Give the part of the live page's template beside its modules, not joined to a gateway."""
    template = (WEB / "templates" / "live.html").read_text("utf-8")
    start = template.index('<details id="decided"')
    body = template[start : template.index("</details>", start)] + "</details>"

    def answer(route: Route) -> None:
        name = route.request.url.rsplit("/", 1)[-1]
        if name.endswith(".js"):
            text = (WEB / "static" / name).read_text("utf-8")
            route.fulfill(body=text, content_type="text/javascript")
        else:
            route.fulfill(body=f"<!doctype html>{body}", content_type="text/html")

    with browser.new_context() as context:
        made = context.new_page()
        made.route("**/*", answer)
        made.goto("http://page.invalid/static/")
        yield made


def hello(tmp_path, **limits: float) -> dict[str, Any]:
    """Return what a page is told of a session with some limits."""
    told = Told()
    feed = LiveFeed(told, open_sound("none"), shelf(tmp_path / "store"))  # type: ignore[arg-type]
    feed.settle(SessionSettings(mass_kg=74.0, limits=Limits(**limits)))
    found = [m for m in told.messages if m["type"] == "hello"]
    return found[-1]


def test_the_message_says_the_session_s_limits(tmp_path):
    """3 % of 74 kg × 9.80665 m/s² is 21.8 N."""
    message = hello(tmp_path, push_rolled=0.37)
    by_the_hub = {**dict.fromkeys(("drill", "swing", "link", "set", "phase")), "rights": "coach"}
    live_messages().validate({**message, **by_the_hub})
    decided = message["decided_by"]
    assert "rolled: transfer 0.37 or more" in decided["push"]
    assert decided["set"] == "push_rolled 0.37 in place of 0.2 shift time"
    assert decided["lead heel"].startswith("unloaded: under 22 N (3 % of body weight")
    assert "set" not in hello(tmp_path)["decided_by"]


def test_the_page_shows_them_folded_away(page, tmp_path):
    tell = "m => import('./decided.js').then(({ Decided }) => new Decided().hello(m))"
    expect(page.locator("#decided")).to_be_hidden()
    page.evaluate(tell, hello(tmp_path, push_rolled=0.37))
    page.locator("#decided summary").click()
    expect(page.locator("#decided dt")).to_have_text(
        ["bearing", "roll", "lead heel", "push", "set"]
    )
    expect(page.locator("#decided-list")).to_contain_text("rolled: transfer 0.37 or more")
    page.evaluate(tell, {"type": "hello", "gateway": False})
    expect(page.locator("#decided")).to_be_hidden()


def test_the_page_joins_them_to_the_gateway_s_messages():
    joined = (WEB / "static" / "live.js").read_text("utf-8")
    assert 'from "./decided.js"' in joined and "new Decided()" in joined
