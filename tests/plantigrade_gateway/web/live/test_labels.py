"""No label of the live page lies on another: all that the invented session has it show."""

from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from playwright.sync_api import Browser
from tests.support.browser import Complaints, laid_out
from tests.support.labels import NOTE_CANVAS_TEXT, Label, labels, overprinted
from tests.support.program import PRACTICE
from tests.support.toldpage import Gateway, frame, hello

from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.practice import entry_of
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.session.feed import FeedBuilder
from plantigrade_gateway.session.session import StepResult
from plantigrade_gateway.sources.replay import read_replay

pytestmark = pytest.mark.dear

SIZES = ((320, 640), (390, 844), (820, 1180), (1280, 800))
Message = dict[str, Any]


@cache
def told() -> tuple[tuple[Message, ...], ...]:
    """Return what the gateway says of the invented session, a tuple for each swing."""
    analysis, builder = RecordAnalysis("demo"), FeedBuilder(lambda: True)
    parts: list[tuple[Message, ...]] = []
    part: list[Message] = []
    chosen = entry_of(Choice(shelf(None).find("push"), Feedback.EVERY))
    for number, batch in enumerate(read_replay(PRACTICE)):
        if number == 1:
            drill = Entry(int(batch.arrival_ns[0]), SESSION, Kind.DRILL, chosen)
            analysis.push(Batch.of([drill]))
        for start in range(0, len(batch), 50):
            output = analysis.push(batch.slice(start, min(start + 50, len(batch))))
            moment = StepResult(output, score=analysis.practice.score)
            for message in builder.of(moment, analysis.pipeline):
                part.append(message)
            if any(message["type"] == "swing" for message in part):
                parts.append((*part, full_frame(analysis.now_s)))
                part = []
    return tuple(parts)


def full_frame(t_s: float) -> Message:
    """Return a picture in which every zone of both feet has a figure of three digits."""
    one = frame(t_s, 18)
    one["feet"] = {foot: {**one["feet"]["left"], "zones": [388.0] * 18} for foot in one["feet"]}
    return {**one, "lead_share": 0.5}


LINK_FOOT: Message = {
    "state": "streaming",
    "links": 1,
    "battery_percent": 11.0,
    "rssi_dbm": -61.0,
    "lost_share": 0.0312,
    "silent_s": 3.0,
    "drift_ppm": -12.3,
    "clock_error_ms": 1.2,
    "clock_locked": False,
}
LINK: Message = {
    "type": "link",
    "feet": {"left": LINK_FOOT, "right": LINK_FOOT},
    "delay_ms": [12.0, 31.0],
    "store": {"problem": None},
    "dropped_frames": 3,
    "calibration": "left: never calibrated; right: never calibrated",
    "forward": None,
}


@pytest.fixture(scope="module")
def gateway(browser: Browser) -> Iterator[Gateway]:
    with browser.new_context(viewport={"width": 390, "height": 844}) as context:
        page = context.new_page()
        page.add_init_script(NOTE_CANVAS_TEXT)
        complaints = Complaints(page)
        told_page = Gateway(page)
        session = {"id": "one", "source": "demo (invented)", "started": "", "recording": True}
        drills = [{"name": "push", "title": "Roll the push through", "goal": "Roll it."}]
        told_page.open(hello(eighteen(), session=session, drills=drills, scale_top=400))
        page.locator("#numbers[aria-pressed=false]").click()  # a phone begins without figures
        yield told_page
        assert complaints == []


def shown(gateway: Gateway, width: int, height: int, last: Message, figures: int) -> list[Label]:
    """Return the labels at a size, once a picture just told is drawn, with so many figures."""
    page = gateway.page
    page.set_viewport_size({"width": width, "height": height})
    laid_out(page)
    gateway.say(last)
    page.wait_for_function(
        """many => [...painted].flatMap(([canvas, texts]) => canvas.checkVisibility() ? texts : [])
            .filter(([text]) => text === "388").length === many""",
        arg=figures,
    )
    before: list[Label] = []
    while (found := labels(page)) != before:  # the strip is laid once more at its new width
        before = found
        laid_out(page)
    return found


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.slow
def test_no_label_lies_on_another(gateway, large):
    page = gateway.page
    page.evaluate(f"document.body.classList.toggle('large', {str(large).lower()})")
    parts = told()
    assert len(parts) > 20
    wrong = []
    seen: set[str] = set()
    for part in parts[:: 6 if large else 3]:
        gateway.say(*part, LINK)
        for width, height in SIZES:
            found = shown(gateway, width, height, part[-1], 0 if large else 36)
            seen |= {label.text for label in found}
            wrong += [(width, one.text, two.text) for one, two in overprinted(found)]
    assert wrong == []
    if large:
        assert {"swing", "Yes", "No"} <= seen
    else:
        assert {"388", "trail peak", "lead heel", "even", "shift", "Lead share, last 10 s"} <= seen


def test_the_measure_finds_a_label_on_another(gateway):
    page = gateway.page
    page.evaluate("document.body.classList.remove('large')")
    gateway.say(*told()[0])
    found = shown(gateway, 390, 844, told()[0][-1], 36)
    assert overprinted(found) == []
    page.evaluate(
        """(() => {
            const now = document.getElementById("share-now");
            const [from, to] = [now, document.getElementById("share-title")]
                .map((one) => one.getBoundingClientRect());
            now.style.transform = `translate(${to.left - from.left}px, ${to.top - from.top}px)`;
        })()"""
    )
    assert "Lead share, last 10 s" in {
        one.text for pair in overprinted(labels(page)) for one in pair
    }
    page.evaluate("document.getElementById('share-now').style.transform = ''")
    page.evaluate(  # on a canvas of its own: the page may draw its own ones anew meanwhile
        """(() => {
            const canvas = document.body.appendChild(document.createElement("canvas"));
            const context = canvas.getContext("2d");
            context.textAlign = "left";
            context.fillText("here", 4, 8);
            context.fillText("there", 8, 10);
        })()"""
    )
    found = labels(page)
    page.evaluate("document.body.lastElementChild.remove()")
    assert {"here", "there"} <= {label.text for pair in overprinted(found) for label in pair}
