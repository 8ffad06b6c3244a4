"""The phone in the pocket: what the page asks of the browser, and what it says of the answer.

Screen, sight and voice are stood for: a browser without a window has none. What a real phone does
with its screen off is not tested here, and the README says so.
"""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.support.browser import Complaints, barriers
from tests.support.toldpage import Gateway, frame, hello

from plantigrade.zones import eighteen

pytestmark = pytest.mark.dear

STANDINS = """
window.asked = {locks: 0, releases: 0, plays: [], said: []};
window.refuse = false;
window.locks = [];
Object.defineProperty(navigator, "wakeLock", {configurable: true, value: {
  async request(kind) {
    if (refuse) throw new DOMException("short of power", "NotAllowedError");
    asked.locks += kind === "screen";
    const lock = new EventTarget();
    lock.release = async () => {
      asked.releases += 1;
      lock.dispatchEvent(new Event("release"));
    };
    locks.push(lock);
    return lock;
  },
}});
let sight = true;
Object.defineProperty(document, "hidden", {get: () => !sight});
window.look = (on) => {
  sight = on;
  if (!on) locks.splice(0).forEach((lock) => lock.dispatchEvent(new Event("release")));
  document.dispatchEvent(new Event("visibilitychange"));
};
HTMLMediaElement.prototype.play = async function () {
  asked.plays.push([new URL(this.src).pathname, this.loop]);
};
HTMLMediaElement.prototype.pause = function () { asked.plays.push("pause"); };
speechSynthesis.speak = (words) => asked.said.push(words.text);
"""


@pytest.fixture
def gateway(browser: Browser) -> Iterator[Gateway]:
    with browser.new_context(viewport={"width": 390, "height": 844}) as context:
        page = context.new_page()
        page.add_init_script(STANDINS)
        complaints = Complaints(page)
        told = Gateway(page)
        told.open(hello(eighteen()), frame(1.0, 18))
        yield told
        assert complaints == []


def asked(page: Page, what: str) -> Any:
    return page.evaluate(f"asked.{what}")


@pytest.mark.slow
def test_while_it_sounds_the_screen_stays_on_and_a_quiet_element_plays(gateway):
    page = gateway.page
    assert asked(page, "locks") == 0
    page.get_by_role("button", name="Sound here").click()
    expect(page.locator("#awake-said")).to_have_text("The screen stays on.")
    assert asked(page, "locks") == 1
    assert asked(page, "plays") == [["/sounds/quiet.wav", True]]
    page.evaluate("look(false)")
    page.evaluate("look(true)")  # the browser took the lock back meanwhile
    expect(page.locator("#awake-said")).to_have_text("The screen stays on.")
    assert asked(page, "locks") == 2
    page.get_by_role("button", name="Sound here").click()
    expect(page.locator("#awake-said")).to_have_text("")
    assert asked(page, "releases") == 1
    assert asked(page, "plays")[-1] == "pause"


def test_the_large_type_keeps_the_screen_on_too(gateway):
    page = gateway.page
    page.locator("#large").click()
    expect(page.locator("#awake-said")).to_have_text("The screen stays on.")
    page.locator("#large").click()
    expect(page.locator("#awake-said")).to_have_text("")
    assert (asked(page, "locks"), asked(page, "releases")) == (1, 1)


@pytest.mark.parametrize(
    ("before", "said"),
    [
        (
            "Object.defineProperty(navigator, 'wakeLock', {value: undefined})",
            "cannot keep the screen on: set the device’s time-out.",
        ),
        ("refuse = true", "The screen may go off: short of power"),
    ],
)
@pytest.mark.slow
def test_where_the_screen_is_not_kept_on_the_page_says_so(gateway, before, said):
    page = gateway.page
    page.evaluate(before)
    page.locator("#large").click()
    expect(page.locator("#awake-said")).to_contain_text(said)
    assert barriers(page) == []


