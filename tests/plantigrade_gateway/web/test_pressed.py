"""Where the keys go on after a press that makes the page anew, in a real browser, by keys alone."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from tests.support.deskserver import served

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear


@pytest.fixture(scope="module")
def address(tmp_path_factory) -> Iterator[str]:
    path: Path = tmp_path_factory.mktemp("pressed") / "store.sqlite3"
    with Store.open(path) as store, Register(store) as register:
        register.add(name="Kay Keys (invented)", handedness="right")
    with served(path) as url:
        yield url


@pytest.fixture
def page(browser: Browser, address) -> Iterator[Page]:
    with browser.new_context(base_url=address) as context:
        page = context.new_page()
        page.goto("/players")
        page.get_by_role("link", name="Kay Keys").press("Enter")
        page.wait_for_url("**/players/*")
        yield page


def press(page: Page, button: Locator) -> None:
    with page.expect_navigation():
        button.press("Enter")


def test_after_a_consent_the_keys_go_on_in_its_form(page):
    consent = page.get_by_role("form", name="Consent to train for speed")
    press(page, consent.get_by_role("button", name="Give"))
    expect(consent.get_by_role("button", name="Give")).to_be_focused()
    page.keyboard.press("Tab")
    expect(consent.get_by_role("button", name="Withdraw")).to_be_focused()
    press(page, consent.get_by_role("button", name="Withdraw"))  # which goes with it
    expect(consent.get_by_role("button", name="Give")).to_be_focused()


def test_a_refusal_is_said_in_its_form_and_the_keys_go_on_from_it(page):
    consent = page.get_by_role("form", name="Consent to send on")
    consent.get_by_label("until").fill("2001-12-31")
    press(page, consent.get_by_role("button", name="Give"))
    expect(consent.get_by_role("alert")).to_contain_text("until: 2001-12-31 is past")
    expect(consent.get_by_role("alert")).to_be_focused()
    page.keyboard.press("Tab")
    expect(consent.get_by_label("By the")).to_be_focused()

    page.get_by_text("Change the profile").press("Enter")
    page.get_by_label("Mass, kg").fill("much")
    press(page, page.get_by_role("button", name="Keep", exact=True))
    expect(page.locator("form[data-part=profile]").get_by_role("alert")).to_be_focused()
    page.keyboard.press("Tab")
    expect(page.get_by_label("Name or code")).to_be_focused()


@pytest.mark.parametrize("part", ["", "/sheet"])
def test_after_a_decision_the_keys_go_on_at_what_it_was_folded_into(page, part):
    page.goto(page.url + part)
    page.locator("summary.button").press("Enter")
    page.get_by_role("group", name="Decide on the speed").get_by_label("not yet").check()
    press(page, page.get_by_role("button", name="Decide on the speed"))
    expect(page.locator("dl.decided")).to_contain_text("not yet")
    expect(page.locator("summary.button")).to_be_focused()


def test_the_keys_go_on_at_a_link_that_was_made_and_at_those_that_are_over(page):
    page.goto("/links")
    press(page, page.get_by_role("button", name="Make a link"))
    expect(page.get_by_role("region", name="Link 1")).to_be_focused()
    press(page, page.get_by_role("button", name="Withdraw link 1"))
    expect(page.get_by_role("heading", name="Over")).to_be_focused()


def test_a_finger_is_led_nowhere_and_a_page_of_another_address_begins_at_its_top(page):
    consent = page.get_by_role("form", name="Consent to measure and keep")
    with page.expect_navigation():
        consent.get_by_role("button", name="Give").click()
    page.wait_for_load_state()
    expect(page.locator("body")).to_be_focused()
    press(page, consent.get_by_role("button", name="Give"))
    expect(consent.get_by_role("button", name="Give")).to_be_focused()
    page.goto("/players/new")
    page.get_by_label("Name or code").fill("Another (invented)")
    page.get_by_label("right-handed").check()
    press(page, page.get_by_role("button", name="Add the player"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Another (invented)")
    page.wait_for_load_state()
    expect(page.locator("body")).to_be_focused()
