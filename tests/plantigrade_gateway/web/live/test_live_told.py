"""The live page told odd but lawful things, without a gateway: layouts, names, notes, feet."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.support.browser import Complaints, barriers, laid_out
from tests.support.toldpage import DRILL, HTML, Gateway, frame, hello
from tests.support.waiting import HANG_S

from plantigrade.zones import eighteen, parse_layout
from plantigrade_gateway.web.live.playertold import for_player

pytestmark = pytest.mark.dear

EIGHT = Path(__file__).resolve().parents[4] / "hardware_notes/layouts/eight_zone_newtons.toml"
SIZES = ((320, 640), (360, 800), (768, 1024), (1024, 768), (1280, 800))


@pytest.fixture
def gateway(browser: Browser) -> Iterator[Gateway]:
    with browser.new_context(viewport={"width": 360, "height": 800}) as context:
        page = context.new_page()
        complaints = Complaints(page)
        yield Gateway(page)
        assert complaints == []


def stands_out(page: Page) -> list[tuple[int, int]]:
    """Return at which widths the page is wider than the screen, and how wide."""
    found = []
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        laid_out(page)
        wide = page.evaluate("document.documentElement.scrollWidth")
        found += [(width, wide)] if wide > width else []
    return found


@pytest.mark.slow
def test_names_are_text_and_long_words_break(gateway):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    score = {"counts": HTML, "feedback": "every", "good": 1, "tried": 2, "unclear": 0}
    last = {"verdict": "good", "words": "x" * 200, "line": HTML, "what": "try", "n": 1}
    last["told"] = True
    gateway.say(
        {"type": "drill", **DRILL, **score, "streak": 1, "best": 1, "last": last},
        {"type": "said", "text": "note: " + "y" * 500, "level": "warn"},
    )
    expect(page.locator("#drill-title")).to_have_text(DRILL["title"])
    expect(page.locator("#drill-choice option:checked")).to_have_text(DRILL["title"])
    expect(page.locator("#source")).to_have_text(HTML)
    assert page.locator("#main img").count() == 0
    assert stands_out(page) == []
    page.locator("#large").click()
    expect(page.locator("#large-line")).to_contain_text("onerror")
    assert page.locator("#main img").count() == 0
    assert stands_out(page) == []


def test_what_a_session_came_to_stays_on_the_players_page_when_its_link_ends_with_it(gateway):
    found = {"duration_s": 185.0, "steps": 10, "swings": 10, "good": 6, "drills": []}
    ended = {"id": "one", "source": "", "started": "", "recording": False, "summary": found}
    gateway.open(hello(eighteen(), rights="player"), frame(1.0, 18))
    page = gateway.page
    page.wait_for_function("!document.body.classList.contains('stale')")
    gateway.sockets[-1].close(code=4401, reason="withdrawn")  # while it is recorded
    gateway.until_connected(2)  # it was loaded anew
    gateway.say(hello(eighteen(), rights="player", session=ended))
    expect(page.locator("#summary-text")).to_contain_text("6 of 10 good pushes")
    gateway.sockets[-1].close(code=4401, reason="ended")
    expect(page.locator("#connection")).to_contain_text("The session has ended, and this link with")
    expect(page.locator("#summary-text")).to_contain_text("6 of 10 good pushes")
    page.evaluate("dispatchEvent(new Event('online'))")  # else it connects again at once
    assert page.locator("#summary-text").is_visible() and len(gateway.sockets) == 2


def test_a_box_to_tick_stands_beside_its_words(gateway):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    page.locator("#help-button").click()
    box, words = page.locator("#keys-on").bounding_box(), page.get_by_text("Use these keys")
    label = words.bounding_box()
    assert box is not None and label is not None
    assert box["y"] + box["height"] / 2 == pytest.approx(label["y"] + label["height"] / 2, abs=2)


def test_why_the_gateway_is_mute_is_said_to_who_can_mend_it(gateway):
    mute = {"said": "no output device: cannot be opened", "device": False, "lost": False}
    gateway.open(hello(eighteen(), rights="player", sound=mute), frame(1.0, 18))
    said = gateway.page.locator("#sound-said")
    expect(said).to_have_text("No sound is on.")
    gateway.say(hello(eighteen(), sound=mute))
    expect(said).to_have_text("No sound is on. Gateway: no output device: cannot be opened")


def test_another_layout_and_a_foot_that_is_away(gateway):
    eight = parse_layout(EIGHT.read_text("utf-8"))
    gateway.open(hello(eight), frame(1.0, 8))
    page = gateway.page
    page.get_by_text("Readings as a table, N").click()
    gateway.say(frame(1.3, 8))
    expect(page.locator("#right-load")).to_have_text("away")
    expect(page.locator("#left-load")).to_have_text("0.40 × BW, 280 N")
    expect(page.locator("#readings tbody tr")).to_have_count(8)
    expect(page.locator("#readings tbody tr").first.locator("td")).to_have_text(["35", "–"])
    assert stands_out(page) == []


def test_the_columns_end_on_one_line_and_a_phone_begins_with_the_outcome(gateway):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    page.set_viewport_size({"width": 1024, "height": 768})
    ends = page.locator(".column > :last-child").evaluate_all(
        "found => found.map((one) => one.getBoundingClientRect().bottom)"
    )
    assert len(ends) == 2 and abs(ends[0] - ends[1]) <= 1.0
    page.set_viewport_size({"width": 360, "height": 800})
    tops = [
        page.locator(f".panel.{name}").evaluate("one => one.getBoundingClientRect().top")
        for name in ("outcome", "feet", "share", "strip", "drill", "happened", "link")
    ]
    assert tops == sorted(tops)


def test_a_gateway_that_comes_back_is_followed(gateway):
    """What it said of its links and store goes with it; a session that it begins starts at zero."""
    gateway.open(hello(eighteen()), frame(500.0, 18))
    page = gateway.page
    foot = {"state": "streaming", "silent_s": 4.0, "lost_share": 0.0, "clock_locked": True}
    link = {"type": "link", "feet": {"left": foot}, "store": {"problem": "disk full"}}
    gateway.say({**link, "dropped_frames": 0})
    expect(page.locator("#link-away")).to_have_text("No data: left foot away for 4 s.")
    expect(page.locator("#link-problem")).to_contain_text("disk full")
    gateway.sockets[-1].close(code=1013, reason="")
    expect(page.locator("#connection")).to_contain_text("What is shown is not live")
    expect(page.locator("#link-away")).to_be_hidden()
    expect(page.locator("#link-problem")).to_be_hidden()
    gateway.until_connected(2)
    session = {"id": "two", "source": "recording", "started": "", "recording": True}
    gateway.say(hello(eighteen(), session=session), frame(1.0, 18))
    expect(page.locator("#connection")).to_be_hidden()
    gateway.say(frame(3.0, 18))
    expect(page.locator("#clock")).to_have_text("0:03")


def test_a_colour_means_the_same_all_session_on_every_device(gateway):
    """The gateway says where the scale ends: no reading and no late arrival changes it."""
    high = frame(2.0, 18)
    high["feet"]["left"]["zones"] = [712.0] * 18
    gateway.open(hello(eighteen(), scale_top=400), frame(1.0, 18))
    page = gateway.page
    expect(page.locator("#scale-most")).to_have_text("400 kPa")
    expect(page.locator("#left-load")).to_contain_text("× BW")
    gateway.say(high)
    page.locator("#numbers").click()
    page.wait_for_timeout(300)
    expect(page.locator("#scale-most")).to_have_text("400 kPa")


@pytest.mark.parametrize(
    ("left", "right", "said"),
    [
        (False, True, "unknown: right foot away"),
        (True, False, "unknown: left foot away"),
        (True, True, "unknown: both feet away"),
        (False, False, "no load"),
    ],
)
@pytest.mark.slow
def test_without_one_foot_the_lead_share_is_unknown(gateway, left, right, said):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    for k in range(6):  # written some times a second
        now = frame(1.3 + 0.3 * k, 18)
        for foot, away in (("left", left), ("right", right)):
            now["feet"][foot]["away"] = away
        gateway.say(now)
        gateway.page.wait_for_timeout(60)
    expect(gateway.page.locator("#share-now")).to_have_text(said)
    assert stands_out(gateway.page) == []


WELL = {
    "state": "streaming",
    "links": 1,
    "silent_s": 0.1,
    "lost_share": 0.001,
    "battery_percent": 80.0,
    "clock_locked": True,
}


@pytest.mark.parametrize(
    ("foot", "problem", "said"),
    [
        ({}, None, None),
        ({"battery_percent": None, "lost_share": None}, None, None),  # as in a replay
        ({"battery_percent": 15.0}, None, "left battery low"),
        ({"lost_share": 0.02}, None, "left packets lost"),
        ({"silent_s": 1.5}, None, "left away"),
        ({"links": 0, "state": "no insole"}, None, "left not connected"),
        ({}, "disk full", "not stored"),
    ],
)
@pytest.mark.slow
def test_the_links_are_one_light_while_all_is_well(gateway, foot, problem, said):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    store = {"problem": problem}
    link = {"type": "link", "store": store, "dropped_frames": 0, "delay_ms": None}
    gateway.say({**link, "feet": {"left": {**WELL, **foot}, "right": WELL}})
    expect(page.locator("#link-light")).to_have_text("● all well" if said is None else f"▲ {said}")
    rows = page.locator("#link-known table")
    expect(rows).to_be_hidden() if said is None else expect(rows).to_be_visible()
    page.locator("#link-known summary").click()  # as the viewer leaves it
    gateway.say({**link, "feet": {"left": {**WELL, **foot}, "right": WELL}})
    page.wait_for_timeout(100)
    expect(rows).to_be_visible() if said is None else expect(rows).to_be_hidden()


@pytest.mark.parametrize(
    ("behind_s", "said"),
    [
        (None, "streaming"),  # of a gateway that does not say it
        (0.0, "streaming"),
        (0.9, "streaming"),  # a lost packet is filled without a word
        (34.6, "streaming, catching up 35 s"),
    ],
)
@pytest.mark.slow
def test_the_link_card_says_what_is_still_to_come_from_a_log(gateway, behind_s, said):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    link = {"type": "link", "store": {"problem": None}, "dropped_frames": 0, "delay_ms": None}
    left = WELL if behind_s is None else {**WELL, "catching_up_s": behind_s}
    gateway.say({**link, "feet": {"left": left, "right": WELL}})
    expect(page.locator("#link-left-state")).to_have_text(said)
    expect(page.locator("#left-link")).to_have_text(f"{said}, battery 80 %, loss 0.1 %")
    expect(page.locator("#right-link")).to_have_text("streaming, battery 80 %, loss 0.1 %")
    expect(page.locator("#link-light")).to_have_text("● all well")
    assert stands_out(page) == []


@pytest.mark.parametrize(
    ("feet", "is_recording", "said"),
    [
        ({"links": 0, "state": "no insole"}, False, None),  # a recording that was stopped
        ({"links": 0, "state": "no insole"}, True, "left not connected, right not connected"),
        ({"state": "stopped", "silent_s": 9.0}, False, "all well"),
        ({"state": "streaming", "silent_s": 9.0}, False, "left away, right away"),
    ],
)
@pytest.mark.slow
def test_links_that_ended_as_they_were_asked_to_are_no_trouble(gateway, feet, is_recording, said):
    page = gateway.page
    session = {"id": "one", "source": "x", "started": "", "recording": is_recording}
    gateway.open(hello(eighteen(), session=session), frame(1.0, 18))
    foot = {**WELL, **feet}
    link = {"type": "link", "store": {"problem": None}, "dropped_frames": 0, "delay_ms": None}
    gateway.say({**link, "feet": {"left": foot, "right": foot}})
    if said is None:
        expect(page.locator("#link-none")).to_be_visible()
        expect(page.locator("#link-known")).to_be_hidden()
    else:
        expect(page.locator("#link-light")).to_contain_text(said)
        expect(page.locator("#link-none")).to_be_hidden()
    expect(page.locator("#link-away")).to_be_visible(visible="away" in (said or ""))


def test_who_opens_the_page_late_sees_what_happened_just_now(gateway):
    times = {"strike_s": 60.9, "off_s": 61.5}
    step = {"type": "step", "n": 7, "step": times, "words": "0.6 s, rolled through"}
    stand = {"type": "stand", "stand": {"start_s": 62.0, "end_s": 70.0}, "words": "8 s"}
    gateway.open(hello(eighteen(), recent=[step, stand]), frame(71.0, 18))
    items = gateway.page.locator("#log li")
    expect(items).to_have_text(["1:02 stand: 8 s", "1:00 step 7: 0.6 s, rolled through"])
    gateway.say(hello(eighteen(), recent=[step, stand]))  # the same session: told already
    gateway.say({**step, "n": 8})
    expect(items).to_have_count(3)


def test_what_happened_while_there_was_no_connection_is_listed_at_its_time(gateway):
    def step(n: int, strike_s: float) -> dict[str, Any]:
        return {"type": "step", "n": n, "step": {"strike_s": strike_s}, "words": "0.6 s"}

    gateway.open(hello(eighteen()), frame(61.0, 18))
    gateway.say(step(7, 61.0))
    gateway.say({"type": "said", "text": "Marked: a note", "level": "info"})
    items = gateway.page.locator("#log li")
    expect(items).to_have_text(["1:01 Marked: a note", "1:01 step 7: 0.6 s"])
    gateway.say(frame(71.0, 18), {"type": "said", "text": "Marked: another", "level": "info"})
    expect(items).to_have_count(3)
    gateway.say(hello(eighteen(), recent=[step(7, 61.0), step(8, 65.0)]))
    marked = ["1:11 Marked: another", "1:05 step 8: 0.6 s", "1:01 Marked: a note"]
    expect(items).to_have_text([*marked, "1:01 step 7: 0.6 s"])


NOTE_TEXTS = """name => {
    // what stands in a part of the page, one after the other: who looks later misses nothing
    const one = document.getElementById(name);
    window.noted = [];
    const note = () => noted.push(one.textContent);
    new MutationObserver(note).observe(one, {childList: true, characterData: true, subtree: true});
}"""


@pytest.mark.slow
def test_a_phase_that_nothing_follows_is_over_without_pictures_too(gateway):
    gateway.impatient.add("outcome.js")
    gateway.open(hello(eighteen()), frame(5.0, 18))
    gateway.page.evaluate(NOTE_TEXTS, "phase")
    gateway.say({"type": "phase", "kind": "none", "t_s": 5.0, "words": "no swing after all"})
    gateway.page.wait_for_function("noted.length > 1")
    assert gateway.page.evaluate("noted") == ["Now: no swing after all", ""]


def greys(page: Page, *names: str) -> list[bool]:
    """Return of each element whether its letters are the muted grey."""
    return [
        page.locator(f"#{name}").evaluate(
            """one => {
                const probe = document.createElement("p");
                probe.className = "muted";
                document.body.append(probe);
                const muted = getComputedStyle(probe).color;
                probe.remove();
                return getComputedStyle(one).color === muted;
            }"""
        )
        for name in names
    ]


def test_what_held_before_the_gateway_went_is_grey(gateway):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    kept = ("state", "clock", "outcome", "left-load", "drill-title", "share-now")
    gateway.say({"type": "phase", "kind": "shift", "t_s": 1.1, "words": "shift"})
    expect(page.locator("#phase")).to_have_text("Now: shift")
    assert not any(greys(page, *kept))
    gateway.sockets[-1].close(code=1013, reason="")
    expect(page.locator("#connection")).to_contain_text("not live")
    assert all(greys(page, *kept))
    for name in ("left-load", "share-now"):
        expect(page.locator(f"#{name}")).to_have_text("no data")
    expect(page.locator("#phase")).to_have_text("")
    gateway.until_connected(2)
    gateway.say(hello(eighteen()), frame(2.0, 18))
    expect(page.locator("#connection")).to_be_hidden()
    assert not any(greys(page, *kept))
    gateway.say({"type": "hello", "v": 1, "session": None, "gateway": False, "drills": []})
    expect(page.locator("#state")).to_have_text("no gateway is running")
    assert all(greys(page, "outcome", "left-load"))


@pytest.mark.slow
def test_without_pictures_the_feet_are_not_shown_as_live(gateway):
    gateway.impatient.add("live.js")
    gateway.open(hello(eighteen()))
    page = gateway.page
    page.evaluate(NOTE_TEXTS, "left-load")
    for start_s in (1.0, 300.0):
        told_until_shown(gateway, start_s)
        expect(page.locator("#left-load")).to_have_text("no data")  # two seconds later
        expect(page.locator("#share-now")).to_have_text("no data")


def told_until_shown(gateway: Gateway, start_s: float) -> None:
    """Say pictures, from a session time on, until the left foot's load has been shown."""
    page, t_s, end_s = gateway.page, start_s, time.monotonic() + HANG_S
    page.evaluate("noted.length = 0")
    while not page.evaluate("noted.some((text) => text.includes('BW'))"):
        assert time.monotonic() < end_s, "no picture is shown"
        gateway.say(frame(t_s, 18))
        t_s += 0.05
        page.wait_for_timeout(50)


