"""Access in a real browser: the sign-in, a player's link in another one, and its end."""

import re
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
import segno
from playwright.sync_api import Page, expect
from tests.support.browser import Complaints, barriers
from tests.support.program import Program, running

pytestmark = pytest.mark.dear

PASSWORD = "heel midfoot toes"


@pytest.fixture(scope="module")
def program(tmp_path_factory) -> Iterator[Program]:
    """Run the demo, open to the local network."""
    folder: Path = tmp_path_factory.mktemp("lan")
    secret = folder / "password"
    secret.write_text(PASSWORD + "\n")
    secret.chmod(0o600)
    arguments = ["--lan", "--password-file", str(secret), "--port", "0", "--no-sound"]
    with running("demo", *arguments, "--store", str(folder / "store.sqlite3")) as started:
        yield started


@pytest.fixture(scope="module")
def here(program) -> str:
    """Return where this machine finds the page."""
    return re.sub(r"//[^:]+", "//127.0.0.1", program.url())


def signed_in(page: Page, here: str) -> None:
    page.goto(here)
    page.get_by_label("The coach’s password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(here)


@pytest.mark.slow
def test_the_coach_signs_in_and_a_player_follows_a_link_until_it_is_withdrawn(browser, here):
    with browser.new_context() as coachs, browser.new_context() as players:
        coach, player = coachs.new_page(), players.new_page()
        coach_complaints, player_complaints = Complaints(coach), Complaints(player)
        coach.goto(here + "sessions?x=1")
        assert coach.url == here + "sign-in?next=%2Fsessions%3Fx%3D1"
        expect(coach.get_by_label("The coach’s password")).to_be_focused()
        assert barriers(coach) == []
        signed_in(coach, here)
        expect(coach.locator("#connection")).to_be_hidden()
        expect(coach.locator("#controls")).to_be_visible()
        expect(coach.get_by_role("dialog")).to_be_visible()  # the cautions
        coach.keyboard.press("Escape")

        coach.get_by_role("link", name="Sessions").click()
        expect(coach.get_by_role("heading", level=1)).to_be_visible()
        assert coach.url == here + "sessions"
        coach.get_by_role("link", name="Links").click()
        coach.get_by_label("For whom").fill("bay 4")
        coach.get_by_role("button", name="Make a link").click()
        section = coach.get_by_role("region", name="bay 4")
        picture = section.get_by_role("img")
        expect(picture).to_be_visible()
        assert picture.evaluate("image => image.decode().then(() => image.naturalWidth)") > 100
        assert barriers(coach) == []
        address = section.get_by_role("link").get_attribute("href")
        assert address is not None
        assert (
            segno.make(address).symbol_size()[0] <= 45
        )  # modules: read by a phone at arm's length

        player.goto(address)
        expect(player.locator("#connection")).to_be_hidden()
        expect(player.locator("#clock")).not_to_be_empty()
        expect(player.locator("#controls")).to_be_hidden()
        assert player.get_by_role("navigation").count() == 0
        player.goto(address.split("/p/")[0] + "/sessions")
        assert "/sign-in" in player.url
        player.goto(address)
        expect(player.locator("#connection")).to_be_hidden()

        section.get_by_role("button", name="Withdraw link").click()
        expect(player.get_by_text("Your coach has withdrawn this link.")).to_be_visible()
        assert barriers(player) == []
        expect(coach.get_by_text("bay 4, withdrawn")).to_be_visible()
        assert coach_complaints == []
        # That a page is gone (404) is all that the browser says of it.
        assert [text for text in player_complaints if "404" not in text] == []


@pytest.mark.slow
def test_signing_in_needs_no_script_and_says_beside_the_field_what_is_wrong(browser, here):
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(here)
        field = page.get_by_label("The coach’s password")
        field.fill("a wrong password")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("alert")).to_have_text("This is not the password.")
        expect(field).to_have_attribute("aria-describedby", "problem")
        expect(field).to_have_value("")
        field.fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(here)
        page.goto(here + "links")
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_url(here + "sign-in")
        page.goto(here)
        assert page.url == here + "sign-in"


@pytest.mark.slow
def test_signing_out_in_one_window_ends_the_live_page_in_another(browser, here):
    with browser.new_context() as context:
        live, other = context.new_page(), context.new_page()
        signed_in(live, here)
        expect(live.locator("#connection")).to_be_hidden()
        other.goto(here + "links")
        other.get_by_role("button", name="Sign out").click()
        live.wait_for_url(here + "sign-in")


@pytest.mark.slow
def test_another_sites_page_reaches_nothing(browser, here):
    """A page of another origin, in a browser that is signed in, tries a form, a socket and more."""
    with browser.new_context() as context:
        page = context.new_page()
        signed_in(page, here)
        page.route(
            "http://elsewhere.invalid/",
            lambda route: route.fulfill(
                body="<!doctype html><p>elsewhere", content_type="text/html"
            ),
        )
        page.goto("http://elsewhere.invalid/")
        live = here.replace("http", "ws") + "live"
        closed = page.evaluate(
            """url => new Promise(done => {
                const socket = new WebSocket(url);
                socket.onmessage = () => done("heard something");
                socket.onclose = event => done(event.code);
            })""",
            live,
        )
        assert closed == 1006
        for path in ("", "sessions", "links", "static/base.css"):
            read = page.evaluate(
                """url => fetch(url, {credentials: "include"})
                    .then(answer => answer.text(), () => "refused")""",
                here + path,
            )
            assert read == "refused"
        with page.expect_response(here + "links") as answer:
            page.evaluate(
                """url => {
                    const form = document.createElement("form");
                    Object.assign(form, {method: "post", action: url});
                    document.body.append(form);
                    form.submit();
                }""",
                here + "links",
            )
        assert answer.value.status == 403


def test_the_server_tells_nothing_of_itself(here):
    request = urllib.request.Request(here + "sign-in")
    with urllib.request.urlopen(request) as answer:
        assert answer.headers["server"] is None
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


def test_no_secret_is_shown_by_the_program(program):
    program.printed("may read the password")  # the last thing it says of the page
    assert PASSWORD not in program.said
    assert "/p/" not in program.said
