"""Drills over the recorded practice session: scores, cues, tone, and the law of chunks."""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.support.scoring import pair_rows

from plantigrade.analyser import Analyser
from plantigrade.block import Foot
from plantigrade.events import Event, Phase, PhaseKind, Swing
from plantigrade.limits import Limits, setup_for
from plantigrade.load import centre_of_pressure
from plantigrade.synth import OneLeg, Player, SensorModel, SessionPlan, Stand, perform
from plantigrade.synth import Swing as SwingPlan
from plantigrade_gateway.analysis.practice import Practice, entry_of, read_entry, read_mark
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.judge import Verdict, judge_swing
from plantigrade_gateway.drills.model import BalanceTarget, Choice, Drill, Feedback
from plantigrade_gateway.drills.run import DrillOutput, DrillRun, Score, spoken_text
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.sound.cues import CueKind, CueMaker
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ, Motif, motif
from plantigrade_gateway.sources.replay import demo_file, read_replay

pytestmark = pytest.mark.dear

DRILLS = shelf(None).drills
PUSH = DRILLS["push"]
OUTCOMES = {"rolled", "skipped", "early", "skipped_early", "held", "unclear", "good", "missed"}


@cache
def record() -> list[Entry]:
    """The practice session's first 130 s: a stand, a walk, five swings."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    origin_ns = entries[0].arrival_ns
    return [e for e in entries if e.arrival_ns < origin_ns + 130_000_000_000]


def chosen(t_s: float, drill: Drill | None, feedback: Feedback = Feedback.EVERY) -> Entry:
    at_ns = record()[0].arrival_ns + round(1e9 * t_s)
    return Entry(at_ns, SESSION, Kind.DRILL, entry_of(Choice(drill, feedback)))


def with_marks(*marks: Entry) -> list[Entry]:
    """The record with marks at their places, after the settings that begin it."""
    entries = [*record(), *marks]
    return sorted(entries, key=lambda e: e.arrival_ns)


def by_the_second(entries: Sequence[Entry]) -> Iterator[Batch]:
    """Give a record in pieces so short that no two repetitions end in one."""
    for start in range(0, len(entries), 100):
        yield Batch.of(entries[start : start + 100])


def run(entries: Sequence[Entry], cuts: Iterable[int] = ()) -> tuple[DrillOutput, RecordAnalysis]:
    analysis, heard = RecordAnalysis("test", heard=True), DrillOutput()
    for start, stop in pairwise(sorted({0, len(entries), *cuts})):
        analysis.push(Batch.of(entries[start:stop]))
        heard.add(analysis.reply)
    analysis.flush()
    heard.add(analysis.reply)
    return heard, analysis


@cache
def whole(name: str, feedback: Feedback) -> tuple[DrillOutput, RecordAnalysis]:
    return run(with_marks(chosen(0.0, DRILLS[name], feedback)))


def as_values(reply: DrillOutput) -> list[object]:
    cues = [(c.kind, c.t_s, c.decided_s, c.delay_s, c.samples.tobytes()) for c in reply.cues]
    return [cues, reply.tone, reply.reps, reply.spoken]


def kinds(reply: DrillOutput) -> Counter[str]:
    return Counter(str(cue.kind) for cue in reply.cues)


# ---- scores ----


@pytest.mark.parametrize(
    ("name", "good", "tried"),
    [("push", 1, 5), ("heel_lift", 2, 5), ("stay", 3, 5)],
)
def test_each_swing_is_judged_once(name, good, tried):
    """As the session's truth has it: one push rolls with the shift, three heels stay down."""
    _, analysis = whole(name, Feedback.EVERY)
    (result,) = analysis.result().drills
    assert (result.good, result.tried, result.unclear) == (good, tried, 0)
    assert len(analysis.swings) == tried
    verdicts = [judge_swing(swing, DRILLS[name], analysis.rate_hz) for swing in analysis.swings]
    assert list(result.reps) == verdicts
    assert result.counts == DRILLS[name].counts


def test_the_trail_heel_is_judged_and_heard_with_the_push():
    """By the swings' own loads at the trail peak; each is heard once, when its push is decided."""
    heard, analysis = whole("trail_heel", Feedback.EVERY)
    (result,) = analysis.result().drills
    swings = analysis.swings
    assert len(swings) == len(result.reps) == 5
    for one, rep in zip(swings, result.reps, strict=True):
        at, before = one.push.heel_share_trail_peak, one.push.heel_share_address
        assert at is not None and before is not None
        loaded = at >= 0.5 and at - before >= 0.1
        assert rep.verdict is (Verdict.GOOD if loaded else Verdict.MISSED)
    assert {rep.verdict for rep in result.reps} == {Verdict.GOOD, Verdict.MISSED}
    said = [cue for cue in heard.cues if str(cue.kind) in OUTCOMES]
    assert [str(cue.kind) for cue in said] == [str(rep.verdict) for rep in result.reps]
    ends = [one.push.end_s for one in swings]
    assert [cue.t_s for cue in said] == pytest.approx(ends)