SUMMARY = {
    "duration_s": 723.4,
    "length": "12 min 3 s",
    "steps": 212,
    "swings": 1,
    "good": 1,
    "drills": [{"title": "Roll the push through", "good": 17, "tried": 50, "best": 4}],
}


def test_after_a_stop_the_page_says_what_the_session_came_to(gateway):
    gateway.open(hello(eighteen()), frame(1.0, 18))
    page = gateway.page
    expect(page.locator("#summary")).to_be_hidden()
    ended = {"id": "a b", "source": "x", "started": "", "recording": False, "summary": SUMMARY}
    gateway.say(hello(eighteen(), session=ended))
    expect(page.locator("#summary-text")).to_have_text(
        "12 min 3 s, 212 steps, 1 swing. 1 of 1 good pushes. "
        "Roll the push through: 17 of 50 good, 4 in a row at best."
    )
    expect(page.locator("#summary-link")).to_have_attribute("href", "/sessions/a%20b")
    gateway.say(hello(eighteen(), session=ended, rights="player"))
    expect(page.locator("#summary-link")).to_be_hidden()
    gateway.say(hello(eighteen()))
    expect(page.locator("#summary")).to_be_hidden()


def test_cautions_come_once_on_a_device_and_day(gateway):
    page = gateway.page
    dialog = page.get_by_role("dialog")
    gateway.open(hello(eighteen()), frame(1.0, 18))
    expect(dialog).to_be_hidden()
    gateway.say(hello(eighteen(), session={"id": "two", "source": "", "recording": True}))
    expect(page.locator("#state")).to_have_text("● recording")
    expect(dialog).to_be_hidden()
    other = page.context.new_page()  # of the same device
    again = Gateway(other)
    other.goto("http://page.invalid/")
    again.until_connected(1)
    again.say(hello(eighteen()), frame(1.0, 18))
    expect(other.locator("#left-load")).to_contain_text("× BW")
    expect(other.get_by_role("dialog")).to_be_hidden()
    other.close()
    page.clock.install()
    page.clock.fast_forward("24:00:00")  # the next day, and a connection that was silent so long
    gateway.until_connected(2)
    gateway.say(hello(eighteen(), session={"id": "three", "source": "", "recording": True}))
    expect(dialog).to_be_visible()
    expect(dialog).to_contain_text("not a medical device")


