"""Every page of a desk on the narrowest phone and a projector, and which pages a desk leads to."""

import re
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error, Page, expect
from tests.support.browser import Complaints, laid_out
from tests.support.deskserver import served
from tests.support.labels import NOTE_CANVAS_TEXT
from tests.support.practice import store_practice
from tests.support.waiting import HANG_S

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

WIDTH, HEIGHT = 320, 640
FILES = (".csv", ".json", ".zip", ".pdf", ".parquet", ".svg", ".png", ".toml")
ANY_ID = re.compile(r"[0-9a-f]{32}|\d+")
LONGEST_LINE = 95  # letters: what is read at ease, and a line whose letters are narrow
LONG_LINES = """longest => [...document.querySelectorAll("main :is(p, li, dd)")].flatMap((one) => {
    const range = document.createRange();
    range.selectNodeContents(one);
    const {width, height} = range.getBoundingClientRect();
    const lines = Math.max(1, Math.round(height / parseFloat(getComputedStyle(one).lineHeight)));
    const isLong = width > 900 && one.innerText.length / lines > longest;
    return isLong ? [one.innerText.slice(0, 80)] : [];
})"""
LOOK = """() => [
    document.documentElement.scrollWidth,
    [...document.querySelectorAll(".stacked")]
        .filter((table) => table.scrollWidth > table.parentElement.clientWidth)
        .map((table) => table.parentElement.getAttribute("aria-label")),
    [...document.querySelectorAll("a[href]")].map((one) => one.href),
]"""

TIMES = """() => [...painted.values()]
    .map((texts) => texts.flatMap(([text, [left, right]]) =>
        /^\\d\\d:\\d\\d:\\d\\d$/.test(text) && right > left ? [[left, right]] : []))
    .find((times) => times.length >= 2)"""
"""Left and right edges of the times that a canvas shows, once there are any.

Those that are drawn 0 pixels large, where another axis has them, are not seen.
"""


@pytest.fixture(scope="module")
def address(tmp_path_factory) -> Iterator[str]:
    path: Path = tmp_path_factory.mktemp("narrow") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store, 110_000_000_000)  # four swings
    with served(path) as url:
        yield url


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    with browser.new_context(viewport={"width": WIDTH, "height": HEIGHT}) as context:
        page = context.new_page()
        complaints = Complaints(page)
        yield page
        assert complaints == []


def looked_at(page: Page, address: str, path: str) -> tuple[int, list[str], list[str]]:
    """Return how wide a page is, what of it is cut off, and which pages of the desk it links to.

    Links without what stands behind a `?`. A page that loads itself anew while it is looked at is
    looked at once more.
    """
    for is_last in (False, True):
        page.wait_for_load_state("networkidle")
        try:
            wide, cut_off, links = page.evaluate(LOOK)
            break
        except Error as error:
            if is_last or "Execution context was destroyed" not in str(error):
                raise
    assert page.url == f"{address}{path}"
    own = [one.removeprefix(address).split("?")[0].split("#")[0] for one in links]
    return wide, cut_off, [one for one in own if one.startswith("/") and not one.endswith(FILES)]


def opened(page: Page, address: str) -> None:
    """Open an address; one that is being prepared (202) is asked for again."""
    until_s = time.monotonic() + HANG_S
    while page.request.get(address).status == 202:
        assert time.monotonic() < until_s, address
        time.sleep(0.5)
    answer = page.goto(address)
    assert answer is not None and answer.status == 200, address


@pytest.mark.slow
def test_nothing_stands_out_of_the_narrowest_screen_on_any_page(page, address):
    """All that can be reached from the list of players; of each kind of page the first."""
    todo, seen = ["/players"], {}
    while todo:
        path = todo.pop(0)
        if (kind := ANY_ID.sub("*", path)) in seen:
            continue
        opened(page, f"{address}{path}")
        seen[kind], cut_off, links = looked_at(page, address, path)
        assert cut_off == [], path
        todo += links
    for kind in ("/players/*", "/players/*/sheet", "/sessions/*", "/sessions/*/swings/*", "/rules"):
        assert kind in seen, sorted(seen)
    assert {kind: wide for kind, wide in seen.items() if wide > WIDTH} == {}


