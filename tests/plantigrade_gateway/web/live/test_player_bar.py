"""Whose the next session is, chosen on the live page; without a gateway. All invented."""

import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect
from tests.support.browser import HeldBack, barriers
from tests.support.toldpage import HTML, Gateway, frame, gateway_of, hello
from tests.support.waiting import HANG_S

from plantigrade.zones import eighteen
from plantigrade_gateway import words

pytestmark = pytest.mark.dear

NAMES = ("Mia Muster", HTML, "Bo Nowhere", "Çelik Example", "P-17")
PLAYERS = [{"id": f"{k:032x}", "name": name, "last": None} for k, name in enumerate(NAMES)]
PLAYERS[0]["last"] = "2026-03-31"
SIZES = ((390, 844), (820, 1180))


@pytest.fixture(params=SIZES)
def gateway(request, browser: Browser) -> Iterator[Gateway]:
    width, height = request.param
    with gateway_of(browser, PLAYERS, viewport={"width": width, "height": height}) as made:
        yield made


def chosen(gateway: Gateway, times: int) -> list[str | None]:
    """Whose session was asked for: waits for so many times, and a moment for one too many."""
    end_s = time.monotonic() + HANG_S
    while sum(asked["type"] == "player" for asked in gateway.asked) < times:
        assert time.monotonic() < end_s, "nobody's session is asked for"
        gateway.page.wait_for_timeout(20)
    gateway.page.wait_for_timeout(50)
    return [asked["id"] for asked in gateway.asked if asked["type"] == "player"]


@pytest.mark.slow
def test_the_next_players_session_is_one_press_away(gateway):
    gateway.open(hello(eighteen(), player=PLAYERS[0]["id"]), frame(1.0, 18))
    page = gateway.page
    expect(page.locator("#player-now")).to_have_text("Mia Muster")
    recent = page.get_by_role("group", name="Begin the session of").get_by_role("button")
    expect(recent.first).to_have_text(HTML)
    assert recent.count() == (2 if page.viewport_size["width"] < 500 else 3)  # a phone's line
    assert page.locator("#main img").count() == 0
    recent.nth(1).click()
    assert chosen(gateway, 1) == [PLAYERS[2]["id"]]
    expect(page.locator("#player-now")).to_have_text("Mia Muster")  # until the gateway says so
    gateway.say(hello(eighteen(), player=PLAYERS[2]["id"]))
    expect(page.locator("#player-now")).to_have_text("Bo Nowhere")
    size = page.viewport_size
    assert size is not None
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert barriers(page) == []


@pytest.mark.slow
def test_any_other_player_is_searched_for_or_nobody_chosen(gateway):
    gateway.open(hello(eighteen(), player=None), frame(1.0, 18))
    page = gateway.page
    expect(page.locator("#player-now")).to_have_text("nobody registered")
    more = page.locator("#player-more")
    more.click()
    page.keyboard.type("P-1")
    found = page.get_by_role("group", name="Players").get_by_role("button")
    expect(found).to_have_text(["P-17"])
    assert barriers(page) == []
    page.get_by_role("searchbox").fill("nobody of this name")
    expect(page.locator("#player-all")).to_have_text("No player is called so.")
    page.get_by_role("searchbox").fill("mia")
    expect(found).to_have_text(["Mia Muster, 2026-03-31"])
    found.first.press("Enter")
    expect(page.locator("#choosing")).to_be_hidden()
    more.click()
    page.get_by_role("button", name="Change nothing").click()
    more.click()
    page.get_by_role("button", name="Nobody registered").click()
    assert chosen(gateway, 2) == [PLAYERS[0]["id"], None]


