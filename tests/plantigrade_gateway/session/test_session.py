"""A live session and its drill, in a real store: what is heard, what is kept, what comes again."""

from collections.abc import Iterable
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from plantigrade_gateway.analysis.practice import read_entry
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.pitch import TonePoint
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results

DRILLS = shelf(None).drills


@cache
def record() -> list[Entry]:
    """The practice session's first 110 s: a stand, a walk, four swings."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    origin_ns = entries[0].arrival_ns
    return [e for e in entries if e.arrival_ns < origin_ns + 110_000_000_000]


class Ear:
    """An outlet that keeps what it is given, in order."""

    def __init__(self) -> None:
        self.heard: list[Cue | TonePoint] = []

    def play(self, cue: Cue) -> None:
        self.heard.append(cue)

    def follow(self, points: Iterable[TonePoint]) -> None:
        self.heard.extend(points)

    @property
    def cues(self) -> list[Cue]:
        return [item for item in self.heard if isinstance(item, Cue)]


class Mouth:
    """An announcer whose words are ready at once."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self._ready = 0

    def say(self, text: str) -> None:
        self.said.append(text)
        self._ready += 1

    def done(self) -> list[np.ndarray]:
        ready, self._ready = self._ready, 0
        return [np.zeros(100, dtype=np.float32)] * ready


@pytest.fixture
def ear() -> Ear:
    return Ear()


@pytest.fixture
def live(store, ear) -> LiveSession:
    return LiveSession(store, "test", ear, on_problem=lambda error: None)


def play(live: LiveSession, start_s: float = 0.0, stop_s: float = 1e9) -> list[StepResult]:
    origin_ns = record()[0].arrival_ns
    part = [e for e in record() if start_s <= (e.arrival_ns - origin_ns) / 1e9 < stop_s]
    return [live.push(Batch.of(part[k : k + 40])) for k in range(0, len(part), 40)]


@pytest.mark.dear
def test_a_drill_is_in_the_record_and_its_score_in_the_store(live, store, ear):
    live.set_drill(DRILLS["push"])
    moments = play(live)
    found = live.close()
    kept = [e for batch in store.batches(live.session_id) for e in batch if e.kind is Kind.DRILL]
    assert [read_entry(entry.data).drill for entry in kept] == [DRILLS["push"]]
    (run,) = results.drills(store, live.session_id)
    assert (run.name, run.tried, len(run.reps)) == ("push", 4, 4)
    assert found.drills == (run,) == results.read(store, live.session_id).drills
    scores = [m.score for m in moments if m.score is not None]
    assert [s.tried for s in scores] == [0, 1, 2, 3, 4]
    assert [c for m in moments for c in m.cues] == ear.cues
    assert [p for m in moments for p in m.tone] == [
        p for p in ear.heard if isinstance(p, TonePoint)
    ]


@pytest.mark.dear
def test_the_stored_session_comes_to_the_same_again(live, store):
    play(live, 0.0, 60.0)
    live.set_drill(DRILLS["stay"], Feedback.SILENT)
    play(live, 60.0, 90.0)
    live.set_drill(DRILLS["push"])
    play(live, 90.0, 100.0)
    live.set_drill(None)
    play(live, 100.0)
    live.close()
    before = results.drills(store, live.session_id)
    assert [(run.name, run.feedback) for run in before] == [("stay", "silent"), ("push", "every")]
    assert all(run.reps for run in before)
    again, changed = results.reanalyse(store, live.session_id)
    assert changed == 0
    assert again.drills == before == results.drills(store, live.session_id)


@pytest.mark.dear
def test_other_feedback_in_the_middle_of_a_drill_keeps_its_run_and_score(live, store):
    live.set_drill(DRILLS["push"])
    play(live, 0.0, 85.0)
    before = live.score
    assert before is not None and before.tried >= 1
    moment = live.set_drill(DRILLS["push"], Feedback.ASK)
    assert moment.score is not None
    assert (moment.score.tried, moment.score.good) == (before.tried, before.good)
    assert moment.score.feedback == live.score.feedback == Feedback.ASK
    play(live, 85.0, 97.0)
    live.set_drill(DRILLS["push"], Feedback.SILENT)
    assert live.analysis.practice.is_silent
    play(live, 97.0)
    live.close()
    (run,) = results.drills(store, live.session_id)
    assert (run.start_s, run.feedback) == (0.0, "silent")
    assert run.tried > before.tried and len(run.reps) == run.tried + run.unclear
    again, changed = results.reanalyse(store, live.session_id)
    assert changed == 0 and again.drills == (run,)


@pytest.mark.dear
def test_the_same_drill_with_the_same_feedback_is_begun_afresh(live):
    live.set_drill(DRILLS["push"])
    play(live, 0.0, 85.0)
    assert live.score is not None and live.score.tried
    live.set_drill(DRILLS["push"])
    assert live.score.tried == 0
    live.set_drill(DRILLS["stay"], Feedback.ASK)
    assert (live.score.name, live.score.tried) == ("stay", 0)