@pytest.mark.slow
def test_a_set_is_begun_with_a_button_and_a_club(gateway):
    choices = {"intents": ["smooth", "full", "fast"], "clubs": ["driver", "7 iron"]}
    gateway.open(hello(eighteen(), **choices), frame(1.0, 18))
    page = gateway.page
    asked: list[Any] = []
    gateway.sockets[-1].on_message(lambda text: asked.append(json.loads(text)))
    expect(page.locator("#set-now")).to_have_text("No set")
    expect(page.locator("#set-end")).to_be_hidden()
    page.get_by_label("Club of the next set").select_option("7 iron")
    page.get_by_role("button", name="Begin a full set").click()
    gateway.say({"type": "set", "name": "full, 7 iron", "n": 2, "t_s": 65.0})
    expect(page.locator("#set-now")).to_have_text("Set 2: full, 7 iron, since 1:05")
    page.get_by_role("button", name="End set").click()
    gateway.say({"type": "set", "name": None})
    expect(page.locator("#set-now")).to_have_text("No set")
    page.get_by_label("Club of the next set").select_option("")
    page.get_by_role("button", name="Begin a smooth set").click()
    end_s = time.monotonic() + HANG_S
    while sum(one["type"] == "set" for one in asked) < 2:
        assert time.monotonic() < end_s, asked
        page.wait_for_timeout(20)
    assert [one for one in asked if one["type"] != "sounds"] == [
        {"type": "set", "intent": "full", "club": "7 iron"},
        {"type": "set_end"},
        {"type": "set", "intent": "smooth", "club": None},
    ]
    assert barriers(page) == []
    assert stands_out(page) == []
    begun = {"type": "set", "name": "fast", "n": 3, "t_s": 5.0}
    gateway.say(hello(eighteen(), **choices, set=begun, rights="player"))
    expect(page.locator("#set-now")).to_have_text("Set 3: fast, since 0:05")
    expect(page.locator("#set-controls")).to_be_hidden()