def test_a_lock_that_the_device_takes_back_is_said(gateway):
    page = gateway.page
    page.get_by_role("button", name="Sound here").click()
    expect(page.locator("#awake-said")).to_have_text("The screen stays on.")
    page.evaluate("locks.splice(0).forEach((lock) => lock.dispatchEvent(new Event('release')))")
    expect(page.locator("#awake-said")).to_have_text("The device no longer keeps the screen on.")


@pytest.mark.parametrize(
    ("hidden_ms", "sound_s", "said"),
    [
        (10_000, 9.9, "The sound went on"),
        (10_000, 8.9, "The sound stopped"),
        (10_000, 0.0, "The sound stopped"),
        (2_000, 0.0, ""),  # too short to say
        (10_000, None, ""),  # it was off
    ],
)
@pytest.mark.slow
def test_whether_the_sound_went_on_out_of_sight_is_said_afterwards(
    gateway, hidden_ms, sound_s, said
):
    value = "null" if sound_s is None else sound_s
    found = gateway.page.evaluate(
        f"import('/static/awake.js').then((m) => m.verdict({hidden_ms}, {value}))"
    )
    assert found.startswith(said) and bool(found) == bool(said)


def test_the_sounds_own_clock_is_what_is_looked_at(gateway):
    """A context that is halted while the page is out of sight counts as stopped."""
    page = gateway.page
    page.clock.install()
    page.evaluate(
        """async () => {
            const {Awake} = await import("/static/awake.js");
            window.soundS = 5;
            window.awake = new Awake(() => window.soundS);
        }"""
    )
    for went_s, said in ((20.0, "The sound went on"), (2.0, "The sound stopped")):
        page.evaluate("look(false)")
        page.clock.fast_forward(20_000)
        page.evaluate(f"soundS += {went_s}")
        page.evaluate("look(true)")
        page.wait_for_function("awake.pocket !== ''")
        assert page.evaluate("awake.pocket").startswith(said)
        page.evaluate("awake.pocket = ''")


def drill(good: int, tried: int, told: bool, name: str | None = "push") -> dict[str, Any]:
    line = {"verdict": "good" if good else "missed", "words": "w", "line": "Too soon", "n": tried}
    return {
        "type": "drill",
        "name": name,
        "title": "T",
        "goal": "G",
        "counts": "C",
        "feedback": "other",
        "good": good,
        "tried": tried,
        "unclear": 0,
        "streak": 0,
        "best": 0,
        "last": {**line, "what": "swing", "told": told},
    }


def test_outcomes_are_said_at_choice_once_and_only_when_told(gateway):
    page = gateway.page
    gateway.say(drill(0, 1, True))
    expect(page.locator("#drill-good")).to_have_text("0 of 1")
    assert asked(page, "said") == []
    page.get_by_role("button", name="Say outcomes here").click()
    gateway.say(drill(0, 2, True), drill(0, 2, True), drill(1, 3, False), drill(1, 4, True))
    expect(page.locator("#drill-good")).to_have_text("1 of 4")
    said = ["Outcomes are said.", "No. Too soon.", "Yes. Too soon."]
    assert asked(page, "said") == said
    page.get_by_role("button", name="Say outcomes here").click()
    gateway.say(drill(1, 5, True))
    expect(page.locator("#drill-good")).to_have_text("1 of 5")
    assert asked(page, "said") == said


def test_an_outcome_that_somebody_asks_for_is_said_once(gateway):
    page = gateway.page
    gateway.say(drill(0, 1, True))
    page.get_by_role("button", name="Say outcomes here").click()
    gateway.say(drill(1, 2, False), drill(1, 2, True), drill(1, 2, True), drill(1, 3, False))
    expect(page.locator("#drill-good")).to_have_text("1 of 3")
    assert asked(page, "said") == ["Outcomes are said.", "Yes. Too soon."]
    page.get_by_role("button", name="Say outcomes here").click()
    expect(page.get_by_role("button", name="Say outcomes here")).to_have_attribute(
        "aria-pressed", "false"
    )
