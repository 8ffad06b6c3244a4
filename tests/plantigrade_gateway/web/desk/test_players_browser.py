"""The players' pages in a real browser: from a new player to the receipt, on phone and tablet."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect
from tests.support.browser import Complaints, HeldBack, is_well_made
from tests.support.cases import FIRST_DAY, VisitMaker, case, pushes
from tests.support.deskserver import served
from tests.support.practice import store_practice

from plantigrade.events import Roll
from plantigrade_gateway.coach.case import Questions
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import progress, sheet

pytestmark = pytest.mark.dear

SIZES = {"phone": (390, 844), "tablet": (820, 1180)}


@pytest.fixture(scope="module")
def address(tmp_path_factory) -> Iterator[str]:
    path: Path = tmp_path_factory.mktemp("players") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store, 60_000_000_000)
    with served(path) as url:
        yield url


@pytest.fixture(params=SIZES)
def page(request, browser: Browser, address) -> Iterator[Page]:
    width, height = SIZES[request.param]
    size: ViewportSize = {"width": width, "height": height}
    with browser.new_context(viewport=size, base_url=address) as context:
        page = context.new_page()
        complaints = Complaints(page)
        page.goto(f"{address}/players")
        yield page
        refused = [text for text in complaints if "422" not in text]  # a form that said why
        assert refused == []


def type_px(page: Page, which: str) -> float:
    """How large the type of something is."""
    found = page.locator(which).first.evaluate("one => parseFloat(getComputedStyle(one).fontSize)")
    return float(found)


@pytest.mark.slow
def test_a_player_from_the_first_page_to_the_receipt(page):
    assert is_well_made(page)
    page.get_by_role("link", name="Add a player").click()
    page.get_by_label("Name or code").fill("Mia Muster")
    page.get_by_label("left-handed").check()
    page.get_by_label("Mass, kg").fill("61.5")
    page.get_by_label("under age").check()
    assert is_well_made(page)
    page.get_by_role("button", name="Add the player").click()
    expect(page.get_by_role("alert")).to_contain_text("guardian: is missing")
    expect(page.get_by_label("Name or code")).to_have_value("Mia Muster")
    page.get_by_label("Guardian of a minor").fill("Gus Guardian")
    page.get_by_role("button", name="Add the player").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Mia Muster")
    assert is_well_made(page)

    consent = page.get_by_role("form", name="Consent to train for speed")
    consent.get_by_label("until").fill("2099-12-31")
    consent.get_by_role("button", name="Give").click()
    expect(consent).to_contain_text("given by the guardian")
    consent.get_by_role("button", name="Withdraw").press("Enter")
    expect(consent).to_contain_text("withdrawn by the guardian")

    page.get_by_text("Decide", exact=True).first.click()
    push = page.get_by_role("group", name="Decide on the push")
    push.get_by_label("not yet").check()
    page.locator("form", has=push).get_by_label("Words for the player").fill("let it roll")
    page.get_by_role("button", name="Decide on the push").click()
    decided = page.locator("dl.decided")
    expect(decided).to_contain_text("not yet")
    expect(decided).to_contain_text("let it roll")
    top = page.locator("dl.decided strong").first.bounding_box()
    assert top is not None and top["y"] < 400  # the decision is seen without scrolling
    assert is_well_made(page)

    page.get_by_role("link", name="Delete the player").click()
    page.get_by_label("Type the name").fill("Mia")
    page.get_by_role("button", name="Delete for good").click()
    expect(page.get_by_role("alert")).to_contain_text("nothing was deleted")
    assert is_well_made(page)
    page.get_by_label("Type the name").fill("Mia Muster")
    page.get_by_role("button", name="Delete for good").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Deleted")
    expect(page.locator(".receipt")).not_to_contain_text("Mia")
    assert is_well_made(page)
    page.get_by_role("link", name="All players").click()
    expect(page.locator("tbody")).not_to_contain_text("Mia")
    expect(page.locator("tbody")).to_contain_text("Iris Invented")


def leave_and_come_back(page: Page) -> None:
    """Go elsewhere from an answered form and press *Back*: a browser that asks shows no page."""
    page.wait_for_load_state()  # until then the page's script has not said where it belongs
    here = page.url
    page.goto("/sessions")
    page.go_back()
    assert page.url == here
    expect(page.get_by_role("alert")).to_have_count(0)


@pytest.mark.slow
def test_back_to_a_refused_form_leads_to_the_form(page):
    """Chromium shows ERR_CACHE_MISS, and no page, for what it would have to send again."""
    page.goto("/players/new")
    page.get_by_label("Name or code").fill("Under Age")
    page.get_by_label("right-handed").check()
    page.get_by_label("under age").check()
    page.get_by_role("button", name="Add the player").click()
    expect(page.get_by_role("alert")).to_contain_text("guardian: is missing")
    leave_and_come_back(page)
    expect(page.get_by_role("button", name="Add the player")).to_be_visible()

    page.goto("/players")
    page.get_by_role("link", name="Iris Invented").click()
    iris = page.url
    consent = page.get_by_role("form", name="Consent to train for speed")
    consent.get_by_label("until").fill("2001-12-31")
    consent.get_by_role("button", name="Give").click()
    expect(page.get_by_role("alert")).to_contain_text("until")
    leave_and_come_back(page)
    assert page.url == iris

    page.goto(f"{iris}/delete")
    page.get_by_label("Type the name").fill("Somebody")
    page.get_by_role("button", name="Delete for good").click()
    expect(page.get_by_role("alert")).to_contain_text("nothing was deleted")
    leave_and_come_back(page)

    page.goto("/rules")
    page.get_by_role("textbox").fill("format = ")
    page.get_by_role("button", name="Check and keep").click()
    expect(page.get_by_role("alert")).to_contain_text("Not kept.")
    leave_and_come_back(page)


@pytest.mark.parametrize("part", ["", "/sheet"])
@pytest.mark.slow
def test_words_for_one_answer_do_not_stand_for_another(page, request, part):
    """Of the push: a go for an even roll, in the coach's words."""
    name = request.node.callspec.id
    page.get_by_role("link", name="Add a player").click()
    page.get_by_label("Name or code").fill(name)
    page.get_by_label("right-handed").check()
    page.get_by_role("button", name="Add the player").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(name)
    here = page.url
    page.goto(here + part)
    page.locator("summary.button").click()
    push = page.get_by_role("group", name="Decide on the push")
    form = page.locator("form", has=push)
    words = form.get_by_label("Words for the player")
    push.get_by_label("go", exact=True).check()
    form.get_by_label("even").check()
    words.fill("let it roll")
    assert words.input_value() == "let it roll"  # nothing was said before: nothing is taken away
    form.get_by_role("button", name="Decide on").click()
    expect(page.locator("dl.decided")).to_contain_text("go, even")

    page.locator("summary.button").click()
    expect(words).to_have_value("let it roll")
    push.get_by_label("not yet").check()
    expect(words).to_have_value("")
    expect(form.get_by_role("status")).to_have_text("Said for “go, even”: let it roll")
    assert is_well_made(page)
    push.get_by_label("go", exact=True).check()
    expect(words).to_have_value("let it roll")
    expect(form.get_by_role("status")).to_have_text("")
    form.get_by_label("deliberate").check()
    expect(words).to_have_value("")
    words.fill("one long push")
    push.get_by_label("not yet").check()
    form.get_by_label("even").check()
    push.get_by_label("go", exact=True).check()
    expect(words).to_have_value("one long push")  # typed now: the coach's to change
    push.get_by_label("not today").check()
    words.fill("")
    form.get_by_role("button", name="Decide on").click()
    decided = page.locator("dl.decided div", has_text="push")
    expect(decided).to_contain_text("not today, even")
    expect(decided).not_to_contain_text("roll")
    expect(decided).not_to_contain_text("long push")