def test_a_session_that_was_cut_off_comes_to_what_its_end_would_have_told(store):
    """A killed program wrote no end; what was still undecided then is decided all the same."""
    rows = [e for e in record() if e.arrival_ns < record()[0].arrival_ns + 12_000_000_000]
    end = Entry(rows[-1].arrival_ns, SESSION, Kind.END, b"")
    found = []
    for entries in (rows, [*rows, end]):
        session_id = store.create_session("test", analysis_version=1)
        store.append(session_id, Batch.of(entries))
        store.end_session(session_id, "restart")
        results.reanalyse(store, session_id)
        events = results.read(store, session_id)
        found.append((events.stands, events.steps, events.swings))
    assert found[0] == found[1]
    (stand,) = found[0][0]
    assert stand.end_s == pytest.approx(12.0, abs=0.6)  # pieces of half a second


@pytest.mark.dear
def test_a_drill_can_be_changed_and_ended_while_it_runs(live):
    assert live.score is None
    play(live, 0.0, 70.0)
    moment = live.set_drill(DRILLS["push"], Feedback.OTHER)
    assert moment.score == live.score is not None
    assert live.score is not None and live.score.feedback is Feedback.OTHER
    live.set_drill(None)
    assert live.score is None
    marks = [m.text for m in live.analysis.marks if m.text.startswith("drill:")]
    assert marks == ["drill: push, feedback other", "drill: none"]


@pytest.mark.dear
def test_asking_is_heard_at_once(live, ear):
    live.set_drill(DRILLS["push"], Feedback.ASK)
    play(live)
    assert ear.heard == []
    moment = live.ask()
    assert moment.cues == ear.cues
    assert ear.cues[0].kind is CueKind.GLIDE and len(ear.cues) == 2
    assert ear.cues[0].decided_s == live.analysis.now_s


def test_cues_and_tone_are_given_in_the_order_of_their_times(live, ear):
    """A WAV file is written in that order, a second of the record at a time."""
    live.set_drill(DRILLS["push"])
    for start in range(0, len(record()), 400):
        live.push(Batch.of(record()[start : start + 400]))
    times = [x.decided_s if isinstance(x, Cue) else x.t_s for x in ear.heard]
    late = [a - b for a, b in pairwise(times) if a > b]
    assert len(times) > 500
    assert all(by < 0.05 for by in late)  # by the smoothing's half width at most


@pytest.mark.dear
def test_a_voice_says_outcomes_as_a_cue(store, ear):
    mouth = Mouth()
    live = LiveSession(store, "test", ear, lambda error: None, voice=mouth)  # type: ignore[arg-type]
    live.set_drill(DRILLS["stay"])
    play(live)
    (run,) = live.close().drills
    spoken = [cue for cue in ear.cues if cue.kind is CueKind.SPOKEN]
    assert len(spoken) == len(mouth.said) == len(run.reps) == 4
    assert mouth.said[0] == "Good." and mouth.said[1] == "Good, 2 in a row."


@pytest.mark.dear
def test_a_voice_says_what_is_asked_for(store, ear):
    """The words of the last repetition, which another player is told without asking."""
    said = {}
    for feedback in (Feedback.EVERY, Feedback.ASK):
        mouth = Mouth()
        live = LiveSession(store, "test", ear, lambda error: None, voice=mouth)  # type: ignore[arg-type]
        live.set_drill(DRILLS["stay"], feedback)
        play(live)
        said[feedback] = list(mouth.said)
        live.ask()
        assert mouth.said[len(said[feedback]) :] == said[Feedback.EVERY][-1:]
        live.close()
    assert said[Feedback.ASK] == []


@pytest.mark.dear
def test_without_a_drill_a_voice_says_the_push(store, ear):
    mouth = Mouth()
    live = LiveSession(store, "test", ear, lambda error: None, voice=mouth)  # type: ignore[arg-type]
    play(live)
    live.close()
    assert mouth.said[0] == "skipped, early"


def test_an_analysis_that_fails_costs_no_recorded_byte(live, store):
    play(live, 0.0, 3.0)
    recorded = Batch.of([e for e in record() if e.arrival_ns < record()[0].arrival_ns + 3e9])

    def fail(batch: Batch) -> None:
        raise ArithmeticError("no analysis")

    live.analysis.push = fail
    with pytest.raises(ArithmeticError), live:
        play(live, 3.0, 3.5)
    assert store.session(live.session_id).end_reason == "error"
    kept = [e for batch in store.batches(live.session_id) for e in batch]
    assert kept[: len(recorded)] == list(recorded) and len(kept) > len(recorded)
