"""The pictures that README.md shows, of the real pages with the invented practice and players.

``python -m tests.support.pictures`` makes them again in `hardware_notes/pictures/`; it needs the
browser of the tests and takes a minute, since the live page is looked at while a part of the
session is played at its own pace.
"""

import tempfile
from datetime import datetime
from pathlib import Path

import pypdfium2
from playwright.sync_api import Browser, Page, ViewportSize, expect
from tests.support.browser import started
from tests.support.deskserver import served
from tests.support.practice import store_practice
from tests.support.program import cut, running

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.report.page import page_of
from plantigrade_gateway.report.typeset import pdf
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.session.invented import put
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.worker import prepare

FOLDER = Path(__file__).resolve().parents[2] / "hardware_notes" / "pictures"
LIVE, LARGE, SWING = "live.png", "large_type.png", "swing.png"
SHEET, PAGE = "sheet.png", "page.png"
NAMES = (LIVE, LARGE, SWING, SHEET, PAGE)
TABLET: ViewportSize = {"width": 1024, "height": 768}
PHONE: ViewportSize = {"width": 390, "height": 720}
SHOWN = (208.0, 228.0)
"""From the mark of the second set to the end of its first swing, s of the practice session."""
GOOD_SWING = 12
WAIT_MS = 90_000


def make() -> None:
    """Make all of them."""
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name, started() as browser:
        folder = Path(name)
        _live(browser, folder)
        _desk(browser, folder)
        _coach(browser, folder)


def _live(browser: Browser, folder: Path) -> None:
    part = cut(folder / "part.pgr", *SHOWN)
    store = folder / "live.sqlite3"
    arguments = ("replay", str(part), "--no-sound", "--store", str(store), "--port", "0")
    with running(*arguments, "--drill", "push") as program:
        url = program.url()
        tablet = _opened(browser, TABLET, url)
        phone = _opened(browser, PHONE, url)
        for page in (tablet, phone):
            page.get_by_role("button", name="Understood").click(timeout=WAIT_MS)
        phone.locator("#large").click()
        for page in (tablet, phone):
            expect(page.locator("body")).to_contain_text("1 of 1", timeout=WAIT_MS)
        tablet.screenshot(path=FOLDER / LIVE)
        phone.screenshot(path=FOLDER / LARGE)


def _desk(browser: Browser, folder: Path) -> None:
    path = folder / "desk.sqlite3"
    with Store.open(path) as store:
        session_id = store_practice(store)
        prepare(store, session_id)
    with served(path) as url:
        page = _opened(browser, TABLET, f"{url}/sessions/{session_id}/swings/{GOOD_SWING}")
        expect(page.locator("#chart[data-drawn]")).to_be_visible(timeout=WAIT_MS)
        page.screenshot(path=FOLDER / SWING)


def _coach(browser: Browser, folder: Path) -> None:
    path = folder / "coach.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        put(store, datetime.now().astimezone())
        player_id = register.find("Jonah (invented)").player_id
        page = pdf(page_of(register, player_id, built_in()))
    with pypdfium2.PdfDocument(page) as document:
        document[0].render(scale=1.0).to_pil().convert("L").save(FOLDER / PAGE, optimize=True)
    with served(path) as url:
        _opened(browser, TABLET, f"{url}/players/{player_id}/sheet").screenshot(path=FOLDER / SHEET)


def _opened(browser: Browser, size: ViewportSize, url: str) -> Page:
    page = browser.new_page(viewport=size, color_scheme="light")
    page.goto(url)
    return page


if __name__ == "__main__":
    make()
