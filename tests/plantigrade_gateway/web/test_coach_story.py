"""The coach's day in a real browser, from a new player to the receipt of a deletion.

The insoles are virtual, the players invented; store, web process, pages, PDF and browser are real.
What a body's feet are called is held against the body itself (design §5, Stand and Walk).
"""

import io
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from playwright.sync_api import Browser, Page, expect
from tests.support.browser import barriers
from tests.support.checkbay import FIRST_LOOK, GOOD, LEAD_IN_S, LIFTS, STOOD, WALKED, Do, swung
from tests.support.checkbench import NAMES, Bench
from tests.support.damage import everything

from plantigrade.events import Manner, Timing
from plantigrade.stat import stat_of
from plantigrade.synth import Player, Stand, Swing
from plantigrade_gateway.analysis.result import Analysis, is_good
from plantigrade_gateway.check.stand import taken_stands
from plantigrade_gateway.check.steps import QUESTIONS
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.slow

MM = 72 / 25.4
BEARS = Player(midfoot_share_left=0.12, midfoot_share_right=0.12)
HEEL_AND_BALL = Player(midfoot_share_left=0.0, midfoot_share_right=0.0)
BROAD = Player(midfoot_share_left=0.25, midfoot_share_right=0.25)
DISAGREES = Player(midfoot_share_left=0.12, midfoot_share_right=0.12, walk_midfoot=0.05)
"""Stands on its midfoot, and walks without."""
HELD = Swing(Manner.HELD, Timing.WITH_SHIFT)
FEET: tuple[Do, ...] = (
    *(Do("start", LIFTS), *[Do("start", STOOD)] * 3, Do("skip"), Do("start", WALKED)),
    Do("end"),
)
AGAIN: tuple[Do, ...] = (
    Do("skip"),
    *[Do("start", STOOD)] * 3,
    *[Do("skip")] * 4,  # on the floor, the walk, practice, smooth
    Do("start", swung(8)),
)
"""A second visit: the stands and a full set."""


@pytest.fixture
def bench(store: Store, browser: Browser) -> Iterator[Bench]:
    made = Bench(store, browser)
    yield made
    assert [text for text in made.complaints if "422" not in text] == []
    made.close()


def led_through(bench: Bench) -> None:
    """Press what the script has at its time; more swings that are offered are not made."""
    for press in bench.bay.through():
        if bench.bay.check["phase"] == "offer":
            bench.press("Skip")
        bench.press({**NAMES, "end": "End the check"}[press])
    if bench.bay.handler.check is not None and bench.bay.check["phase"] == "offer":
        bench.press("Skip")


def answered(bench: Bench, look: str = "First look: stand, walk, swing") -> None:
    """Begin a check, the questions answered with no."""
    bench.press(look)
    bench.bay.live.flush()
    bench.answer()
    bench.press("Go on")


def registered(page: Page, url: str, name: str, *, minor: bool = False) -> str:
    """Make a new player on the page; return the id in the address."""
    page.goto(f"{url}players")
    page.get_by_role("link", name="Add a player").click()
    page.get_by_label("Name or code").fill(name)
    page.get_by_label("right-handed").check()
    page.get_by_label("Mass, kg").fill("75")
    page.get_by_label("Usual shoe").fill("Zapatka trainer")
    if minor:
        page.get_by_label("under age").check()
        page.get_by_label("Guardian of a minor").fill("Gerda Guardian")
    page.get_by_role("button", name="Add the player").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(name)
    return page.url.rsplit("/", 1)[1].partition("#")[0]


def decided(page: Page, at: str, topic: str, answer: str, cue: str = "") -> None:
    """Decide on a topic on a page that has the coach's forms."""
    page.goto(at)
    page.locator("summary.button").click()
    form = page.locator("form", has=page.get_by_role("group", name=f"Decide on the {topic}"))
    form.get_by_label(answer, exact=True).check()
    form.get_by_label("Words for the player").fill(cue)
    form.get_by_role("button", name="Decide on").click()
    expect(page.locator("dl.decided")).to_contain_text(answer)
    page.wait_for_load_state()  # its styles too: where things stand is looked at


