"""The live page in a real browser, on the real program playing a part of the invented session."""

import base64
import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import jsonschema
import pytest
from playwright.sync_api import Browser, Page, ViewportSize, WebSocket, expect
from tests.support.browser import Complaints, barriers, laid_out
from tests.support.live_schema import live_messages
from tests.support.program import Program, cut, running
from tests.support.sqlite import connected
from tests.support.waiting import HANG_S

from plantigrade_gateway.analysis.practice import read_entry, said_of
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

TABLET: ViewportSize = {"width": 1024, "height": 768}
PHONE: ViewportSize = {"width": 360, "height": 800}

LISTEN = """
// Notes what the page does with sound: nodes joined, sources started.
window.heard = {joins: [], starts: [], contexts: []};
const name = (node) => node.constructor.name;
const join = AudioNode.prototype.connect;
AudioNode.prototype.connect = function (to, ...rest) {
  heard.joins.push([name(this), name(to)]);
  return join.call(this, to, ...rest);
};
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when, ...rest) {
  heard.starts.push({when, now: this.context.currentTime, length: this.buffer.duration});
  return start.call(this, when, ...rest);
};
const oscillate = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (...rest) {
  heard.oscillator = this;
  return oscillate.call(this, ...rest);
};
"""


@dataclass
class Tab:
    """An open page, what it complained of, and what it was told and said."""

    page: Page
    complaints: list[str]
    told: list[dict[str, Any]] = field(default_factory=list)
    said: list[dict[str, Any]] = field(default_factory=list)

    def watch(self, socket: WebSocket) -> None:
        socket.on("framereceived", lambda text: self.told.append(json.loads(text)))
        socket.on("framesent", lambda text: self.said.append(json.loads(text)))

    def understood(self) -> None:
        self.page.get_by_role("button", name="Understood").click()

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [message for message in self.told if message["type"] == kind]

    def until(self, holds: Callable[[], object]) -> None:
        """Wait while the browser goes on."""
        end_s = time.monotonic() + HANG_S  # the recording rests for up to a minute between sets
        while not holds():
            assert time.monotonic() < end_s, "it does not come to hold"
            self.page.wait_for_timeout(50)


