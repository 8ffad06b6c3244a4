"""What a microphone hears in a live session: in the record, in the report and the store."""

from dataclasses import replace
from io import StringIO
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from rich.console import Console

from plantigrade.transients import Transient, TransientKind
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.heard import HeardSound, Listening, Purpose, ToldStrike
from plantigrade_gateway.report.measures import strike_lines
from plantigrade_gateway.report.session import show
from plantigrade_gateway.session.ears import ASKED, STAMPS_S, Ear, Ears
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.listening import Heard
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

CLICK = Transient(TransientKind.CLICK, 7.0, -18.0, 0.0005, -20.0, 0.0005, 0.95, (-25.0,) * 6, -8.0)
UNTIL_S = 150.0


@pytest.fixture(scope="module")
def practice() -> list[Entry]:
    """Return the invented session's first minutes: two swings and more."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    end_ns = entries[0].arrival_ns + round(UNTIL_S * 1e9)
    return [entry for entry in entries if entry.arrival_ns < end_ns]


@pytest.mark.dear
def test_a_session_with_a_microphone(store, practice):
    said: list[str] = []
    live, ears = LiveSession(store, "test", Silence(), print), Ears(Ear(2.5), said.append)
    edges = [*range(0, len(practice), 300), len(practice)]
    for k, (start, stop) in enumerate(pairwise(edges)):
        live.push(Batch.of(practice[start:stop]))
        if k == 40:
            ears.hear(Heard(practice[stop - 1].arrival_ns - 200_000_000, CLICK))
        ears.follow(live)
    assert said[0] == ASKED
    assert len(said) == 2, "and that the stamps are over"
    ears.marked("Struck", live)
    ears.marked("a note", live)
    last = live.analysis.swings[-1]
    assert last.lead_peak_s is not None
    told = ToldStrike(round(1e9 * (live.analysis.now_s - last.lead_peak_s - 0.1)), 0.2, "mark")
    at_ns = max(entry.arrival_ns for entry in practice)
    live.push(Batch.of([Entry(at_ns, SESSION, Kind.STRIKE, told.to_json())]))
    found = live.close()

    entries = [entry for batch in store.batches(live.session_id) for entry in batch]
    purposes = [Listening.from_json(e.data) for e in entries if e.kind is Kind.LISTEN]
    assert purposes[0] == Listening(Purpose.ON, 2.5, 0.5)
    others = [one.purpose for one in purposes[1:] if one.purpose is not Purpose.OWN]
    assert others == [Purpose.STAMPS, Purpose.STAMPS_END, Purpose.CONFIRMED]
    own = [one for one in purposes if one.purpose is Purpose.OWN]
    assert own, "the pushes are heard"
    assert all(0.0 < one.lasts_s < 20.0 for one in own), "the call for stamps is 130 letters"
    stamps = [e.arrival_ns for e in entries if e.kind is Kind.LISTEN and b'"stamps' in e.data]
    assert 1e-9 * (stamps[1] - stamps[0]) == pytest.approx(STAMPS_S, abs=4.0)
    (heard,) = [HeardSound.from_json(e.data) for e in entries if e.kind is Kind.HEARD]
    assert heard.transient == replace(CLICK, t_s=0.0)
    assert heard.before_ns == 200_000_000

    assert len(found.strikes) == len(found.swings) >= 2
    assert found.strikes[-1].source == "mark"
    assert found.strikes[-1].lead_peak_s == pytest.approx(-0.1, abs=1e-6)
    assert {one.state for one in found.strikes[:-1]} == {"unclear"}, "nobody stamped"
    assert results.read(store, live.session_id).strikes == found.strikes
    again, changed = results.reanalyse(store, live.session_id)
    assert (again.strikes, changed) == (found.strikes, 0)

    out = Console(record=True, width=160, file=StringIO())
    show(found, out)
    text = out.export_text()
    assert f"1 of {len(found.strikes)} swings" in text
    assert "± 200 ms" in text
    assert "unclear: stamps both loaded and heard" in text
    assert strike_lines(found.strikes[-1])[0].startswith("marked at ")


class Switch:
    """Stands for the microphone: keeps when it was to look for stamps."""

    def __init__(self) -> None:
        self.stamping: list[bool] = []

    def stamp(self, *, on: bool) -> None:
        self.stamping.append(on)


def test_thumps_are_looked_for_while_heels_are_stamped(store, practice):
    live, ears = LiveSession(store, "test", Silence(), print), Ears(Ear(2.5), print)
    ears.microphone = switch = Switch()  # type: ignore[assignment]
    live.push(Batch.of(practice[:300]))
    ears.follow(live)
    assert switch.stamping == [True]
    ears.marked("stamps end", live)
    ears.marked("stamps end", live)
    assert switch.stamping == [True, False]
    live.close()


def test_what_was_heard_before_the_session_or_long_ago_is_not_kept(store, practice):
    live, ears = LiveSession(store, "test", Silence(), print), Ears(Ear(2.5), print)
    live.push(Batch.of(practice[:300]))
    now_ns = practice[299].arrival_ns
    ears.hear(Heard(now_ns - 1_000_000, CLICK))
    ears.follow(live)
    for ago_s in (61, 59):
        ears.hear(Heard(now_ns - ago_s * 1_000_000_000, CLICK))
    ears.follow(live)
    live.close()
    entries = [e for batch in store.batches(live.session_id) for e in batch]
    heard = [HeardSound.from_json(e.data) for e in entries if e.kind is Kind.HEARD]
    assert [one.before_ns for one in heard] == [59_000_000_000]


class Mouth:
    """Stands for a speech engine: each text takes two seconds."""

    def __init__(self) -> None:
        self._made: list[NDArray[np.float32]] = []

    def say(self, text: str) -> None:
        self._made.append(np.zeros(2 * SAMPLE_RATE_HZ, dtype=np.float32))

    def done(self) -> list[NDArray[np.float32]]:
        made, self._made = self._made, []
        return made


def own_spans(live: LiveSession, store: Store) -> list[tuple[float, float]]:
    """Return when the record says that the program itself sounds, session time, s."""
    live.flush()
    entries = [e for batch in store.batches(live.session_id) for e in batch]
    listened = [
        (e.arrival_ns, Listening.from_json(e.data)) for e in entries if e.kind is Kind.LISTEN
    ]
    begun_ns = entries[0].arrival_ns
    return [
        (1e-9 * (at_ns - begun_ns), 1e-9 * (at_ns - begun_ns) + one.lasts_s)
        for at_ns, one in listened
        if one.purpose is Purpose.OWN
    ]


@pytest.mark.dear
def test_what_is_asked_for_is_a_sound_of_the_program(store, practice):
    live = LiveSession(store, "test", Silence(), print)
    live.set_drill(shelf(None).drills["push"], Feedback.ASK)
    live.push(Batch.of(practice[:-20]))
    live.listen(Listening(Purpose.ON, 2.5))
    live.push(Batch.of(practice[-20:-10]))
    assert own_spans(live, store) == []
    moment = live.ask()
    asked_s = live.analysis.now_s
    live.push(Batch.of(practice[-10:]))
    heard_s = max(cue.delay_s + len(cue.samples) / SAMPLE_RATE_HZ for cue in moment.cues)
    ((_, end_s),) = own_spans(live, store)
    assert end_s == pytest.approx(asked_s + heard_s, abs=0.1)
    live.close()


def test_what_a_voice_says_is_a_sound_of_the_program(store, practice):
    """Two texts of two seconds follow each other; the stand at the beginning has no other sound."""
    live = LiveSession(store, "test", Silence(), print, voice=Mouth())  # type: ignore[arg-type]
    live.push(Batch.of(practice[:300]))
    live.listen(Listening(Purpose.ON, 2.5))
    live.announce("")
    live.announce("")
    said_s = live.analysis.now_s
    live.push(Batch.of(practice[300:310]))
    live.push(Batch.of(practice[310:320]))
    spans = own_spans(live, store)
    assert said_s + 4.0 <= spans[-1][1] <= said_s + 4.5
    assert min(start for start, _ in spans) <= said_s + 1e-6
    live.close()


def test_what_a_page_may_say_is_a_sound_of_the_program(store, practice):
    """Nobody tells how long a browser speaks: 60 letters are said within four seconds or so."""
    live = LiveSession(store, "test", Silence(), print)
    live.push(Batch.of(practice[:300]))
    live.announce("Nobody listens yet.")
    live.push(Batch.of(practice[300:310]))
    assert own_spans(live, store) == []
    live.listen(Listening(Purpose.ON, 2.5))
    live.announce("Walk at your usual pace to the far end and back, four times.")
    said_s = live.analysis.now_s
    live.push(Batch.of(practice[310:320]))
    start_s, end_s = own_spans(live, store)[-1]
    assert start_s == pytest.approx(said_s, abs=1e-6)
    assert said_s + 5.0 <= end_s <= said_s + 10.0
    live.close()


@pytest.mark.dear
def test_without_a_microphone_nothing_is_said_of_strikes(store, practice):
    live = LiveSession(store, "test", Silence(), print)
    live.push(Batch.of(practice))
    found = live.close()
    assert found.swings
    assert found.strikes == ()
    kinds = {e.kind for batch in store.batches(live.session_id) for e in batch}
    assert not kinds & {Kind.HEARD, Kind.LISTEN, Kind.STRIKE}
    out = Console(record=True, width=160, file=StringIO())
    show(found, out)
    text = out.export_text().lower()
    assert "strikes" not in text
