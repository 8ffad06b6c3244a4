"""A browser's page of the guided check, obeyed by a session of virtual insoles in this process."""

import json
import time
from typing import Any

from playwright.sync_api import Browser, Page, ViewportSize, WebSocket, expect
from tests.support.browser import Complaints
from tests.support.checkbay import CheckBay, Do
from tests.support.waiting import HANG_S

from plantigrade.synth import Player
from plantigrade_gateway.check.steps import QUESTIONS
from plantigrade_gateway.session.feed import NO_SET
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.live.page import Page as WebPage
from plantigrade_gateway.web.live.page import WebOptions

TABLET: ViewportSize = {"width": 1024, "height": 768}
NAMES = {
    "start": "Start",
    "skip": "Skip",
    "again": "Again",
    "enough": "That is enough",
    "more": "Eight more",
    "pain": "Pain – stop",
}


class Bench:
    """A real page of a real web process, whose commands are obeyed by a session in this one.

    Parameters
    ----------
    store : Store
    browser : Browser
    """

    def __init__(self, store: Store, browser: Browser) -> None:
        self._store = store
        self.web = WebPage(WebOptions(port=0), store.path, lambda m: self.take(m), print)
        self._bay: CheckBay | None = None
        url = self.web.wait(HANG_S)
        assert url is not None, self.web.problem
        self.url = url
        self.context = browser.new_context(viewport=TABLET)
        self.page: Page = self.context.new_page()
        self.complaints = Complaints(self.page)
        self.told: list[dict[str, Any]] = []
        self.page.on("websocket", self._listen)

    @property
    def bay(self) -> CheckBay:
        """The session under way."""
        assert self._bay is not None
        return self._bay

    def begin(self, script: tuple[Do, ...], player: Player | None = None, **more: Any) -> CheckBay:
        """Begin a session of a body, and open the page of the check."""
        self._bay = CheckBay(self._store, self.web, player or Player(), script, **more)
        self.page.goto(f"{self.url}check")
        return self._bay

    def _listen(self, socket: WebSocket) -> None:
        socket.on("framereceived", self._heard)

    def _heard(self, text: str | bytes) -> None:
        self.told.append(json.loads(text))

    def take(self, message: dict[str, Any]) -> None:
        if self._bay is not None:
            self._bay.commands.append(message)

    def press(self, name: str) -> None:
        """Press a button, and have what it asks for done.

        A page that nothing was said to for seconds connects again: a press in between were lost. So
        it is said something, and has heard it.
        """
        heard, end_s = len(self.told), time.monotonic() + HANG_S
        self.web.send(NO_SET)
        while len(self.told) == heard:
            assert time.monotonic() < end_s, "the page hears nothing"
            self.page.wait_for_timeout(5)
        expect(self.page.locator("#connection")).to_be_hidden()
        self.page.get_by_role("button", name=name, exact=True).click()
        self.obey()

    def obey(self) -> None:
        """Have done what the page asks for next."""
        self.bay.obey_next(lambda: self.page.wait_for_timeout(5))

    def answer(self, yes: int | None = None) -> None:
        """Answer the questions with no, but for one."""
        fields = self.page.locator("#asked fieldset")
        expect(fields).to_have_count(len(QUESTIONS))
        for k, field in enumerate(fields.all()):
            field.get_by_label("Yes" if k == yes else "No").check()

    def close(self) -> None:
        self.context.close()
        self.web.close()