def opened(browser: Browser, url: str, **options: Any) -> Tab:
    options.setdefault("viewport", TABLET)
    page = browser.new_context(**options).new_page()
    page.add_init_script(LISTEN)
    tab = Tab(page, Complaints(page))
    page.on("websocket", tab.watch)
    page.goto(url)
    return tab


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the part from before the first swing on: there is one every few seconds."""
    return cut(tmp_path_factory.mktemp("live") / "part.pgr", 61.0, 1000.0)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("store") / "store.sqlite3"


def program_of(
    recording: Path, store: Path, port: str = "0", *more: str
) -> AbstractContextManager[Program]:
    said = ("replay", str(recording), "--no-sound", "--port", port, "--store", str(store))
    return running(*said, *more)


@pytest.fixture(scope="module")
def program(recording, store) -> Iterator[Program]:
    with program_of(recording, store, "0", "--drill", "push") as program:
        yield program


@pytest.fixture(scope="module")
def url(program: Program) -> str:
    return program.url()


@pytest.fixture(scope="module")
def tab(browser: Browser, url: str) -> Iterator[Tab]:
    """Open the page as a coach on a tablet who has read the cautions; tests leave it as it was.

    It complains of nothing.
    """
    tab = opened(browser, url)
    tab.understood()
    yield tab
    assert tab.complaints == []
    tab.page.context.close()


@pytest.fixture(scope="module")
def loud(tab: Tab) -> Tab:
    """Let the page sound from now on."""
    tab.page.get_by_role("button", name="Sound here").click()
    expect(tab.page.locator("#sound-said")).to_contain_text("Sound from this browser")
    return tab


def sessions(store: Path) -> list[tuple[str, str]]:
    with connected(store) as reader:
        return list(reader.execute("SELECT session_id, state FROM sessions ORDER BY session_no"))


def marks(store: Path, session_id: str) -> list[str]:
    with Store.open(store, create=False) as opened_store:
        return [
            entry.data.decode()
            for batch in opened_store.batches(session_id)
            for entry in batch
            if entry.kind is Kind.MARK
        ]


# What is shown


@pytest.mark.slow
def test_the_feet_move(tab):
    page = tab.page
    expect(page.locator("#left-role")).to_have_text("lead")
    expect(page.locator("#right-role")).to_have_text("trail")
    expect(page.locator("#left-load")).to_have_text(re.compile(r"^\d\.\d\d\s×\sBW, \d+\sN$"))
    expect(page.locator("#share-now")).to_have_text(re.compile(r"^\d+\s%$"))

    def picture(name: str) -> str:
        return str(page.evaluate(f"document.getElementById('{name}').toDataURL()"))

    seen = {name: {picture(name)} for name in ("feet", "feet-numbers", "share")}
    texts = set()

    def moved() -> bool:
        for name, pictures in seen.items():
            pictures.add(picture(name))
        texts.add(page.locator("#left-load").inner_text())
        return all(len(pictures) > 4 for pictures in seen.values()) and len(texts) > 2

    tab.until(moved)
    last = tab.of("frame")[-1]
    assert len(last["feet"]["left"]["zones"]) == 18


HALVES = """() => {
    const canvas = document.getElementById("feet");
    const half = Math.floor(canvas.width / 2);
    const copy = new OffscreenCanvas(canvas.width, canvas.height);
    const context = copy.getContext("2d", {willReadFrequently: true});
    context.drawImage(canvas, 0, 0);
    return [0, half].map((x) => {
        const {data} = context.getImageData(x, 0, half, canvas.height);
        const seen = new Set();
        for (let i = 0; i < data.length; i += 4)
            if (data[i + 3] === 255) seen.add(data.slice(i, i + 3).join(" "));
        return [...seen];
    });
}"""
"""The colours in each half of the canvas of the feet."""


def test_both_feet_are_on_the_canvas_and_zones_are_coloured_by_load(tab):
    page = tab.page
    page.locator(
        "#numbers"
    ).click()  # off: cells are filled in part, and nothing is written on them
    fills = page.evaluate("import('/static/scale.js').then(m => new m.Scale(false).fills)")
    wanted = {fill[4:-1] for fill in fills}
    tab.until(lambda: all(len(wanted & set(half)) >= 4 for half in page.evaluate(HALVES)))


SHOWN_OF_SWING = """() => [
    document.getElementById("outcome").textContent,
    document.getElementById("strip-text").textContent,
    [...document.querySelectorAll("#strip text")].map((one) => one.textContent),
    [...document.querySelectorAll("#strip .moment")].map((one) => one.x1.baseVal.value),
    document.querySelector("#announced[role=status]").textContent,
]"""


def test_a_swings_outcome_appears_in_words_and_as_a_strip(tab):
    """The page may be ahead of what has been heard here, or behind: both come to the same swing."""
    both: list[tuple[dict[str, Any], Any]] = []

    def is_shown() -> bool:
        if not (told := tab.of("swing")):  # one that comes while the page looks is read out
            return False
        last, shown = told[-1], tab.page.evaluate(SHOWN_OF_SWING)
        if shown[0].startswith(f"Swing {last['n']}: push {last['words']['push']};"):
            both.append((last, shown))
        return bool(both)

    tab.until(is_shown)
    told, (outcome, strip, labels, lines, announced) = both[-1]
    words, swing = told["words"], told["swing"]
    assert f"lead heel {words['heel_lift']}" in outcome
    assert {"start", "trail peak", "shift", "lead peak", "lead heel", "trail push"} <= {*labels}
    after = swing["lead_peak_s"] - swing["start_s"]
    assert f"lead peak +{after:.2f} s" in strip.replace("\u00a0", " ")
    # as the swing's page has it, to the last digit
    midfoot = swing["push"]["midfoot_impulse_share"]
    assert midfoot is None or f"{100 * midfoot:.1f} % of its impulse on the midfoot" in strip
    # a time of one swing has the error of sampling, or is under what that lets be known
    assert re.search(
        r"transfer (\d\.\d\d ± 0\.\d\d|≤ 0\.\d\d)\ss, .*load tempo \d\.\d ± \d\.\d", strip
    )
    keys = ("start_s", "trail_peak_s", "shift_s", "lead_peak_s")
    times = [swing[key] - swing["start_s"] for key in keys]
    assert [(x - lines[0]) / (lines[-1] - lines[0]) for x in lines] == pytest.approx(
        [t / times[-1] for t in times], abs=0.01
    )
    assert f"Swing {told['n']}: push" in announced


SHOWN_OF_DRILL = """["drill-good", "drill-streak", "drill-last", "drill-feedback"].map((id) => {
    const one = document.getElementById(id);
    return one.value ?? one.textContent;
})"""


def test_the_drill_is_shown_and_counted(tab):
    page = tab.page
    expect(page.locator("#drill-title")).to_have_text("Roll the push through")
    expect(page.locator("#drill-goal")).to_contain_text("from heel over midfoot to toe")

    def is_shown() -> bool:
        told = next((drill for drill in reversed(tab.of("drill")) if drill.get("tried")), None)
        if told is None:
            return False
        good, streak, last, often = page.evaluate(SHOWN_OF_DRILL)
        return bool(
            (good, streak, often)
            == (f"{told['good']} of {told['tried']}", str(told["streak"]), told["feedback"])
            and told["last"]["words"] in last
        )

    tab.until(is_shown)


def test_large_type_shows_what_the_drill_says_of_the_last_swing(tab):
    """Verdict, words and number of one and the same swing; and the swing's own row says so too."""
    page = tab.page
    page.locator("#large").click()
    read = """["large-number", "large-exact"].map((id) => document.getElementById(id).innerText)
        .concat(document.getElementById("large-view").dataset.verdict)"""
    seen: list[tuple[dict[str, Any], dict[str, Any]]] = []

    def agrees() -> bool:
        last = next((m["last"] for m in reversed(tab.of("drill")) if m.get("last")), None)
        swings = [m for m in tab.of("swing") if last and m["n"] == last["n"]]
        shown = page.evaluate(read)
        if last and swings and shown == [str(last["n"]), last["words"], last["verdict"]]:
            seen.append((last, swings[-1]))
        return bool(seen)

    tab.until(agrees)
    page.locator("#large").click()
    last, swing = seen[-1]
    assert last["words"].startswith(swing["words"]["push"])