def text_of(page: Page, at: str) -> str:
    page.goto(at)
    found = page.locator("main").text_content()
    assert found is not None
    return re.sub(r"\s+", " ", found)


def share_text(found: Analysis, side: str) -> str:
    """Return a foot's midfoot share over the taken stands, % to one digit, from the events."""
    stands = [getattr(stand, side) for stand in taken_stands(found)]
    mean = stat_of(stand.midfoot_share for stand in stands).mean
    assert mean is not None
    return f"{100 * mean:.1f} %"


def good_text(found: Analysis, intent: str) -> str:
    """Return the good pushes of an intent's clear swings, ``7 of 8``, from the events."""
    swings = [s for run in found.sets if run.intent == intent for s in run.swings]
    known = [is_good(s) for s in swings if s.push.manner is not Manner.UNCLEAR]
    return f"{sum(known)} of {len(known)}"


def printed(data: bytes) -> str:
    """Return a PDF's text, after it was rendered: one page, margins empty, something on it."""
    with pypdfium2.PdfDocument(data) as document:
        assert len(document) == 1
        page = document[0]
        picture = np.asarray(page.render(scale=2).to_pil().convert("L"))
        edge = int(10 * MM * 2)
        for border in (picture[:edge], picture[-edge:], picture[:, :edge], picture[:, -edge:]):
            assert border.min() == 255
        assert picture.min() < 60
        return " ".join(page.get_textpage().get_text_bounded().split())


def pdf_of(page: Page, url: str, player: str) -> str:
    page.goto(f"{url}players/{player}")
    href = page.get_by_role("link", name="Page for the player").get_attribute("href")
    answer = page.request.get(f"{url.rstrip('/')}{href}")
    assert (answer.status, answer.headers["content-type"]) == (200, "application/pdf")
    return printed(answer.body())


