"""Large type: the drill's verdict, read from three metres on a phone held upright and on a tablet.

Sizes are measured in what the browser painted. An x of 12 minutes of arc at least is asked for; the
screens are a phone of 390 CSS pixels over 65 mm and a tablet of 820 over 160 mm; phones held
sideways are this one, and smaller ones of 360 CSS pixels over 62 mm and of 320 over 60 mm, of which
640 and 568 are seen when they are held upright.
"""

import base64
import math
from collections.abc import Iterator
from itertools import combinations, product
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from tests.support.browser import Complaints, barriers, laid_out
from tests.support.toldpage import Gateway, frame, hello

from plantigrade.zones import eighteen
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Drill
from plantigrade_gateway.web.live.playertold import for_player

pytestmark = pytest.mark.dear

AWAY_MM = 3000.0
LEAST_ARCMIN = 12.0
SCREENS = {"phone": (390, 844, 65.0), "tablet": (820, 1180, 160.0), "laptop": (1280, 800, 250.0)}
SIDEWAYS = {
    "phone sideways": (844, 390, 65.0 / 390 * 844),
    "small phone sideways": (740, 360, 62.0 / 360 * 740),
    "smallest phone sideways": (640, 320, 60.0 / 320 * 640),
}
SMALL = {"small phone": (360, 640, 62.0), "smallest phone": (320, 568, 60.0)}
SCREENS |= SIDEWAYS | SMALL
DRILLS = shelf(None).drills
VERDICTS = ("good", "missed", "unclear")

INK_ROWS = """async (png) => {
    // how many rows of dots hold ink: the height of what is written
    const picture = await createImageBitmap(await (await fetch(png)).blob());
    const canvas = new OffscreenCanvas(picture.width, picture.height);
    const context = canvas.getContext("2d");
    context.drawImage(picture, 0, 0);
    const {data, width, height} = context.getImageData(0, 0, picture.width, picture.height);
    const rows = [];
    for (let y = 0; y < height; y++)
        for (let x = 0; x < width; x++) {
            const at = 4 * (y * width + x);
            if (data[at] + data[at + 1] + data[at + 2] < 384) { rows.push(y); break; }
        }
    return rows.length ? rows[rows.length - 1] - rows[0] + 1 : 0;
}"""


def drill(
    verdict: str, line: str, n: int, words: str = "what was seen", told: bool = True
) -> dict[str, Any]:
    return {
        "type": "drill",
        "name": "push",
        "title": "Roll the push through",
        "goal": "Roll it.",
        "counts": "It rolls.",
        "feedback": "every",
        "good": 8,
        "tried": 12,
        "unclear": 0,
        "streak": 3,
        "best": 4,
        "last": {
            "verdict": verdict,
            "words": words,
            "line": line,
            "told": told,
            "what": "swing",
            "n": n,
        },
    }


def swing(n: int, push: str) -> dict[str, Any]:
    words = {
        "push": push,
        "heel_lift": "lifted 0.6 s",
        "outcome": push,
        "transfer": "0.09 ± 0.01 s",
        "load_tempo": "2.8 ± 0.1",
    }
    path: dict[str, list[float]] = {"path_t_s": [], "path_y": []}
    lift = {"lift_s": None, "return_s": None}
    return {
        "type": "swing",
        "n": n,
        "swing": {"push": path, "heel_lift": lift, "touches_gap": False, "lead_peak_s": 9.0},
        "words": words,
        "good": False,
        "counts": {"steps": 0, "swings": n, "good": 1},
    }


@pytest.fixture(scope="module")
def gateway(browser: Browser) -> Iterator[Gateway]:
    with browser.new_context(viewport={"width": 390, "height": 844}) as context:
        page = context.new_page()
        complaints = Complaints(page)
        told = Gateway(page)
        session = {"id": "one", "source": "demo (invented)", "started": "", "recording": True}
        told.open(hello(eighteen(), session=session, drills=[]), frame(1.0, 18))
        page.locator("#large").click()
        yield told
        assert complaints == []


def show(gateway: Gateway, screen: str, *messages: dict[str, Any]) -> Page:
    """Say it all on a screen, and wait until it is laid out."""
    width, height, _ = SCREENS[screen]
    gateway.page.set_viewport_size({"width": width, "height": height})
    gateway.say(*messages)
    last = messages[-1].get("last") or {}
    if last:
        expect(gateway.page.locator("#large-exact")).to_have_text(last["words"])
    laid_out(gateway.page)
    return gateway.page