@pytest.mark.slow
def test_what_was_changed_of_other_topics_stays_typed_when_one_is_decided(page, request):
    page.get_by_role("link", name="Add a player").click()
    page.get_by_label("Name or code").fill(request.node.callspec.id)
    page.get_by_label("left-handed").check()
    page.get_by_role("button", name="Add the player").click()
    page.locator("summary.button").click()
    push, heel, speed = (
        page.locator("form", has=page.get_by_role("group", name=f"Decide on the {topic}"))
        for topic in ("push", "lead heel", "speed")
    )
    push.get_by_label("go", exact=True).check()
    push.get_by_label("even").check()
    push.get_by_label("Words for the player").fill("let it roll")
    speed.get_by_label("not today").check()
    speed.get_by_role("button", name="Decide on").click()
    expect(page.locator("dl.decided")).to_contain_text("not today")
    expect(page.locator("dl.decided div", has_text="push")).to_contain_text("not decided")
    expect(push.get_by_label("even")).to_be_checked()
    expect(push.get_by_label("Words for the player")).to_have_value("let it roll")
    expect(push.get_by_text("Changed, and not decided yet.")).to_be_visible()
    expect(heel.get_by_text("Changed, and not decided yet.")).to_have_count(0)
    assert is_well_made(page)
    push.get_by_role("button", name="Decide on").click()
    expect(page.locator("dl.decided")).to_contain_text("go, even")
    page.locator("summary.button").click()
    expect(page.get_by_text("Changed, and not decided yet.")).to_have_count(0)

    # one that is refused stays typed too while another is decided, its day as well
    push.get_by_label("Words for the player").fill("roll and roll")
    push.get_by_label("Day", exact=True).fill("1900-01-01")
    heel.get_by_label("Words for the player").fill("let it rise")
    push.get_by_role("button", name="Decide on").click()
    expect(page.get_by_role("alert")).to_have_text(
        "day: 1900-01-01 is too long ago, expected 2000-01-01 or later"
    )
    expect(heel.get_by_label("Words for the player")).to_have_value("let it rise")
    speed.get_by_label("not yet").check()
    speed.get_by_role("button", name="Decide on").click()
    expect(page.locator("dl.decided")).to_contain_text("not yet")
    expect(push.get_by_label("Words for the player")).to_have_value("roll and roll")
    expect(push.get_by_label("Day", exact=True)).to_have_value("1900-01-01")
    expect(heel.get_by_label("Words for the player")).to_have_value("let it rise")