def test_each_step_of_the_walk_is_judged():
    _, analysis = whole("walk_through", Feedback.EVERY)
    (result,) = analysis.result().drills
    steps = analysis.result().steps
    assert result.tried + result.unclear == len(steps) >= 12
    assert result.good >= 12 and result.best == result.good


def test_a_quiet_stand_is_held():
    _, analysis = whole("balance", Feedback.EVERY)
    (result,) = analysis.result().drills
    assert result.good >= 1
    held = next(rep for rep in result.reps if rep.verdict is Verdict.GOOD)
    assert 10.0 <= held.t_s <= 14.0  # it stands from the beginning


def test_what_says_that_balance_was_held_is_heard_alone():
    """The tone goes on while the stand does: it rests for as long as the motif sounds."""
    heard, analysis = whole("balance", Feedback.EVERY)
    (result,) = analysis.result().drills
    lasts_s = len(motif(Motif.GOOD)) / SAMPLE_RATE_HZ
    held = [cue for cue in heard.cues if str(cue.kind) == "good"]
    assert len(held) == result.good >= 1
    gains = [(point.t_s, point.gain) for point in heard.tone]
    for cue in held:
        begins_s = cue.decided_s + cue.delay_s
        before = [gain for t_s, gain in gains if t_s < begins_s]
        during = [(t, gain) for t, gain in gains if begins_s <= t <= begins_s + lasts_s]
        assert before[-1] == 1.0 and during == [(begins_s, 0.0)]
    assert any(t_s > held[0].decided_s and gain == 1.0 for t_s, gain in gains)


def test_streaks():
    score = Score("x", "X", "Go.", "All.", Feedback.EVERY)
    reps = [replace(whole("push", Feedback.EVERY)[0].reps[0], verdict=v) for v in Verdict]
    good, missed, unclear = reps
    for rep in (good, good, unclear, good, missed, good):
        score = score.after(rep)
    assert (score.good, score.tried, score.unclear, score.streak, score.best) == (4, 5, 1, 1, 3)
    assert score.last == good
    assert [spoken_text(rep, 3) for rep in reps] == ["Good, 3 in a row.", missed.words, "Unclear."]


def test_the_player_reads_the_drills_own_words_on_the_way_a_push_missed():
    analysis = RecordAnalysis("test", heard=True)
    seen: list[tuple[str, str]] = []
    for batch in by_the_second(with_marks(chosen(0.0, DRILLS["push"], Feedback.EVERY))):
        analysis.push(batch)
        score = analysis.practice.score
        last = None if score is None else score.last
        if score is not None and last is not None and len(seen) < score.tried:
            seen.append((last.words.split(", in ")[0], score.line))
    assert seen == [
        ("skipped, early", "Jumped early"),
        ("skipped, with shift", "No roll"),
        ("rolled, early", "Too soon"),
        ("skipped, early", "Jumped early"),
        ("rolled, with shift", "Rolled through"),
    ]


# ---- what is heard ----


def test_every_push_is_heard_when_its_outcome_is_known():
    """The cue says what the swing's row says later: never one thing and then another."""
    heard, analysis = whole("push", Feedback.EVERY)
    said = [cue for cue in heard.cues if str(cue.kind) in OUTCOMES]
    assert len(said) == len(heard.reps) == 5
    for cue, rep, swing in zip(said, heard.reps, analysis.swings, strict=True):
        assert (cue.kind is CueKind.ROLLED) == (rep.verdict is Verdict.GOOD)
        assert cue.decided_s <= rep.t_s == swing.confirmed_s
    assert kinds(heard)["glide"] == 5
    assert kinds(heard)["heel_lifted"] >= 2