def x_px(page: Page, there: Locator) -> float:
    """Return how high an x is painted, CSS pixels, where the text is nothing but x."""
    png = base64.b64encode(there.screenshot(scale="css")).decode()
    return float(page.evaluate(INK_ROWS, f"data:image/png;base64,{png}"))


def arcmin(px: float, screen: str) -> float:
    width, _, wide_mm = SCREENS[screen]
    return math.degrees(math.atan(px * wide_mm / width / AWAY_MM)) * 60.0


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.slow
def test_an_x_is_seen_under_12_minutes_of_arc_at_three_metres(gateway, screen):
    page = show(gateway, screen, drill("good", "xxx xxx", 12))
    page.evaluate("document.getElementById('large-word').firstChild.textContent = 'xxx'")
    for place in ("#large-line .squeezed", "#large-word .squeezed"):
        seen = arcmin(x_px(page, page.locator(place).first), screen)
        assert seen >= LEAST_ARCMIN, place
    sizes = page.locator(".far").evaluate_all("all => all.map(e => getComputedStyle(e).fontSize)")
    assert len(set(sizes)) == 1  # the number is written in the same letters


def test_the_measure_finds_type_that_is_too_small(gateway):
    page = show(gateway, "phone", drill("good", "xxx", 12))
    page.evaluate("document.getElementById('large-line').style.fontSize = '100px'")
    assert arcmin(x_px(page, page.locator("#large-line .squeezed")), "phone") < LEAST_ARCMIN


@pytest.mark.parametrize(("screen", "verdict"), list(product(SCREENS, VERDICTS)))
def test_each_verdict_has_a_shape_a_word_and_a_colour_of_its_own(gateway, screen, verdict):
    page = show(gateway, screen, drill(verdict, "A line", 7))
    assert page.locator("#large-mark .mark:visible").count() == 1
    shown = page.locator("#large-mark .mark:visible")
    assert verdict in str(shown.get_attribute("class")).split()
    expect(page.locator("#large-word")).to_have_text(
        {"good": "Yes", "missed": "No"}.get(verdict, "?")
    )
    colour = "getComputedStyle(document.getElementById('large-verdict')).color"
    good, warn, ink = page.evaluate(
        """["--good", "--warn", "--ink"].map((name) => {
            const probe = document.createElement("p");
            probe.style.color = `var(${name})`;
            document.body.append(probe);
            const found = getComputedStyle(probe).color;
            probe.remove();
            return found;
        })"""
    )
    assert len({good, warn, ink}) == 3
    assert page.evaluate(colour) == {"good": good, "missed": warn, "unclear": ink}[verdict]
    expect(page.locator("#large-number")).to_have_text("7")
    expect(page.locator("#large-line")).to_have_text("Aline")


def lines(drill: Drill) -> set[str]:
    return {line for key, line in drill.table()["say"].items() if key != "name"}


@pytest.mark.parametrize("screen", ["phone", "tablet"])
def test_what_the_built_in_drills_say_fits_the_screen(gateway, screen):
    """Nothing is cut off or needs scrolling, and no word is squeezed under 0.6 of its width."""
    width, height, _ = SCREENS[screen]
    said = set().union(*(lines(one) for one in DRILLS.values()))
    assert len(said) > 10
    exact = "skipped, early, in 0.61 ± 0.01 s: outside 0.05 to 0.4 s"
    for line in sorted(said):
        page = show(gateway, screen, drill("missed", line, 99, f"{exact} ({line})"))
        boxes = page.locator("#large-view :is(.squeezed, .near, svg)").evaluate_all(
            """all => all.filter(e => e.checkVisibility()).map(e => {
                const {left, right, top, bottom} = e.getBoundingClientRect();
                return [left, right, top, bottom, right - left, e.offsetWidth || right - left];
            })"""
        )
        assert len(boxes) >= 5
        for left, right, top, bottom, seen, own in boxes:
            assert left >= 0 and right <= width + 0.5, line
            assert top >= 0 and bottom <= height, line
            assert seen >= 0.6 * own, line


def overlaps(one: list[float], other: list[float]) -> bool:
    """Whether two boxes, left, right, top and bottom, share more than a pixel's width of ground."""
    across = min(one[1], other[1]) - max(one[0], other[0])
    down = min(one[3], other[3]) - max(one[2], other[2])
    return across > 1.0 and down > 1.0


def boxes_of(page: Page, needed: str) -> list[list[float]]:
    """Return of each word, shape and button its left, right, top, bottom and how far squeezed."""
    found: list[list[float]] = page.evaluate(
        """needed => [...document.querySelectorAll(needed)].filter(e => e.checkVisibility())
            .flatMap(e => {
                const words = [...e.querySelectorAll(".squeezed")];
                return (words.length ? words : [e]).map(one => {
                    const {left, right, top, bottom, width} = one.getBoundingClientRect();
                    return [left, right, top, bottom, width / (one.offsetWidth || width)];
                });
            })""",
        needed,
    )
    return found


