"""The desk in a real browser: list, session, zoom, swing, slider, set, by keyboard too."""

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.support.browser import Complaints, HeldBack, barriers, laid_out
from tests.support.deskserver import served
from tests.support.practice import store_practice

from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.worker import prepare

pytestmark = pytest.mark.dear

DRAWN = "#chart[data-drawn]"
TOUCH = """(() => {
  const found = [];
  const look = (node) => {
    for (const one of node.querySelectorAll("*")) {
      if (one.classList.contains("bk-events")) found.push(getComputedStyle(one).touchAction);
      if (one.shadowRoot) look(one.shadowRoot);
    }
  };
  look(document.getElementById("chart"));
  return found;
})()"""


@pytest.fixture(scope="module")
def address(tmp_path_factory) -> Iterator[str]:
    path: Path = tmp_path_factory.mktemp("desk") / "store.sqlite3"
    with Store.open(path) as store:
        prepare(store, store_practice(store))
    with served(path) as url:
        yield url


@pytest.fixture
def page(browser: Browser, address) -> Iterator[Page]:
    with browser.new_context(viewport={"width": 1024, "height": 768}) as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.goto(f"{address}/sessions")
        yield page
        assert complaints == []


def model(page: Page, name: str, what: str):
    """A value of a chart's model."""
    return page.evaluate(f"Bokeh.documents.at(-1).get_model_by_name('{name}').{what}")


def seen_s(page: Page) -> tuple[float, float]:
    """From when to when the time line is seen, s."""
    return model(page, "time", "start") / 1000, model(page, "time", "end") / 1000


@pytest.mark.slow
def test_from_the_list_to_a_frame_of_a_swing_and_its_set(page):
    page.locator("tbody th a").first.click()
    page.wait_for_selector(DRAWN)
    whole = seen_s(page)
    assert whole[1] - whole[0] == pytest.approx(507.2, abs=0.1)
    expect(page.get_by_role("status")).to_contain_text("lowest and highest row of every")
    drawn = page.evaluate("Bokeh.documents.at(-1).get_model_by_name('left').data.t.length")
    assert 500 < drawn < 5000 < 50_000
    assert barriers(page) == []

    page.get_by_label("Go to").select_option(label="swing 3, 1:31.1")
    expect(page.get_by_role("status")).to_contain_text("every row is drawn")
    assert seen_s(page) == pytest.approx((90.1, 95), abs=1.5)
    times = page.evaluate("Array.from(Bokeh.documents.at(-1).get_model_by_name('left').data.t)")
    steps = [b - a for a, b in pairwise(times)]
    assert min(steps) == pytest.approx(10.0, abs=0.01)  # ms: each sample is there

    page.locator("td.links").get_by_role("link", name="Swing 3,").click()
    page.wait_for_url("**/swings/3")  # the page before has a chart too
    page.wait_for_selector(DRAWN)
    when, slider = page.locator("#when"), page.get_by_label("Frame", exact=True)
    expect(when).to_contain_text("+0.00 s from the shift")
    at_shift = page.locator("[data-load]").all_text_contents()
    slider.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    expect(when).to_contain_text("+0.02 s")
    page.get_by_role("button", name="lead peak").click()
    expect(when).to_contain_text("+0.38 s")
    assert page.locator("[data-load]").all_text_contents() != at_shift
    assert slider.get_attribute("aria-valuetext").endswith("lead share 85 %")
    assert model(page, "cursor", "data.t[0]") == pytest.approx(0.38, abs=0.02)
    colours = page.locator('svg[data-foot="left"] path.zone').evaluate_all(
        "shapes => shapes.map(shape => shape.getAttribute('fill'))"
    )
    readings = page.locator('svg[data-foot="left"] text').all_text_contents()
    assert len(set(colours)) > 3 and len(readings) == 18 and all(t.isdigit() for t in readings)
    by_load = sorted(zip(map(int, readings), colours, strict=True))
    light = [sum(map(int, re.findall(r"\d+", colour))) for _, colour in by_load]
    assert light[0] > 2 * light[-1]  # on a light ground, as on the live page
    assert barriers(page) == []
    page.goto(page.url.replace("/swings/3", "/swings/6"))  # whose frame is 3 ms before its shift
    page.wait_for_selector(DRAWN)
    expect(when).to_contain_text("+0.00 s from the shift")

    page.get_by_role("link", name="Whole set smooth").click()
    page.wait_for_url("**/sets/*")
    page.wait_for_selector(DRAWN)
    assert model(page, "share_each", "data.xs.length") == 11
    mean = page.evaluate("Bokeh.documents.at(-1).get_model_by_name('lead_mean').data.mean")
    numbers = [float(v) for v in (mean.values() if isinstance(mean, dict) else mean)]
    assert 1.0 < max(v for v in numbers if v == v) < 1.4
    page.get_by_label("Beside").select_option(label="set full, 3:32")
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_role("heading", name="Measures, beside set full")).to_be_visible()
    page.wait_for_selector(DRAWN)
    assert barriers(page) == []


def test_medial_is_inside_in_both_pictures(page):
    first = page.locator("tbody th a").first.get_attribute("href")
    page.goto(f"{page.url.removesuffix('/sessions')}{first}/swings/3")
    expect(page.locator("[data-zone='1'][d]")).to_have_count(2)
    places = {
        foot: page.locator(f'svg[data-foot="{foot}"] [data-zone="1"]').evaluate(
            """zone => {
                const box = zone.getBBox();
                return [box.x + box.width / 2, box.y + box.height / 2];
            }"""
        )
        for foot in ("left", "right")
    }
    # zone 1 lies medially in the heel: to the right in the left foot's picture, and at the bottom
    assert places["left"][0] > 107 / 2 > places["right"][0]
    assert places["left"][1] == pytest.approx(places["right"][1], abs=0.2)
    assert places["left"][1] > 250


