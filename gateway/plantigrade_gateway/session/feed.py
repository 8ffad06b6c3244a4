"""The live page's side of a session: messages to it, and the commands that come from it.

The messages are those of `hardware_notes/live_messages.md`. Runs in the gateway beside the
recording: a picture of both feet at most `FRAMES_PER_S` times a second, and none without a viewer.
"""

import base64
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

from plantigrade.block import FloatArray, Foot, PairBlock, PressureBlock
from plantigrade.events import Event, Phase, PhaseKind, Step, Swing
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.result import Analysis, Mark, ends_set, is_good, set_name
from plantigrade_gateway.converter import plain
from plantigrade_gateway.drills.files import Shelf
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.drills.run import Score
from plantigrade_gateway.forward.launch import LiveSummary
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.record.tables import CLUBS, Intent
from plantigrade_gateway.report.screen import FootGlance, glance
from plantigrade_gateway.session.loadscale import top_of
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ
from plantigrade_gateway.sound.output import Sound
from plantigrade_gateway.sound.pitch import TonePoint
from plantigrade_gateway.sound.wav import pcm16
from plantigrade_gateway.store.forwardstate import ForwardState, lines
from plantigrade_gateway.store.status import NO_INSOLE, ServiceStatus
from plantigrade_gateway.web.live.page import Message, Page
from plantigrade_gateway.wire.stream import StreamNotes

FRAMES_PER_S = 30.0
_FRAME_NS = round(1e9 / FRAMES_PER_S)


NO_SET: Message = {"type": "set", "name": None}
_SOUNDS = ("cue", "tone")
_OUTCOMES = ("phase", "swing", "step", "stand")
"""Messages that tell of a movement: each says whether the player is told, as sounds do. What a
drill's feedback leaves out makes no sound at all."""


class FeedBuilder:
    """Turns a session's moments into messages.

    Parameters
    ----------
    watched : callable
        Whether anybody looks.
    """

    def __init__(self, watched: Callable[[], bool]) -> None:
        self._watched = watched
        self._due_ns = 0
        self.begin()

    def begin(self) -> None:
        """Begin a session: counters start again, and nothing is known of the feet."""
        self.counts = {"steps": 0, "swings": 0, "good": 0}
        self._sets = 0
        self._notes = StreamNotes()
        self._zones: dict[Foot, FloatArray] = {}

    def tap(self, block: PressureBlock, gain: float) -> None:
        """Take what a foot's zones read (a pipeline's tap)."""
        self._zones[block.foot] = block.pressure[-1] * gain

    def of(self, moment: StepResult, pipeline: Pipeline) -> Iterator[Message]:
        """Give the messages of a moment, in order."""
        for message in self._of(moment, pipeline):
            if message["type"] in _OUTCOMES:
                yield {**message, "silent": moment.is_silent or moment.is_untold}
            elif message["type"] in _SOUNDS:
                yield {**message, "silent": moment.is_silent}
            else:
                yield message

    def _of(self, moment: StepResult, pipeline: Pipeline) -> Iterator[Message]:
        for event in moment.output.events:
            yield self._event(event, pipeline.rate_hz)
        for mark in moment.marks:
            yield from self._set(mark)
        for cue in moment.cues:
            yield cue_message(cue)
        if moment.tone and self._watched():
            yield {"type": "tone", "points": [tone_point(point) for point in moment.tone]}
        if moment.score is not None:
            yield drill_message(moment.score, self.counts["swings"], moment.is_silent)
        for fact in moment.output.facts:
            text = self._notes.text(fact)
            if text is not None:
                foot = pipeline.feet().get(fact.insole)
                said = f"{foot or fact.insole}: {text}"
                yield {"type": "said", "text": said, "level": "warn"}
        if moment.output.net and self._is_due() and self._watched():
            yield self._frame(moment.output.net[-1], pipeline)

    def _set(self, mark: Mark) -> Iterator[Message]:
        """Give what a mark says of the set under way; an older record's too."""
        name = set_name(mark)
        if name is not None:
            self._sets += 1
            yield {"type": "set", "name": name, "n": self._sets, "t_s": mark.t_s}
        elif ends_set(mark):
            yield NO_SET

    def _is_due(self) -> bool:
        now_ns = time.monotonic_ns()
        if now_ns < self._due_ns:
            return False
        # from the time it was due, so that packets' own rhythm does not make pictures rarer
        self._due_ns = max(self._due_ns + _FRAME_NS, now_ns - _FRAME_NS)
        return True

    def _frame(self, rows: PairBlock, pipeline: Pipeline) -> Message:
        settings = pipeline.settings
        now = glance(rows, settings.lead, settings.body_weight_n)
        return {
            "type": "frame",
            "t_s": round(now.t_s, 3),
            "feet": {str(foot): self._foot(foot, now.feet[foot]) for foot in Foot},
            "lead_share": rounded(now.lead_share, 3),
            "sent_ms": round(time.time() * 1e3, 1),
        }

    def _foot(self, foot: Foot, now: FootGlance) -> Message:
        away = now.load_n is None
        zones = self._zones.get(foot)
        return {
            "zones": None
            if away or zones is None
            else [None if z != z else round(max(z, 0.0), 1) for z in zones.tolist()],
            "load_n": rounded(now.load_n, 0),
            "load_bw": rounded(now.load_bw, 3),
            "cop": None if now.cop is None else [rounded(v, 3) for v in now.cop],
            "away": away,
        }

    def _event(self, event: Event, rate_hz: float | None) -> Message:
        if isinstance(event, Phase):
            return _phase(event)
        body = plain(event_row("", event).body)
        if isinstance(event, Swing):
            good = is_good(event)
            self.counts["swings"] += 1
            self.counts["good"] += good
            said = {
                "push": words.push(event.push),
                "heel_lift": words.heel_lift(event.heel_lift),
                "outcome": words.swing(event, rate_hz),
                "transfer": words.transfer(event.push, rate_hz),
                "load_tempo": words.load_tempo(event, rate_hz),
            }
            number = self.counts["swings"]
            return {
                "type": "swing",
                "n": number,
                "swing": body,
                "words": said,
                "good": good,
                "counts": dict(self.counts),
            }
        if isinstance(event, Step):
            self.counts["steps"] += 1
            return {
                "type": "step",
                "n": self.counts["steps"],
                "step": body,
                "words": words.step(event),
            }
        return {"type": "stand", "stand": body, "words": words.stand(event)}