def fits(boxes: list[list[float]], width: float, height: float, squeezed: float) -> bool:
    """Whether all are on the screen, none on another and none squeezed under its part."""
    return all(
        left >= 0 and right <= width + 0.5 and top >= 0 and bottom <= height and by >= squeezed
        for left, right, top, bottom, by in boxes
    ) and not any(overlaps(one, other) for one, other in combinations(boxes, 2))


@pytest.mark.parametrize("screen", SMALL)
@pytest.mark.slow
def test_a_small_phone_held_upright_shows_all_that_is_said_without_scrolling(gateway, screen):
    """What every built-in drill says, what was seen in small letters, and the button that stops; in
    a row of two words as narrow as 0.45 of their own width."""
    width, height, _ = SCREENS[screen]
    needed = "#large-mark, #large-word, #large-number, #large-line, #large-exact, #large-what"
    said = set().union(*(lines(one) for one in DRILLS.values()))
    exact = "skipped, early, in 0.61 ± 0.01 s: outside 0.05 to 0.4 s"
    for line, verdict in product(sorted(said), ("good", "missed")):
        page = show(gateway, screen, drill(verdict, line, 128, f"{exact} {verdict}, {line}"))
        page.evaluate(
            "text => { document.getElementById('large-exact').textContent = text; }", exact
        )
        boxes = boxes_of(page, f"{needed}, #pain-stop, #large")
        assert len(boxes) == 7 + len(line.split()), line
        assert fits(boxes, width, height, 0.45), line
        assert page.evaluate("scrollY") == 0


@pytest.mark.parametrize("screen", SMALL)
def test_the_button_that_stops_leaves_room_for_the_number_on_a_small_phone(gateway, screen):
    """It is there in a speed block, which is silent."""
    width, height, _ = SCREENS[screen]
    page = gateway.page
    page.evaluate("document.getElementById('pain-stop').hidden = false")
    none = {"type": "drill", "name": None, "feedback": "silent"}
    show(gateway, screen, none, {**swing(128, "skipped, early"), "silent": True})
    expect(page.locator("#large-line .squeezed")).to_have_text(["Silent"])
    laid_out(page)
    boxes = boxes_of(page, "#large-number, #large-line, #large-exact, #pain-stop, #large")
    assert len(boxes) == 5 and fits(boxes, width, height, 0.45)
    page.evaluate("document.getElementById('pain-stop').hidden = true")


@pytest.mark.parametrize("stops", [False, True])
@pytest.mark.parametrize("screen", SIDEWAYS)
@pytest.mark.slow
def test_a_phone_held_sideways_shows_all_that_is_needed_without_scrolling(gateway, screen, stops):
    """Verdict, number, line, the button that stops: none on another, none squeezed under half."""
    width, height, _ = SCREENS[screen]
    page = show(gateway, screen, drill("good", "xxx", 1))
    page.evaluate("on => { document.getElementById('pain-stop').hidden = !on; }", stops)
    said = set().union(*(lines(one) for one in DRILLS.values()))
    needed = "#large-mark, #large-word, #large-number, #large-line, #pain-stop, #large"
    for line, verdict in product(sorted(said), ("good", "missed")):
        show(gateway, screen, drill(verdict, line, 128, f"{verdict}, {line}"))
        boxes = boxes_of(page, needed)
        assert len(boxes) >= 4 + stops + len(line.split())
        assert fits(boxes, width, height, 0.5), line
        assert page.evaluate("scrollY") == 0
    page.evaluate("document.getElementById('pain-stop').hidden = true")


def test_what_happened_without_a_drill_fits_a_phone_held_sideways(gateway):
    """In a speed block there is no drill: the longest that a push is called, beside the button."""
    page = gateway.page
    page.evaluate("document.getElementById('pain-stop').hidden = false")
    show(
        gateway,
        "small phone sideways",
        {"type": "drill", "name": None},
        swing(128, "skipped, early"),
    )
    expect(page.locator("#large-line .squeezed")).to_have_text(["skipped,", "early"])
    laid_out(page)
    for place in ("#large-number .squeezed", "#large-line .squeezed >> nth=1", "#pain-stop"):
        box = page.locator(place).bounding_box()
        assert box is not None and box["y"] + box["height"] <= 360.0, place
    page.evaluate("document.getElementById('pain-stop').hidden = true")