def test_messages_are_what_their_page_says(tab):
    tab.until(lambda: tab.of("swing") and tab.of("cue"))
    validator = live_messages()
    kinds = {message["type"] for message in tab.told}
    assert {"hello", "frame", "phase", "swing", "cue", "tone", "drill"} <= kinds
    frames = tab.of("frame")
    rare = [m for m in tab.told if m["type"] not in ("frame", "tone")]
    for message in rare + frames[::20] + tab.of("tone")[::20]:
        validator.validate(message)
    broken = frames[-1] | {"lead_share": 1.5}
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(broken)


# Sound


@pytest.mark.slow
def test_cues_are_scheduled_through_the_limiter(loud):
    page = loud.page
    loud.until(lambda: page.evaluate("heard.starts.length") >= 2)
    joins = [tuple(join) for join in page.evaluate("heard.joins")]
    assert ("AudioBufferSourceNode", "GainNode") in joins
    assert ("GainNode", "WaveShaperNode") in joins
    ends = [join for join in joins if join[1] == "AudioDestinationNode"]
    assert ends == [("WaveShaperNode", "AudioDestinationNode")], "nothing goes past the limiter"
    starts = page.evaluate("heard.starts")
    assert all(s["when"] >= s["now"] for s in starts), "never in the past"
    assert all(s["when"] < s["now"] + 5 for s in starts)
    loud.until(lambda: [cue for cue in loud.of("cue") if cue["pcm"]])
    glide = next(cue for cue in loud.of("cue") if cue["pcm"])  # as long as its samples
    length = len(base64.b64decode(glide["pcm"])) / 2 / glide["rate_hz"]
    lengths = "heard.starts.map(start => start.length)"
    loud.until(lambda: any(abs(s - length) < 1e-3 for s in page.evaluate(lengths)))


def test_what_plays_along_is_served_as_long_as_a_media_element_wants_it(loud, url):
    answer = loud.page.request.get(f"{url}sounds/quiet.wav")
    assert answer.ok and answer.headers["content-type"] == "audio/wav"
    assert len(answer.body()) > 5 * 48_000 * 2  # five seconds of 16 bits
    assert not loud.page.request.get(f"{url}sounds/loud.wav").ok
    assert loud.page.locator("#awake-said").inner_text().startswith("The screen")