UNTOLD = "Not told now, and counted all the same."
SWING = {
    "type": "swing",
    "n": 5,
    "swing": {
        "start_s": 8.0,
        "lead_peak_s": 9.0,
        "push": {"path_t_s": [], "path_y": []},
        "heel_lift": {},
        "touches_gap": False,
    },
    "words": {"push": "rolled, with shift", "heel_lift": "unloaded 0.6 s", "outcome": "rolled"},
    "good": True,
    "counts": {"steps": 2, "swings": 5, "good": 3},
    "silent": True,
}


def test_the_drill_that_holds_is_shown_though_another_was_chosen(gateway):
    """One that was refused, as in a check; and how pushes are told where there is no drill."""
    drills = [{"name": "push", "title": "Push", "goal": ""}]
    silent = {"type": "drill", "name": None, "feedback": "silent"}
    gateway.open(hello(eighteen(), drills=drills, drill=silent), frame(1.0, 18))
    choice, often = gateway.page.locator("#drill-choice"), gateway.page.locator("#drill-feedback")
    expect(often).to_have_value("silent")
    choice.select_option("push")
    gateway.say({"type": "said", "text": "A check is under way: end it first.", "level": "warn"})
    expect(choice).to_have_value("")
    gateway.say({**silent, "feedback": "every"})
    expect(often).to_have_value("every")
    often.select_option("ask")
    gateway.say({"type": "said", "text": "No drill goes on after a stop.", "level": "warn"})
    expect(often).to_have_value("every")