@pytest.mark.slow
def test_what_was_typed_elsewhere_on_the_page_stays_typed_whatever_is_pressed(page, request):
    page.get_by_role("link", name="Add a player").click()
    page.get_by_label("Name or code").fill(f"Typed {request.node.callspec.id}")
    page.get_by_label("left-handed").check()
    page.get_by_role("button", name="Add the player").click()
    record, on, speed = (
        page.get_by_role("form", name=f"Consent to {what}")
        for what in ("measure and keep", "send on", "train for speed")
    )
    speed.get_by_label("until").fill("2001-12-31")
    on.get_by_label("By the").select_option("guardian")
    page.get_by_label("hips: a line about it").fill("stiff on the left")
    page.get_by_text("Change the profile").click()
    page.get_by_label("Usual shoe").fill("Shoe A")
    page.get_by_label("under age").check()
    speed.get_by_role("button", name="Give").click()
    expect(page.get_by_role("alert")).to_contain_text("until: 2001-12-31 is past")
    record.get_by_label("until").fill("2099-12-31")
    record.get_by_role("button", name="Give").click()
    expect(record).to_contain_text("given by the player")
    expect(record.get_by_role("status")).to_have_count(0)
    expect(speed.get_by_label("until")).to_have_value("2001-12-31")
    expect(speed.get_by_role("status")).to_have_text("Changed, and not kept yet.")
    expect(on.get_by_label("By the")).to_have_value("guardian")
    expect(page.get_by_label("hips: a line about it")).to_have_value("stiff on the left")
    expect(page.get_by_label("Usual shoe")).to_have_value("Shoe A")
    expect(page.get_by_label("under age")).to_be_checked()
    assert is_well_made(page)
    with page.expect_navigation():
        page.get_by_role("button", name="Keep the findings").click()
    expect(page.get_by_label("Usual shoe")).to_have_value("Shoe A")
    page.reload()
    expect(page.get_by_label("hips: a line about it")).to_have_value("stiff on the left")
    expect(speed.get_by_label("until")).to_have_value("")


@pytest.mark.slow
def test_what_was_typed_before_the_page_was_whole_stays_typed_as_well(page):
    page.get_by_role("link", name="Iris Invented").click()
    held = HeldBack(page, "**/static/unsaid.js")
    page.goto(page.url, wait_until="commit")
    on = page.get_by_role("form", name="Consent to send on")
    on.get_by_label("By the").select_option("guardian")
    held.let_go()
    page.wait_for_load_state()
    page.get_by_role("button", name="Keep the findings").click()
    expect(on.get_by_role("status")).to_have_text("Changed, and not kept yet.")
    expect(on.get_by_label("By the")).to_have_value("guardian")


BLOCKS = """performance.getEntriesByType("resource")
    .find(({ name }) => name.endsWith("/static/unsaid.js")).renderBlockingStatus"""