@pytest.mark.parametrize("feedback", [Feedback.OTHER, Feedback.ASK, Feedback.SILENT])
def test_fading_what_is_heard_changes_no_score(feedback):
    every, faded = whole("push", Feedback.EVERY), whole("push", feedback)
    assert faded[0].reps == every[0].reps
    said = [c for c in every[0].cues if str(c.kind) in OUTCOMES]
    kept = [c for c in faded[0].cues if str(c.kind) in OUTCOMES]
    told = said[::2] if feedback is Feedback.OTHER else []
    assert [(c.kind, c.t_s) for c in kept] == [(c.kind, c.t_s) for c in told]
    assert bool(faded[0].tone) == bool(faded[0].cues) == (feedback is Feedback.OTHER)


@pytest.mark.parametrize(
    ("feedback", "told"),
    [
        (Feedback.EVERY, [True] * 5),
        (Feedback.OTHER, [True, False, True, False, True]),
        (Feedback.ASK, [False] * 5),
        (Feedback.SILENT, [False] * 5),
    ],
)
def test_a_score_says_whether_the_player_is_told(feedback, told):
    analysis = RecordAnalysis("test", heard=True)
    seen: list[bool] = []
    for batch in by_the_second(with_marks(chosen(0.0, DRILLS["push"], feedback))):
        analysis.push(batch)
        score = analysis.practice.score
        if score is not None and len(seen) < score.tried:
            seen.append(score.told)
    assert seen == told


def test_asking_plays_the_last_outcome_unless_silent():
    for feedback in Feedback:
        _, analysis = whole("push", feedback)
        answer = analysis.practice.ask(130.0)
        score = analysis.practice.score
        assert score is not None and score.told is (feedback is not Feedback.SILENT)
        if feedback is Feedback.SILENT:
            assert (answer.cues, answer.spoken) == ([], [])
            continue
        assert [c.kind for c in answer.cues] == [CueKind.GLIDE, CueKind.ROLLED]
        assert {c.decided_s for c in answer.cues} == {130.0}
        assert [text.partition(",")[0].rstrip(".") for text in answer.spoken] == ["Good"]


def test_what_came_of_rows_says_whether_one_is_kept_from_the_player():
    assert not run(record())[0].is_untold  # without a drill every push is heard
    for feedback in Feedback:
        assert whole("push", feedback)[0].is_untold is (feedback is not Feedback.EVERY)


def test_asking_before_the_first_repetition_says_nothing():
    run = RecordAnalysis("test", heard=True)
    assert run.practice.ask(1.0).spoken == []
    run.push(Batch.of(with_marks(chosen(0.0, DRILLS["push"], Feedback.ASK))[:400]))
    assert run.practice.run is not None
    answer = run.practice.ask(1.0)
    assert (answer.cues, answer.spoken) == ([], [])


def test_a_silent_walk_drill_says_nothing_of_steps_that_miss():
    heard, _ = whole("walk_through", Feedback.EVERY)
    assert set(kinds(heard)) <= {"good", "unclear"}


# ---- the tone ----


def test_the_tone_is_the_pitch_of_the_trail_foots_cop():
    """Held against the rows themselves, by the mapping written out: two octaves up the foot."""
    heard, _ = whole("push", Feedback.EVERY)
    again = RecordAnalysis("again")
    rows = again.push(Batch.of(record())).net
    t_s = np.concatenate([block.t_s for block in rows])
    y = centre_of_pressure(np.vstack([block.right for block in rows]), 0.05 * 725.7)[:, 1]
    hz_at = dict(zip(t_s.tolist(), (220.0 * 4.0**y).tolist(), strict=True))
    on = [point for point in heard.tone if point.gain > 0.0]
    assert len(on) > 500
    assert [p.hz for p in on] == pytest.approx([hz_at[p.t_s] for p in on], rel=1e-9)
    assert max(p.hz for p in on) > 1.5 * min(p.hz for p in on)


def test_the_tone_is_on_in_swings_only():
    heard, analysis = whole("push", Feedback.EVERY)
    phases: list[Phase] = []
    again = RecordAnalysis("again")
    for event in again.push(Batch.of(record())).events:
        if isinstance(event, Phase):
            phases.append(event)
    spans, begin = [], None
    for phase in phases:
        if phase.kind in (PhaseKind.BACKSWING, PhaseKind.SHIFT):
            begin = phase.confirmed_s if begin is None else begin
        elif phase.kind in (PhaseKind.CANCELLED, PhaseKind.PUSH) and begin is not None:
            spans.append((begin, phase.confirmed_s))
            begin = None
    on = [p.t_s for p in heard.tone if p.gain > 0.0]
    assert all(any(a <= t < b for a, b in spans) for t in on)
    for swing in analysis.swings:  # and is on all through each one's shift
        assert swing.shift_s is not None and swing.lead_peak_s is not None
        inside = [t for t in on if swing.shift_s <= t <= swing.lead_peak_s]
        assert len(inside) >= 0.9 * 100 * (swing.lead_peak_s - swing.shift_s)
    gains = [p.gain for p in heard.tone]
    assert gains[-1] == 0.0  # it never hangs