def test_a_page_that_comes_late_gives_no_time_to_a_swing_that_it_is_told_nothing_of(gateway):
    """It would be 0:00: what a player's page is told of a silent swing holds no time."""
    page, untold = gateway.page, for_player({**SWING, "silent": True})
    gateway.open(hello(eighteen(), rights="player", swing=untold, recent=[untold]), frame(90.0, 18))
    expect(page.locator("#outcome")).to_have_text(f"Swing 5. {UNTOLD}")
    assert page.locator("#log li").count() == 0
    gateway.say({**(untold or {}), "n": 6})
    expect(page.locator("#log li")).to_have_text(["– swing 6"])


@pytest.mark.slow
@pytest.mark.parametrize(("start_s", "said"), [(8.0, "0:08"), (None, "0:06")])
def test_a_swing_is_listed_at_the_time_at_which_it_began(gateway, start_s, said):
    """As `plantigrade show` and a session's page do: one whose start is unknown, at its address."""
    whole: Any = SWING["swing"]
    swing = {**whole, "start_s": start_s, "address_s": 6.0}
    gateway.open(hello(eighteen()), frame(10.0, 18))
    gateway.say({**SWING, "swing": swing})
    listed = gateway.page.locator("#log li")
    expect(listed).to_have_text([f"{said} swing 5: rolled, with shift"])


