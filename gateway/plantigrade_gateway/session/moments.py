"""What the live page is told (`hardware_notes/live_messages.md`), made from what the session does.

Runs in the gateway, beside the recording: it only reads, and makes a picture of both feet at most
`FRAMES_PER_S` times a second, and none while nobody looks.
"""

import base64
import time
from collections.abc import Callable, Iterator
from typing import Any

from plantigrade.block import FloatArray, Foot, PairBlock, PressureBlock
from plantigrade.events import Event, Phase, PhaseKind, Step, Swing
from plantigrade_gateway import words
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.serialise import event_row, plain
from plantigrade_gateway.drills.run import Score
from plantigrade_gateway.report.screen import FootGlance, glance
from plantigrade_gateway.session.session import Moment
from plantigrade_gateway.sound.cues import Cue, CueKind, is_good
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ
from plantigrade_gateway.sound.pitch import TonePoint
from plantigrade_gateway.sound.wav import pcm16
from plantigrade_gateway.wire.stream import FACTS, Fact, FactKind

FRAMES_PER_S = 30.0
_FRAME_NS = round(1e9 / FRAMES_PER_S)
Message = dict[str, Any]


class Moments:
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
        self._zones: dict[Foot, FloatArray] = {}

    def tap(self, block: PressureBlock, gain: float) -> None:
        """Take what a foot's zones read (a pipeline's tap)."""
        self._zones[block.foot] = block.pressure[-1] * gain

    def of(self, moment: Moment, pipeline: Pipeline) -> Iterator[Message]:
        """Give the messages of a moment, in order."""
        for event in moment.output.events:
            yield self._event(event)
        for cue in moment.cues:
            yield cue_message(cue)
        if moment.tone and self._watched():
            yield {"type": "tone", "points": [tone_point(point) for point in moment.tone]}
        if moment.score is not None:
            yield drill_message(moment.score)
        for fact in moment.output.facts:
            text = fact_text(fact, pipeline)
            if text is not None:
                yield {"type": "said", "text": text, "level": "warn"}
        if moment.output.net and self._is_due() and self._watched():
            yield self._frame(moment.output.net[-1], pipeline)

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

    def _event(self, event: Event) -> Message:
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
                "outcome": words.swing(event),
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


def drill_message(score: Score) -> Message:
    """Return a drill's score as the page shows it."""
    last = score.last
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
        "last": None if last is None else {"verdict": str(last.verdict), "words": last.words},
    }


def fact_text(fact: Fact, pipeline: Pipeline) -> str | None:
    """Return what is said of a fact in an insole's stream; None where it is only counted."""
    text = FACTS.get(fact.kind)
    if fact.kind is FactKind.BATTERY and fact.value:
        text = "battery low"
    if text is None:
        return None
    foot = pipeline.feet().get(fact.insole)
    return f"{foot or fact.insole}: {text}"


def rounded(value: float | None, digits: int) -> float | None:
    """Return a number that is short as text; None stays None."""
    return None if value is None else round(float(value), digits)