@pytest.mark.slow
def test_the_time_line_is_moved_by_keyboard_and_follows_the_colours(page):
    page.locator("tbody th a").first.click()
    page.wait_for_selector(DRAWN)
    whole = seen_s(page)
    for name, expected in (("Zoom in", 0.5), ("Zoom in", 0.25), ("Zoom out", 0.5)):
        page.get_by_role("button", name=name).focus()
        page.keyboard.press("Enter")
        part = seen_s(page)
        assert part[1] - part[0] == pytest.approx(expected * (whole[1] - whole[0]), rel=1e-6)
    page.get_by_role("button", name="Earlier").press("Enter")
    page.get_by_role("button", name="Earlier").press("Enter")
    part = seen_s(page)
    assert part[0] == pytest.approx(whole[0])  # no further than the session goes
    page.get_by_label("Colours").select_option("dark")
    page.wait_for_selector('#chart[data-drawn="dark"]')
    assert seen_s(page) == pytest.approx(part)  # what was seen is seen still
    page.get_by_role("button", name="Whole session").press("Enter")
    assert seen_s(page) == pytest.approx(whole)


@pytest.mark.slow
def test_a_drag_moves_the_time_line_and_a_press_on_a_swing_opens_it(page):
    page.set_viewport_size({"width": 1024, "height": 1200})
    page.locator("tbody th a").first.click()
    page.wait_for_selector(DRAWN)
    page.get_by_label("Go to").select_option(label="swing 3, 1:31.1")
    expect(page.get_by_role("status")).to_contain_text("every row is drawn")
    before = seen_s(page)
    page.locator("#chart").scroll_into_view_if_needed()
    box = page.locator("#chart").bounding_box()
    assert box is not None
    middle = box["x"] + box["width"] / 2
    page.mouse.move(middle, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(middle + 100, box["y"] + 60, steps=5)
    page.mouse.up()
    moved = seen_s(page)
    assert moved[0] < before[0] - 0.2
    assert moved[1] - moved[0] == pytest.approx(before[1] - before[0], rel=1e-3)
    laid_out(page)
    # the swing's bar stands in the middle of what was seen, now 100 px to the right; its row is
    # the lowest one, above the axis
    page.mouse.click(middle + 100, box["y"] + box["height"] - 60)
    page.wait_for_url("**/swings/3")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.slow
def test_on_a_phone_nothing_is_wider_than_the_screen(browser, address, scheme):
    with browser.new_context(
        viewport={"width": 390, "height": 844}, color_scheme=scheme, has_touch=True, is_mobile=True
    ) as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.goto(f"{address}/sessions")
        first = page.locator("tbody th a").first.get_attribute("href")
        assert first is not None
        for end, has_chart in (
            ("", True),
            ("/swings/3", True),
            ("/sets/1", True),
            ("/sets/1?other=2", True),
            ("/swings", False),
            ("/steps", False),
        ):
            page.goto(f"{address}{first}{end}")
            if has_chart:
                page.wait_for_selector(f'#chart[data-drawn="{scheme}"]')
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= 390, end
            if has_chart:  # a finger scrolls the page over the chart, which fills the screen
                touch = page.evaluate(TOUCH)
                assert len(touch) >= 3 and set(touch) == {"pan-y"}, end
            assert barriers(page) == [], end
        assert complaints == []


def test_an_address_without_a_page_says_so(browser, address):
    with browser.new_context() as context:
        page = context.new_page()
        answer = page.goto(f"{address}/nowhere")
        assert answer is not None and answer.status == 404
        assert page.locator(".warn").inner_text() == "There is no page at this address."
        assert "Training aid" in page.locator("footer").inner_text()
        page.get_by_role("link", name="All sessions").click()
        page.wait_for_url("**/sessions")


@pytest.fixture
def unprepared(tmp_path) -> tuple[Path, str]:
    """A store whose session is not prepared, and the session's id."""
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        return path, store_practice(store)


@pytest.mark.slow
def test_a_swing_opened_directly_is_shown_when_it_is_prepared(browser, unprepared):
    path, session_id = unprepared
    with served(path) as url, browser.new_context() as context:
        page = context.new_page()
        complaints = Complaints(page)
        held = HeldBack(page, "**/prepared.json")  # so long it is looked at
        page.goto(f"{url}/sessions/{session_id}/swings/3")
        expect(page.get_by_role("heading", level=1)).to_have_text("Being prepared")
        assert barriers(page) == []
        held.let_go()
        expect(page.get_by_role("heading", level=1)).to_contain_text("Swing 3")
        expect(page.locator(DRAWN)).to_be_visible()
        assert complaints == []


@pytest.mark.slow
def test_what_cannot_be_prepared_is_said_once_and_not_tried_for_ever(browser, unprepared):
    path, session_id = unprepared
    with Store.open(path) as store:
        with store.database.writing() as db:
            db.execute("UPDATE sessions SET state = 'open'")
        *_, last = (entry for batch in store.batches(session_id) for entry in batch)
        store.append(session_id, Batch.of([replace(last, kind=Kind.SETTINGS, data=b"{")]))
        store.end_session(session_id, "end")
    with served(path) as url, browser.new_context() as context:
        page = context.new_page()
        loads: list[str] = []
        page.on("load", lambda loaded: loads.append(loaded.url))
        page.goto(f"{url}/sessions/{session_id}")
        said = page.locator("#preparing")
        expect(said).to_contain_text("could not be prepared: ")
        expect(said).to_contain_text("settings entry")
        page.wait_for_timeout(1500)  # three times as long as the page waits between its looks
        assert len(loads) == 1
