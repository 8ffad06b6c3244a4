"""The live page without a gateway: a test says what it is told."""

import json
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, Route, WebSocketRoute
from tests.support.browser import Complaints
from tests.support.waiting import HANG_S

import plantigrade_gateway.web
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.web.html import rendered

WEB = Path(plantigrade_gateway.web.__file__).parent
PATIENCE = {"socket.js": "SILENT_MS", "live.js": "STILL_MS", "outcome.js": "PHASE_S"}
"""What the page waits for a word: the constant of each module that says how long."""
HTML = "<img src=x onerror=alert(1)>"
DRILL = {"name": HTML, "title": f"{HTML} and a title that goes on for long", "goal": HTML}


def hello(layout: ZoneLayout, **values: Any) -> dict[str, Any]:
    return {
        "type": "hello",
        "v": 1,
        "gateway": True,
        "session": {"id": "one", "source": HTML, "started": "", "recording": True},
        "layout": layout.to_json(),
        "lead": "left",
        "cautions": ["Training aid, not a medical device or diagnosis."],
        "sound": {"said": "", "device": False, "lost": False},
        "drills": [DRILL],
        "drill": None,
        "swing": None,
        "link": None,
        "counts": {"steps": 0, "swings": 0, "good": 0},
        "rights": "coach",
        **values,
    }


def frame(t_s: float, n_zones: int) -> dict[str, Any]:
    """The left foot stands, the right one is away."""
    left = {"zones": [35.0] * n_zones, "load_n": 280.0, "load_bw": 0.4, "cop": [0.5, 0.4]}
    right = {"zones": None, "load_n": None, "load_bw": None, "cop": None, "away": True}
    feet = {"left": {**left, "away": False}, "right": right}
    return {"type": "frame", "t_s": t_s, "feet": feet, "lead_share": None, "sent_ms": 0.0}


def patient_module(path: Path) -> str:
    """Return a module of the page that waits a thousand times as long for a word."""
    constant = PATIENCE[path.name]
    text, n = re.subn(rf"(?m)^(const {constant} = \d+);", r"\g<1>000;", path.read_text("utf-8"))
    assert n == 1, f"{path.name}: no {constant}"
    return text


class Gateway:
    """Answers for the gateway: its pages, and what a test has it say.

    A test says nothing for as long as the machine is busy. So its page is a patient one, to which
    what falls silent is over after half an hour at the soonest.

    Parameters
    ----------
    page : Page

    Attributes
    ----------
    impatient : set of str
        Modules of `PATIENCE` that wait no longer than they do for a user: what is tested.
    """

    def __init__(self, page: Page) -> None:
        self.page = page
        self.impatient: set[str] = set()
        self.sockets: list[WebSocketRoute] = []
        self.players: list[dict[str, Any]] = []
        self.lacks_consent: dict[str, str] = {}  # by player
        self.asked: list[dict[str, Any]] = []

        def answer(route: Route) -> None:
            address, _, query = route.request.url.partition("?")
            path = WEB / address.removeprefix("http://page.invalid/")
            if path.name == "choice.json":
                lack = self.lacks_consent.get(query.removeprefix("player="), "")
                route.fulfill(json={"players": self.players, "lacks_consent": lack})
            elif path.name in PATIENCE.keys() - self.impatient:
                route.fulfill(body=patient_module(path), content_type="text/javascript")
            elif path.is_file():
                route.fulfill(path=str(path))
            else:
                body = rendered("live.html", rights="coach", pair="")
                route.fulfill(body=body, content_type="text/html")

        page.route("**/*", answer)
        page.route_web_socket("**/live", self._connected)

    def _connected(self, socket: WebSocketRoute) -> None:
        self.sockets.append(socket)
        socket.on_message(lambda text: self.asked.append(json.loads(text)))

    def say(self, *messages: dict[str, Any]) -> None:
        for message in messages:
            self.sockets[-1].send(json.dumps(message))

    def until_connected(self, times: int) -> None:
        end_s = time.monotonic() + HANG_S
        while len(self.sockets) < times:
            assert time.monotonic() < end_s, "the page does not connect"
            self.page.wait_for_timeout(20)

    def open(self, *messages: dict[str, Any]) -> None:
        self.page.goto("http://page.invalid/")
        self.until_connected(1)
        self.say(*messages)
        self.page.get_by_role("button", name="Understood").click()


@contextmanager
def gateway_of(
    browser: Browser, players: list[dict[str, Any]], **context: Any
) -> Iterator[Gateway]:
    """Give a gateway with players and a page of its own context, which may complain of nothing."""
    with browser.new_context(**context) as made:
        page = made.new_page()
        complaints = Complaints(page)
        gateway = Gateway(page)
        gateway.players = players
        yield gateway
        assert complaints == []
