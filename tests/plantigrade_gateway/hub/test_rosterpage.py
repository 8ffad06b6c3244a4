"""The page *Bays* in a real browser, on a real broker: a bay comes, swings, is lost, stops."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx2
import pytest
from playwright.sync_api import Browser, expect
from tests.support.browser import Complaints, barriers
from tests.support.deskserver import served
from tests.support.servers import Mosquitto, free_port
from tests.support.waiting import HANG_S

from plantigrade_gateway.config import Config, load
from plantigrade_gateway.hub import rosterpage
from plantigrade_gateway.hub.places import Refusal
from plantigrade_gateway.hub.roster import names_of
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

SIZES = {"small": (320, 640), "phone": (390, 844), "desk": (1024, 768), "wall": (1920, 1080)}
NAME = "Iris Invented"
WAIT_MS = 60_000


STRANGER = "5e" * 16


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Path:
    """A hub's store that knows one player."""
    path: Path = tmp_path_factory.mktemp("hub") / "hub.sqlite3"
    with Store.open(path) as store:
        store.players.create(NAME, "right", 70.0)
    return path


def known(store: Path) -> str:
    """The id of the player whom the hub knows."""
    (player,) = names_of(store)
    return player


@pytest.fixture(scope="module")
def broker(tmp_path_factory) -> Iterator[Mosquitto]:
    server = Mosquitto(tmp_path_factory.mktemp("broker"))
    server.start()
    yield server
    server.kill()


def settings(port: int) -> Config:
    return load(
        None,
        {
            "PLANTIGRADE_SITE": "north",
            "PLANTIGRADE_MQTT_HOST": "127.0.0.1",
            "PLANTIGRADE_MQTT_PORT": str(port),
        },
    )


@contextmanager
def bay(number: int, port: int, player: str) -> Iterator["subprocess.Popen[str]"]:
    """Give an invented bay in a process of its own, once it is there."""
    command = [sys.executable, "-m", "tests.support.bays", "1", "--port", str(port)]
    process = subprocess.Popen(
        [*command, "--first", str(number), "--probes", "1", "--player", player],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ,
    )
    assert process.stdout is not None
    assert json.loads(process.stdout.readline()) == {"ready": 1}
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


@pytest.mark.slow
def test_a_bay_comes_swings_is_lost_and_another_stops(browser: Browser, broker, store):
    with served(store, settings(broker.port)) as url, browser.new_context() as context:
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        complaints = Complaints(page)
        page.goto(f"{url}/bays")
        expect(page.get_by_role("navigation").get_by_role("link", name="Bays")).to_have_attribute(
            "aria-current", "page"
        )
        told = page.locator("#told")
        expect(told).to_have_text("No bay has been heard of.")
        with (
            bay(2, broker.port, STRANGER) as other,
            bay(1, broker.port, known(store)) as first,
        ):
            expect(told).to_have_text("2 of 2 bays alive.")
            rows = page.locator("#bays tbody tr")
            expect(rows.locator("th")).to_have_text(["b1", "b2"])
            cells = rows.nth(0).locator("td")
            expect(cells.nth(0)).to_have_text("alive")
            expect(cells.nth(1)).to_have_text(f"{NAME}, invented data")
            expect(rows.nth(1).locator("td").nth(1)).to_have_text("player 5e5e5e5e, invented data")
            expect(cells.nth(2)).to_have_text("80 %, 0.1 % lost")
            expect(cells.nth(4)).to_contain_text("lead heel")
            now = cells.nth(4).inner_text()
            expect(cells.nth(4)).not_to_have_text(now)  # it swings again
            expect(cells.nth(5)).to_have_text("2 s")
            other.terminate()
            other.wait()
            expect(rows.nth(1).locator("td").nth(0)).to_contain_text("stopped since")
            first.kill()
            expect(cells.nth(0)).to_contain_text("away since")
            expect(cells.nth(0)).to_have_class("look")
            expect(told).to_have_text("0 of 2 bays alive. Not: b1 away, b2 stopped.")
        page.get_by_label("Only those to look after").check()
        expect(rows.nth(1)).to_be_hidden()
        expect(rows.nth(0)).to_be_visible()
        assert complaints == []


@pytest.mark.slow
def test_the_page_fits_every_screen_in_both_colours_and_can_be_read_aloud(
    browser: Browser, broker, store
):
    with served(store, settings(broker.port)) as url, bay(1, broker.port, known(store)):
        for size, (width, height) in SIZES.items():
            for colours in ("light", "dark"):
                with browser.new_context(
                    viewport={"width": width, "height": height},
                    color_scheme="dark" if colours == "dark" else "light",
                ) as context:
                    page = context.new_page()
                    page.set_default_timeout(WAIT_MS)
                    complaints = Complaints(page)
                    page.goto(f"{url}/bays")
                    row = page.locator("#bays tbody tr[data-key=b1]")
                    expect(row.locator("td").nth(4)).to_contain_text("lead heel")
                    assert barriers(page) == [], (size, colours)
                    wide = page.evaluate("document.documentElement.scrollWidth")
                    assert wide <= width, (size, colours)
                    page.keyboard.press("Tab")
                    expect(page.locator(":focus")).to_have_text("Skip to the content")
                    assert complaints == []


def test_the_page_says_so_where_the_broker_is_away_or_none_is_set(browser: Browser, store):
    with browser.new_context() as context:
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        with served(store, settings(free_port())) as url:
            page.goto(f"{url}/bays")
            expect(page.locator("#problem")).to_contain_text("cannot be reached")
        expect(page.locator("#problem")).to_contain_text("No connection to the hub")
        with served(store, load(None, {})) as url:
            assert "No message broker is set" in httpx2.get(f"{url}/bays", timeout=HANG_S).text


@pytest.mark.slow
def test_a_bay_that_was_refused_another_s_place_is_told_for_a_day(
    browser: Browser, store, monkeypatch
):
    monkeypatch.setattr(rosterpage, "NAMES_EVERY_S", 0.1)
    now = datetime.now(UTC)
    found = [
        Refusal("east-2", "ab" * 16, now - timedelta(hours=23, minutes=50)),
        Refusal("west-1", "cd" * 16, now - timedelta(hours=24, minutes=10)),
    ]
    with (
        served(store, settings(free_port()), lambda: tuple(found)) as url,
        browser.new_context() as context,
    ):
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.goto(f"{url}/bays")
        when = f"{found[0].when:%Y-%m-%d %H:%M} UTC"
        expect(page.locator("#refused")).to_have_text(
            "Bay east-2 gave what was said at another's place (abababab) and was refused, "
            f"last {when}."
        )
        assert barriers(page) == []
        found.clear()
        expect(page.locator("#refused")).to_be_hidden()


def test_a_desk_that_is_no_hub_has_no_such_page(store):
    with served(store) as url:
        assert httpx2.get(f"{url}/bays", timeout=HANG_S).status_code == 404