def test_without_a_drill_there_is_no_verdict_but_the_push_in_words(gateway):
    none = {"type": "drill", "name": None}
    page = show(gateway, "phone", none, swing(4, "rolled, with shift"))
    expect(page.locator("#large-number")).to_have_text("4")
    expect(page.locator("#large-verdict")).to_be_hidden()
    expect(page.locator("#large-line .squeezed")).to_have_text(["rolled,", "with", "shift"])
    expect(page.locator("#large-exact")).to_have_text("Lead heel lifted 0.6 s.")


def test_a_swing_that_the_drill_does_not_judge_changes_no_verdict(gateway):
    page = show(gateway, "phone", drill("good", "Held still", 2), swing(5, "skipped, early"))
    expect(page.locator("#outcome")).to_contain_text("Swing 5")
    expect(page.locator("#large-line .squeezed")).to_have_text(["Held", "still"])
    expect(page.locator("#large-number")).to_have_text("2")


def test_a_repetition_that_is_not_told_is_not_shown_either(gateway):
    gateway.say(drill("good", "Rolled through", 3, told=False))
    page = gateway.page
    expect(page.locator("#large-line .squeezed")).to_have_text(["Noted"])
    expect(page.locator("#large-number")).to_have_text("3")
    expect(page.locator("#large-verdict")).to_be_hidden()
    expect(page.locator("#large-score")).to_have_text("")
    assert "good" not in page.locator("#large-view").inner_text()
    expect(page.locator("#large-exact")).to_contain_text("feedback is less often")


@pytest.mark.parametrize(
    ("told", "heard"),
    [
        (
            ({"type": "drill", "name": None}, swing(31, "rolled, with shift")),
            "Swing 31: rolled, with shift. Lead heel lifted 0.6 s.",
        ),
        (
            ({"type": "drill", "name": None}, {**swing(32, "rolled, early"), "silent": True}),
            "Swing 32: Silent. Not told now, and counted all the same.",
        ),
        (
            (swing(33, "skipped, early"), drill("missed", "No roll", 33, "Skipped", told=False)),
            "Swing 33: Noted. Not told: the drill’s feedback is less often.",
        ),
        (
            (swing(34, "rolled, early"), drill("good", "Rolled through", 34, "Rolled.")),
            "Swing 34: Yes, Rolled through. Rolled.",
        ),
    ],
)
def test_a_screen_reader_is_told_what_large_type_shows_and_no_more(gateway, told, heard):
    gateway.say(*told)
    expect(gateway.page.locator("#announced")).to_have_text(heard)


def test_a_repetition_that_somebody_asks_for_is_shown_as_it_is_heard(gateway):
    """The gateway tells the drill again, its last repetition told by now (`LiveSession.ask`)."""
    page = gateway.page
    waits = drill("good", "Rolled through", 3, told=False)
    untold = for_player({**swing(3, "rolled, with shift"), "silent": True})
    assert untold is not None
    gateway.say(untold, {**waits, "feedback": "ask"})
    expect(page.locator("#large-exact")).to_have_text("Told when somebody asks.")
    expect(page.locator("#outcome")).to_have_text(f"Swing 3. {SILENT}")
    told = drill("good", "Rolled through", 3, words="rolled, with shift, in 0.09 s")
    gateway.say({**told, "feedback": "ask"})
    expect(page.locator("#large-word")).to_have_text("Yes")
    expect(page.locator("#large-line .squeezed")).to_have_text(["Rolled", "through"])
    expect(page.locator("#outcome")).to_have_text("Swing 3: rolled, with shift, in 0.09 s.")


SILENT = "Not told now, and counted all the same."


def test_a_swing_that_is_to_be_silent_shows_its_number_and_no_outcome(gateway):
    """In a silent set and in a check, with a drill or without one."""
    page, view = gateway.page, gateway.page.locator("#large-view")
    heard = swing(4, "rolled, with shift")
    drilled = drill("good", "Rolled through", 6, words="rolled, with shift, in 0.09 s")
    drilled["last"]["silent"] = True
    none = {"type": "drill", "name": None, "feedback": "silent"}
    show(gateway, "phone", none, heard)
    expect(page.locator("#large-line .squeezed")).to_have_text(["rolled,", "with", "shift"])
    for n, messages in ((5, [{**swing(5, "rolled, with shift"), "silent": True}]), (6, [drilled])):
        gateway.say(*messages)
        expect(page.locator("#large-number")).to_have_text(f"{n}")
        expect(page.locator("#large-line .squeezed")).to_have_text(["Silent"])
        expect(page.locator("#large-exact")).to_have_text(SILENT)
        expect(page.locator("#large-verdict")).to_be_hidden()
        assert view.get_attribute("data-verdict") == ""
        assert not {"rolled", "heel", "good", "Yes"} & set(view.inner_text().lower().split())


