"""The frame of every page, and its colours."""

import re
from importlib import resources

import jinja2
import pytest
from tests.support.browser import Complaints, barriers

pytestmark = pytest.mark.dear

WEB = resources.files("plantigrade_gateway") / "web"
CSS = (WEB / "static" / "base.css").read_text("utf-8")

THEMES = {
    "light": ":root {",
    "dark": ':root[data-theme="dark"] {',
    "as the device, dark": ":root:not([data-theme]) {\n    color-scheme",
    "sunlight": ':root[data-theme="sun"] {',
}
GROUNDS = ("paper", "panel")
WRITTEN = ("ink", "muted", "accent", "lead", "trail", "good", "warn")


def colours(theme: str) -> dict[str, str]:
    """Return the custom properties of a theme that are colours, those of the light one below it."""
    found: dict[str, str] = {}
    for start in (THEMES["light"], THEMES[theme]):
        block = CSS[CSS.index(start) :].split("}", 1)[0]
        found |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))
    return found


def luminance(colour: str) -> float:
    """Return relative luminance (WCAG 2.2, its definition)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2.2, its definition)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_standard():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("theme", THEMES)
def test_every_text_is_readable_on_every_ground(theme):
    have = colours(theme)
    least = 7.0 if theme == "sunlight" else 4.5
    pairs = [(text, ground) for text in WRITTEN for ground in GROUNDS]
    pairs += [("warn", "warn-ground"), ("ink", "warn-ground"), ("on-accent", "accent")]
    for text, ground in pairs:
        assert contrast(have[text], have[ground]) >= least, f"{text} on {ground}"
    for ground in GROUNDS:
        assert contrast(have["edge"], have[ground]) >= 3.0  # WCAG 2.2, 1.4.11
        assert contrast(have["focus"], have[ground]) >= 3.0


def test_dark_is_the_same_chosen_or_by_the_device():
    assert colours("dark") == colours("as the device, dark")
    assert colours("dark") != colours("light")


def rendered(**values) -> str:
    """Return a page that is nothing but the frame."""
    loader = jinja2.FileSystemLoader(str(WEB / "templates"))
    return (
        jinja2.Environment(loader=loader, autoescape=True)
        .get_template("base.html")
        .render(beside={}, has_gateway=lambda: True, **values)
    )


def test_a_player_sees_no_way_to_other_pages():
    assert 'href="/sessions"' in rendered(rights="coach")
    assert 'href="/sessions"' not in rendered(rights="player")


def test_nothing_is_inline():
    """A strict content policy allows neither scripts nor styles in the page itself."""
    html = rendered()
    assert "style=" not in html and "<style" not in html
    assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", html))
    assert not re.search(r"\son\w+=", html)


@pytest.mark.slow
def test_chosen_colours_stay(browser):
    files = {path.name: path for path in (WEB / "static").iterdir()}

    def answer(route):
        name = route.request.url.split("/")[-1]
        if name in files:
            route.fulfill(path=str(files[name]))
        else:
            route.fulfill(body=rendered(here="live"), content_type="text/html")

    with browser.new_context() as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.route("**/*", answer)
        page.goto("http://page.invalid/")
        for choice, rgb in (
            ("light", "rgb(255, 255, 255)"),
            ("dark", "rgb(16, 20, 24)"),
            ("sun", "rgb(255, 255, 255)"),
        ):
            page.get_by_label("Colours").select_option(choice)
            page.reload()
            assert page.evaluate("document.documentElement.dataset.theme") == choice
            assert page.get_by_label("Colours").input_value() == choice
            ground = "getComputedStyle(document.documentElement).backgroundColor"
            assert page.evaluate(ground) == rgb
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        assert page.evaluate("document.activeElement.getBoundingClientRect().left") == 0
        assert barriers(page) == []
        assert complaints == []