SCORE = {"counts": "It rolls.", "feedback": "every", "good": 3, "tried": 5, "unclear": 0}
DRILLED = {
    **{"type": "drill", "name": "push", "title": "Push", "goal": "", **SCORE, "streak": 1},
    "best": 2,
    "last": {
        **{"verdict": "good", "words": "rolled", "line": "Like that", "told": True},
        **{"silent": True, "what": "swing", "n": 5},
    },
}


@pytest.mark.parametrize("rights", ["coach", "player"])
@pytest.mark.slow
def test_in_a_silent_set_the_coach_alone_reads_what_a_swing_did(gateway, rights):
    def told(message: dict[str, Any]) -> dict[str, Any]:
        return message if rights == "coach" else (for_player(message) or {})

    page = gateway.page
    first = {**SWING, "n": 4, "silent": False, "counts": {"steps": 2, "swings": 4, "good": 2}}
    gateway.open(told(hello(eighteen(), rights=rights, swing=first)), frame(1.0, 18))
    expect(page.locator("#outcome")).to_contain_text("Swing 4: push rolled")
    expect(page.locator("#strip")).to_be_visible()
    gateway.say(told(SWING), told(DRILLED))
    main = page.locator("#main")
    for _ in range(2):  # as it happens; and of a page that comes again
        if rights == "coach":
            expect(page.locator("#outcome")).to_contain_text("Swing 5: push rolled")
            expect(page.locator("#drill-last")).to_have_text("✓ counts: rolled")
            expect(page.locator("#count")).to_have_text("3 of 5 good pushes")
        else:
            expect(page.locator("#outcome")).to_have_text(f"Swing 5. {UNTOLD}")
            expect(page.locator("#drill-last")).to_have_text(UNTOLD)
            expect(page.locator("#count")).to_have_text("")
            expect(page.locator("#strip")).to_be_hidden()
            for place in ("good", "streak", "best"):
                expect(page.locator(f"#drill-{place}")).to_have_text("–")
            assert "null" not in main.inner_text() and "undefined" not in main.inner_text()
        given = {"rights": rights, "swing": SWING, "drill": DRILLED, "recent": [SWING]}
        gateway.say(told(hello(eighteen(), counts=SWING["counts"], **given)))
    assert stands_out(page) == []


def test_a_page_without_a_session_says_so(gateway):
    gateway.page.goto("http://page.invalid/")
    gateway.until_connected(1)
    gateway.say(hello(eighteen(), session=None))
    expect(gateway.page.locator("#state")).to_have_text("not recording")
    expect(gateway.page.locator("#outcome")).to_have_text("No swing yet.")
    gateway.say({"type": "hello", "v": 1, "session": None, "gateway": False, "drills": []})
    expect(gateway.page.locator("#state")).to_have_text("no gateway is running")
    assert gateway.page.locator("#record").is_disabled()
    assert stands_out(gateway.page) == []