def _phase(phase: Phase) -> Message:
    said = words.PHASES.get(phase.kind, "no swing after all")
    if phase.kind is PhaseKind.PUSH and phase.push is not None:
        said = f"push {words.push(phase.push)}"
    return {"type": "phase", "kind": str(phase.kind), "t_s": phase.t_s, "words": said}


def cue_message(cue: Cue) -> Message:
    """Return a cue as the page hears it: a fixed sound by its address, any other as samples."""
    fixed = cue.kind not in (CueKind.GLIDE, CueKind.SPOKEN)
    pcm = None if fixed else pcm16(cue.samples)
    return {
        "type": "cue",
        "kind": str(cue.kind),
        "t_s": cue.t_s,
        "decided_s": cue.decided_s,
        "delay_s": cue.delay_s,
        "gain": 1.0,
        "sound": f"/sounds/{cue.kind}.wav" if fixed else None,
        "pcm": None if pcm is None else base64.b64encode(pcm).decode("ascii"),
        "rate_hz": SAMPLE_RATE_HZ,
    }


def tone_point(point: TonePoint) -> list[float]:
    """Return a tone's point as the page follows it."""
    return [round(point.t_s, 4), round(point.hz, 1), round(point.gain, 3)]


def drill_message(score: Score, swings: int, is_silent: bool) -> Message:
    """Return a drill's score as the page shows it, after so many swings of the session.

    Parameters
    ----------
    score : Score
    swings : int
    is_silent : bool
        The player is told nothing of the last repetition, whatever the drill's feedback would tell.
    """
    last = score.last
    told = None
    if last is not None:
        told = {
            "verdict": str(last.verdict),
            "words": last.words,
            "line": score.line,
            "told": score.told,
            "silent": is_silent,
            "what": score.what,
            "n": swings if score.what == "swing" else score.tried + score.unclear,
        }
    return {
        "type": "drill",
        "name": score.name,
        "title": score.title,
        "goal": score.goal,
        "counts": score.counts,
        "feedback": str(score.feedback),
        "good": score.good,
        "tried": score.tried,
        "unclear": score.unclear,
        "streak": score.streak,
        "best": score.best,
        "last": told,
    }


def summary_of(found: Analysis) -> Message:
    """Return what a session came to as the page shows it when it has ended."""
    return {
        "duration_s": rounded(found.duration_s, 1),
        "length": formats.duration(found.duration_s),
        "steps": len(found.steps),
        "swings": len(found.swings),
        "good": sum(is_good(swing) for swing in found.swings),
        "drills": [
            {"title": run.title, "good": run.good, "tried": run.tried, "best": run.best}
            for run in found.drills
            if run.tried or run.unclear  # else it was only chosen
        ],
    }


def rounded(value: float | None, digits: int) -> float | None:
    """Return a number that is short as text; None stays None."""
    return None if value is None else round(float(value), digits)