# ---- the law of chunks ----


def changing() -> list[Entry]:
    """Five choices within the record: of every kind, and one in the middle of a swing."""
    _, analysis = whole("push", Feedback.EVERY)
    shift_s = analysis.swings[2].shift_s
    assert shift_s is not None
    return with_marks(
        chosen(0.2, DRILLS["balance"]),
        chosen(34.0, DRILLS["walk_through"], Feedback.OTHER),
        chosen(62.0, PUSH),
        chosen(shift_s, DRILLS["heel_lift"]),
        chosen(115.0, None),
    )


@cache
def in_one() -> tuple[DrillOutput, RecordAnalysis]:
    return run(changing())


def test_all_five_choices_are_told_apart():
    heard, analysis = in_one()
    results = analysis.result().drills
    assert [r.name for r in results] == ["balance", "walk_through", "push", "heel_lift"]
    assert all(r.reps for r in results)
    assert results[0].end_s == results[1].start_s == pytest.approx(34.0)
    assert results[3].end_s == pytest.approx(115.0)
    assert analysis.practice.score is None
    assert kinds(heard)["glide"] >= 3  # of the push drill, and of the swings after the last one


def test_a_swing_belongs_to_the_drill_it_was_begun_under():
    heard, analysis = in_one()
    _, _, push, heel = analysis.result().drills
    assert len(push.reps) == 3  # the third was under way when the drill was changed
    third = analysis.swings[2]
    assert push.reps[2].t_s == third.confirmed_s > push.end_s
    assert third.start_s is not None and third.start_s < push.end_s
    assert all(rep.t_s > third.confirmed_s for rep in heel.reps)
    glides = [cue for cue in heard.cues if cue.kind is CueKind.GLIDE]
    assert sum(62.0 < cue.t_s < third.confirmed_s for cue in glides) == 3


@settings(deadline=None, max_examples=8)
@given(st.data())
@pytest.mark.slow
def test_cutting_the_record_changes_nothing(data):
    entries = changing()
    cuts = data.draw(st.sets(st.integers(1, len(entries) - 1), max_size=60))
    marks = [k for k, entry in enumerate(entries) if entry.kind is Kind.MARK]
    near = data.draw(st.sets(st.sampled_from([m + d for m in marks for d in (0, 1, 2)])))
    heard, analysis = run(entries, {*cuts, *near} - {len(entries)})
    assert as_values(heard) == as_values(in_one()[0])
    assert analysis.result().drills == in_one()[1].result().drills


@pytest.mark.slow
def test_entry_by_entry_is_the_same_as_at_once():
    begin = next(k for k, e in enumerate(changing()) if e.kind is Kind.MARK and k > 5)
    part = changing()[: begin + 900]
    one, singly = run(part), run(part, range(1, len(part)))
    assert as_values(singly[0]) == as_values(one[0])


def test_without_listeners_the_scores_are_the_same():
    """As a stored session is analysed again."""
    silent = RecordAnalysis("stored")
    silent.push(Batch.of(changing()))
    assert silent.reply.cues == [] and silent.reply.tone == []
    silent.flush()
    assert silent.result().drills == in_one()[1].result().drills


# ---- what the record says of a choice ----


def test_a_choice_is_told_by_a_mark_of_one_line():
    _, analysis = in_one()
    said = [mark.text for mark in analysis.marks if mark.text.startswith("drill:")]
    assert said == [
        "drill: balance, feedback every",
        "drill: walk_through, feedback other",
        "drill: push, feedback every",
        "drill: heel_lift, feedback every",
        "drill: none",
    ]


@pytest.mark.parametrize("drill", [None, *DRILLS.values()])
@pytest.mark.parametrize("feedback", Feedback)
def test_the_entry_holds_the_whole_drill(drill, feedback):
    choice = Choice(drill, feedback)
    assert read_entry(entry_of(choice)) == choice


def test_a_drill_of_ones_own_comes_back_whole():
    mine = replace(DRILLS["balance"], name="mine", target=BalanceTarget(hold_s=4.0))
    assert read_entry(entry_of(Choice(mine, Feedback.ASK))) == Choice(mine, Feedback.ASK)