@pytest.mark.slow
def test_the_tone_follows_the_points_that_are_told(loud):
    page = loud.page
    loud.until(lambda: any(gain > 0 for tone in loud.of("tone") for _, _, gain in tone["points"]))
    seen: set[float] = set()

    def followed() -> bool:
        seen.add(round(page.evaluate("heard.oscillator.frequency.value"), 1))
        return len(seen) > 8

    loud.until(followed)
    told = [hz for tone in loud.of("tone") for _, hz, _ in tone["points"]]
    first = {440.0}  # before any point
    assert all(min(told) - 1 <= hz <= max(told) + 1 for hz in seen - first)


def test_a_browser_that_is_switched_off_sounds_nothing(loud):
    page = loud.page
    page.get_by_role("button", name="Sound here").click()
    expect(page.locator("#sound-said")).to_contain_text("No sound is on")
    page.evaluate("heard.starts = []")
    before = len(loud.of("cue"))
    loud.until(lambda: len(loud.of("cue")) > before)
    assert page.evaluate("heard.starts") == []
    page.get_by_role("button", name="Sound here").click()
    expect(page.locator("#sound-said")).to_contain_text("Sound from this browser")


def test_the_gateway_is_told_whether_this_page_lets_anything_be_heard(browser, url):
    tab = opened(browser, url)
    tab.understood()

    def told() -> list[bool]:
        return [message["on"] for message in tab.said if message["type"] == "sounds"]

    page = tab.page

    def press(name: str, *expected: bool) -> None:
        page.get_by_role("button", name=name).click()
        tab.until(lambda: told() == [*expected])

    assert told() == []
    press("Sound here", True)
    press("Say outcomes", True, True)
    press("Sound here", True, True, True)  # the voice still sounds
    press("Say outcomes", True, True, True, False)
    page.context.close()


def test_the_browser_is_offered_when_the_device_is_lost(loud):
    page = loud.page
    expect(page.locator("#sound-lost")).to_be_hidden()
    page.evaluate(
        """async (hello) => {
            const {SoundPanel} = await import('/static/soundpanel.js');
            const sound = {said: "The sound device has gone.", device: false, lost: true};
            window.panel = new SoundPanel(() => true);  // one that does not sound yet
            panel.hello({...hello, sound});
        }""",
        loud.of("hello")[-1],
    )
    expect(page.locator("#sound-lost")).to_be_visible()
    page.get_by_role("button", name="Sound in this browser instead").click()
    expect(page.locator("#sound-lost")).to_be_hidden()
    assert page.evaluate("panel.on")


# What is done


def test_a_mark_reaches_the_store(tab, store):
    page = tab.page
    page.get_by_label("Note that goes with the mark").fill("wider stance – Füße")
    page.get_by_role("button", name="Mark").click()
    expect(page.get_by_label("Note that goes with the mark")).to_have_value("")
    page.locator("#clock").click()
    page.keyboard.press("m")
    session_id = tab.of("hello")[-1]["session"]["id"]
    tab.until(lambda: {"wider stance – Füße", "mark"} <= {*marks(store, session_id)})


# Cautions, keyboard, sight


def test_cautions_come_and_stay_in_reach(browser, url):
    tab = opened(browser, url)
    page = tab.page
    dialog = page.get_by_role("dialog")
    for text in ("not a medical device", "Stop on pain", "swing space", "while it charges"):
        expect(dialog).to_contain_text(text)
    page.keyboard.press("Enter")  # its button has the focus
    expect(dialog).to_be_hidden()
    page.reload()
    expect(page.locator("#left-load")).to_contain_text("× BW")
    expect(dialog).to_be_hidden()
    page.get_by_role("button", name="Cautions").click()
    expect(dialog).to_contain_text("Stop on pain")
    expect(page.locator("footer")).to_contain_text("not a medical device")
    page.context.close()