class LiveFeed:
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
        self._moments = FeedBuilder(lambda: page is not None and page.viewers > 0)
        self._settings = SessionSettings()
        self._session: Message | None = None
        self._player_id: str | None = None
        self._hand: str | None = None  # what is wrong with that of the session under way
        self._top: int | None = None  # of the load scale, once something of the session was shown
        self.hello()

    def tap(self, block: PressureBlock, gain: float) -> None:
        """Take what a foot's zones read (a pipeline's tap)."""
        self._moments.tap(block, gain)

    def settle(self, settings: SessionSettings) -> None:
        """Take the settings that hold from now on."""
        if settings != self._settings:
            self._settings = settings
            self.hello()

    def set_player(self, player_id: str | None) -> None:
        """Take whose the sessions are from now on; None: nobody's who is registered."""
        if player_id != self._player_id:
            self._player_id = player_id
            self.hello()

    def tell_hand(self, said: str | None) -> None:
        """Tell the coach's pages what is wrong with the session's hand, as long as it is so."""
        self._hand = said
        self.hello()

    def begin(self, live: LiveSession, source: str) -> None:
        """Say that a session has begun."""
        self._moments.begin()
        self._top = self._hand = None
        self._session = {
            "id": live.session_id,
            "source": source,
            "started": datetime.now(UTC).isoformat(),
            "recording": True,
        }
        self.no_drill()  # the first entries tell of the session's own
        self._send(NO_SET)
        self.hello()

    def end(self, found: Analysis | None = None) -> None:
        """Say that the session has ended and is kept, and what it came to."""
        if self._session is not None:
            summary = None if found is None else summary_of(found)
            self._session = {**self._session, "recording": False, "summary": summary}
            self._hand = None
            self.hello()

    def show(self, moment: StepResult, pipeline: Pipeline) -> None:
        """Tell what entries came to."""
        if self._far is not None and self._session is not None and self._session["recording"]:
            self._far.show(moment.output.net, pipeline.settings, self._session["id"])
        if self._page is None:
            return
        self.settle(pipeline.settings)
        if self._top is None:
            self._top = self._scale_top()
        for message in self._moments.of(moment, pipeline):
            self._page.send(message)

    def say(self, text: str, level: str = "info", *, coach_only: bool = False) -> None:
        """Tell a sentence; one with words of the coach's own is not for a player's page."""
        whom = {"to": "coach"} if coach_only else {}
        self._send({"type": "said", "text": text, "level": level, **whom})

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
            link = status.feet.get(str(foot), NO_INSOLE)
            error_ms = None if link.clock_error_s is None else 1e3 * link.clock_error_s
            feet[str(foot)] = {
                **plain(link),
                "lost_share": link.lost_share,
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

    def _scale_top(self) -> int:
        settings = self._settings
        return top_of(settings.zone_layout(), settings.body_weight_n)

    def hello(self) -> None:
        """Tell everything that does not change from picture to picture."""
        settings = self._settings
        self._send(
            {
                "type": "hello",
                "v": VERSION,
                "gateway": True,
                "session": self._session,
                "player": self._player_id,
                "hand": self._hand,
                "layout": settings.zone_layout().to_json(),
                "scale_top": self._scale_top() if self._top is None else self._top,
                "lead": str(settings.lead),
                "body_weight_n": settings.body_weight_n,
                "body_weight_from": settings.body_weight_from,
                "decided_by": words.decided_by(settings.limits, settings.heel_lift_n),
                "cautions": list(words.CAUTIONS),
                "describes": words.DESCRIBES,
                "sound": self._sound_now(),
                "drills": [
                    {"name": drill.name, "title": drill.title, "goal": drill.goal}
                    for drill in self._shelf.drills.values()
                ],
                "intents": list(Intent),
                "clubs": list(CLUBS),
                "counts": self._moments.counts,
            }
        )

    def no_drill(self, feedback: Feedback = Feedback.EVERY) -> None:
        """Tell that no drill is under way, and how pushes are told without one."""
        self._send({"type": "drill", "name": None, "feedback": str(feedback)})

    @property
    def is_heard(self) -> bool:
        """Whether cues are heard now: by the gateway's own device, or on an open page."""
        return self._sound.device or (self._page is not None and self._page.sounding > 0)

    def check(self, message: Message) -> None:
        """Tell where a guided check stands."""
        self._send(message)

    def sound(self) -> None:
        """Tell where the gateway's own sound goes (from any thread)."""
        self._send({"type": "sound", **self._sound_now()})

    def _sound_now(self) -> Message:
        sound = self._sound
        return {"said": sound.said, "device": sound.device, "lost": sound.lost}

    def _send(self, message: dict[str, Any]) -> None:
        if self._page is not None:
            self._page.send(message)


VERSION = 1
"""Of the messages (`hardware_notes/live_messages.md`)."""