def test_what_was_silent_stays_so_when_the_set_is_over_and_the_page_comes_again(gateway):
    page = gateway.page
    last = {**swing(5, "rolled, with shift"), "silent": True}
    none = {"type": "drill", "name": None, "feedback": "every"}
    session = {"id": "one", "source": "demo (invented)", "started": "", "recording": True}
    told = hello(eighteen(), session=session, drills=[], swing=last, drill=none)
    for message in (none, told, {"type": "set", "name": None}):
        gateway.say(last, message)
        expect(page.locator("#large-line .squeezed")).to_have_text(["Silent"])
        expect(page.locator("#large-exact")).to_have_text(SILENT)


def test_who_comes_in_mid_swing_reads_that_one_is_on_the_way(gateway):
    page = gateway.page
    session = {"id": "two", "source": "demo (invented)", "started": "", "recording": True}
    phase = {"type": "phase", "kind": "shift", "t_s": 1.0, "words": "shift"}
    gateway.say(hello(eighteen(), session=session, drills=[], phase=phase))
    expect(page.locator("#large-exact")).to_have_text("A swing is on the way.")
    expect(page.locator("#outcome")).to_have_text("A swing is on the way.")
    expect(page.locator("#phase")).to_have_text("Now: shift")
    gateway.say({**phase, "kind": "cancelled"})
    expect(page.locator("#large-exact")).to_have_text("No swing yet.")
    expect(page.locator("#outcome")).to_have_text("No swing yet.")
    gateway.say({**phase, "kind": "backswing"}, swing(1, "rolled, with shift"))
    expect(page.locator("#large-exact")).to_have_text("Lead heel lifted 0.6 s.")
    expect(page.locator("#outcome")).to_contain_text("Swing 1: push rolled")
    gateway.say(phase)  # of the next one: what the last one did stays
    expect(page.locator("#phase")).to_have_text("Now: shift")
    expect(page.locator("#large-exact")).to_have_text("Lead heel lifted 0.6 s.")
    expect(page.locator("#outcome")).to_contain_text("Swing 1: push rolled")


@pytest.mark.parametrize("theme", ["light", "dark", "sun"])
@pytest.mark.slow
def test_no_barrier_is_found_in_any_light(gateway, theme):
    page = gateway.page
    page.evaluate(f"document.documentElement.dataset.theme = '{theme}'")
    for verdict in VERDICTS:
        show(gateway, "phone", drill(verdict, "Rolled through", 7, f"seen {theme} {verdict}"))
        assert barriers(page) == [], verdict


def test_after_a_stop_there_is_nothing_but_the_stop_to_read(gateway):
    page, line = gateway.page, gateway.page.locator("#large-line .squeezed")
    stopped = {"type": "check", "on": True, "look": "block", "phase": "stopped", "may": ["end"]}
    none = {"type": "drill", "name": None, "feedback": "silent"}
    gateway.say(none, {**swing(4, "held"), "silent": True}, {**stopped, "advice": "Stop here."})
    expect(line).to_have_text(["Stop"])
    expect(page.locator("#pain-advice")).to_have_text("Stop here.")
    gateway.say({**swing(5, "held"), "silent": True})
    expect(page.locator("#outcome")).to_contain_text("Swing 5")
    expect(line).to_have_text(["Stop"])
    expect(page.locator("#large-number")).to_have_text("")
    gateway.say({**none, "feedback": "every"}, {"type": "check", "on": False})
    expect(page.locator("#large-number")).to_have_text("5")  # taken back, or ended
    expect(line).to_have_text(["Silent"])
    gateway.say({**swing(6, "held"), "silent": True})
    expect(line).to_have_text(["Silent"])
    expect(page.locator("#large-number")).to_have_text("6")


def test_a_page_that_is_loaded_anew_is_as_large_as_it_was(browser):
    """As a phone does with a page that was out of sight for long."""
    with browser.new_context(viewport={"width": 390, "height": 844}) as context:
        told = Gateway(page := context.new_page())
        session = {"id": "one", "source": "demo (invented)", "started": "", "recording": True}
        greeting = hello(eighteen(), session=session, drills=[])
        told.open(greeting)
        for times, is_large in ((2, True), (3, False)):
            page.locator("#large").click()
            page.reload()
            told.until_connected(times)
            told.say(greeting, drill("good", "Rolled through", times))
            expect(page.locator("#large-word")).to_have_text("Yes")
            assert page.locator("#large-view").is_visible() is is_large