def test_everything_is_reached_by_keyboard_and_the_focus_is_seen(tab):
    page = tab.page
    page.locator("#clock").click()
    wanted = set(
        page.evaluate(
            """[...document.querySelectorAll("a, button, input, select, summary")]
                .filter(e => e.checkVisibility() && !e.disabled && !e.closest("dialog"))
                .map(e => e.id || e.textContent.trim())"""
        )
    )
    reached = set()
    for _ in range(2 * len(wanted)):
        page.keyboard.press("Tab")
        name, outline = page.evaluate(
            """(() => {
                const e = document.activeElement;
                return [e.id || e.textContent.trim(), getComputedStyle(e).outlineStyle];
            })()"""
        )
        if name in wanted:
            assert outline == "solid", f"no visible focus on {name}"
            reached.add(name)
    assert reached == wanted


def test_keys_do_what_the_help_says_and_can_be_switched_off(tab):
    page = tab.page
    page.locator("#clock").click()
    page.keyboard.press("l")
    expect(page.locator("#large-line")).to_be_visible()
    page.keyboard.press("l")
    expect(page.locator("#large-line")).to_be_hidden()
    pressed = page.locator("#numbers").get_attribute("aria-pressed")
    page.keyboard.press("v")
    expect(page.locator("#numbers")).not_to_have_attribute("aria-pressed", str(pressed))
    page.keyboard.press("a")
    tab.until(lambda: {"type": "ask"} in tab.said)
    page.locator("#note").focus()
    page.keyboard.type("all")  # letters in a note are letters
    expect(page.locator("#large-line")).to_be_hidden()
    page.locator("#clock").click()
    page.keyboard.press("?")
    helped = page.get_by_role("dialog")
    expect(helped).to_contain_text("mark this instant")
    page.get_by_label("Use these keys").uncheck()
    page.keyboard.press("Escape")
    expect(helped).to_be_hidden()
    page.keyboard.press("l")
    expect(page.locator("#large-line")).to_be_hidden()
    page.locator("#help-button").click()
    page.get_by_label("Use these keys").check()
    page.keyboard.press("Escape")
    page.locator("#note").fill("")
    page.keyboard.press("Escape")


@pytest.mark.slow
def test_no_barrier_is_found(tab):
    page = tab.page
    tab.until(lambda: tab.of("swing") or tab.of("hello")[-1]["swing"])
    page.set_viewport_size(PHONE)
    assert barriers(page) == [], "phone"
    page.set_viewport_size(TABLET)
    schemes: tuple[Literal["dark", "light"], ...] = ("dark", "light")
    for scheme in schemes:
        page.emulate_media(color_scheme=scheme)
        page.get_by_text("Readings as a table").click()
        assert barriers(page) == [], f"tablet, {scheme}"
        page.get_by_text("Readings as a table").click()
    page.locator("#large").click()
    assert barriers(page) == [], "large type"
    page.locator("#large").click()
    page.get_by_role("button", name="Help").click()
    assert barriers(page) == [], "a dialog"
    page.keyboard.press("Escape")


def test_nothing_stands_out_of_the_screen(tab):
    page = tab.page
    for width, height in ((360, 800), (768, 1024), (1024, 768), (320, 640)):
        page.set_viewport_size({"width": width, "height": height})
        for large in (False, True):
            page.evaluate(f"document.body.classList.toggle('large', {str(large).lower()})")
            laid_out(page)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.set_viewport_size(TABLET)
    page.evaluate("document.body.classList.remove('large')")


def test_colour_is_never_the_only_sign(tab):
    """Lead and trail, loads, outcome and state are all there as text, line or shape."""
    page = tab.page
    expect(page.locator("#left-role")).to_have_text("lead")
    style = "getComputedStyle(document.getElementById('{}-role')).borderTopStyle"
    assert page.evaluate(style.format("left")) == "solid"
    assert page.evaluate(style.format("right")) == "dashed"
    page.get_by_text("Readings as a table").click()
    tab.until(lambda: "–" not in page.locator("#readings td").all_inner_texts())
    assert page.locator("#readings tbody tr").count() == 18


def test_reduced_motion_is_kept_to(tab):
    tab.page.emulate_media(reduced_motion="reduce")
    moving = tab.page.evaluate(
        """[...document.querySelectorAll("*")].filter((e) => {
            const s = getComputedStyle(e);
            return s.animationName !== "none" || parseFloat(s.transitionDuration) > 0;
        }).length"""
    )
    tab.page.emulate_media(reduced_motion="no-preference")
    assert moving == 0


