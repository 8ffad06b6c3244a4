"""The page of a guided check in a real browser, and a whole first look through it."""

import json
import time
from collections.abc import Iterator
from datetime import date

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, WebSocketRoute, expect
from tests.support.browser import Complaints, barriers
from tests.support.checkbay import FIRST_LOOK, LEAD_IN_S, STOOD, Do, swung
from tests.support.checkbench import NAMES, TABLET, Bench
from tests.support.live_schema import live_messages
from tests.support.program import cut, running
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade.synth import OneLeg
from plantigrade_gateway.check.judge import judged
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.livecalibration import LiveCalibration
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door.accounts import Invites
from plantigrade_gateway.wire.gatt import KnownInsole

pytestmark = pytest.mark.dear

NOTE_SPEED = """([unit, value]) => {
    document.getElementById("club-speed-unit").value = unit;
    document.getElementById("club-speed-value").value = value;
    document.getElementById("club-speed").requestSubmit();
}"""
PHONE: ViewportSize = {"width": 360, "height": 740}


@pytest.fixture
def bench(store: Store, browser: Browser, request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = Bench(store, browser)
    made.begin(request.param)
    yield made
    assert made.complaints == []
    made.close()


@pytest.mark.parametrize("bench", [FIRST_LOOK], indirect=True)
@pytest.mark.slow
def test_a_whole_first_look_through_the_page(bench, store):
    """A coach with a tablet presses what is offered; the insoles are virtual, the rest real."""
    page, bay = bench.page, bench.bay
    bench.press("First look: stand, walk, swing")
    expect(page.locator("#answered")).to_be_disabled()
    bay.live.flush()
    bench.answer()
    bench.press("Go on")
    seen = []
    for press in bay.through():
        if bay.check["phase"] == "offer":
            bench.press("Skip")
        expect(page.locator("#title")).to_have_text(bay.check["title"])
        expect(page.locator("#line")).to_have_text(bay.check["line"])
        seen.append(bay.check["step"])
        if seen[-1] == "stand":
            taken = seen.count("stand") - 1
            expect(page.locator("#taken")).to_have_text(f"{taken} of 3 taken")
        bench.press(NAMES[press])
    if bay.check["phase"] == "offer":
        bench.press("Skip")
    expect(page.locator("#title")).to_have_text("Done")
    expect(page.locator("#then")).to_contain_text("the player’s evidence sheet shows this visit")
    expect(page.locator("#step button.main:visible")).to_have_text("End the check")
    assert seen == [
        *("lift", "stand", "stand", "stand", "lift", "walk", "practice", "smooth", "full"),
    ]
    expect(page.locator("#way li.done")).to_have_count(6)
    for message in bench.told:
        live_messages().validate(message)
    session_id = bay.live.session_id
    found = bay.close()
    assert len(found.trials) == 6 and all(each.verdict.is_taken for each in judged(found))
    assert [len(run.swings) for run in found.sets] == [8, 8]
    with Register(store) as register:
        kept = Visits(register).said(session_id, ()).questions
    assert kept is not None and (kept.hold, kept.by) == ("", "player")


@pytest.mark.parametrize("bench", [(Do("start"),)], indirect=True)
@pytest.mark.slow
def test_a_red_flag_stops_and_no_answer_leaves_the_page(bench):
    page = bench.page
    bench.press("Speed look: fast swings too")
    bench.answer(yes=1)
    page.evaluate(
        "() => { const send = WebSocket.prototype.send;"
        " window.sent = []; WebSocket.prototype.send = function (text)"
        " { window.sent.push(text); return send.call(this, text); }; }"
    )
    bench.bay.live.flush()
    bench.press("Go on")
    expect(page.locator("#advice")).to_contain_text("licensed clinician")
    sent = page.evaluate("window.sent")
    assert [json.loads(text) for text in sent] == [
        {"type": "check", "do": "answer", "group": "red flag", "by": "player"}
    ]
    expect(page.locator("#start")).to_be_hidden()
    bench.press("End the check")
    expect(page.locator("#begin")).to_be_visible()
    bench.bay.close()


@pytest.mark.parametrize("bench", [(Do("start"),)], indirect=True)
@pytest.mark.slow
def test_a_club_speed_is_typed_in_the_unit_of_the_radar(bench):
    """And the next page shows that unit, as a swing's page does. A mile is 1609.344 m."""
    page = bench.page
    expect(page.locator("#begin-speed")).to_be_enabled()  # the page has its connection
    page.evaluate(
        "() => { window.sent = [];"
        " WebSocket.prototype.send = function (text) { window.sent.push(text); }; }"
    )
    for typed in (["mph", "100"], ["km/h", "90"], ["m/s", "45"]):
        page.evaluate(NOTE_SPEED, typed)
    sent = [json.loads(text) for text in page.evaluate("window.sent")]
    assert [(one["type"], one["do"]) for one in sent] == [("check", "club_speed")] * 3
    assert [one["m_s"] for one in sent] == pytest.approx([44.704, 25.0, 45.0])
    for unit in ("mph", "m/s"):
        page.evaluate(NOTE_SPEED, [unit, "50"])
        page.reload()
        expect(page.locator("#club-speed-unit")).to_have_value(unit)
    bench.bay.close()


@pytest.mark.parametrize("bench", [(Do("skip"),)], indirect=True)
@pytest.mark.slow
def test_a_double_press_is_one_press(bench):
    """Else the second would skip a step that nobody saw, or be refused in a sentence."""
    page = bench.page
    page.evaluate(
        "() => { window.sent = []; const send = WebSocket.prototype.send;"
        " WebSocket.prototype.send = function (text)"
        " { window.sent.push(JSON.parse(text).do); return send.call(this, text); }; }"
    )
    page.get_by_role("button", name="First look: stand, walk, swing").dblclick()
    bench.obey()
    bench.answer()
    bench.bay.live.flush()
    bench.press("Go on")
    page.get_by_role("button", name="Skip", exact=True).dblclick()
    assert page.evaluate("window.sent") == ["begin", "answer", "skip"]
    bench.obey()
    expect(page.locator("#way li.skipped")).to_have_count(1)
    bench.bay.close()


@pytest.mark.parametrize("bench", [(Do("start"),)], indirect=True)
@pytest.mark.slow
def test_insoles_without_a_calibration_are_told_of_before_the_look(bench):
    """After it the sheet says to repair the measurement first, and suggests nothing."""
    warning = bench.page.locator("#uncalibrated")
    link = {"type": "link", "feet": {}}
    for found, is_lacking in (
        ("left: gain 1.2, calibrated 2026-03-02; right: never calibrated", True),
        ("left: gain 1.2, calibrated 2026-03-02; right: gain 1.1, calibrated 2026-03-02", False),
        ("left: never calibrated; right: never calibrated", True),
    ):
        bench.web.send({**link, "calibration": found})
        expect(warning).to_be_visible(visible=is_lacking)
    bench.page.reload()
    expect(warning).to_contain_text("after a look the sheet suggests nothing")
    assert barriers(bench.page) == []
    bench.bay.close()


@pytest.mark.parametrize("size", [{"width": 390, "height": 844}, TABLET])
@pytest.mark.parametrize("bench", [FIRST_LOOK[:2]], indirect=True)
@pytest.mark.slow
def test_the_buttons_keep_their_place_when_a_trial_ends_by_itself(bench, size):
    """Else who is about to press "That is enough" skips the next step. Each result says of what."""
    page, bay = bench.page, bench.bay
    page.set_viewport_size(size)
    bench.press("First look: stand, walk, swing")
    bench.press("Not now")
    places: list[float] = []
    for phase, upto_s in (("ready", 0.0), ("lead in", 0.5), ("running", 6.0), ("ready", 1e9)):
        if phase == "lead in":
            begun_s = bay.presses_s[0] + 0.2
            bay.push_until(begun_s)
            bench.press("Start")
        if phase in ("lead in", "running"):
            bay.push_until(begun_s + upto_s)
        elif places:
            bay.push_until(bay.presses_s[1])
        assert bay.check["phase"] == phase
        expect(page.locator("#title")).to_have_text(bay.check["title"])
        expect(page.locator("#start")).to_be_visible(visible=phase == "ready")
        expect(page.locator("#enough")).to_be_visible(visible=phase == "running")
        # a page that has lost its gateway says so in a line above the card, and takes no press
        expect(page.locator("#connection")).to_be_hidden()
        top = "element => element.getBoundingClientRect().top + scrollY"
        places.append(page.locator("#step .press").evaluate(top))
    assert len(set(places)) == 1 and places[0] > 0.0, (places, page.locator("main").inner_text())
    expect(page.locator("#title")).to_have_text("Stand in your shoes")
    expect(page.locator("#line")).to_contain_text("Lift each foot – done. In the air: left ")
    bay.close()


@pytest.mark.parametrize("bench", [(Do("start", STOOD), Do("start"))], indirect=True)
@pytest.mark.slow
def test_a_refusal_is_read_on_a_phone_and_on_a_tablet(bench):
    """One card, nothing wider than the screen, no barrier, every button as large as a thumb."""
    page, bay = bench.page, bench.bay
    bench.press("First look: stand, walk, swing")
    bench.answer()
    for size in (PHONE, TABLET):
        page.set_viewport_size(size)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert barriers(page) == []
    bay.live.flush()
    bench.press("Go on")
    bench.press("Skip")
    presses = bay.through()
    next(presses)
    bench.press("Start")
    bay.push_until(bay.live.analysis.now_s + LEAD_IN_S + 5.0)
    expect(page.locator("#left")).to_contain_text(" s")
    bench.press("That is enough")
    bay.push_until(bay.live.analysis.now_s + 4.0)
    line = page.locator("#line.refused")
    expect(line).to_contain_text("It ended after")
    for size in (PHONE, TABLET):
        page.set_viewport_size(size)
        expect(line).to_be_in_viewport()
        expect(page.locator("#start")).to_be_in_viewport()
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert barriers(page) == []
        for button in page.locator(".press button:visible").all():
            box = button.bounding_box()
            assert box is not None and box["height"] >= 44.0
    bay.close()


@pytest.mark.parametrize("bench", [(Do("start"),)], indirect=True)
@pytest.mark.slow
def test_a_page_that_comes_later_sees_where_the_check_stands(bench):
    bench.press("First look: stand, walk, swing")
    bench.bay.live.flush()
    bench.answer()
    bench.press("Go on")
    expect(bench.page.locator("#title")).to_have_text("Lift each foot")
    bench.page.reload()
    expect(bench.page.locator("#title")).to_have_text("Lift each foot")
    expect(bench.page.locator("#said")).to_contain_text("Lift your left foot")
    bench.bay.close()


@pytest.mark.parametrize("bench", [(Do("start"),)], indirect=True)
@pytest.mark.slow
def test_a_check_that_was_ended_midway_is_taken_up_on_its_page(bench):
    page, go_on = bench.page, "Go on where it was ended: Stand in your shoes"
    button = page.get_by_role("button", name=go_on)
    expect(button).to_be_hidden()
    main = page.locator("#begin button.main:visible")
    expect(main).to_have_text("First look: stand, walk, swing")
    bench.press("First look: stand, walk, swing")
    bench.bay.live.flush()
    bench.answer()
    bench.press("Go on")
    bench.press("Skip")
    bench.press("End the check")
    expect(button).to_be_visible()
    expect(main).to_have_text(go_on)
    for size in (PHONE, TABLET):
        page.set_viewport_size(size)
        expect(button).to_be_in_viewport()
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert barriers(page) == []
    bench.press(go_on)
    expect(page.locator("#title")).to_have_text("Stand in your shoes")
    expect(page.locator("#start")).to_be_visible()
    bench.bay.close()


@pytest.mark.parametrize("bench", [(Do("start"),)], indirect=True)
@pytest.mark.slow
def test_whose_check_it_is_stands_on_its_page(bench, store):
    """Else a check of the wrong player is noticed when it has been done."""
    page = bench.page
    whose, name = page.locator("#whose"), page.locator("#whose-name")
    expect(name).to_have_text("nobody registered")
    bench.bay.close()
    with Register(store) as register:
        mia = register.add(name="Invented Mia with a long name", handedness="right")
        ben = register.add(name="Invented Ben", handedness="left")
        register.grant(mia, "record", "player")
    bench.begin((Do("start"),), player_id=ben)
    expect(name).to_have_text("Invented Ben")
    expect(page.locator("#whose-consent")).to_contain_text("Invented Ben is not noted")
    bench.bay.close()
    bench.begin((Do("start"),), player_id=mia)
    expect(name).to_have_text("Invented Mia with a long name")
    expect(page.locator("#whose-consent")).to_be_hidden()
    bench.press("First look: stand, walk, swing")
    for size in (PHONE, TABLET):
        page.set_viewport_size(size)
        expect(whose).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert barriers(page) == []
    bench.bay.handler.end()
    expect(page.locator("#notice")).to_contain_text("The check ended with its session")
    expect(page.locator("#begin")).to_be_visible()
    whose.get_by_role("link", name="change").click()
    expect(page.locator("#player-now")).to_have_text("Invented Mia with a long name")
    bench.bay.close()


@pytest.mark.slow
def test_the_running_program_leads_on_by_itself(browser, tmp_path):
    """A recording stands for the insoles, at its own pace: nothing but time begins the trial."""
    recording = cut(tmp_path / "part.pgr", 0.0, 60.0)
    said = ("replay", str(recording), "--no-sound", "--port", "0")
    with (
        running(*said, "--store", str(tmp_path / "store.sqlite3")) as program,
        browser.new_context(viewport=TABLET) as context,
    ):
        page = context.new_page()
        page.goto(f"{program.url()}check")
        page.get_by_role("button", name="First look: stand, walk, swing").click()
        page.get_by_role("button", name="Not now").click()
        page.get_by_role("button", name="Start", exact=True).click()
        expect(page.locator("#left")).to_contain_text("begins in")
        expect(page.locator("#enough")).to_be_visible()
        page.get_by_role("button", name="End the check").click()
        expect(page.locator("#begin")).to_be_visible()


@pytest.mark.slow
def test_the_virtual_player_of_a_run_lifts_a_foot_when_the_check_asks_for_it(browser, tmp_path):
    """By its own script the lead foot is in the air for no longer than a step takes."""
    pytest.importorskip("bumble", reason="virtual insoles need the extra 'virtual'")
    store, frames = str(tmp_path / "store.sqlite3"), []

    def heard(text: str | bytes) -> None:
        message = json.loads(text)
        if message["type"] == "frame":
            frames.append((message["t_s"], message["feet"]["left"]["load_n"]))

    def longest_in_air_s() -> float:
        longest, since = 0.0, None
        for t_s, load_n in frames:
            in_air = load_n is not None and load_n < 30.0
            since = (t_s if since is None else since) if in_air else None
            longest = max(longest, 0.0 if since is None else t_s - since)
        return longest

    with (
        running("run", "--virtual", "--no-sound", "--port", "0", "--store", store) as program,
        browser.new_context(viewport=TABLET) as context,
    ):
        page = context.new_page()
        page.on("websocket", lambda socket: socket.on("framereceived", heard))
        page.goto(f"{program.url()}check")
        page.get_by_role("button", name="First look: stand, walk, swing").click()
        page.get_by_role("button", name="Not now").click()
        page.get_by_role("button", name="Start", exact=True).click()
        end_s = time.monotonic() + HANG_S
        while longest_in_air_s() < 2.5:
            assert time.monotonic() < end_s, "no foot was lifted"
            page.wait_for_timeout(200)


@pytest.mark.parametrize("bench", [(Do("begin", (OneLeg(Foot.RIGHT, 12.0),)),)], indirect=True)
@pytest.mark.slow
def test_a_calibration_is_led_through_on_the_same_page(bench, store):
    page, bay = bench.page, bench.bay
    pair = [
        KnownInsole(k, foot, "v", f"C0:00:00:00:00:0{k}", 270) for k, foot in enumerate(Foot, 1)
    ]
    bay.handler.calibrating = lambda live: LiveCalibration(
        store, pair, SessionSettings(mass_kg=80.0), live, print
    )
    bench.press("Calibrate both insoles")
    expect(page.locator("#title")).to_have_text("Left foot in the air")
    bay.push_until(1e9)
    expect(page.locator("#title")).to_have_text("Right foot in the air")
    expect(page.locator("#said")).to_contain_text("Lift the right foot off the ground")
    expect(page.locator("#way li.done")).to_have_text(["✓ Left foot in the air"])
    expect(page.locator(".press button:visible")).to_have_text(["Pain – stop", "End the check"])
    for size in (PHONE, TABLET):
        page.set_viewport_size(size)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert barriers(page) == []
    bench.press("End the check")
    expect(page.locator("#begin")).to_be_visible()
    bay.close()


@pytest.mark.parametrize("bench", [(Do("start", swung(2)), Do("pain"))], indirect=True)
@pytest.mark.slow
def test_the_player_stops_a_speed_block_from_a_link_of_their_own(bench, store):
    page, bay = bench.page, bench.bay
    bay.live.flush()
    with Register(store) as register:
        bay.live.player_id = register.add(name="Invented", handedness="right")
        register.decide(bay.live.player_id, "speed", "go", date.today())
    bench.press("Speed block")
    bench.answer()
    expect(page.locator("#unasked")).to_be_hidden()
    bench.press("Go on")
    expect(page.locator("#pain")).to_be_visible()
    expect(page.locator("#title")).to_have_text("Warm-up")
    for size in (PHONE, TABLET):
        page.set_viewport_size(size)
        box = page.locator("#pain").bounding_box()
        assert box is not None and box["height"] >= 96.0
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert barriers(page) == []
    _, token = Invites(store.database).make("invented")
    with page.context.browser.new_context() as players:
        player = players.new_page()
        complaints = Complaints(player)
        player.goto(f"{bench.url}p/{token}")
        expect(player.get_by_role("dialog")).to_be_visible()  # the cautions
        player.keyboard.press("Escape")
        expect(player.locator("#controls")).to_be_hidden()  # a player's page
        player.get_by_role("button", name="Pain – stop", exact=True).click()
        bench.obey()
        for shown in (player.locator("#pain-advice"), page.locator("#advice")):
            expect(shown).to_contain_text("no training on pain")
        expect(player.locator("#pain-stop")).to_be_hidden()
        assert complaints == []
    assert bay.check["phase"] == "stopped"
    bay.close()


class Cuttable:
    """A page's way to the gateway, which can be cut and mended."""

    def __init__(self, page: Page) -> None:
        self._is_cut = False
        self._ends: list[WebSocketRoute] = []
        page.route_web_socket("**/live", self._open)

    def _open(self, page_end: WebSocketRoute) -> None:
        if self._is_cut:
            page_end.close()
        else:
            self._ends += [page_end, page_end.connect_to_server()]

    def cut(self) -> None:
        self._is_cut = True
        for end in self._ends:
            end.close()
        self._ends.clear()

    def mend(self) -> None:
        self._is_cut = False


@pytest.mark.parametrize("bench", [(Do("start", swung(2)), Do("pain"))], indirect=True)
@pytest.mark.parametrize("where", ["live", "check"])
@pytest.mark.slow
def test_a_stop_that_is_pressed_without_a_connection_is_told_once_it_is_back(bench, where):
    page, bay, way = bench.page, bench.bay, Cuttable(bench.page)
    page.goto(f"{bench.url}{'check' if where == 'check' else ''}")
    if where == "check":
        bench.press("First look: stand, walk, swing")
        bench.press("Not now")
        said = page.locator("#notice-text")
    else:
        page.get_by_role("button", name="Understood").click()
        said = page.locator("#pain-advice")
    stop = page.get_by_role("button", name="Pain – stop", exact=True)
    expect(stop).to_be_visible()
    way.cut()
    expect(page.locator("#connection")).to_contain_text("No connection to the gateway")
    stop.click()
    expect(said).to_contain_text("Stop now. The gateway could not be told yet")
    assert not bay.commands
    way.mend()
    bench.obey()
    assert bay.check["phase"] == "stopped" and not bay.commands
    advice = page.locator("#advice" if where == "check" else "#pain-advice")
    expect(advice).to_contain_text("no training on pain")
    expect(page.get_by_text("could not be told yet")).to_be_hidden()
    way.cut()
    expect(page.locator("#connection")).to_be_visible()
    way.mend()
    expect(page.locator("#connection")).to_be_hidden()
    page.wait_for_timeout(300)  # were it told again, it would be by now
    assert not bay.commands  # it is told once
    bay.close()