@pytest.mark.slow
def test_a_long_name_in_one_piece_moves_nothing_out_of_the_screen(page, tmp_path):
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        player = register.add(name="N" * 80, handedness="right")
        session = store.create_session("test", analysis_version=ANALYSIS_VERSION, player_id=player)
        store.end_session(session, "stop")
    with served(path) as url:
        parts = ("", "/sheet", "/progress", "/prints", "/delete")
        paths = ["/players", "/sessions", *[f"/players/{player}{part}" for part in parts]]
        for at in paths:
            page.goto(f"{url}{at}")
            wide, cut_off, _ = looked_at(page, url, at)
            assert (wide, cut_off) == (WIDTH, []), at


@pytest.mark.slow
def test_lines_stay_short_and_charts_large_on_a_projector(page, address):
    """A line of text is at most as long as is read at ease, however wide the screen is."""
    page.set_viewport_size({"width": 1920, "height": 1080})
    page.goto(f"{address}/players")
    page.get_by_role("link", name="Iris Invented").click()
    page.wait_for_url("**/players/*")
    player = page.url
    page.goto(f"{address}/sessions")
    page.locator("tbody th a, tbody td a").first.click()
    page.wait_for_selector("#chart[data-drawn]")
    chart = page.locator("#chart").bounding_box()
    assert chart is not None and chart["width"] >= 1800.0
    session = page.url
    for url in (player, f"{player}/sheet", session, f"{session}/swings/1", f"{address}/check"):
        page.goto(url)
        page.wait_for_load_state("networkidle")
        assert page.evaluate(LONG_LINES, LONGEST_LINE) == [], url


def test_times_under_the_time_line_do_not_run_into_each_other(page, address):
    page.add_init_script(NOTE_CANVAS_TEXT)
    page.goto(f"{address}/sessions")
    page.locator("tbody th a, tbody td a").first.click()
    page.wait_for_selector("#chart[data-drawn]")
    times = page.wait_for_function(TIMES).json_value()
    assert all(one[1] < after[0] for one, after in pairwise(sorted(times))), times


def test_a_players_visits_stand_below_each_other_on_a_phone(page, address):
    page.goto(f"{address}/players")
    page.get_by_role("link", name="Iris Invented").click()
    cells = page.locator("section[aria-labelledby=visits] tbody :is(th, td)")
    expect(cells).to_have_count(4)
    for box in (cell.bounding_box() for cell in cells.all()):
        assert box is not None and box["x"] >= 0 and box["x"] + box["width"] <= WIDTH


@pytest.mark.parametrize("path", ["/players", "/sessions"])
def test_a_list_at_twice_the_text_stays_inside_a_phones_screen(page, address, path):
    page.goto(f"{address}{path}")
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    laid_out(page)
    table = page.locator("table.stacked").bounding_box()
    assert table is not None and table["x"] + table["width"] <= WIDTH
    wide, cut_off, _ = looked_at(page, address, path)
    assert (wide, cut_off) == (WIDTH, [])


def test_a_desk_leads_only_where_it_goes_and_says_that_no_gateway_runs(page, address):
    for path in ("/players", "/sessions", "/rules"):
        page.goto(f"{address}{path}")
        links = page.get_by_role("navigation", name="Pages").get_by_role("link")
        expect(links).to_have_text(["Players", "Sessions"])
    for path in ("/", "/check"):
        page.goto(f"{address}{path}")
        assert page.locator("main .warn").inner_text() == (
            "No gateway is running behind these pages: start one where the insoles are with "
            "plantigrade run, or with plantigrade demo without insoles, and open the address that "
            "it prints."
        )
        assert page.locator("main :is(button, input, select)").count() == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= WIDTH
        page.get_by_role("link", name="Stored sessions").click()
        page.wait_for_url("**/sessions")