def test_a_drill_is_chosen_on_the_page_and_stands_in_the_record(tab, store):
    page = tab.page
    page.locator("#drill-choice").select_option(label="Keep the lead heel loaded")
    expect(page.locator("#drill-title")).to_have_text("Keep the lead heel loaded")
    page.locator("#drill-feedback").select_option("ask")
    tab.until(lambda: tab.of("drill")[-1].get("feedback") == "ask")
    page.locator("#drill-choice").select_option("")
    expect(page.locator("#drill-title")).to_have_text("No drill")
    page.locator("#drill-choice").select_option("push")
    expect(page.locator("#drill-title")).to_have_text("Roll the push through")
    session_id = tab.of("hello")[-1]["session"]["id"]

    def chosen() -> list[str]:
        with Store.open(store, create=False) as opened_store:
            entries = [e for batch in opened_store.batches(session_id) for e in batch]
        return [said_of(read_entry(e.data)) for e in entries if e.kind is Kind.DRILL]

    tab.until(lambda: len(chosen()) >= 5)
    assert chosen()[-4:-1] == [
        "drill: stay, feedback every",
        "drill: stay, feedback ask",
        "drill: none",
    ]


# What ends a session comes last


@pytest.mark.slow
def test_the_page_comes_back_by_itself_when_the_gateway_does(browser, tmp_path):
    store = str(tmp_path / "store.sqlite3")
    with running("demo", "--no-sound", "--port", "0", "--store", store) as program:
        url = program.url()
        tab = opened(browser, url)
        tab.understood()
        expect(tab.page.locator("#state")).to_have_text("● recording")
        expect(tab.page.locator("#source")).to_have_text("demo (invented)")
        expect(tab.page.locator("#left-load")).to_contain_text("× BW")
        # nothing is under way: what a killed gateway answers last is not the page's error
        expect(tab.page.locator("#player-now")).to_have_text("nobody registered")
        program.kill()
        expect(tab.page.locator("#connection")).to_contain_text("not live")
        expect(tab.page.locator("#left-load")).to_have_text("no data")
        expect(tab.page.get_by_role("button", name="Mark")).to_be_disabled()
    port = url.rsplit(":", 1)[1].strip("/")
    with running("demo", "--no-sound", "--port", port, "--store", store) as program:
        program.url()
        expect(tab.page.locator("#connection")).to_be_hidden()
        expect(tab.page.locator("#left-load")).to_contain_text("× BW")
        expect(tab.page.locator("#state")).to_have_text("● recording")
        # what the browser itself says of a refused connection is not the page's error
        ours = [c for c in tab.complaints if "WebSocket connection to" not in c]
        assert ours == []
        tab.page.context.close()


def test_stop_and_record_reach_the_store(tab, program, store):
    page = tab.page
    assert [state for _, state in sessions(store)] == ["open"]
    page.get_by_role("button", name="Stop", exact=True).click()
    page.get_by_role("button", name="Go on recording").click()
    expect(page.locator("#state")).to_have_text("● recording")
    page.get_by_role("button", name="Stop", exact=True).click()
    page.get_by_role("dialog").get_by_role("button", name="Stop").click()
    expect(page.locator("#state")).to_have_text("session ended")
    tab.until(lambda: [state for _, state in sessions(store)] == ["ended"])
    expect(page.locator("#summary-text")).to_contain_text("swing")
    ((session_id, _),) = sessions(store)
    expect(page.locator("#summary-link")).to_have_attribute("href", f"/sessions/{session_id}")
    stored = f"{program.url()}sessions/{session_id}"
    tab.until(lambda: page.request.get(stored).status == 200)  # until then it is prepared
    length = re.search(r"<dt>Length</dt><dd>([^<]+)</dd>", page.request.get(stored).text())
    assert length is not None
    expect(page.locator("#summary-text")).to_contain_text(re.compile(f"^{length[1]}, "))
    expect(page.get_by_role("button", name="Mark")).to_be_disabled()
    tab.until(lambda: "until Ctrl-C" in program.said)
    page.get_by_role("button", name="Record").click()
    tab.until(lambda: [state for _, state in sessions(store)] == ["ended", "open"])
    expect(page.locator("#state")).to_have_text("● recording")
