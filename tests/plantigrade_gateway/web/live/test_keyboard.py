"""The live page by keyboard and in a system's own colours; without a gateway. All invented."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect
from tests.support.browser import laid_out
from tests.support.toldpage import Gateway, frame, gateway_of, hello

from plantigrade.zones import eighteen

pytestmark = pytest.mark.dear

PLAYERS = [{"id": f"{k:032x}", "name": f"P-{k}", "last": None} for k in range(3)]
SETS = {"intents": ["smooth", "full", "fast"], "clubs": ["7 iron"]}


@pytest.fixture
def gateway(browser: Browser) -> Iterator[Gateway]:
    with gateway_of(browser, PLAYERS, forced_colors="active") as made:
        yield made


@pytest.mark.slow
def test_a_press_whose_button_goes_leaves_the_focus_beside_it(gateway):
    """Else it is at the top of the page, and all of it must be tabbed through again."""
    now = {"type": "set", "name": "full", "n": 1, "t_s": 2.0}
    gateway.open(hello(eighteen(), player=PLAYERS[0]["id"], set=now, **SETS), frame(1.0, 18))
    page = gateway.page
    page.locator("#set-end").press("Enter")
    gateway.say({"type": "set", "name": None})
    expect(page.locator("#set-end")).to_be_hidden()
    expect(page.locator("#set-club")).to_be_focused()

    page.locator("#player-recent button").first.press("Enter")
    gateway.say(hello(eighteen(), player=PLAYERS[1]["id"], **SETS))
    expect(page.locator("#player-now")).to_have_text("P-1")
    expect(page.locator("#player-more")).to_be_focused()


@pytest.mark.slow
def test_a_focus_elsewhere_is_left_there(gateway):
    now = {"type": "set", "name": "full", "n": 1, "t_s": 2.0}
    gateway.open(hello(eighteen(), player=PLAYERS[0]["id"], set=now, **SETS), frame(1.0, 18))
    page = gateway.page
    page.locator("#note").focus()
    gateway.say({"type": "set", "name": None})
    gateway.say(hello(eighteen(), player=PLAYERS[1]["id"], **SETS))
    expect(page.locator("#player-now")).to_have_text("P-1")
    expect(page.locator("#note")).to_be_focused()


@pytest.mark.slow
def test_what_is_pressed_is_seen_in_the_systems_own_colours(gateway):
    """The system takes the page's grounds away there, and with them the only sign of it."""
    gateway.open(hello(eighteen()), frame(1.0, 18))
    button = gateway.page.locator("#sound-say")
    colours = "e => [getComputedStyle(e).backgroundColor, getComputedStyle(e).color]"
    before = button.evaluate(colours)
    button.evaluate("e => e.setAttribute('aria-pressed', 'true')")
    pressed = button.evaluate(colours)
    assert pressed[0] != before[0] and pressed[0] != pressed[1]


@pytest.mark.slow
@pytest.mark.parametrize("width", [320, 390])
@pytest.mark.parametrize("text_percent", [100, 150, 200])
def test_enlarged_text_moves_nothing_out_of_a_phones_screen(gateway, width, text_percent):
    """WCAG 2.2, 1.4.4: text to twice its size, and nothing is lost."""
    page = gateway.page
    page.set_viewport_size({"width": width, "height": 844})
    link = {"state": "streaming", "battery_percent": 87, "lost_share": 0.0, "links": 1}
    whole = {"feet": {"left": link, "right": link}, "store": {}, "dropped_frames": 0}
    score = {"good": 1, "tried": 3, "unclear": 0, "streak": 0, "best": 1, "last": None}
    named = {"name": "push", "title": "Roll the push through", "goal": "", "counts": ""}
    drill = {"type": "drill", "feedback": "every", **named, **score}
    told = hello(eighteen(), player=PLAYERS[0]["id"], link=whole, drill=drill, **SETS)
    gateway.open(told, frame(1.0, 18))
    expect(page.locator("#left-link")).to_have_text("streaming, battery 87 %, loss 0.0 %")
    page.evaluate("size => document.documentElement.style.fontSize = size", f"{text_percent}%")
    laid_out(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    skip = page.locator(".skip").bounding_box()
    assert skip is not None and skip["x"] + skip["width"] <= 0  # until it is reached by a key
    tops = {round(page.locator(f"#{side}-foot").bounding_box()["y"]) for side in ("left", "right")}
    if width == 390:
        assert len(tops) == (1 if text_percent == 100 else 2), "side by side where there is room"


def test_the_tools_stand_in_one_line_beside_pages_in_two(gateway):
    gateway.page.set_viewport_size({"width": 360, "height": 780})
    gateway.open(hello(eighteen()), frame(1.0, 18))
    tops = {one.bounding_box()["y"] for one in gateway.page.locator(".top .tools button").all()}
    assert len(tops) == 1
