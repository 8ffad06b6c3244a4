"""Those who look at a session while it runs: what it does goes to the pages, if there are any."""

from datetime import UTC, datetime
from typing import Any

from plantigrade.block import Foot, PressureBlock
from plantigrade_gateway import linkstatus, words
from plantigrade_gateway.analysisjson import plain
from plantigrade_gateway.audio import Sound
from plantigrade_gateway.drillfiles import Shelf
from plantigrade_gateway.forward.moment import LiveSummary
from plantigrade_gateway.forward.state import ForwardState, lines
from plantigrade_gateway.linkstatus import ServiceStatus
from plantigrade_gateway.live import LiveSession, Moment
from plantigrade_gateway.pipeline import Pipeline
from plantigrade_gateway.settings import SessionSettings
from plantigrade_gateway.web.layoutmessage import layout_message
from plantigrade_gateway.web.moments import Message, Moments
from plantigrade_gateway.web.page import Page

VERSION = 1
"""Of the messages (`hardware_notes/live_messages.md`)."""


class Onlookers:
    """Tells the pages what a session does.

    Parameters
    ----------
    page : Page or None
        None where no page is wanted: then nothing is told.
    sound : Sound
        Where the gateway's own sound goes.
    shelf : Shelf
        The drills to choose from.
    far : LiveSummary, optional
        Those who look on through a message broker.
    """

    def __init__(
        self, page: Page | None, sound: Sound, shelf: Shelf, far: LiveSummary | None = None
    ) -> None:
        self._page = page
        self._far = far
        self._sound = sound
        self._shelf = shelf
        self._moments = Moments(lambda: page is not None and page.viewers > 0)
        self._settings = SessionSettings()
        self._session: Message | None = None
        self.hello()

    def tap(self, block: PressureBlock, gain: float) -> None:
        """Take what a foot's zones read (a pipeline's tap)."""
        self._moments.tap(block, gain)

    def settle(self, settings: SessionSettings) -> None:
        """Take the settings that hold from now on."""
        if settings != self._settings:
            self._settings = settings
            self.hello()

    def begin(self, live: LiveSession, source: str) -> None:
        """Say that a session has begun."""
        self._moments.begin()
        self._session = {
            "id": live.session_id,
            "source": source,
            "started": datetime.now(UTC).isoformat(),
            "recording": True,
        }
        self.no_drill()  # the first entries tell of the session's own
        self.hello()

    def end(self) -> None:
        """Say that the session has ended and is kept."""
        if self._session is not None:
            self._session = {**self._session, "recording": False}
            self.hello()

    def show(self, moment: Moment, pipeline: Pipeline) -> None:
        """Tell what entries came to."""
        if self._far is not None and self._session is not None and self._session["recording"]:
            self._far.show(moment.output.net, pipeline.settings, self._session["id"])
        if self._page is None:
            return
        self.settle(pipeline.settings)
        for message in self._moments.of(moment, pipeline):
            self._page.send(message)

    def say(self, text: str, level: str = "info") -> None:
        """Tell a sentence."""
        self._send({"type": "said", "text": text, "level": level})

    def link(
        self,
        status: ServiceStatus,
        store_problem: str | None,
        forward: ForwardState | None = None,
    ) -> None:
        """Tell how the links are, and how the forwarding goes."""
        if self._page is None:
            return
        feet = {}
        for foot in Foot:  # both, always: a page draws two
            link = status.feet.get(str(foot), linkstatus.NO_INSOLE)
            made = link.packets + link.lost_packets
            error_ms = None if link.clock_error_s is None else 1e3 * link.clock_error_s
            feet[str(foot)] = {
                **plain(link),
                "lost_share": link.lost_packets / made if made else None,
                "clock_error_ms": error_ms,
            }
        self._send(
            {
                "type": "link",
                "feet": feet,
                "delay_ms": plain(status.latency_ms),
                "store": {"problem": store_problem},
                "dropped_frames": self._page.dropped,
                "forward": None if forward is None else lines(forward),
                "calibration": "; ".join(
                    f"{foot}: {link.calibration}"
                    for foot, link in status.feet.items()
                    if link.calibration is not None
                )
                or None,
            }
        )

    def hello(self) -> None:
        """Tell everything that does not change from picture to picture."""
        settings = self._settings
        self._send(
            {
                "type": "hello",
                "v": VERSION,
                "gateway": True,
                "session": self._session,
                "layout": layout_message(settings.zone_layout()),
                "lead": str(settings.lead),
                "body_weight_n": settings.body_weight_n,
                "body_weight_from": settings.body_weight_from,
                "cautions": list(words.CAUTIONS),
                "describes": words.DESCRIBES,
                "sound": self._sound_now(),
                "drills": [
                    {"name": drill.name, "title": drill.title, "goal": drill.goal}
                    for drill in self._shelf.drills.values()
                ],
                "counts": self._moments.counts,
            }
        )

    def no_drill(self) -> None:
        """Tell that no drill is under way."""
        self._send({"type": "drill", "name": None})

    def sound(self) -> None:
        """Tell where the gateway's own sound goes (from any thread)."""
        self._send({"type": "sound", **self._sound_now()})

    def _sound_now(self) -> Message:
        sound = self._sound
        return {"said": sound.said, "device": sound.device, "lost": sound.lost}

    def _send(self, message: dict[str, Any]) -> None:
        if self._page is not None:
            self._page.send(message)