@pytest.mark.long
def test_the_story_of_one_that_stands_and_walks_differently(bench, store, tmp_path):
    page, url = bench.page, bench.url
    name = "Wendelin Zapatka"
    player = registered(page, url, name)
    here = f"{url}players/{player}"

    bench.begin(FIRST_LOOK, DISAGREES, player_id=player)
    answered(bench)
    led_through(bench)
    expect(page.locator("#title")).to_have_text("Done")
    first_id = bench.bay.live.session_id
    bench.bay.close()
    first = results.read(store, first_id)

    said = text_of(page, f"{here}/sheet")
    for side in ("Lead foot, the left one", "Trail foot, the right one"):
        assert side in said
    assert page.locator(".called").all_text_contents() == ["disagree", "disagree"]
    for role, side in (("lead", "left"), ("trail", "right")):
        rows = page.locator(f".panel.{role} dl.rows div")
        assert "bearing" in rows.nth(0).inner_text() and "skipped" in rows.nth(1).inner_text()
        assert share_text(first, side) in rows.nth(0).inner_text()
    pushes = page.locator("tr", has=page.get_by_text("good push at full", exact=True))
    assert good_text(first, "full") in (pushes.first.text_content() or "")

    decided(page, f"{here}/sheet", "push", "not yet", "Zapatka words: let it roll")
    top = page.locator("dl.decided strong").first.bounding_box()
    size = page.viewport_size
    assert top is not None and size is not None and top["y"] < size["height"] / 2
    assert barriers(page) == []
    page.goto(f"{url}sessions/{first_id}")
    expect(page.locator("dl.decided")).to_contain_text("not yet")

    bench.begin((*AGAIN, Do("drill", swung(5))), DISAGREES, player_id=player, seed=2)
    answered(bench)
    bay = bench.bay
    for press in bay.through():
        if bay.handler.check is not None and bay.check["phase"] == "offer":
            bench.press("Skip")
        if press != "drill":
            bench.press(NAMES[press])
            continue
        bench.press("End the check")
        page.goto(url)
        expect(page.locator("#drill-choice option")).not_to_have_count(0)
        bay.commands.clear()
        page.locator("#drill-choice").select_option("push")
        bench.obey()
    second_id = bay.live.session_id
    bay.close()
    second = results.read(store, second_id)
    (run,) = second.drills
    assert run.name == "push" and run.tried >= 4
    expect(page.locator("#drill-good")).to_have_text(f"{run.good} of {run.tried}")
    assert f"{run.good} of {run.tried} good" in text_of(page, f"{url}sessions/{second_id}")

    said = text_of(page, f"{here}/progress?measure=full.push_good")
    assert good_text(first, "full") in said and good_text(second, "full") in said
    page.get_by_role("button", name="Compare").click()
    table = page.get_by_role("region", name="Table of two visits")
    expect(table).to_contain_text("good push")
    said = text_of(page, f"{here}/progress?measure=lead.stand")
    for found in (first, second):
        assert share_text(found, "left").removesuffix(" %") in said

    text = pdf_of(page, url, player)
    assert name in text and "Zapatka words: let it roll" in text and "Stop if it hurts" in text
    days = {store.session(one).started.date() for one in (first_id, second_id)}
    assert ("Good pushes:" in text) == (len(days) == 2)  # of one day neither is last time
    assert [word for word in ("BW", "kPa", "CoP", "MDC", "disagree") if word in text] == []
    for topic in ("lead heel", "push", "speed"):
        decided(page, here, topic, "not yet", ("Zapatkaword " * 10).strip()[:120])
    text = pdf_of(page, url, player)
    assert text.count("Zapatkaword") >= 20

    page.goto(here)
    with page.expect_download() as download:
        page.get_by_role("link", name="Export all of it").click()
    packed = zipfile.ZipFile(io.BytesIO(Path(download.value.path()).read_bytes()))
    names = packed.namelist()
    assert all(any(session[:8] in one for one in names) for session in (first_id, second_id))
    assert b"Zapatka" in b"".join(packed.read(one) for one in names)

    assert b"Zapatka" in everything(store.path)
    page.get_by_role("link", name="Delete the player").click()
    page.get_by_label("Type the name").fill(name)
    page.get_by_role("button", name="Delete for good").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Deleted")
    left = everything(store.path)
    assert [trace for trace in (b"Zapatka", b"Wendelin", b"let it roll") if trace in left] == []
    assert store.sessions() == []
    assert "Zapatka" not in text_of(page, f"{url}players")


@pytest.mark.parametrize(
    ("body", "stands", "walks", "called"),
    [
        (HEEL_AND_BALL, "none", "skipped", "heel and ball"),
        (BEARS, "bearing", "through", "bears"),
        (BROAD, "broad", "through", "broad"),
        (DISAGREES, "bearing", "skipped", "disagree"),
    ],
    ids=["heel-and-ball", "bears", "broad", "disagrees"],
)
def test_four_kinds_of_feet_on_the_sheet(bench, store, body, stands, walks, called):
    """The feet's part of the check from the bytes of virtual insoles, and the sheet made of it."""
    page, url = bench.page, bench.url
    player = registered(page, url, "Invented")
    bench.begin(FEET, body, player_id=player)
    answered(bench)
    led_through(bench)
    session = bench.bay.live.session_id
    bench.bay.close()
    page.goto(f"{url}players/{player}/sheet")
    found = results.read(store, session)
    assert page.locator(".called").all_text_contents() == [called, called]
    for role, side in (("lead", "left"), ("trail", "right")):
        rows = page.locator(f".panel.{role} dl.rows div")
        standing, walking = (rows.nth(k).inner_text() for k in (0, 1))
        assert stands in standing and share_text(found, side) in standing
        assert walks in walking


SPEED = "Speed look: fast swings too"
FAST = (Stand(LEAD_IN_S), *[part for _ in range(8) for part in (Stand(16.0), GOOD)], Stand(4.0))