@pytest.mark.slow
def test_lacking_consent_is_said_of_the_player_whose_session_it_is(gateway):
    lack = f"Consent to record {HTML} is not noted."
    gateway.lacks_consent = {PLAYERS[1]["id"]: lack}
    gateway.open(hello(eighteen(), player=PLAYERS[0]["id"]), frame(1.0, 18))
    page, said = gateway.page, gateway.page.locator("#player-consent")
    expect(page.locator("#player-now")).to_have_text("Mia Muster")
    expect(said).to_be_hidden()
    gateway.say(hello(eighteen(), player=PLAYERS[1]["id"]))
    expect(said).to_have_text(lack)
    size = page.viewport_size
    assert size is not None
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert barriers(page) == []
    gateway.say(hello(eighteen(), player=None))
    expect(said).to_be_hidden()


@pytest.mark.slow
def test_a_hand_put_right_since_the_session_began_is_said_beside_the_player(gateway):
    said = words.hand_changed("right", "left")
    gateway.open(hello(eighteen(), player=PLAYERS[0]["id"]), frame(1.0, 18))
    page, line = gateway.page, gateway.page.locator("#player-hand")
    expect(page.locator("#player-now")).to_have_text("Mia Muster")
    expect(line).to_be_hidden()
    gateway.say(hello(eighteen(), player=PLAYERS[0]["id"], hand=said))
    expect(line).to_have_text(said)
    size = page.viewport_size
    assert size is not None
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert barriers(page) == []
    gateway.say(hello(eighteen(), player=PLAYERS[0]["id"], hand=None))
    expect(line).to_be_hidden()


def test_what_is_answered_late_of_the_player_before_is_not_said_of_this_one(gateway):
    page, late = gateway.page, PLAYERS[1]["id"]
    gateway.lacks_consent = {late: "Consent to record is not noted."}
    asked_for = f"**/choice.json?player={late}"
    held = HeldBack(page, asked_for)
    gateway.open(hello(eighteen(), player=late), frame(1.0, 18))
    gateway.say(hello(eighteen(), player=PLAYERS[0]["id"]))
    expect(page.locator("#player-now")).to_have_text("Mia Muster")
    with page.expect_response(asked_for) as answer:
        held.let_go()
    answer.value.finished()
    page.evaluate("fetch('/players/choice.json').then((answer) => answer.json())")
    expect(page.locator("#player-consent")).to_be_hidden()


def test_a_players_page_knows_of_no_other_player(gateway):
    asked = []
    gateway.page.on("request", lambda request: asked.append(request.url))
    gateway.open(hello(eighteen(), rights="player"), frame(1.0, 18))
    expect(gateway.page.locator("#player-bar")).to_be_hidden()
    assert not any("/players" in url for url in asked)


CHECK = {
    **{"type": "check", "on": True, "look": "first", "phase": "running", "may": ["pain", "end"]},
    **{"title": "Stand in your shoes", "advice": ""},
}
NONE = {"type": "check", "on": False}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({}, "A guided check is under way: Stand in your shoes."),
        ({"phase": "questions"}, "A guided check is under way: questions."),
        ({"phase": "done"}, "A guided check is under way: done."),
        ({"look": "block", "title": "Warm-up"}, "A speed block is under way: Warm-up."),
        ({"look": "calibrate"}, "A calibration is under way: Stand in your shoes."),
        ({"phase": "stopped"}, None),
    ],
)
@pytest.mark.slow
def test_the_coachs_page_says_that_a_check_is_under_way(gateway, more, said):
    gateway.open(hello(eighteen(), check={**CHECK, **more}), frame(1.0, 18))
    page, line = gateway.page, gateway.page.locator("#check-on")
    if said is None:
        expect(line).to_be_hidden()
    else:
        expect(line).to_have_text(f"{said} To the check")
        expect(line.get_by_role("link")).to_have_attribute("href", "/check")
    size = page.viewport_size
    assert size is not None
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert barriers(page) == []
    gateway.say(NONE)
    expect(line).to_be_hidden()
    gateway.say(hello(eighteen(), rights="player", check={**CHECK, **more}))
    expect(page.locator("#controls")).to_be_hidden()
    expect(line).to_be_hidden()


