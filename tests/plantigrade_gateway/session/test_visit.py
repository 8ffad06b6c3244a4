"""When sessions begin and end; the insoles are `insole.py`'s, so that hours take seconds."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from tests.support.standing import entries_of, pair, push_all

from plantigrade.block import N_COLUMNS, Column, Foot, PairBlock
from plantigrade.calibrate import default_calibration
from plantigrade.events import Phase, PhaseKind, Stand, Swing
from plantigrade.synth import Player, SessionPlan, perform
from plantigrade.synth import Stand as SynthStand
from plantigrade.synth import Swing as SynthSwing
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.session.visit import BEFORE_NS, IDLE_NS, SOON_NS, SessionManager
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.sound.pitch import TonePoint
from plantigrade_gateway.store.results import reanalyse

START_NS = 5_000_000_000
SECOND_NS = 1_000_000_000


@pytest.fixture
def ended() -> list[tuple[str, object]]:
    return []


@pytest.fixture
def visit(store, ended) -> SessionManager:
    def begin() -> LiveSession:
        live = LiveSession(store, "test", Silence(), on_problem=lambda error: None)
        live.flush()  # its beginning is in the store
        return live

    return SessionManager(
        SessionSettings(mass_kg=80.0),
        begin,
        lambda live, found: ended.append((live.session_id, found)),
    )


def kinds(store, session_id) -> list[Kind]:
    return [e.kind for batch in store.batches(session_id) for e in batch]


def test_a_session_begins_with_the_first_data_and_ends_on_a_stop(visit, store, ended):
    entries = pair(1.0, START_NS, 4.0)
    links = [e for e in entries if e.kind is Kind.CONNECTED]
    visit.push(Batch.of(links))
    assert visit.live is None and store.sessions() == []
    data = [e for e in entries if e.kind is Kind.NOTIFICATION]
    push_all(visit, data)
    visit.close("stop")
    ((session_id, found),) = ended
    assert store.session(session_id).end_reason == "stop"
    stored = [e for batch in store.batches(session_id) for e in batch]
    assert stored[0].kind is Kind.SETTINGS
    assert SessionSettings.from_json(stored[0].data).mass_kg == 80.0
    assert stored[1:-1] == [*links, *data]
    assert stored[-1].kind is Kind.END
    assert found.quality is not None


def test_a_quarter_of_an_hour_without_load_ends_it(visit, store, ended):
    push_all(visit, pair(1.0, START_NS, 4.0))
    last_ns = START_NS + 4 * SECOND_NS
    visit.tick(last_ns + IDLE_NS - SECOND_NS)
    assert ended == []
    visit.tick(last_ns + IDLE_NS + SECOND_NS)
    ((session_id, _),) = ended
    assert store.session(session_id).end_reason == "no load"
    assert visit.live is None
    watching = visit.pipeline  # by whose loads the next one begins
    assert watching is not None and watching.settings.mass_kg == 80.0


def test_a_foot_is_stood_on_from_fifteen_percent_of_body_weight(visit):
    """Of 80 kg: 117.7 N, more than a laced shoe presses; a missing foot is no load."""

    def last_s(*loads: tuple[float, float]) -> float | None:
        t_s = 10.0 + 0.01 * np.arange(len(loads), dtype=np.float64)
        feet = [np.zeros((len(loads), N_COLUMNS), dtype=np.float64) for _ in range(2)]
        for foot, column in zip(feet, zip(*loads, strict=True), strict=True):
            foot[:, Column.HEEL] = column
        found: float | None = visit._loaded_s(Output(rows=[PairBlock(0, t_s, *feet)]))
        return found

    assert last_s((118.0, 0.0), (117.0, 117.0), (0.0, 0.0)) == 10.0
    assert last_s((0.0, 0.0), (np.nan, 118.0), (117.0, np.nan)) == 10.01
    assert last_s((117.0, 117.0), (np.nan, np.nan)) is None
    assert visit._loaded_s(Output()) is None


@pytest.mark.dear
def test_insoles_in_the_air_do_not_keep_it_open(visit, store, ended):
    push_all(visit, pair(1.0, START_NS, 4.0))
    push_all(visit, pair(0.0, START_NS + IDLE_NS, 4.0))
    visit.tick(START_NS + IDLE_NS + 5 * SECOND_NS)
    assert [store.session(s).end_reason for s, _ in ended] == ["no load"]


@pytest.mark.dear
def test_load_keeps_it_open(visit, ended):
    push_all(visit, pair(1.0, START_NS, 4.0))
    push_all(visit, pair(1.0, START_NS + IDLE_NS, 4.0))
    visit.tick(START_NS + IDLE_NS + 5 * SECOND_NS)
    assert ended == []
    visit.close("stop")


@pytest.mark.dear
def test_the_next_load_begins_the_next_with_the_seconds_before_it(visit, store, ended):
    push_all(visit, pair(1.0, START_NS, 4.0))
    later_ns = START_NS + 2 * IDLE_NS
    visit.tick(later_ns)
    push_all(visit, pair(0.0, later_ns, 30.0))
    assert visit.live is None and len(store.sessions()) == 1
    again_ns = later_ns + 30 * SECOND_NS
    push_all(visit, [e for e in pair(1.0, again_ns, 4.0) if e.kind is Kind.NOTIFICATION])
    visit.close("stop")
    assert [store.session(s).end_reason for s, _ in ended] == ["no load", "stop"]
    second = ended[1][0]
    stored = [e for batch in store.batches(second) for e in batch]
    assert kinds(store, second)[:3] == [Kind.SETTINGS, Kind.CONNECTED, Kind.CONNECTED]
    first_data_ns = next(e.arrival_ns for e in stored if e.kind is Kind.NOTIFICATION)
    assert 0.8 * BEFORE_NS < again_ns - first_data_ns <= BEFORE_NS
    times = np.array([e.arrival_ns for e in stored])
    assert (np.diff(times) >= 0).all()


def test_nothing_heard_is_no_session(visit, store, ended):
    visit.tick(START_NS + 2 * IDLE_NS)
    visit.close("stop")
    assert store.sessions() == [] and ended == []


def test_a_stop_on_the_page_holds_the_next_session_until_record(visit, store, ended):
    push_all(visit, pair(1.0, START_NS, 4.0))
    stopped_ns = START_NS + 4 * SECOND_NS
    visit.stop(stopped_ns)
    assert [store.session(s).end_reason for s, _ in ended] == ["stop"]
    data = [e for e in pair(1.0, stopped_ns, 6.0) if e.kind is Kind.NOTIFICATION]
    rows = 0
    for at in range(0, len(data), 50):
        moment = visit.push(Batch.of(data[at : at + 50]))
        rows += sum(len(block) for block in moment.output.net)
    assert visit.live is None and len(store.sessions()) == 1, "standing on them begins nothing"
    assert rows > 500, "the page still sees the feet"
    visit.record()
    assert visit.live is not None
    visit.close("stop")
    second = ended[1][0]
    stored = [e for batch in store.batches(second) for e in batch]
    assert [e for e in stored if e.kind is Kind.NOTIFICATION] == data, "none lost, none twice"


def test_record_while_recording_and_before_any_data_changes_nothing(visit, store):
    assert visit.record() == StepResult()
    assert store.sessions() == []
    push_all(visit, pair(1.0, START_NS, 4.0))
    live = visit.live
    visit.record()
    assert visit.live is live and len(store.sessions()) == 1
    visit.close("stop")


def test_every_session_begins_with_the_calibrations(store, ended):
    def begin() -> LiveSession:
        return LiveSession(store, "test", Silence(), on_problem=lambda error: None)

    made = replace(default_calibration(eighteen(), Foot.RIGHT), gain=1.5, note="of today")
    visit = SessionManager(
        SessionSettings(mass_kg=80.0),
        begin,
        lambda live, found: ended.append((live.session_id, found)),
        calibrations={1: made.to_json().encode()},
    )
    push_all(visit, pair(1.0, START_NS, 4.0))
    visit.tick(START_NS + 2 * IDLE_NS)
    push_all(visit, pair(1.0, START_NS + 2 * IDLE_NS, 4.0))
    visit.close("stop")
    assert len(ended) == 2
    for session_id, found in ended:
        stored = [e for batch in store.batches(session_id) for e in batch]
        assert [e.kind for e in stored[:2]] == [Kind.SETTINGS, Kind.CALIBRATION]
        assert (stored[1].insole, stored[1].data) == (1, made.to_json().encode())
        assert (found.quality.right.calibration, found.quality.right.gain) == ("of today", 1.5)
        assert found.quality.left.calibration == "never calibrated"
        assert found.quality.left.gain == 1.0
        again, changed = reanalyse(store, session_id)
        assert changed == 0 and again.quality == found.quality


def test_a_stop_before_any_data_holds_the_first_session(visit, store, ended):
    entries = pair(1.0, START_NS, 4.0)
    links = [e for e in entries if e.kind is Kind.CONNECTED]
    visit.push(Batch.of(links))
    visit.stop(START_NS)
    push_all(visit, [e for e in entries if e.kind is not Kind.CONNECTED])
    assert visit.live is None and store.sessions() == []
    visit.record()
    visit.close("stop")
    stored = [e for batch in store.batches(ended[0][0]) for e in batch]
    assert stored[1:-1] == entries, "and nothing of it is lost"


def test_record_right_after_a_stop_begins_with_the_next_data(visit, store, ended):
    push_all(visit, pair(1.0, START_NS, 4.0))
    stopped_ns = START_NS + 4 * SECOND_NS
    visit.stop(stopped_ns)
    visit.record()
    data = [e for e in pair(0.0, stopped_ns, 2.0) if e.kind is Kind.NOTIFICATION]
    push_all(visit, data)
    assert visit.live is not None, "without a load too"
    visit.close("stop")
    stored = [e for batch in store.batches(ended[1][0]) for e in batch]
    assert [e.kind for e in stored[:3]] == [Kind.SETTINGS, Kind.CONNECTED, Kind.CONNECTED]
    assert stored[3:-1] == data


def test_record_long_after_the_insoles_went_begins_with_their_next_data(visit, store, ended):
    push_all(visit, pair(1.0, START_NS, 4.0))
    visit.stop(START_NS + 4 * SECOND_NS)
    push_all(visit, pair(1.0, START_NS + 4 * SECOND_NS, 4.0))
    later_ns = START_NS + 2 * IDLE_NS
    visit.tick(later_ns)
    visit.record()
    visit.tick(later_ns + SECOND_NS)
    assert len(store.sessions()) == 1, "no session of old data, which would be over at once"
    again = pair(1.0, later_ns + 5 * SECOND_NS, 4.0)
    push_all(visit, again)
    visit.tick(later_ns + 10 * SECOND_NS)
    visit.close("stop")
    stored = [e for batch in store.batches(ended[1][0]) for e in batch]
    data = [e for e in stored if e.kind is Kind.NOTIFICATION]
    assert data == [e for e in again if e.kind is Kind.NOTIFICATION]


def test_a_stop_holds_even_where_the_store_refuses_the_last_of_it(visit, store, ended):
    push_all(visit, pair(1.0, START_NS, 2.0))
    live = visit.live

    def refuse(reason: str, *, linger: bool = False) -> None:
        raise StoreError("the disk is full")

    live.close, close = refuse, live.close
    with pytest.raises(StoreError, match="full"):
        visit.stop(START_NS + 2 * SECOND_NS)
    push_all(visit, pair(1.0, START_NS + 2 * SECOND_NS, 2.0))
    assert visit.live is None and visit.pipeline is not None and len(store.sessions()) == 1
    close()


@pytest.mark.dear
def test_a_change_in_mid_swing_leaves_the_swing_to_neither_of_the_next(store, ended):
    """When the swings are is the synthetic player's own truth."""
    plan = SessionPlan(
        (SynthStand(8.0), SynthSwing(), SynthStand(4.0), SynthSwing(), SynthStand(4.0))
    )
    done = perform(Player(), plan, 100.0, 1)
    first, second = done.truth.swings
    cut_s = 0.5 * (second.start_s + second.lead_peak_s)
    entries = entries_of(done, START_NS, len(done.left) / 100.0)
    cut_ns = START_NS + round(1e9 * cut_s)

    def begin() -> LiveSession:
        return LiveSession(store, "test", Silence(), on_problem=lambda error: None)

    visit = SessionManager(
        SessionSettings(mass_kg=75.0),
        begin,
        lambda live, found: ended.append((live.session_id, found)),
    )
    push_all(visit, [e for e in entries if e.arrival_ns < cut_ns])
    visit.change(SessionSettings(mass_kg=60.0, handed="left"), cut_ns)
    assert visit.live is None
    push_all(visit, [e for e in entries if e.arrival_ns >= cut_ns])
    visit.close("stop")
    (_, before), (_, after) = ended
    assert len(before.swings) == 1 and before.swings[0].lead_peak_s < first.end_s
    assert after.swings == ()