@pytest.mark.long
def test_a_minors_speed_look_from_the_questions_to_the_last_smooth_swing(bench, store):
    """Fast swings come after the coach's decision and the guardian's consent only."""
    page, url = bench.page, bench.url
    player = registered(page, url, "Invented minor", minor=True)
    here = f"{url}players/{player}"
    coach = bench.context.new_page()  # beside the page of the check
    script = (*FIRST_LOOK, Do("fast", FAST), Do("start", swung(8)))
    bay = bench.begin(script, player_id=player)
    answered(bench, SPEED)
    line = page.locator("#line")
    for press in bay.through():
        if bay.check["phase"] == "offer":
            bench.press("Skip")
        if press != "fast":
            bench.press(NAMES[press])
            continue
        expect(page.locator("#title")).to_have_text("Fast swings")
        bench.press("Start")
        expect(line).to_contain_text("for a minor the coach decides first")
        bay.live.flush()
        decided(coach, here, "speed", "go")
        bench.press("Start")
        expect(line).to_contain_text("the guardian has not agreed")
        coach.goto(here)
        consent = coach.get_by_role("form", name="Consent to train for speed")
        consent.get_by_role("button", name="Give").click()
        expect(consent).to_contain_text("given by the guardian")
        bench.press("Start")
        expect(page.locator("#said")).to_have_text(
            "As fast as you can and still finish in balance."
        )
    if bay.check["phase"] == "offer":
        bench.press("Skip")
    expect(page.locator("#title")).to_have_text("Done")
    session = bay.live.session_id
    bay.close()
    found = results.read(store, session)
    standing = found.standing_sets
    assert [run.intent for run in standing] == ["smooth", "full", "fast", "smooth"]
    assert all(len(run.swings) >= 6 and run.is_silent for run in standing)
    page.goto(f"{here}/sheet")
    said = page.locator("main").text_content()
    assert said is not None
    assert "speed and time in the visit go together" in re.sub(r"\s+", " ", said)


PRESS_MS = 1000
"""No quicker than a person presses: the page's audience takes no more for long."""


def to_fast(bench: Bench) -> None:
    """Skip what comes before the fast swings."""
    while bench.bay.check["step"] != "fast":
        bench.press("Skip")
        bench.page.wait_for_timeout(PRESS_MS)
    expect(bench.page.locator("#title")).to_have_text("Fast swings")


def test_what_keeps_fast_swings_back(bench, store):
    """Questions not asked, a yes among them, a lost push, pain: each by what the coach presses."""
    page = bench.page
    bay = bench.begin((Do("start", swung(6, HELD, 16.0)), Do("start")), seed=3)
    presses = bay.through()
    line = page.locator("#line")

    bench.press(SPEED)
    bench.press("Not now")
    to_fast(bench)
    bench.press("Start")
    expect(line).to_contain_text("today's questions are not answered")
    bench.press("End the check")

    bench.press(SPEED)
    bay.live.flush()
    bench.answer(yes=len(QUESTIONS) - 1)
    bench.press("Go on")
    expect(page.locator("#stopped")).to_be_visible()
    expect(page.locator("#asked input")).to_have_count(0)  # nobody finds what was answered
    expect(page.locator("#start")).to_be_hidden()
    bench.press("End the check")
    expect(page.locator("#held-line")).to_contain_text("Stopped: pain.")
    page.get_by_role("button", name="It was a mistake …").click()
    expect(page.get_by_role("dialog")).to_contain_text("nothing hurts, and no question is a yes")
    bench.press("A mistake: nothing hurts")
    expect(page.locator("#held")).to_be_hidden()

    answered(bench, SPEED)
    to_fast(bench)
    next(presses)
    bench.press("Start")
    next(presses)
    expect(page.locator("#title")).to_have_text("Smooth again")
    expect(line).to_contain_text("The push was lost: no more fast swings today.")
    bench.press("Again")
    bench.press("Start")
    expect(line).to_contain_text("no more fast swings today")
    bench.press("Pain – stop")
    expect(page.locator("#advice")).to_contain_text("no training on pain")
    expect(page.locator("#start")).to_be_hidden()
    session = bay.live.session_id
    bay.close()
    sets = results.read(store, session).sets
    assert [run.intent for run in sets] == ["fast"] and len(sets[0].swings) < 8
    with Register(store) as register:
        assert register.names() == {}