@pytest.mark.parametrize("how", ["recent", "other", "nobody"])
@pytest.mark.slow
def test_another_player_ends_a_check_only_when_asked(gateway, how):
    gateway.open(hello(eighteen(), player=PLAYERS[0]["id"], check=CHECK), frame(1.0, 18))
    page = gateway.page
    asking, wanted = page.locator("#leaving"), PLAYERS[2]["id"]
    recent = page.get_by_role("group", name="Begin the session of").get_by_role("button")
    for answer in ("Go on with it", "End it, and change the player"):
        if how == "recent":
            recent.nth(1).click()
        else:
            page.locator("#player-more").click()
            if how == "other":
                page.get_by_role("button", name="Bo Nowhere", exact=True).last.click()
            else:
                page.get_by_role("button", name="Nobody registered").click()
                wanted = None
        expect(asking).to_be_visible()
        expect(asking).to_contain_text("Stand in your shoes. It ends with its session")
        assert barriers(page) == []
        assert chosen(gateway, 0) == []
        page.get_by_role("button", name=answer).click()
        expect(asking).to_be_hidden()
    assert chosen(gateway, 1) == [wanted]
    gateway.say(NONE)
    expect(page.locator("#check-on")).to_be_hidden()
    recent.first.click()  # no check: one press, as ever
    assert len(chosen(gateway, 2)) == 2


SET = {"type": "set", "name": "smooth", "n": 2, "t_s": 60.0}
SCORE = {"good": 3, "tried": 5, "unclear": 1, "streak": 1, "best": 2, "last": None}
DRILL = {
    **{"type": "drill", "name": "a", "title": "Roll it", "goal": "", "counts": ""},
    **{"feedback": "every", **SCORE},
}
NO_SET = {"type": "set", "name": None}
NO_DRILL = {"type": "drill", "name": None, "feedback": "every"}
UNTRIED = {**DRILL, "good": 0, "tried": 0, "unclear": 0}


@pytest.mark.parametrize(
    ("known", "told", "said"),
    [
        ({"set": SET}, [], "Set 2, smooth, is under way. It ends"),
        ({"drill": DRILL}, [], "Roll it is under way: 3 of 5 good. It ends"),
        ({"drill": UNTRIED}, [DRILL], "Roll it is under way: 3 of 5 good. It ends"),
        ({}, [{**UNTRIED, "unclear": 1}, SET], "is under way. Roll it is under way: 0 of 0 good."),
        ({"set": SET, "drill": DRILL}, [NO_SET, NO_DRILL], None),
        ({"drill": UNTRIED}, [NO_SET], None),
        ({"session": {"id": "one", "recording": False}, "set": SET, "drill": DRILL}, [], None),
    ],
    ids=["set", "drill", "told later", "both", "both ended", "untried", "not recording"],
)
def test_another_player_ends_a_set_or_drill_only_when_asked(gateway, known, told, said):
    gateway.open(hello(eighteen(), player=PLAYERS[0]["id"], **known), *told, frame(1.0, 18))
    page, asking = gateway.page, gateway.page.locator("#leaving")
    recent = page.get_by_role("group", name="Begin the session of").get_by_role("button").nth(1)
    recent.click()
    if said is not None:
        expect(asking).to_contain_text(said)
        expect(asking).to_contain_text("A link that was given for the session ends too.")
        page.get_by_role("button", name="Go on with it").click()
        expect(asking).to_be_hidden()
        recent.click()
        assert chosen(gateway, 0) == []
        page.get_by_role("button", name="End it, and change the player").click()
    assert chosen(gateway, 1) == [PLAYERS[2]["id"]]


@pytest.mark.slow
def test_stopping_says_that_a_check_ends_too(gateway):
    gateway.open(hello(eighteen(), check=CHECK), frame(1.0, 18))
    page = gateway.page
    page.locator("#stop").click()
    expect(page.locator("#stopping")).to_contain_text("guided check is under way")
    page.get_by_role("button", name="Go on recording").click()
    gateway.say(NONE)
    page.locator("#stop").click()
    expect(page.locator("#stopping-check")).to_be_hidden()