@pytest.mark.slow
def test_a_page_is_painted_once_what_was_typed_on_it_can_be_kept(page):
    """A press that came before would lose it. Browsers that do not know how paint it at once."""
    page.get_by_role("link", name="Iris Invented").click()
    for at in (page.url, f"{page.url}/sheet"):
        page.goto(at)
        assert page.evaluate(BLOCKS) == "blocking"


@pytest.mark.slow
def test_the_sheet_shows_the_decision_first_and_takes_one(page, monkeypatch):
    page.get_by_role("link", name="Iris Invented").click()
    page.get_by_role("link", name="Evidence sheet").click()
    expect(page.get_by_role("heading", level=2).first).to_have_text("Before anything else")
    assert is_well_made(page)
    page.locator("summary.button").click()
    speed = page.locator("form", has=page.get_by_role("group", name="Decide on the speed"))
    speed.get_by_label("not today").check()
    speed.get_by_label("Words for the player").fill("smooth first")
    speed.get_by_role("button", name="Decide on").press("Enter")
    expect(page.locator("dl.decided")).to_contain_text("not today")

    maker = VisitMaker().stood([0.0, 0.001, 0.002], [0.09, 0.1, 0.11])
    maker.walked([Roll.SKIPPED] * 12, [Roll.THROUGH] * 12).swung("full", pushes(8, 0))
    asked = Questions("", "player", FIRST_DAY)
    with monkeypatch.context() as patch:
        patch.setattr(
            sheet,
            "case_of",
            lambda register, key, *rest: replace(
                case(maker.visit(questions=asked)),
                name="Iris Invented",
                decisions=case_of(register, key, *rest).decisions,
            ),
        )
        page.reload()
        answer = page.locator("dl.decided strong").first
        expect(answer).to_have_text("not today")
        box = answer.bounding_box()
        size = page.viewport_size
        assert box is not None and size is not None
        # on the first screen, above all rules, and in larger type than they are
        assert box["y"] + box["height"] < size["height"] / 2
        rules = page.locator(".suggest").first.bounding_box()
        assert rules is not None and rules["y"] > box["y"]
        assert type_px(page, "dl.decided strong") >= 1.5 * type_px(page, ".suggest")
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        expect(page.get_by_text("facts not known")).to_be_visible()
        assert is_well_made(page)


@pytest.mark.slow
def test_the_rules_are_changed_on_their_page(page):
    page.get_by_role("link", name="Rules").click()
    assert is_well_made(page)
    file = page.get_by_role("textbox")
    text = file.input_value()
    file.fill(text.replace("\nhold = true", "\nhald = true", 1))
    page.get_by_role("button", name="Check and keep").click()
    expect(page.get_by_role("alert")).to_contain_text("hald is not known, expected perhaps hold")
    expect(file).to_have_value(re.compile("hald = true"))
    assert is_well_made(page)
    size = page.viewport_size
    assert size is not None
    file.fill(re.sub("(?m)^version = .*$", f'version = "{size["width"]}"', text))
    page.get_by_role("button", name="Check and keep").click()
    expect(page.locator("tbody tr").first).to_contain_text("holds now")
    assert is_well_made(page)


@pytest.mark.slow
def test_progress_is_drawn_with_its_breaks_and_read_beside_it(page, monkeypatch):
    made = [
        VisitMaker(day=7 * k, shoe="Shoe A" if k < 2 else "Shoe B").swung("full", pushes(k + 2, 1))
        for k in range(4)
    ]
    shown = case(*(maker.visit() for maker in made))
    monkeypatch.setattr(progress, "case_of", lambda *_: shown)
    page.get_by_role("link", name="Iris Invented").click()
    page.get_by_role("link", name="Progress").click()
    expect(page.get_by_role("heading", level=2).first).to_have_text("Full: good push, %")
    assert page.locator("svg.visits polyline").count() == 2
    assert page.locator("svg.visits .break").count() == 1
    expect(page.locator("tr.broken")).to_have_text("shoe Shoe A → Shoe B: begins anew")
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_role("region", name="Table of two visits")).to_contain_text("no verdict")
    assert is_well_made(page)
    page.get_by_label("Measure").select_option("lead.stand")
    page.get_by_role("button", name="Show").click()
    expect(page.locator("main")).to_contain_text("It was measured on no visit yet.")
    assert is_well_made(page)