@pytest.mark.parametrize("is_stopped", [False, True])
def test_packets_sent_late_are_not_the_next_player_s(visit, store, is_stopped):
    """A foot stalls for 2 s: what it sampled before the change comes after the other's new data.

    The packets are the insole's own of seconds 3 and 4; only their arrival is later.
    """
    entries = [e for e in pair(1.0, START_NS, 10.0) if e.kind is Kind.NOTIFICATION]
    stalled_ns, cut_ns, again_ns = (START_NS + k * SECOND_NS for k in (3, 5, 6))
    foot = entries[0].insole

    def stalls(entry: Entry) -> bool:
        return entry.insole == foot and stalled_ns <= entry.arrival_ns < again_ns

    push_all(visit, [e for e in entries if e.arrival_ns < cut_ns and not stalls(e)])
    if is_stopped:
        visit.stop(cut_ns - SECOND_NS // 10)
    visit.change(SessionSettings(mass_kg=60.0), cut_ns)
    if is_stopped:
        visit.record()
    push_all(visit, [e for e in entries if cut_ns <= e.arrival_ns < again_ns and not stalls(e)])
    push_all(visit, [replace(e, arrival_ns=again_ns) for e in entries if stalls(e)])
    push_all(visit, [e for e in entries if e.arrival_ns >= again_ns])
    visit.close("stop")
    last, _ = store.sessions()
    stored = [e for batch in store.batches(last.session_id) for e in batch]
    sent = {e.data: e.arrival_ns for e in entries if e.insole == foot}
    found = [sent[e.data] for e in stored if e.kind is Kind.NOTIFICATION and e.insole == foot]
    # a packet's arrival tells its last frame; its first may be one packet's length before
    expected = [ns for ns in sent.values() if ns >= cut_ns]
    assert min(found) >= cut_ns and len(expected) - len(found) <= 1
    assert found[-10:] == expected[-10:]


def test_a_change_between_sessions_keeps_the_seconds_before_from_the_next_player(visit, store):
    push_all(visit, pair(1.0, START_NS, 4.0))
    stopped_ns = START_NS + 4 * SECOND_NS
    visit.stop(stopped_ns)
    push_all(visit, pair(1.0, stopped_ns, 4.0))  # the one who leaves still stands there
    visit.change(SessionSettings(mass_kg=60.0), stopped_ns + 4 * SECOND_NS)
    push_all(visit, [])
    assert visit.live is None, "what was stopped stays so until record"
    visit.record()
    again = pair(1.0, stopped_ns + 5 * SECOND_NS, 3.0)  # new links: their clocks begin anew
    later = [e for e in again if e.kind is Kind.NOTIFICATION]
    push_all(visit, again)
    visit.close("stop")
    (last, _) = store.sessions()
    stored = [e for batch in store.batches(last.session_id) for e in batch]
    assert [e for e in stored if e.kind is Kind.NOTIFICATION] == later
    assert SessionSettings.from_json(stored[0].data).mass_kg == 60.0


class Ear:
    """An outlet that keeps what it is given."""

    def __init__(self) -> None:
        self.cues: list[Cue] = []
        self.tone: list[TonePoint] = []

    def play(self, cue: Cue) -> None:
        self.cues.append(cue)

    def follow(self, points: Iterable[TonePoint]) -> None:
        self.tone += points


def one_swing() -> list[Entry]:
    """Return what both insoles send of a stand, a swing and the stand after it."""
    plan = SessionPlan((SynthStand(4.0), SynthSwing(), SynthStand(6.0)))
    done = perform(Player(), plan, 100.0, 1)
    return entries_of(done, START_NS, len(done.left) / 100.0)


def held_visit(store, ear: Ear, drill: str | None = None) -> SessionManager:
    """Return a manager that waits for `record` and keeps back what comes."""

    def begin() -> LiveSession:
        live = LiveSession(store, "test", ear, on_problem=lambda error: None)
        if drill is not None:
            live.set_drill(shelf(None).drills[drill])
        return live

    visit = SessionManager(SessionSettings(mass_kg=75.0), begin, lambda live, found: None)
    visit.stop(START_NS)
    return visit


def decided_ns(store) -> int:
    """Return when the entry comes with which the swing's push is decided, ns."""
    visit = held_visit(store, Ear())
    visit.record()
    for entry in one_swing():
        for event in visit.push(Batch.of([entry])).output.events:
            if isinstance(event, Phase) and event.kind is PhaseKind.PUSH:
                visit.close("stop")
                return entry.arrival_ns
    raise AssertionError("no push was decided")


@pytest.mark.dear
@pytest.mark.parametrize(
    ("pressed_ns", "is_heard"), [(SOON_NS // 2, True), (2 * SOON_NS, False), (3 * SECOND_NS, False)]
)
@pytest.mark.slow
def test_what_was_held_back_is_told_once_and_heard_only_if_it_was_just_now(
    store, pressed_ns, is_heard
):
    """Record is pressed after a swing: the page is told of it, and of the drill it counts for.

    What is told is the session as stored, and what came before the press sounds only where the
    swing was a moment ago.
    """
    entries, until_ns = one_swing(), decided_ns(store) + pressed_ns
    ear = Ear()
    visit = held_visit(store, ear, "push")
    push_all(visit, [e for e in entries if e.arrival_ns <= until_ns])
    assert ear.cues == []
    pressed = visit.record()
    kinds_told = [e.kind for e in pressed.output.events if isinstance(e, Phase)]
    assert kinds_told.count(PhaseKind.PUSH) == 1
    assert pressed.score is not None
    assert pressed.score.name == "push"
    assert [cue.kind for cue in pressed.cues] == [cue.kind for cue in ear.cues]
    ticks = (CueKind.HEEL_LIFTED, CueKind.HEEL_RETURNED)
    outcomes = [c for c in ear.cues if c.kind not in (CueKind.GLIDE, *ticks)]
    assert len(outcomes) == is_heard
    live = visit.live
    assert live is not None
    now_s = live.analysis.now_s
    assert all(now_s - cue.decided_s <= SOON_NS / 1e9 + 0.05 for cue in ear.cues)
    moment = pressed
    for entry in (e for e in entries if e.arrival_ns > until_ns):
        moment = moment.then(visit.push(Batch.of([entry])))
    told = moment.output.events
    found = live.close()
    swings = [e for e in told if isinstance(e, Swing)]
    assert swings == list(found.swings) and len(swings) == 1
    assert [e for e in told if isinstance(e, Stand)] == list(found.stands[:1])
    assert moment.score is not None
    assert [r.tried for r in found.drills] == [moment.score.tried] == [1]


def test_the_chosen_drill_is_told_as_the_session_begins(store):
    visit = held_visit(store, Ear(), "push")
    visit.record()
    moment = visit.push(Batch.of(one_swing()[:50]))
    assert moment.score is not None
    assert (moment.score.name, moment.score.tried) == ("push", 0)
    visit.close("stop")
