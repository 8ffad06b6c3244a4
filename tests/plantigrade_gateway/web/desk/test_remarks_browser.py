"""Judging by eye, notes and a file of club speeds in a real browser, on phone and tablet."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.support.browser import Complaints, HeldBack, is_well_made
from tests.support.deskserver import served
from tests.support.practice import store_practice

from plantigrade_gateway.people.visits import read_session, said_of_session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.worker import prepare

pytestmark = pytest.mark.dear

SIZES = {"phone": (390, 844), "tablet": (820, 1180)}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("remarks") / "store.sqlite3"
    with Store.open(path) as store:
        prepare(store, store_practice(store, 130_000_000_000))
    return path


@pytest.fixture(params=SIZES)
def page(request, browser: Browser, path) -> Iterator[Page]:
    width, height = SIZES[request.param]
    with (
        served(path) as address,
        browser.new_context(viewport={"width": width, "height": height}) as context,
    ):
        page = context.new_page()
        complaints = Complaints(page)
        page.goto(f"{address}/sessions")
        page.locator("a[href^='/sessions/']").last.click()
        page.wait_for_url("**/sessions/*")
        yield page
        assert complaints == []


@pytest.mark.slow
def test_a_swing_is_judged_with_two_taps_and_the_next_one_is_offered(page):
    page.get_by_role("link", name="Judge by eye, blind").click()
    assert is_well_made(page)
    page.get_by_role("button", name="not good").click()
    page.get_by_role("button", name="down", exact=True).click()
    expect(page.get_by_text("You tapped push: not good; heel: down.")).to_be_visible()
    expect(page.locator("#chart[data-drawn]")).to_be_visible()
    assert is_well_made(page)
    page.get_by_role("link", name="Judge swing 2").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("what did you see?")
    page.get_by_role("button", name="Show the program’s answer").click()
    expect(page.get_by_role("heading", name="Why it is called so")).to_be_visible()
    page.get_by_role("link", name="Back to the session").click()
    expect(page.get_by_role("heading", name="Push: agree")).to_contain_text("of 1")
    assert is_well_made(page)


@pytest.mark.slow
def test_a_note_is_kept_and_removed(page):
    page.get_by_label("At", exact=True).fill("1:05")
    page.get_by_label("Note", exact=True).fill("shoe laced again")
    page.get_by_role("button", name="Keep the note").click()
    expect(page.get_by_text("shoe laced again")).to_be_visible()
    page.get_by_text("Shoe and footbed: not noted").click()
    page.get_by_label("Footbed").fill("Bed B")
    page.get_by_role("button", name="Remove the note at 1:05").click()
    expect(page.get_by_text("shoe laced again")).to_have_count(0)
    expect(page.get_by_label("Footbed")).to_have_value("Bed B")  # not kept yet: still typed


@pytest.mark.slow
def test_a_speed_that_is_typed_outlasts_a_tap(page):
    page.goto(f"{page.url}/swings/1")
    page.get_by_label("Club speed", exact=True).fill("31.5")
    page.get_by_label("Reason").fill("slipped")
    page.get_by_role("button", name="not good").click()
    expect(page.get_by_text("Your eye: ")).to_be_visible()
    expect(page.get_by_label("Club speed", exact=True)).to_have_value("31.5")
    expect(page.get_by_label("Reason")).to_have_value("slipped")
    assert is_well_made(page)


def end_of_chart(page: Page) -> float:
    """Where the chart and what it says of itself end, px from the page's top."""
    parts = page.locator("#chart, #shown")
    end = "parts => Math.max(...parts.map(part => part.getBoundingClientRect().bottom)) + scrollY"
    return float(parts.evaluate_all(end))


@pytest.mark.parametrize("chart", ["", "/swings/1", "/sets/1"])
@pytest.mark.slow
def test_what_is_below_a_chart_does_not_move_when_it_is_drawn(page, chart):
    held = HeldBack(page, re.compile(r"/(charts/.+|frames)\.json"))  # undrawn until answered
    page.goto(page.url + chart)
    assert page.locator("#chart[data-drawn]").count() == 0
    undrawn = end_of_chart(page)
    held.let_go()
    page.locator("#chart[data-drawn]").wait_for()
    assert end_of_chart(page) == pytest.approx(undrawn, abs=2)


@pytest.mark.slow
def test_a_file_that_is_chosen_is_mapped_seen_and_joined(page, path):
    with Store.open(path) as store:
        session_id = store.sessions()[0].session_id
        swings = read_session(store, session_id).swings
    text = "time,speed\r\n" + "".join(f"{(s.lead_peak_s or 0.0) + 50:.2f},30\r\n" for s in swings)
    page.get_by_role("link", name="Club speeds").click()
    assert is_well_made(page)
    file = {"name": "speeds.csv", "mimeType": "text/csv", "buffer": text.encode()}
    page.locator("input[type=file]").set_input_files(files=[file])
    expect(page.locator("#csv")).to_have_value(text.replace("\r", ""))
    page.get_by_role("button", name="Choose its columns").click()
    for name, value in (("column", "speed"), ("unit", "m/s"), ("time_column", "time")):
        page.locator(f"[name={name}]").select_option(value)
    page.get_by_role("button", name="Show what matches").click()
    expect(page.get_by_role("heading", name="not joined yet")).to_contain_text(f"{len(swings)} ")
    assert is_well_made(page)
    page.get_by_role("button", name="Join these speeds").click()
    expect(page.get_by_text(f"30.0 ± 0.0 ({len(swings)})")).to_be_visible()
    assert is_well_made(page)
    with Store.open(path) as store:
        notes = said_of_session(store, session_id, swings).swings
    assert [note.club_speed_m_s for note in notes.values()] == [30.0] * len(swings)