def test_an_older_record_chooses_by_a_mark_of_two_lines():
    """As hardware_notes/replay_file.md describes the marks of records before kind 11."""
    table = {"drill": DRILLS["balance"].table(), "feedback": "every"}
    text = f"drill: balance, feedback every\n{json.dumps(table)}"
    assert read_mark(text) == Choice(DRILLS["balance"], Feedback.EVERY)
    at_ns = record()[0].arrival_ns + 1_000_000_000
    old = Entry(at_ns, SESSION, Kind.MARK, text.encode())
    new = chosen(1.0, DRILLS["balance"])
    by_mark, by_entry = (run(with_marks(one))[1] for one in (old, new))
    assert by_mark.result().drills == by_entry.result().drills and by_mark.result().drills
    assert by_mark.marks == by_entry.marks


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff",
        b"[]",
        b'{"schema": 2, "drill": null, "feedback": "every"}',
        b'{"schema": 1, "drill": null, "feedback": "loud"}',
        b'{"schema": 1, "drill": null}',
        b'{"schema": 1, "drill": {"name": 1}, "feedback": "every"}',
    ],
)
def test_what_is_no_choice_is_refused_and_changes_no_drill(data):
    with pytest.raises(RecordError):
        read_entry(data)
    first = chosen(1.0, DRILLS["balance"])
    broken = replace(first, arrival_ns=first.arrival_ns + 1_000_000_000, data=data)
    found = run(with_marks(first, broken))[1]
    assert [one.name for one in found.result().drills] == ["balance"]
    assert "drill: ?" in [mark.text for mark in found.marks]


def test_without_a_drill_a_silent_choice_lets_nothing_be_heard():
    heard = run(record())[0]
    assert heard.cues
    silent = run(with_marks(chosen(0.1, None, Feedback.SILENT)))[0]
    assert silent.cues == [] and silent.tone == [] and silent.spoken == []


@pytest.mark.parametrize(
    "text",
    [
        "drill: push",
        "drill: push, feedback every\nnot json",
        'drill: push, feedback every\n{"drill": {"name": 1}, "feedback": "every"}',
        'drill: push, feedback every\n{"drill": null, "feedback": "loud"}',
        'drill: push, feedback every\n["drill"]',
        'set: smooth\n{"drill": null, "feedback": "every"}',
    ],
)
def test_any_other_note_stays_a_note(text):
    assert read_mark(text) is None


# ---- without a drill ----


def events_of(plan: SessionPlan) -> list[Event]:
    done = perform(Player(), plan, 100.0, 3)
    left, right = SensorModel().read(done, 3)
    setup = setup_for(done.layout, 100.0, done.truth.weight_n, done.player.lead)
    analyser = Analyser(setup)
    blocks = pair_rows(done.t_s, left, right, done.layout, 100.0)
    return [e for block in blocks for e in analyser.push(block)]


def test_standing_on_one_leg_does_not_tick():
    """It begins like a backswing: the lead heel is unloaded while the front still carries."""
    plan = SessionPlan(
        (Stand(4.0), *(OneLeg(foot, 4.0) for foot in (Foot.RIGHT, Foot.LEFT) * 4), Stand(2.0))
    )
    events = events_of(plan)
    loud = [c.kind for c in CueMaker().push(events)]
    assert CueKind.HEEL_LIFTED in loud  # what it is about
    assert Practice(heard=True).push(Output(events=events)).cues == []


def test_after_a_swing_heels_and_pushes_are_heard():
    events = events_of(SessionPlan((Stand(3.0), SwingPlan(), SwingPlan(), SwingPlan())))
    swings = [e for e in events if isinstance(e, Swing)]
    assert len(swings) == 3
    cues = Practice(heard=True).push(Output(events=events)).cues
    pushes = [c for c in cues if c.kind is CueKind.GLIDE]
    assert len(pushes) == 3
    ticks = [c.t_s for c in cues if c.kind is CueKind.HEEL_LIFTED]
    loud = [c.t_s for c in CueMaker().push(events) if c.kind is CueKind.HEEL_LIFTED]
    assert ticks == [t for t in loud if t > swings[0].confirmed_s]


def test_a_drill_without_tone_needs_no_rows():
    for name, needs in (("push", True), ("heel_lift", False), ("balance", True)):
        drill = DRILLS[name]
        one = DrillRun(drill, Feedback.EVERY, 0.0, Foot.LEFT, 700.0, CueMaker(), limits=Limits())
        assert one.needs_rows == needs
    unheard = DrillRun(PUSH, Feedback.EVERY, 0.0, Foot.LEFT, 700.0)
    assert not unheard.needs_rows
